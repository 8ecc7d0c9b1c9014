"""Small multiples: the specimens of a log, an axes for each orientation, item or batch."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from lowtail._shared.checks import door
from lowtail._shared.sample import Sample
from lowtail.errors import InputError
from lowtail.logs.breaks.log import BreakLog
from lowtail.report import style
from lowtail.report.figures.breaks import colour_by, draw_rows, ratings_of, right_edge, rows_high
from lowtail.report.figures.specimens import both_in_one, legend_entries

__all__ = ["facets"]


@door
def facets(
    log_or_samples: BreakLog | Sample | Sequence[Sample],
    *,
    col: str = "orientation",
    col_wrap: int | None = None,
    by: Sequence[str] = ("item", "orientation", "method"),
    hue: str = "method",
    palette: str | Sequence[str] | Mapping[str, str] | None = None,
) -> Any:
    """Draw every specimen in small multiples that share their scale of load: an axes for each value of a column.

    Parameters
    ----------
    log_or_samples : BreakLog, Sample or sequence of Sample
        What to draw; a log is split by ``by``, ``col`` and ``hue``.
    col : str
        Grouping column that has an axes for each value.
    col_wrap : int, optional
        Axes in a row, 1 or more; default: all in one.
    by : sequence of str
        Grouping columns of a log.
    hue, palette
        As in `plot.breaks`; a value has the same colour in every axes.

    Returns
    -------
    seaborn FacetGrid
        ``.axes_dict`` gives the axes by value, ``.figure`` the figure, and ``.map_dataframe`` draws more on each.

    Raises
    ------
    InputError
        If there is no sample to draw, a group lacks ``col`` or ``hue``, ``col_wrap`` is under 1, or as `plot.breaks`.

    See Also
    --------
    plot.breaks : all in one axes.
    plot.save : write the figure (``grid.figure``).

    Examples
    --------
    >>> import matplotlib; matplotlib.use("Agg")
    >>> import lowtail as lt
    >>> both = [lt.Sample([24.1, 25.3], group={"item": "oval", "orientation": way, "method": "shock"})
    ...         for way in ("major axis", "minor axis")]
    >>> list(facets(both).axes_dict)
    ['major axis', 'minor axis']
    """
    import seaborn as sns

    samples = colour_by(log_or_samples, by, col, hue)
    ratings = ratings_of(log_or_samples, tuple(dict.fromkeys((*by, col, hue))))
    if col_wrap is not None and col_wrap < 1:
        raise InputError(f"`col_wrap` must be 1 or more, got {col_wrap}. Say how many axes stand in a row.")
    with style.quiet():
        looks = style.looks((s.group[hue] for s in samples), palette)
        each = {
            value: [s for s in samples if s.group[col] == value]
            for value in dict.fromkeys(s.group[col] for s in samples)
        }
        height = 0.9 + max(rows_high(its, hue) for its in each.values())
        grid = sns.FacetGrid(
            pd.DataFrame([s.group for s in samples]), col=col, col_wrap=col_wrap, sharey=False, height=height,
            aspect=4.6 / height,
        )  # fmt: skip
        grid.set(xlim=(0, right_edge(samples, ratings)))
        for value, ax in grid.axes_dict.items():
            draw_rows(ax, each[value], hue, looks, {}, ratings)
        grid.set_titles("{col_name}")
        entries = legend_entries(looks, samples, rated=bool(ratings))
        grid.add_legend(entries, title="", label_order=list(entries), **both_in_one())
        grid.tight_layout()
    return grid
