"""The lower bound, the bases and the reverse question: defining properties, customs, refusals by their words."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from lowtail import (
    BASES,
    Basis,
    InputError,
    NoAnswerError,
    Sample,
    confidence_distribution,
    confidence_that,
    lower_bound,
)
from lowtail.claims.basis import as_bases, get_basis
from lowtail.claims.strength.lower_bound import floor3
from lowtail.claims.strength.notes import lowered_words

LOAD = [24.1, 25.3, 22.8, 26.0, 23.9]


@pytest.mark.parametrize(
    ("name", "content", "confidence"),
    [
        ("A-basis", 0.01, 0.95),  # MIL-HDBK-17-1F (from memory)
        ("B-basis", 0.10, 0.95),  # MIL-HDBK-17-1F (from memory)
        ("5 % characteristic, 75 %", 0.05, 0.75),  # EN 14358, ISO 12491 (from memory)
        ("5 % characteristic, 90 %", 0.05, 0.90),  # anchor assessment (from memory)
        ("5 %, 95 %", 0.05, 0.95),
    ],
)
def test_bases_have_their_content(name, content, confidence):
    basis = BASES[name]
    assert (basis.fraction_below, basis.confidence, basis.kind) == (content, confidence, "tolerance")
    assert basis.source
    found = lower_bound(Sample(LOAD), name, family="normal")
    factor = stats.nct.ppf(confidence, 4, -stats.norm.ppf(content) * np.sqrt(5)) / np.sqrt(5)
    assert found.low == pytest.approx(np.mean(LOAD) - factor * np.std(LOAD, ddof=1), rel=1e-9)


def test_en_1990_is_a_prediction():
    """EN 1990 Annex D, table D1, n = 5, unknown scatter: 2.33 (from memory)."""
    found = lower_bound(Sample(LOAD), "EN 1990 prediction")
    factor = (np.mean(LOAD) - found.low) / np.std(LOAD, ddof=1)
    assert factor == pytest.approx(2.33, abs=0.012)  # the table's entries stray up to 0.012 from the formula
    assert factor == pytest.approx(stats.t.ppf(0.95, 4) * np.sqrt(1.2), rel=1e-12)
    assert "prediction" in str(found)


def test_three_spreads_says_what_it_demonstrates():
    found = lower_bound(Sample(LOAD, label="sling"), "mean - 3 s")
    assert found.low == pytest.approx(np.mean(LOAD) - 3 * np.std(LOAD, ddof=1), rel=1e-12)
    assert "86.2 % are stronger" in str(found)
    # definition: at the content named, 3 is the noncentral-t factor of n = 5 at 95 %
    content = 1 - 0.862
    assert stats.nct.ppf(0.95, 4, -stats.norm.ppf(content) * np.sqrt(5)) / np.sqrt(5) == pytest.approx(3.0, abs=0.01)
    with pytest.raises(NoAnswerError, match="survivors make mean and s meaningless"):
        lower_bound(Sample(LOAD, [1, 1, 1, 1, 0]), "mean - 3 s")
    with pytest.raises(NoAnswerError, match="at least 2 specimens"):
        lower_bound(Sample([20.0]), "EN 1990 prediction")


def test_a_basis_of_ones_own():
    mine = Basis("works rule", 0.2, 0.8)
    assert lower_bound(Sample(LOAD), mine).low == lower_bound(Sample(LOAD), fraction_below=0.2, confidence=0.8).low
    assert get_basis(" b-BASIS ").name == "B-basis"
    assert [b.name for b in as_bases(["A-basis", mine])] == ["A-basis", "works rule"]


def test_confidence_and_bound_are_one_statement():
    for family in ("weibull", "lognormal", "normal"):
        low = lower_bound(Sample(LOAD), "B-basis", family=family).low
        shown = confidence_that(Sample(LOAD, label="sling"), low, 0.1, family=family)
        assert shown.confidence == pytest.approx(0.95, abs=1e-9)
    assert "show with 9" in str(shown) and "sling" in str(shown)


def test_sentence():
    series = Sample(LOAD, [1, 1, 1, 0, 1], label="steel oval, major axis")
    found = lower_bound(series, "A-basis")
    assert str(found) == (
        "steel oval, major axis: with 95 % confidence, at least 99 % of the population is stronger than 10.5 kN "
        "(A-basis; Weibull distribution, confidence distribution; 5 specimens, 1 held)."
    )
    assert found.notes == ("Survivors held at or above the highest break: this bound is exact or cautious.",)
    frame = found.to_frame()
    assert frame.shape[0] == 1 and frame["low"][0] == found.low
    assert "A-basis" in found._repr_html_()


def test_none_broken_is_the_attribute_statement():
    """Success run: 0.9^29 = 0.047 <= 0.05 < 0.9^28, so 29 specimens that hold show 10 %, 95 % (definition)."""
    with pytest.raises(NoAnswerError, match=r"at least 54\.9 % are stronger than 22\.0 kN.*needs 29"):
        lower_bound(Sample([22.0] * 5, [0] * 5), "B-basis")
    found = lower_bound(Sample([22.0] * 29, [0] * 29), "B-basis")
    assert (found.low, found.method, found.family) == (22.0, "attribute", "none assumed")
    assert np.isnan(found.estimate)


def test_known_shape_is_printed_as_an_assumption():
    found = lower_bound(Sample(LOAD), "B-basis", shape=12)
    assert found.method == "known spread"
    assert found.notes[0].startswith("Assumption: Weibull shape 12 taken as known")


def test_equal_scatter_is_printed_as_an_assumption():
    groups = [Sample(LOAD), Sample([11.0, 11.9, 12.3, 11.2])]
    found = lower_bound(groups[1], "A-basis", siblings=groups, method="equal scatter")
    assert found.method == "equal scatter"
    assert "2 groups have exactly one scatter (9 breaks in all)" in found.notes[0]
    assert found.low > lower_bound(groups[1], "A-basis").low


@pytest.mark.parametrize("method", ["order statistic", "Hanson-Koopmans"])
def test_methods_without_a_law(method):
    load = 20 + np.arange(30) / 10
    found = lower_bound(Sample(load), "B-basis", method=method)
    assert (found.method, found.family) == (method, "none assumed")
    assert 0 < found.low <= load[0] + 0.2


@pytest.mark.parametrize("method", ["likelihood ratio", "large sample"])
def test_methods_for_comparison(method):
    found = lower_bound(Sample(LOAD), "B-basis", method=method)
    assert found.method == method and found.notes
    if method == "large sample":
        assert "comparison only" in found.unusable
        assert found.low > lower_bound(Sample(LOAD), "B-basis").low


def test_useless_bound_is_said():
    found = lower_bound(Sample([10.0, 25.0, 40.0]), "A-basis", family="normal")
    assert found.low == 0 and "no useful" in found.unusable
    assert "Do not use" in found._repr_html_()


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"basis": "C-basis"}, "`basis` must be one of"),
        ({"basis": "B-basis", "fraction_below": 0.1, "confidence": 0.9}, "not both"),
        ({"fraction_below": 0.1}, "`confidence` is missing"),
        ({"fraction_below": 5, "confidence": 0.9}, "not a percentage"),
        ({"family": "gamma"}, "`family` must be one of"),
        ({"method": "guess"}, "`method` must be one of"),
        ({"method": "order statistic", "shape": 9}, "belongs to the confidence distribution"),
    ],
)
def test_bad_arguments(options, words):
    with pytest.raises(InputError, match=words):
        lower_bound(Sample(LOAD), **options)


def test_bad_bases():
    with pytest.raises(InputError, match="`kind` must be one of"):
        Basis("x", 0.1, 0.9, "guess")
    with pytest.raises(InputError, match="at least one"):
        as_bases([])
    with pytest.raises(InputError, match="between 0 and 1"):
        Basis("x", 0.0, 0.9)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (20.199, "20.1"),
        (0.98765, "0.987"),
        (123.9, "123"),
        (9.999, "9.99"),
        (0.0, "0"),
        (20.1, "20.1"),
        (1234.0, "1,230"),
    ],
)
def test_bounds_are_rounded_down(value, text):
    assert floor3(value) == text
    assert float(text.replace(",", "")) <= value


def test_siblings_may_come_as_an_array() -> None:
    two, five = Sample([20.0, 22.0]), Sample([21.0, 23.5, 22.2, 24.1, 22.9])
    several = np.empty(2, dtype=object)
    several[:] = [two, five]
    assert lower_bound(two, siblings=several).low == lower_bound(two, siblings=[two, five]).low


# --- what is said of specimens held early

PROOF = Sample([24.1, 26.3, 25.2, 23.9, *[20.5] * 20], [1, 1, 1, 1, *[0] * 20], label="bolt")


def test_survivors_above_every_break_are_named_cautious():
    found = lower_bound(Sample([22.8, 23.9, 24.1, 25.0, 25.0], [1, 1, 1, 0, 0]), "B-basis")
    assert found.notes == ("Survivors held at or above the highest break: this bound is exact or cautious.",)
    assert found.method == "confidence distribution"
    assert lower_bound(Sample(LOAD), "B-basis").notes == ()


def test_early_holds_that_change_nothing():
    found = lower_bound(Sample([*LOAD, 24.0], [1, 1, 1, 1, 1, 0]), "A-basis")
    assert found.notes == ("Some specimens held at low loads; checked by simulation, the bound stands.",)
    assert found.method == "confidence distribution"


def test_early_holds_that_lower_the_bound():
    found = lower_bound(PROOF, fraction_below=0.1, confidence=0.75)
    assert found.method == "confidence distribution, lowered for early holds"
    usual = confidence_distribution(PROOF).plain_low(0.1, 0.75)
    assert found.low < usual
    assert found.notes == (
        f"Specimens that held at low loads make the usual bound too high ({floor3(usual)} kN); lowered to "
        f"{floor3(found.low)} kN by simulation (1,024 samples, fixed seed).",
    )
    shown = confidence_that(PROOF, usual, 0.1)
    assert shown.confidence < 0.74 and "the usual confidence too high (75 %)" in shown.notes[0]


@pytest.mark.parametrize(
    ("options", "source"),
    [
        ({"shape": 12.0}, "known scatter"),
        ({"siblings": [Sample([11.0, 11.9, 12.3, 11.2])], "method": "equal scatter"}, "equal scatter"),
    ],
)
def test_what_is_not_calibrated_says_so(options, source):
    found = lower_bound(PROOF, "B-basis", **options)
    assert f"Some specimens held at low loads; with {source} this bound is not calibrated for that." in found.notes
    early_sibling = {"siblings": [PROOF], "method": "equal scatter"}
    assert "not calibrated" in " ".join(lower_bound(Sample(LOAD), "B-basis", **early_sibling).notes)
    assert "held" not in " ".join(lower_bound(Sample(LOAD), "B-basis", **options).notes)


def test_a_lowering_too_small_for_the_digits_is_said():
    assert lowered_words("kN", floor3, 20.15, 20.11) == "too high; lowered, but not in the digits shown (20.1 kN),"
    assert lowered_words("kN", floor3, 20.15, 20.15) == ""
