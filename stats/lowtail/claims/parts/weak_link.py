"""Which part of an assembly is the weak link, how strong the assembly is at least, which upgrade helps most."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lowtail._shared.checks import door
from lowtail._shared.parallel import Seed, as_rng
from lowtail._shared.record import Record
from lowtail._shared.sample import Sample
from lowtail.claims.basis import Basis, check_fraction, get_basis
from lowtail.claims.parts.causes import assembly_of_log, causes_of_log
from lowtail.claims.parts.component_table import assembly_low, component_table
from lowtail.claims.strength.answer import floor3
from lowtail.errors import InputError, NoAnswerError
from lowtail.logs.breaks.log import BreakLog
from lowtail.models.bounds.weakest import (
    by_cause,
    check_counts,
    component_draws,
    component_fit,
    hazard_total,
    weakest_below,
)
from lowtail.models.confidence.distribution import ScalePrior, confidence_distribution
from lowtail.models.distributions.families import Family, get_family
from lowtail.models.distributions.rounded import at_lower_edge, coarse_note

__all__ = ["WeakLink", "weak_link"]

Array = NDArray[np.float64]
BY = ("item", "orientation", "method")
INDEPENDENT = (
    "Components are taken as independent: a shared cause (one bad batch, one over-tightened set-up) is not in these "
    "figures."
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WeakLink(Record):
    """Component distributions, and the distribution of the assembly as the weakest of them.

    Attributes
    ----------
    group, family, n
        Tests of the assembly (largest number for a component where they were tested apart).
    assembly : str
        Its name in the log; "" where the log names none and the parts are the specimen and what else is in the rig.
    of_rig : bool
        Whether the parts are the specimen and parts of the test rig: then it is no statement on gear in use.
    fraction_below, confidence, estimate, low
        Low strength of the assembly and its lower confidence bound, kN.
    low_as_one : float
        The same bound with the assembly taken as one thing of one distribution; NaN where components were tested apart
        or the counts differ from the tests.
    weakest : str
        Component most likely to fail first.
    best_upgrade : str
        Component whose strengthening by ``upgrade`` raises ``estimate`` most.
    upgrade : float
        Fraction by which a component is strengthened in the table.
    components : DataFrame
        One row a component: ``component``, ``count``, ``n``, ``n_broken``, ``typical_kN`` (median), ``low`` (its own
        bound), ``goes_first`` with ``goes_first_low`` and ``goes_first_high`` (90 % interval),
        ``estimate_if_stronger`` and ``low_if_stronger`` (assembly, that component strengthened).
    notes : tuple of str
    names, count, location, spread : components, their numbers, and fitted distributions (y scale), shape (J,)
    location_draws, spread_draws : ndarray, shape (m, J)
    """

    group: str
    assembly: str
    of_rig: bool
    family: str
    n: int
    fraction_below: float
    confidence: float
    estimate: float
    low: float
    low_as_one: float
    weakest: str
    best_upgrade: str
    upgrade: float
    components: pd.DataFrame
    notes: tuple[str, ...]
    names: tuple[str, ...]
    count: Array
    location: Array
    spread: Array
    location_draws: Array
    spread_draws: Array

    def strength_below(self, fraction: float, *, counts: Mapping[str, int] | None = None) -> float:
        """Fitted load that ``fraction`` of assemblies lies below, kN; ``counts`` asks for another number of parts."""
        check_fraction(fraction, "fraction")
        count = self.count if counts is None else check_counts(counts, self.names)
        law = get_family(self.family)
        return max(0.0, float(law.inverse(weakest_below(fraction, self.location, self.spread, count, law))))

    def low_below(self, fraction: float, confidence: float, *, counts: Mapping[str, int] | None = None) -> float:
        """Lower confidence bound of that load, kN."""
        check_fraction(fraction, "fraction")
        check_fraction(confidence, "confidence")
        count = self.count if counts is None else check_counts(counts, self.names)
        return assembly_low(
            self.location_draws, self.spread_draws, count, get_family(self.family), fraction, confidence
        )

    def fraction_weaker(self, load: float) -> float:
        """Fitted fraction of assemblies weaker than ``load`` (kN)."""
        law = get_family(self.family)
        if not (np.isfinite(load) and load > 0):
            raise InputError(f"`load` must be a finite number greater than 0 kN, got {load!r}.")
        y = np.asarray(law.transform(load), dtype=float)
        return float(-np.expm1(-hazard_total(y, self.location, self.spread, self.count, law)))

    def __str__(self) -> str:
        row = self.components.set_index("component").loc[self.weakest]
        first, ends = row["goes_first"], f"{100 * row['goes_first_low']:.0f} to {100 * row['goes_first_high']:.0f} %"
        who = f"{self.group}: " if self.group else ""
        name = f" of {self.assembly}" if self.assembly else ""
        first_line = (
            f"in this rig {self.weakest} fails first in about {100 * first:.0f} % of tests"
            if self.of_rig
            else f"{self.weakest} fails first in about {100 * first:.0f} % of assemblies{name}"
        )
        what = "rigs as this one" if self.of_rig else "assemblies"
        return (
            f"{who}{first_line} (90 % interval {ends}); with {100 * self.confidence:g} % confidence, at least "
            f"{100 * (1 - self.fraction_below):g} % of {what} are "
            f"stronger than {floor3(self.low)} kN (estimate {self.estimate:.3g} kN). Making {self.best_upgrade} "
            f"{100 * self.upgrade:g} % stronger helps most. Components are taken as independent."
        )


@door
def weak_link(
    tests: BreakLog | pd.DataFrame | Mapping[str, Sample],
    *,
    by: Sequence[str] | str = BY,
    group: str | None = None,
    parts: Sequence[str] | None = None,
    counts: Mapping[str, int] | None = None,
    family: str | Family = "weibull",
    basis: str | Basis = "B-basis",
    known: Mapping[str, float | ScalePrior] | None = None,
    upgrade: float = 0.10,
    size: int = 8000,
    rng: Seed = 0,
) -> WeakLink:
    """Distributions of the components and of the assembly as the weakest of them.

    From tests of the whole assembly every component gets its own distribution, a break of any other part censoring it
    (competing failures). The assembly's distribution is the minimum over the components, ``counts`` of each; its lower
    bound is the quantile over draws from the components' confidence distributions, which are independent of each other
    where the components are. Independence cannot be checked from such tests; `common_cause` shows what depends on it.
    The bound errs on the safe side: stated with 95 %, it lay below the true low-percentile strength in 99.5 % and more
    of simulated series of 8 to 20 tests of two components (tests/truth/parts_coverage.csv), for either of them may be
    the weak one.

    Parameters
    ----------
    tests : BreakLog, DataFrame or mapping of str to Sample
        A log (the specimen is one component, every ``failed_part`` another), or a sample a component, tested apart.
        Where the log's column ``assembly`` names a real assembly, the parts that broke in those rows are its
        components, and any other part (the rig's fuse) only censors. Where it names none, all are parts of this rig.
    by, group : grouping columns, and the group's label where they make several
    parts : sequence of str, optional
        Components that the assembly holds; the others only censor (a part of the test rig). Default: as the log says.
    counts : mapping of str to int, optional
        How many of a component the assembly holds; default 1 each. m in series are weaker than one: the size effect.
    family : {"weibull", "normal", "lognormal"}
    basis : str or Basis
    known : mapping of str to float or ScalePrior, optional
        Weibull shape of a component from earlier series; needed where it broke fewer than twice. Give a low one.
    upgrade : float
        Fraction by which components are strengthened in turn, greater than 0.
    size : int
        Draws, at least 1000.
    rng : int or Generator

    Returns
    -------
    WeakLink

    Raises
    ------
    InputError
        If a component, count or argument is unknown or out of range.
    NoAnswerError
        If a component broke too seldom for a distribution of its own and no shape is known.

    See Also
    --------
    parts.common_cause : strengths that go together.
    plot.weak_link : the figure.
    checks.failure_modes : failure modes of one part.

    References
    ----------
    Nelson (1982), Applied Life Data Analysis, chapter 5 (competing modes; from memory).

    Examples
    --------
    >>> tests = {"sling": Sample([21.0, 22.4, 23.1, 20.2, 22.0]), "fuse": Sample([24.0, 24.4, 23.8, 24.1])}
    >>> answer = weak_link(tests)
    >>> answer.weakest, answer.low < answer.estimate
    ('sling', True)
    """
    law, which, generator = get_family(family), get_basis(basis), as_rng(rng)
    if not upgrade > 0:
        raise InputError(f"`upgrade` must be greater than 0, e.g. 0.10 for 10 % stronger, got {upgrade!r}.")
    if size < 1000:
        raise InputError(f"`size` must be at least 1000 draws, got {size!r}.")
    assembly, inside = ("", []) if isinstance(tests, Mapping) else assembly_of_log(tests, by, group)
    of_rig = not isinstance(tests, Mapping) and not assembly and parts is None
    samples, label, whole = _components(tests, by, group, inside if parts is None and assembly else parts)
    coarse = [note for note in map(coarse_note, samples.values()) if note]
    samples = {name: at_lower_edge(sample) for name, sample in samples.items()}
    names, count = tuple(samples), check_counts(counts, tuple(samples))
    given = dict(known or {})
    for name in given:
        if name not in samples:
            raise InputError(f"`known` names {name!r}, which is no component here. Components: {', '.join(names)}.")
    fits, draws = [], []
    for name, sample in samples.items():
        try:
            draws.append(component_draws(sample, law, given.get(name), size, generator))
            fits.append(component_fit(sample, law, given.get(name)))
        except NoAnswerError as exc:
            raise NoAnswerError(
                f"Component {name!r} broke in {sample.n_broken} of {sample.n} tests, too few for a distribution of "
                "its own. "
                f"Give known={{{name!r}: shape}} from earlier series, or name the other parts of the assembly in "
                "`parts`, so that it only censors."
            ) from exc
    location, spread = (np.array(v) for v in zip(*fits, strict=True))
    location_draws, spread_draws = (np.stack(v, axis=1) for v in zip(*draws, strict=True))
    p, g = which.fraction_below, which.confidence
    estimate = float(law.inverse(weakest_below(p, location, spread, count, law)))
    table = component_table(samples, count, location, spread, location_draws, spread_draws, law, which, upgrade)
    return WeakLink(
        group=label,
        assembly=assembly,
        of_rig=of_rig,
        family=law.name,
        n=max(s.n for s in samples.values()),
        fraction_below=p,
        confidence=g,
        estimate=max(0.0, estimate),
        low=assembly_low(location_draws, spread_draws, count, law, p, g),
        low_as_one=_as_one(whole, names, count, law, p, g),
        weakest=str(table["component"].iloc[int(table["goes_first"].to_numpy().argmax())]),
        best_upgrade=str(table["component"].iloc[int(table["estimate_if_stronger"].to_numpy().argmax())]),
        upgrade=float(upgrade),
        components=table,
        notes=(INDEPENDENT, *coarse[:1]),
        names=names,
        count=count,
        location=location,
        spread=spread,
        location_draws=location_draws,
        spread_draws=spread_draws,
    )


def _components(
    tests: BreakLog | pd.DataFrame | Mapping[str, Sample],
    by: Sequence[str] | str,
    group: str | None,
    parts: Sequence[str] | None,
) -> tuple[dict[str, Sample], str, tuple[Array, list[str]] | None]:
    if isinstance(tests, Mapping):
        samples, label, whole = dict(tests), "", None
    else:
        load, causes, label = causes_of_log(tests, by, group)
        samples, whole = by_cause(load, causes), (load, causes)
    if parts is not None:
        unknown = [p for p in parts if p not in samples]
        if unknown:
            raise InputError(
                f"`parts`, or the log's `assembly`, names {unknown[0]!r}, which never broke here. "
                f"Components that broke: {', '.join(samples)}."
            )
        samples = {p: samples[p] for p in parts}
    return samples, label, whole


def _as_one(
    whole: tuple[Array, list[str]] | None, names: tuple[str, ...], count: Array, law: Family, p: float, g: float
) -> float:
    if whole is None or (count != 1).any():
        return float("nan")
    load, causes = whole
    try:
        return confidence_distribution(Sample(load, [c in names for c in causes]), law).low(p, g)
    except NoAnswerError:
        return float("nan")
