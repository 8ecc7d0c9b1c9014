"""The first figure of a series: every specimen, what broke and what held, the rating and the lower bound."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes

from lowtail._shared.checks import door
from lowtail._shared.sample import Sample
from lowtail.errors import InputError
from lowtail.logs.breaks.log import BreakLog
from lowtail.logs.breaks.samples import split
from lowtail.report import style
from lowtail.report.figures.specimens import SPREAD, draw_specimens, legend_above, legend_entries, wrap_label

__all__ = ["as_samples", "breaks", "colour_by", "draw_rows", "ratings_of", "right_edge", "rows_high"]

_ROW = 0.8  # inches a row of groups
_LANE = 0.4  # rows between two lanes


@door
def breaks(
    log_or_samples: BreakLog | Sample | Sequence[Sample],
    ax: Axes | None = None,
    *,
    by: Sequence[str] = ("item", "orientation", "method"),
    hue: str | None = None,
    palette: str | Sequence[str] | Mapping[str, str] | None = None,
    low: Mapping[str, float] | None = None,
    rated: Mapping[str, float] | None = None,
    low_name: str = "lower bound",
) -> Axes:
    """Draw every specimen by group: filled where it broke, an open arrow where it held, a triangle where it slipped.

    Parameters
    ----------
    log_or_samples : BreakLog, Sample or sequence of Sample
        What to draw; a log is split by ``by`` first, and brings its ratings (column ``rated_kN``).
    ax : matplotlib Axes, optional
        Where to draw; default: a new figure with one row a group.
    by : sequence of str
        Grouping columns of a log.
    hue : str, optional
        Grouping column whose values share a row, each with its own colour and marker; a log is split by it too.
        Default: "method", where the groups have one.
    palette : str, sequence of colours or mapping of value to colour, optional
        Any palette that seaborn takes, e.g. "colorblind"; default: the colours of the house.
    low, rated : mapping of group label to kN, optional
        Lower bound (drawn as a tick with the base on the bound) and rating (dashed line) of each group.
    low_name : str
        What the legend calls the bound, e.g. "B-basis".

    Returns
    -------
    matplotlib Axes

    Raises
    ------
    InputError
        If there is no sample to draw, a group has no ``hue``, or ``palette`` is no palette or lacks a value.

    See Also
    --------
    plot.facets : an axes for each orientation, item, ...
    plot.summary : this and three more panels.
    plot.save : write the figure.

    Examples
    --------
    >>> import matplotlib; matplotlib.use("Agg")
    >>> axes = breaks(Sample([24.1, 25.3, 22.8], [True, True, False], label="steel oval"))
    >>> axes.get_xlabel()
    'load at break, or highest load held [kN]'
    """
    samples, hue = colour_by(log_or_samples, by, hue), hue or "method"
    ratings = dict(rated) if rated is not None else ratings_of(log_or_samples, by)
    with style.quiet():
        looks = style.looks((s.group.get(hue, "") for s in samples), palette)
        ax = style.new_axes(ax, 6.9, 1.25 + rows_high(samples, hue))
        ax.set_xlim(0, right_edge(samples, ratings))
        draw_rows(ax, samples, hue, looks, low or {}, ratings)
        legend_above(ax, legend_entries(looks, samples, low=low_name if low else "", rated=bool(ratings)))
    return ax


def draw_rows(
    ax: Axes,
    samples: Sequence[Sample],
    hue: str,
    looks: Mapping[str, style.Look],
    low: Mapping[str, float],
    rated: Mapping[str, float],
) -> None:
    """Draw the groups below one another, those that differ only in ``hue`` on lanes of one row."""
    rows, places, step = _arrange(samples, hue)
    levels, own = [row + lane for row, lane in places], [looks[s.group.get(hue, "")] for s in samples]
    draw_specimens(ax, samples, levels, own, spread=SPREAD * step / _LANE)
    for sample, level, (row, _) in zip(samples, levels, places, strict=True):
        _draw_marks(ax, sample, level, row, low, rated)
    for edge in range(1, len(rows)):
        ax.axhline(edge - 0.5, color=style.GRID, linewidth=0.7, zorder=0)
    ax.set_yticks(range(len(rows)), [wrap_label(r) for r in rows])
    ax.set_ylim(len(rows) - 0.5, -0.5)
    ax.tick_params(axis="y", length=0)
    ax.set_xlabel("load at break, or highest load held [kN]")


def rows_high(samples: Sequence[Sample], hue: str) -> float:
    """Inches the rows of these samples need: more where many lanes share a row."""
    rows, _, step = _arrange(samples, hue)
    return _ROW * len(rows) * _LANE / step


def as_samples(
    log_or_samples: BreakLog | Sample | Sequence[Sample], by: Sequence[str] = ("item", "orientation", "method")
) -> list[Sample]:
    """Return the samples of a log, of one sample, or of a sequence of samples.

    Raises
    ------
    InputError
        If there is none, or something else was given.
    """
    if isinstance(log_or_samples, Sample):
        return [log_or_samples]
    given: Any = log_or_samples
    if hasattr(given, "table") or hasattr(given, "columns"):
        return split(given, by)
    samples = list(given) if isinstance(given, Iterable) else []
    if not samples or not all(isinstance(s, Sample) for s in samples):
        raise InputError(f"A figure needs a break log, a Sample or a list of Samples, got {log_or_samples!r:.80}.")
    return samples


def colour_by(
    log_or_samples: BreakLog | Sample | Sequence[Sample], by: Sequence[str], *columns: str | None
) -> list[Sample]:
    """Return the samples, split by these columns too (None: not asked for).

    Raises
    ------
    InputError
        If a sample has no such column.
    """
    asked = [c for c in columns if c is not None]
    samples = as_samples(log_or_samples, tuple(dict.fromkeys((*by, *asked))))
    for column in asked:
        if lacking := [s.label for s in samples if column not in s.group]:
            raise InputError(
                f"A figure by {column!r} needs samples grouped by it, and {lacking[0] or 'a sample'!r} is not. "
                "Give the log itself, or another column."
            )
    return samples


def _arrange(samples: Sequence[Sample], hue: str) -> tuple[list[str], list[tuple[int, float]], float]:
    """Give each sample a row (its label without the lane's value) and a lane within it; and the step between lanes."""
    values = list(dict.fromkeys(s.group.get(hue, "") for s in samples))
    lanes = len(values) > 1 and all(hue in s.group for s in samples)
    labels = [", ".join(v for k, v in s.group.items() if v and k != hue) if lanes else s.label for s in samples]
    rows = list(dict.fromkeys(labels))
    step, middle = min(_LANE, 0.8 / len(values)) if lanes else _LANE, (len(values) - 1) / 2
    places = [
        (rows.index(label), (values.index(s.group[hue]) - middle) * step if lanes else 0.0)
        for s, label in zip(samples, labels, strict=True)
    ]
    return rows, places, step


def _draw_marks(
    ax: Axes, sample: Sample, level: float, row: int, low: Mapping[str, float], rated: Mapping[str, float]
) -> None:
    bound, rating = low.get(sample.label), rated.get(sample.label)
    if bound is not None and np.isfinite(bound):
        ax.plot([bound], [level], linestyle="none", zorder=4, gid="low", clip_on=False, **style.bound())
    if rating is not None and np.isfinite(rating):
        ax.plot([rating, rating], [row - 0.44, row + 0.44], zorder=1, gid="rated", **style.rating())


def ratings_of(log_or_samples: Any, by: Sequence[str]) -> dict[str, float]:
    """One rating a group, from the log's column; groups with several different ratings get none."""
    table = getattr(log_or_samples, "table", None)
    if table is None or "rated_kN" not in table.columns:
        return {}
    used = table[table["used"]]
    out: dict[str, float] = {}
    for sample in split(table, by):
        ratings = used.loc[used["specimen"].astype(str).isin(sample.specimen), "rated_kN"].dropna().unique()
        if len(ratings) == 1:
            out[sample.label] = float(ratings[0])
    return out


def right_edge(samples: Sequence[Sample], rated: Mapping[str, float]) -> float:
    """Return the load at the right end of the axis, so that arrows and ratings keep inside."""
    top = max(s.highest for s in samples)
    held = max((float(s.lower[~s.broke].max()) for s in samples if s.n_held), default=0.0)
    return max(1.04 * top, 1.09 * held, 1.03 * max(rated.values(), default=0.0))
