"""Which row is the header, and which column is which: exact aliases from columns.toml, never a fuzzy guess."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache, lru_cache
from typing import Any

from lowtail.errors import InputError
from lowtail.glossary import BREAK_LOG
from lowtail.logs.cells import as_text, key, table, without_mark
from lowtail.logs.sheets.guard import column_letters
from lowtail.logs.units import FORCE, FORCE_NAMES, OTHER, is_stress, read_other_unit, unit_key

__all__ = ["EACH", "FROM", "HELD_LOAD", "IN_COMMON", "TO", "Field", "Header", "find_header", "match_name"]

SEARCH_ROWS = 100
_LETTERS = re.compile("[A-Za-z]{1,2}")  # a column by its letter, as spreadsheets name it
FROM, TO, EACH, IN_COMMON = "load_from", "load_to", "load_uncertainty", "common_uncertainty"
_OWN_UNIT = {"rated_kN": "kN", "age_years": "years", "drop_mass_kg": "kg", "drop_height_m": "m", "sample_rate_hz": "Hz"}
HELD_LOAD = "load_held"  # a column of its own for the loads of specimens that held; only columns= can name it
_WITH_FORCE = ("load", "rated_kN", FROM, TO, EACH, IN_COMMON, HELD_LOAD)
_COVERAGE = re.compile(r"\s*[,;]?\s*\bk\s*=\s*([0-9]+(?:\.[0-9]+)?)")


@dataclass(frozen=True, slots=True)
class Field:
    """Where a canonical column stands: index, header as read, unit stated by the header ("" where none)."""

    index: int
    text: str
    unit: str = ""


@dataclass(frozen=True, slots=True)
class Header:
    """A header found: rows it takes (first, last), fields by canonical name, other columns by name."""

    first: int
    last: int
    fields: dict[str, Field]
    extras: dict[str, int]
    clashes: dict[str, list[str]] = field(default_factory=dict)


@cache
def aliases() -> dict[str, str]:
    """From every header alias, by its key, to the canonical column."""
    return {key(a): name for name, words in table("columns").items() for a in (name, *words)}


@lru_cache(maxsize=10_000)
def match_name(text: str) -> tuple[str, str]:
    """Canonical column and stated unit of one header text; ("", "") where it names none.

    Examples
    --------
    >>> match_name("Peak load [kN]"), match_name("load_lbf"), match_name("colour")
    (('load', 'kN'), ('load', 'lbf'), ('', ''))
    """
    known = aliases()
    plain = text.strip().rstrip(":*").strip()
    if factor := _COVERAGE.search(plain):  # the k of an expanded uncertainty, kept behind the unit
        name, unit = match_name(re.sub(r"[\[(]\s*[\])]", "", _COVERAGE.sub("", plain)))
        return (name, f"{unit} k={factor[1]}".strip()) if name in (EACH, IN_COMMON) else ("", "")
    if key(plain) in known:
        name = known[key(plain)]
        return name, _OWN_UNIT[name] if key(plain) == key(name) and name in _OWN_UNIT else ""
    bracket = re.fullmatch(r"(.*?)\s*[\[(]\s*([^\[\]()]*?)\s*[\])]", plain, re.DOTALL)
    if bracket and key(bracket[1].rstrip(",:")) in known:
        name = known[key(bracket[1].rstrip(",:"))]
        return name, bracket[2] if name in _WITH_FORCE or name in OTHER or name == "rate" else ""
    tail = re.fullmatch(r"(.*?)(?:\s*[_,/:\-]\s*|\s+in\s+|\s+)([^\s_,:]+)", plain, re.DOTALL)
    if tail and key(tail[1]) in known:
        name = known[key(tail[1])]
        if (name in _WITH_FORCE and _force_like(tail[2])) or read_other_unit(name, tail[2]) is not None:
            return name, tail[2]
    return "", ""


def _force_like(text: str) -> bool:
    known = text == "%" or text in FORCE or unit_key(text) in FORCE_NAMES or is_stress(text)
    return known or unit_key(text) in ("kg", "lb", "lbs", "t", "mn", "mpa")


def _texts(row: Sequence[Any]) -> list[str]:
    return [as_text(v) if isinstance(v, str) else "" for v in row]


def _names(texts: Sequence[str], wanted: Mapping[str, str]) -> list[tuple[str, str]]:
    """Canonical column and unit of every header text; a wanted header is looked for as a text, then as a letter."""
    chosen = {" ".join(h.split()): name for name, h in wanted.items()}
    letters = {name: h.strip() for name, h in wanted.items() if h not in texts}
    lettered = {h.upper(): name for name, h in letters.items() if _LETTERS.fullmatch(h)}
    out = []
    for i, text in enumerate(texts):
        if text in chosen or column_letters(i) in lettered:
            name = chosen[text] if text in chosen else lettered[column_letters(i)]
            unit = match_name(text)[1]
            if not unit and name in _WITH_FORCE and (b := re.search(r"[\[(]\s*([^\[\]()]+?)\s*[\])]$", text)):
                unit = b[1]
            out.append((name, unit))
            continue
        name, unit = match_name(text) if text else ("", "")
        out.append(("", "") if name in wanted else (name, unit))
    return out


def _joined(top: Sequence[str], bottom: Sequence[str], wanted: Mapping[str, str]) -> list[str]:
    out = []
    for i in range(max(len(top), len(bottom))):
        a, b = (top[i] if i < len(top) else ""), (bottom[i] if i < len(bottom) else "")
        both = f"{a} {b}".strip()
        out.append(both if not b or match_name(both)[0] or both in wanted.values() else b)
    return out


def find_header(rows: Sequence[Sequence[Any]], wanted: Mapping[str, str] | None = None) -> Header | None:
    """Header with the most columns recognised among the first rows; None where no row names two columns or more.

    Parameters
    ----------
    rows : sequence of rows
        Raw cells, merged headers already filled.
    wanted : mapping, optional
        Canonical column to header text, for headers that the alias table does not know.
    """
    wanted = {n: h for n, h in (wanted or {}).items() if not h.startswith("=")}
    best: tuple[int, int, int, list[str]] | None = None
    texts = [_texts(r) for r in rows[:SEARCH_ROWS]]
    for i, row in enumerate(texts):
        names = {n for n, _ in _names(row, wanted) if n}
        count = len(names)
        shown = "load" in names and " ".join(wanted.get("load", "").split()) in row
        enough = any(row) and (count >= 2 or shown)  # who names the load by its header has shown the header
        if enough and (best is None or count > best[0]):
            best = (count, i, i, row)
    for i in range(len(texts) - 1):
        pair = _joined(texts[i], texts[i + 1], wanted)
        count = len({n for n, _ in _names(pair, wanted) if n})
        if best is not None and count > best[0] and best[1] in (i, i + 1):
            best = (count, i, i + 1, pair)
    if best is None:
        return None
    _, first, last, row = best
    return _with_unit_row(rows, _make(first, last, row, wanted))


def _make(first: int, last: int, row: Sequence[str], wanted: Mapping[str, str]) -> Header:
    fields: dict[str, Field] = {}
    extras: dict[str, int] = {}
    clashes: dict[str, list[str]] = {}
    for i, ((name, unit), text) in enumerate(zip(_names(row, wanted), row, strict=True)):
        if name and name in fields:
            clashes.setdefault(name, [fields[name].text]).append(text)
        elif name:
            fields[name] = Field(i, text, unit)
        else:
            label = without_mark(text) or f"column {i + 1}"
            while label in extras or label in BREAK_LOG:
                label += " (2)"
            extras[label] = i
    return Header(first, last, fields, extras, clashes)


def _with_unit_row(rows: Sequence[Sequence[Any]], header: Header) -> Header:
    """Take a row of units under the header, such as ``| | kN | | years |``, into the header."""
    if header.last + 1 >= len(rows):
        return header
    below = [as_text(v) for v in rows[header.last + 1]]
    units = [re.sub(r"^[\[(](.*)[\])]$", r"\1", t).strip() for t in below]
    by_index = {f.index: name for name, f in header.fields.items()}
    seen: dict[str, str] = {}
    for i, unit in enumerate(units):
        name = by_index.get(i, "")
        if unit in ("", "-", "–", "—"):
            continue
        force = name in _WITH_FORCE and _force_like(unit)
        if not (
            force or (name in OTHER and read_other_unit(name, unit) is not None) or (name == "rate" and "/" in unit)
        ):
            return header
        seen[name] = unit
    if not seen:
        return header
    fields = dict(header.fields)
    for name, unit in seen.items():
        f = fields[name]
        both = (
            unit if f.unit in ("", unit) else f"{f.unit} and {unit}"
        )  # two units are one too many: refused further on
        fields[name] = Field(f.index, f"{f.text} [{unit}]", both)
    return Header(header.first, header.last + 1, fields, header.extras, header.clashes)


def _index_of(letters: str) -> int:
    """0-based place of a column letter: A is 0, AA is 26."""
    place = 0
    for letter in letters.upper():
        place = 26 * place + ord(letter) - ord("A") + 1
    return place - 1


def check_wanted(wanted: Mapping[str, str] | None, texts: Sequence[str], width: int) -> None:
    """Refuse a ``columns=`` that names a column or a header that does not exist."""
    for name, header in (wanted or {}).items():
        if name not in BREAK_LOG and name != HELD_LOAD:
            raise InputError(
                f"`columns` names {name!r}, which is no column of a break log. Columns: {', '.join(BREAK_LOG)}."
            )
        by_letter = _LETTERS.fullmatch(header.strip()) and _index_of(header.strip()) < width
        if not header.startswith("=") and " ".join(header.split()) not in texts and not by_letter:
            shown = ", ".join(repr(t) for t in texts if t) or "none"
            raise InputError(f"`columns` says that {name!r} stands under {header!r}, but the headers are: {shown}.")
