"""Two arms side by side with the ratio on its own axis, and the forest of ratios over many groups."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from lowtail._shared.checks import door
from lowtail._shared.guard import attempt
from lowtail.claims.comparison.answer import Comparison
from lowtail.claims.comparison.joint import Joint
from lowtail.claims.comparison.table import ComparisonTable
from lowtail.errors import InputError
from lowtail.report import phrases, style
from lowtail.report.figures.specimens import draw_specimens, legend_above, legend_entries, wrap_label
from lowtail.report.tables.rows import rows_of

__all__ = ["comparison"]

_NEEDED = ("group", "ratio", "ratio_low", "ratio_high")


@door
def comparison(
    comparison_or_table: Comparison | pd.DataFrame,
    ax: Axes | None = None,
    *,
    margin: float | None = None,
    palette: str | Sequence[str] | Mapping[str, str] | None = None,
) -> Axes:
    """Draw a comparison: every specimen of both arms above, the ratio with its interval below; or a forest of ratios.

    Below 1 the other arm is the weaker. Where a margin was stated, the region that breaks it is shaded. A forest shows
    two limits: the thin line is the two-sided interval, by which a difference is stated; the thick one the band of
    one-sided limits, by which a margin is stated. The diamond below is the joint answer's mean with its interval.

    Parameters
    ----------
    comparison_or_table : Comparison or DataFrame
        One comparison, or the table of `compare_table` (a row a group).
    ax : matplotlib Axes, optional
    margin : float, optional
        Share the other arm must keep, for the shading of a forest; a Comparison brings its own.
    palette : str, sequence of colours or mapping of arm to colour, optional
        Of the two arms, as seaborn takes it; default: the colours of the house.

    Returns
    -------
    matplotlib Axes
        Of the specimens (the ratio stands on the figure's axes labelled "ratio"), or of the forest.

    Raises
    ------
    InputError
        If neither a Comparison nor a table with the columns of `compare_table` is given.

    See Also
    --------
    compare : one comparison.
    compare_table : a comparison in every group.
    plot.save : write the figure.

    Examples
    --------
    >>> import matplotlib; matplotlib.use("Agg")
    >>> import lowtail as lt
    >>> axes = lt.plot.comparison(lt.compare([24.1, 25.3, 24.6, 25.0], [22.0, 23.1, 21.4, 22.6]))
    >>> len(axes.figure.axes)
    2
    """
    if isinstance(comparison_or_table, Comparison):
        with style.quiet():
            return _single(comparison_or_table, ax, palette)
    columns = getattr(comparison_or_table, "columns", ())
    missing = [c for c in _NEEDED if c not in columns]
    if missing or not len(comparison_or_table):
        raise InputError(
            "A comparison figure needs a Comparison, or a table with at least one row and the columns "
            f"{phrases.join(_NEEDED)}; got {type(comparison_or_table).__name__}"
            f"{f' without {phrases.join(missing)}' if missing and len(columns) else ''}."
        )
    with style.quiet():
        return _forest(comparison_or_table, ax, margin)


def _single(result: Comparison, ax: Axes | None, palette: style.Palette | None) -> Axes:
    ax = style.new_axes(ax, 6.2, 3.7)
    looks = list(style.looks((result.reference, result.other), palette).values())
    if looks[0] == looks[-1]:
        looks = list(style.LOOKS[:2])
    top = max(s.highest for s in result.samples)
    least = min(float(s.lower.min()) for s in result.samples)
    reach = 0.10 if any(s.n_censored for s in result.samples) else 0.05
    ax.set_xlim(max(0.0, least - 0.15 * (top - least)), top + max(reach * top, 0.15 * (top - least)))
    typical = (result.typical_reference, result.typical_other)
    draw_specimens(ax, result.samples, (0, 1), looks)
    for level, middle in enumerate(typical):
        if np.isfinite(middle):
            ax.plot(
                [middle], [level + 0.24], marker="^", color=style.INK, linestyle="none", markersize=5, gid="typical"
            )
    names = [f"{name}\n{_made_of(s)}" for name, s in zip((result.reference, result.other), result.samples, strict=True)]
    ax.set_yticks([0, 1], names)
    ax.set_ylim(1.5, -0.6)
    ax.tick_params(axis="y", length=0)
    ax.set_xlabel(f"load [kN]   (triangle: {result.typical})")
    legend_above(ax, legend_entries({}, result.samples))
    below = _axes_below(ax)
    _ratio_line(below, 0, result.ratio, result.ratio_low, result.ratio_high, style.LOOKS[0])
    wide = _limits([result.ratio_low, result.ratio_high, result.margin or 1.0])
    _ratio_axis(below, wide, result.margin)
    below.set_yticks([0], [f"ratio, {phrases.percent(result.confidence)} interval"])
    below.set_ylim(0.6, -0.6)
    below.set_xlabel(
        f"{result.other} / {result.reference}:  {phrases.ratio(result.ratio, result.ratio_low, result.ratio_high)}"
    )
    return ax


def _axes_below(ax: Axes) -> Axes:
    """Give the lower part of the place of ``ax`` to a second axes, labelled "ratio"."""
    figure: Any = ax.get_figure()
    spec = ax.get_subplotspec()
    if spec is not None:
        parts = spec.subgridspec(2, 1, height_ratios=(3, 1))
        ax.set_subplotspec(parts[0])
        below: Axes = figure.add_subplot(parts[1], label="ratio")
        return below
    box = ax.get_position()
    ax.set_position((box.x0, box.y0 + 0.42 * box.height, box.width, 0.58 * box.height))
    low: Axes = figure.add_axes((box.x0, box.y0, box.width, 0.2 * box.height), label="ratio")
    return low


def _made_of(sample: Any) -> str:
    return f"{sample.n_broken} broke" + (f", {sample.n_held} held" if sample.n_held else "")


def _forest(table: pd.DataFrame, ax: Axes | None, margin: float | None) -> Axes:
    ax = style.new_axes(ax, 6.9, 1.6 + 0.46 * (len(table) + 1))
    if margin is None and "margin" in table.columns and table["margin"].notna().any():
        margin = float(table["margin"].dropna().iloc[0])
    joint = _joint(table)
    ends = table[["ratio_low", "ratio_high"]].to_numpy(dtype=float)
    wide = _limits([*ends[np.isfinite(ends)], margin or 1.0])
    for level, row in enumerate(rows_of(table)):
        if np.isfinite(row.ratio):
            _ratio_line(ax, level, row.ratio, row.ratio_low, row.ratio_high, style.LOOKS[0], label_at=wide[1])
            band = [getattr(row, name, np.nan) for name in ("keeps_low", "keeps_high")]
            if np.isfinite(band).all():
                ax.plot(
                    band, [level, level], color=style.LOOKS[0].colour, linewidth=3.6, gid="band", solid_capstyle="butt"
                )
        else:
            ax.annotate("no answer", (1.0, level), ha="center", va="center", color=style.MUTED)
    _ratio_axis(ax, wide, margin)
    names = [wrap_label(str(g), 30) for g in table["group"]]
    if joint is not None:
        names.append(f"mean of these {joint.n_groups}")
        _diamond(ax, len(table), joint)
    ax.set_yticks(range(len(names)), names)
    ax.set_ylim(len(names) - 0.4, -0.6)
    _explain(ax, table, joint)
    first = table.iloc[0]
    arms = (first.get("other", "other"), first.get("reference", "reference"))
    ax.set_xlabel(f"ratio of typical strengths, {arms[0]} / {arms[1]}   (below 1: {arms[0]} is weaker)")
    return ax


def _joint(table: pd.DataFrame) -> Joint | None:
    """The joint answer of a table of `compare_table`; None where it has none."""
    if not isinstance(table, ComparisonTable):
        return None
    found = attempt(lambda: table.joint, who="these groups")
    return found if isinstance(found, Joint) and np.isfinite(found.ratio_low) else None


def _diamond(ax: Axes, level: float, joint: Joint) -> None:
    x, y = [joint.ratio_low, joint.ratio, joint.ratio_high, joint.ratio], [level, level - 0.26, level, level + 0.26]
    ax.fill(x, y, color=style.INK, gid="joint", linewidth=0)
    ax.annotate(
        phrases.ratio(joint.ratio, joint.ratio_low, joint.ratio_high), (1.01, level),
        xycoords=("axes fraction", "data"), va="center", fontsize=8.5, fontweight="bold",
    )  # fmt: skip


def _explain(ax: Axes, table: pd.DataFrame, joint: Joint | None) -> None:
    """A legend of the two lines and the diamond."""
    from matplotlib.lines import Line2D

    if not {"keeps_low", "keeps_high", "confidence"} <= set(table.columns):
        return
    level, one = float(table["confidence"].iloc[0]), style.LOOKS[0].colour
    marks = [
        Line2D([], [], color=one, linewidth=1.6, label=f"{phrases.percent(level)} interval"),
        Line2D([], [], color=one, linewidth=3.6, label=f"{phrases.percent(2 * level - 1)} band"),
    ]
    if joint is not None:
        marks.append(Line2D([], [], color=style.INK, marker="D", linestyle="none", label="mean"))
    down = -0.62 / (0.46 * (len(table) + 1))  # below the axis label, whatever the number of rows
    ax.legend(
        handles=marks, loc="upper center", bbox_to_anchor=(0.5, down), ncols=len(marks), borderaxespad=0.2,
        columnspacing=1.2,
    )  # fmt: skip


def _ratio_line(
    ax: Axes, level: float, ratio: float, low: float, high: float, one: style.Look, label_at: float | None = None
) -> None:
    ax.plot([low, high], [level, level], color=one.colour, linewidth=1.6, gid="interval", solid_capstyle="butt")
    ax.plot([low, high], [level, level], color=one.colour, linestyle="none", marker="|", markersize=7, gid="ends")
    ax.plot([ratio], [level], color=one.colour, marker="o", markersize=6, linestyle="none", gid="ratio")
    if label_at is not None:
        ax.annotate(
            phrases.ratio(ratio, low, high),
            (1.01, level),
            xycoords=("axes fraction", "data"),
            va="center",
            fontsize=8.5,
        )


def _ratio_axis(ax: Axes, wide: tuple[float, float], margin: float | None) -> None:
    """Logarithmic ratio axis with the line of no difference and the shaded region beyond the margin."""
    from matplotlib.ticker import FixedLocator, NullLocator

    ax.set_xscale("log")
    ax.set_xlim(*wide)
    ax.xaxis.set_major_locator(FixedLocator(style.nice_ticks(*wide, about=6)))
    ax.xaxis.set_minor_locator(NullLocator())
    ax.xaxis.set_major_formatter(lambda value, _position: f"{value:g}")
    ax.tick_params(axis="y", length=0)
    ax.axvline(1.0, color=style.INK, linewidth=1.0, zorder=0.9, gid="one")
    if margin is not None and np.isfinite(margin):
        ax.axvspan(wide[0], margin, color=style.BAND, zorder=0.5, linewidth=0, gid="margin")
        ax.annotate(
            f"keeps less than {phrases.percent(margin)}", (margin, 1.0), xycoords=("data", "axes fraction"),
            xytext=(-3, 2), textcoords="offset points", ha="right", va="bottom", fontsize=8, color=style.MUTED,
        )  # fmt: skip


def _limits(values: list[float]) -> tuple[float, float]:
    finite = [v for v in values if np.isfinite(v) and v > 0]
    low, high = min([*finite, 0.9]), max([*finite, 1.1])
    return float(max(low * 0.94, 0.05)), float(min(high * 1.06, 20.0))
