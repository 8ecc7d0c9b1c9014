"""One figure for a report: the four panels that matter."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from lowtail._shared.checks import door
from lowtail._shared.choices import FamilyName
from lowtail.claims.basis import Basis, get_basis
from lowtail.claims.comparison.table import compare_table
from lowtail.claims.strength.table import DEFAULT_BY, column_of, strength_table
from lowtail.logs.breaks.log import BreakLog
from lowtail.logs.breaks.samples import split
from lowtail.report import phrases, style
from lowtail.report.figures.breaks import breaks as plot_breaks
from lowtail.report.figures.comparison import comparison as plot_comparison
from lowtail.report.figures.probability import probability as plot_probability
from lowtail.report.figures.specimens import wrap_label
from lowtail.report.tables.rows import rows_of

__all__ = ["summary"]


@door
def summary(
    log: BreakLog,
    *,
    by: Sequence[str] = DEFAULT_BY,
    basis: str | Basis = "B-basis",
    family: FamilyName = "weibull",
    palette: str | Sequence[str] | Mapping[str, str] | None = None,
) -> Figure:
    """Draw the four panels that matter: the breaks, one probability plot, shock against slow, bound against rating.

    The probability plot shows the group with the most breaks; panels that the log cannot fill say so.

    Parameters
    ----------
    log : BreakLog
    by : sequence of str
        Grouping columns.
    basis : str or Basis
        Basis of the lower bounds drawn.
    family : str
        main distribution.
    palette : str, sequence of colours or mapping of method to colour, optional
        Of the specimens, as in `plot.breaks`.

    Returns
    -------
    matplotlib Figure

    Raises
    ------
    InputError
        If ``by`` names a column that the log does not have.

    See Also
    --------
    plot.breaks : the first panel.
    write_report : the whole page.
    plot.save : write the figure.

    Examples
    --------
    >>> import matplotlib; matplotlib.use("Agg")
    >>> import pandas as pd
    >>> import lowtail as lt
    >>> log = lt.check_breaks(pd.DataFrame({"specimen": list("abcde"), "item": "sling", "method": "slow pull",
    ...                                     "load [kN]": [24.1, 25.3, 22.8, 26.0, 23.9], "outcome": "broke"}))
    >>> figure = lt.plot.summary(log)
    >>> len(figure.axes) >= 4
    True
    """
    asked = get_basis(basis)
    samples = split(log, by)
    table = strength_table(log, by=by, bases=(asked,), family=family)
    low = dict(zip(table["group"], table[column_of(asked.name)], strict=True))
    rows = len({tuple(v for k, v in s.group.items() if k != "method") for s in samples})
    with style.quiet():
        figure = style.new_figure(13.2, max(7.4, 1.6 + 0.72 * rows + 3.6))
        halves: Any = figure.subfigures(1, 2, width_ratios=(1.05, 1), wspace=0.03)
        left, right = halves
        plot_breaks(
            samples, left.add_subplot(), palette=palette, low=low, low_name=f"{asked.name} lower bound",
            rated=_rated(table),
        )  # fmt: skip
        one, two, three = right.subplots(3, 1, height_ratios=(1.25, 1, 1.1))
        richest = max(samples, key=lambda s: s.n_broken)
        _try_probability(one, richest, family)
        _try_forest(two, log, by)
        _margins(three, table, asked.name, low)
    return figure


def _rated(table: pd.DataFrame) -> dict[str, float]:
    return {r.group: float(r.rated_kN) for r in rows_of(table) if np.isfinite(r.rated_kN)}


def _try_probability(ax: Axes, sample: object, family: str) -> None:
    from lowtail.errors import NoAnswerError

    try:
        plot_probability(sample, ax, family=family, lbf=False)  # type: ignore[arg-type]
    except NoAnswerError as reason:
        _say(ax, str(reason))


def _try_forest(ax: Axes, log: BreakLog, by: Sequence[str]) -> None:
    used = log.table[log.table["used"]]
    if not {"slow pull", "shock"} <= set(used["method"]) or "method" not in by or len(by) < 2:
        _say(ax, "No shock tests beside slow pulls in this log.")
        return
    found = compare_table(log, other="shock", by=[c for c in by if c != "method"], margin=0.9)
    answered = found[found["ratio"].notna()]
    if answered.empty:
        _say(ax, "No group holds both methods with breaks enough.")
        return
    plot_comparison(answered, ax)


def _margins(ax: Axes, table: pd.DataFrame, basis: str, lows: Mapping[str, float]) -> None:
    """Bound over rating, a bar a group: 1 and more is backed."""
    low = table["group"].map(lows).to_numpy(dtype=float)
    rated = table[table["rated_kN"].notna() & np.isfinite(low)]
    if rated.empty:
        _say(ax, "The log states no ratings that a bound could be held against.")
        return
    share = low[rated.index] / rated["rated_kN"].to_numpy(dtype=float)
    level = np.arange(len(rated))
    backed = share >= 1
    ax.barh(level[backed], share[backed], color=style.LOOKS[0].colour, height=0.6, label="bound reaches the rating")
    ax.barh(
        level[~backed], share[~backed], color=style.PAPER, edgecolor=style.LOOKS[1].colour, hatch="////", height=0.6,
        label="not shown",
    )  # fmt: skip
    ax.axvline(1.0, **style.rating())
    small = 8.5 if len(rated) <= 8 else 6.5
    ax.set_yticks(level, [wrap_label(str(g), 60) for g in rated["group"]], fontsize=small)
    ax.set_ylim(len(rated) - 0.4, -0.6)
    ax.tick_params(axis="y", length=0)
    ax.set_xlabel(f"{basis} lower bound as a share of the rating")
    ax.xaxis.set_major_locator(MaxNLocator(4))
    ax.xaxis.set_major_formatter(lambda value, _position: phrases.percent(round(value, 6)))
    ax.legend(loc="lower left", bbox_to_anchor=(0, 1.0), ncols=2, borderaxespad=0.2)


def _say(ax: Axes, text: str) -> None:
    import textwrap

    ax.set_axis_off()
    ax.text(0.5, 0.5, textwrap.fill(text, 60), ha="center", va="center", color=style.MUTED, transform=ax.transAxes)
