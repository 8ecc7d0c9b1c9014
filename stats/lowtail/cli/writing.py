"""The commands that write: report, demo, and the peaks of traces."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

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
    Unit,
    Units,
)
from lowtail.cli.shared import BY, plain_rows, print_json, read_log, words_of

if TYPE_CHECKING:
    from lowtail.report.phrases import Units as KnownUnits

__all__ = ["demo", "report", "trace"]


def trace(
    files: list[Path],
    /,
    *,
    unit: str | None = None,
    append: Path | None = None,
    cfc: int | None = None,
    out: Path | None = None,
    as_json: Json = False,
) -> int:
    """Read the peak load of force-time logs, one row a file.

    Parameters
    ----------
    files
        Force-time logs from a load cell: CSV or text.
    unit
        Unit of the force where the file does not say.
    append
        Add the rows to this break log; what stands there is not touched, and a backup is kept.
    cfc
        Filter class of ISO 6487 (e.g. 1000) to report beside the unfiltered peak. Default: no filter.
    out
        Write the table to this file (.csv, .xlsx or .json) as well.
    """
    from lowtail.logs.traces.append import append_to_log
    from lowtail.logs.traces.rows import trace_rows
    from lowtail.report.tables.blocks import terminal_width, text_table
    from lowtail.report.tables.text import check_table_file, trace_block, write_table

    check_table_file({"out": out}, files, {"append": append})
    options: dict[str, Any] = {} if unit is None else {"unit": unit}
    rows = trace_rows(files, cfc=cfc, **options)
    backup = None if append is None else append_to_log(rows, append)
    if out is not None:
        write_table(rows, out)
    if as_json:
        print_json("trace", {"rows": plain_rows(rows)})
    else:
        print(text_table(trace_block(rows), terminal_width()))
    if append is not None:
        kept = f"; the log as it was: {backup}" if backup else ""
        print(f"{len(rows)} rows added to {append}{kept}. Fill in item, method and outcome.", file=sys.stderr)
    return 0


def report(
    file: Log,
    *,
    out: Path | None = None,
    pdf: bool = False,
    table: Path | None = None,
    title: str = "Strength of tested gear",
    author: str = "",
    claim: float | None = None,
    by: By = None,
    basis: list[str] | None = None,
    family: Family = "weibull",
    borrow: Borrow = None,
    only: Only = None,
    compare: str = "method=slow pull,shock",
    margin: float = 0.9,
    pulse_width_ms: PulseWidth = None,
    units: Units = "kN",
    sheet: Sheet = None,
    unit: Unit = None,
    decimal: Decimal = None,
    columns: Columns = None,
    labels: Labels = None,
    slips: Slips = "",
    area_mm2: Area = None,
    checks: Checks = None,
    short: bool = False,
    jobs: int | None = None,
    as_json: Json = False,
) -> int:
    """Write everything the log can say as one page to publish.

    Parameters
    ----------
    out
        HTML file to write. Default: FILE_report.html beside FILE.
    pdf
        Write a PDF beside it.
    table
        Write the table of strengths to this file (.csv, .xlsx or .json).
    title
        Title of the page.
    author
        Who tested.
    claim
        Strength in kN that every group is held against, instead of the ratings in the log.
    basis
        Basis of the low-percentile strength, repeated for several.
    compare
        Arms to compare, as COLUMN=REFERENCE,OTHER; or none.
    margin
        Share of the reference strength that the other arm must keep.
    short
        A few sheets to hand on: without what is folded, the methods and the log.
    jobs
        Worker processes; the page does not depend on it. Default: one a core.
    """
    from lowtail.claims.strength.groups import DEFAULT_BASES, can_answer
    from lowtail.report.page.page import write_report
    from lowtail.report.tables.text import check_table_file

    target = out if out is not None else file.with_name(f"{file.stem}_report.html")
    check_table_file({"table": table}, [file], {"out": target, "pdf": target.with_suffix(".pdf") if pdf else None})
    page = write_report(
        read_log(file, sheet, unit, decimal, columns, labels, slips, area_mm2), target,
        by=words_of(by, BY), bases=tuple(basis or DEFAULT_BASES),
        family=family, borrow=words_of(borrow, ()) or None,
        claim=claim, title=title, author=author, only=only, compare=_arms(compare), margin=margin,
        pulse_width_ms=pulse_width_ms, units=cast("KnownUnits", units), pdf=pdf, table_file=table, checks=checks,
        short=short,
        n_jobs=jobs,
        command=_command(file.name, target.name),
    )  # fmt: skip
    if as_json:
        print_json("report", plain_rows(page.to_frame())[0] | {"claim": list(page.claim)})
    else:
        print(*page.claim, sep="\n")
        print(page)
        if page.pdf:
            print(f"PDF written to {page.pdf}")
    if not page.answers.possible:
        print(can_answer(page.answers.log, page.answers.by, page.answers.basis), file=sys.stderr)
    return 0 if page.answers.possible else 1


def demo(folder: Path) -> int:
    """Write the invented demonstration log and its page into a folder.

    Parameters
    ----------
    folder
        Folder to make or fill; files that stand there already are not touched.
    """
    from lowtail._shared.writing import check_writes, put
    from lowtail.errors import InputError

    source = _demo_log()
    log, page = folder / "park_breaks.csv", folder / "park_breaks_report.html"
    for there in (log, page):
        if os.path.lexists(there):
            raise InputError(f"{there} exists already and may be yours. Choose another folder.")
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as exc:
        raise InputError(f"{folder} cannot be made: {exc.strerror}. Choose another folder.") from None
    check_writes({"FOLDER": log})
    put(log, source.read_bytes(), new=True)
    print(f"Invented log written to {log}: no real park, product or test.")
    return report(log, out=page, title="Invented demonstration: a park's yearly retirement tests")


def _arms(words: str) -> tuple[str, str, str] | None:
    """Parse ``column=reference,other``; "none" means no comparison."""
    from lowtail.errors import InputError

    if words.strip().lower() == "none":
        return None
    column, _, values = words.partition("=")
    arms = [v.strip() for v in values.split(",")]
    if not column.strip() or len(arms) != 2 or not all(arms):
        raise InputError(f"`--compare` is written COLUMN=REFERENCE,OTHER or none, got {words!r}.")
    return column.strip(), arms[0], arms[1]


def _command(file: str, page: str) -> str:
    """The command line as typed, with folders taken off the two file names, for the page's provenance."""
    import shlex

    words = sys.argv[1:] if sys.argv[1:2] in (["report"], ["demo"]) else ["report", file, "--out", page]
    return "lowtail " + shlex.join(Path(w).name if "/" in w or "\\" in w else w for w in words)


def _demo_log() -> Path:
    """The demonstration log: inside the installed package, or beside the sources."""
    from lowtail.errors import InputError

    here = Path(__file__).resolve().parent
    for place in (here.parent / "demo" / "park_breaks.csv", here.parents[2] / "data" / "park_breaks.csv"):
        if place.is_file():
            return place
    raise InputError(
        "The demonstration log is not part of this installation. Reinstall lowtail, or use a log of yours."
    )
