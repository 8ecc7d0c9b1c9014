"""The shape of one event: rise, width, fall, and what an unbroken pulse of that rise would have looked like."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, stats

__all__ = ["Pulse", "Unbroken", "fell", "measure", "unbroken"]

Array = NDArray[np.float64]
_POINTS = 300  # points that the robust slope is taken over


@dataclass(frozen=True, slots=True)
class Pulse:
    """What one event shows around its peak; times in s, forces in kN above the quiet level."""

    top: int
    peak_kN: float
    rate_kN_per_s: float
    rise_s: float
    half_rise_s: float
    half_width_s: float
    n_above_90: int
    n_rise: int
    end_slope_kN_per_s: float
    few: bool


@dataclass(frozen=True, slots=True)
class Unbroken:
    """The half-sine that the rise belongs to: base width in s, and the share of its crest at which the rise ended."""

    width_s: float
    share: float
    ramp: bool


def _last_below(force: Array, top: int, level: float, floor: int) -> int:
    """Last sample before the top that lies below a level, or ``floor``."""
    below = np.flatnonzero(force[floor:top] < level)
    return floor + int(below[-1]) if below.size else floor


def _first_below(force: Array, top: int, level: float) -> int:
    """First sample after the top that lies below a level, or the last sample."""
    for a in range(top + 1, force.size, 1_000_000):
        below = np.flatnonzero(force[a : a + 1_000_000] < level)
        if below.size:
            return a + int(below[0])
    return force.size - 1


def _crossing(time: Array, force: Array, i: int, j: int, level: float) -> float:
    """Time between neighbours i and j at which the force passes a level, by a straight line."""
    if force[i] == force[j]:
        return float(time[i])
    share = np.clip((level - force[i]) / (force[j] - force[i]), 0.0, 1.0)
    return float(time[i] + share * (time[j] - time[i]))


def measure(time: Array, force: Array, first: int, last: int, rate_hz: float) -> Pulse:
    """Rise, width and slope of the event between two samples; ``force`` is counted from the quiet level."""
    top = first + int(np.argmax(force[first : last + 1]))
    peak = float(force[top])
    floor = _last_below(force, top, 0.05 * peak, 0)
    at = {}
    for share in (0.2, 0.5):
        i = _last_below(force, top, share * peak, floor)
        at[share] = (i, _crossing(time, force, i, i + 1, share * peak) if i < top else float(time[top]))
    i20, t20 = at[0.2]
    over = np.flatnonzero(force[i20 : top + 1] >= 0.8 * peak)
    i80 = i20 + int(over[0])
    t80 = _crossing(time, force, i80 - 1, i80, 0.8 * peak) if i80 > 0 else float(time[0])
    band = slice(i20 + 1, i80)
    few = i80 - i20 - 1 < 3
    rise = max(t80 - t20, 0.25 / rate_hz)
    rate = 0.6 * peak / rise if few else _robust_slope(time[band], force[band])
    down = _first_below(force, top, 0.5 * peak)
    t_down = _crossing(time, force, down - 1, down, 0.5 * peak)
    left, right = _last_below(force, top, 0.9 * peak, floor), _first_below(force, top, 0.9 * peak)
    return Pulse(
        top=top,
        peak_kN=peak,
        rate_kN_per_s=rate,
        rise_s=rise,
        half_rise_s=float(time[top]) - at[0.5][1],
        half_width_s=t_down - at[0.5][1],
        n_above_90=int((force[left : right + 1] >= 0.9 * peak).sum()),
        n_rise=top - floor,
        end_slope_kN_per_s=_end_slope(time, force, at[0.5][0], top, rate),
        few=few,
    )


def _robust_slope(time: Array, force: Array) -> float:
    """Median of the slopes between all pairs of at most 300 evenly chosen points (Theil 1950, Sen 1968)."""
    pick = np.unique(np.linspace(0, time.size - 1, min(time.size, _POINTS)).astype(int))
    return float(stats.theilslopes(force[pick], time[pick])[0])


def _end_slope(time: Array, force: Array, half: int, top: int, rate: float) -> float:
    """Slope at the top of the rise: a parabola through the samples above half the peak, or the last step."""
    part = slice(half + 1, top + 1)
    count = top - half
    if count >= 5:
        pick = half + 1 + np.unique(np.linspace(0, count - 1, min(count, 2000)).astype(int))
        x = time[pick] - time[top]
        span = -float(x[0])
        if span > 0:
            slope = np.polyfit(x / span, force[pick], 2)[1] / span
            return float(max(slope, 0.0))
    if count >= 2:
        step = float(time[part][-1] - time[part][-2])
        return float(max(force[top] - force[top - 1], 0.0)) / step if step > 0 else rate
    return rate


def unbroken(pulse: Pulse) -> Unbroken:
    """Find the half-sine with the rise's own half-height time and end slope.

    With th the angle at which the rise ends and h = asin(sin(th)/2) the angle at half of it, the end slope times the
    time between them over the peak is ``(th - h) / tan(th)``: 1/2 for a straight line (th = 0), 0 at the crest.
    """
    ratio = pulse.end_slope_kN_per_s * pulse.half_rise_s / pulse.peak_kN

    def shape(th: float) -> float:
        return float((th - np.arcsin(np.sin(th) / 2)) / np.tan(th))

    low, high = 0.02, np.pi / 2
    if not ratio < shape(low):
        return Unbroken(np.inf, 0.0, True)
    th = high if ratio <= 0 else float(optimize.brentq(lambda a: shape(a) - ratio, low, high))
    width = np.pi * pulse.half_rise_s / (th - np.arcsin(np.sin(th) / 2))
    return Unbroken(float(width), float(np.sin(th)), False)


def fell(time: Array, force: Array, pulse: Pulse, rate_hz: float, share: float, within_s: float | None) -> bool | None:
    """Whether a break followed the peak; None where the sampling cannot tell it from the far side of a short pulse.

    With ``within_s`` the rule is plain: a fall of more than ``share`` of the peak within that time. Without it the fall
    is compared with the unloading of an unbroken half-sine whose rise takes as long as this one: a break falls in less
    than two thirds of that time, and in at most 50 ms.
    """
    last_high = _first_below(force, pulse.top, 0.9 * pulse.peak_kN) - 1
    low = _first_below(force, pulse.top, (1 - share) * pulse.peak_kN)
    if force[low] >= (1 - share) * pulse.peak_kN:
        return None if time[-1] - time[pulse.top] < max(within_s or 0.05, 2 / rate_hz) else False
    last_high = max(last_high, pulse.top)
    took = float(time[low] - time[last_high])
    limit = 0.05 if within_s is None else within_s
    if took > max(limit, 1.5 / rate_hz):
        return False
    if within_s is not None:
        return True
    steps_up = pulse.half_rise_s * rate_hz
    if steps_up < 1.0:
        return None
    a_step = np.pi / 3 / steps_up  # angle a sample if the rise from half height were that of a whole half-sine
    high = np.arccos(np.clip(force[last_high] / pulse.peak_kN, -1, 1))
    far = np.arccos(np.clip(force[low] / pulse.peak_kN, 0, 1))
    if far - high > 1.5 * a_step * took * rate_hz:
        return True
    return None if steps_up < 3.0 else False
