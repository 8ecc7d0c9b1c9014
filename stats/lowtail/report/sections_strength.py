"""Sections on the low strength itself: the table by group, and the rating check."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from lowtail.claims.basis import Basis, get_basis
from lowtail.errors import LowtailError
from lowtail.glossary import meaning
from lowtail.report import phrases
from lowtail.report.blocks import Block, Bullets, Cell, Fold, Heading, Prose, Section, Table
from lowtail.report.plots_low_bounds import bases_of
from lowtail.report.rows import rows_of
from lowtail.report.tables import shorten

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["LAWS", "rating_block", "rating_section", "strength_block", "strength_section"]

LAWS = {"weibull": "Weibull", "normal": "normal", "lognormal": "lognormal"}


def strength_section(table: pd.DataFrame, *, units: str, bases: Mapping[str, Basis]) -> Section:
    """The table of low strengths by group, what its columns mean, and the wider tables behind it."""
    law = LAWS.get(str(table.attrs.get("family")), str(table.attrs.get("family")))
    words = [f"{name}: {basis.content} ({basis.source})." for name, basis in bases.items()]
    blocks: list[Block] = [
        strength_block(table, units=units),
        Prose("How to read it", "head"),
        Bullets(
            (
                *words,
                f"A low bound says: at that confidence, at least this share of the population these specimens came "
                f"from is stronger. Headline law: {law}; "
                "the normal law stands beside it; a rating is judged on the lowest of these and, where it governs, "
                "the bound for "
                "batches yet to come.",
                "Bounds are cut down to three figures, never raised. A bound far below the lowest break is no error: "
                "it is what so few specimens can show.",
            )
        ),
        Fold("Best estimates, and what mean - 3 s really shows", (_estimates(table, units),)),
    ]
    if any(str(c).endswith(", shared spread") for c in table.columns):
        blocks.append(Fold("With the scatter shared between sibling groups", _shared(table, units)))
    if any(str(c).endswith(", batches") for c in table.columns):
        blocks.append(Fold("For batches yet to come", _batches(table, units)))
    noted = [f"{shorten(r.group)}: {r.notes}" for r in rows_of(table) if r.notes]
    if noted:
        blocks.append(Fold(f"Remarks on {phrases.count(len(noted), 'group')}", (Bullets(tuple(noted)),)))
    return Section("strength", "Low strength of every group", tuple(blocks))


def strength_block(table: pd.DataFrame, *, units: str = "kN") -> Table:
    """A row a group: counts, lowest break, mean, scatter, and the bounds of every basis."""
    bases = bases_of(table)
    law = LAWS.get(str(table.attrs.get("family")), "")
    both = table.attrs.get("family") != "normal"
    heads = [
        Heading("group", meaning("group"), False),
        Heading("broke + held", "specimens that broke, and specimens that held at their load"),
        Heading("lowest break [kN]", "lowest load at which a specimen broke"),
        Heading("mean [kN]", "mean load; with survivors the mean of the fitted normal law"),
        Heading("scatter", "coefficient of variation: standard deviation over mean"),
    ]
    for basis in bases:
        content = get_basis(basis).content if _known(basis) else basis
        heads.append(Heading(f"{basis}, {law} [kN]", f"low bound: {content}"))
        if both:
            heads.append(Heading("normal [kN]", f"the same bound by the normal law: {content}"))
    rows = [_strength_row(row, bases, both, units, law) for _, row in table.iterrows()]
    return Table.of("Low strength by group", heads, rows)


def _known(basis: str) -> bool:
    try:
        get_basis(basis)
    except LowtailError:
        return False
    return True


def _strength_row(row: Any, bases: Sequence[str], both: bool, units: str, law: str) -> list[Cell | str]:
    counts = f"{row['n_broken']} + {row['n_held']}"
    cells: list[Cell | str] = [
        shorten(row["group"]),
        counts,
        _kn(row["lowest_kN"], units),
        _kn(row["mean_kN"], units),
        phrases.percent(float(f"{row['cv']:.2g}")) if np.isfinite(row["cv"]) else "none",
    ]
    why = f"{row['n']} specimens, {counts} broke + held"
    for basis in bases:
        cells.append(_bound(row[basis], units, f"{basis} by the {law} law, {why}"))
        if both:
            cells.append(_bound(row[f"{basis}, normal"], units, f"{basis} by the normal law, {why}"))
    return cells


def _kn(value: float, units: str) -> str:
    return phrases.force(value, units).replace(" kN", "", 1)


def _bound(value: float, units: str, hint: str) -> Cell:
    if not np.isfinite(value):
        return Cell("none", "the data carry no bound: see the remarks", "bad")
    if value <= 0:
        return Cell("0", f"{hint}: these specimens show no useful low strength", "bad")
    return Cell(phrases.force_low(value, units).replace(" kN", "", 1), hint)


def _estimates(table: pd.DataFrame, units: str) -> Table:
    bases = bases_of(table)
    heads = [Heading("group", meaning("group"), False)]
    heads += [
        Heading(
            f"{b}, estimate [kN]",
            "best single value of that low strength, no margin in it: half of such values are too high",
        )
        for b in bases
    ]
    heads += [
        Heading("mean - 3 s [kN]", "a habit: mean less three standard deviations"),
        Heading(
            "it shows",
            "share of the population shown to be stronger than mean - 3 s, at 95 % confidence, if the law is normal",
        ),
    ]
    rows: list[list[Cell | str]] = []
    for _, row in table.iterrows():
        shows = row["three_s_shows"]
        rows.append(
            [
                shorten(row["group"]),
                *(_kn(row[f"{b}, estimate"], units) for b in bases),
                _kn(row["mean_minus_3s_kN"], units),
                f"{phrases.percent(np.floor(1000 * shows) / 1000)} stronger"
                if np.isfinite(shows)
                else "not defined with survivors",
            ]
        )
    note = (
        "mean - 3 s is a habit, not a bound: with few specimens it shows far less than the 99.9 % it is often "
        "taken for."
    )
    return Table.of("Estimates without margin", heads, rows, [note])


def _batches(table: pd.DataFrame, units: str) -> tuple[Block, ...]:
    bases = [b for b in bases_of(table) if f"{b}, batches" in table.columns]
    heads = [Heading("group", meaning("group"), False)]
    for basis in bases:
        heads += [
            Heading(f"{basis}, these batches [kN]", "bound that takes all specimens as one population"),
            Heading("next batch [kN]", "bound that counts the difference between batches: for a batch not tested yet"),
        ]
    rows: list[list[Cell | str]] = []
    for _, row in table.iterrows():
        cells: list[Cell | str] = [shorten(row["group"])]
        for basis in bases:
            over = row[f"{basis}, batches"]
            cells.append(_bound(row[basis], units, "all specimens together"))
            cells.append(
                _bound(over, units, "over batches") if np.isfinite(over) else Cell("none", "no such bound here")
            )
        rows.append(cells)
    text = (
        "The bounds above speak for gear from the batches that were tested. Gear bought tomorrow comes from another "
        "batch; "
        "the bound over batches counts that, and with 2 or 3 batches it is low, because so few say little about the "
        "next. "
        "More batches with fewer specimens each would raise it most."
    )
    return Prose(text), Table.of("These batches and the next one", heads, rows)


def _shared(table: pd.DataFrame, units: str) -> tuple[Block, ...]:
    bases = [b for b in bases_of(table) if f"{b}, shared spread" in table.columns]
    kin = phrases.join(list(table.attrs.get("shared_by", [])) or ["item"])
    heads = [Heading("group", meaning("group"), False)]
    for basis in bases:
        heads += [
            Heading(f"{basis}, own [kN]", "bound from this group alone"),
            Heading("shared [kN]", "bound with one scatter for all sibling groups"),
        ]
    rows: list[list[Cell | str]] = []
    for _, row in table.iterrows():
        cells: list[Cell | str] = [shorten(row["group"])]
        for basis in bases:
            cells += [
                _bound(row[basis], units, "own scatter"),
                _bound(row[f"{basis}, shared spread"], units, "shared scatter"),
            ]
        rows.append(cells)
    text = (
        f"Groups of one {kin} may share their scatter, though not their strength. If they do, each bound can lean "
        f"on all the siblings' breaks. This is an "
        "assumption about the gear, not something so few breaks can prove; the group's own bound stands beside it, "
        "and the rating is judged on the own bound."
    )
    said = tuple(table.attrs.get("shared_said", ()))
    lines = (Bullets(said),) if said else ()
    return Prose(text), *lines, Table.of("Own scatter and shared scatter", heads, rows)


def rating_section(ratings: pd.DataFrame | None, *, what: str, basis: Basis, units: str, why_none: str) -> Section:
    """The rating, or the claim, against the data."""
    if ratings is None or ratings.empty:
        return Section("rating", "Rating check", (Prose(why_none),))
    backed = int(ratings["verdict"].str.startswith("backed").sum())
    below = int(ratings["verdict"].str.startswith("broke below").sum())
    lead = (
        f"On {basis.name} ({basis.content}) the data back {what} of {backed} of {phrases.count(len(ratings), 'group')}."
    )
    if below:
        lead += f" In {phrases.count(below, 'group')} a specimen broke below it."
    text = (
        "Not shown does not mean too weak: it means that these specimens cannot show it. Judged on the lowest of the "
        "headline law, the normal law and, where 3 or more batches differ, the bound over batches to come. "
        "A maker's rating may rest on another rule than this one; this table compares, it does not re-rate."
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
        Heading("low bound [kN]", "the lower of the two laws' bounds"),
        Heading("shown with", "confidence with which the data show that the rating holds at this content"),
        Heading("broke below", "specimens that broke under the rating"),
        Heading("verdict", "", False),
    ]
    rows: list[list[Cell | str]] = []
    for row in rows_of(ratings):
        mark = "good" if row.verdict.startswith("backed") else "bad" if row.verdict.startswith("broke") else ""
        shown = _confidence(row.confidence)
        rows.append(
            [
                shorten(row.group),
                f"{row.rated_kN:g}" if np.isfinite(row.rated_kN) else "several",
                _bound(row.low_kN, units, "lower of the two laws"),
                shown,
                f"{row.broke_below} of {row.n}",
                Cell(row.verdict, mark=mark),
            ]
        )
    return Table.of("Rating against data", heads, rows)


def _confidence(value: float) -> str:
    """A confidence in tenths of a percent, never rounded up, never a bare 0 or 100."""
    if not np.isfinite(value):
        return "none"
    if value < 0.001:
        return "under 0.1 %"
    return "over 99.9 %" if value > 0.999 else phrases.percent(np.floor(1000 * value) / 1000)
