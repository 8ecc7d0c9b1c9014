"""Do sibling groups differ in scatter, and what is borrowing worth? The test of equal scatter, and the gain."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from lowtail._shared.checks import door
from lowtail._shared.numbers import p_text
from lowtail._shared.parallel import DRAWS, Seed, as_rng
from lowtail._shared.record import Record
from lowtail._shared.sample import Sample
from lowtail.claims.basis import Basis, get_basis
from lowtail.claims.strength.borrowed_table import ALL, BORROWED, CONFLICT_P, families_of, lending_family
from lowtail.claims.strength.governing import NAMES
from lowtail.claims.strength.lower_bound import floor3, lower_bound
from lowtail.claims.strength.table import StrengthTable, column_of
from lowtail.errors import InputError, NoAnswerError
from lowtail.models.confidence.siblings import CONFLICT
from lowtail.models.distributions.families import Family, get_family, name_of
from lowtail.models.regression.batch_tests import Batches, simulate, simulated_p, spread_ratio

if TYPE_CHECKING:
    pass

__all__ = ["EqualScale", "SharedGain", "equal_scale", "gains_said", "shared_gain"]


@dataclass(frozen=True, slots=True, kw_only=True)
class EqualScale(Record):
    """Whether the data speak against one scatter for all groups, and whether they could have.

    Attributes
    ----------
    family : str
    groups, n, n_broken : int
        Groups that take part (at least 2 different breaks each), their specimens and breaks.
    ratio : float
        Twice the log-likelihood gained by a scale parameter of its own for every group.
    p_value : float
        Simulated under one scatter, by the fitted model.
    power : float
        Chance that this design notices, at 5 %, one group with twice the scatter of the others.
    left_out : tuple of str
        Groups that could not take part.
    """

    family: str
    groups: int
    n: int
    n_broken: int
    ratio: float
    p_value: float
    power: float
    left_out: tuple[str, ...] = ()

    def __str__(self) -> str:
        said = "speak against" if self.p_value < 0.05 else "do not speak against"
        out = f" Left out: {', '.join(self.left_out)}." if self.left_out else ""
        return (
            f"The data {said} one scatter for {self.groups} groups ({p_text(self.p_value)}, {name_of(self.family)} "
            f"distribution, {self.n_broken} breaks); one group with twice the scatter would have been noticed with "
            f"{100 * self.power:.0f} % chance, so a pass alone proves little.{out}"
        )


@door
def equal_scale(
    samples: Sequence[Sample],
    family: str | Family = "weibull",
    *,
    size: int = DRAWS,
    rng: Seed = 0,
) -> EqualScale:
    """Test whether groups have one scatter; locations are their own.

    Likelihood ratio, its distribution simulated from the fitted null model (held loads from their Kaplan-Meier
    distribution, group by group), because the chi-square distribution rejects far too often at 5 specimens a group.
    Never used to pool automatically.

    Parameters
    ----------
    samples : sequence of Sample
        At least 2 groups with 2 different breaks each; others are left out by name.
    family : str or Family
    size : int
        Simulated samples, at least 200.
    rng : int or Generator

    Returns
    -------
    EqualScale

    Raises
    ------
    NoAnswerError
        If fewer than 2 groups can take part.

    See Also
    --------
    checks.shared_gain : what borrowed scatter would gain.
    lower_bound : borrows scatter by `siblings`.
    checks.pooling : batches of one part.

    Examples
    --------
    >>> import lowtail as lt
    >>> first, second = lt.Sample([24.1, 25.3, 24.8, 26.0]), lt.Sample([14.1, 19.9, 25.8, 17.1])
    >>> lt.checks.equal_scale([first, second], size=200).p_value < 0.2
    True
    """
    law = get_family(family)
    if size < 200:
        raise InputError(f"`size` must be at least 200, got {size!r}.")
    able = [s for s in samples if s.different >= 2]
    out = tuple(s.label for s in samples if not any(s is a for a in able))
    if len(able) < 2:
        raise NoAnswerError(
            f"A test of equal scatter needs at least 2 groups with 2 different breaks each, got {len(able)}. "
            "Break more."
        )
    whole = Batches(
        np.concatenate([s.load for s in able]),
        np.concatenate([s.broke for s in able]),
        np.repeat(np.arange(len(able)), [s.n for s in able]),
    )
    generator = as_rng(rng)
    seen = float(spread_ratio(whole.load[None], whole.broke[None], whole, law)[0])
    null = spread_ratio(*simulate(whole, law, size, generator, own_place=True), whole, law)
    limit = np.nanquantile(null, 0.95)
    noticed = []
    odds = range(len(able)) if len(able) <= 4 else generator.choice(len(able), 4, replace=False)
    for odd in odds:
        stretch = np.where(whole.label == odd, 2.0, 1.0)
        other = simulate(whole, law, max(size // 4, 100), generator, own_place=True, stretch=stretch)
        ratios = spread_ratio(*other, whole, law)
        noticed.append(float((ratios[np.isfinite(ratios)] > limit).mean()))
    return EqualScale(
        family=law.name,
        groups=len(able),
        n=sum(s.n for s in able),
        n_broken=sum(s.n_broken for s in able),
        ratio=seen,
        p_value=simulated_p(seen, null),
        power=float(np.mean(noticed)),
        left_out=out,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class SharedGain(Record):
    """What borrowed scatter does to the bounds of the groups: medians over the groups that have both bounds.

    ``own`` is the bound by a group's own scatter, ``borrowed`` that of ``lower_bound(siblings=)``, both in kN;
    ``refused`` counts the groups for which pooling was refused.
    """

    basis: str
    family: str
    groups: int
    n_broken: int
    own: float
    borrowed: float
    refused: int = 0

    def __str__(self) -> str:
        way = "rises" if self.borrowed >= self.own else "falls"
        refused = f"; pooling refused for {self.refused} of them" if self.refused else ""
        return (
            f"{self.groups} groups with {self.n_broken} breaks borrow scatter from each other: the {self.basis} bound "
            f"of the middle group {way} from {floor3(self.own)} to {floor3(self.borrowed)} kN ({name_of(self.family)} "
            f"distribution{refused})."
        )


@door
def shared_gain(
    samples: Sequence[Sample], basis: str | Basis = "A-basis", family: str | Family = "weibull"
) -> SharedGain:
    """State the gain of borrowed scatter in one sentence.

    Parameters
    ----------
    samples : sequence of Sample
        Sibling groups.
    basis : str or Basis
    family : str or Family

    Raises
    ------
    NoAnswerError
        If no group has both bounds.

    See Also
    --------
    checks.equal_scale : is the scatter of the groups one.
    lower_bound : borrows scatter by `siblings`.
    scale_prior : scatter from earlier series.

    Examples
    --------
    >>> import lowtail as lt
    >>> groups = [lt.Sample([24.1, 25.3, 24.8], label="sling"), lt.Sample([14.1, 14.9, 14.5], label="loop")]
    >>> print(lt.checks.shared_gain(groups, "B-basis"))  # doctest: +NORMALIZE_WHITESPACE
    2 groups with 6 breaks borrow scatter from each other: the B-basis bound of the middle group rises from 15.7 to
    16.8 kN (Weibull distribution).
    """
    wanted, law = get_basis(basis), get_family(family)
    found, reason = [], ""
    for sample in samples:
        try:
            found.append(lower_bound(sample, wanted, family=law, siblings=samples))
        except NoAnswerError as refusal:
            reason = f" {refusal}"
    if not found:
        raise NoAnswerError(
            "No group has both an own bound and one with borrowed scatter: at least 2 groups need 2 different breaks "
            f"each.{reason}"
        )
    return SharedGain(
        basis=wanted.name,
        family=law.name,
        groups=len(samples),
        n_broken=sum(s.n_broken for s in samples),
        own=float(np.median([f.own for f in found])),
        borrowed=float(np.median([f.low for f in found])),
        refused=sum(f.pooling_refused for f in found),
    )


def gains_said(
    table: StrengthTable,
    samples: Sequence[Sample],
    columns: Sequence[str],
    basis: str,
    law: Family,
    rng: Seed = 0,
) -> tuple[str, ...]:
    """What borrowed scatter gains, and whether the data speak against one scatter, for each family of groups."""
    said = []
    lending = lending_family(law)
    families = families_of(samples, table.asked.by, columns)
    seen: dict[tuple[str, ...], list[Sample]] = {tuple(s.label for s in kin): kin for kin in families.values()}
    for labels, kin in seen.items():
        rows = table[table["group"].isin(labels)]
        own, lent = rows[column_of(basis, NAMES[lending.name])], rows[column_of(basis, BORROWED)]
        both = own.notna() & lent.notna()
        if both.sum() < 2:
            continue
        gain = SharedGain(
            basis=basis,
            family=lending.name,
            groups=len(kin),
            n_broken=sum(s.n_broken for s in kin),
            own=float(own[both].median()),
            borrowed=float(lent[both].median()),
            refused=int((rows[CONFLICT_P] < CONFLICT).sum()),
        )
        name = "all groups" if tuple(columns) == (ALL,) else ", ".join(kin[0].group[c] for c in columns)
        said.append(f"{name}: {gain} {equal_scale(kin, lending, rng=rng)}")
    return tuple(said)
