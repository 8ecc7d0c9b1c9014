"""The confidence engine: the joint confidence law of location and spread, for one sample or a batch.

Quantiles of the law are one-sided confidence bounds. They are exact for complete, type-II and progressively censored
samples, and conservative where specimens held at random loads (nominal 95 %: 94.8 to 98.3 % in our simulations, up to
99.5 % where one fixed limit stopped the tests).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lowtail._parallel import as_rng
from lowtail.errors import InputError, NoAnswerError
from lowtail.models.families import Family, get_family
from lowtail.models.known_spread import KnownSpread, known_spread
from lowtail.models.likelihood import Scaled, prepare
from lowtail.models.nodes import Nodes, normal_nodes, weibull_nodes
from lowtail.models.quadrature import FINE, QUICK, SMOOTH
from lowtail.records.sample import Sample

__all__ = ["ConfidenceLaw", "SpreadPrior", "confidence_law", "confidence_many", "low_many"]

Array = NDArray[np.float64]

_BUDGET = 250_000  # array elements a chunk of the batch engine may hold: about the size of a core's cache
_ROOT_STEPS = 80


def _check(value: float, name: str) -> float:
    if not (np.isscalar(value) and 0 < float(value) < 1):
        hint = ""
        if np.isscalar(value) and 1 <= float(value) < 100:
            hint = f" Give a fraction, not a percentage: {float(value) / 100:g}, not {value:g}."
        raise InputError(f"`{name}` must lie between 0 and 1 (ends excluded), got {value!r}.{hint}")
    return float(value)


@dataclass(frozen=True, slots=True, kw_only=True)
class SpreadPrior:
    """What earlier series say about the spread: ``ln(1 / spread)`` is normal with this middle and width.

    Attributes
    ----------
    shape : float
        Middle of the Weibull shape (or of 1 / log spread), greater than 0.
    width : float
        Standard deviation of ``ln(shape)`` between series, greater than 0; 0.2 means within about 20 %.
    source : str
        Where it comes from; printed with every result.
    """

    shape: float
    width: float
    source: str = "stated by the user"

    def __post_init__(self) -> None:
        for name in ("shape", "width"):
            value = getattr(self, name)
            if not (np.isfinite(value) and value > 0):
                raise InputError(f"`{name}` of a spread prior must be a finite number greater than 0, got {value!r}.")

    def __str__(self) -> str:
        return f"shape {self.shape:.3g}, known to a factor exp(+-{self.width:.2g}) from {self.source}"


def _build(
    family: Family,
    groups: Sequence[Scaled],
    reach: float,
    tail: float,
    prior: SpreadPrior | None = None,
    grid: tuple[float, float] = FINE,
) -> Nodes:
    log_prior = None
    if prior is not None:
        middle = np.log(prior.shape) + np.log(groups[0].scale[0])

        def log_prior(t: Array) -> Array:
            return np.asarray(-0.5 * ((t - middle) / prior.width) ** 2)

    if family.name == "weibull":
        return weibull_nodes(groups, reach, tail, extra=0 if prior is None else 1, prior=log_prior, grid=grid)
    return normal_nodes(groups, reach, tail, prior=log_prior, grid=grid)


def _solve(nodes: Nodes, w: float, tail: float) -> Array:
    """``q`` with P(location + w spread <= q) = tail for every row.

    Newton on the log odds inside a bracket; below a reference value the step is taken in the logarithm of the distance
    from it, in which the far tail (a power law) is straight.
    """
    middle = nodes.middle(w)
    passed = (nodes.weight.cumsum(axis=1) >= tail).argmax(axis=1)
    rows = np.arange(passed.size)
    q = middle[rows, passed]
    stride = 1.0 / (nodes.weight * nodes.k).sum(axis=1)
    reference = np.maximum((nodes.weight * middle).sum(axis=1), q) + 3.0 * stride
    low, high = np.full(q.shape, -np.inf), np.full(q.shape, np.inf)
    done = np.zeros(q.shape, dtype=bool)
    goal = np.log(tail) - np.log1p(-tail)
    for _ in range(_ROOT_STEPS):
        below, dens = nodes.cdf(q, w)
        over = below > tail
        high, low = np.where(over, q, high), np.where(over, low, q)
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            step = -(np.log(below) - np.log1p(-below) - goal) * below * (1 - below) / dens
            far = reference - q
            new = np.where(far > 0, reference - far * np.exp(-step / np.where(far > 0, far, 1.0)), q + step)
        inside = np.isfinite(new) & (new >= low) & (new <= high)
        both = np.isfinite(low) & np.isfinite(high)
        half = 0.5 * (np.where(both, low, 0.0) + np.where(both, high, 0.0))
        new = np.where(inside, new, np.where(both, half, np.where(over, q - stride, q + stride)))
        stride = np.where(inside, stride, 2.0 * stride)
        close = inside & (np.abs(new - q) <= 1e-8 * (np.abs(q) + stride))  # quadratic: this step ends it
        q = np.where(done, q, new)
        done |= close
        if done.all():
            break
    return q


@dataclass(frozen=True, slots=True, eq=False)
class ConfidenceLaw:
    """Joint confidence law of location and spread of one sample.

    Build it with `confidence_law`. Probabilities under this law are confidences, not probabilities about the part.
    """

    family: Family
    groups: tuple[Scaled, ...] = field(repr=False)
    who: str = ""
    prior: SpreadPrior | None = None
    known: KnownSpread | None = None
    _cache: dict[tuple[float, float], Nodes] = field(default_factory=dict, repr=False)

    def _nodes(self, fraction_below: float, tail: float) -> Nodes:
        w = abs(float(self.family.quantile(fraction_below)))
        key = (w, round(tail, 4))
        if key not in self._cache:
            self._cache[key] = _build(self.family, self.groups, w, tail, self.prior)
        return self._cache[key]

    def _load(self, q: float) -> float:
        target = self.groups[0]
        y = float(target.centre[0] + target.scale[0] * q)
        return max(0.0, float(self.family.inverse(y)))

    def low(self, fraction_below: float, confidence: float) -> float:
        """Lower confidence bound in kN of the strength that ``fraction_below`` of the population lies below.

        Parameters
        ----------
        fraction_below, confidence : float
            Between 0 and 1, ends excluded.

        Returns
        -------
        float
            At least 0: a normal law can put its bound below zero, which says only that there is no useful bound.
        """
        p, g = _check(fraction_below, "fraction_below"), _check(confidence, "confidence")
        if self.known is not None:
            return self.known.low(p, g)
        q = _solve(self._nodes(p, 1 - g), float(self.family.quantile(p)), 1 - g)
        return self._load(float(q[0]))

    def confidence_that(self, load: float, fraction_below: float) -> float:
        """Confidence that at most ``fraction_below`` of the population is weaker than ``load`` (kN, greater than 0)."""
        p = _check(fraction_below, "fraction_below")
        if not (np.isfinite(load) and load > 0):
            raise InputError(f"`load` must be a finite number greater than 0 kN, got {load!r}.")
        if self.known is not None:
            return self.known.confidence_that(load, p)
        target = self.groups[0]
        q = (self.family.transform(np.array([load])) - target.centre) / target.scale
        w = float(self.family.quantile(p))
        rough = float(self._nodes(p, 0.05).cdf(q, w)[0][0])
        near = min(max(rough, 1e-7), 1 - 1e-7)  # a second grid that stands where the first one put the answer
        return float(np.clip(1 - self._nodes(p, near).cdf(q, w)[0][0], 0.0, 1.0))

    def interval(self, fraction_below: float, confidence: float) -> tuple[float, float]:
        """Two-sided confidence interval in kN of a percentile, equal tails."""
        g = _check(confidence, "confidence")
        return self.low(fraction_below, 0.5 * (1 + g)), self.low(fraction_below, 0.5 * (1 - g))

    def draws(self, size: int, rng: int | np.random.Generator = 0) -> tuple[Array, Array]:
        """Draw ``size`` pairs (location, spread) on the ``y`` axis (kN for the normal law, ln kN otherwise)."""
        if self.known is not None:
            raise NoAnswerError(f"{self.who}: with a known spread the law is one-sided; use .low and .confidence_that.")
        generator = as_rng(rng)
        nodes = _build(self.family, self.groups, 1.0, 0.5, self.prior, SMOOTH)
        t, w = np.log(nodes.k[0]), nodes.weight[0]
        total = np.concatenate([[0.0], np.cumsum(0.5 * (w[1:] + w[:-1]))])
        k = np.exp(np.interp(generator.random(size) * total[-1], total, t))
        location = nodes.draw(k, 0, generator)
        target = self.groups[0]
        return target.centre[0] + target.scale[0] * location, target.scale[0] / k


def _common_scale(samples: Sequence[Sample], family: Family) -> tuple[Scaled, ...]:
    """Scale every group by the first one's scale, so that they can share a spread."""
    first = prepare(samples[0].load, samples[0].broke, family)
    out = [first]
    for sample in samples[1:]:
        s = prepare(sample.load, sample.broke, family)
        ratio = s.scale / first.scale
        out.append(
            Scaled(s.z * ratio[:, None], s.fail, s.held, s.centre, first.scale, s.n, s.r, s.distinct, s.bounded, s.bad)
        )
    return tuple(out)


def confidence_law(
    sample: Sample,
    family: str | Family = "weibull",
    *,
    shape: float | None = None,
    cv: float | None = None,
    shared_spread: Sequence[Sample] | None = None,
    prior: SpreadPrior | None = None,
) -> ConfidenceLaw:
    """Joint confidence law of location and spread.

    Parameters
    ----------
    sample : Sample
        Loads in kN with survivors.
    family : str or Family
    shape : float, optional
        Known Weibull shape; the bound is then exact chi-square with 2 r + 2 degrees of freedom, r breaks.
    cv : float, optional
        Known coefficient of variation for the normal families.
    shared_spread : sequence of Sample, optional
        Sibling groups that share the spread of this one (equal Weibull shape, equal log spread, or for the normal law
        equal standard deviation in kN); each keeps a location of its own. ``sample`` itself may be among them.
    prior : SpreadPrior, optional
        Spread known from earlier series with a width of its own (Weibull and lognormal).

    Raises
    ------
    NoAnswerError
        If fewer than 2 different loads at break are there and nothing is known of the spread.
    InputError
        If an option does not fit the family, or two sources of the spread are given at once.

    References
    ----------
    Lawless (1978) Technometrics 20:355-364; Fraser (1968) The Structure of Inference (both from memory).

    Examples
    --------
    >>> law = confidence_law(Sample([24.1, 25.3, 22.8, 26.0, 23.9]), "normal")
    >>> round(law.low(0.10, 0.95), 3)
    20.156
    """
    law = get_family(family)
    if sum(x is not None for x in (shape, cv, shared_spread, prior)) > 1:
        raise InputError("Give only one of `shape`, `cv`, `shared_spread`, `prior`: each one settles the spread.")
    if shape is not None or cv is not None:
        known = known_spread(sample, law, shape=shape, cv=cv)
        return ConfidenceLaw(law, _common_scale([sample], law), sample.who, known=known)
    if prior is not None and not law.on_log:
        raise InputError("`prior` holds for the weibull and lognormal laws; the spread of the normal law is in kN.")
    siblings = [s for s in (shared_spread or ()) if s is not sample]
    groups = _common_scale([sample, *siblings], law)
    _require(sample, groups, law, prior, shared=shared_spread is not None)
    return ConfidenceLaw(law, groups, sample.who, prior)


def _require(sample: Sample, groups: Sequence[Scaled], law: Family, prior: SpreadPrior | None, *, shared: bool) -> None:
    target = groups[0]
    if prior is not None:
        if sample.n_broken == 0 and law.name != "weibull":
            raise NoAnswerError(f"{sample.who}: none of {sample.n} broke; a prior on the spread needs 1 break here.")
        return
    if not shared:
        if target.distinct[0]:
            return
        raise NoAnswerError(
            f"{sample.who}: a bound needs at least 2 different loads at break, but {sample.n_broken} of {sample.n} "
            f"specimens broke{' (all at one load)' if sample.n_broken > 1 else ''}. Give `shape=` (or `cv=`) from an "
            "earlier series, share the spread of sibling groups by `shared_spread=`, or test on until more break."
        )
    if sample.n_broken == 0:
        raise NoAnswerError(
            f"{sample.who}: none of {sample.n} specimens broke. Sibling groups can lend their spread, not a strength: "
            "test on until at least 1 breaks."
        )
    free = sum(int(g.r[0]) - 1 for g in groups if g.r[0] > 0)
    if free < 1 or not any(bool(g.distinct[0]) for g in groups):
        raise NoAnswerError(
            f"{sample.who}: the {len(groups)} groups that share a spread need at least one group with 2 different loads "
            "at break. Test on until more break."
        )


def _chunks(s: Scaled, rows: NDArray[np.intp], width: int) -> list[NDArray[np.intp]]:
    """Cut the rows (sorted by breaks) into chunks of equal breaks that fit the memory budget."""
    size = max(1, _BUDGET // max(width, 1))
    edges = np.flatnonzero(np.diff(s.r[rows])) + 1
    return [part[i : i + size] for part in np.split(rows, edges) if part.size for i in range(0, part.size, size)]


def _batch(load: ArrayLike, broke: ArrayLike | None, family: str | Family) -> tuple[Family, Scaled, NDArray[np.intp]]:
    law = get_family(family)
    s = prepare(load, broke, law)
    usable = np.flatnonzero(s.distinct & ~s.bad)
    order = np.lexsort((s.n[usable], s.r[usable]))  # rows alike share a grid
    return law, s, usable[order]


def _width(law: Family, s: Scaled, rows: NDArray[np.intp]) -> int:
    """Array elements that one row needs."""
    if law.name == "weibull":
        return 90 * s.z.shape[1]
    return 90 * (40 if bool(s.held[rows].any()) else 4)


def low_many(
    load: ArrayLike,
    broke: ArrayLike | None,
    family: str | Family,
    fraction_below: float,
    confidence: float,
) -> Array:
    """Lower confidence bounds of a batch of samples.

    Parameters
    ----------
    load : array_like, shape (B, n)
        Loads greater than 0; NaN pads shorter samples.
    broke : array_like of bool, shape (B, n), or None
        None: every load is a break.
    family : str or Family
    fraction_below, confidence : float
        Between 0 and 1.

    Returns
    -------
    (B,) array
        Bounds in the unit of ``load``, at least 0; NaN where fewer than 2 different loads at break are there (then no
        bound exists without outside knowledge of the spread).
    """
    p, g = _check(fraction_below, "fraction_below"), _check(confidence, "confidence")
    law, s, rows = _batch(load, broke, family)
    out = np.full(s.r.size, np.nan)
    w = float(law.quantile(p))
    for idx in _chunks(s, rows, _width(law, s, rows)):
        sub = s.rows(idx)
        q = _solve(_build(law, [sub], abs(w), 1 - g, grid=QUICK), w, 1 - g)
        out[idx] = np.maximum(law.inverse(sub.centre + sub.scale * q), 0.0)
    return out


def confidence_many(
    load: ArrayLike,
    broke: ArrayLike | None,
    family: str | Family,
    strength: ArrayLike,
    fraction_below: float,
) -> Array:
    """Confidence that at most ``fraction_below`` of the population is weaker than ``strength``, for a batch.

    ``strength`` is a number or has shape (B,), greater than 0, in the unit of ``load``. Other arguments and NaN as in
    `low_many`.
    """
    p = _check(fraction_below, "fraction_below")
    law, s, rows = _batch(load, broke, family)
    asked = np.broadcast_to(np.asarray(strength, dtype=float), s.r.shape)
    if not (asked > 0).all():
        raise InputError("`strength` must be greater than 0.")
    out = np.full(s.r.size, np.nan)
    w = float(law.quantile(p))
    for idx in _chunks(s, rows, _width(law, s, rows)):
        sub = s.rows(idx)
        q = (law.transform(asked[idx]) - sub.centre) / sub.scale
        below, _ = _build(law, [sub], abs(w), 0.05, grid=FINE).cdf(q, w)
        out[idx] = np.clip(1 - below, 0.0, 1.0)
    return out
