"""One cell at a time: numbers and loads as their writer meant them, or refused."""

from __future__ import annotations

import datetime
import math
import re

import pytest

from lowtail.logs.cells import Broken, Load, Refused, as_text, decimal_mark, is_missing, key, number_cell, parse_load


@pytest.mark.parametrize(
    ("text", "decimal", "value"),
    [
        ("22.4", "", 22.4),
        ("22,4", "", 22.4),
        ("1,234", ".", 1234.0),
        ("1,234", ",", 1.234),
        ("1.234", ",", 1234.0),
        ("1.234", ".", 1.234),
        ("1,234.5", "", 1234.5),
        ("1.234,5", "", 1234.5),
        ("1 234,5", "", 1234.5),
        ("1'234.5", "", 1234.5),
        ("1,234,567", "", 1234567.0),
        ("0,234", "", 0.234),
        ("1234,567", "", 1234.567),
        ("+22.4", "", 22.4),
        ("\u22125", "", -5.0),
        (".5", "", 0.5),
        ("22.", "", 22.0),
        ("2.24E+01", "", 22.4),
        ("2,24e1", "", 22.4),
        (" 22.4\u00a0", "", 22.4),
        (22, "", 22.0),
    ],
)
def test_numbers(text: object, decimal: str, value: float) -> None:
    assert number_cell(text, decimal) == value


@pytest.mark.parametrize(
    ("text", "decimal", "says"),
    [
        ("1,234", "", "two ways"),
        ("1.234", "", "two ways"),
        ("22,5", ".", "decimal comma, while this file uses the decimal point"),
        ("22.5", ",", "decimal point, while this file uses the decimal comma"),
        ("1,23.4", "", "not a number in any usual way"),
        ("12,34,567", "", "not a number in any usual way"),
        ("1.2.3", "", "not a number in any usual way"),
        ("22 50", "", "not a number in any usual way"),
        ("1,234.567.8", "", "not a number in any usual way"),
        ("22½", "", "not a number"),
        ("２２", "", "not a number"),
        ("١٢", "", "not a number"),
        ("1e400", "", "not a finite number"),
        ("nan", "", "not a number"),
        ("inf", ".", "not a number"),
        ("0x1F", "", "not a number"),
        ("1_000", "", "not a number"),
        ("12%", "", "not a number"),
        ("22 kN", "", "not a number"),
        ("", "", "empty"),
        (True, "", "true/false"),
        (datetime.date(2024, 5, 22), "", "date or time"),
        (datetime.time(1, 2), "", "date or time"),
        (math.inf, "", "not a finite number"),
        (Broken("the cell holds the error #N/A"), "", "holds the error #N/A"),
    ],
)
def test_what_is_no_number_is_refused(text: object, decimal: str, says: str) -> None:
    with pytest.raises(Refused, match=re.escape(says)):
        number_cell(text, decimal)


@pytest.mark.parametrize(
    ("text", "load"),
    [
        ("22.4", Load(22.4)),
        (22.4, Load(22.4)),
        (">22.4", Load(22.4, "", "held")),
        (">= 22.4 kN", Load(22.4, "kN", "held")),
        ("≥22.4", Load(22.4, "", "held")),
        ("22.4+", Load(22.4, "", "held")),
        ("22.4 kN+", Load(22.4, "kN", "held")),
        ("DNB 22", Load(22.0, "", "held")),
        ("DNB @ 22 kN", Load(22.0, "kN", "held")),
        ("no break at 22,5 kN", Load(22.5, "kN", "held")),
        ("22 kN (held)", Load(22.0, "kN", "held")),
        ("22.4 (maxed out)", Load(22.4, "", "stopped")),
        ("slipped 12.1", Load(12.1, "", "slipped")),
        ("4250 lbf", Load(4250.0, "lbf", "")),
        ("4,250.5lbf", Load(4250.5, "lbf", "")),
    ],
)
def test_loads(text: object, load: Load) -> None:
    assert parse_load(text) == load


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("DNB", "states no load"),
        ("<22", "not a load that was reached"),
        ("~22", "not a load that was reached"),
        ("about 22", "not a load that was reached"),
        ("22.4*", "not a load"),
        ("22/23", "not a load"),
        ("22-23", "not a load"),
        ("22.4 kN 5", "not a load"),
        ("12:30", "not a load"),
        ("twenty", "not a load"),
        ("DNB 22 slipped", "says both"),
        ("broke 22+", "says both"),
        (Broken("the cell holds a formula without a stored result"), "let it calculate"),
    ],
)
def test_what_is_no_load_is_refused(text: object, says: str) -> None:
    with pytest.raises(Refused, match=re.escape(says)):
        parse_load(text)


def test_what_a_number_says_about_the_decimal_mark() -> None:
    texts = [
        "22.5",
        "22,5",
        "1,234",
        "1.234",
        "1,234.5",
        "1.234,5",
        "1,234,567",
        "1.234.567",
        "250",
        "abc",
        "0.123",
        "1234.567",
    ]
    assert [decimal_mark(t) for t in texts] == [".", ",", "?", "?", ".", ",", ".", ",", "", "", ".", "."]


def test_text_of_cells() -> None:
    assert as_text("  two\u00a0 words\n") == "two words"
    assert [as_text(v) for v in (7.0, 7.5, 7, None, math.nan, True)] == ["7", "7.5", "7", "", "", "true"]
    assert as_text(datetime.datetime(2024, 5, 3)) == "2024-05-03"
    assert as_text(datetime.datetime(2024, 5, 3, 9, 30)) == "2024-05-03 09:30:00"
    assert key(" Did-not_break. ") == "did not break"


def test_missing_words() -> None:
    assert all(is_missing(v) for v in (None, "", " ", "n/a", "NA", "-", "None", math.nan))
    assert not any(is_missing(v) for v in (0, 0.0, "0", "no", False))
