"""One cell at a time: numbers, loads, words. Each is read as its writer meant it, or refused."""

from __future__ import annotations

import math
import re
import tomllib
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from functools import cache, lru_cache
from importlib.resources import files
from typing import Any

__all__ = [
    "Broken",
    "Load",
    "Refused",
    "as_text",
    "decimal_mark",
    "is_missing",
    "key",
    "number_cell",
    "parse_load",
    "table",
    "without_mark",
    "word_map",
]

# Spaces that spreadsheets and instruments put into cells, control characters, and look-alikes of the minus sign
_SPACES = str.maketrans(
    dict.fromkeys(map(chr, (*range(32), 0x7F)), " ")
    | {"\u00a0": " ", "\u2007": " ", "\u2009": " ", "\u202f": " ", "\u2212": "-", "\u2019": "'"}
)
_SIMPLE = re.compile(r"[-+]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][-+]?[0-9]+)?\Z")
_PARTS = re.compile(r"([-+]?)([0-9][0-9.,' ]*|[.,][0-9]+)(?:[eE]([-+]?[0-9]+))?\Z")
_FIRST_NUMBER = re.compile(r"[-+]?(?:[0-9][0-9.,' ]*(?<! )|[.,][0-9]+)(?:[eE][-+]?[0-9]+)?")
_REPAIR = "Open the file, let it calculate, paste the values and save it."
_MORE = (">", ">=", "≥", "=>", "more than", "over", "at least", "min", "min.")
_LESS = ("<", "<=", "≤", "=<", "less than", "under", "below", "~", "≈", "approx", "approx.", "about", "ca", "ca.", "c.")


class Refused(ValueError):
    """A cell that this reader will not turn into a value; the text says why and what to do."""


class Broken(str):
    """Text that stands for a cell which holds no value: an error value, or a formula without a stored result."""


@dataclass(frozen=True, slots=True)
class Load:
    """A load cell: its number, and the unit and the outcome that the cell itself states ("" where none)."""

    value: float
    unit: str = ""
    outcome: str = ""


@cache
def table(name: str) -> dict[str, Any]:
    """One of the TOML tables that lie beside this module."""
    return tomllib.loads((files("lowtail.logs") / f"{name}.toml").read_text(encoding="utf-8"))


@lru_cache(maxsize=20_000)
def key(text: str) -> str:
    """Text without case, and with spaces, dots, dashes and underscores as one space.

    Examples
    --------
    >>> key("  Other-part_BROKE. ")
    'other part broke'
    """
    return re.sub(r"[\s._\-\u2010-\u2015]+", " ", text.translate(_SPACES)).strip().casefold()


@cache
def word_map(section: str) -> dict[str, str]:
    """From every word of a section of words.toml, by its key, to the word it is read as."""
    words = table("words")[section]
    if set(words) == {"words"}:
        return {key(w): w for w in words["words"]}
    return {key(w): meaning for meaning, aliases in words.items() for w in (meaning, *aliases)}


@cache
def _missing_words() -> frozenset[str]:
    return frozenset(table("words")["missing"]["words"])


def is_missing(value: Any) -> bool:
    """Whether a cell says that there is no value: empty, not a number, or a word such as ``n/a``."""
    if value is None:
        return True
    if isinstance(value, str):
        return _one_space(value).casefold() in _missing_words()
    return isinstance(value, float) and math.isnan(value)


@lru_cache(maxsize=20_000)
def _one_space(text: str) -> str:
    return " ".join(text.translate(_SPACES).split())


def as_text(value: Any) -> str:
    """Cell as text: spaces at the ends and doubled spaces go, whole numbers lose their ``.0``, dates become ISO."""
    if value is None:
        return ""
    if isinstance(value, str):
        return _one_space(value)
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (int, float)):
        if isinstance(value, float):
            if math.isnan(value):
                return ""
            if value.is_integer() and abs(value) < 1e15:
                return str(int(value))
        return repr(value)
    if isinstance(value, datetime):
        return value.date().isoformat() if value.time() == time() else value.isoformat(sep=" ")
    if isinstance(value, (date, time, timedelta)):
        return str(value)
    return " ".join(str(value).split())


def without_mark(text: str) -> str:
    """Text without the apostrophe that keeps a spreadsheet from running it (see `export.safe_text`).

    Examples
    --------
    >>> without_mark("'=1+1"), without_mark("'quoted'")
    ('=1+1', "'quoted'")
    """
    return text[1:] if text[:1] == "'" and text.lstrip("'")[:1] in ("=", "+", "-", "@") else text


def decimal_mark(text: str) -> str:
    """What one number says about the decimal mark: ``"."``, ``","``, ``"?"`` (a number that could be either), ``""``.

    Examples
    --------
    >>> [decimal_mark(t) for t in ("22.5", "22,5", "1.234,5", "1,234", "250")]
    ['.', ',', ',', '?', '']
    """
    found = _FIRST_NUMBER.search(text.translate(_SPACES))
    if found is None:
        return ""
    digits = re.split(r"[eE]", found.group())[0].lstrip("+-").rstrip(" '")
    point, comma = digits.count("."), digits.count(",")
    if point and comma:
        return "." if digits.rfind(".") > digits.rfind(",") else ","
    if not point and not comma:
        return ""
    mark = "." if point else ","
    if point + comma > 1:
        return "," if mark == "." else "."
    before, after = digits.split(mark)
    if len(after) == 3 and re.fullmatch(r"[1-9][0-9]{0,2}", before):
        return "?"
    return mark


def number_cell(value: Any, decimal: str = "") -> float:
    """Read a number as it was meant, or refuse.

    Parameters
    ----------
    value : object
        Cell as it came: a number stays as it is, a text is read.
    decimal : {"", ".", ","}
        Decimal mark of the file; with ``""`` a text that could be read two ways is refused.

    Returns
    -------
    float
        Finite.

    Raises
    ------
    Refused
        With the reason and what to do.

    Examples
    --------
    >>> number_cell("1 234,5", ","), number_cell("1,234.5"), number_cell(" 22.40 ", ".")
    (1234.5, 1234.5, 22.4)
    """
    if isinstance(value, (bool, date, time, timedelta)):
        kind = "true/false value" if isinstance(value, bool) else "date or time"
        raise Refused(
            f"{as_text(value)!r} is a {kind}, a number is required; a spreadsheet may have changed it. Retype it."
        )
    if isinstance(value, Broken):
        raise Refused(f"{value}. {_REPAIR}")
    if isinstance(value, (int, float)):
        number = float(value)
    else:
        number = _number_text(str(value).translate(_SPACES).strip(), decimal)
    if not math.isfinite(number):
        raise Refused(f"{as_text(value)!r} is not a finite number.")
    return number


def _number_text(text: str, decimal: str) -> float:
    if not text:
        raise Refused("the cell is empty, a number is required.")
    if decimal == "." and _SIMPLE.match(text):
        return float(text)
    parts = _PARTS.match(text)
    if parts is None:
        raise Refused(f"{text!r} is not a number. Write digits only, e.g. 22.4, and put remarks in the note column.")
    sign, digits, power = parts.groups()
    mark = decimal_mark(digits)
    if mark == "?":
        mark = decimal
        if not mark:
            raise Refused(
                f"{text!r} can be read two ways (thousands or decimals) and no other cell of the file "
                "decides. Retype it, or pass decimal='.' or decimal=','."
            )
    elif mark and decimal and mark != decimal:
        names = {".": "point", ",": "comma"}
        raise Refused(
            f"{text!r} has a decimal {names[mark]}, while this file uses the decimal {names[decimal]}. "
            f"Correct the cell, or pass decimal={mark!r}."
        )
    whole, _, fraction = digits.partition(mark) if mark else (digits, "", "")
    if not re.fullmatch(r"[0-9]*", fraction) or not re.fullmatch(
        r"|[0-9]+|[0-9]{1,3}(?P<s>[.,' ])[0-9]{3}(?:(?P=s)[0-9]{3})*", whole
    ):
        raise Refused(f"{text!r} is not a number in any usual way of writing. Write digits only, e.g. 22.4.")
    if not (whole or fraction):
        raise Refused(f"{text!r} is not a number.")
    plain = re.sub(r"[.,' ]", "", whole) or "0"
    return float(f"{sign}{plain}.{fraction or '0'}e{power or '0'}")


def parse_load(value: Any, decimal: str = "") -> Load:
    """Read a load cell: a number, perhaps with a unit and marks such as ``>22.4``, ``22.4+``, ``DNB 22``.

    Raises
    ------
    Refused
        Where it is no load, or where it states less than a load (``<22``, ``~22``).

    Examples
    --------
    >>> parse_load(">22.4")
    Load(value=22.4, unit='', outcome='held')
    >>> parse_load("4250 lbf")
    Load(value=4250.0, unit='lbf', outcome='')
    """
    if isinstance(value, Broken):
        raise Refused(f"{value}. {_REPAIR}")
    if not isinstance(value, str):
        return Load(number_cell(value, decimal))
    text = value.translate(_SPACES).strip()
    if decimal == "." and _SIMPLE.match(text):
        return Load(number_cell(text, decimal))
    found = _FIRST_NUMBER.search(text)
    if found is None:
        if key(text) in word_map("outcome"):
            raise Refused(f"{text!r} states no load. Write the highest load that the specimen held, e.g. '>22.4'.")
        raise Refused(f"{text!r} is not a load. Write a number in the unit of the column, e.g. 22.4.")
    before, after = text[: found.start()].strip(), text[found.end() :].strip()
    outcome = _mark_before(before, text)
    unit, mark = _after(after, text)
    if outcome and mark and outcome != mark:
        raise Refused(f"{text!r} says both {outcome!r} and {mark!r}. Keep one.")
    return Load(number_cell(found.group(), decimal), unit, outcome or mark)


def _mark_before(before: str, text: str) -> str:
    plain = re.sub(r"\s*(?:@|\bat\b|:|=)\s*\Z", "", before).strip()
    if before.casefold() in _MORE or plain.casefold() in _MORE:
        return "held"
    if plain.casefold() in _LESS:
        raise Refused(
            f"{text!r} is not a load that was reached. Write the load at break, or '>' with the highest load held."
        )
    if not plain:
        return ""
    if key(plain) in word_map("outcome"):
        return word_map("outcome")[key(plain)]
    raise Refused(f"{text!r} is not a load. Write a number, and put remarks in the note column.")


def _after(after: str, text: str) -> tuple[str, str]:
    rest, outcome = after, ""
    if rest.startswith("+") or rest.endswith("+"):
        rest, outcome = rest.strip("+").strip(), "held"
    words = re.sub(r"[(),;]", " ", rest).split()
    for cut in range(min(len(words), 3) + 1):
        unit, mark = " ".join(words[:cut]), key(" ".join(words[cut:]))
        if mark and mark not in word_map("outcome"):
            continue
        if unit and not re.fullmatch(r"[A-Za-z#][A-Za-z.\- ]*", unit):
            break
        found = word_map("outcome")[mark] if mark else ""
        if outcome and found and found != outcome:
            break
        return unit, outcome or found
    raise Refused(f"{text!r} is not a load. Write a number, and put remarks in the note column.")
