"""The commands that answer from a log: check, strength, compare."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from lowtail.cli.options import (
    Area,
    Borrow,
    By,
    Checks,
    Columns,
    Decimal,
    Family,
    Json,
    Labels,
    Log,
    Only,
    PulseWidth,
    Sheet,
    Slips,
    TableFile,
    Unit,
    Units,
)
from lowtail.cli.shared import (
    BY,
    bases_of,
    checks_of,
    needed,
    plain_checks,
    plain_rows,
    print_checks,
    print_json,
    read_log,
    source_of,
    words_of,
)

if TYPE_CHECKING:
    from lowtail.claims.comparison.joint import Joint
    from lowtail.claims.comparison.table import ComparisonTable

__all__ = ["check", "compare", "strength"]


def check(
    file: Path | None = None,
    *,
    by: By = None,
    sheet: Sheet = None,
    unit: Unit = None,
    decimal: Decimal = None,
    columns: Columns = None,
    labels: Labels = None,
    slips: Slips = "",
    area_mm2: Area = None,
    checks: Checks = None,
    template: Path | None = None,
    as_json: Json = False,
) -> int:
    """Read a break log, list what was found in it, say whether it can carry an answer, and what to doubt.

    Parameters
    ----------
    file
        Break log: CSV, TSV, XLSX, XLS or ODS.
    template
        Write an empty log with the columns explained to this file, and stop.
    """
    if template is not None:
        return _template(template)
    log = read_log(needed(file, "check"), sheet, unit, decimal, columns, labels, slips, area_mm2)
    from lowtail.claims.strength.groups import can_answer
    from lowtail.logs.sheets.near_columns import pools_unlike

    groups = words_of(by, BY)
    verdict = can_answer(log, by=groups)
    checked = checks_of(log, groups, checks) if verdict.possible else None
    doubt = pools_unlike(log.findings, groups)
    if as_json:
        body = {
            "answer": verdict.sentence,
            "in_doubt": doubt,
            "findings": plain_rows(log.findings),
            "checks": plain_checks(checked),
        }
        print_json("check", {**source_of(log), **body})
    else:
        from lowtail.report.tables.blocks import terminal_width, text_table
        from lowtail.report.tables.text import findings_table, sums_sentence

        if len(log.findings):
            print(text_table(findings_table(log), terminal_width()), end="\n\n")
        print(sums_sentence(log))
        print(*filter(None, (verdict.sentence, doubt)), sep="\n")
        if verdict.possible:
            print_checks(checked, checks, every=True)
    return 0 if verdict.possible and not doubt else 1


def strength(
    file: Log,
    *,
    by: By = None,
    basis: list[str] | None = None,
    family: Family = "weibull",
    borrow: Borrow = None,
    only: Only = None,
    units: Units = "kN",
    sheet: Sheet = None,
    unit: Unit = None,
    decimal: Decimal = None,
    columns: Columns = None,
    labels: Labels = None,
    slips: Slips = "",
    area_mm2: Area = None,
    checks: Checks = None,
    out: TableFile = None,
    as_json: Json = False,
) -> int:
    """Lower bounds of every group, and whether each meets its rating.

    Parameters
    ----------
    basis
        Basis, repeated for several. Default: A-basis, B-basis and 5 % characteristic, 75 %.
    """
    from lowtail.claims.basis import as_bases
    from lowtail.claims.strength.groups import group_strengths, judging_basis
    from lowtail.claims.strength.table import table_of
    from lowtail.models.distributions.families import get_family
    from lowtail.report.first_lines import lines_of
    from lowtail.report.page.sections_strength import borrowed_block, borrowed_words, strength_block
    from lowtail.report.phrases import check_units
    from lowtail.report.tables.blocks import terminal_width, text_table
    from lowtail.report.tables.rows import rows_of
    from lowtail.report.tables.text import check_table_file, only_groups, write_table

    check_units(units)
    check_table_file({"out": out}, [file])

    groups = words_of(by, BY)
    log = only_groups(read_log(file, sheet, unit, decimal, columns, labels, slips, area_mm2), only, by=groups)
    bases = as_bases(bases_of(basis))
    on = judging_basis(bases)
    judged = group_strengths(log, groups, bases, rating_basis=on)
    table = table_of(judged, bases, get_family(family), on, by=groups, borrow=words_of(borrow, ()) or None)
    first = lines_of(judged, on)
    remarks = [
        f"{row.group}: {remark}"
        for row in rows_of(table)
        for remark in (row.sentence and f"rating: {row.sentence}", row.notes)
        if remark
    ]
    possible = any(g.bound(b.name) is not None for g in judged for b in bases)
    checked = checks_of(log, groups, checks, family=family) if possible else None
    if out is not None:
        write_table(table, out, [*first, *remarks])
    if as_json:
        body = {"first_lines": first, "rows": plain_rows(table), "checks": plain_checks(checked)}
        print_json("strength", {**source_of(log), **body})
    else:
        print(*first, sep="\n", end="\n\n")
        print(text_table(strength_block(table, units=units), terminal_width()))
        if borrow:
            print("", text_table(borrowed_block(table, units=units), terminal_width()), sep="\n")
            print(f"  {borrowed_words(table)}")
        for remark in remarks:
            print(f"  {remark}")
        if possible:
            print_checks(checked, checks, every=False)
            if checked:
                print(f"  Every check of every group: lowtail check {file.name}")
    return 0 if possible else 1


def compare(
    file: Log,
    *,
    by: list[str] | None = None,
    factor: str = "method",
    reference: str = "slow pull",
    other: str | None = None,
    margin: float | None = None,
    pulse_width_ms: PulseWidth = None,
    only: Only = None,
    units: Units = "kN",
    sheet: Sheet = None,
    unit: Unit = None,
    decimal: Decimal = None,
    columns: Columns = None,
    labels: Labels = None,
    slips: Slips = "",
    area_mm2: Area = None,
    out: TableFile = None,
    as_json: Json = False,
) -> int:
    """Compare two arms in every group: shock against slow pull, or the values of any other column.

    Parameters
    ----------
    by
        Grouping columns, repeated or joined by commas. Default: item,orientation.
    factor
        Column that tells the arms apart.
    reference
        Its value to compare against.
    other
        Its value compared. Default: every other value found.
    margin
        Share of the reference strength that must be kept: 0.9 asks "keeps at least 90 %".
    """
    from lowtail.claims.comparison.table import compare_table
    from lowtail.report.page.sections_comparison import comparison_block, comparison_summary
    from lowtail.report.phrases import check_units
    from lowtail.report.tables.blocks import terminal_width, text_table
    from lowtail.report.tables.rows import rows_of
    from lowtail.report.tables.text import check_table_file, only_groups, write_table

    check_units(units)
    check_table_file({"out": out}, [file])

    groups = words_of(by, tuple(c for c in BY if c != factor))
    log = only_groups(read_log(file, sheet, unit, decimal, columns, labels, slips, area_mm2), only, by=groups)
    table = compare_table(
        log, factor=factor, reference=reference, other=other, by=groups, margin=margin, pulse_width_ms=pulse_width_ms
    )
    if out is not None:
        write_table(table.drop(columns="low_ratios"), out)
    answered = table[table["ratio"].notna()]
    if as_json:
        rows = {"rows": plain_rows(table.drop(columns="low_ratios"))}
        joint = _joint(table)
        together = {} if joint is None else {"joint": plain_rows(joint.to_frame()), "sets": plain_rows(joint.sets)}
        print_json("compare", {**source_of(log), **rows, **together})
    else:
        if len(answered):
            if (joint := _joint(table)) is not None:
                print(comparison_summary(table, reference=joint.reference, other=joint.other), end="\n\n")
            print(text_table(comparison_block(answered, units=units), terminal_width()), end="\n\n")
        for row in rows_of(table):
            print(f"{row.group}: {row.sentence}")
    return 0 if len(answered) else 1


def _joint(table: ComparisonTable) -> Joint | None:
    """What all comparisons say together, where they can be joined."""
    from lowtail.errors import NoAnswerError

    try:
        return table.joint
    except NoAnswerError:
        return None


def _template(target: Path) -> int:
    from lowtail.logs.breaks.export import write_template

    write_template(target)
    print(f"Empty log with its columns explained written to {target}.")
    return 0
