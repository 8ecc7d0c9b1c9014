"""Rows of raw cells become columns of values; every cell that will not is named, all in one pass."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from fractions import Fraction
from typing import Any

from lowtail.errors import InputError
from lowtail.glossary import BREAK_LOG
from lowtail.logs.breaks.dates import date_texts
from lowtail.logs.breaks.loads import outcomes_and_loads
from lowtail.logs.breaks.work import LOADS, NUMBERS, TEXTS, Columns, Work
from lowtail.logs.cells import (
    Broken,
    Refused,
    as_text,
    decimal_mark,
    is_missing,
    key,
    number_cell,
    without_mark,
    word_map,
)
from lowtail.logs.findings import Finding
from lowtail.logs.sheets.grid import Grid
from lowtail.logs.sheets.header import Field, Header
from lowtail.logs.units import is_stress, read_force_unit, read_other_unit, stress_to_kN, to_kN

__all__ = ["GROUPING", "convert", "one_spelling"]

GROUPING = ("item", "orientation", "method", "batch", "condition", "failed_part", "assembly", "failure_site")


def convert(
    grid: Grid,
    header: Header,
    *,
    wanted: Mapping[str, str],
    unit: str | None,
    decimal: str | None,
    labels: Mapping[str, Mapping[str, str]],
    area_mm2: float | None = None,
) -> Columns:
    """Convert every column; bad cells are gathered in the result, not raised."""
    work = Work(grid, header, wanted, unit, decimal, area_mm2)
    _decide_decimal(work)
    for name in (*TEXTS, *header.extras):
        cells = work.raw(name)
        if not work.has(name):
            work.out.values[name] = [""] * len(cells)
        elif name in BREAK_LOG and BREAK_LOG[name].kind == "date":
            work.out.values[name] = date_texts(work, name, cells)
        else:
            work.out.values[name] = _texts(work, name, cells)
    for name in NUMBERS:
        work.out.values[name] = _numbers(work, name)
    _rate_unit(work)
    _methods(work)
    _flags(work)
    _labels(work, labels)
    outcomes_and_loads(work, labels.get("outcome", {}))
    _required(work)
    return work.out


def _texts(work: Work, name: str, cells: list[Any]) -> list[str]:
    values = [as_text(v) for v in cells]
    unescaped = 0
    for i, text in enumerate(values):
        if without_mark(text) != text:
            values[i] = without_mark(text)
            unescaped += 1
        elif type(cells[i]) is Broken:
            work.refuse(i, name, text, f"{text}. Open the file, let it calculate, paste the values and save it.")
    if unescaped:
        message = f"{unescaped} cells began with the apostrophe that marks text; it was taken off"
        work.note_header(name, "info", "'", message)
    return values


def _decide_decimal(work: Work) -> None:
    """Decimal mark of the file: by declaration, else by the majority of the numbers written as text."""
    if work.decimal:
        return
    texts = [v for n in (*LOADS, *NUMBERS) if n in work.header.fields for v in work.raw(n) if isinstance(v, str) and v]
    seen = Counter(map(decimal_mark, texts))
    point, comma = seen["."], seen[","]
    message, word = "", ""
    if point != comma:
        work.decimal = "." if point > comma else ","
        word = "point" if point > comma else "comma"
        if word == "comma" or seen["?"]:
            message = f"read with a decimal {word}: {max(point, comma)} numbers settle it"
            if seen["?"]:
                message += f", and so how {seen['?']} others such as 1,234 or 1.234 are read"
    elif not point and seen["?"] and work.grid.delimiter == "," and not any("," in v for v in texts):
        work.decimal, word = ".", "point"
        message = "read with a decimal point: the file's columns are parted by commas and no number holds one"
    if message:
        work.out.findings.append(Finding("file", "load", "info", word, message))


def _numbers(work: Work, name: str) -> list[float]:
    f = work.header.fields.get(name)
    cells = work.raw(name)
    if not work.has(name):
        return [math.nan] * len(cells)
    factor = _factor(work, name, f) if f else Fraction(1)
    gone: list[str] = []
    values: list[float] = []
    for i, cell in enumerate(cells):
        value = math.nan
        if is_missing(cell):
            if as_text(cell):
                gone.append(as_text(cell))
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
        work.note_header(name, "info", ", ".join(sorted(set(gone))), f"{len(gone)} cells read as 'not recorded'")
    return values


def _factor(work: Work, name: str, f: Field) -> Fraction | None:
    """Factor from the header's unit to the column's own; None (and a bad header) where the unit is not known."""
    own = BREAK_LOG[name].unit
    if name == "rate":
        return Fraction(1)
    try:
        if name == "rated_kN":
            load = work.header.fields.get("load")
            stated = f.unit or work.unit or (load.unit if load else "")
            if not stated:
                raise InputError("states no unit. Write e.g. 'rated [kN]', or pass unit=.")
            if work.area_mm2 is not None and is_stress(stated):
                return stress_to_kN(stated, work.area_mm2)
            return Fraction(to_kN(1.0, read_force_unit(stated, work.unit)))
        if not f.unit:
            raise InputError(f"states no unit. Write e.g. {name!r} or {f.text + ' [' + own + ']'!r}.")
        factor = read_other_unit(name, f.unit)
        if factor is None:
            raise InputError(f"states the unit {f.unit!r}, which is not known here. Convert the column to {own}.")
        return factor
    except InputError as exc:
        work.refuse_header(f, name, f"header {f.text!r}: {exc}")
        return None


def _rate_unit(work: Work) -> None:
    f = work.header.fields.get("rate")
    if f is not None and f.unit and not any(work.out.values["rate_unit"]):
        rates = work.out.values["rate"]
        work.out.values["rate_unit"] = [f.unit if math.isfinite(r) else "" for r in rates]
    pairs = zip(work.out.values["rate"], work.out.values["rate_unit"], strict=True)
    bare = [i for i, (rate, unit) in enumerate(pairs) if math.isfinite(rate) and not unit]
    if bare:
        message = f"{len(bare)} rates state no unit and are not used. Write it in the header, e.g. 'rate [kN/s]'"
        work.note(bare[0], "rate", "warning", "", message)


def _methods(work: Work) -> None:
    if not work.has("method"):
        work.out.values["method"] = [""] * len(work.out.rows)
        return
    known = word_map("method")
    values, read = [], defaultdict[tuple[str, str], list[int]](list)
    for i, text in enumerate(_texts(work, "method", work.raw("method"))):
        meaning = known.get(key(text), text)
        if meaning != text:
            read[(text, meaning)].append(i)
        values.append(meaning)
    work.out.values["method"] = values
    for (text, meaning), at in read.items():
        work.note(at[0], "method", "info", text, f"{len(at)} cells read as {meaning!r}")


def _flags(work: Work) -> None:
    yes = {w for w, meaning in word_map("flag").items() if meaning == "yes"}
    no = {w for w, meaning in word_map("flag").items() if meaning == "no"}
    values = []
    for i, cell in enumerate(work.raw("excluded")):
        word = key(as_text(cell))
        if word not in yes and word not in no:
            work.refuse(i, "excluded", cell, f"{as_text(cell)!r} is neither yes nor no. Write true, or leave it empty.")
        values.append(word in yes)
    work.out.values["excluded"] = values
    for i, (flag, reason) in enumerate(zip(values, work.out.values["exclusion_reason"], strict=True)):
        if flag and not reason:
            message = "the row is excluded without a reason. State it in exclusion_reason."
            work.refuse(i, "exclusion_reason", "", message)


def _spellings(values: Iterable[str]) -> dict[str, Counter[str]]:
    """Labels that differ in case alone, with how often each spelling stands there."""
    out = defaultdict[str, Counter[str]](Counter)
    for v, n in Counter(values).items():
        out[v.casefold()][v] += n
    return out


def one_spelling(values: Iterable[str]) -> dict[str, str]:
    """From every spelling that differs in case alone from one used more often to that one.

    Examples
    --------
    >>> one_spelling(["Sling", "sling", "sling", "cord"])
    {'Sling': 'sling'}
    """
    most = {old: max(counts, key=lambda v: counts[v]) for counts in _spellings(values).values() for old in counts}
    return {old: new for old, new in most.items() if old != new}


def _labels(work: Work, labels: Mapping[str, Mapping[str, str]]) -> None:
    """One spelling for labels that differ in case alone (spaces are already one); declared labels replaced."""
    for name in GROUPING:
        values = work.out.values[name]
        declared = {" ".join(old.split()).casefold(): new for old, new in labels.get(name, {}).items()}
        if name == "method":  # a word declared is read as a word written would be
            declared = {old: word_map("method").get(key(new), new) for old, new in declared.items()}
        spellings = _spellings(values)
        change: dict[str, str] = {}
        for folded, counts in spellings.items():
            wanted = declared.get(folded, max(counts, key=lambda v: counts[v]))
            why = "declared by labels=" if folded in declared else "the spelling used most"
            for old, n in counts.items():
                if old != wanted:
                    change[old] = wanted
                    work.note(values.index(old), name, "info", old, f"{n} cells read as {wanted!r}, {why}")
        work.out.unheld |= {(name, old) for old in set(declared) - set(spellings)}
        if change:
            work.out.values[name] = [change.get(v, v) for v in values]


def _required(work: Work) -> None:
    for name in ("specimen", "item"):
        for i, text in enumerate(work.out.values[name]):
            if not text:
                message = f"the {name} is missing. Write it in every row (blank cells are not filled from above)."
                work.refuse(i, name, "", message)
