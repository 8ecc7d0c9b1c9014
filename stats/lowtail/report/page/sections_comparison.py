"""The section on shock against slow pull, or any other two arms."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from lowtail._shared import numbers as _numbers
from lowtail.claims.comparison.deciding import Margin
from lowtail.claims.comparison.table import ComparisonTable
from lowtail.errors import NoAnswerError
from lowtail.report import phrases
from lowtail.report.figures.comparison import comparison as plot_comparison
from lowtail.report.tables.blocks import Block, Bullets, Cell, Draw, Fold, Heading, Picture, Prose, Section, Table
from lowtail.report.tables.rows import rows_of
from lowtail.report.tables.text import shorten

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["comparison_block", "comparison_section", "comparison_summary"]

_HALF, _WIDEST = 0.5, 8.0  # ratio that must be detectable, and the widest interval (high over low) still spoken of
_KEEPS = {str(Margin.SHOWN): "good", str(Margin.FAILS): "bad"}


def comparison_section(table: ComparisonTable, *, reference: str, other: str, units: str) -> Section:
    """The forest of ratios, the table behind it, and each comparison in its own words.

    Parameters
    ----------
    table : ComparisonTable
    reference, other : str
        Names of the arms.
    units : str
        "kN" or "lbf" (kN with lbf in brackets).
    """
    answered = table[table["ratio"].notna()]
    blocks: list[Block] = [Prose(comparison_summary(table, reference=reference, other=other), "lead")]
    if len(answered):
        alt = f"Ratio of typical strength, {other} over {reference}, with its interval, one line a group: " + "; ".join(
            f"{r.group} {phrases.ratio(r.ratio, r.ratio_low, r.ratio_high)}" for r in rows_of(answered)
        )
        caption = (
            f"Typical strength under {other} as a share of that under {reference}, with the {_level(answered)} "
            f"interval of each. "
            "The upright line is no difference"
            + ("; the shaded region breaks the margin." if answered["margin"].notna().any() else ".")
        )
        blocks.append(Picture(Draw(plot_comparison, (answered,)), alt, caption))
        blocks.append(comparison_block(answered, units=units))
        blocks.append(Fold("Each comparison in words, with its specimens", tuple(_in_words(table, answered))))
    refused = table[table["ratio"].isna()]
    if len(refused):
        lines = tuple(f"{shorten(r.group)}: {r.refusal}" for r in rows_of(refused))
        blocks.append(Fold(f"No answer for {phrases.count(len(refused), 'group')}, and why", (Bullets(lines),)))
    return Section("compare", f"{other[:1].upper()}{other[1:]} against {reference}", tuple(blocks))


def _level(table: pd.DataFrame) -> str:
    return phrases.percent(float(table["confidence"].iloc[0]))


def comparison_summary(table: ComparisonTable, *, reference: str, other: str) -> str:
    """What all groups say together, and what was not shown; group by group where there is no joint answer."""
    answered = table[table["ratio"].notna()]
    if answered.empty:
        return f"{other[:1].upper()}{other[1:]} against {reference}: no group holds both, so nothing can be said."
    few = answered["group"][[_too_few(row) for row in rows_of(answered)]].tolist()
    left = f" Too few specimens to compare alone: {'; '.join(shorten(g) for g in few)}." if few else ""
    try:
        joint = table.joint
    except NoAnswerError:
        return _one_by_one(answered, few, reference=reference, other=other)
    named = [shorten(g) for g in joint.weaker_named]
    each = f" For certain, one by one: {'; '.join(named)}." if named else ""
    margin = joint.margin_sentence
    kept = f" {margin[:1].upper()}{margin[1:]}" if margin else ""
    return f"{joint}{each}{kept} {joint.differ_sentence}{left}"


def _one_by_one(answered: pd.DataFrame, few: list[str], *, reference: str, other: str) -> str:
    """One sentence on the intervals that hold together: a loss counts only where the wider interval excludes 1."""
    able = answered[~answered["group"].isin(few)]
    if able.empty:
        return f"{other[:1].upper()}{other[1:]} against {reference}: every group has too few specimens to compare."
    answered = able
    weaker = int((answered["ratio_high_all"] < 1).sum())
    stronger = int((answered["ratio_low_all"] > 1).sum())
    alone = int((answered["ratio_high"] < 1).sum())
    many = len(answered)
    together = f", counting all {many} together at {_level(answered)}" if many > 1 else f" at {_level(answered)}"
    text = f"{other[:1].upper()}{other[1:]} against {reference} in {phrases.count(many, 'group')}: "
    text += f"a loss is shown in {weaker or 'none'}" + (f" and a gain in {stronger}" if stronger else "") + together
    if alone > weaker:
        text += f"; taken one at a time, in {alone}"
    low, high = answered["ratio"].min(), answered["ratio"].max()
    text += f". The ratios run from {phrases.nearest(low)} to {phrases.nearest(high)}."
    unseen = answered[(answered["ratio_low"] <= 1) & (answered["ratio_high"] >= 1)]
    detect = unseen["detectable_ratio"].dropna()
    if len(detect):
        worst = 1 - float(detect.min())
        text += (
            f" Where none is shown, a loss of up to {phrases.percent(np.ceil(100 * worst) / 100)} could have "
            f"gone unseen."
        )
    if few:
        text += f" Too few specimens to compare: {'; '.join(shorten(g) for g in few)}."
    return text


def _too_few(row: Any) -> bool:
    """Whether a comparison could not have noticed even a halving: nothing is said of it in one sentence over all."""
    wide = row.ratio_high / row.ratio_low > _WIDEST if row.ratio_low > 0 else True
    return bool(wide or (np.isfinite(row.detectable_ratio) and row.detectable_ratio < _HALF))


def comparison_block(answered: pd.DataFrame, *, units: str) -> Table:
    """The table of comparisons: ratio first, the test behind it last."""
    level = _level(answered)
    margin = answered["margin"].dropna()
    first = answered.iloc[0]
    heads = [
        Heading("group", "", False), Heading("specimens", "reference + other arm"),
        Heading(f"typical, {first.reference} [kN]", f"{first.typical} of the reference arm"),
        Heading(f"typical, {first.other} [kN]", f"{first.typical} of the other arm"),
        Heading(f"ratio ({level} interval)", "other over reference, typical strengths; below 1 the other arm is "
            "weaker"),
        Heading("interval, all together", "wider interval: with this confidence all rows hold at once"),
        Heading("10 % strengths, ratio", "ratio of the strengths that 10 % do not reach, with its interval"),
        Heading("can detect", "loss that a series of this size and scatter detects 8 times in 10"),
    ]  # fmt: skip
    if len(margin):
        heads.append(
            Heading(
                f"keeps {phrases.percent(float(margin.iloc[0]))}?", "share of the reference strength to keep", False
            )
        )
    rows = [_comparison_row(row, bool(len(margin)), units) for row in rows_of(answered)]
    notes = (
        "Ratios are rounded outwards. A difference that is not shown is not a difference that is absent: see what "
        "loss the series can detect.",
        "The test of each group and its p stand in the words of its comparison; adjusted p values show beside the "
        "wider interval.",
    )
    return Table.of("Ratios by group", heads, rows, notes)


def _comparison_row(row: Any, with_margin: bool, units: str) -> list[Cell | str]:
    method = f"{row.test}; {row.family} distribution; {row.typical}"
    detect = row.detectable_ratio
    cells: list[Cell | str] = [
        shorten(row.group),
        f"{row.n_reference} + {row.n_other}",
        Cell(_bare(row.typical_reference, units), method),
        Cell(_bare(row.typical_other, units), method),
        Cell(phrases.ratio(row.ratio, row.ratio_low, row.ratio_high), method),
        Cell(
            phrases.ratio_ends(row.ratio_low_all, row.ratio_high_all),
            f"{_numbers.p_text(row.p_holm)} by Holm",
        ),
        Cell(
            phrases.ratio(row.low_ratio, row.low_ratio_low, row.low_ratio_high)
            if np.isfinite(row.low_ratio)
            else "none",
            f"from the two {row.low_family} confidence distributions",
        ),
        phrases.percent(np.ceil(100 * (1 - detect)) / 100) if np.isfinite(detect) else "not known",
    ]
    if with_margin:
        said = "fails" if row.verdict == Margin.FAILS else str(row.verdict)
        cells.append(Cell(said, mark=_KEEPS.get(row.verdict, "")))
    return cells


def _bare(kn: float, units: str) -> str:
    return phrases.force(kn, units).replace(" kN", "", 1)


def _in_words(table: ComparisonTable, answered: pd.DataFrame) -> list[Block]:
    blocks: list[Block] = []
    records = table.asked.comparisons
    for position, row in answered.iterrows():
        blocks.append(Prose(f"{shorten(row['group'])}: {row['sentence']}"))
        record = records[int(str(position))]
        if record is not None:
            alt = (
                f"Loads of both arms, {record.n_reference} specimens of {record.reference} and {record.n_other} of "
                f"{record.other}, "
                f"above the ratio {phrases.ratio(record.ratio, record.ratio_low, record.ratio_high)}."
            )
            blocks.append(
                Picture(
                    Draw(plot_comparison, (record,)), alt, f"{shorten(row['group'])}: every specimen, and the ratio."
                )
            )
            if record.notes:
                blocks.append(Bullets(tuple(record.notes)))
    return blocks
