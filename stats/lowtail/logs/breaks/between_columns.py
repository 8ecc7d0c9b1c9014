"""Columns on where a load lies, load_from and load_to, and on how well it is known: the uncertainties."""

from __future__ import annotations

import math
import re
from fractions import Fraction

from lowtail._shared.between import LEFT
from lowtail.errors import InputError
from lowtail.logs.breaks.work import Work
from lowtail.logs.cells import Refused, as_text, is_missing, number_cell
from lowtail.logs.sheets.header import EACH, FROM, IN_COMMON, TO, Field
from lowtail.logs.units import from_kN, read_force_unit, to_kN

__all__ = ["Ends", "ends_stated", "fill_between", "fill_uncertainties", "find_ends"]

_MOST = 50.0  # % of a load from which on a number is no uncertainty of it

Ends = list[tuple[float, float]]


def ends_stated(work: Work) -> list[bool]:
    """Whether each row states an end, so that it may lack a load."""
    return [not (is_missing(a) and is_missing(b)) for a, b in zip(work.raw(FROM), work.raw(TO), strict=True)]


def find_ends(work: Work) -> Ends:
    """Numbers of load_from and load_to, NaN where missing or bad; which of them a row may have is checked here."""
    first, last = _numbers(work, FROM), _numbers(work, TO)
    if not (work.has(FROM) or work.has(TO)):
        return list(zip(first, last, strict=True))
    words = work.out.values["_outcomes"]
    for i, (a, b, word) in enumerate(zip(first, last, words, strict=True)):
        if word == "broke" or not word:
            if math.isnan(a) != math.isnan(b) or a == 0:
                _one_end(work, i, a, b)
                first[i] = last[i] = math.nan
        elif word != "invalid" and not math.isnan(b):
            message = f"the outcome says {word!r}, so it did not break on the way to a next step. Leave {TO!r} empty."
            work.refuse(i, TO, work.raw(TO)[i], message)
    return list(zip(first, last, strict=True))


def _one_end(work: Work, i: int, first: float, last: float) -> None:
    if not math.isnan(last):
        message = f"it broke on the way to {last:g}, {LEFT} ({FROM!r}, or 'load')."
        work.refuse(i, FROM, work.raw(FROM)[i], message)
    else:
        message = f"{FROM!r} without {TO!r}: write both, or neither and the load at break under 'load'."
        work.refuse(i, TO, "", message)


def _numbers(work: Work, name: str) -> list[float]:
    if not work.has(name):
        return [math.nan] * len(work.out.rows)
    out = []
    for i, cell in enumerate(work.raw(name)):
        value = math.nan
        if not is_missing(cell):
            try:
                value = number_cell(cell, work.decimal)
                if value < 0:
                    work.refuse(i, name, cell, f"{as_text(cell)!r} is negative. Correct it, or leave the cell empty.")
                    value = math.nan
            except Refused as exc:
                work.refuse(i, name, cell, str(exc))
        out.append(value)
    return out


def _column_unit(work: Work, name: str) -> tuple[str, float] | None:
    """Unit of a column ("" where it is that of the row's load) and its coverage factor; None where it is refused."""
    f: Field | None = work.header.fields.get(name)
    if f is None or not f.unit:
        return "", 1.0
    found = re.fullmatch(r"(.*?)\s*(?:k=([0-9.]+))?", f.unit)
    unit, k = (found[1], float(found[2] or 1)) if found else (f.unit, 1.0)
    if k <= 0:
        work.refuse_header(f, name, f"header {f.text!r}: the coverage factor k must be greater than 0.")
        return None
    if unit in ("", "%"):
        return unit, k
    if name == IN_COMMON:
        work.refuse_header(f, name, f"header {f.text!r}: an uncertainty in common is a share of the load, in %.")
        return None
    try:
        return read_force_unit(unit, work.unit), k
    except InputError as exc:
        work.refuse_header(f, name, f"header {f.text!r}: {exc}")
        return None


def fill_between(work: Work, ends: Ends) -> None:
    """Put the ends into the row's unit and kN; a break between two loads has the lower one in ``load_kN``."""
    values = work.out.values
    units = {name: _column_unit(work, name) for name in (FROM, TO)}
    values[FROM], values[TO], values["upper_kN"] = [], [], []
    if not (work.has(FROM) or work.has(TO)):
        values[FROM], values[TO], values["upper_kN"] = ([math.nan] * len(ends) for _ in range(3))
        return
    both = 0
    for i, (first, last) in enumerate(ends):
        own = values["unit"][i] or next((u[0] for u in units.values() if u and u[0]), "") or _row_unit(work, i)
        kN = []
        for name, value in ((FROM, first), (TO, last)):
            unit = units[name][0] or own if units[name] is not None else ""  # type: ignore[index]
            if math.isfinite(value) and not unit and units[name] is not None:
                message = (
                    f"no unit is stated. State it in the header, '{name} [kN]', or in a unit column, or pass unit=."
                )
                work.refuse(i, name, value, message)
            kN.append(to_kN(value, unit) if unit and math.isfinite(value) else math.nan)
        for name, value in zip((FROM, TO), kN, strict=True):
            values[name].append(from_kN(value, own) if math.isfinite(value) else math.nan)
        values["upper_kN"].append(math.nan)
        if not math.isfinite(kN[0]):
            continue
        values["unit"][i] = own
        both += _place(work, i, *kN)
    if both:
        message = f"{both} rows state a load between {FROM!r} and {TO!r}; the break counts as one between the two"
        work.note_header(FROM, "info", "", message)


def _row_unit(work: Work, i: int) -> str:
    """Unit that the row, the load's header or the caller states, where no load stands there to carry it."""
    load = work.header.fields.get("load")
    word = as_text(work.raw("unit")[i]) or (load.unit if load is not None else "")
    try:
        return read_force_unit(word, work.unit) if word else work.unit or ""
    except InputError as exc:
        work.refuse(i, "unit", word, str(exc))
        return ""


def _place(work: Work, i: int, first: float, last: float) -> bool:
    """Take one row's ends over; True where a load stands beside them."""
    values = work.out.values
    load, word = values["load_kN"][i], values["outcome"][i]
    beside = math.isfinite(load)
    if word == "broke":
        if last < first:
            message = f"it held {first:g} kN ({FROM}) and cannot have broken on the way to {last:g} kN ({TO})."
            work.refuse(i, TO, work.raw(TO)[i], message)
        elif beside and not first <= load <= last:
            message = (
                f"the load, {load:g} kN, does not lie between {FROM!r} and {TO!r} ({first:g} to {last:g} kN). Correct "
                "it, or leave it out."
            )
            work.refuse(i, "load", work.raw("load")[i], message)
        values["load_kN"][i], values["upper_kN"][i] = first, last
    elif word != "invalid":
        if beside and load != first:
            message = (
                f"two loads held: {load:g} kN, and {first:g} kN under {FROM!r}. Keep the higher one, under 'load'."
            )
            work.refuse(i, FROM, work.raw(FROM)[i], message)
        values["load_kN"][i] = first
        return False
    return beside and word == "broke"


def fill_uncertainties(work: Work) -> None:
    """Standard uncertainties (k = 1): of each load in the row's unit and in kN, and the one in common in %."""
    values = work.out.values
    n = len(work.out.rows)
    values["uncertainty_kN"] = [math.nan] * n
    for name in (EACH, IN_COMMON):
        found = _numbers(work, name)
        if not work.has(name):
            values[name] = found
            continue
        read = _column_unit(work, name)
        unit, k = read or ("", 1.0)
        out = []
        for i, value in enumerate(found):
            load = values["load_kN"][i]
            upper = values["upper_kN"][i]
            middle = load if math.isnan(upper) else 0.5 * (load + upper)
            standard = float(Fraction(value) / Fraction(k)) if math.isfinite(value) else math.nan
            out.append(standard if name == IN_COMMON else _each(work, i, standard, unit, middle))
            share = 100 * values["uncertainty_kN"][i] / middle if name == EACH and middle > 0 else standard
            if share >= _MOST:
                message = f"{as_text(work.raw(name)[i])!r} is half of the load or more. Correct it or its unit."
                work.refuse(i, name, work.raw(name)[i], message)
        values[name] = out
        if k != 1:
            work.note_header(name, "info", f"k = {k:g}", f"divided by {k:g}: the table holds standard uncertainties")
        missing = sum(math.isnan(v) and not a for v, a in zip(found, values["excluded"], strict=True))
        if 0 < missing < n:
            work.note_header(name, "warning", "", f"{missing} rows state none, and count as if their load had none")


def _each(work: Work, i: int, value: float, unit: str, load: float) -> float:
    """One load's uncertainty in the row's unit; its kN go into the table."""
    values = work.out.values
    own = values["unit"][i]
    if not math.isfinite(value) or not own or (unit == "%" and not math.isfinite(load)):
        return math.nan
    kN = value * load / 100 if unit == "%" else to_kN(value, unit or own)
    values["uncertainty_kN"][i] = kN
    return from_kN(kN, own) if unit else value
