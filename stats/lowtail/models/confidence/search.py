"""From data to a grid, and from a grid to the bound: what single samples and batches share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from lowtail._shared.checks import door
from lowtail.errors import InputError, NoAnswerError
from lowtail.models.confidence.nodes import Nodes, normal_nodes, weibull_nodes
from lowtail.models.confidence.predictive import Predictive, stated
from lowtail.models.confidence.quadrature import FINE
from lowtail.models.distributions.families import Family, name_of
from lowtail.models.distributions.likelihood import Scaled

__all__ = ["ScalePrior", "build", "common_scale", "solve"]

Array = NDArray[np.float64]

_ROOT_STEPS, _HALVINGS = 80, 200
_NEAR = 0.1  # log odds
_OFF = 1e-6  # of the probability asked for, by which a bound may miss it


@door
@dataclass(frozen=True, slots=True, kw_only=True)
class ScalePrior:
    """What earlier series say about the scatter: a predictive of ``ln(1 / scale parameter)`` with a middle and a width.

    Stated, it is normal. Made by `scale_prior`, it is the whole mixture that the series leave open.

    Attributes
    ----------
    shape : float
        Middle of the Weibull shape (lognormal: of 1 / standard deviation of ln load), greater than 0.
    width : float
        Standard deviation of ``ln(shape)`` of a further series, greater than 0; 0.2 means within about 20 %.
    source : str
        Where it comes from; printed with every result.
    family : str
        The distribution it holds for; "" where the user states it for the one in use.
    mixture : Predictive, optional
        The whole predictive, from `scale_prior`.

    Raises
    ------
    InputError
        If ``shape`` or ``width`` is not a finite number greater than 0.

    See Also
    --------
    scale_prior : made from earlier series.
    lower_bound : takes it as `prior`.

    Examples
    --------
    >>> import lowtail as lt
    >>> known = lt.ScalePrior(shape=20.0, width=0.2)
    >>> loads = [24.1, 25.3, 22.8]
    >>> lt.lower_bound(loads, prior=known).low > lt.lower_bound(loads).low
    True
    """

    shape: float
    width: float
    source: str = "stated by the user"
    family: str = ""
    mixture: Predictive | None = field(default=None, repr=False, compare=False)

    def __post_init__(self) -> None:
        for name in ("shape", "width"):
            value = getattr(self, name)
            if not (np.isfinite(value) and value > 0):
                raise InputError(f"`{name}` of a scale prior must be a finite number greater than 0, got {value!r}.")

    @property
    def lent(self) -> Predictive:
        """The predictive of ``ln(1 / scale parameter)``."""
        return stated(self.shape, self.width) if self.mixture is None else self.mixture

    def check_family(self, family: Family) -> None:
        """Refuse a distribution whose scatter this says nothing about."""
        if not family.on_log:
            raise InputError(
                "A scale prior holds for the weibull and lognormal distributions; the scatter of the normal is in kN."
            )
        if self.family not in ("", family.name):
            raise InputError(
                f"`prior` comes from earlier series under the {name_of(self.family)} distribution and says nothing of "
                f"the scatter under the {family.name}. Make it with scale_prior(series, {family.name!r})."
            )

    def __str__(self) -> str:
        return f"shape {self.shape:.3g}, known to a factor exp(+-{self.width:.2g}) from {self.source}"


def common_scale(groups: Sequence[Scaled]) -> tuple[Scaled, ...]:
    """Put every group on the scale of the first (row by row), so that they can share a spread."""
    first = groups[0]
    out = [first]
    for g in groups[1:]:
        z = g.z * (g.scale / first.scale)[:, None]
        out.append(Scaled(z, g.fail, g.held, g.centre, first.scale, g.n, g.r, g.distinct, g.bounded, g.bad))
    return tuple(out)


def build(
    family: Family,
    groups: Sequence[Scaled],
    reach: float,
    tail: float,
    prior: ScalePrior | None = None,
    grid: tuple[float, float] = FINE,
) -> Nodes:
    """Grid of a family for groups that share a spread (the first is the target); see `weibull_nodes`."""
    if prior is None:
        make = weibull_nodes if family.name == "weibull" else normal_nodes
        return make(groups, reach, tail, grid=grid)
    lent, shift = prior.lent, np.log(groups[0].scale)[:, None]

    def log_prior(t: Array) -> Array:
        return lent.log_at(t - shift)

    if family.name == "weibull":
        return weibull_nodes(groups, reach, tail, extra=1, prior=log_prior, prior_width=lent.sharpest, grid=grid)
    return normal_nodes(groups, reach, tail, prior=log_prior, prior_width=lent.sharpest, grid=grid)


def solve(nodes: Nodes, w: float, tail: float) -> Array:
    """``q`` with P(location + w spread <= q) = tail for every row.

    Newton on the log odds inside a bracket; below a reference value the step is taken in the logarithm of the distance
    from it, in which the far tail (a power distribution) is straight.
    """
    middle = nodes.middle(w)
    q = _start(nodes.weight, middle, tail)
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
            gap = np.log(below) - np.log1p(-below) - goal
            step = -gap * below * (1 - below) / dens
            far = reference - q
            new = np.where(far > 0, reference - far * np.exp(-step / np.where(far > 0, far, 1.0)), q + step)
        inside = np.isfinite(new) & (new >= low) & (new <= high)
        both = np.isfinite(low) & np.isfinite(high)
        half = 0.5 * (np.where(both, low, 0.0) + np.where(both, high, 0.0))
        new = np.where(inside, new, np.where(both, half, np.where(over, q - stride, q + stride)))
        stride = np.where(inside, stride, 2.0 * stride)
        # quadratic: this step ends it; but far out, where nothing changes, a step is small beside q and ends nothing
        close = inside & (np.abs(new - q) <= 1e-8 * (np.abs(q) + stride)) & (np.abs(gap) < _NEAR)
        q = np.where(done, q, new)
        done |= close
        if done.all():
            return np.asarray(q)
    return np.where(done, q, _halve(nodes, w, tail, low, high, done))


def _start(weight: Array, middle: Array, tail: float) -> Array:
    """Quantile of the central values, where the search starts."""
    rows = np.arange(weight.shape[0])
    q = middle[rows, (weight.cumsum(axis=1) >= tail).argmax(axis=1)]
    back = np.flatnonzero(middle[:, 0] > q)  # central values that fall as k rises: few breaks of many, seen far above
    if back.size:
        order = np.argsort(middle[back], axis=1)
        sums = np.take_along_axis(weight[back], order, axis=1).cumsum(axis=1)
        place = order[np.arange(back.size), (sums >= tail).argmax(axis=1)]
        q[back] = middle[back, place]
    return np.asarray(q)


def _halve(nodes: Nodes, w: float, tail: float, low: Array, high: Array, done: NDArray[np.bool_]) -> Array:
    """Plain halving of the brackets, for rows whose Newton steps did not settle; refuses what it cannot settle."""
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        over = nodes.cdf(middle, w)[0] > tail
        high, low = np.where(over, middle, high), np.where(over, low, middle)
    off = np.abs(nodes.cdf(high, w)[0] - tail)
    if not (done | (off <= _OFF * min(tail, 1 - tail))).all():
        raise NoAnswerError(
            f"The search for a bound did not settle (probability {tail:.4g} below it asked for, missed by "
            f"{float(np.nanmax(np.where(done, 0.0, off))):.2g}). Check the loads for a slip of the unit, or ask for a "
            "confidence nearer to 0.5."
        )
    return high
