"""A force-time record: the whole of it, and the event around its peak with what sampling may have missed."""

from __future__ import annotations

import warnings
from itertools import pairwise

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from lowtail._shared.checks import door
from lowtail.errors import InputError, LowtailWarning
from lowtail.logs.traces.budget import kN_text
from lowtail.logs.traces.peak import PeakLoad, peak_load
from lowtail.logs.traces.trace import Trace
from lowtail.report import style

__all__ = ["thin", "trace"]

_POINTS = 4000  # drawn at most: minimum and maximum of each of 2000 bins


def thin(time: NDArray[np.float64], force: NDArray[np.float64], points: int = _POINTS) -> NDArray[np.int64]:
    """Indices of the samples to draw: every one, or the lowest and the highest of each bin, so that no peak is lost.

    Examples
    --------
    >>> import numpy as np
    >>> force = np.zeros(100_000); force[70_123] = 9.0
    >>> 70_123 in thin(np.arange(100_000.0), force)
    True
    """
    n = force.size
    if n <= points:
        return np.arange(n)
    edges = np.linspace(0, n, points // 2 + 1).astype(np.int64)
    lows = [a + int(np.argmin(force[a:b])) for a, b in pairwise(edges)]
    highs = [a + int(np.argmax(force[a:b])) for a, b in pairwise(edges)]
    return np.unique(np.concatenate([lows, highs, [0, n - 1]]))


@door
def trace(trace: Trace, peak: PeakLoad | None = None, ax: Axes | None = None, *, whole: bool = False) -> Axes:
    """Draw the event with its peak, the fall after it, the loading rate, and what sampling may have missed.

    The band stands on the highest sample and reaches to the worst case; its dashed line is the average case. Samples
    are drawn as points where they are few enough to be told apart.

    Parameters
    ----------
    trace : Trace
        The record.
    peak : PeakLoad, optional
        Its peak from `peak_load`; default: read here, with what is known from the record alone.
    ax : matplotlib Axes, optional
        Where to draw; default: a new figure.
    whole : bool
        Draw the whole record instead of the event.

    Returns
    -------
    matplotlib Axes

    Raises
    ------
    InputError
        If ``trace`` or ``peak`` is something else, or the peak belongs to another trace.

    See Also
    --------
    trace.peak_load : the peak drawn.
    trace.read_trace : the record.
    plot.save : write the figure.

    Examples
    --------
    >>> import matplotlib; matplotlib.use("Agg")
    >>> from lowtail.logs.traces.trace import check_trace
    >>> force = [0.0] * 30 + [2.0 * i for i in range(12)] + [0.0] * 30
    >>> trace(check_trace(force, rate_hz=1000)).get_ylabel()
    'force [kN]'
    """
    if peak is None:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", LowtailWarning)  # the figure itself shows the few samples
            peak = peak_load(trace)
    if not isinstance(peak, PeakLoad) or peak.name != trace.name:
        raise InputError(f"`peak` must be the PeakLoad of trace {trace.name!r}, got {peak!r:.60}.")
    a, b = (0, trace.n - 1) if whole else _window(trace, peak)
    time, scale, unit = _time_axis(trace.time_s[a : b + 1], peak.at_s)
    force = trace.force_kN[a : b + 1]
    with style.quiet():
        ax = style.new_axes(ax, 6.9, 3.7)
        pick = thin(time, force)
        look = style.look("slow pull")
        few = pick.size <= 150
        ax.plot(
            time[pick], force[pick], color=look.colour, linewidth=1.2, gid="force",
            marker="o" if few else None, markersize=3.2, label="force as recorded" + (", each sample" if few else ""),
        )  # fmt: skip
        _draw_band(ax, trace, peak, scale)
        _draw_marks(ax, trace, peak, scale)
        ax.grid(True, axis="y")
        ax.set_xlabel(f"time [{unit}], counted from the peak")
        ax.set_ylabel("force [kN]")
        ax.set_title(trace.name)
        top = peak.peak_kN + (peak.under_read_worst_kN if np.isfinite(peak.under_read_worst_kN) else 0.0)
        ax.set_ylim(min(float(force.min()), 0.0) - 0.03 * top, 1.14 * top)
        ax.legend(loc="upper left", bbox_to_anchor=(0, -0.17), ncols=2, borderaxespad=0.2)
    return ax


def _window(trace: Trace, peak: PeakLoad) -> tuple[int, int]:
    """Samples of the event with a fifth of its length on both sides."""
    event = trace.events[peak.event - 1]
    margin = max(int(0.2 * (event.last - event.first)), 8)
    return max(event.first - margin, 0), min(event.last + margin, trace.n - 1)


def _time_axis(time: NDArray[np.float64], zero: float) -> tuple[NDArray[np.float64], float, str]:
    scale, unit = (1000.0, "ms") if time[-1] - time[0] < 1.0 else (1.0, "s")
    return (time - zero) * scale, scale, unit


def _draw_band(ax: Axes, trace: Trace, peak: PeakLoad, scale: float) -> None:
    """Band between the highest sample and what it may stand for."""
    worst, mean = peak.under_read_worst_kN, peak.under_read_kN
    if peak.clipped:
        ax.axhline(
            peak.peak_kN, color=style.WARN, linewidth=1.2, linestyle=(0, (4, 2)), label="cut off here", gid="clipped"
        )
        return
    if not np.isfinite(worst):
        return
    ax.axhspan(peak.peak_kN, peak.peak_kN + worst, color=style.BAND, linewidth=0, zorder=0, gid="under-read",
               label=f"sampling may have missed up to {kN_text(worst)}")  # fmt: skip
    ax.axhline(peak.peak_kN + mean, color=style.MUTED, linewidth=0.9, linestyle=(0, (2, 2)), zorder=1, gid="mean",
               label=f"on average {kN_text(mean)}")  # fmt: skip


def _draw_marks(ax: Axes, trace: Trace, peak: PeakLoad, scale: float) -> None:
    ink = style.look("shock")
    sign = "at least " if peak.clipped else ""
    ax.plot([0], [peak.peak_kN], linestyle="none", marker="D", markersize=6, color=ink.colour, zorder=4, gid="peak",
            label=f"peak {sign}{peak.peak_kN:.4g} kN")  # fmt: skip
    broke = {True: "sudden fall: a break", False: "", None: "a break, or the far side of the pulse?"}[peak.broke_after]
    after = trace.time_s > peak.at_s
    low = after & (trace.force_kN < 0.5 * peak.peak_kN)
    if peak.broke_after is not False and low.any():
        x = (float(trace.time_s[int(np.argmax(low))]) - peak.at_s) * scale
        ax.axvline(x, color=style.WARN, linewidth=1.1, linestyle=(0, (5, 2)), zorder=1, gid="break", label=broke)
    base = trace.before_kN if np.isfinite(trace.before_kN) else 0.0
    span = peak.peak_kN - base
    level = base + 0.2 * span
    rising = np.flatnonzero((trace.time_s <= peak.at_s) & (trace.force_kN < level))
    if rising.size and peak.rise_ms > 0:
        two = slice(int(rising[-1]), int(rising[-1]) + 2)
        start = (float(np.interp(level, trace.force_kN[two], trace.time_s[two])) - peak.at_s) * scale
        stop = start + peak.rise_ms / 1000 * scale
        rate = peak.loading_rate_kN_per_s
        shown = f"{rate:.3g}" if rate < 1000 else f"{rate:.0f}"
        ax.plot([start, stop], [base + 0.2 * span, base + 0.8 * span], color=style.INK, linewidth=2.4, alpha=0.45,
                zorder=2, gid="rate", label=f"20 to 80 % of the peak: {shown} kN/s")  # fmt: skip
