"""Sections of figures: every specimen with its bound, the bounds of every basis, each group in depth."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from lowtail._shared.sample import Sample
from lowtail.claims.strength.governing import NAMES
from lowtail.claims.strength.groups import carries_bound
from lowtail.claims.strength.table import StrengthTable
from lowtail.report.figures.breaks import breaks as plot_breaks
from lowtail.report.figures.lower_bounds import describe
from lowtail.report.figures.lower_bounds import lower_bounds as plot_lower_bounds
from lowtail.report.figures.probability import probability as plot_probability
from lowtail.report.tables.blocks import Block, Bullets, Draw, Fold, Picture, Prose, Section
from lowtail.report.tables.rows import rows_of
from lowtail.report.tables.text import shorten

if TYPE_CHECKING:
    pass

__all__ = ["depth_section", "figures_section"]


def figures_section(samples: Sequence[Sample], table: StrengthTable, basis: str, low: Mapping[str, float]) -> Section:
    """Every specimen with its bound, and the bounds of every basis."""
    rated = {r.group: float(r.rated_kN) for r in rows_of(table) if np.isfinite(r.rated_kN)}
    held = sum(s.n_held for s in samples)
    alt = (
        f"{sum(s.n for s in samples)} specimens in {len(samples)} groups along a load axis; {held} that held are "
        f"open markers with an arrow. {describe(table, basis)}"
    )
    caption = "Every specimen. Filled: it broke at this load. " + (
        "Open with an arrow: it held, so it is at least this strong. " if held else ""
    )
    caption += f"Upright tick: {basis} lower bound, the lowest of those that judge the rating." + (
        " Dashed: the rating." if rated else ""
    )
    blocks: list[Block] = []
    for part in _parts(samples):
        labels = {s.label for s in part}
        options = {
            "low": {k: v for k, v in low.items() if k in labels},
            "rated": {k: v for k, v in rated.items() if k in labels},
            "low_name": f"{basis} lower bound",
        }
        figure = Draw(plot_breaks, (part,), options)
        blocks.append(Picture(figure, alt if len(blocks) == 0 else f"{alt} (continued)", caption))
    bounds = (
        "Lower bounds on every basis: marker, the bound that governs; cross, by Weibull alone; line, up "
        "to the best estimate without margin. The longer the line, the more a few further specimens would help."
    )
    number = -(-len(table) // 20)
    for place, rows in enumerate(np.array_split(np.arange(len(table)), number), 1):
        part_table = table.iloc[rows]
        words = " ".join(f"{describe(part_table, b)}." for b in table.asked.bases)
        picture = Picture(Draw(plot_lower_bounds, (part_table,)), words, bounds)
        blocks.append(Fold(f"The bounds on every basis, drawn{_part(place, number)}", (picture,)))
    return Section("figures", "The specimens, drawn", tuple(blocks))


def _part(place: int, number: int) -> str:
    return f" ({place} of {number})" if number > 1 else ""


def _parts(samples: Sequence[Sample], most: int = 24) -> list[list[Sample]]:
    """Cut a long list of groups into figures of like height, none taller than a page; an item stays whole if it can."""
    fair = -(-len(samples) // -(-len(samples) // most))
    parts: list[list[Sample]] = [[]]
    for sample in samples:
        same = parts[-1] and parts[-1][-1].group.get("item") == sample.group.get("item")
        if len(parts[-1]) >= most or (len(parts[-1]) >= fair and not same):
            parts.append([])
        parts[-1].append(sample)
    return parts


def depth_section(
    samples: Sequence[Sample],
    said: Mapping[str, Sequence[str]],
    *,
    family: str,
    lbf: bool = False,
    checks: Mapping[str, Fold] | None = None,
) -> Section:
    """Each group in depth, folded: what may be quoted, and the probability plot."""
    blocks: list[Block] = [
        Prose(
            "A straight line of points on the probability paper speaks for the distribution; with so few points it "
            "cannot "
            "prove it. The band is what the data leave open."
        )
    ]
    for sample in samples:
        inner: list[Block] = [Prose(str(sample)), Bullets(tuple(said.get(sample.label, ())))]
        if carries_bound(sample):
            figure = Draw(plot_probability, (sample,), {"family": family, "lbf": lbf})
            alt = (
                f"Probability plot of {sample.label}: {sample.n_broken} breaks against the fitted "
                f"{NAMES.get(family, family)} distribution with its 95 % limits."
            )
            caption = f"{shorten(sample.label)}: breaks, fitted distribution, and what the data leave open."
            inner.append(Picture(figure, alt, caption))
        else:
            inner.append(Prose("No probability plot: it needs 2 different loads at break.", "warn"))
        name = shorten(sample.label or "all specimens")
        if checks and name in checks:
            inner.extend((Prose("Checks", "head"), *checks[name].blocks))
        blocks.append(Fold(name, tuple(inner)))
    return Section("depth", "Each group in depth", tuple(blocks))
