"""Lower bounds of every group and basis: what the data show, what the best estimate is, and where the rating stands."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from lowtail._shared.checks import door
from lowtail.claims.strength.borrowed_table import BORROWED
from lowtail.claims.strength.table import StrengthTable, column_of
from lowtail.errors import InputError
from lowtail.report import phrases, style
from lowtail.report.figures.specimens import wrap_label

__all__ = ["describe", "lower_bounds"]


@door
def lower_bounds(table: StrengthTable, ax: Axes | None = None) -> Axes:
    """Draw the lower bounds of a strength table: a lane a basis, a row a group.

    The filled marker is the bound that governs; the cross is the bound by the Weibull distribution alone; the thin line
    runs from the bound to the best estimate, so that its length is the price of having few specimens. A plus is the
    bound with scatter borrowed from sibling groups, where the table has it.

    Parameters
    ----------
    table : StrengthTable
        Of `strength_table`.
    ax : matplotlib Axes, optional

    Returns
    -------
    matplotlib Axes

    Raises
    ------
    InputError
        If the table is empty or holds no basis.

    See Also
    --------
    strength_table : the table drawn.
    plot.save : write the figure.

    Examples
    --------
    >>> import matplotlib; matplotlib.use("Agg")
    >>> import pandas as pd
    >>> import lowtail as lt
    >>> log = lt.check_breaks(pd.DataFrame({"specimen": list("abcde"), "item": "sling", "method": "slow pull",
    ...                                     "load [kN]": [24.1, 25.3, 22.8, 26.0, 23.9], "outcome": "broke"}))
    >>> axes = lt.plot.lower_bounds(lt.strength_table(log, bases="B-basis"))
    >>> axes.get_xlabel()
    'lower bound [kN]'
    """
    bases = table.asked.bases
    if table.empty or not bases:
        raise InputError("`table` must come from strength_table, with at least one group and one basis.")
    step = min(0.26, 0.78 / len(bases))
    with style.quiet():
        ax = style.new_axes(ax, 6.9, 1.35 + (0.3 + 0.17 * len(bases)) * len(table))
        for position, basis in enumerate(bases):
            _draw_basis(
                ax, table, basis, style.LOOKS[position % len(style.LOOKS)], (position - (len(bases) - 1) / 2) * step
            )
        rated = table["rated_kN"].to_numpy(dtype=float) if "rated_kN" in table else np.full(len(table), np.nan)
        for row in np.flatnonzero(np.isfinite(rated)):
            ax.plot([rated[row]] * 2, [row - 0.44, row + 0.44], zorder=1, gid="rated", **style.rating())
        for edge in range(1, len(table)):
            ax.axhline(edge - 0.5, color=style.GRID, linewidth=0.7, zorder=0)
        ax.set_yticks(range(len(table)), [wrap_label(str(group), 30) for group in table["group"]])
        ax.set_ylim(len(table) - 0.5, -0.5)
        ax.set_xlim(left=0)
        ax.tick_params(axis="y", length=0)
        ax.set_xlabel("lower bound [kN]")
        _legend(ax, table, bases, bool(np.isfinite(rated).any()))
    return ax


def _draw_basis(ax: Axes, table: pd.DataFrame, basis: str, one: style.Look, shift: float) -> None:
    level = np.arange(len(table)) + shift
    low = table[column_of(basis)].to_numpy(dtype=float)
    estimate = table[column_of(basis, "estimate")].to_numpy(dtype=float)
    ax.hlines(level, low, estimate, color=one.colour, linewidth=0.9, zorder=2, gid="margin")
    ax.plot(estimate, level, linestyle="none", marker="|", markersize=5, color=one.colour, gid="estimate", zorder=2)
    ax.plot(low, level, linestyle="none", zorder=3, **{**style.broke(one), "markersize": 5.0, "gid": "low"})
    beside: dict[str, Any] = {
        "linestyle": "none",
        "color": one.colour,
        "markersize": 5.0,
        "markeredgewidth": 1.2,
        "zorder": 3,
    }
    single = table[column_of(basis, "Weibull")].to_numpy(dtype=float)
    ax.plot(single, level, marker="x", gid="weibull", **beside)
    if column_of(basis, BORROWED) in table:
        ax.plot(table[column_of(basis, BORROWED)].to_numpy(dtype=float), level, marker="+", gid="borrowed", **beside)


def _legend(ax: Axes, table: pd.DataFrame, bases: Sequence[str], rated: bool) -> None:
    from matplotlib.lines import Line2D

    def entry(label: str, **props: Any) -> Line2D:
        return Line2D([], [], **{"linestyle": "none", "color": style.INK, "label": label, "markersize": 6, **props})

    handles = [
        entry(
            f"{basis}, governing",
            marker=style.LOOKS[i % len(style.LOOKS)].marker,
            color=style.LOOKS[i % len(style.LOOKS)].colour,
        )
        for i, basis in enumerate(bases)
    ]
    handles.append(entry("Weibull alone", marker="x"))
    if any(column_of(b, BORROWED) in table for b in bases):
        handles.append(entry(BORROWED, marker="+"))
    handles.append(entry("best estimate", marker="|", linestyle="-", linewidth=0.9))
    if rated:
        handles.append(Line2D([], [], label="rating", **style.rating()))
    ax.legend(handles=handles, loc="lower left", bbox_to_anchor=(0, 1.0), ncols=2, borderaxespad=0.3, columnspacing=1.6)


def describe(table: pd.DataFrame, basis: str) -> str:
    """The figure in words, for readers who cannot see it."""
    lows = zip(table["group"], table[column_of(basis)], strict=True)
    parts = [f"{group} {phrases.force_low(low)}" for group, low in lows if np.isfinite(low)]
    return f"{basis} lower bound of each group: " + "; ".join(parts) if parts else f"No group carries a {basis} bound."
