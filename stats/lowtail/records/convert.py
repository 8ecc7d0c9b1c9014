"""Rows of raw cells become columns of values; every cell that will not is named, all in one pass."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

from lowtail.errors import BadCell, InputError
from lowtail.glossary import BREAK_LOG
from lowtail.records.cells import Load, Refused, as_text, decimal_mark, key, load_cell, number_cell, table, word_map
from lowtail.records.findings import Finding
from lowtail.records.header import Field, Header
from lowtail.records.rows import data_rows
from lowtail.records.sheets import Grid
from lowtail.records.units import read_force_unit, read_other_unit, to_kN

__all__ = ["Columns", "convert"]

_NUMBERS = tuple(n for n, c in BREAK_LOG.items() if c.kind == "number" and n != "load")
_TEXTS = tuple(n for n, c in BREAK_LOG.items() if c.kind in ("text", "date") and n not in ("unit", "outcome", "method"))
_GROUPING = ("item", "orientation", "method", "batch", "condition", "failed_part", "failure_site")
_MAX_KN = 1e6  # a thousand meganewtons: beyond any bench


@dataclass(slots=True)
class Columns:
    """What the conversion fills: values by column, cell addresses of the loads, findings, bad cells."""

    values: dict[str, list[Any]] = field(default_factory=dict)
    rows: list[int] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    bad: list[BadCell] = field(default_factory=list)


class _Work:
    """One conversion: the grid, its header and the declarations, shared by the steps below."""

    def __init__(
        self, grid: Grid, header: Header, wanted: Mapping[str, str], unit: str | None, decimal: str | None
    ) -> None:
        self.grid, self.header, self.unit = grid, header, unit
        self.constants = {n: v[1:].strip() for n, v in wanted.items() if v.startswith("=")}
        self.out = Columns()
        self.out.rows = data_rows(grid, header, self.out.findings)
        self.decimal = decimal or ""

    def raw(self, name: str) -> list[Any]:
        """Raw cells of a column, None where the log does not have it."""
        if name in self.constants:
            return [self.constants[name]] * len(self.out.rows)
        f = self.header.fields.get(name)
        if f is None:
            return [None] * len(self.out.rows)
        rows, i = self.grid.rows, f.index
        return [rows[r][i] if i < len(rows[r]) else None for r in self.out.rows]

    def where(self, position: int, name: str) -> str:
        f = self.header.fields.get(name)
        return self.grid.cell(self.out.rows[position], f.index if f else None, f.text if f else name)

    def refuse(self, position: int, name: str, got: Any, message: str) -> None:
        self.out.bad.append(BadCell(self.where(position, name), name, as_text(got), message))

    def note(self, position: int, name: str, level: str, got: Any, message: str) -> None:
        self.out.findings.append(Finding(self.where(position, name), name, level, as_text(got), message))

    def note_header(self, f: Field | None, name: str, level: str, got: str, message: str) -> None:
        cell = self.grid.cell(self.header.last, f.index, f.text) if f else "file"
        self.out.findings.append(Finding(cell, name, level, got, message))


def convert(
    grid: Grid,
    header: Header,
    *,
    wanted: Mapping[str, str],
    unit: str | None,
    decimal: str | None,
    labels: Mapping[str, Mapping[str, str]],
) -> Columns:
    """Convert every column; bad cells are gathered in the result, not raised."""
    work = _Work(grid, header, wanted, unit, decimal)
    _decide_decimal(work)
    for name in _TEXTS:
        work.out.values[name] = [as_text(v) for v in work.raw(name)]
    for name in header.extras:
        work.out.values[name] = _extra(work, name)
    for name in _NUMBERS:
        work.out.values[name] = _numbers(work, name)
    _methods(work)
    _flags(work)
    _labels(work, labels)
    _outcomes_and_loads(work, labels.get("outcome", {}))
    _required(work)
    return work.out


def _extra(work: _Work, name: str) -> list[str]:
    rows, i = work.grid.rows, work.header.extras[name]
    return [as_text(rows[r][i]) if i < len(rows[r]) else "" for r in work.out.rows]


def _decide_decimal(work: _Work) -> None:
    """Decimal mark of the file: by declaration, else by the majority of the numbers written as text."""
    if work.decimal:
        return
    seen: Counter[str] = Counter()
    for name in ("load", *_NUMBERS):
        if name in work.header.fields:
            seen.update(decimal_mark(v) for v in work.raw(name) if isinstance(v, str) and v)
    point, comma = seen["."], seen[","]
    if point != comma:
        work.decimal = "." if point > comma else ","
        if work.decimal == "," or seen["?"]:
            word = "comma" if work.decimal == "," else "point"
            message = f"read with a decimal {word}: {max(point, comma)} numbers settle it"
            if seen["?"]:
                message += f", and so how {seen['?']} others such as 1,234 or 1.234 are read"
            work.out.findings.append(Finding("file", "load", "info", word, message))
    elif not point and seen["?"] and work.grid.delimiter == ",":
        if all("," not in v for n in ("load", *_NUMBERS) for v in work.raw(n) if isinstance(v, str)):
            work.decimal = "."
            message = "read with a decimal point: the file's columns are parted by commas and no number holds one"
            work.out.findings.append(Finding("file", "load", "info", "point", message))


def _numbers(work: _Work, name: str) -> list[float]:
    f = work.header.fields.get(name)
    cells = work.raw(name)
    if f is None and name not in work.constants:
        return [math.nan] * len(cells)
    factor = _factor(work, name, f) if f else Fraction(1)
    missing = set(table("words")["missing"]["words"])
    gone: list[str] = []
    values: list[float] = []
    for i, cell in enumerate(cells):
        value = math.nan
        if cell is None or (isinstance(cell, float) and math.isnan(cell)):
            pass
        elif isinstance(cell, str) and cell.strip().casefold() in missing:
            if cell.strip():
                gone.append(cell.strip())
        elif factor is not None:
            try:
                number = number_cell(cell, work.decimal)
                value = number if factor == 1 else float(Fraction(number) * factor)
                if value < 0:
                    work.refuse(i, name, cell, f"{as_text(cell)!r} is negative. Correct it, or leave the cell empty.")
            except Refused as exc:
                work.refuse(i, name, cell, str(exc))
        values.append(value)
    if gone:
        words = ", ".join(sorted(set(gone)))
        work.note_header(f, name, "info", words, f"{len(gone)} cells read as 'not recorded'")
    return values


def _factor(work: _Work, name: str, f: Field) -> Fraction | None:
    """Factor from the header's unit to the column's own unit; None (and a bad cell) where the unit is not known."""
    own = BREAK_LOG[name].unit
    if name == "rate":
        return Fraction(1)
    try:
        if name == "rated_kN":
            stated = f.unit or work.unit or _load_header_unit(work)
            if not stated:
                raise InputError(
                    "states no unit. Write e.g. 'rated [kN]', or pass unit='kN' where the loads state none either."
                )
            factor: Fraction | None = Fraction(to_kN(1.0, read_force_unit(stated, work.unit)))
            return factor
        if not f.unit:
            raise InputError(f"states no unit. Write e.g. {name!r}, or {f.text + ' [' + own + ']'!r}.")
        factor = read_other_unit(name, f.unit)
        if factor is None:
            raise InputError(
                f"states the unit {f.unit!r}, which this reader does not know here. Convert the column to {own}."
            )
        return factor
    except InputError as exc:
        cell = work.grid.cell(work.header.last, f.index, f.text)
        work.out.bad.append(BadCell(cell, name, f.text, f"header {f.text!r} {exc}"))
        return None


def _load_header_unit(work: _Work) -> str:
    f = work.header.fields.get("load")
    return f.unit if f else ""


def _methods(work: _Work) -> None:
    known = word_map("method")
    values, read = [], defaultdict[tuple[str, str], list[int]](list)
    for i, cell in enumerate(work.raw("method")):
        text = as_text(cell)
        meaning = known.get(key(text), text)
        if meaning != text:
            read[(text, meaning)].append(i)
        values.append(meaning)
    work.out.values["method"] = values
    for (text, meaning), at in read.items():
        work.note(at[0], "method", "info", text, f"{len(at)} cells read as {meaning!r}")


def _flags(work: _Work) -> None:
    yes, no = (set(table("words")["flag"][w]) for w in ("yes", "no"))
    values = []
    for i, cell in enumerate(work.raw("excluded")):
        word = as_text(cell).casefold()
        if word not in yes and word not in no:
            work.refuse(i, "excluded", cell, f"{as_text(cell)!r} is neither yes nor no. Write true or leave it empty.")
        values.append(word in yes)
    work.out.values["excluded"] = values
    for i, (flag, reason) in enumerate(zip(values, work.out.values["exclusion_reason"], strict=True)):
        if flag and not reason:
            work.refuse(
                i, "exclusion_reason", "", "the row is excluded without a reason. State it in exclusion_reason."
            )


def _labels(work: _Work, labels: Mapping[str, Mapping[str, str]]) -> None:
    """One spelling for labels that differ in case alone (spaces are already one); declared labels replaced."""
    for name in _GROUPING:
        values = work.out.values[name]
        declared = {old.casefold(): new for old, new in labels.get(name, {}).items()}
        spellings = defaultdict[str, Counter[str]](Counter)
        for v in values:
            spellings[v.casefold()][v] += 1
        change: dict[str, tuple[str, str]] = {}
        for folded, counts in spellings.items():
            best = max(counts, key=lambda v: counts[v])
            wanted = declared.get(folded)
            for v in counts:
                if wanted is not None and v != wanted:
                    change[v] = (wanted, "declared by labels=")
                elif wanted is None and v != best:
                    change[v] = (best, "the spelling used most")
        for old, (new, why) in change.items():
            first = values.index(old)
            work.note(first, name, "info", old, f"{sum(v == old for v in values)} cells read as {new!r}, {why}")
        for old in set(declared) - set(spellings):
            work.note_header(
                work.header.fields.get(name), name, "warning", old, "labels= names it, but no cell holds it"
            )
        if change:
            work.out.values[name] = [change[v][0] if v in change else v for v in values]


def _outcomes_and_loads(work: _Work, declared: Mapping[str, str]) -> None:
    known = {**word_map("outcome"), **{key(old): new for old, new in declared.items()}}
    allowed = BREAK_LOG["outcome"].allowed
    units = _unit_reader(work)
    outcomes, loads, states, kN = [], [], [], []
    read = defaultdict[tuple[str, str], list[int]](list)
    mixed = Counter[str]()
    excluded = work.out.values["excluded"]
    unit_cells = work.raw("unit")
    for i, (cell, outcome_cell) in enumerate(zip(work.raw("load"), work.raw("outcome"), strict=True)):
        text = as_text(outcome_cell)
        outcome = known.get(key(text), "") if text else ""
        if text and not outcome:
            work.refuse(
                i,
                "outcome",
                text,
                f"{text!r} is no outcome this reader knows. Use one of {', '.join(allowed)}, or declare it with "
                f"labels={{'outcome': {{{text!r}: ...}}}}.",
            )
        elif outcome != text:
            read[(text, outcome)].append(i)
        load = _load(work, i, cell, may_miss=outcome == "invalid" or excluded[i])
        stated = units(i, load, unit_cells[i])
        outcome = _agree(work, i, cell, load, outcome, bool(text))
        outcomes.append(outcome)
        loads.append(load.value)
        states.append(stated)
        kN.append(to_kN(load.value, stated) if stated and math.isfinite(load.value) else math.nan)
        if kN[-1] > _MAX_KN:
            work.refuse(
                i,
                "load",
                cell,
                f"{as_text(cell)!r} is {kN[-1]:.3g} kN, beyond any bench. Correct the load or its unit.",
            )
        mixed[stated] += 1
    for (text, meaning), at in read.items():
        work.note(at[0], "outcome", "info", text, f"{len(at)} cells read as {meaning!r}")
    if len([u for u in mixed if u]) > 1:
        parts = ", ".join(f"{u} {n}" for u, n in mixed.items() if u)
        work.note_header(
            work.header.fields.get("load"), "load", "warning", parts, "loads in several units, each converted to kN"
        )
    work.out.values.update(outcome=outcomes, load=loads, unit=states, load_kN=kN)


def _load(work: _Work, i: int, cell: Any, may_miss: bool) -> Load:
    none = Load(math.nan)
    missing = table("words")["missing"]["words"]
    if (
        cell is None
        or (isinstance(cell, float) and math.isnan(cell))
        or (isinstance(cell, str) and cell.strip().casefold() in missing)
    ):
        if not may_miss:
            work.refuse(
                i,
                "load",
                cell,
                f"{as_text(cell)!r}: the load is missing. Write it, or mark the row excluded with a reason.",
            )
        return none
    try:
        load = load_cell(cell, work.decimal)
    except Refused as exc:
        work.refuse(i, "load", cell, str(exc))
        return none
    if load.value < 0 or (load.value == 0 and not may_miss):
        work.refuse(
            i,
            "load",
            cell,
            f"{as_text(cell)!r} is not greater than 0. Correct the load, or mark the row excluded with a reason.",
        )
        return none
    return load


def _agree(work: _Work, i: int, cell: Any, load: Load, outcome: str, stated: bool) -> str:
    """Outcome of the row from its word and from the marks of the load cell; a contradiction is a bad cell."""
    mark = load.outcome
    if not mark:
        if not outcome and not stated:
            work.refuse(
                i,
                "outcome",
                "",
                "the outcome is missing. Write broke, held, other part broke, slipped, stopped or invalid.",
            )
        return outcome
    if not outcome and not stated:
        work.note(i, "load", "info", cell, f"read as {mark!r} at {load.value:g}")
        return mark
    if outcome in (mark, "invalid") or (mark == "held" and outcome in ("other part broke", "slipped", "stopped")):
        work.note(i, "load", "info", cell, f"read as {outcome!r} at {load.value:g}")
        return outcome
    if outcome:
        work.refuse(
            i,
            "load",
            cell,
            f"{as_text(cell)!r} says {mark!r}, but the outcome says {outcome!r}. Correct one of the two.",
        )
    return outcome


def _unit_reader(work: _Work) -> Callable[[int, Load, Any], str]:
    """Unit of each load from header, unit column, cell or declaration; two that disagree are a bad cell."""
    f = work.header.fields.get("load")
    known: dict[str, str] = {}
    failed: set[str] = set()

    def read(word: str, i: int, name: str) -> str:
        if word not in known:
            try:
                known[word] = read_force_unit(word, work.unit)
            except InputError as exc:
                known[word] = ""
                failed.add(str(exc))
                work.refuse(i, name, word, str(exc))
        elif not known[word]:
            work.refuse(i, name, word, f"{word!r}: unit not usable, as above.")
        return known[word]

    header = ""
    if f is not None and f.unit:
        try:
            header = read_force_unit(f.unit, work.unit)
        except InputError as exc:
            work.out.bad.append(BadCell(work.grid.cell(work.header.last, f.index, f.text), "load", f.text, str(exc)))
            return lambda i, load, cell: ""
        if work.unit and header != work.unit:
            message = f"the header says {header}, while unit={work.unit!r} was passed. Drop one of the two."
            work.out.bad.append(BadCell(work.grid.cell(work.header.last, f.index, f.text), "load", f.text, message))
        if header != f.unit:
            work.note_header(f, "load", "info", f.unit, f"unit read as {header}")
    missing: list[int] = []

    def unit_of(i: int, load: Load, cell: Any) -> str:
        stated = {}
        if header:
            stated["header"] = header
        elif work.unit:
            stated["unit="] = work.unit
        if load.unit:
            stated["cell"] = read(load.unit, i, "load")
        if text := as_text(cell):
            stated["unit column"] = read(text, i, "unit")
        if "" in stated.values():
            return ""
        if len(set(stated.values())) > 1:
            says = ", ".join(f"{k} says {v}" for k, v in stated.items())
            work.refuse(i, "load", load.value, f"units disagree: {says}. Correct the cell.")
            return ""
        if not stated:
            if not missing and math.isfinite(load.value):
                missing.append(i)
                work.refuse(
                    i,
                    "load",
                    load.value,
                    "no unit is stated. Write it in the header, e.g. 'load [kN]', in a unit column, or pass unit='kN'.",
                )
            return ""
        return next(iter(stated.values()))

    return unit_of


def _required(work: _Work) -> None:
    for name in ("specimen", "item"):
        for i, text in enumerate(work.out.values[name]):
            if not text:
                work.refuse(
                    i,
                    name,
                    "",
                    f"the {name} is missing. Write it in every row (blank cells are not filled from above).",
                )
