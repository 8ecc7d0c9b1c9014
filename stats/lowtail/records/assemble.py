"""From a grid with its header to the table of a break log and its findings: the steps behind `read_breaks`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from lowtail.errors import BadCell, TableError
from lowtail.glossary import BREAK_LOG
from lowtail.records.convert import convert
from lowtail.records.findings import Finding, findings_frame
from lowtail.records.header import Header, check_wanted
from lowtail.records.screens import screen
from lowtail.records.sheets import Grid
from lowtail.records.work import Columns

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["REQUIRED", "assemble"]

REQUIRED = tuple(name for name, column in BREAK_LOG.items() if column.required)


def assemble(
    name: str,
    grid: Grid,
    header: Header,
    *,
    columns: Mapping[str, str],
    unit: str | None,
    decimal: str | None,
    labels: Mapping[str, Mapping[str, str]],
    repeats: str,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Table and findings, or one error that names every bad cell."""
    check_wanted(columns, [f.text for f in header.fields.values()] + list(header.extras))
    _check_header(name, grid, header, columns)
    done = convert(grid, header, wanted=columns, unit=unit, decimal=decimal, labels=labels)
    if not done.rows:
        raise TableError(f"{name} has a header but no specimen under it. Fill in one row a specimen.")
    table = _table(done, grid, header)
    _repeats(table, done, repeats)
    rows = dict(zip(table["cell"], done.rows, strict=True))
    done.bad = [replace(b, cell=_own_cell(grid, header, rows, b.column, b.cell)) for b in done.bad]
    if done.bad:
        many = f"{len(done.bad)} cells" if len(done.bad) > 1 else "1 cell"
        raise TableError(f"{name}: {many} cannot be read. Nothing was taken over.", done.bad)
    findings = [*grid.findings, *_header_findings(grid, header), *done.findings, *screen(table)]
    findings = [replace(f, cell=_own_cell(grid, header, rows, f.column, f.cell)) for f in findings]
    return table, findings_frame(findings)


def _own_cell(grid: Grid, header: Header, rows: Mapping[str, int], column: str, cell: str) -> str:
    """Address in the column a remark is about, where it carries the address of its row's load."""
    f = header.fields.get(column)
    return grid.cell(rows[cell], f.index, f.text) if f is not None and column != "load" and cell in rows else cell


def _check_header(name: str, grid: Grid, header: Header, columns: Mapping[str, str]) -> None:
    bad = []
    for column, texts in header.clashes.items():
        message = f"{len(texts)} headers name {column!r}: {', '.join(map(repr, texts))}. "
        message += f"Choose one with columns={{{column!r}: ...}}."
        bad.append(BadCell(grid.cell(header.last), column, " / ".join(texts), message))
    others = ", ".join(repr(t) for t in header.extras) or "none"
    for column in REQUIRED:
        if column in header.fields or columns.get(column, "").startswith("="):
            continue
        message = f"no column names the {column}. Name one with columns={{{column!r}: ...}} (not recognised: {others})"
        if column in ("outcome", "item"):
            example = "broke" if column == "outcome" else "sewn sling"
            message += f", or declare one value for all rows with columns={{{column!r}: '={example}'}}"
        bad.append(BadCell(grid.cell(header.last), column, "", f"{message}."))
    if bad:
        raise TableError(f"{name}: the header cannot be used.", bad)


def _header_findings(grid: Grid, header: Header) -> list[Finding]:
    found = []
    for name, f in header.fields.items():
        if f.text != name:
            unit = f" in {f.unit}" if f.unit else ""
            message = f"read as the column {name!r}{unit}"
            found.append(Finding(grid.cell(header.last, f.index, f.text), name, "info", f.text, message))
    for text, index in header.extras.items():
        if any(index < len(row) and row[index] not in (None, "") for row in grid.rows[header.last + 1 :]):
            message = "not a column of a break log; kept as text at the end of the table"
            found.append(Finding(grid.cell(header.last, index, text), "", "info", text, message))
    return found


def _table(done: Columns, grid: Grid, header: Header) -> pd.DataFrame:
    import pandas as pd

    values = done.values
    f = header.fields.get("load")
    index, text = (f.index, f.text) if f else (None, "load")
    aside = []
    for word, flag, reason, note in zip(
        values["outcome"], values["excluded"], values["exclusion_reason"], values["note"], strict=True
    ):
        if flag:
            aside.append(f"excluded: {reason}")
        else:
            aside.append(f"invalid: {reason or note or 'no reason given'}" if word == "invalid" else "")
    data: dict[str, Any] = {name: values[name] for name in BREAK_LOG}
    data["load_kN"] = values["load_kN"]
    data["broke"] = [w == "broke" for w in values["outcome"]]
    data["used"] = [not a for a in aside]
    data["set_aside"] = aside
    data["slipped"] = [w == "slipped" for w in values["outcome"]]
    data["cell"] = [grid.cell(r, index, text) for r in done.rows]
    for name in header.extras:
        if any(values[name]):
            data.setdefault(name, values[name])
    return pd.DataFrame(data)


def _repeats(table: pd.DataFrame, done: Columns, repeats: str) -> None:
    """Deal with a specimen name that stands in several rows, as told; by default each used one is a bad cell."""
    by = ["specimen", "item", "orientation", "method"] if repeats == "per group" else ["specimen"]
    again = table[table.duplicated(by, keep="first") & (table["specimen"] != "")]
    if again.empty:
        return
    earlier = table.drop_duplicates(by).set_index(by)
    used_before = set(table.loc[table["used"]].drop_duplicates(by).index)
    for i, row in again[again["used"]].iterrows():
        first = earlier.loc[row["specimen"] if len(by) == 1 else tuple(row[b] for b in by)]
        name = f"specimen {row['specimen']!r} was already tested ({first['cell']}: {first['outcome']})"
        note, level = "", "warning"
        if i in used_before:
            note = "that run is set aside, this one counts; a load before may have weakened it"
        elif repeats == "first":
            reason = f"{name}; no independent specimen"
            table.loc[i, ["used", "excluded"]] = [False, True]
            table.loc[i, ["exclusion_reason", "set_aside"]] = [reason, f"excluded: {reason}"]
            note = "set aside, as told"
        elif repeats == "independent":
            note = "counted as a specimen of its own, as told"
        else:
            message = (
                f"{name}. Correct the name; or pass repeats='per group' where numbers start again in every group, "
                "'first' to set later tests aside, 'independent' if they are different specimens."
            )
            done.bad.append(BadCell(row["cell"], "specimen", row["specimen"], message))
            continue
        done.findings.append(Finding(row["cell"], "specimen", level, row["specimen"], f"{name}: {note}"))
