"""The places of batches drawn at random, integrated out: log-likelihood of standardised residuals batch by batch.

A batch with shift v has the likelihood of its residuals less v, and v is normal with variance ``rho``. The integral
over v is an adaptive Gauss-Hermite sum about its top. Where nothing broke the likelihood is a step, narrow against a
wide normal: there the integral is taken by parts, over the derivative of the step.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import special

from lowtail.models.distributions.families import Family
from lowtail.models.regression.fit import standard_terms

__all__ = ["Places"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Labels = NDArray[np.intp]

_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(9)
_FINE, _FINE_WEIGHTS = np.polynomial.hermite_e.hermegauss(21)  # for batches without breaks: a skew integrand
_LIFT, _FINE_LIFT = np.log(_WEIGHTS) + 0.5 * _NODES**2, np.log(_FINE_WEIGHTS) + 0.5 * _FINE**2  # normal taken out again
_WIDE = 1.0  # rho above which a batch without breaks is integrated by parts
_ROOT = 0.5 * np.log(2 * np.pi)


@dataclass(frozen=True, eq=False)
class Places:
    """Specimens sorted by batch: flags (n,), first index and size of each batch, family."""

    broke: Flags
    starts: Labels
    sizes: Labels
    law: Family

    @cached_property
    def breaks(self) -> Array:
        """Breaks of each batch."""
        return np.add.reduceat(self.broke.astype(float), self.starts)

    @cached_property
    def batch(self) -> Labels:
        """Batch of each specimen."""
        return np.repeat(np.arange(self.sizes.size), self.sizes)

    def summed(self, each: Array) -> Array:
        """Sums over the specimens of each batch: (m, n) to (m, batches)."""
        return np.asarray(np.add.reduceat(each, self.starts, axis=1))

    def log_likelihood(self, z: Array, rho: float) -> Array:
        """Log-likelihood (m,) of standardised residuals z (m, n), up to the Jacobian."""
        if rho == 0:
            return np.asarray(standard_terms(z, self.broke, self.law)[0].sum(axis=1))
        empty = (self.breaks == 0) & (rho > _WIDE)
        whole = self._weibull if self.law.name == "weibull" else self._normal
        return whole(z, rho, empty)

    def _weibull(self, z: Array, rho: float, empty: Flags) -> Array:
        """A batch's likelihood against its shift v is exp(S - r v - T exp(-v)), with T the sum of exp(z)."""
        top = np.maximum.reduceat(z, self.starts, axis=1)
        total = top + np.log(self.summed(np.exp(z - top[:, self.batch])))
        out = np.asarray(z[:, self.broke].sum(axis=1))
        t, r = total[:, ~empty], self.breaks[~empty]
        grown = special.wrightomega(np.log(rho) + t + r * rho)
        v, wide = _nodes(grown - r * rho, np.sqrt(rho / (1 + grown)))
        value = -r[:, None] * v - np.exp(np.minimum(t[..., None] - v, 700.0)) - v**2 / (2 * rho)
        out = out + _sum(value, wide).sum(axis=1) - r.size * (_ROOT + 0.5 * np.log(rho))
        if empty.any():
            t = total[:, empty]

            def slope(v: Array) -> Array:
                away = t.reshape(t.shape + (1,) * (v.ndim - 2)) - v
                return np.asarray(away - np.exp(np.minimum(away, 700.0)) + special.log_ndtr(-v / np.sqrt(rho)))

            out = out + _by_parts(slope, t)
        return np.asarray(out)

    def _normal(self, z: Array, rho: float, empty: Flags) -> Array:
        """The breaks of a batch together are normal in its shift; the held specimens are taken one by one."""
        full = np.flatnonzero(~empty)
        r = self.breaks[full]
        seen = np.where(self.broke, z, 0.0)
        first = self.summed(seen)[:, full]
        held = np.flatnonzero(~self.broke & ~empty[self.batch])
        member = self.batch[held][:, None] == full[None, :]
        still, where = z[:, held], member.argmax(axis=1)
        steep = r + 1 / rho
        centre, curve = first / steep, np.broadcast_to(steep, first.shape)
        for _ in range(12 if held.size else 0):
            away = still - centre[:, where]
            hazard = np.exp(-0.5 * away**2 - _ROOT - special.log_ndtr(-away))
            curve = steep + np.clip(hazard * (hazard - away), 0.0, 1.0) @ member
            move = (first - steep * centre + hazard @ member) / curve
            centre = centre + move
            if np.abs(move * np.sqrt(curve)).max() < 0.02:
                break
        v, wide = _nodes(centre, 1 / np.sqrt(curve))
        value = first[..., None] * v - 0.5 * steep[:, None] * v**2
        if held.size:
            value = value + np.einsum("mhq,ha->maq", special.log_ndtr(v[:, where] - still[..., None]), member)
        out = _sum(value, wide).sum(axis=1) - r.size * (_ROOT + 0.5 * np.log(rho))
        out = out - 0.5 * (seen**2).sum(axis=1) - _ROOT * r.sum()
        for batch in np.flatnonzero(empty):
            mine = z[:, self.batch == batch]

            def slope(v: Array, mine: Array = mine) -> Array:
                away = mine.reshape(mine.shape + (1,) * (v.ndim - 2)) - v
                above = special.log_ndtr(-away)
                hazard = special.logsumexp(-0.5 * away**2 - _ROOT - above, axis=1, keepdims=True)
                step = above.sum(axis=1, keepdims=True) + hazard
                return np.asarray(step + special.log_ndtr(-v / np.sqrt(rho)))

            out = out + _by_parts(slope, mine.max(axis=1, keepdims=True))
        return np.asarray(out)


def _nodes(centre: Array, wide: Array, at: Array = _NODES) -> tuple[Array, Array]:
    """Nodes (m, batches, q) about the tops, and the widths."""
    return centre[..., None] + wide[..., None] * at, wide


def _sum(value: Array, wide: Array, lift: Array = _LIFT) -> Array:
    """Log integrals (m, batches) from log values at the nodes."""
    value = value + lift
    top = value.max(axis=2)
    return np.asarray(top + np.log(np.exp(value - top[..., None]).sum(axis=2)) + np.log(wide))


def _by_parts(slope: Callable[[Array], Array], start: Array) -> Array:
    """Log integral of a log-concave function over v, batches multiplied together; its top is sought from ``start``."""
    v, near = start, 1e-2
    for _ in range(10):
        below, here, above = slope(v - near), slope(v), slope(v + near)
        curve = np.maximum((2 * here - below - above) / near**2, 0.05)
        move = np.clip((above - below) / (2 * near) / curve, -3.0, 3.0)
        v = v + move
        if np.abs(move).max() < 0.2:
            break
    v, wide = _nodes(v, 1 / np.sqrt(curve), _FINE)
    return np.asarray(_sum(slope(v), wide, _FINE_LIFT).sum(axis=1))
