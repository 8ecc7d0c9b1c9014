"""How specimens are drawn and named in every figure that shows them one by one."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from numpy.typing import NDArray

from lowtail._shared.sample import Sample
from lowtail.report import style

__all__ = ["SPREAD", "both_in_one", "draw_specimens", "legend_above", "legend_entries", "wrap_label"]

SPREAD = 0.055  # rows between two neighbours that would cover one another


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


def draw_specimens(
    ax: Axes, samples: Sequence[Sample], levels: Sequence[float], looks: Sequence[style.Look], spread: float = SPREAD
) -> None:
    """Draw every sample's specimens on its horizontal lane: breaks filled, survivors open with an arrow, slips open.

    A break between two loads is a bar from one to the other. Survivors stand a little above the breaks and near
    neighbours are moved apart, so that every specimen shows.
    """
    near = 0.016 * float(ax.get_xlim()[1] - ax.get_xlim()[0])
    table = pd.concat(
        [
            _places(s, level, near, spread).assign(series=i)
            for i, (s, level) in enumerate(zip(samples, levels, strict=True))
        ]
    )
    for fate, its in table.groupby("fate"):
        kinds = {"held": (style.arrow, style.held), "slipped": (style.slipped,), "broke": (style.broke,)}
        for kind in kinds.get(str(fate), ()):
            _scatter(ax, its, [kind(look) for look in looks])
    between = table[table["fate"] == "between"]
    for i, look in enumerate(looks):
        its = between[between["series"] == i]
        ax.plot(its[["lower", "upper"]].to_numpy().T, np.tile(its["height"], (2, 1)), **style.between(look), zorder=3)


def _scatter(ax: Axes, table: pd.DataFrame, marks: Sequence[dict[str, Any]]) -> None:
    """Draw one kind of mark with seaborn, each series in its own colour and shape."""
    import seaborn as sns

    first, known = marks[0], table["series"].unique()
    colour = {i: marks[i]["markeredgecolor" if "markerfacecolor" in first else "color"] for i in known}
    sns.scatterplot(
        table, x="load", y="height", hue="series", palette=colour, style="series", legend=False, ax=ax, zorder=3,
        markers={i: marks[i]["marker"] for i in known}, s=first["markersize"] ** 2, gid=first["gid"],
        linewidth=first["markeredgewidth"], edgecolor=style.PAPER,
    )  # fmt: skip
    ax.set_ylabel("")
    if "markerfacecolor" in first:  # an open mark: the colour goes to its edge
        points = ax.collections[-1]
        points.set_edgecolor(points.get_facecolor())
        points.set_facecolor(first["markerfacecolor"])


def _places(sample: Sample, level: float, near: float, spread: float) -> pd.DataFrame:
    """A row a specimen: what became of it, its load, its height on the lane."""
    broke, load, height = sample.broke, sample.middle, np.full(sample.n, float(level))
    height[broke] += spread * _dodge(load[broke], near)
    height[~broke] -= (2.2 * spread if broke.any() else 0) + spread * _dodge(load[~broke], near)
    fate = np.select([sample.between, broke, sample.slipped], ["between", "broke", "slipped"], "held")
    return pd.DataFrame({"fate": fate, "load": load, "lower": sample.lower, "upper": sample.upper, "height": height})


def _dodge(load: NDArray[np.float64], near: float) -> NDArray[np.float64]:
    """Steps of 0, 1, 2, ... that keep specimens closer than ``near`` from covering one another."""
    steps = np.zeros(load.size)
    taken: dict[int, float] = {}
    for i in np.argsort(load, kind="stable"):
        step = next((s for s in range(4) if load[i] - taken.get(s, -np.inf) >= near), 3)
        steps[i], taken[step] = step, load[i]
    return steps


def legend_above(ax: Axes, entries: Mapping[str, Any]) -> None:
    """Put one legend above the axes."""
    if entries:
        ax.legend(
            entries.values(), entries.keys(), loc="lower left", bbox_to_anchor=(0, 1.0), ncols=3, borderaxespad=0.3,
            columnspacing=1.6, **both_in_one(),
        )  # fmt: skip


def both_in_one() -> dict[str, Any]:
    """Return what a legend needs to show an open marker and its arrow as one entry."""
    from matplotlib.legend_handler import HandlerTuple

    return {"handletextpad": 0.7, "handlelength": 2.6, "handler_map": {tuple: HandlerTuple(ndivide=1)}}


def legend_entries(
    looks: Mapping[str, style.Look], samples: Sequence[Sample], *, low: str = "", rated: bool = False
) -> dict[str, Any]:
    """Name what is drawn: the series, what an open marker means, the bound and the rating."""
    from matplotlib.lines import Line2D

    def mark(props: dict[str, Any]) -> Line2D:
        return Line2D([], [], **{"linestyle": "none", **props})

    ink = style.Look(style.INK, "o")
    entries: dict[str, Any] = {name: mark(style.broke(one)) for name, one in looks.items() if name}
    if any(s.n_between for s in samples):
        entries["broke between two loads"] = mark({"linestyle": "-", **style.between(ink)})
    if any(s.n_held for s in samples):
        entries["held: at least this strong"] = (mark(style.arrow(ink)), mark(style.held(ink)))
    if any(s.n_slipped for s in samples):
        entries["slipped"] = mark(style.slipped(ink))
    if low:
        entries[low] = mark(style.bound())
    if rated:
        entries["rating"] = mark(style.rating())
    return entries
