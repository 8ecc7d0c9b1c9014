"""Sections of the page that come straight from the log: what was tested, findings, the rows, provenance."""

from __future__ import annotations

import platform
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from lowtail import __version__
from lowtail.logs.breaks.log import BreakLog
from lowtail.logs.edits import data_sha256
from lowtail.report import phrases
from lowtail.report.tables.blocks import Block, Bullets, Cell, Fold, Heading, Prose, Section, Table
from lowtail.report.tables.text import findings_table, raw_table, set_aside_table, shorten, sums_sentence

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["provenance", "raw", "reader", "tested"]

LIBRARIES = ("numpy", "scipy", "pandas", "matplotlib")


def tested(log: BreakLog, left_out: str = "") -> Section:
    """What was tested: a row an item, then where, when and how."""
    used = log.table[log.table["used"]]
    blocks: list[Block] = [Prose(text, "warn") for text in preamble(log)]
    if left_out:
        blocks.append(Prose(left_out, "warn"))
    blocks.append(Prose(sums_sentence(log)))
    heads = [
        Heading("item", "what was tested", False),
        Heading("orientations", "how it was loaded", False),
        Heading("methods", "how the load came on", False),
        Heading("used", "specimens that take part"),
        Heading("broke", "the specimen itself broke"),
        Heading("held", "held at the load; at least this strong"),
        Heading("slipped", "slipped out; what that means the log may say"),
        Heading("set aside", "rows that take no part, with reasons below"),
        Heading("batches", "purchase batches named in the log"),
        Heading("age [years]", "youngest to oldest"),
    ]
    rows = [_item_row(str(item), rows) for item, rows in log.table.groupby("item", sort=False)]
    blocks.append(Table.of("Specimens by item", heads, rows))
    facts = _facts(used)
    if facts:
        blocks.append(Bullets(tuple(facts)))
    return Section("tested", "What was tested", tuple(blocks))


def _item_row(item: str, rows: pd.DataFrame) -> list[Cell | str]:
    used = rows[rows["used"]]
    ages = used["age_years"].dropna()
    batches = [b for b in used["batch"].unique() if b]
    broke = int(used["broke"].sum())
    return [
        shorten(item),
        shorten(_distinct(used["orientation"]) or "not stated", 200),
        _distinct(used["method"]) or "not stated",
        str(len(used)),
        str(broke),
        str(len(used) - broke - int(used["slipped"].sum())),
        str(int(used["slipped"].sum())),
        str(len(rows) - len(used)),
        Cell(str(len(batches)) if batches else "not stated", hint=", ".join(batches)),
        f"{ages.min():g} to {ages.max():g}" if len(ages) else "not stated",
    ]


def _distinct(values: Any) -> str:
    return ", ".join(dict.fromkeys(str(v) for v in values if v))


def _facts(used: pd.DataFrame) -> list[str]:
    facts = []
    dates = sorted(str(d) for d in used["date"] if d)
    if dates:
        facts.append(f"Tested {dates[0]}" + (f" to {dates[-1]}." if dates[-1] != dates[0] else "."))
    for column, words in (("instrument", "Tested on"), ("condition", "Condition")):
        named = _distinct(used[column])
        if named:
            facts.append(f"{words}: {shorten(named, 300)}.")
    for column, words, unit in (
        ("drop_mass_kg", "Falling mass", "kg"),
        ("drop_height_m", "Fall height", "m"),
        ("sample_rate_hz", "Load recorder", "samples a second"),
    ):
        values = used[column].dropna()
        if len(values):
            span = f"{values.min():g}" if values.min() == values.max() else f"{values.min():g} to {values.max():g}"
            facts.append(f"{words}: {span} {unit}.")
    parts = _distinct(used.loc[~used["broke"], "failed_part"])
    if parts:
        facts.append(f"Where a specimen held, this gave way instead: {shorten(parts, 300)}.")
    return facts


def preamble(log: BreakLog) -> list[str]:
    """Text that stands above the header of the file: what the log says of itself."""
    found = log.findings[log.findings["message"].astype(str).str.startswith("stands above the header")]
    return [f"The file says of itself: {shorten(text, 600)}" for text in found["got"]]


def reader(log: BreakLog) -> Section:
    """What was found in the file, and the rows set aside, with the sum that shows that none is lost."""
    levels = log.findings["level"].value_counts()
    blocks: list[Block] = [Prose(sums_sentence(log))]
    blocks.append(set_aside_table(log) if log.n_set_aside else Prose("No row was set aside."))
    grave = [level for level in ("error", "warning") if levels.get(level, 0)]
    if grave:
        blocks.append(findings_table(log, grave))
    else:
        blocks.append(Prose("The reader found nothing that raises a doubt."))
    notes = int(levels.get("info", 0))
    if notes:
        summary = f"How the file was read: {phrases.count(notes, 'note')}"
        blocks.append(Fold(summary, (findings_table(log, ["info"]),)))
    return Section("reader", "What was found in the file, and rows set aside", tuple(blocks))


def raw(log: BreakLog) -> Section:
    """Every row of the log, folded."""
    return Section("raw", "The log itself", (Fold(f"All {phrases.count(log.n_rows, 'row')}", (raw_table(log),)),))


def provenance(log: BreakLog, *, command: str, seed: int, choices: Sequence[str]) -> Section:
    """Where the numbers come from: file, fingerprint, versions, seed, command."""
    from importlib.metadata import version

    source = log.source
    items = [
        f"File: {source.name or 'a table in hand'}" + (f", sheet {source.sheet}" if source.sheet else "") + ".",
        f"SHA-256 of the file: {source.sha256 or 'none, the table was in hand'}.",
        f"SHA-256 of the rows as used: {data_sha256(log.table)}.",
        *([f"The table was {log.edited}. The numbers are those of the edited table."] if log.edited else []),
        f"lowtail {__version__}; Python {platform.python_version()}; "
        + ", ".join(f"{name} {version(name)}" for name in LIBRARIES)
        + ".",
        f"Seed of everything that is drawn at random: {seed}.",
        *choices,
    ]
    if command:
        items.append(f"Command: {command}")
    return Section("provenance", "Where this page comes from", (Bullets(tuple(items)),))
