"""The command: it parses words and calls the same public functions a notebook would; nothing is computed here.

Exit codes: 0 the answer stands; 1 the data cannot carry it, or the log has errors; 2 the command was used wrongly.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

if TYPE_CHECKING:
    import pandas as pd

    from lowtail.records.log import BreakLog

__all__ = ["main"]

FIVE = """\
lowtail {version}: how strong, at least, is this part, given a handful of breaks?

  lowtail check FILE        read a break log; list what was found in it and whether it can carry an answer
  lowtail strength FILE     low strength of every group, with honest bounds
  lowtail compare FILE      does shock loading weaken it? the ratio, and what the data could have shown
  lowtail plan ...          how many more to break before a claim is backed
  lowtail report FILE       all of it as one page to publish

  also: lowtail trace FILE...   peak load from a force-time log
        lowtail demo FOLDER     an invented log and its page, to look round

  lowtail COMMAND --help shows options and an example. FILE is CSV, TSV, XLSX, XLS or ODS.
  Exit codes: 0 answered; 1 the data cannot carry the answer; 2 wrong usage.
"""
_BY = ("item", "orientation", "method")
_EXAMPLES = {
    "check": "lowtail check breaks.xlsx",
    "strength": "lowtail strength breaks.csv --basis B-basis --basis A-basis",
    "compare": 'lowtail compare breaks.csv --reference "slow pull" --other shock --margin 0.9',
    "plan": "lowtail plan breaks.csv --claim 22 --basis B-basis\n  lowtail plan --mean 25 --cv 0.06 --claim 22",
    "trace": "lowtail trace drop_01.csv drop_02.csv",
    "report": 'lowtail report breaks.csv --out page.html --title "Yearly retirement tests"',
    "demo": "lowtail demo try-lowtail",
}


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command and return its exit code."""
    words = list(sys.argv[1:] if argv is None else argv)
    if words in ([], ["-h"], ["--help"], ["help"]):
        from lowtail import __version__

        print(FIVE.format(version=__version__), end="")
        return 0
    debug = "--debug" in words
    return _guarded(lambda: _run([w for w in words if w != "--debug"]), debug)


def _guarded(task: Callable[[], int], debug: bool) -> int:
    """Turn errors into a message and an exit code; with ``debug`` let them through."""
    from lowtail.errors import LowtailError, NoAnswerError, TableError

    try:
        return task()
    except BrokenPipeError:
        sys.stderr.close()
        return 0
    except KeyboardInterrupt:
        print("lowtail: stopped.", file=sys.stderr)
        return 130
    except (LowtailError, OSError) as exc:
        if debug:
            raise
        print(f"lowtail: {exc}", file=sys.stderr)
        return 1 if isinstance(exc, (TableError, NoAnswerError)) else 2


def _run(words: Sequence[str]) -> int:
    from cyclopts.exceptions import CycloptsError

    app = _app()
    try:
        code = app(list(words), exit_on_error=False, print_error=False, result_action="return_value")
    except CycloptsError as exc:
        print(f"lowtail: {exc}\nSee: lowtail --help", file=sys.stderr)
        return 2
    return code if isinstance(code, int) else 0


def _app() -> Any:
    from cyclopts import App

    from lowtail import __version__

    app = App(
        name="lowtail", version=__version__, help=FIVE.format(version=__version__), help_format="plaintext",
        help_formatter="plain", default_parameter=_default_parameter(),
    )  # fmt: skip
    for name, task in (
        ("check", check), ("strength", strength), ("compare", compare), ("plan", plan), ("trace", trace),
        ("report", report), ("demo", demo),
    ):  # fmt: skip
        app.command(task, name=name, help_epilogue=f"Example:\n  {_EXAMPLES[name]}")
    app.register_install_completion_command()
    return app


def _default_parameter() -> Any:
    from cyclopts import Parameter

    return Parameter(negative=())


# -- the commands -----------------------------------------------------------------------------------------------------


def check(
    file: Path | None = None,
    *,
    by: list[str] | None = None,
    sheet: str | None = None,
    unit: str | None = None,
    decimal: str | None = None,
    template: Path | None = None,
    as_json: Annotated[bool, _name("--json")] = False,
) -> int:
    """Read a break log, list what was found in it, and say whether it can carry an answer.

    Parameters
    ----------
    file
        Break log: CSV, TSV, XLSX, XLS or ODS.
    by
        Grouping columns, repeated or joined by commas. Default: item,orientation,method.
    sheet
        Sheet of a workbook.
    unit
        Unit of the loads where the file does not say: kN, N, daN, lbf, kgf ...
    decimal
        Decimal mark where the file does not settle it: "." or ",".
    template
        Write an empty log with the columns explained to this file, and stop.
    as_json
        Print JSON.
    """
    if template is not None:
        return _template(template)
    log = _read(_needed(file, "check"), sheet, unit, decimal)
    from lowtail.report.help import can_answer

    verdict = can_answer(log, by=_list(by, _BY))
    if as_json:
        _print_json("check", {**_source(log), "answer": verdict.sentence, "findings": _records(log.findings)})
    else:
        from lowtail.report.tables import findings_table, sums_sentence, text_table

        if len(log.findings):
            print(text_table(findings_table(log)), end="\n\n")
        print(sums_sentence(log))
        print(verdict.sentence)
    return 0 if verdict.possible else 1


def strength(
    file: Path,
    *,
    by: list[str] | None = None,
    basis: list[str] | None = None,
    family: str = "weibull",
    only: list[str] | None = None,
    units: str = "kN",
    sheet: str | None = None,
    unit: str | None = None,
    decimal: str | None = None,
    out: Path | None = None,
    as_json: Annotated[bool, _name("--json")] = False,
) -> int:
    """Low strength of every group, with its bounds.

    Parameters
    ----------
    file
        Break log: CSV, TSV, XLSX, XLS or ODS.
    by
        Grouping columns, repeated or joined by commas. Default: item,orientation,method.
    basis
        Basis of the low strength, repeated for several. Default: B-basis and A-basis.
    family
        Strength law: weibull, normal or lognormal.
    only
        Only groups whose name holds this text; repeated for several.
    units
        kN, or lbf for pound-force in brackets behind every kN.
    sheet
        Sheet of a workbook.
    unit
        Unit of the loads where the file does not say.
    decimal
        Decimal mark where the file does not settle it.
    out
        Write the full table to this file (.csv, .xlsx or .json) as well.
    as_json
        Print JSON.
    """
    from lowtail.claims.table import strength_table
    from lowtail.report.tables import only_groups, strength_block, text_table, write_table

    log = only_groups(_read(file, sheet, unit, decimal), only, by=_list(by, _BY))
    table = strength_table(log, by=_list(by, _BY), bases=_bases(basis), family=family)
    if out is not None:
        write_table(table, out)
    if as_json:
        _print_json("strength", {**_source(log), "rows": _records(table)})
    else:
        print(text_table(strength_block(table, units=units)))
    return 0 if bool(table["low"].notna().any()) else 1


# -- what the commands share ------------------------------------------------------------------------------------------


def _source(log: BreakLog) -> dict[str, Any]:
    used = int(log.table["used"].sum())
    return {
        "file": log.source.name, "sha256": log.source.sha256, "rows_in": len(log.table), "rows_used": used,
        "rows_set_aside": len(log.table) - used,
    }  # fmt: skip


def _needed(file: Path | None, command: str) -> Path:
    from lowtail.errors import InputError

    if file is None:
        raise InputError(f"`lowtail {command}` needs a FILE. Example: {_EXAMPLES[command]}")
    return file



def _list(words: Sequence[str] | None, default: Sequence[str]) -> tuple[str, ...]:
    """Repeated options and comma-separated lists alike: ``--by item --by method`` is ``--by item,method``."""
    if not words:
        return tuple(default)
    return tuple(part.strip() for word in words for part in word.split(",") if part.strip())


def _bases(words: Sequence[str] | None) -> tuple[str, ...]:
    """Bases by name; a name may hold a comma itself ("5 %, 95 %"), so options are repeated, not split."""
    return tuple(words) if words else ("B-basis", "A-basis")


def _read(file: Path, sheet: str | None, unit: str | None, decimal: str | None) -> BreakLog:
    from lowtail.records.log import read_breaks

    return read_breaks(file, sheet=sheet, unit=unit, decimal=decimal)


def _print_json(command: str, body: dict[str, Any]) -> None:
    from lowtail import __version__

    print(json.dumps({"lowtail": __version__, "command": command, **body}, indent=2, default=str, allow_nan=False))


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows of a table as plain values; a missing number is null."""
    rows = []
    for row in frame.to_dict(orient="records"):
        rows.append({str(k): _plain(v) for k, v in row.items()})
    return rows


def _plain(value: Any) -> Any:
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, float) and not (value - value == 0):
        return None
    if isinstance(value, (list, tuple)):
        return [_plain(v) for v in value]
    return value
