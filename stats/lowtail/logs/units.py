"""Units of force and of the other columns: exact factors, and words refused because they name a mass.

References
----------
The kilogram-force is 9.80665 N exactly (standard gravity, third CGPM 1901); the pound is 0.45359237 kg exactly (1959);
hence the pound-force is 4.4482216152605 N exactly. NIST SP 811 (2008), Appendix B.8, prints the same factors.
"""

from __future__ import annotations

import re
from fractions import Fraction

from lowtail.errors import InputError

__all__ = [
    "FORCE",
    "FORCE_NAMES",
    "OTHER",
    "STRESS",
    "STRESS_NAMES",
    "from_kN",
    "is_stress",
    "read_force_unit",
    "read_other_unit",
    "stress_to_kN",
    "to_kN",
    "unit_key",
]

_G = Fraction("9.80665")
_LB = Fraction("0.45359237")

#: Newtons in one unit, exact.
FORCE: dict[str, Fraction] = {
    "kN": Fraction(1000),
    "N": Fraction(1),
    "daN": Fraction(10),
    "MN": Fraction(10**6),
    "lbf": _LB * _G,
    "klbf": 1000 * _LB * _G,
    "kgf": _G,
    "tf": 1000 * _G,
    "ozf": _LB * _G / 16,
}

#: Newtons per square millimetre in one unit of stress, exact (1 inch is 25.4 mm).
STRESS: dict[str, Fraction] = {
    "MPa": Fraction(1),
    "GPa": Fraction(1000),
    "kPa": Fraction(1, 1000),
    "Pa": Fraction(1, 10**6),
    "psi": _LB * _G / Fraction("645.16"),
    "ksi": 1000 * _LB * _G / Fraction("645.16"),
}
#: every word that names a unit of stress, by its key
STRESS_NAMES: dict[str, str] = {
    **{unit.casefold(): unit for unit in STRESS},
    **dict.fromkeys(("n/mm2", "n/mm²", "n/mm^2", "megapascal", "megapascals"), "MPa"),
    **dict.fromkeys(("gigapascal", "gigapascals", "kn/mm2", "kn/mm²", "kn/mm^2"), "GPa"),
    **dict.fromkeys(("lbf/in2", "lbf/in²", "lbf/in^2", "lb/in2", "lb/in²", "lb/in^2"), "psi"),
}

_FORCE_WORDS: dict[str, tuple[str, ...]] = {
    "kN": ("kn", "kilonewton", "kilonewtons"),
    "N": ("newton", "newtons"),
    "daN": ("dan", "decanewton", "decanewtons"),
    "MN": ("meganewton", "meganewtons"),
    "lbf": ("lbf", "lbsf", "poundforce", "poundsforce"),
    "klbf": ("klbf", "kip", "kips", "kipf", "kilopoundforce"),
    "kgf": ("kgf", "kp", "kilopond", "kiloponds", "kilogramforce"),
    "tf": ("tf", "tonneforce", "metrictonforce"),
    "ozf": ("ozf", "ounceforce"),
}
#: every word that names a force unit, by its key
FORCE_NAMES: dict[str, str] = {word: unit for unit, words in _FORCE_WORDS.items() for word in words}

#: words of mass that testers write for a force, with the declarations that settle each
_MASS_WORDS: dict[str, tuple[str, ...]] = {
    **dict.fromkeys(("kg", "kgs", "kilo", "kilos", "kilogram", "kilograms"), ("kgf",)),
    **dict.fromkeys(("lb", "lbs", "#", "pound", "pounds"), ("lbf",)),
    **dict.fromkeys(("klb", "klbs"), ("klbf",)),
    **dict.fromkeys(("t", "tonne", "tonnes", "metricton", "metrictons", "ton", "tons"), ("tf",)),
    **dict.fromkeys(("oz", "ounce", "ounces"), ("ozf",)),
}

_YEAR = Fraction(1)
#: the other columns with a unit: words and exact factors to the column's own unit
OTHER: dict[str, dict[str, Fraction]] = {
    "age_years": {
        **dict.fromkeys(("years", "year", "yr", "yrs", "y", "a"), _YEAR),
        **dict.fromkeys(("months", "month", "mo"), _YEAR / 12),
    },
    "drop_mass_kg": {
        **dict.fromkeys(("kg", "kgs", "kilograms"), Fraction(1)),
        **dict.fromkeys(("g", "grams"), Fraction(1, 1000)),
        **dict.fromkeys(("lb", "lbs", "pounds"), _LB),
    },
    "drop_height_m": {
        **dict.fromkeys(("m", "metres", "meters", "metre", "meter"), Fraction(1)),
        "cm": Fraction(1, 100),
        "mm": Fraction(1, 1000),
        **dict.fromkeys(("ft", "feet", "foot"), Fraction("0.3048")),
        **dict.fromkeys(("in", "inch", "inches"), Fraction("0.0254")),
    },
    "sample_rate_hz": {
        **dict.fromkeys(("hz", "s/s", "sps", "1/s", "samples/s", "hertz"), Fraction(1)),
        **dict.fromkeys(("khz", "ks/s", "ksps"), Fraction(1000)),
    },
}


def unit_key(text: str) -> str:
    """Unit word without case, spaces, dots, dashes and underscores."""
    return re.sub(r"[\s.\-_]+", "", text).casefold()


def read_force_unit(text: str, declared: str | None = None) -> str:
    """Canonical force unit for a word as written.

    Parameters
    ----------
    text : str
        The word, e.g. ``"lbf"``, ``"KN"``, ``"lbs"``.
    declared : str, optional
        A canonical force unit that the user declared for the file; it settles bare words of mass.

    Raises
    ------
    InputError
        If the word names no force unit, or names a mass and no matching unit is declared.

    Examples
    --------
    >>> read_force_unit("KN"), read_force_unit("kips"), read_force_unit("lbs", declared="lbf")
    ('kN', 'klbf', 'lbf')
    """
    word = text.strip()
    if word in FORCE:
        return word
    key = unit_key(word)
    if key in FORCE_NAMES:
        return FORCE_NAMES[key]
    if key in _MASS_WORDS:
        allowed = _MASS_WORDS[key]
        if declared in allowed:
            return str(declared)
        raise InputError(
            f"{word!r} names a mass, not a force. Say that it stands for {allowed[0]} with unit={allowed[0]!r}, or "
            "correct the log."
        )
    if is_stress(word):
        raise InputError(f"{word!r} is a stress, and a stress needs the loaded area: give `area_mm2`, in mm2.")
    if word == "mPa":
        raise InputError(f"{word!r} could be millipascal or megapascal. Write MPa for megapascal, and give `area_mm2`.")
    if key == "mn":
        raise InputError(f"{word!r} could be millinewton or meganewton. Write MN for meganewton, or N.")
    if key == "tonf":
        raise InputError(f"{word!r} has several meanings (short, long, metric). Convert the loads to kN, lbf or tf.")
    raise InputError(f"{word!r} is not a force unit this reader knows. Known: {', '.join(FORCE)} (kip reads as klbf).")


def is_stress(text: str) -> bool:
    """Whether a word names a unit of stress; ``mPa`` does not, since it may mean millipascal or megapascal.

    Examples
    --------
    >>> is_stress("N/mm2"), is_stress("psi"), is_stress("mPa"), is_stress("kN")
    (True, True, False, False)
    """
    return unit_key(text) in STRESS_NAMES and text.strip() != "mPa"


def stress_to_kN(unit: str, area_mm2: float) -> Fraction:
    """Factor from a stress to the force in kN on an area in mm2, exact.

    Examples
    --------
    >>> float(stress_to_kN("MPa", 100.0)), round(float(1000 * stress_to_kN("psi", 645.16)), 10)
    (0.1, 4.4482216153)
    """
    return STRESS[STRESS_NAMES[unit_key(unit)]] * Fraction(area_mm2) / 1000


def read_other_unit(column: str, text: str) -> Fraction | None:
    """Factor from the unit word to the column's own unit, or None where the word is not known for it."""
    return OTHER.get(column, {}).get(re.sub(r"[\s.]+", "", text).casefold())


def to_kN(value: float, unit: str) -> float:
    """Force in kN, correctly rounded: the product is formed exactly.

    Examples
    --------
    >>> to_kN(1.0, "kgf"), to_kN(5000.0, "lbf")
    (0.00980665, 22.2411080763025)
    """
    if unit == "kN":
        return float(value)
    return float(Fraction(value) * FORCE[unit] / 1000)


def from_kN(value: float, unit: str) -> float:
    """Force in ``unit`` from kN, correctly rounded.

    Examples
    --------
    >>> round(from_kN(25.0, "lbf"), 1)
    5620.2
    """
    if unit == "kN":
        return float(value)
    return float(Fraction(value) * 1000 / FORCE[unit])
