"""Specimens held early in a regression: the calibrated bound of `early_holds` with a straight line in the model.

The percentile asked for is that at one setting; with ``e`` the settings of a specimen less those, its standard value is
``c + h (y - q) - e b``, and the percentile lies at q where c = w. Everything else is as without a line.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lowtail.errors import NoAnswerError
from lowtail.models.distributions.families import Family
from lowtail.models.early.draws import limits_of, noise_of, share_above
from lowtail.models.early.holds import LARGE, SAMPLES, search_down
from lowtail.models.early.lean_roots import Terms, climb
from lowtail.models.regression.fit import standard_terms

__all__ = ["LineTrials", "held_early_on_line"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]


def held_early_on_line(rest: Array, broke: Flags) -> bool:
    """True where a specimen held below the highest break, both seen from the fitted line."""
    return bool(broke.any() and (~broke & (rest < rest[broke].max())).any())


@dataclass(frozen=True, slots=True, eq=False)
class Lines:
    """Samples as columns: values v (n, M), which of them broke, and the settings (n, q) less those asked for."""

    v: Array
    fail: Flags
    e: Array
    r: Array

    def take(self, keep: NDArray[np.intp] | Flags) -> Lines:
        """Only the columns ``keep``."""
        return Lines(self.v[:, keep], self.fail[:, keep], self.e, self.r[keep])


def _terms(family: Family, w: float | None) -> Terms[Lines]:
    """Log-likelihood, slopes and curves in (c, b, h), or in (b, h) with c held at ``w``."""

    def terms(x: Lines, theta: Array) -> tuple[Array, list[Array], list[Array]]:
        n, free = x.v.shape[0], w is None
        axes: list[Array] = [np.ones((n, 1))] if free else []
        axes += [-x.e[:, j, None] for j in range(x.e.shape[1])]
        axes.append(x.v)
        z = np.asarray(sum(t * a for t, a in zip(theta, axes, strict=True))) + (0.0 if free else w)
        value, first, second = standard_terms(np.clip(z, -1e3, 300.0), x.fail, family)
        h = theta[-1]
        slope = [(first * a).sum(axis=0) for a in axes]
        curve = [(second * a * b).sum(axis=0) for i, a in enumerate(axes) for b in axes[i:]]
        slope[-1] = slope[-1] + x.r / h
        curve[-1] = curve[-1] - x.r / h**2
        return value.sum(axis=0) + x.r * np.log(h), slope, curve

    return terms


@dataclass(frozen=True, slots=True, eq=False)
class LineTrials:
    """One sample on a line, ready for trial strengths at one setting; speaks as `early_holds.Trials` with one row.

    Attributes
    ----------
    family : Family
    w : float
        Standard quantile of the fraction below.
    rest, fail, e : arrays
        Values less the fitted line in units of its spread (n, 1), which of them broke, settings less those asked for.
    limit : (K + 1, n) array
        Loads held, less the line of each specimen; infinite for none.
    index, noise : (n, B) arrays
        Which limit each specimen has in each simulated sample; standard values less ``w``.
    """

    family: Family
    w: float
    rest: Array
    fail: Flags
    e: Array
    limit: Array
    index: NDArray[np.int32]
    noise: Array

    @classmethod
    def of(
        cls, y: Array, broke: Flags, design: Array, x: Array, line: tuple[Array, float], family: Family, w: float
    ) -> LineTrials:
        """From values, flags, the design (first column ones), the row asked for, and the fit (coefficients, spread)."""
        coef, spread = line
        e = (design - x)[:, 1:]
        order = np.lexsort((*e.T, ~broke, y))
        y, broke, e, design = y[order], broke[order], e[order], design[order]
        along = design @ coef
        rest = (y - along) / spread
        if y.size > LARGE:
            raise NoAnswerError(
                f"Some of {y.size:,} specimens held at low loads: the bound of a line is then checked by simulation, "
                f"which is done up to {LARGE:,} specimens. Answer for parts of the sample."
            )
        value, other = noise_of(family.name, rest, SAMPLES)
        limit, _, index = limits_of(y, broke, other)
        away = np.vstack([(limit[:, None] - along) / spread, np.full(y.size, np.inf)])
        return cls(family, w, rest[:, None], broke[:, None], e, away, index, value - w)

    def take(self, rows: NDArray[np.intp] | Flags) -> LineTrials:
        """The same: there is one row."""
        return self

    def _roots(self, x: Lines) -> tuple[Array, Array]:
        """Signed roots at v = 0, and what is fitted with the percentile there (b, h)."""
        start = np.zeros((x.e.shape[1] + 1, x.r.size))
        start[-1] = 1.0
        held, value = climb(_terms(self.family, self.w), x, start)
        free, best = climb(_terms(self.family, None), x, np.vstack([np.full(x.r.size, self.w), held]))
        return np.sign(self.w - free[0]) * np.sqrt(np.maximum(2 * (best - value), 0.0)), held

    def observed(self, q: Array) -> tuple[Array, Array]:
        """Signed root of the sample itself at ``q`` (1,), and what is fitted there."""
        return self._roots(Lines(self.rest - q, self.fail, self.e, self.fail.sum(axis=0).astype(float)))

    def slope(self, q: Array, unit: Array) -> Array:
        """How fast the signed root falls as q rises."""
        step = 0.05 * unit
        return np.asarray(np.maximum((self.observed(q - step)[0] - self.observed(q)[0]) / step, 0.01 / unit))

    def chance(self, q: Array) -> tuple[Array, Array]:
        """Chance that the line fitted with its percentile at ``q`` shows the signed root observed or more; also h."""
        root, held = self.observed(q)
        b, h = held[:-1, 0], held[-1]
        bar = h * (self.limit - q) - self.e @ b
        at = bar[self.index, np.arange(self.rest.size)[:, None]]
        fail = self.noise <= at
        x = Lines(np.minimum(self.noise, at), fail, self.e, fail.sum(axis=0).astype(float))
        roots, _ = self._roots(x.take(_estimable(fail, self.e)))
        return np.array([share_above(roots, float(root[0]))]), h

    def low(self, top: float, confidence: float) -> float:
        """Bound at or below ``top``, both in spreads from the fitted line."""
        return float(search_down(self, np.array([top]), 1.0 - confidence)[0])


def _estimable(fail: Flags, e: Array) -> Flags:
    """Columns with one break more than the line has coefficients, at settings that tell these apart."""
    axes = np.column_stack([np.ones(e.shape[0]), e / np.maximum(np.abs(e).max(axis=0), 1e-300)])
    gram = np.einsum("im,ij,ik->mjk", fail.astype(float), axes, axes, optimize=True)
    ends = np.linalg.eigvalsh(gram)
    return np.asarray((fail.sum(axis=0) > axes.shape[1]) & (ends[:, 0] > 1e-9 * ends[:, -1]))
