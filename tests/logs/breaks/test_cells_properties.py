"""Property tests: for every number and every way of writing it, what is read is what was meant, or nothing is."""

from __future__ import annotations

import math
from decimal import Decimal

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from lowtail.logs.cells import Refused, number_cell, parse_load
from lowtail.logs.units import FORCE, from_kN, to_kN

#: thousands mark and decimal mark of the usual ways of writing
STYLES = [
    ("", "."),
    ("", ","),
    (",", "."),
    (".", ","),
    (" ", "."),
    (" ", ","),
    ("'", "."),
    ("\u202f", ","),
    ("\u00a0", "."),
]


def written(value: Decimal, thousands: str, mark: str) -> str:
    return f"{value:,f}".replace(",", "T").replace(".", "D").replace("T", thousands).replace("D", mark)


values = st.decimals(min_value=Decimal("0.001"), max_value=Decimal("9999999"), places=None, allow_nan=False).map(
    lambda d: d.quantize(Decimal("0.0001"))
) | st.builds(lambda n, places: Decimal(n).scaleb(-places), st.integers(1, 10**8), st.integers(0, 4))


@settings(max_examples=300, deadline=None)
@given(value=values, style=st.sampled_from(STYLES), declared=st.booleans())
@example(value=Decimal("1234"), style=(",", "."), declared=False)
@example(value=Decimal("1.234"), style=("", ","), declared=False)
@example(value=Decimal("12.345"), style=("", "."), declared=False)
def test_a_number_is_read_as_meant_or_refused(value: Decimal, style: tuple[str, str], declared: bool) -> None:
    thousands, mark = style
    text = written(value, thousands, mark)
    try:
        got = number_cell(text, mark if declared else "")
    except Refused:
        assert not declared, f"{text!r} is not in doubt once {mark!r} is declared"
        return
    assert got == float(value)


@settings(max_examples=300, deadline=None)
@given(
    value=values,
    style=st.sampled_from(STYLES),
    unit=st.sampled_from(["", *FORCE]),
    mark=st.sampled_from(["{}", ">{}", "{}+", "DNB {}", "≥ {}", "held {}", "{} (held)", "no break at {}"]),
    gap=st.sampled_from(["", " ", "\u00a0"]),
)
def test_a_load_keeps_its_number_unit_and_mark(
    value: Decimal, style: tuple[str, str], unit: str, mark: str, gap: str
) -> None:
    number = written(value, *style)
    text = mark.format(f"{number}{gap}{unit}".strip())
    try:
        load = parse_load(text, style[1])
    except Refused as exc:
        pytest.fail(f"{text!r} refused: {exc}")
    assert load.value == float(value)
    assert load.unit == unit
    assert load.outcome == ("" if mark == "{}" else "held")


@settings(max_examples=250, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(text=st.text(max_size=30) | st.text(alphabet="0123456789.,' -+eE<>~kNlbfDB()", max_size=16))
def test_any_text_is_a_load_or_refused(text: str) -> None:
    for decimal in ("", ".", ","):
        try:
            load = parse_load(text, decimal)
        except Refused:
            continue
        assert math.isfinite(load.value)


@settings(max_examples=200, deadline=None)
@given(kN=st.floats(1e-3, 1e4), unit=st.sampled_from(sorted(FORCE)))
def test_units_there_and_back(kN: float, unit: str) -> None:
    assert to_kN(from_kN(kN, unit), unit) == pytest.approx(kN, rel=4e-16)
