"""The record of a lower bound: what every road to it returns."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lowtail._shared.numbers import down, percent_down
from lowtail._shared.record import Record
from lowtail._shared.sample import Sample
from lowtail.claims.basis import Basis
from lowtail.claims.strength.notes import load_notes
from lowtail.errors import LowtailError
from lowtail.models.distributions.common_error import added_low
from lowtail.models.distributions.families import name_of
from lowtail.models.distributions.fit import fit

__all__ = ["BY_PRIOR", "LEAST_SHARE", "LowerBound", "floor3", "make_low", "usable_low"]

BY_PRIOR = "scatter of a prior"  # method of a bound whose scatter is borrowed by a prior
LEAST_SHARE = 0.001  # of the lowest load: a smaller bound is no bound of anything one may depend on


@dataclass(frozen=True, slots=True, kw_only=True)
class LowerBound(Record):
    """A lower bound of a low percentile of strength.

    Attributes
    ----------
    group, basis, family, method : str
        What it is a bound of, and how it was obtained. ``family`` is "none assumed" where no distribution is used.
    n, n_broken : int
        Specimens, and how many of them broke.
    fraction_below, confidence : float
        At most this fraction of the population is weaker than ``low``, at this one-sided confidence.
    estimate : float
        Maximum-likelihood value of the percentile in kN, no margin in it; NaN where no distribution is fitted.
    low : float
        The bound in kN; 0 where it lies below a thousandth of the lowest load: then there is no useful bound.
    notes : tuple of str
        Assumptions and doubts the reader must see with the number.
    own : float
        Where scatter was borrowed from other groups: the group's own bound at the same confidence, kN. NaN else.
    floor, floor_confidence : float
        The own bound at the lower confidence that the group keeps whatever the others are; ``low`` is never above it.
    conflict_p : float
        Small where the group is more scattered than the others let expect; below 0.05 nothing is borrowed.
    pooling_refused : bool
        Whether nothing was borrowed, for that reason: ``low`` is then ``own``.
    """

    group: str
    basis: str
    family: str
    method: str
    n: int
    n_broken: int
    fraction_below: float
    confidence: float
    estimate: float
    low: float
    notes: tuple[str, ...] = ()
    own: float = float("nan")
    floor: float = float("nan")
    floor_confidence: float = float("nan")
    conflict_p: float = float("nan")
    pooling_refused: bool = False

    @property
    def borrowed(self) -> bool:
        """Whether the bound leans on the scatter of other groups."""
        return bool(np.isfinite(self.own)) and not self.pooling_refused

    @property
    def promise(self) -> str:
        """The two confidences of a bound with borrowed scatter, in words; empty for any other."""
        if not self.borrowed:
            return ""
        return (
            f"{percent_down(self.confidence)} confidence on average over groups whose scatters differ as "
            f"{'the prior says' if self.method == BY_PRIOR else 'these do'}; for "
            f"this group alone, whatever the others are, at least {percent_down(self.floor_confidence, 0)}."
        )

    @property
    def unusable(self) -> str:
        """Why the number must not be used as a bound, or an empty text."""
        if not self.low > 0:
            return "the bound is zero: these specimens show no useful low-percentile strength on this basis"
        if self.method in ("large sample", "likelihood ratio"):
            return "for comparison only: its real coverage is far below the confidence it is called by"
        return ""

    def __str__(self) -> str:
        who = f"{self.group}: " if self.group else ""
        held = f", {self.n - self.n_broken} held" if self.n > self.n_broken else ""
        if self.method in ("mean minus ks", "prediction"):
            return (
                f"{who}{self.basis} is {floor3(self.low)} kN ({self.n} specimens{held}). {' '.join(self.notes)}".strip()
            )
        what = "no distribution assumed" if self.family == "none assumed" else f"{name_of(self.family)} distribution"
        if self.borrowed:
            return (
                f"{who}at least {100 * (1 - self.fraction_below):g} % of the population is stronger than "
                f"{floor3(self.low)} kN ({self.basis}; {what}, {self.method}; {self.n} specimens{held}): "
                f"{self.promise} "
                f"Own bound at {percent_down(self.confidence)}: {floor3(self.own)} kN."
            )
        return (
            f"{who}{'with' if who else 'With'} {100 * self.confidence:g} % confidence, at least "
            f"{100 * (1 - self.fraction_below):g} % of the population is stronger than {floor3(self.low)} kN "
            f"({self.basis}; {what}, {self.method}; {self.n} specimens{held})."
        )


def floor3(value: float) -> str:
    """Three significant figures, rounded down: a bound is never rounded up."""
    return down(value) if np.isfinite(value) else "no value"


def usable_low(low: float, load: NDArray[np.float64]) -> float:
    """A bound as it is stated: 0 where it lies below a thousandth of the lowest load, in whatever unit."""
    return float(low) if low >= LEAST_SHARE * float(load.min()) else 0.0


def make_low(
    sample: Sample,
    basis: Basis,
    family: str,
    method: str,
    low: float,
    notes: Sequence[str] = (),
    shape: float | None = None,
    common: str = "added",
) -> LowerBound:
    """Fill in the record; the estimate beside the bound is the fitted percentile, NaN where nothing is fitted.

    ``common`` says what the uncertainty that all loads have in common does: "averaged" (``low`` carries it already),
    "added" (it lowers ``low`` here), "said" (carried, and in the notes) or "" (the number is no bound and takes none).
    """
    if common == "added":
        low = added_low(low, sample.common_uncertainty, basis.confidence)
    estimate = float("nan")
    if family != "none assumed":
        try:
            known = shape if family == "weibull" else None
            estimate = float(fit(sample, family, shape=known).strength_below(basis.fraction_below))
        except LowtailError:
            estimate = float("nan")
    return LowerBound(
        group=sample.label,
        basis=basis.name,
        family=family,
        method=method,
        n=sample.n,
        n_broken=sample.n_broken,
        fraction_below=basis.fraction_below,
        confidence=basis.confidence,
        estimate=max(estimate, 0.0) if np.isfinite(estimate) else estimate,
        low=usable_low(low, sample.lower),
        notes=(*notes, *load_notes(sample, "bound", common)),
    )
