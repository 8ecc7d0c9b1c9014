"""Prediction factors of EN 1990:2002 Annex D against its printed tables (from memory) and their formulas.

A prediction factor is not a tolerance factor: it speaks of one further specimen, not of a fraction at a confidence.
"""

from math import sqrt

import numpy as np
import pytest
from scipy import special

import lowtail as lt
from lowtail.models.bounds.tolerance import factor_confidence, prediction_factor, tolerance_factor

# Table D1 (from memory), spread known: printed for n = 4, 5, 8, 20, 30, with 1.64 in place of z = 1.6449
D1_KNOWN = [(4, 1.83), (5, 1.80), (8, 1.74), (20, 1.68), (30, 1.67)]
# the formula z sqrt(1 + 1/n) of D.7.2, computed
D1_KNOWN_EXACT = [
    (3, 1.899313),
    (4, 1.839002),
    (5, 1.801847),
    (6, 1.776645),
    (8, 1.744631),
    (10, 1.725137),
    (20, 1.685473),
    (30, 1.672043),
]
# Table D1 (from memory), spread unknown; its entries stray up to 0.012 from the formula
D1_UNKNOWN = [(3, 3.37), (4, 2.63), (6, 2.18), (8, 2.00), (30, 1.73)]
# the formula t(0.95, n - 1) sqrt(1 + 1/n) of D.7.2, computed with 10 digits
D1_UNKNOWN_EXACT = [
    (3, 3.371708922),
    (4, 2.631140308),
    (5, 2.335321148),
    (6, 2.176501),
    (8, 2.009504069),
    (10, 1.922585063),
    (20, 1.771833879),
    (30, 1.727213674),
]
# Table D2 (from memory), spread known: follows 3.08 sqrt(1 + 1/n) although its entry at infinity is 3.04
D2_KNOWN = [(2, 3.77), (4, 3.44), (6, 3.33), (8, 3.27), (10, 3.23)]
# Table D2 (from memory), spread unknown: nearest formula is t at 0.001, printed up to 0.03 lower
D2_UNKNOWN = [(4, 11.4), (5, 7.85), (10, 4.51), (20, 3.64), (30, 3.44)]
D2_UNKNOWN_EXACT = [(4, 11.42019379), (5, 7.857827422), (10, 4.506527798), (20, 3.66779371), (30, 3.452380295)]
# EN 14358:2016 3.2.2, k = (6.5 n + 6) / (3.7 n - 3) (formula from memory)
EN_14358_2016 = [(5, 2.483871, 2.4634), (10, 2.088235, 2.1037), (20, 1.915493, 1.9320)]


@pytest.mark.parametrize(("n", "printed"), D1_KNOWN)
def test_table_d1_known(n: int, printed: float) -> None:
    factor = prediction_factor(n, 0.05, known_spread=True)
    assert factor * 1.64 / -special.ndtri(0.05) == pytest.approx(printed, abs=0.005)
    assert factor == pytest.approx(printed, abs=0.01)


def test_table_d1_first_entry_differs() -> None:
    # printed 2.31 (from memory); with the table's own 1.64 the formula gives 2.3193
    factor = prediction_factor(1, 0.05, known_spread=True)
    assert factor * 1.64 / -special.ndtri(0.05) == pytest.approx(2.319310242, abs=1e-8)
    assert abs(factor - 2.31) > 0.005


@pytest.mark.parametrize(("n", "value"), D1_KNOWN_EXACT)
def test_d1_known_exact(n: int, value: float) -> None:
    assert prediction_factor(n, 0.05, known_spread=True) == pytest.approx(value, abs=5e-7)


@pytest.mark.parametrize(("n", "printed"), D1_UNKNOWN)
def test_table_d1_unknown(n: int, printed: float) -> None:
    assert prediction_factor(n, 0.05) == pytest.approx(printed, abs=0.0125)


@pytest.mark.parametrize(("n", "value"), D1_UNKNOWN_EXACT)
def test_d1_unknown_exact(n: int, value: float) -> None:
    assert prediction_factor(n, 0.05) == pytest.approx(value, rel=6e-10)


@pytest.mark.parametrize(("n", "value"), D1_UNKNOWN_EXACT)
def test_the_next_normal_specimen_by_table_d1(n: int, value: float) -> None:
    """The prediction bound at 95 % is mean less k_n standard deviations, k_n of D1 (spread unknown)."""
    z = special.ndtri((np.arange(n) + 0.5) / n)
    answer = lt.prediction(lt.Sample(25 + z, resolution=0), family="normal")
    factor = (25 - answer.low) / z.std(ddof=1)
    assert factor == pytest.approx(value, rel=1e-6)
    assert all(factor == pytest.approx(printed, abs=0.0125) for size, printed in D1_UNKNOWN if size == n)


@pytest.mark.parametrize(("n", "printed"), D2_KNOWN)
def test_table_d2_known(n: int, printed: float) -> None:
    factor = prediction_factor(n, 0.001, known_spread=True) * 3.08 / -special.ndtri(0.001)
    assert factor == pytest.approx(printed, abs=0.005)


@pytest.mark.parametrize(("n", "printed"), D2_UNKNOWN)
def test_table_d2_unknown(n: int, printed: float) -> None:
    assert prediction_factor(n, 0.001) == pytest.approx(printed, abs=0.03)


@pytest.mark.parametrize(("n", "value"), D2_UNKNOWN_EXACT)
def test_d2_unknown_exact(n: int, value: float) -> None:
    assert prediction_factor(n, 0.001) == pytest.approx(value, rel=6e-10)


@pytest.mark.parametrize(("n", "closed_form", "exact"), EN_14358_2016)
def test_closed_form_of_2016_is_approximate(n: int, closed_form: float, exact: float) -> None:
    assert (6.5 * n + 6) / (3.7 * n - 3) == pytest.approx(closed_form, abs=5e-7)
    factor = tolerance_factor(n, 0.05, 0.75)
    assert factor == pytest.approx(exact, abs=5e-5)
    assert abs(factor - closed_form) > 0.01


def test_natrella_approximation_is_unsafe() -> None:
    # Natrella (1963), NBS Handbook 91, closed-form k (from memory): n = 5, 5 % at 90 % gives 3.207, exact 3.400
    n, z, zg = 5, -special.ndtri(0.05), special.ndtri(0.90)
    a = 1 - zg**2 / (2 * (n - 1))
    b = z**2 - zg**2 / n
    approximate = (z + sqrt(z**2 - a * b)) / a
    assert approximate == pytest.approx(3.207, abs=0.0005)
    exact = tolerance_factor(n, 0.05, 0.90)
    assert exact == pytest.approx(3.400, abs=0.0005)
    assert factor_confidence(n, approximate, 0.05) < 0.885 < 0.90


@pytest.mark.parametrize("n", [5, 10, 30])
def test_prediction_is_weaker_than_it_looks(n: int) -> None:
    # as a tolerance bound of the 5 % strength the prediction form carries about 73 % (n = 5) down to 60 %
    assert 0.55 < factor_confidence(n, prediction_factor(n, 0.05), 0.05) < 0.75
