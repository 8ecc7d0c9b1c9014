"""Confidence of many normal series with survivors by a saddlepoint form, with one search for the maximum of each.

References
----------
DiCiccio and Martin (1993) J. R. Statist. Soc. B 55:305-316 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

__all__ = ["Saddlepoint"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

_PAD = -1e9  # a load that held so low says nothing
_CLOSE = 1e-4  # Newton steps converge quadratically: the one after would be 1e-8
_PIECE = 800  # rows at a time: about the size of a core's cache


class Saddlepoint:
    """Series with at least 2 different breaks each, ready for any claims; ``mean`` and ``s`` are of the breaks."""

    def __init__(self, y: Array, broke: Flags, fraction_below: float) -> None:
        r = broke.sum(axis=1)
        self.mean = np.where(broke, y, 0.0).sum(axis=1) / r
        self.s = np.sqrt(np.where(broke, (y - self.mean[:, None]) ** 2, 0.0).sum(axis=1) / r)
        self.w = float(special.ndtri(fraction_below))
        loads = np.sort(np.where(broke, -np.inf, (y - self.mean[:, None]) / self.s[:, None]), axis=1)[:, ::-1]
        held = np.where(np.isneginf(loads), _PAD, loads)
        self.pieces = []
        for rows in np.array_split(np.argsort(-r, kind="stable"), max(1, r.size // _PIECE)):  # rows alike together
            most = y.shape[1] - int(r[rows].min())
            x = _Series(r[rows].astype(float), held[rows, :most], np.zeros(rows.size))
            with np.errstate(all="ignore"):
                a, h, settled = _maximum(x, self.w)
                top = _parts(x, a, h, self.w)
                steep = np.sqrt(top[4] * top[3] - top[2] ** 2)
            self.pieces.append((rows, x, (a + self.w) / h, top[0], np.where(settled, steep, np.nan)))

    def confidence(self, claim: Array, wanted: Flags | None = None) -> Array:
        """Confidence that the percentile is at least ``claim`` (B,); NaN where not wanted or not settled."""
        out = np.full(self.mean.size, np.nan)
        for rows, x, at, value, steep in self.pieces:
            pick = np.arange(rows.size) if wanted is None else np.flatnonzero(wanted[rows])
            if not pick.size:
                continue
            some = rows[pick]
            part = _Series(x.r[pick], x.held[pick], (claim[some] - self.mean[some]) / self.s[some])
            with np.errstate(all="ignore"):
                h, done = _constrained(part, self.w)
                edge = _parts(part, h * part.edge - self.w, h, self.w)
                root = np.sign(at[pick] - part.edge) * np.sqrt(np.maximum(2 * (value[pick] - edge[0]), 0.0))
                u = edge[1] * np.sqrt(-edge[3]) / steep[pick]
                got = special.ndtr(root + np.log(u / root) / root)
                got = np.where(np.abs(root) < 0.05, special.ndtr(root), got)
            out[some] = np.where(done & np.isfinite(steep[pick]), got, np.nan)
        return out


def _hazard(x: Array) -> Array:
    """Normal density over upper tail probability."""
    return np.asarray(np.sqrt(2 / np.pi) / special.erfcx(x / np.sqrt(2)))


@dataclass(frozen=True, slots=True, eq=False)
class _Series:
    """Series on the scale of their breaks (mean 0, mean square 1): number of breaks, loads that held, the claim.

    The breaks enter every sum in closed form; ``held`` is padded on the right.
    """

    r: Array
    held: Array
    edge: Array

    def rows(self, rows: NDArray[np.intp]) -> _Series:
        return _Series(self.r[rows], self.held[rows], self.edge[rows])


def _parts(x: _Series, a: Array, h: Array, w: float) -> tuple[Array, Array, Array, Array, Array]:
    """Log-likelihood in (percentile q, ln spread t) at location / spread ``a`` and 1 / spread ``h``.

    Returns value, d/dq, d2/dq dt, d2/dt2, d2/dq2.
    """
    z = h[:, None] * x.held - a[:, None]
    u = z - w
    m = _hazard(z)
    bend = m * (m - z)
    value = special.log_ndtr(-z).sum(axis=1) - 0.5 * x.r * (h * h + a * a) + x.r * np.log(h)
    push = m.sum(axis=1) - x.r * a
    lean = (bend * u).sum(axis=1) - x.r * (a + w)
    square = ((bend * u + m) * u).sum(axis=1) + x.r * (2 * h * h + (a + w) * (2 * a + w))
    return value, push * h, -(lean + push) * h, -square, -(bend.sum(axis=1) + x.r) * h * h


def _maximum(x: _Series, w: float) -> tuple[Array, Array, Flags]:
    """Location / spread and 1 / spread of largest likelihood, by Newton steps."""
    share = (x.held > _PAD).sum(axis=1) / (x.r + (x.held > _PAD).sum(axis=1))
    h = 1 / (1 + 0.8 * share)
    a = 0.8 * share * h
    done = np.zeros(h.size, dtype=bool)
    rows = np.arange(h.size)
    for _ in range(20):
        part, aa, hh = x.rows(rows), a[rows], h[rows]
        y, r = part.held, part.r
        z = hh[:, None] * y - aa[:, None]
        m = _hazard(z)
        bend = m * (m - z)
        tilt = bend * y
        ga = m.sum(axis=1) - r * aa
        gh = r / hh - (m * y).sum(axis=1) - r * hh
        caa, cah, chh = bend.sum(axis=1) + r, -tilt.sum(axis=1), r / hh**2 + (tilt * y).sum(axis=1) + r
        det = caa * chh - cah * cah
        da, dh = (chh * ga - cah * gh) / det, (caa * gh - cah * ga) / det
        step = np.minimum(1.0, np.minimum(0.7 * hh / np.maximum(-dh, 1e-300), 2.0 * hh / np.maximum(dh, 1e-300)))
        a[rows], h[rows] = aa + step * da, hh + step * dh
        small = np.abs(da) + np.abs(dh) / hh < _CLOSE
        done[rows[small]] = True
        rows = rows[~small]
        if not rows.size:
            break
    return a, h, done


def _constrained(x: _Series, w: float) -> tuple[Array, Flags]:
    """1 / spread of largest likelihood with the percentile held at the claim; Newton steps (concave)."""
    sum1, sum2 = -x.r * x.edge, x.r * (1 + x.edge**2)
    # start: the root with the survivors left out
    h = (-w * sum1 + np.sqrt((w * sum1) ** 2 + 4 * x.r * sum2)) / (2 * sum2)
    done = np.zeros(h.size, dtype=bool)
    rows = np.arange(h.size)
    gap = x.held - x.edge[:, None]
    for _ in range(20):
        g, r, hh = gap[rows], x.r[rows], h[rows]
        z = hh[:, None] * g + w
        m = _hazard(z)
        tilt = m * g
        slope = r / hh - tilt.sum(axis=1) - hh * sum2[rows] - w * sum1[rows]
        curve = r / hh**2 + (tilt * (m - z) * g).sum(axis=1) + sum2[rows]
        step = np.clip(slope / curve, -0.7 * hh, 2.0 * hh)
        h[rows] = hh + step
        small = np.abs(step) < _CLOSE * hh
        done[rows[small]] = True
        rows = rows[~small]
        if not rows.size:
            break
    return h, done
