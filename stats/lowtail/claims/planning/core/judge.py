"""A claim of a strength, and how simulated series are judged by it: by the rule that judges real ones.

That rule is `lowtail.claims.strength.governing`. Series come in as ln(load / claim), so that a bound reaches the claim
where it is at least 0. The bounds are asked from the cheapest to the dearest, and each only of the series that all
before it let pass.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final, Literal, cast, get_args

import numpy as np
from numpy.typing import NDArray
from scipy import special

from lowtail.claims.basis import Basis, get_basis
from lowtail.claims.planning.core.chances import spread_nodes
from lowtail.claims.planning.core.claim import Claim, positive
from lowtail.claims.planning.core.endless import endless_limit
from lowtail.errors import InputError
from lowtail.models.batches.many import normal_batch_reaches, weibull_batch_confidence
from lowtail.models.bounds.cautious import cautious_many
from lowtail.models.bounds.nonparametric import attribute_statement
from lowtail.models.distributions.families import Family, get_family
from lowtail.models.early.holds import SAMPLES, calibrated_confidence, held_early
from lowtail.models.early.signed_root import on_y
from lowtail.models.series.normal_pivot import normal_bound, normal_confidence
from lowtail.models.series.weibull_pivot import weibull_bound, weibull_confidence

__all__ = [
    "FAR",
    "GOVERNING",
    "JUDGES",
    "ONE",
    "Judge",
    "StrengthAim",
    "cautious_reaches",
    "confidence",
    "early",
    "governing_reaches",
]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

Judge = Literal["governing", "one distribution"]
GOVERNING: Final = "governing"
ONE: Final = "one distribution"
JUDGES: tuple[str, ...] = get_args(Judge)
FAR = 150.0  # ln(load / claim) beyond which a load is only far away, and its square no more a number
EVERY, FEWEST = 8, 100  # series calibrated one by one: every eighth, all where they are fewer than 800
QUICK_SAMPLES = 512


@dataclass(frozen=True, slots=True)
class StrengthAim:
    """A strength to be shown on a basis, with the distribution of the simulated populations and who judges.

    ``judge`` is "governing", the rule that judges real series, or "one distribution", the bound of ``family`` alone.
    """

    strength: float
    basis: Basis
    family: Family
    judge: Judge = GOVERNING

    @classmethod
    def of(
        cls, claim: float | Claim, basis: str | Basis | None, family: str | Family, judge: str = GOVERNING
    ) -> StrengthAim:
        """Resolve a strength in kN, or a Claim of a strength, its basis and its judge."""
        if isinstance(claim, Claim):
            if claim.strength is None:
                raise InputError(
                    f"`claim` must be a strength in kN or Claim(strength=...), got a {claim.kind} claim. For a "
                    "comparison use `plan.comparison`, for a precision `plan.precision`."
                )
            found = get_basis(claim.basis if basis is None else basis)
            return cls(claim.strength, found, get_family(family), check_judge(judge))
        found = get_basis("B-basis" if basis is None else basis)
        strength = positive(claim, "claim", "a strength in kN")
        return cls(strength, found, get_family(family), check_judge(judge))

    @property
    def claim(self) -> Claim:
        """The same as a user would state it."""
        return Claim(strength=self.strength, basis=self.basis)

    @property
    def governed(self) -> bool:
        """True where the governing rule judges, False for a custom and for one distribution alone."""
        return self.judge == GOVERNING and self.basis.tolerance

    @property
    def edge(self) -> float:
        """The strength as a value of y."""
        return float(self.family.transform(self.strength))

    def limit(self, location: Array, spread: Array) -> Array:
        """What the judging bound approaches with endless specimens, a value of y; populations of shape (B,)."""
        if self.basis.tolerance and self.judge == ONE:
            return np.asarray(location + float(self.family.quantile(self.basis.fraction_below)) * spread)
        return endless_limit(self.family, location, spread, self.basis)

    def reached(self, y: Array, broke: Flags | None, calibrated: bool = False) -> Flags:
        """Whether the bound that judges each series of ``y`` values (B, n) reaches the claim.

        ``calibrated``: series that held early are judged as `lower_bound` judges them (`lowered`). Without it they are
        judged by the confidence distribution alone, which backs a claim more often by at most a point where all that
        holds specimens is a rig that scatters (``tests/truth/early_holds_plans.csv``).
        """
        if y.shape[1] < 2:
            return np.zeros(y.shape[0], dtype=bool)
        family, basis, edge = self.family, self.basis, self.edge
        if not basis.tolerance:
            return self._mean_minus_ks_reaches(y, broke)
        if self.judge == GOVERNING:
            won = governing_reaches(relative(y, edge, on_log=family.on_log), broke, basis)
        else:
            won = confidence(y, broke, edge, family, basis.fraction_below, basis.confidence) >= basis.confidence
        if calibrated and broke is not None and won.any():
            rows = np.flatnonzero(won)
            shown = confidence(y[rows], broke[rows], edge, family, basis.fraction_below, basis.confidence)
            won[rows] = lowered(y[rows], broke[rows], edge, family, basis, shown) >= basis.confidence
        return won

    def reached_by_batches(self, y: Array, broke: Flags, filled: Flags) -> Flags:
        """Whether the bound for a batch yet to come reaches the claim; batches as in `batches_reach`."""
        return batches_reach(relative(y, self.edge, on_log=self.family.on_log), broke, filled, self.basis)

    def _mean_minus_ks_reaches(self, y: Array, broke: Flags | None) -> Flags:
        if broke is not None:
            raise InputError(
                f"'{self.basis.name}' takes mean and s of complete series; it is not defined with survivors."
            )
        load, edge = self.family.inverse(y), self.family.inverse(self.edge)
        factor = self.basis.factor(y.shape[1])
        return np.asarray(load.mean(axis=1) - factor * load.std(axis=1, ddof=1) >= edge)


def check_judge(judge: object) -> Judge:
    """Return who judges a simulated series, or say what it can be."""
    if judge not in JUDGES:
        raise InputError(
            f"`judge` must be 'governing' (the bound that judges real series) or 'one distribution' (the bound of "
            f"`family` alone), got {judge!r}."
        )
    return cast("Judge", judge)


def relative(y: Array, claim: Array | float, *, on_log: bool) -> Array:
    """Ln of load over claim from values of y and a claim on the same axis; ``-inf`` where a load is not above 0."""
    if on_log:
        return np.asarray(y - np.asarray(claim)[..., None] if np.ndim(claim) else y - claim)
    with np.errstate(divide="ignore", invalid="ignore"):
        edge = np.asarray(claim)[..., None] if np.ndim(claim) else claim
        return np.asarray(np.log(np.maximum(y, 0.0) / edge))


def governing_reaches(u: Array, broke: Flags | None, basis: Basis) -> Flags:
    """Whether the governing bound for specimens like these reaches the claim, for each series.

    Parameters
    ----------
    u : (B, n) array
        ln(load / claim).
    broke : (B, n) array of bool, or None
        None: every load is a break.
    basis : Basis
        With content and confidence.
    """
    p, g = basis.fraction_below, basis.confidence
    flags = np.ones(u.shape, dtype=bool) if broke is None else broke
    out = _none_broke(u, flags, p, g)
    low = np.where(flags, u, np.inf).min(axis=1)
    high = np.where(flags, u, -np.inf).max(axis=1)
    rows = np.flatnonzero((flags.sum(axis=1) >= 2) & (low < high) & np.isfinite(u).all(axis=1))
    rows = rows[cautious_reaches(u[rows], None if broke is None else flags[rows], p, g)]
    whole = np.asarray(flags[rows].all(axis=1))
    if whole.any():
        load = np.exp(np.clip(u[rows], -FAR, FAR))
        reach = load.mean(axis=1) - basis.factor(u.shape[1]) * load.std(axis=1, ddof=1) >= 1
        kept = np.flatnonzero(reach | ~whole)
        rows, whole = rows[kept], whole[kept]
    passed = weibull_confidence(u[rows], None if broke is None else flags[rows], 0.0, p) >= g
    rows, whole = rows[passed], whole[passed]
    some = rows[~whole]
    if some.size:
        got = normal_confidence(np.exp(np.clip(u[some], -FAR, FAR)), flags[some], 1.0, p, g) >= g
        rows = np.concatenate([rows[whole], some[got]])
    out[rows] = True
    return out


def _none_broke(u: Array, flags: Flags, p: float, g: float) -> Flags:
    """Series of which none broke: enough of them held at or above the claim."""
    out = np.zeros(u.shape[0], dtype=bool)
    held = ~flags.any(axis=1)
    if held.any() and u.shape[1] >= attribute_statement(np.ones(u.shape[1]), p, g).n_needed:
        out[held] = u[held].min(axis=1) >= 0
    return out


def cautious_reaches(u: Array, broke: Flags | None, fraction_below: float, confidence: float) -> Flags:
    """Whether the cautious bound reaches the claim; True where there is none, as governing."""
    low = cautious_many(np.exp(np.clip(u, -FAR, FAR)), broke, fraction_below, confidence)
    return np.asarray((low >= 1) | np.isnan(low))


@lru_cache(maxsize=256)
def _normal_table(n: int, fraction_below: float) -> tuple[Array, Array]:
    """Factors k and the confidence with which mean - k s lies below the percentile, for interpolation."""
    z = -float(special.ndtri(fraction_below))
    k = np.sinh(np.linspace(-4.0, 7.0, 900)) * 0.4 + z
    s, weight = spread_nodes(float(n - 1), 600)
    return k, 1 - special.ndtr(np.sqrt(n) * (z - k[:, None] * s)) @ weight


def normal_factor_confidence(y: Array, claim: Array | float, fraction_below: float) -> Array:
    """Confidence that the percentile is at least the claim, for complete normal series (B, n)."""
    factor = (y.mean(axis=1) - claim) / y.std(axis=1, ddof=1)
    return np.asarray(np.interp(factor, *_normal_table(y.shape[1], fraction_below)))


def batches_reach(u: Array, broke: Flags, filled: Flags, basis: Basis) -> Flags:
    """Whether the bound for a batch yet to come reaches the claim, for each set of batches.

    Parameters
    ----------
    u : (B, a, m) array
        ln(load / claim); places that a shorter batch leaves free hold ``-inf`` and did not break.
    broke : (B, a, m) array of bool
    filled : (a, m) array of bool
        Which places hold a specimen; the same for every set.
    basis : Basis
        With content and confidence.
    """
    p, g = basis.fraction_below, basis.confidence
    flat, flags = u[:, filled], broke[:, filled]
    out = np.zeros(u.shape[0], dtype=bool)
    rows = np.flatnonzero(governing_reaches(flat, None if flags.all() else flags, basis))
    whole = flags[rows].all(axis=1)
    if whole.any():  # the normal bound over batches takes breaks only
        passed = normal_batch_reaches(np.exp(np.clip(u[rows], -FAR, FAR)), filled, p, g)
        rows = rows[passed | ~whole]
    rows = rows[weibull_batch_confidence(u[rows], broke[rows], 0.0, p) >= g]
    out[rows] = True
    return out


def early(y: Array, broke: Flags) -> bool:
    """Whether a specimen of one series held below its highest break."""
    return bool(held_early(on_y(y[None], broke[None]))[0])


def lowered(y: Array, broke: Flags, claim: Array | float, family: Family, basis: Basis, shown: Array) -> Array:
    """Confidences at or above that of the basis, calibrated for early holds.

    Every eighth of them is calibrated by 512 simulated samples; the others are moved as these are, rank by rank. Series
    that are all the same one (nothing added yet) are calibrated once, as the bound itself is.
    """
    out, p = shown.copy(), basis.fraction_below
    rows = np.flatnonzero(shown >= basis.confidence)
    if not rows.size:
        return out
    same = bool((y == y[0]).all() and (broke == broke[0]).all())
    pick = rows[:1] if same else rows[::EVERY] if rows.size > EVERY * FEWEST else rows
    s = on_y(y[pick], broke[pick])
    q = (np.broadcast_to(np.asarray(claim, dtype=float), shown.shape)[pick] - s.centre) / s.scale
    samples = SAMPLES if same else QUICK_SAMPLES
    got = calibrated_confidence(s, family, p, q, shown[pick], samples)
    if same or pick.size == rows.size:
        out[rows] = np.minimum(out[rows], got)
    else:
        out[rows] = np.minimum(out[rows], np.interp(shown[rows], np.sort(shown[pick]), np.sort(got)))
    return out


def confidence(
    y: Array, broke: Flags | None, claim: Array | float, family: Family, fraction_below: float, level: float
) -> Array:
    """Confidence that the percentile is at least the claim; for complete normal series 1 or 0 at ``level``."""
    if family.name == "weibull":
        return weibull_confidence(y, broke, claim, fraction_below)
    if broke is None:
        factor = Basis("plan", fraction_below, level).factor(y.shape[1])
        return np.where(y.mean(axis=1) - factor * y.std(axis=1, ddof=1) >= claim, 1.0, 0.0)
    return normal_confidence(y, broke, claim, fraction_below, level)


def lower_bound(
    y: Array, broke: Flags | None, family: Family, fraction_below: float, level: float, *, sharp: bool = False
) -> Array:
    """Lower bound of the percentile of each series of ``y`` values (B, n); NaN without a bound.

    ``sharp`` matters to normal series with survivors (`normal_bound`).
    """
    if family.name == "weibull":
        return weibull_bound(y, broke, fraction_below, level)
    if broke is None:
        factor = Basis("plan", fraction_below, level).factor(y.shape[1])
        return np.asarray(y.mean(axis=1) - factor * y.std(axis=1, ddof=1))
    return normal_bound(y, broke, fraction_below, level, sharp=sharp)
