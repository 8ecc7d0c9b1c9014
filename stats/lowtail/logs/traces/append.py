"""Rows of traces added to a break log that is otherwise left as it stands."""

from __future__ import annotations

import csv
import io
import os
import shutil
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from lowtail._shared.checks import door
from lowtail._shared.writing import as_bytes, check_writes, locked, put
from lowtail.errors import InputError, TableError
from lowtail.logs.breaks.export import safe_text
from lowtail.logs.cells import as_text, decimal_mark, key
from lowtail.logs.sheets.grid import Grid
from lowtail.logs.sheets.header import EACH, IN_COMMON, Header
from lowtail.logs.sheets.sheets import grid_of
from lowtail.logs.traces.budget import kN_text
from lowtail.logs.units import from_kN, read_force_unit, read_other_unit

__all__ = ["append_to_log"]

_NOTHING = "Nothing was added."
_NEW_HEADER = (
    "specimen", "item", "orientation", "method", "load [kN]", "outcome", "load_uncertainty [kN]",
    "common_uncertainty [%]", "sample_rate_hz", "note",
)  # fmt: skip
_NUMBERS = ("load", "sample_rate_hz", EACH, IN_COMMON)
_GIVEN = (
    "item",
    "orientation",
    "method",
    "outcome",
    "failed_part",
    "assembly",
    "failure_site",
    "batch",
    "condition",
    "date",
    "instrument",
)


@door
def append_to_log(rows: pd.DataFrame, log_path: str | os.PathLike[str]) -> Path | None:
    r"""Add rows of `trace_rows` to a break log; every byte that stands there stays.

    The peak goes into the log's load column in the log's own unit, the sampling rate, a note and, where the log has
    columns for them, the uncertainty of this peak by itself and that which all peaks of the load cell have in common.
    Item, method, outcome and the like stay empty, unless ``rows`` has columns of these names: a trace knows none;
    the log cannot be read until they are filled in. A clipped peak is written as ``>load``.

    Parameters
    ----------
    rows : DataFrame
        As from `trace_rows`; columns ``specimen``, ``item``, ``method``, ``outcome`` ... may be set or corrected first.
    log_path : path
        A break log as CSV or TSV; a new one is made where none stands.

    Returns
    -------
    Path or None
        The backup copy of the log as it was, ``LOG.bak``; None for a new log. A later call takes the place of the copy
        where all it holds stands in the log still, and makes a further one (``LOG.bak2``) where it holds what was
        changed since. Calls from several processes and threads wait for each other.

    Raises
    ------
    InputError
        If the log is a workbook, names a specimen already, states no unit of load, or changed meanwhile.
    TableError
        If the log's header cannot be found.

    See Also
    --------
    trace.trace_rows : the rows to add.
    read_breaks : reads the log once it is filled in.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> import lowtail as lt
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     force = [0] * 20 + list(range(12)) + [0] * 20
    ...     record, file = pathlib.Path(folder) / "s7.csv", pathlib.Path(folder) / "log.csv"
    ...     _ = record.write_text("Time [ms];Force [kN]\n" + "".join(f"{i};{f}\n" for i, f in enumerate(force)))
    ...     rows = lt.trace.trace_rows([record], progress=False).assign(item="sling", method="shock", outcome="broke")
    ...     backup = lt.trace.append_to_log(rows, file)
    ...     log = lt.read_breaks(file)
    >>> backup is None, log["sling, shock"].load.tolist()
    (True, [11.0])
    """
    missing = [c for c in ("file", "specimen", "peak_kN", "rate_hz", "clipped") if c not in rows.columns]
    if missing or not len(rows):
        raise InputError(f"`rows` must be a table from trace_rows with at least one row; missing: {missing or 'rows'}.")
    place = Path(log_path).resolve()
    if place.suffix.lower() in (".xlsx", ".xlsm", ".xls", ".ods"):
        raise InputError(
            f"{place.name} is a workbook; adding to it would rewrite it. Save it as CSV, or name a CSV log."
        )
    records = [{str(k): v for k, v in row.items()} for row in rows.to_dict("records")]
    check_writes({"log_path": place})
    with locked(place):
        return _add(place, records)


def _add(place: Path, records: list[dict[str, Any]]) -> Path | None:
    """Add the rows to a log that no other writer of ours touches meanwhile."""
    if not place.exists():
        text = _lines([list(_NEW_HEADER), *_new_rows(records)], ",", "\n")
        put(place, as_bytes(text, "A row of the trace"), new=True, lost=_NOTHING)
        return None
    before = os.stat(place)
    old = place.read_bytes()
    ((grid, header),), _ = grid_of(place.name, old)
    _refuse_known(place, grid, header, records)
    width = max(len(grid.rows[header.last]), 1)
    cells = [_cells(place, r, grid, header, width) for r in records]
    encoding, end = _encoding(place, old)
    text = _lines(cells, grid.delimiter, end)
    glue = "" if not old or old.endswith(end.encode(encoding)) or old.endswith(b"\n") else end
    try:
        added = (glue + text).encode(encoding)
    except UnicodeEncodeError as exc:
        raise InputError(
            f"{place.name} is in {encoding} and cannot hold {exc.object[exc.start]!r}. Save it as UTF-8."
        ) from exc
    _read_back(place, old + added, grid, cells)
    backup = _backup(place, old)
    now = os.stat(place)
    if (now.st_mtime_ns, now.st_size) != (before.st_mtime_ns, before.st_size) or place.read_bytes() != old:
        raise InputError(f"{place.name} changed while rows were being added. Nothing was added; try again.")
    put(place, old + added, lost=_NOTHING)
    return backup


def _note(record: dict[str, Any]) -> str:
    fall: dict[Any, str] = {True: "sudden fall after the peak", False: "no sudden fall after the peak"}
    broke = fall.get(record.get("broke_after"), "fall after the peak not clear")
    parts = [f"from trace {record['file']}"]
    if record.get("sha256"):
        parts.append(f"sha256 {str(record['sha256'])[:12]}")
    parts.append(broke)
    if record.get("under_read_worst_kN") is not None:
        parts.append(f"sampling may read up to {kN_text(record['under_read_worst_kN'])} low")
    if record.get("method_hint"):
        parts.append(str(record["method_hint"]))
    return "; ".join(parts)


def _new_rows(records: list[dict[str, Any]]) -> list[list[str]]:
    named = [h.removesuffix("]").partition(" [") for h in _NEW_HEADER]
    return [[_value(name, r, "kN", 1.0, unit) for name, _, unit in named] for r in records]


def _value(name: str, record: dict[str, Any], unit: str, hz: float, own: str = "") -> str:
    """Text of one canonical column; numbers with a decimal point. ``own`` is the unit in the column's header."""
    if name in (EACH, IN_COMMON):
        return _uncertain(name, record, own or ("%" if name == IN_COMMON else unit))
    if name == "load":
        return f"{'>' if record['clipped'] else ''}{from_kN(float(record['peak_kN']), unit):.6g}"
    if name == "sample_rate_hz":
        return f"{float(record['rate_hz']) / hz:.6g}"
    if name == "note":
        given = as_text(record.get("note", ""))
        return safe_text("; ".join(p for p in (given, _note(record)) if p))
    if name == "specimen" or name in _GIVEN:
        return safe_text(as_text(record.get(name, "")))
    return ""


def _uncertain(name: str, record: dict[str, Any], stated: str) -> str:
    """An uncertainty as its column states it: in a unit of force or %, as a multiple k; empty where it is not known."""
    unit, _, factor = stated.partition("k=")
    peak, times = float(record["peak_kN"]), float(factor or 1)
    share = float(record.get("u_common_percent", np.nan))
    kN = float(record.get("u_own_kN", np.nan)) if name == EACH else share * peak / 100
    if not np.isfinite(kN):
        return ""
    return f"{times * (100 * kN / peak if unit.strip() == '%' else from_kN(kN, read_force_unit(unit.strip()))):.4g}"


def _cells(place: Path, record: dict[str, Any], grid: Grid, header: Header, width: int) -> list[str]:
    if "load" not in header.fields or "specimen" not in header.fields:
        raise TableError(
            f"{place.name} has no header with the columns specimen and load. Rename them, or start a new log."
        )
    field = header.fields["load"]
    unit = "kN"
    if field.unit:
        unit = read_force_unit(field.unit)
    elif "unit" not in header.fields:
        raise InputError(
            f"{place.name} states no unit for {field.text!r}, so a row cannot be added safely. Write the unit into "
            "the header, e.g. 'load [kN]'."
        )
    marks = {decimal_mark(str(r[field.index])) for r in grid.rows[header.last + 1 :] if field.index < len(r)}
    comma = "," in marks and "." not in marks
    out = [""] * width
    for name, place_of in header.fields.items():
        hz = read_other_unit(name, place_of.unit) if name == "sample_rate_hz" and place_of.unit else None
        text = unit if name == "unit" else _value(name, record, unit, float(hz or 1), place_of.unit)
        out[place_of.index] = text.replace(".", ",") if comma and name in _NUMBERS else text
    return out


def _refuse_known(place: Path, grid: Grid, header: Header, records: list[dict[str, Any]]) -> None:
    names = [as_text(r["specimen"]) for r in records]
    twice = sorted({n for n in names if names.count(n) > 1})
    if twice:
        raise InputError(f"`rows` names the specimen {twice[0]!r} more than once. Give each row its own specimen.")
    if "specimen" not in header.fields:
        return
    index = header.fields["specimen"].index
    known = {key(as_text(r[index])) for r in grid.rows[header.last + 1 :] if index < len(r)}
    again = [n for n in names if key(n) in known]
    if again:
        more = f" and {len(again) - 1} more" if len(again) > 1 else ""
        raise InputError(
            f"{place.name} names the specimen {again[0]!r} already{more}. "
            "Nothing was added. Was this trace added before?"
        )


def _encoding(place: Path, old: bytes) -> tuple[str, str]:
    if old.startswith((b"\xff\xfe", b"\xfe\xff")):
        encoding = "utf-16-le" if old.startswith(b"\xff\xfe") else "utf-16-be"
    else:
        try:
            old.decode("utf-8")
            encoding = "utf-8"
        except UnicodeDecodeError:
            encoding = "cp1252"
    return encoding, "\r\n" if "\r\n".encode(encoding) in old else "\n"


def _lines(rows: list[list[str]], delimiter: str, end: str) -> str:
    out = io.StringIO(newline="")
    csv.writer(out, delimiter=delimiter, lineterminator=end).writerows(rows)
    return out.getvalue()


def _backup(place: Path, old: bytes) -> Path:
    """Keep the log as it was beside itself, under the one name for it.

    An earlier copy makes room only where all it holds stands in the log still; else the next name is taken.
    """
    for number in range(1, 10_000):
        target = place.with_name(f"{place.name}.bak" if number == 1 else f"{place.name}.bak{number}")
        if target.is_file() and old.startswith(target.read_bytes()):
            return put(target, old, lost=_NOTHING)
        if not os.path.lexists(target):
            made = put(target, old, new=True, lost=_NOTHING)
            with suppress(OSError):
                shutil.copystat(place, made)
            return made
    raise InputError(f"{place.name} has 9999 backups. Clear them away first.")


def _read_back(place: Path, data: bytes, grid: Grid, cells: list[list[str]]) -> None:
    """Refuse rows with which the log would not read as it does now, with the new rows below."""
    ((again, _),), _ = grid_of(place.name, data)
    if (
        again.delimiter != grid.delimiter
        or again.rows[: len(grid.rows)] != grid.rows
        or again.rows[len(grid.rows) :] != cells
    ):
        raise InputError(f"{place.name} would not read back as it should with the new rows. Nothing was added.")
