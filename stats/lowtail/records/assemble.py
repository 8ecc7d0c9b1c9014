"""From a grid with its header to the table of a break log and its findings: the steps behind `read_breaks`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any, TypeVar

from lowtail.errors import BadCell, TableError
from lowtail.glossary import BREAK_LOG
from lowtail.records.convert import convert
from lowtail.records.findings import Finding, findings_frame
from lowtail.records.header import Header, check_wanted
from lowtail.records.near_columns import near_columns
from lowtail.records.screens import screen
from lowtail.records.sheets import Grid
from lowtail.records.work import Columns

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["REQUIRED", "assemble"]

T = TypeVar("T", Finding, BadCell)

REQUIRED = tuple(name for name, column in BREAK_LOG.items() if column.required)


def assemble(
    name: str,
    found: Sequence[tuple[Grid, Header]],
    *,
    columns: Mapping[str, str],
    unit: str | None,
    decimal: str | None,
    labels: Mapping[str, Mapping[str, str]],
    repeats: str,
    area_mm2: float | None = None,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Table and findings of one grid or of several under each other, or one error that names every bad cell."""
    import pandas as pd

    parts, findings, bad = [], [], []
    done = Columns()
    for grid, header in found:
        width = max((len(row) for row in grid.rows[: header.last + 1]), default=0)
        texts = [f.text for f in header.fields.values()] + list(header.extras)
        texts += [text for clash in header.clashes.values() for text in clash]
        check_wanted(columns, texts, width)
        _check_header(name, grid, header, columns)
        done = convert(grid, header, wanted=columns, unit=unit, decimal=decimal, labels=labels, area_mm2=area_mm2)
        if not done.rows and len(found) == 1:
            raise TableError(f"{name} has a header but no specimen under it. Fill in one row a specimen.")
        parts.append(_table(done, grid, header))
        rows = dict(zip(parts[-1]["cell"], done.rows, strict=True))

        def own(one: T, grid: Grid = grid, header: Header = header, rows: Mapping[str, int] = rows) -> T:
            return replace(one, cell=_own_cell(grid, header, rows, one.column, one.cell))

        near = near_columns(grid, header, {n for n, h in columns.items() if h.startswith("=")})
        findings += [own(f) for f in (*grid.findings, *_header_findings(grid, header), *near, *done.findings)]
        bad += [own(b) for b in done.bad]
    table = parts[0] if len(parts) == 1 else pd.concat(parts, ignore_index=True)
    for column in table.columns:
        if len(parts) > 1 and column not in BREAK_LOG and table[column].dtype == object:
            table[column] = table[column].fillna("")
    again = Columns()
    _repeats(table, again, repeats)
    extra = [*again.findings, *(() if bad or again.bad else screen(table))]
    if len(found) == 1:
        extra, again.bad = [own(f) for f in extra], [own(b) for b in again.bad]
    bad += again.bad
    if bad:
        many = f"{len(bad)} cells" if len(bad) > 1 else "1 cell"
        raise TableError(f"{name}: {many} cannot be read. Nothing was taken over.", bad)
    return table, findings_frame([*findings, *extra])


def _own_cell(grid: Grid, header: Header, rows: Mapping[str, int], column: str, cell: str) -> str:
    """Address in the column a remark is about, where it carries the address of its row's load."""
    f = header.fields.get(column)
    return grid.cell(rows[cell], f.index, f.text) if f is not None and column != "load" and cell in rows else cell


def _check_header(name: str, grid: Grid, header: Header, columns: Mapping[str, str]) -> None:
    bad = []
    for column, texts in header.clashes.items():
        message = f"{len(texts)} headers name {column!r}: {', '.join(map(repr, texts))}. "
        message += f"Choose one by its header, or by its letter as in columns={{{column!r}: 'F'}}."
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
