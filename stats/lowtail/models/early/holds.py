"""Specimens held early: the lower of the confidence distribution and a signed root calibrated by simulation, on arrays.

Where specimens held below the highest break (proof loads, a rig that lets go early) the quantiles of the confidence
distribution can lie too high. For a trial strength q the distribution that fits best with its percentile at q is
simulated under the limits of this very sample, and the chance that it shows at least the signed root observed is read
off; the bound is lowered until that chance is small enough. Samples without early holds are left as they are.

With C the confidence and ``chance`` that chance, the calibrated confidence is ``min(C, 1 - chance)``. Both rise as q
falls, so that a bound lies below the true percentile exactly where this, taken at the true percentile, does not exceed
the confidence asked for: how the study of the coverage counts.

References
----------
Beran (1988) J. Amer. Statist. Assoc. 83:687-697, prepivoting; DiCiccio, Martin and Stern (2001) Canad. J. Statist.
29:67-76, the constrained fit (both from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol, Self

import numpy as np
from numpy.typing import NDArray
from scipy import special

from lowtail.errors import NoAnswerError
from lowtail.models.distributions.families import Family
from lowtail.models.distributions.likelihood import Scaled
from lowtail.models.early.draws import limits_of, noise_of, share_above
from lowtail.models.early.lean_roots import Columns, signed_roots

__all__ = [
    "SAMPLES",
    "Trials",
    "calibrated_confidence",
    "calibrated_low",
    "checked",
    "held_early",
    "samples_for",
    "search_down",
]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

SAMPLES = 1024  # simulated samples behind a chance, for confidences up to 99.5 %
MOST = 2**16  # and at most, for higher ones
_CLOSE = 5e-4  # where the search ends: error of the chance, and width in spreads
_STEPS = 80
_BLOCK = 200_000  # array elements of a block of simulated samples
_WHOLE = 2**24  # and of all of them
LARGE = _WHOLE // SAMPLES  # specimens of a sample up to which all of them fit
ENOUGH = 1_000  # breaks from which on a larger sample needs no check: tests/truth/large_samples.csv


def held_early(s: Scaled) -> Flags:
    """Rows in which a specimen held strictly below the highest break."""
    highest = np.where(s.fail, s.z, -np.inf).max(axis=1, initial=-np.inf)
    return np.asarray((s.held & (s.z < highest[:, None])).any(axis=1))


def checked(s: Scaled) -> Flags:
    """Rows whose bounds are checked by simulation: specimens held early, unless a large sample has many breaks.

    Raises
    ------
    NoAnswerError
        If a row has more than `LARGE` specimens, some of them held early, and fewer than `ENOUGH` breaks.
    """
    early, large = held_early(s), s.n > LARGE
    few = np.flatnonzero(early & large & (s.r < ENOUGH))
    if few.size:
        n, r = int(s.n[few[0]]), int(s.r[few[0]])
        raise NoAnswerError(
            f"Some of {n:,} specimens held at low loads and {r:,} broke: a bound is then checked by simulation, which "
            f"is done up to {LARGE:,} specimens, and needs no check from {ENOUGH:,} breaks on. Test on until more "
            "break, or answer for parts of the sample."
        )
    return early & ~large


def _pad(rows: list[Array], height: int) -> Array:
    """Stack arrays of different lengths as columns, zeros below."""
    out = np.zeros((height, len(rows)))
    for column, row in enumerate(rows):
        out[: row.size, column] = row
    return out


@dataclass(frozen=True, slots=True, eq=False)
class Trials:
    """Rows of one batch, with as many specimens each and early holds, ready for trial strengths.

    Attributes
    ----------
    law : {"weibull", "normal", "lognormal"}
    w : float
        Standard quantile of the fraction below.
    z, fail : (n, R) arrays
        Loads on the scaled axis in rising order, and which of them broke.
    limit, count : (K, R) arrays
        Different loads held, and how many held at each (none where a row has fewer than K).
    index : (n, R, B) array
        Which limit a specimen has in each simulated sample; K for none.
    noise : (n, R, B) array
        Standard values, less ``w``.
    """

    law: str
    w: float
    z: Array
    fail: Flags
    limit: Array
    count: Array
    index: NDArray[np.int32]
    noise: Array

    @classmethod
    def of(cls, s: Scaled, law: str, w: float, samples: int = SAMPLES) -> Trials:
        """Prepare rows that have the same number of specimens."""
        n = int(s.n[0])
        there = s.fail | s.held
        z, fail = s.z[there].reshape(-1, n), s.fail[there].reshape(-1, n)
        order = np.lexsort((~fail, z), axis=1)
        z, fail = np.take_along_axis(z, order, axis=1), np.take_along_axis(fail, order, axis=1)
        noise = [noise_of(law, a, max(64, min(samples, _WHOLE // n))) for a in z]
        parts = [limits_of(a, b, other) for a, b, (_, other) in zip(z, fail, noise, strict=True)]
        most = max(p[0].size for p in parts)
        index = np.stack([np.where(p[2] < p[0].size, p[2], most) for p in parts], axis=1)
        limit, count = _pad([p[0] for p in parts], most), _pad([p[1] for p in parts], most)
        return cls(law, w, z.T, fail.T, limit, count, index, np.stack([v for v, _ in noise], axis=1) - w)

    def take(self, rows: NDArray[np.intp] | Flags) -> Trials:
        """Only some rows."""
        cut = (a[:, rows] for a in (self.z, self.fail, self.limit, self.count, self.index, self.noise))
        return Trials(self.law, self.w, *cut)  # type: ignore[arg-type]

    def observed(self, q: Array) -> tuple[Array, Array]:
        """Signed roots of the samples themselves at ``q`` (R,), and 1 / spread fitted with the percentile there."""
        seen = Columns.of(self.z - q, self.fail, self.limit - q, self.count, weibull=self.law == "weibull")
        return signed_roots(self.law, self.w, seen, np.ones(q.size))

    def slope(self, q: Array, unit: Array) -> Array:
        """How fast the signed root falls as q rises."""
        step = 0.05 * unit
        return np.asarray(np.maximum((self.observed(q - step)[0] - self.observed(q)[0]) / step, 0.01 / unit))

    def chance(self, q: Array) -> tuple[Array, Array]:
        """Chance that the distribution fitted with its percentile at ``q`` shows the signed root observed or more.

        Among simulated samples with 2 breaks or more; ``q`` has shape (R,). Also 1 / spread of that distribution.
        """
        observed, h = self.observed(q)
        bar = np.vstack([(self.limit - q) * h, np.full(q.size, np.inf)])
        size = max(1, _BLOCK // self.z.size)
        parts = [slice(i, i + size) for i in range(0, self.noise.shape[2], size)]
        roots = np.concatenate([self._roots(bar, part) for part in parts], axis=1)
        return np.array([share_above(row, float(root)) for row, root in zip(roots, observed, strict=True)]), h

    def _roots(self, bar: Array, part: slice) -> Array:
        """Signed roots (R, B) of simulated samples, in spreads around the trial strength; NaN with fewer than 2 breaks.

        ``bar`` (K + 1, R) holds the limits there.
        """
        index, noise = self.index[:, :, part], self.noise[:, :, part]
        rows, width = index.shape[1:]
        fail = noise <= bar[index, np.arange(rows)[None, :, None]]
        column = np.broadcast_to(np.arange(rows * width, dtype=np.intp).reshape(rows, width), index.shape)
        held = np.bincount((index * (rows * width) + column)[~fail], minlength=self.limit.shape[0] * rows * width)
        samples = Columns.of(
            noise.reshape(index.shape[0], -1),
            fail.reshape(index.shape[0], -1),
            np.repeat(bar[:-1], width, axis=1),
            held.reshape(self.limit.shape[0], rows * width).astype(float),
            weibull=self.law == "weibull",
        )
        keep = samples.r >= 2
        out = np.full(keep.size, np.nan)
        out[keep] = signed_roots(self.law, self.w, samples.take(keep), np.ones(int(keep.sum())))[0]
        return out.reshape(rows, width)


def _alike(s: Scaled, samples: int) -> list[NDArray[np.intp]]:
    """Rows with early holds, in blocks of equal n."""
    rows = np.flatnonzero(checked(s))
    out = []
    for n in np.unique(s.n[rows]):
        every = rows[s.n[rows] == n]
        size = max(1, _BLOCK // (int(n) * samples))
        out += [every[i : i + size] for i in range(0, every.size, size)]
    return out


def calibrated_confidence(
    s: Scaled, family: Family, fraction_below: float, q: Array, confidence: Array, samples: int = SAMPLES
) -> Array:
    """Confidence that the percentile lies above ``q`` (scaled axis), calibrated where specimens held early.

    ``q`` and ``confidence``, that of the confidence distribution, have shape (B,). Never above ``confidence``.
    """
    w = float(family.quantile(fraction_below))
    out = np.array(confidence, dtype=float)
    for rows in _alike(s, samples):
        chance, _ = Trials.of(s.rows(rows), family.name, w, samples).chance(q[rows])
        out[rows] = np.minimum(out[rows], 1.0 - chance)
    return out


def calibrated_low(s: Scaled, family: Family, fraction_below: float, confidence: float, q: Array) -> Array:
    """Lower bound on the scaled axis, calibrated where specimens held early; ``q`` (B,), that of the distribution.

    Never above ``q``. Below a confidence of 0.5 it is ``q``: there it serves as an upper bound. Minus infinity where no
    strength is low enough.

    Raises
    ------
    NoAnswerError
        If the confidence lies above what `MOST` simulated samples can tell, or the sample is too large for it.
    """
    out = np.array(q, dtype=float)
    if confidence < 0.5 or not checked(s).any():
        return out
    samples, w = samples_for(confidence), float(family.quantile(fraction_below))
    most = int(s.n[checked(s)].max())
    if samples * most > _WHOLE:
        raise NoAnswerError(
            f"Some of {most:,} specimens held at low loads: a bound is then checked by simulation, which at a "
            f"confidence of {confidence!r} is done up to {_WHOLE // samples:,} specimens. Ask for 0.995 or less."
        )
    for rows in _alike(s, samples):
        out[rows] = search_down(Trials.of(s.rows(rows), family.name, w, samples), out[rows], 1.0 - confidence)
    return out


def samples_for(confidence: float) -> int:
    """Simulated samples behind a bound: `SAMPLES`, more above a confidence of 99.5 %.

    Raises
    ------
    NoAnswerError
        If `MOST` would not do.
    """
    tail = 1.0 - confidence
    samples = SAMPLES if tail >= 0.005 else int(2 ** np.ceil(np.log2(8 / tail)))
    if samples > MOST:
        raise NoAnswerError(
            "Some specimens held at low loads: a bound is then checked by simulation, which can tell a confidence up "
            f"to {1 - 8 / MOST:.4f}, got {confidence!r}. Ask for less."
        )
    return samples


class Judged(Protocol):
    """What the search needs of trials: `Trials` says what each is."""

    def take(self, rows: NDArray[np.intp] | Flags) -> Self:
        """Only some rows."""

    def chance(self, q: Array) -> tuple[Array, Array]:
        """Chance at trial strengths, and 1 / spread."""

    def slope(self, q: Array, unit: Array) -> Array:
        """How fast the signed root falls."""


def search_down(trials: Judged, top: Array, tail: float) -> Array:
    """Highest strengths at or below ``top`` whose chance is at most ``tail``: a step down, then false position.

    The first step takes the chance to be normal in the signed root. The end whose chance is small enough is returned.
    """
    goal, close = float(special.ndtri(tail)), min(_CLOSE, tail / 50)

    def gap(rows: NDArray[np.intp], at: Array) -> tuple[Array, Array]:
        found, unit = trials.take(rows).chance(at)
        return np.clip(special.ndtri(found), -8.0, 8.0) - goal, unit

    out = top.copy()
    above, h = gap(np.arange(top.size), top)
    rows = np.flatnonzero(above > 0)
    if not rows.size:
        return out
    high, above, unit = top[rows], above[rows], 1 / h[rows]
    slope = trials.take(rows).slope(high, unit)
    step = np.clip(1.1 * above / slope, 0.02 * unit, 20 * unit)
    low, below, side = np.full(rows.size, -np.inf), np.zeros(rows.size), np.zeros(rows.size, dtype=int)
    for _ in range(_STEPS):
        still_open = np.isinf(low)
        line = np.where(still_open, 0.5, above / (above - below))
        with np.errstate(invalid="ignore"):
            at = np.where(still_open, high - step, high - np.clip(line, 0.02, 0.98) * (high - low))
        found, _ = gap(rows, at)
        up = found > 0
        high, above = np.where(up, at, high), np.where(up, found, np.where(side < 0, above / 2, above))
        low, below = np.where(up, low, at), np.where(up, np.where(side > 0, below / 2, below), found)
        side = np.where(still_open, 0, np.where(up, 1, -1))
        step = 2 * step
        near = ~up & (special.ndtr(found + goal) > tail - close)
        done = (low > -np.inf) & (near | (high - low <= _CLOSE * unit))
        out[rows[done]] = low[done]
        left = ~done
        if done.all():
            return out
        rows, high, above, low, below = rows[left], high[left], above[left], low[left], below[left]
        step, side, unit = step[left], side[left], unit[left]
    out[rows] = low
    return out
