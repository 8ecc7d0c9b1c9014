"""Force units against exact definitions and published figures."""

from __future__ import annotations

from fractions import Fraction

import pytest

from lowtail import InputError
from lowtail.logs.units import FORCE, OTHER, STRESS, from_kN, is_stress, read_force_unit, stress_to_kN, to_kN

# Exact factors in newtons. kgf: 9.80665 N (standard gravity, third CGPM 1901). lbf: 0.45359237 kg (yard and pound
# agreement, 1959) x 9.80665 m/s^2. kip = 1000 lbf, ozf = lbf / 16.
EXACT = {
    "N": "1",
    "daN": "10",
    "kN": "1000",
    "MN": "1000000",
    "kgf": "9.80665",
    "tf": "9806.65",
    "lbf": "4.4482216152605",
    "klbf": "4448.2216152605",
    "ozf": "0.27801385095378125",
}


@pytest.mark.parametrize(("unit", "newtons"), EXACT.items())
def test_factors_are_the_exact_definitions(unit: str, newtons: str) -> None:
    assert FORCE[unit] == Fraction(newtons)
    assert to_kN(1.0, unit) == float(Fraction(newtons) / 1000)


def test_every_unit_has_a_definition_above() -> None:
    assert set(FORCE) == set(EXACT)


@pytest.mark.parametrize(
    ("unit", "printed", "tolerance"),
    [("lbf", 4.448222, 5e-7), ("klbf", 4448.222, 5e-4), ("kgf", 9.80665, 0.0), ("ozf", 0.2780139, 5e-8)],
)
def test_printed_factors(unit: str, printed: float, tolerance: float) -> None:
    # NIST SP 811 (2008), Appendix B.8, from memory
    assert float(FORCE[unit]) == pytest.approx(printed, abs=tolerance, rel=0)


# Stresses. The pascal is 1 N/m2 by definition (SI Brochure, 9th edition 2019, table 4), so that MPa is N/mm2. The psi
# is 1 lbf on a square inch of (25.4 mm)^2: 6,894.757 Pa and, for ksi, 6,894,757 Pa (NIST SP 811 (2008), Appendix B.8,
# to 7 digits, from memory).
@pytest.mark.parametrize(
    ("unit", "pascal", "digits"),
    [("Pa", 1, 0), ("kPa", 1e3, 0), ("MPa", 1e6, 0), ("GPa", 1e9, 0), ("psi", 6894.757, 5e-4), ("ksi", 6894757, 0.5)],
)
def test_stresses(unit: str, pascal: float, digits: float) -> None:
    assert float(STRESS[unit]) * 1e6 == pytest.approx(pascal, abs=digits, rel=1e-15 if not digits else 0)
    assert float(stress_to_kN(unit, 1e6)) * 1000 == pytest.approx(pascal, abs=digits, rel=1e-15 if not digits else 0)


def test_every_unit_of_stress_stands_above() -> None:
    assert set(STRESS) == {"Pa", "kPa", "MPa", "GPa", "psi", "ksi"}
    assert stress_to_kN("lbf/in2", 645.16) == Fraction(645.16) / Fraction("645.16") * FORCE["lbf"] / 1000
    assert not [unit for unit in FORCE if is_stress(unit)]


# Exact definitions of the inch and the foot (1959), used for drop heights.
def test_lengths() -> None:
    assert OTHER["drop_height_m"]["in"] * 1000 == Fraction("25.4")
    assert OTHER["drop_height_m"]["ft"] == Fraction("0.3048")
    assert OTHER["drop_mass_kg"]["lb"] == Fraction("0.45359237")


# One kilonewton rating in pound-force and kilogram-force to four decimals, by the exact factors (lbf 1959, kgf 1901).
@pytest.mark.parametrize(
    ("kN", "unit", "value"),
    [
        (1, "lbf", 224.8089),
        (1, "kgf", 101.9716),
        (6, "lbf", 1348.8537),
        (6, "kgf", 611.8297),
        (7, "lbf", 1573.6626),
        (7, "kgf", 713.8013),
        (8, "kgf", 815.7730),
        (10, "kgf", 1019.7162),
        (12, "lbf", 2697.7073),
        (12, "kgf", 1223.6595),
        (15, "lbf", 3372.1341),
        (15, "kgf", 1529.5743),
        (20, "kgf", 2039.4324),
        (25, "kgf", 2549.2905),
    ],
)
def test_ratings_in_other_units(kN: float, unit: str, value: float) -> None:
    assert from_kN(kN, unit) == pytest.approx(value, abs=5e-5, rel=0)
    assert to_kN(from_kN(kN, unit), unit) == pytest.approx(kN, rel=1e-15)


def test_published_ratings_in_pounds() -> None:
    # UIAA summary of standards (a secondary page), which cuts to whole pounds: 25 kN = 5620 lbf, 12 kN = 2697 lbf
    assert from_kN(25, "lbf") == pytest.approx(5620, abs=0.9)
    assert from_kN(12, "lbf") == pytest.approx(2697, abs=0.9)


def test_a_known_misprint_is_not_reproduced() -> None:
    # The same page prints 22 kN as 4495 lbf: two digits changed places, 22 kN is 4945.8 lbf.
    assert from_kN(22, "lbf") == pytest.approx(4945.796748, abs=5e-7)
    assert abs(from_kN(22, "lbf") - 4495) > 400


def test_agreement_with_another_units_library() -> None:
    pint = pytest.importorskip("pint", reason="pint is not installed; it serves as a second opinion only")
    registry = pint.UnitRegistry()
    for ours, theirs in {"lbf": "force_pound", "kgf": "force_kilogram", "klbf": "kip", "ozf": "force_ounce"}.items():
        assert registry.Quantity(1.0, theirs).to("kN").magnitude == pytest.approx(to_kN(1.0, ours), rel=1e-12)


@pytest.mark.parametrize("word", ["kg", "lb", "lbs", "t", "tons", "kilos", "pounds", "#", "oz"])
def test_words_of_mass_are_refused_unless_declared(word: str) -> None:
    with pytest.raises(InputError, match="names a mass, not a force"):
        read_force_unit(word)


@pytest.mark.parametrize(("word", "declared"), [("kg", "kgf"), ("lbs", "lbf"), ("t", "tf"), ("oz", "ozf")])
def test_a_declaration_settles_words_of_mass(word: str, declared: str) -> None:
    assert read_force_unit(word, declared) == declared
    with pytest.raises(InputError, match="names a mass"):
        read_force_unit(word, "kN")


@pytest.mark.parametrize(
    ("word", "unit"), [("KN", "kN"), ("kn", "kN"), ("lb-f", "lbf"), ("kips", "klbf"), ("kp", "kgf"), ("MN", "MN")]
)
def test_spellings(word: str, unit: str) -> None:
    assert read_force_unit(word) == unit


@pytest.mark.parametrize(
    ("word", "says"),
    [
        ("mN", "millinewton or meganewton"),
        ("tonf", "several meanings"),
        ("psi", "a stress needs the loaded area"),
        ("mPa", "millipascal or megapascal"),
    ],
)
def test_words_without_one_meaning_are_refused(word: str, says: str) -> None:
    with pytest.raises(InputError, match=says):
        read_force_unit(word)
