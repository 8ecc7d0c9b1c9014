"""Strength against age (or another column): every specimen, the fitted lines and the band of the low percentile."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from lowtail._shared.checks import door
from lowtail.claims.trend.retention import Retention
from lowtail.glossary import titled
from lowtail.report import style

__all__ = ["retention"]

_POINTS = 21


@door
def retention(answer: Retention, ax: Axes | None = None) -> Axes:
    """Draw strength against the column of a retention answer.

    Filled markers broke, open ones with an arrow held. The thin line is the typical strength, the dashed one the low
    strength, the band its two-sided interval; the lower edge of the band, drawn thick, is the bound. Lines end where
    testing ended: nothing is drawn outside the tested range.

    Parameters
    ----------
    answer : Retention
    ax : matplotlib Axes, optional

    Returns
    -------
    matplotlib Axes

    Raises
    ------
    InputError
        If ``answer`` is not a Retention.

    See Also
    --------
    trend.retention : the answer drawn.
    plot.save : write the figure.

    Examples
    --------
    >>> import matplotlib; matplotlib.use("Agg")
    >>> import pandas as pd
    >>> import lowtail as lt
    >>> table = pd.DataFrame({"load_kN": [24.1, 23.8, 22.9, 22.5, 21.4, 21.0], "broke": True, "used": True,
    ...                       "age_years": [1.0, 1, 4, 4, 8, 8], "item": "sling"})
    >>> axes = lt.plot.retention(lt.trend.retention(table, by="item", family="lognormal", power=False))
    >>> axes.get_xlabel()
    'age [years]'
    """
    look = style.LOOKS[0]
    levels = answer.column.levels
    settings: list[float | str]
    if levels:
        settings, place = list(levels), np.array([0.0, 1.0])
    else:
        low, high = float(answer.value.min()), float(answer.value.max())
        place = np.geomspace(low, high, _POINTS) if answer.axis == "log" else np.linspace(low, high, _POINTS)
        place = np.clip(place, low, high)
        settings = [float(v) for v in place]
    typical = np.array([answer.estimate_at(v, fraction_below=0.5) for v in settings])
    weak = np.array([answer.estimate_at(v) for v in settings])
    bound = np.array([answer.low_at(v) for v in settings])
    upper = np.array([answer.low_at(v, confidence=1 - answer.confidence) for v in settings])
    above, sure = f"{100 * (1 - answer.fraction_below):g} %", f"{100 * answer.confidence:g} %"
    with style.quiet():
        ax = style.new_axes(ax, 6.2, 4.0)
        ax.grid(True, axis="both")
        _band(ax, place, bound, upper, bool(levels), f"its interval, {sure} on each side")
        mark = look.marker if levels else ""
        ax.plot(place, typical, color=look.colour, linewidth=1.0, marker="", gid="typical", label="typical strength")
        ax.plot(
            place,
            weak,
            color=look.colour,
            linestyle=(0, (4, 2)),
            gid="estimate",
            label=f"{above} stronger, estimate",
        )
        ax.plot(place, bound, color=style.INK, linewidth=2.2, gid="low", label=f"lower bound, {sure} confidence")
        if np.isfinite(answer.rating_kN):
            ax.axhline(answer.rating_kN, gid="rated", label="rating", **style.rating())
        _specimens(ax, answer, style.Look(look.colour, mark or look.marker))
        _axes(ax, answer, place, levels)
    return ax


def _band(ax: Axes, place: Any, bound: Any, upper: Any, two: bool, label: str) -> None:
    if two:
        for i, x in enumerate(place):
            ax.fill_between(
                [x - 0.09, x + 0.09], bound[i], upper[i], color=style.BAND, linewidth=0, label=label if i == 0 else None
            )
        return
    ax.fill_between(place, bound, upper, color=style.BAND, linewidth=0, label=label)


def _specimens(ax: Axes, answer: Retention, look: style.Look) -> None:
    broke, held = answer.broke, ~answer.broke
    common: dict[str, Any] = {"linestyle": "none", "zorder": 4}
    if held.any():
        ax.plot(answer.value[held], answer.load[held], **_upward(look), **common)
        ax.plot(answer.value[held], answer.load[held], label="held: at least this strong", **style.held(look), **common)
    ax.plot(answer.value[broke], answer.load[broke], label="broke", **style.broke(look), **common)


def _upward(look: style.Look) -> dict[str, Any]:
    """The arrow of a specimen that held, pointing up: its strength lies that way."""
    from matplotlib.path import Path as Outline

    arrow = style.arrow(look)
    arrow["marker"] = Outline([(0, 0), (0, 1), (0.2, 0.72), (0, 1), (-0.2, 0.72)], [1, 2, 1, 2, 2])
    return arrow


def _axes(ax: Axes, answer: Retention, place: NDArray[np.float64], levels: tuple[str, ...]) -> None:
    if levels:
        ax.set_xticks([0.0, 1.0], list(levels))
        ax.set_xlim(-0.5, 1.5)
    else:
        if answer.axis == "log":
            from matplotlib.ticker import FixedLocator, NullLocator

            ax.set_xscale("log")
            ax.xaxis.set_major_locator(FixedLocator(style.nice_ticks(float(place[0]), float(place[-1]))))
            ax.xaxis.set_minor_locator(NullLocator())
            ax.xaxis.set_major_formatter(lambda value, _position: f"{value:g}")
        else:
            margin = 0.06 * float(place[-1] - place[0])
            ax.set_xlim(float(place[0]) - margin, float(place[-1]) + margin)
    rated = answer.rating_kN if np.isfinite(answer.rating_kN) else float(answer.load.min())
    bottom = min(rated, answer.low, float(answer.load.min()), ax.get_ylim()[0])
    top = max(rated, float(answer.load.max()))
    ax.set_ylim(max(0.0, bottom - 0.06 * (top - bottom)), top + 0.14 * (top - bottom))
    ax.set_xlabel(titled(answer.covariate))
    ax.set_ylabel("load [kN]")
    ax.set_title(style.wrap_title(answer.group or "strength retained", 60))
    ax.legend(loc="upper left", bbox_to_anchor=(0.0, -0.15), ncols=2, borderaxespad=0.2)
