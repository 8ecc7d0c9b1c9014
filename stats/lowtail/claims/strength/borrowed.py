"""Scatter borrowed from siblings or earlier series: the bound with its floor, and its words.

The rule stands in `models.siblings`. A borrowed bound never governs a rating; the group's own bound stands beside it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from lowtail._shared.numbers import p_text, percent_down
from lowtail._shared.sample import Sample
from lowtail.claims.basis import Basis
from lowtail.claims.strength.answer import BY_PRIOR, LowerBound, make_low, usable_low
from lowtail.claims.strength.notes import EARLY
from lowtail.errors import InputError, NoAnswerError
from lowtail.models.confidence.distribution import others
from lowtail.models.confidence.predictive import Predictive, from_groups, lends
from lowtail.models.confidence.search import ScalePrior
from lowtail.models.confidence.siblings import (
    CONFLICT,
    LEAST_CONFIDENCE,
    borrow_confidence,
    borrow_low,
    conflict_p,
    floor_confidence,
)
from lowtail.models.distributions.families import Family
from lowtail.models.distributions.likelihood import Scaled, prepare
from lowtail.models.distributions.rounded import at_lower_edge
from lowtail.models.early.holds import held_early

__all__ = ["ASSUMED", "EQUAL", "EQUAL_COVERED", "BorrowedScatter", "borrow"]

REFUSED = "own scatter, pooling refused"
EQUAL = (
    "If the siblings scatter less than this group, the bound is far too high: in our study it covered {:.0f} % instead "
    "of 95 % for a Weibull shape of 8 beside four groups of 24, n = 5."
)
EQUAL_COVERED = 6.0  # tests/truth/borrowed_scatter.csv, "8 v 24", column "equal"
ONE_BREAK = (
    "With fewer than 2 different loads at break a borrowed scatter cannot be checked: nothing here contradicts it, and "
    "no floor holds."
)
ASSUMED = "Assumption:"  # with which a sentence on borrowed scatter begins


@dataclass(frozen=True, slots=True, eq=False)
class BorrowedScatter:
    """What other groups lend to one group, and how it fits.

    Attributes
    ----------
    sample, family
    target : Scaled
    lent : Predictive
    conflict_p : float
        Small where the group is more scattered than the others let expect.
    source : str
        Who lends, in words.
    left_out : tuple of str
        Siblings that say nothing of the scatter.
    early : bool
        Whether specimens held early, here or among those who lend.
    """

    sample: Sample
    family: Family
    target: Scaled
    lent: Predictive
    conflict_p: float
    source: str
    by_prior: bool = False
    left_out: tuple[str, ...] = ()
    early: bool = False

    @property
    def refused(self) -> bool:
        """Whether pooling is refused, so that the group's own bound is the answer."""
        return self.conflict_p < CONFLICT

    @property
    def verdict(self) -> str:
        """How the group's scatter fits that of the others, in words."""
        if self.refused:
            return (
                f"Pooling refused: this group is more scattered than the others let expect (conflict "
                f"{p_text(self.conflict_p)}); the bound is its own."
            )
        return f"No conflict with the others' scatter (conflict {p_text(self.conflict_p)}), which proves little."

    @property
    def notes(self) -> tuple[str, ...]:
        """Assumption, verdict, who is left out, and what holds with early holds."""
        kind = "this prior" if self.by_prior else "one kind"
        lender = f"{ASSUMED} the groups' scatters differ as if drawn from {kind}; scatter borrowed from {self.source}."
        asked = f"Scatter was to be borrowed from {self.source}."
        out = [asked if self.refused else lender, self.verdict]
        if self.left_out:
            out.append(f"Fewer than 2 different loads at break, so not among the lenders: {', '.join(self.left_out)}.")
        if not self.refused and self.early:
            out.append(f"{EARLY}; the own bounds are checked by simulation for that, the pooled bound is not.")
        return tuple(out)

    def low(self, basis: Basis) -> LowerBound:
        """The bound on a tolerance basis of at least 75 % confidence."""
        p, g = basis.fraction_below, basis.confidence
        if g < LEAST_CONFIDENCE:
            raise InputError(
                f"`confidence` must be at least {LEAST_CONFIDENCE} to borrow scatter, got {g!r}: below it the floor "
                "would be no lower bound."
            )
        found = borrow_low(self.target, self.family, self.lent, p, g, conflict=np.array([self.conflict_p]))
        notes = list(self.notes)
        if not self.refused and float(found.floor[0]) < float(found.pooled[0]):
            notes.append(f"The floor sets it: the own bound at {percent_down(floor_confidence(g), 0)}.")
        how = REFUSED if self.refused else BY_PRIOR if self.by_prior else "borrowed scatter"
        low = make_low(self.sample, basis, self.family.name, how, float(found.low[0]), notes)
        return replace(
            low,
            own=usable_low(float(found.own[0]), self.sample.load),
            floor=usable_low(float(found.floor[0]), self.sample.load),
            floor_confidence=floor_confidence(g),
            conflict_p=self.conflict_p,
            pooling_refused=self.refused,
        )

    def confidence_that(self, load: float, fraction_below: float, own: float) -> float:
        """The confidence at which `low` is ``load``; ``own`` is that by the group alone."""
        q = (self.family.transform(np.array([load])) - self.target.centre) / self.target.scale
        return float(borrow_confidence(self.target, self.family, self.lent, np.array([own]), q, fraction_below)[0][0])


def borrow(
    sample: Sample,
    family: Family,
    siblings: Sequence[Sample] | None = None,
    prior: ScalePrior | None = None,
) -> BorrowedScatter:
    """What siblings, or earlier series by ``prior``, lend to a group.

    Raises
    ------
    NoAnswerError
        If the group has fewer than 2 different loads at break, or none of the siblings has them.
    InputError
        If the family is the normal, or the prior was made for another one.
    """
    if not family.on_log:
        raise InputError(
            "Borrowed scatter holds for the weibull and lognormal distributions, whose scatter has no unit; that of "
            "the normal is in kN and grows with the strength. Choose one of those."
        )
    if sample.common_uncertainty:
        raise NoAnswerError(
            f"{sample.who}: a bound with borrowed scatter has no place for a load uncertainty that all loads have in "
            "common. Leave `siblings` and `prior` out: the group's own bound carries it."
        )
    sample = at_lower_edge(sample)
    siblings = None if siblings is None else [at_lower_edge(each) for each in siblings]
    target = prepare(sample.load, sample.broke, family)
    if not target.distinct[0] or sample.different < 2:
        raise NoAnswerError(
            f"{sample.who}: {sample.n_broken} of {sample.n} specimens broke"
            f"{' (all at one load)' if sample.n_broken > 1 else ''}. {ONE_BREAK} Test on until at least 2 break, or "
            "state a scatter as your own assumption by `shape=` (or `cv=`)."
        )
    left_out: tuple[str, ...] = ()
    early = bool(held_early(target)[0])
    if prior is not None:
        prior.check_family(family)
        lent, source = prior.lent, str(prior)
    else:
        lent, source, left_out, among = _lent(sample, family, () if siblings is None else siblings)
        early = early or among
    conflict = float(conflict_p(target, family, lent)[0])
    return BorrowedScatter(sample, family, target, lent, conflict, source, prior is not None, left_out, early)


def _lent(sample: Sample, family: Family, siblings: Sequence[Sample]) -> tuple[Predictive, str, tuple[str, ...], bool]:
    kin = others(sample, siblings)
    scaled = [prepare(s.load, s.broke, family) for s in kin]
    able = [bool(lends([g])[0, 0]) for g in scaled]
    left_out = tuple(s.label or f"number {i + 1}" for i, (s, on) in enumerate(zip(kin, able, strict=True)) if not on)
    lenders = [s for s, on in zip(kin, able, strict=True) if on]
    if not lenders:
        raise NoAnswerError(
            f"{sample.who}: no sibling lends its scatter; each needs at least 2 different loads at break, and there "
            f"are {len(kin)} siblings beside the group itself. Test more of them, or use the group's own bound."
        )
    breaks = sum(s.n_broken for s in lenders)
    source = f"{len(lenders)} {'group' if len(lenders) == 1 else 'groups'} ({breaks} breaks)"
    lending = [g for g, on in zip(scaled, able, strict=True) if on]
    return from_groups(lending, family), source, left_out, any(bool(held_early(g)[0]) for g in lending)
