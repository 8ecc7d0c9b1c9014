"""Two failure modes in one group: fitted apart where the log names them, otherwise only a finding, never a mixture."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lowtail._shared.checks import door
from lowtail._shared.numbers import p_text, times_in_ten
from lowtail._shared.parallel import DRAWS, Seed, as_rng
from lowtail._shared.record import Record
from lowtail._shared.sample import Sample
from lowtail.claims.basis import Basis, check_fraction, get_basis
from lowtail.claims.parts.causes import causes_of_log
from lowtail.claims.parts.weak_link import weak_link
from lowtail.claims.strength.answer import floor3
from lowtail.claims.trend.covariate import chosen_rows
from lowtail.errors import InputError, NoAnswerError
from lowtail.logs.breaks.log import BreakLog
from lowtail.models.bounds.weakest import by_cause
from lowtail.models.confidence.distribution import confidence_distribution
from lowtail.models.distributions.empirical import draw_held
from lowtail.models.distributions.families import Family, get_family
from lowtail.models.distributions.fit import fit_many
from lowtail.models.distributions.goodness import (
    different_breaks,
    null_samples,
    rounded,
    simulate_like,
    tie_step,
    weak_minority,
)
from lowtail.models.distributions.residuals import largest_gap_many

__all__ = ["FailureModes", "failure_modes"]

Array = NDArray[np.float64]
BY = ("item", "orientation", "method")
_DIFFERENT = 4  # loads at break that a gap needs
GAP_IS_NO_MODEL = (
    "A gap is a finding, not a model: nothing was split, and the bound still takes all breaks as one kind."
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FailureModes(Record):
    """What the breaks say about more than one kind of failure.

    Attributes
    ----------
    group, family, n, n_broken
    how : str
        "named" (the log names 2 or more kinds) or "gap" (it does not: only the loads speak).
    finding : str
        One sentence.
    low_by_mode : float
        Lower bound with every kind fitted apart, the others censoring, kN; NaN where a kind broke fewer than twice or
        none is named.
    low_as_one : float
        The bound with one distribution for all, for comparison; NaN where there is none.
    gap_from, gap_to : float
        Loads on either side of the largest weighted gap between neighbouring breaks, kN (NaN for "named").
    p_value : float
        Simulated chance of so large a gap in one sound distribution.
    power : float
        Chance that the gap would show a weak minority of ``weak_share``, weaker by ``weak_loss``.
    weak_share, weak_loss, false_alarm : float
    table : DataFrame
        One row a kind: ``mode``, ``n_broken``, ``lowest_kN``, ``highest_kN``, ``typical_kN``, ``low``, ``goes_first``;
        empty for "gap".
    notes : tuple of str
    """

    group: str
    family: str
    n: int
    n_broken: int
    how: str
    finding: str
    low_by_mode: float
    low_as_one: float
    gap_from: float
    gap_to: float
    p_value: float
    power: float
    weak_share: float
    weak_loss: float
    false_alarm: float
    table: pd.DataFrame
    notes: tuple[str, ...]

    def __str__(self) -> str:
        return self.finding


@door
def failure_modes(
    tests: BreakLog | pd.DataFrame | Sample,
    *,
    by: Sequence[str] | str = BY,
    group: str | None = None,
    column: str = "failure_site",
    family: str | Family = "weibull",
    basis: str | Basis = "B-basis",
    false_alarm: float = 0.05,
    weak_share: float = 0.10,
    weak_loss: float = 0.30,
    size: int = DRAWS,
    rng: Seed = 0,
) -> FailureModes:
    """Look for more than one kind of failure in a group.

    Where ``column`` of the log names 2 or more failure modes (bent pin, torn webbing ...), each is fitted apart with
    the others censoring it, and the bound of the weakest of them stands beside the bound of one distribution for all.
    Otherwise the largest gap between neighbouring breaks, weighted by the square root of the numbers on either side,
    is held against simulated samples of one distribution that break and hold in the same order (false alarms 4 to 6
    %): a finding, no more. Where a rig stops at one load and every specimen happened to break below it, nothing in the
    sample tells, and 6 to 10 % of such samples alarm. No mixture is ever fitted: at these sample sizes it would invent
    what it shows.

    Parameters
    ----------
    tests : BreakLog, DataFrame or Sample
    by, group : grouping columns, and the group's label where they make several
    column : {"failure_site", "failed_part"}
        Where the log names the failure mode.
    family : {"weibull", "normal", "lognormal"}
    basis : str or Basis
    false_alarm, weak_share, weak_loss : float
        Between 0 and 1.
    size : int
        Simulated samples, at least 400.
    rng : int or Generator

    Returns
    -------
    FailureModes

    Raises
    ------
    InputError
        If an argument cannot be used, or a break's failure mode is empty while others are named.
    NoAnswerError
        If fewer than 4 breaks are there and no failure modes are named.

    See Also
    --------
    checks.unseen_minority : a weaker kind that was not seen.
    parts.weak_link : components that fail apart.
    checks.outliers : a single specimen that lies apart.

    References
    ----------
    Wainer and Schacht (1978), Psychometrika 43:203-212 (weighted gaps; from memory).

    Examples
    --------
    >>> print(failure_modes(Sample([24.1, 25.3, 24.8, 26.0, 25.1, 15.2, 15.9], label="oval"), size=400))
    oval: a gap in the breaking loads between 15.9 and 24.1 kN (p = 0.035): look for two kinds of failure and name them
    in the log.
    """
    for name, value in (("false_alarm", false_alarm), ("weak_share", weak_share), ("weak_loss", weak_loss)):
        check_fraction(value, name)
    if size < 400:
        raise InputError(f"`size` must be at least 400 simulated samples, got {size!r}.")
    law, which, generator = get_family(family), get_basis(basis), as_rng(rng)
    asked = (weak_share, weak_loss, false_alarm)
    if isinstance(tests, Sample):
        return _by_gap(tests, law, which, asked, size, generator)
    table = tests if isinstance(tests, pd.DataFrame) else tests.table
    load, causes, label = _named(table, by, group, column)
    kinds = [c for c in dict.fromkeys(causes) if c]
    if len(kinds) >= 2:
        return _by_name(load, causes, label, law, which, asked, generator)
    sample = Sample(load, [bool(c) for c in causes], label=label)
    return _by_gap(sample, law, which, asked, size, generator)


def _named(
    table: pd.DataFrame, by: Sequence[str] | str, group: str | None, column: str
) -> tuple[Array, list[str], str]:
    """Causes of the group; where no break says its kind at all, every break gets the same name."""
    if column == "failure_site" and column in table:
        blank = table[column].astype(str).str.strip() == ""
        broke = table["used"] & table["broke"]
        if group is not None:
            rows, _ = chosen_rows(table, by, group)
            broke &= table.index.isin(rows.index)
        if broke.any() and blank[broke].all():
            table = table.assign(**{column: np.where(broke, "one kind", table[column])})
    return causes_of_log(table, by, group, column=column)


def _as_one(sample: Sample, law: Family, which: Basis) -> float:
    try:
        return confidence_distribution(sample, law).low(which.fraction_below, which.confidence)
    except NoAnswerError:
        return float("nan")


def _by_name(
    load: Array,
    causes: list[str],
    label: str,
    law: Family,
    which: Basis,
    asked: tuple[float, float, float],
    rng: np.random.Generator,
) -> FailureModes:
    parts = by_cause(load, causes)
    few = [k for k, s in parts.items() if s.different < 2]
    nan = float("nan")
    rows = [
        {
            "mode": kind,
            "n_broken": s.n_broken,
            "lowest_kN": float(s.load[s.broke].min()),
            "highest_kN": float(s.load[s.broke].max()),
            "typical_kN": nan,
            "low": nan,
            "goes_first": nan,
        }
        for kind, s in parts.items()
    ]
    low = nan
    notes: tuple[str, ...] = ()
    one = _as_one(Sample(load, [bool(c) for c in causes]), law, which)
    if few:
        notes = (
            f"{', '.join(few)}: broke fewer than 2 times at different loads, so it has no distribution of its own "
            "and no bound "
            "by kind is given. The bound of one distribution may flatter: break more.",
        )
    else:
        answer = weak_link(parts, family=law, basis=which, rng=rng)
        low = answer.low
        for row, found in zip(rows, answer.components.to_dict("records"), strict=True):
            row |= {k: found[k] for k in ("typical_kN", "low", "goes_first")}
    names = ", ".join(f"{r['mode']} {r['n_broken']}" for r in rows)
    bound = (
        f"the bound with each fitted apart is {floor3(low)} kN, with one distribution {floor3(one)} kN"
        if not few
        else "no bound by kind"
    )
    return FailureModes(
        group=label,
        family=law.name,
        n=len(causes),
        n_broken=sum(1 for c in causes if c),
        how="named",
        finding=f"{label}: {len(rows)} failure modes ({names}); {bound}.",
        low_by_mode=low,
        low_as_one=one,
        gap_from=nan,
        gap_to=nan,
        p_value=nan,
        power=nan,
        weak_share=asked[0],
        weak_loss=asked[1],
        false_alarm=asked[2],
        table=pd.DataFrame(rows),
        notes=notes,
    )


def _by_gap(
    sample: Sample, law: Family, which: Basis, asked: tuple[float, float, float], size: int, rng: np.random.Generator
) -> FailureModes:
    if sample.different < _DIFFERENT:
        raise NoAnswerError(
            f"{sample.who}: a gap needs at least 4 different loads at break, got {sample.n_broken} breaks of "
            f"{sample.n} specimens. Break more, or name the kind of break in the log."
        )
    share, loss, false_alarm = asked
    seen, place, y = largest_gap_many(sample.load[None], sample.broke[None], law)
    step = tie_step(sample)

    def gaps(drawn: tuple[Array, NDArray[np.bool_]]) -> Array:
        """Gaps of the samples that would be judged at all, as recorded."""
        load = rounded(drawn[0], step)
        found = largest_gap_many(load, drawn[1], law)[0]
        return found[np.isfinite(found) & (different_breaks(load, drawn[1]) >= _DIFFERENT)]

    null = gaps(simulate_like(sample, law, size, rng))
    p = float((1 + (null >= seen[0] - 1e-9).sum()) / (1 + null.size))
    fits = fit_many(sample.load[None], sample.broke[None], law)
    where = (law, float(fits.location[0]), float(fits.spread[0]), (size, sample.n), rng)
    held = draw_held(sample.load, sample.broke, (size, sample.n), rng) if sample.n_censored else None
    # power over the orders of breaks and holds that might have come
    limit = np.quantile(gaps(null_samples(*where, held)) if sample.n_censored else null, 1 - false_alarm)
    power = float((gaps(weak_minority(*where, held, share=share, loss=loss)) > limit).mean())
    ends = law.inverse(y[0, place[0] : place[0] + 2])
    who = f"{sample.label}: " if sample.label else ""
    if p <= false_alarm:
        finding = (
            f"{who}a gap in the breaking loads between {ends[0]:.3g} and {ends[1]:.3g} kN ({p_text(p)}): look for "
            "two kinds "
            "of failure and name them in the log."
        )
    else:
        finding = (
            f"{who}no split is seen between the breaks (largest gap {ends[0]:.3g} to {ends[1]:.3g} kN, {p_text(p)}); "
            f"at n = {sample.n} a {100 * share:.0f} % minority {100 * loss:.0f} % weaker would be missed "
            f"{times_in_ten(1 - power)}."
        )
    nan = float("nan")
    return FailureModes(
        group=sample.label,
        family=law.name,
        n=sample.n,
        n_broken=sample.n_broken,
        how="gap",
        finding=finding,
        low_by_mode=nan,
        low_as_one=_as_one(sample, law, which),
        gap_from=float(ends[0]),
        gap_to=float(ends[1]),
        p_value=p,
        power=power,
        weak_share=share,
        weak_loss=loss,
        false_alarm=false_alarm,
        table=pd.DataFrame(),
        notes=(GAP_IS_NO_MODEL,),
    )
