"""Rounding is never in favour of the gear."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lowtail import InputError
from lowtail.report import phrases

loads = st.floats(0.0011, 9.9e5, allow_nan=False)


def value(text):
    return float(text.replace(",", ""))


@given(loads)
def test_a_lower_bound_is_never_written_higher(load):
    assert value(phrases.down(load)) <= load * (1 + 2e-12)
    assert value(phrases.down(load)) >= load * (1 - 0.0101)


@given(loads)
def test_an_upper_limit_is_never_written_lower(load):
    assert value(phrases.up(load)) >= load * (1 - 2e-12)
    assert value(phrases.up(load)) <= load * (1 + 0.0101)


@given(st.integers(100, 999), st.integers(-2, 3))
def test_a_number_of_three_figures_stays_itself(digits, shift):
    load = digits * 10.0**shift
    assert math.isclose(value(phrases.down(load)), load, rel_tol=1e-12)
    assert math.isclose(value(phrases.up(load)), load, rel_tol=1e-12)
    assert math.isclose(value(phrases.nearest(load)), load, rel_tol=1e-12)


@given(loads)
def test_pound_force_in_brackets_is_cut_down_too(load):
    kn, lbf = phrases.force_low(load, "lbf").split(" kN (")
    # 1 lbf = 4.4482216152605 N: NIST SP 811, table B.8
    assert value(lbf.removesuffix(" lbf)")) <= load * 1000 / 4.4482216152605 * (1 + 1e-9)
    assert value(kn) <= load * (1 + 2e-12)


def test_what_is_missing_is_said():
    assert phrases.force_low(float("nan")) == "none"
    assert phrases.force(float("inf"), "lbf") == "none"


def test_unknown_units_are_refused():
    with pytest.raises(InputError, match=r"`units` must be 'kN' or 'lbf' .* got 'kg'"):
        phrases.check_units("kg")
