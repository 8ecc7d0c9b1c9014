"""Sections on the strength itself: the table by group, what stands behind it, and the rating check."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from lowtail._shared import numbers as _numbers
from lowtail.claims.basis import Basis, get_basis
from lowtail.claims.strength.borrowed import ASSUMED
from lowtail.claims.strength.borrowed_table import ALL, BORROWED, CONFLICT_P
from lowtail.claims.strength.governing import NAMES
from lowtail.claims.strength.judging import Verdict
from lowtail.claims.strength.notes import EARLY
from lowtail.claims.strength.table import StrengthTable, column_of
from lowtail.errors import LowtailError
from lowtail.glossary import meaning
from lowtail.models.confidence.siblings import CONFLICT, floor_confidence
from lowtail.report import phrases
from lowtail.report.tables.blocks import Block, Bullets, Cell, Fold, Heading, Prose, Section, Table
from lowtail.report.tables.rows import rows_of
from lowtail.report.tables.text import shorten

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "borrowed_block",
    "borrowed_words",
    "rating_block",
    "rating_section",
    "strength_block",
    "strength_section",
]

RULE = (
    "The bound that governs is the lowest of the Weibull bound, the normal bound and a cautious bound that assumes far "
    "less of the distribution; with two or more named batches it is the bound for a batch yet to come. Where specimens "
    "slipped and the log does not say what a slip means, the lower of both readings stands."
)

BATCHES_APART = (
    "These batches: the lowest of the single bounds. Next batch: for a batch not tested yet; with 2 or 3 batches "
    "it is low, because so few say little about the next. More batches with fewer specimens each raise it most."
)


def strength_section(
    table: StrengthTable, *, units: str, bases: Mapping[str, Basis], gains: Sequence[str] = ()
) -> Section:
    """The table of bounds by group, what its columns mean, and the wider tables behind it."""
    words = [f"{name}: {basis.content} ({basis.source}).{_rules(table, basis)}" for name, basis in bases.items()]
    blocks: list[Block] = [
        strength_block(table, units=units),
        Prose("How to read it", "head"),
        Bullets(
            (
                *words,
                "With that confidence, at least that share of the population the specimens came from is stronger than "
                "the bound.",
                RULE,
                "Bounds are cut down to three figures, never raised. A bound far below the lowest break is no error: "
                "it is what so few specimens can show.",
            )
        ),
        Fold("What stands behind each bound", (*_behind(table, units), Prose(BATCHES_APART))),
        Fold("Best estimates, and what mean - 3 s really shows", (_estimates(table, units),)),
    ]
    if BORROWED in table.columns:
        blocks.append(Fold("With scatter borrowed from sibling groups", _borrowed(table, units, gains)))
    noted = [f"{shorten(r.group)}: {r.notes}" for r in rows_of(table) if r.notes]
    if noted:
        blocks.append(Fold(f"Remarks on {phrases.count(len(noted), 'group')}", (Bullets(tuple(noted)),)))
    return Section("strength", "Lower bounds of every group", tuple(blocks))


def _rules(table: pd.DataFrame, basis: Basis) -> str:
    """What is missing from the handbook's sampling rules in any group."""
    note = basis.sampling_note(int(table["n"].min()), 0)
    return f" {note}" if note else ""


def strength_block(table: StrengthTable, *, units: str = "kN") -> Table:
    """A row a group: counts, lowest break, mean, CV, and the bound that governs on every basis."""
    bases = table.asked.bases
    heads = [
        Heading("group", meaning("group"), False),
        Heading(_counted(table), "specimens that broke, that held at their load, and that slipped out"),
        Heading("lowest break [kN]", "lowest load at which a specimen broke"),
        Heading("mean [kN]", "mean load; with survivors the mean of the fitted normal distribution"),
        Heading("CV", "coefficient of variation: standard deviation over mean"),
    ]
    for basis in bases:
        content = get_basis(basis).content if _known(basis) else basis
        heads.append(Heading(f"{basis} [kN]", f"lower bound that governs: {content}"))
        heads.append(Heading("governed by", "what sets that bound", False))
    rows = [_strength_row(row, bases, _slips(table), units) for _, row in table.iterrows()]
    return Table.of("Lower bounds by group", heads, rows)


def _slips(table: pd.DataFrame) -> bool:
    return bool((table["n_slipped"] > 0).any())


def _counted(table: pd.DataFrame) -> str:
    return "broke + held + slipped" if _slips(table) else "broke + held"


def _known(basis: str) -> bool:
    try:
        get_basis(basis)
    except LowtailError:
        return False
    return True


def _strength_row(row: Any, bases: Sequence[str], slips: bool, units: str) -> list[Cell | str]:
    counts = f"{row['n_broken']} + {row['n_held']}" + (f" + {row['n_slipped']}" if slips else "")
    cells: list[Cell | str] = [
        shorten(row["group"]),
        counts,
        _kn(row["lowest_kN"], units),
        _kn(row["mean_kN"], units),
        phrases.percent(float(f"{row['cv']:.2g}")) if np.isfinite(row["cv"]) else "none",
    ]
    for basis in bases:
        by = str(row[column_of(basis, "governed by")])
        cells.append(_bound(row[column_of(basis)], units, f"{basis}, governed by {by}; {row['n']} specimens"))
        cells.append(by or "none")
    return cells


def _kn(value: float, units: str) -> str:
    return phrases.force(value, units).replace(" kN", "", 1)


def _bound(value: float, units: str, hint: str) -> Cell:
    if not np.isfinite(value):
        return Cell("none", "the data carry no bound: see the remarks", "bad")
    if value <= 0:
        return Cell("0", f"{hint}: these specimens show no useful low-percentile strength", "bad")
    return Cell(phrases.force_low(value, units).replace(" kN", "", 1), hint)


def _behind(table: StrengthTable, units: str) -> list[Table]:
    """The single bounds behind each governing one, a table a basis."""
    return [_behind_basis(table, basis, units) for basis in table.asked.bases]


def _behind_basis(table: pd.DataFrame, basis: str, units: str) -> Table:
    columns = {
        what: column_of(basis, what)
        for what in ("these batches", "next batch", *NAMES.values(), "cautious")
        if column_of(basis, what) in table.columns
    }
    heads = [
        Heading("group", meaning("group"), False),
        *(Heading(f"{what} [kN]", meaning(column)) for what, column in columns.items()),
    ]
    rows: list[list[Cell | str]] = []
    for _, row in table.iterrows():
        cells = [
            _bound(row[c], units, c) if np.isfinite(row[c]) else Cell("none", "no such bound here")
            for c in columns.values()
        ]
        rows.append([shorten(row["group"]), *cells])
    return Table.of(f"Bounds behind the one that governs: {basis}", heads, rows)


def _estimates(table: StrengthTable, units: str) -> Table:
    bases = table.asked.bases
    heads = [Heading("group", meaning("group"), False)]
    heads += [
        Heading(
            column_of(b, "estimate"),
            "best single value of that percentile, no margin in it: half of such values are too high",
        )
        for b in bases
    ]
    heads += [
        Heading("mean - 3 s [kN]", "a habit: mean less three standard deviations"),
        Heading(
            "demonstrated at 95 %",
            "share of the population demonstrated to be stronger than mean - 3 s, if the distribution is normal",
        ),
    ]
    rows: list[list[Cell | str]] = []
    for _, row in table.iterrows():
        shows = row["three_s_shows"]
        rows.append(
            [
                shorten(row["group"]),
                *(_kn(row[column_of(b, "estimate")], units) for b in bases),
                _kn(row["mean_minus_3s_kN"], units),
                f"{_numbers.percent_down(shows)} stronger" if np.isfinite(shows) else "not defined with survivors",
            ]
        )
    note = (
        "mean - 3 s is a habit, not a bound: with few specimens it shows far less than the 99.9 % it is often "
        "taken for."
    )
    return Table.of("Estimates without margin", heads, rows, [note])


def borrowed_block(table: StrengthTable, *, units: str = "kN") -> Table:
    """A row a group: the own bound, the bound with borrowed scatter, and the conflict p."""
    bases = [b for b in table.asked.bases if column_of(b, BORROWED) in table.columns]
    own = NAMES[table.asked.borrow_family]
    heads = [Heading("group", meaning("group"), False)]
    for basis in bases:
        heads += [
            Heading(f"{basis}, {own}, own [kN]", "bound from this group alone"),
            Heading("borrowed [kN]", "bound with scatter borrowed from the sibling groups"),
        ]
    heads.append(Heading("conflict p", meaning(CONFLICT_P)))
    rows: list[list[Cell | str]] = []
    for _, row in table.iterrows():
        chance = row[CONFLICT_P]
        cells: list[Cell | str] = [shorten(row["group"])]
        for basis in bases:
            cells += [
                _bound(row[column_of(basis, own)], units, "own scatter"),
                _bound(row[column_of(basis, BORROWED)], units, row[BORROWED]),
            ]
        refused = ", refused" if chance < CONFLICT else ""
        cells.append(f"{_numbers.p_value(chance)}{refused}" if np.isfinite(chance) else "none")
        rows.append(cells)
    return Table.of("Own scatter and borrowed scatter", heads, rows)


def borrowed_words(table: StrengthTable) -> str:
    """What the borrowed bounds of a table assume and promise."""
    columns = list(table.asked.borrow)
    kin = "All groups" if columns == [ALL] else f"Groups of one {phrases.join(columns or ['item'])}"
    levels = dict.fromkeys(get_basis(b).confidence for b in table.asked.bases if _known(b))
    kept = phrases.join(
        [f"{_numbers.percent_down(floor_confidence(g), 0)} for {_numbers.percent_down(g)}" for g in levels]
    )
    alone = f" (at least {kept})" if kept else ""
    return (
        f"{kin} lend each other their scatter, though not their strength. The confidence then holds on average over "
        f"groups whose scatters differ as these do; for one group alone, whatever the others are, a lower one holds"
        f"{alone}. Where a group is more scattered than the others let expect, pooling is refused and its own bound "
        "stands; so few breaks often do not show it. A group less scattered than the others can end below its own "
        "bound. The own bound stands beside it, and the rating is never judged on borrowed scatter."
    )


def _borrowed(table: StrengthTable, units: str, said: Sequence[str]) -> tuple[Block, ...]:
    lines = (Bullets(tuple(said)),) if said else ()
    told = [(shorten(row.group), str(text)) for row, text in zip(rows_of(table), table[BORROWED], strict=True)]
    apart = [f"{group}: {text}" for group, text in told if not text.startswith(ASSUMED)]
    early = [group for group, text in told if text.startswith(ASSUMED) and EARLY in text]
    if early:
        apart.append(f"{EARLY}; the own bound is checked by simulation, the borrowed one is not: {'; '.join(early)}.")
    rest = (Bullets(tuple(apart)),) if apart else ()
    return Prose(borrowed_words(table)), *lines, borrowed_block(table, units=units), *rest


def rating_section(ratings: pd.DataFrame | None, *, what: str, basis: Basis, units: str, why_none: str) -> Section:
    """The rating, or the claim, against the data."""
    if ratings is None or ratings.empty:
        return Section("rating", "Rating check", (Prose(why_none),))
    verdicts = [Verdict(v) for v in ratings["verdict"]]
    parts = [
        f"{verdict} in {phrases.count(verdicts.count(verdict), 'group')}" for verdict in Verdict if verdict in verdicts
    ]
    lead = f"{what[:1].upper()}{what[1:]} on {basis.name} ({basis.content}): {phrases.join(parts)}."
    text = (
        "Not shown does not mean too weak: it means that these specimens cannot show it. Backed without more words "
        "speaks of a batch yet to come. A maker's rating may rest on another rule than this one; this table compares, "
        "it does not re-rate."
    )
    return Section(
        "rating",
        "Rating check" if what == "the rating" else "The claim",
        (Prose(lead, "lead"), rating_block(ratings, units=units), Prose(text)),
    )


def rating_block(ratings: pd.DataFrame, *, units: str = "kN") -> Table:
    """A row a group: the rated value, the bound, the confidence it is shown with, and the verdict in words."""
    heads = [
        Heading("group", meaning("group"), False),
        Heading("rated [kN]", meaning("rated_kN")),
        Heading("lower bound [kN]", "the bound that governs"),
        Heading("governed by", "what sets that bound", False),
        Heading("demonstrated", "confidence already demonstrated that the rating holds, for specimens like these"),
        Heading("verdict", "", False),
    ]
    rows: list[list[Cell | str]] = []
    for row in rows_of(ratings):
        verdict = Verdict(row.verdict)
        rows.append(
            [
                shorten(row.group),
                f"{row.rated_kN:g}" if np.isfinite(row.rated_kN) else "several",
                _bound(row.low_kN, units, f"governed by {row.governed_by}"),
                row.governed_by or "none",
                _numbers.confidence(row.confidence),
                Cell(row.sentence, mark=mark_of(verdict)),
            ]
        )
    return Table.of("Rating against data", heads, rows)


def mark_of(verdict: Verdict) -> str:
    """How a verdict is marked: good, bad, or not at all."""
    return "good" if verdict.backed else "bad" if verdict.below else ""
