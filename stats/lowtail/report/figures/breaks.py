"""The first figure of a series: every specimen, what broke and what held, the rating and the lower bound."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from lowtail._shared.checks import door
from lowtail._shared.sample import Sample
from lowtail.errors import InputError
from lowtail.logs.breaks.log import BreakLog
from lowtail.logs.breaks.samples import split
from lowtail.report import style

__all__ = ["as_samples", "breaks", "draw_specimens", "legend_above"]

_ROW = 0.8  # inches a row of groups
_LANE = 0.42  # rows between two lanes


@door
def breaks(
    log_or_samples: BreakLog | Sample | Sequence[Sample],
    ax: Axes | None = None,
    *,
    by: Sequence[str] = ("item", "orientation", "method"),
    lanes: str = "method",
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
    lanes : str
        Grouping column whose values share a row, each with its own colour and marker.
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
        If there is no sample to draw.

    See Also
    --------
    plot.summary : this and three more panels.
    plot.save : write the figure.

    Examples
    --------
    >>> import matplotlib; matplotlib.use("Agg")
    >>> axes = breaks(Sample([24.1, 25.3, 22.8], [True, True, False], label="steel oval"))
    >>> axes.get_xlabel()
    'load at break, or highest load held [kN]'
    """
    samples = as_samples(log_or_samples, by)
    ratings = dict(rated) if rated is not None else _ratings(log_or_samples, by)
    rows, places = _arrange(samples, lanes)
    with style.quiet():
        ax = style.new_axes(ax, 6.9, 1.25 + _ROW * len(rows))
        names: dict[str, style.Look] = {}
        ax.set_xlim(0, _right_edge(samples, ratings))
        for sample, (row, lane) in zip(samples, places, strict=True):
            name = sample.group.get(lanes, "")
            look = names.setdefault(name, style.look(name, len(names)))
            draw_specimens(ax, sample, row + lane, look)
            _draw_marks(ax, sample, row + lane, row, low or {}, ratings)
        for edge in range(1, len(rows)):
            ax.axhline(edge - 0.5, color=style.GRID, linewidth=0.7, zorder=0)
        ax.set_yticks(range(len(rows)), [wrap_label(r) for r in rows])
        ax.set_ylim(len(rows) - 0.5, -0.5)
        ax.tick_params(axis="y", length=0)
        ax.set_xlabel("load at break, or highest load held [kN]")
        legend_above(
            ax, names, held=any(s.n_held for s in samples), low=low_name if low else "", rated=bool(ratings),
            slipped=any(s.n_slipped for s in samples), between=any(s.n_between for s in samples),
        )  # fmt: skip
    return ax


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


def wrap_label(label: str, width: int = 26) -> str:
    """Break a group label at its commas, then at words, so that it fits beside a row.

    Examples
    --------
    >>> print(wrap_label("aluminium connector, major axis"))
    aluminium connector,
    major axis
    """
    lines: list[str] = []
    for part in (label or "all specimens").split(", "):
        if lines and len(lines[-1]) + len(part) + 2 <= width:
            lines[-1] += f", {part}"
            continue
        if lines:
            lines[-1] += ","
        lines += textwrap.wrap(part, width) or [""]
    return "\n".join(lines[:3]) + (" ..." if len(lines) > 3 else "")


def draw_specimens(ax: Axes, sample: Sample, level: float, look: style.Look, *, spread: float = 0.055) -> None:
    """Draw one group's specimens on a horizontal lane: breaks filled, survivors open with an arrow, slips open.

    A break between two loads is a bar from one to the other. Survivors stand a little above the breaks and near
    neighbours are moved apart, so that every specimen shows.
    """
    broke, slid = sample.broke, sample.slipped
    held = ~broke & ~slid
    height = np.full(sample.n, level)
    near = 0.016 * float(ax.get_xlim()[1] - ax.get_xlim()[0])
    load, between = sample.middle, sample.between
    height[broke] += spread * _dodge(load[broke], near)
    height[~broke] -= (2.2 * spread if broke.any() else 0) + spread * _dodge(load[~broke], near)
    common: dict[str, Any] = {"linestyle": "none", "zorder": 3}
    if held.any():
        ax.plot(load[held], height[held], **style.arrow(look), **common)
        ax.plot(load[held], height[held], **style.held(look), **common)
    if slid.any():
        ax.plot(load[slid], height[slid], **style.slipped(look), **common)
    if (broke & ~between).any():
        ax.plot(load[broke & ~between], height[broke & ~between], **style.broke(look), **common)
    if between.any():
        ends = np.stack([sample.lower[between], sample.upper[between]])
        ax.plot(ends, np.tile(height[between], (2, 1)), **style.between(look), zorder=3)


def _dodge(load: NDArray[np.float64], near: float) -> NDArray[np.float64]:
    """Steps of 0, 1, 2, ... that keep specimens closer than ``near`` from covering one another."""
    steps = np.zeros(load.size)
    taken: dict[int, float] = {}
    for i in np.argsort(load, kind="stable"):
        step = next((s for s in range(4) if load[i] - taken.get(s, -np.inf) >= near), 3)
        steps[i], taken[step] = step, load[i]
    return steps


def _arrange(samples: Sequence[Sample], lanes: str) -> tuple[list[str], list[tuple[int, float]]]:
    """Give each sample a row (its label without the lane's value) and a lane within the row."""
    split_lanes = all(lanes in s.group for s in samples) and len({s.group.get(lanes) for s in samples}) > 1
    labels = [", ".join(v for k, v in s.group.items() if v and k != lanes) if split_lanes else s.label for s in samples]
    rows = list(dict.fromkeys(labels))
    values = list(dict.fromkeys(s.group.get(lanes, "") for s in samples)) if split_lanes else [""]
    middle = (len(values) - 1) / 2
    step = min(_LANE, 0.8 / len(values))
    places = []
    for sample, label in zip(samples, labels, strict=True):
        lane = values.index(sample.group.get(lanes, "")) if split_lanes else 0
        places.append((rows.index(label), (lane - middle) * step))
    return rows, places


def _draw_marks(
    ax: Axes, sample: Sample, level: float, row: int, low: Mapping[str, float], rated: Mapping[str, float]
) -> None:
    bound, rating = low.get(sample.label), rated.get(sample.label)
    if bound is not None and np.isfinite(bound):
        ax.plot([bound], [level], linestyle="none", zorder=4, gid="low", clip_on=False, **style.bound())
    if rating is not None and np.isfinite(rating):
        ax.plot([rating, rating], [row - 0.44, row + 0.44], zorder=1, gid="rated", **style.rating())


def _ratings(log_or_samples: Any, by: Sequence[str]) -> dict[str, float]:
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


def _right_edge(samples: Sequence[Sample], rated: Mapping[str, float]) -> float:
    top = max(s.highest for s in samples)
    held = max((float(s.lower[~s.broke].max()) for s in samples if s.n_held), default=0.0)
    return max(1.04 * top, 1.09 * held, 1.03 * max(rated.values(), default=0.0))


def legend_above(
    ax: Axes,
    names: Mapping[str, style.Look],
    *,
    held: bool,
    low: str = "",
    rated: bool = False,
    slipped: bool = False,
    between: bool = False,
) -> None:
    """Put one legend above the axes: the series, what an open marker means, the bound and the rating."""
    from matplotlib.legend_handler import HandlerTuple
    from matplotlib.lines import Line2D

    handles: list[Any] = []
    labels: list[str] = []
    for name, look in names.items():
        if name:
            handles.append(Line2D([], [], linestyle="none", **style.broke(look)))
            labels.append(name)
    ink = style.Look(style.INK, "o")
    if between:
        handles.append(Line2D([], [], **style.between(ink)))
        labels.append("broke between two loads")
    if held:
        handles.append(
            (Line2D([], [], linestyle="none", **style.arrow(ink)), Line2D([], [], linestyle="none", **style.held(ink)))
        )
        labels.append("held: at least this strong")
    if slipped:
        handles.append(Line2D([], [], linestyle="none", **style.slipped(ink)))
        labels.append("slipped")
    if low:
        handles.append(Line2D([], [], linestyle="none", **style.bound()))
        labels.append(low)
    if rated:
        handles.append(Line2D([], [], **style.rating()))
        labels.append("rating")
    if handles:
        ax.legend(
            handles, labels, loc="lower left", bbox_to_anchor=(0, 1.0), ncols=3, borderaxespad=0.3,
            handletextpad=0.7, columnspacing=1.6, handlelength=2.6, handler_map={tuple: HandlerTuple(ndivide=1)},
        )  # fmt: skip
