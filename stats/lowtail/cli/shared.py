"""What the commands share: reading, lists of words, JSON."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

if TYPE_CHECKING:
    import pandas as pd

    from lowtail._shared.choices import DecimalMark
    from lowtail._shared.sample import SlipsMean
    from lowtail.claims.group_checks import GroupChecks
    from lowtail.logs.breaks.log import BreakLog

__all__ = [
    "BY",
    "EXAMPLES",
    "bases_of",
    "checks_of",
    "name_of",
    "needed",
    "plain_checks",
    "plain_rows",
    "print_checks",
    "print_json",
    "read_log",
    "source_of",
    "words_of",
]

BY = ("item", "orientation", "method")
EXAMPLES = {
    "check": "lowtail check breaks.xlsx",
    "strength": "lowtail strength breaks.csv --basis B-basis --basis A-basis",
    "compare": 'lowtail compare breaks.csv --reference "slow pull" --other shock --margin 0.9',
    "plan": "lowtail plan breaks.csv --claim 22 --basis B-basis\n  lowtail plan --mean 25 --cv 0.06 --claim 22",
    "predict": "lowtail predict breaks.csv --next 5",
    "accept": "lowtail accept earlier.csv new_lot.csv --margin 0.9",
    "trace": "lowtail trace drop_01.csv drop_02.csv",
    "report": 'lowtail report breaks.csv --out page.html --title "Yearly retirement tests"',
    "demo": "lowtail demo try-lowtail",
}


def name_of(flag: str) -> Any:
    """Name of an option that cannot be a Python name."""
    from cyclopts import Parameter

    return Parameter(name=flag)


def checks_of(log: BreakLog, by: Sequence[str], checks: bool | None, **options: Any) -> list[GroupChecks] | None:
    """The checks of every group; None where they were not asked."""
    from lowtail.claims.group_checks import asked, check_groups

    return check_groups(log, by=by, **options) if asked(checks, log, by) else None


def print_checks(checked: list[GroupChecks] | None, told: bool | None, *, every: bool) -> None:
    """Print what the checks say; where they were left out unasked, say that."""
    from lowtail.report.page.sections_checks import NOT_ASKED, check_lines

    if checked is not None:
        print("", *check_lines(checked, every=every), sep="\n")
    elif told is None:
        print("", NOT_ASKED, sep="\n")


def plain_checks(checked: list[GroupChecks] | None) -> list[dict[str, Any]] | None:
    """One entry a group and question, for JSON; null where they were not asked."""
    from dataclasses import asdict

    return None if checked is None else [{"group": c.group, **asdict(one)} for c in checked for one in c.checks]


def source_of(log: BreakLog) -> dict[str, Any]:
    """File, fingerprint and the sum of rows, for JSON."""
    from lowtail.logs.edits import data_sha256

    used = int(log.table["used"].sum())
    return {
        "file": log.source.name, "sha256": log.source.sha256, "data_sha256": data_sha256(log.table),
        "edited": log.edited, "rows_in": len(log.table), "rows_used": used,
        "rows_set_aside": len(log.table) - used,
    }  # fmt: skip


def needed(file: Path | None, command: str) -> Path:
    """Return the FILE, or say that it is missing."""
    from lowtail.errors import InputError

    if file is None:
        raise InputError(f"`lowtail {command}` needs a FILE. Example: {EXAMPLES[command]}")
    return file


def words_of(words: Sequence[str] | None, default: Sequence[str]) -> tuple[str, ...]:
    """Repeated options and comma-separated lists alike: ``--by item --by method`` is ``--by item,method``."""
    if not words:
        return tuple(default)
    return tuple(part.strip() for word in words for part in word.split(",") if part.strip())


def bases_of(words: Sequence[str] | None) -> tuple[str, ...]:
    """Bases by name; a name may hold a comma itself ("5 %, 95 %"), so options are repeated, not split."""
    from lowtail.claims.strength.table import DEFAULT_BASES

    return tuple(words) if words else DEFAULT_BASES


def read_log(
    file: Path,
    sheet: str | None,
    unit: str | None,
    decimal: str | None,
    columns: Sequence[str] | None = None,
    labels: Sequence[str] | None = None,
    slips: str = "",
    area_mm2: float | None = None,
) -> BreakLog:
    """Read the break log as the options say."""
    from lowtail.logs.breaks.log import read_breaks

    return read_breaks(
        file,
        sheet=sheet,
        unit=unit,
        decimal=cast("DecimalMark | None", decimal),
        columns=_columns_of(columns),
        labels=_labels_of(labels),
        slips=cast("SlipsMean", slips),
        area_mm2=area_mm2,
    )


def _columns_of(words: Sequence[str] | None) -> dict[str, str] | None:
    """``NAME=HEADER`` as `read_breaks` wants it."""
    from lowtail.errors import InputError

    out = {}
    for word in words or ():
        name, mark, header = word.partition("=")
        if not (name.strip() and mark and header.strip()):
            raise InputError(f'`--columns` is written NAME=HEADER, e.g. load="Pull test", got {word!r}.')
        out[name.strip()] = header.strip()
    return out or None


def _labels_of(words: Sequence[str] | None) -> dict[str, dict[str, str]] | None:
    """``COLUMN:OLD=NEW`` as `read_breaks` wants it."""
    from lowtail.errors import InputError

    out: dict[str, dict[str, str]] = {}
    for word in words or ():
        column, mark, pair = word.partition(":")
        old, equals, new = pair.partition("=")
        if not (column.strip() and mark and old.strip() and equals and new.strip()):
            raise InputError(f"`--labels` is written COLUMN:OLD=NEW, e.g. method:shok=shock, got {word!r}.")
        out.setdefault(column.strip(), {})[old.strip()] = new.strip()
    return out or None


def print_json(command: str, body: dict[str, Any]) -> None:
    """Print one JSON object: version, command, and the answer."""
    from lowtail import __version__
    from lowtail._shared.caution import CAUTION

    whole = {"lowtail": __version__, "command": command, **body, "caution": CAUTION}
    print(json.dumps(whole, indent=2, default=str, allow_nan=False))


def plain_rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows of a table as plain values; a missing number is null."""
    rows = []
    for row in frame.to_dict(orient="records"):
        rows.append({str(k): _plain(v) for k, v in row.items()})
    return rows


def _plain(value: Any) -> Any:
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, float) and value - value != 0:
        return None
    if isinstance(value, (list, tuple)):
        return [_plain(v) for v in value]
    return value
