"""The up-and-down estimate of a staircase with equal steps, and its small-sample form."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special, stats

from lowtail._shared.checks import door
from lowtail._shared.choices import AXES, Axis
from lowtail._shared.interval import Interval
from lowtail._shared.numbers import down, up
from lowtail._shared.record import Record
from lowtail.errors import InputError, NoAnswerError

__all__ = ["UpAndDown", "up_and_down"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
SpreadFrom = Literal["estimated", "step"]
ASSUMED = (0.5, 1.0, 2.0)  # spreads, in steps, between which the small-sample interval must hold


@dataclass(frozen=True, slots=True, kw_only=True)
class UpAndDown(Record):
    """The up-and-down estimate of a staircase with equal steps.

    Attributes
    ----------
    mean, std : float
        Middle and standard deviation on the axis of the steps (natural log of severity where ``axis`` is "log").
    median_severity : float
        Severity at which half break.
    median_low, median_high : float
        Its two-sided interval; NaN where the spread is estimated (`drop_response` gives one).
    confidence : float
        Of the interval.
    step : float
        On the same axis.
    spread_from : str
        "estimated", or "step": taken as equal to the step, which no drop has shown.
    event : str
        "broke" or "held": the rarer one, whose counts are used.
    n_event, sum_i, sum_i2 : int
        N, A and B of the method: events, and their sums of level numbers and of squares.
    std_usable : bool
        Whether (N B - A^2) / N^2 exceeds 0.3, as the formula for the standard deviation requires; False where the
        spread is taken as the step.
    """

    mean: float
    std: float
    median_severity: float
    median_low: float
    median_high: float
    confidence: float
    step: float
    spread_from: str
    event: str
    n_event: int
    sum_i: int
    sum_i2: int
    std_usable: bool

    def confidence_interval(self) -> Interval:
        """Two-sided interval of the median severity."""
        return Interval(self.median_low, self.median_high, self.confidence)

    def __str__(self) -> str:
        if self.spread_from == "step":
            return (
                f"Up-and-down estimate with the spread assumed equal to the step ({self.step:.3g} on its axis): half "
                f"break at {self.median_severity:.4g} ({self.confidence * 100:g} % interval {down(self.median_low)} to "
                f"{up(self.median_high)}, right for spreads of half to twice the step); nothing is shown of the spread."
            )
        doubt = "" if self.std_usable else "; the standard deviation must not be used"
        return (
            f"Up-and-down estimate from {self.n_event} of the rarer outcome ({self.event}): half break at "
            f"{self.median_severity:.4g}, standard deviation {self.std:.3g} on the axis of the steps{doubt}."
        )


@door
def up_and_down(
    severity: ArrayLike,
    broke: ArrayLike,
    *,
    step: float | None = None,
    axis: Axis = "plain",
    spread: SpreadFrom = "estimated",
    confidence: float = 0.95,
) -> UpAndDown:
    """Up-and-down estimate of the middle severity and its spread (the staircase of ISO 7765-1 and ISO 6603-1).

    ``spread="estimated"``: mean = lowest level + step (A / N + 1/2) with the held counted, - 1/2 with the broken;
    standard deviation = 1.620 step ((N B - A^2) / N^2 + 0.029). For steps of 0.5 to 2 standard deviations and 20 drops
    or more; for an interval, or the low tail, use `drop_response`.

    ``spread="step"``, for 4 to 10 drops: the most likely middle of a normal distribution whose standard deviation
    equals the step. Nothing is learnt of the spread. The interval is the farthest of the likelihood intervals at
    spreads of half, one and two steps, at half the nominal share of misses: over all series of 4 to 10 drops it holds
    the truth at least as often as it says while the true spread lies between half and twice the step, and not beyond.

    Parameters
    ----------
    severity, broke : array_like, shape (n,)
        Severities on one ladder of equal steps (equal ratios where ``axis="log"``), and outcomes.
    step : float, optional
        Step on the axis (natural log of the ratio for "log"); default: the smallest gap found.
    axis : {"plain", "log"}
    spread : {"estimated", "step"}
    confidence : float
        Of the interval, two-sided, between 0.5 and 1 (ends excluded).

    Raises
    ------
    InputError
        If the severities do not lie on one ladder, or an argument is out of range.
    NoAnswerError
        If one outcome never happened.

    See Also
    --------
    drops.drop_response : intervals and the low tail.
    drops.next_drop : the next severity to test.

    References
    ----------
    Dixon and Mood (1948), Journal of the American Statistical Association 43, 109-126; Dixon (1965), the same journal
    60, 967-978, for few drops (formulas from memory).

    Examples
    --------
    >>> up_and_down([2, 3, 2, 3, 2, 1, 2, 1, 2, 3], [0, 1, 0, 1, 1, 0, 1, 0, 0, 1]).mean
    2.1
    >>> few = up_and_down([2.0, 2.5, 2.0, 2.5], [0, 1, 0, 0], spread="step")
    >>> round(few.median_severity, 2), round(few.median_low, 1), round(few.median_high, 1)
    (2.65, 1.5, 4.7)
    """
    _check(step, axis, spread, confidence)
    value, fell = np.asarray(severity, dtype=float), np.asarray(broke, dtype=bool)
    if value.ndim != 1 or value.shape != fell.shape or not (np.isfinite(value) & (value > 0)).all():
        raise InputError("`severity` and `broke` must be one-dimensional of equal length, severities above 0.")
    t = np.log(value) if axis == "log" else value
    levels = np.unique(t)
    if levels.size < 2 or fell.all() or not fell.any():
        raise NoAnswerError(
            "An up-and-down estimate needs drops at 2 levels or more, of which some broke and some held."
        )
    gap = float(np.diff(levels).min()) if step is None else float(step)
    rung = (t - t.min()) / gap
    if not np.allclose(rung, np.rint(rung), atol=0.02):
        raise InputError(
            f"The severities do not lie on one ladder of equal steps ({gap:.4g} on the {axis} axis). Use "
            "`drop_response`."
        )
    rare = fell if fell.sum() <= (~fell).sum() else ~fell
    event = "broke" if rare is fell else "held"
    base = float(t[rare].min())
    i = np.rint((t[rare] - base) / gap).astype(int)
    n, a, b = int(i.size), int(i.sum()), int((i**2).sum())
    variance = (n * b - a * a) / n**2
    mean, std = base + gap * (a / n + (0.5 if event == "held" else -0.5)), 1.620 * gap * (variance + 0.029)
    low = high = float("nan")
    if spread == "step":
        place = np.rint(rung)
        mean, std = float(t.min()) + gap * _middle(place, fell, 1.0), gap
        low, high = (float(t.min()) + gap * end for end in _interval(place, fell, confidence))
    back = np.exp if axis == "log" else float
    return UpAndDown(
        mean=float(mean),
        std=float(std),
        median_severity=float(back(mean)),
        median_low=float(back(low)),
        median_high=float(back(high)),
        confidence=confidence,
        step=gap,
        spread_from=spread,
        event=event,
        n_event=n,
        sum_i=a,
        sum_i2=b,
        std_usable=bool(variance > 0.3) and spread == "estimated",
    )


def _check(step: float | None, axis: str, spread: str, confidence: float) -> None:
    if axis not in AXES:
        raise InputError(f"`axis` must be 'log' or 'plain', got {axis!r}.")
    if spread not in get_args(SpreadFrom):
        raise InputError(f"`spread` must be 'estimated' or 'step', got {spread!r}.")
    if not 0.5 < confidence < 1:
        raise InputError(f"`confidence` must lie between 0.5 and 1 (ends excluded), got {confidence!r}. Usual: 0.95.")
    if step is not None and not (np.isfinite(step) and step > 0):
        raise InputError(f"`step` must be greater than 0, got {step!r}.")


def _log_likelihood(place: Array, fell: Flags, middle: float, spread: float) -> float:
    z = (place - middle) / spread
    return float(special.log_ndtr(np.where(fell, z, -z)).sum())


def _middle(place: Array, fell: Flags, spread: float) -> float:
    """Most likely middle, in rungs of the ladder, of a normal distribution of this spread."""
    from scipy.optimize import minimize_scalar

    reach = 6 * spread
    found = minimize_scalar(
        lambda m: -_log_likelihood(place, fell, m, spread),
        bounds=(place.min() - reach, place.max() + reach),
        method="bounded",
        options={"xatol": 1e-9},
    )
    return float(found.x)


def _interval(place: Array, fell: Flags, confidence: float) -> tuple[float, float]:
    """Farthest ends of the likelihood intervals at the spreads `ASSUMED`."""
    from scipy.optimize import brentq

    critical = float(stats.chi2.ppf((1 + confidence) / 2, 1))
    ends = []
    for spread in ASSUMED:
        top = _middle(place, fell, spread)
        floor = _log_likelihood(place, fell, top, spread) - critical / 2

        def short(m: float, spread: float = spread, floor: float = floor) -> float:
            return _log_likelihood(place, fell, m, spread) - floor

        far = 20 * spread + float(np.ptp(place))
        ends += [brentq(short, top - far, top), brentq(short, top, top + far)]
    return float(min(ends)), float(max(ends))
