"""From a grid with its header to the table of a break log and its findings: the steps behind `read_breaks`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from lowtail.errors import BadCell, TableError
from lowtail.glossary import BREAK_LOG
from lowtail.logs.breaks.convert import GROUPING, convert, one_spelling
from lowtail.logs.breaks.screens import screen
from lowtail.logs.breaks.work import Columns
from lowtail.logs.findings import Finding, findings_frame
from lowtail.logs.sheets.grid import Grid
from lowtail.logs.sheets.header import FROM, TO, Header, check_wanted
from lowtail.logs.sheets.near_columns import near_columns, sheets_pool
from lowtail.logs.sheets.wide import stress_advice, wide_advice

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["REQUIRED", "build_log"]

REQUIRED = tuple(name for name, column in BREAK_LOG.items() if column.required)


def build_log(
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
    _check_columns(found, columns)
    declared = {n for n, h in columns.items() if h.startswith("=")}
    tables, findings, bad, unheld = [], [], [], []
    places: dict[str, tuple[Grid, Header, int]] = {}
    for grid, header in found:
        _check_header(name, grid, header, columns)
        done = convert(grid, header, wanted=columns, unit=unit, decimal=decimal, labels=labels, area_mm2=area_mm2)
        tables.append(_table(done, grid, header))
        places |= {cell: (grid, header, r) for cell, r in zip(tables[-1]["cell"], done.rows, strict=True)}
        noticed = [*_header_findings(grid, header), *near_columns(grid, header, declared), *done.findings]
        if len(found) > 1:  # what is said of a whole file is said of a sheet here
            noticed = [replace(f, cell=grid.sheet) if f.cell == "file" else f for f in noticed]
        findings += [*grid.findings, *noticed]
        bad += done.bad
        unheld.append(done.unheld)
    if not any(map(len, tables)):
        raise TableError(f"{name} has a header but no specimen under it. Fill in one row a specimen.")
    for column, old in sorted(set.intersection(*unheld)):
        findings.append(Finding("file", column, "warning", old, "labels= names it, but no cell holds it"))
    table = tables[0]
    if len(found) > 1:
        findings += sheets_pool(found, declared)
        table = _together([grid.sheet for grid, _ in found], tables, findings)
    again = Columns()
    _repeats(table, again, repeats)
    bad += again.bad
    if bad:
        many = f"{len(bad)} cells" if len(bad) > 1 else "1 cell"
        own_bad = [replace(b, cell=_own_cell(places, b.column, b.cell)) for b in bad]
        raise TableError(f"{name}: {many} cannot be read. Nothing was taken over.", own_bad)
    findings += [*again.findings, *screen(table, labels)]
    return table, findings_frame(replace(f, cell=_own_cell(places, f.column, f.cell)) for f in findings)


def _check_columns(found: Sequence[tuple[Grid, Header]], columns: Mapping[str, str]) -> None:
    """Refuse a ``columns=`` that no sheet can satisfy."""
    texts: list[str] = []
    for _, header in found:
        texts += [f.text for f in header.fields.values()] + list(header.extras)
        texts += [text for clash in header.clashes.values() for text in clash]
    widths = (len(row) for grid, header in found for row in grid.rows[: header.last + 1])
    check_wanted(columns, texts, max(widths, default=0))


def _together(titles: Sequence[str], tables: Sequence[pd.DataFrame], findings: list[Finding]) -> pd.DataFrame:
    """The sheets one under the other, with the title in a column ``sheet``; one spelling where case alone differs."""
    import pandas as pd

    parts = [t if "sheet" in t else t.assign(sheet=title) for title, t in zip(titles, tables, strict=True)]
    table = pd.concat(parts, ignore_index=True)
    for column in table.columns:
        if column not in tables[0] or any(column not in t for t in tables):
            table[column] = table[column].fillna("")  # a column of text that one of the sheets does not have
    for column in GROUPING:
        change = one_spelling(table[column])
        for old, new in change.items():
            at = table["cell"][int((table[column] == old).to_numpy().argmax())]
            message = f"read as {new!r}, the spelling used most in all sheets"
            findings.append(Finding(str(at), column, "info", old, message))
        table[column] = [change.get(v, v) for v in table[column]]
    return table


def _own_cell(places: Mapping[str, tuple[Grid, Header, int]], column: str, cell: str) -> str:
    """Address in the column a remark is about, where it carries the address of its row's load."""
    if cell not in places or column == "load":
        return cell
    grid, header, row = places[cell]
    f = header.fields.get(column)
    return grid.cell(row, f.index, f.text) if f is not None else cell


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
        if column == "load" and FROM in header.fields and TO in header.fields:
            continue
        message = f"no column names the {column}. Name one with columns={{{column!r}: ...}} (not recognised: {others})"
        if column == "load":
            rows = grid.rows[header.last :]
            message = stress_advice(list(header.extras)) or wide_advice(rows, list(header.extras.values())) or message
        if column in ("outcome", "item"):
            example = "broke" if column == "outcome" else "sewn sling"
            message += f", or declare one value for all rows with columns={{{column!r}: '={example}'}}"
        bad.append(BadCell(grid.cell(header.last), column, "", f"{message.removesuffix('.')}."))
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
    data |= {name: values[name] for name in ("load_kN", "upper_kN", "uncertainty_kN")}
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
