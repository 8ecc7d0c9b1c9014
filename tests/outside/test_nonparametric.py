"""Order-statistic, Hanson-Koopmans and attribute figures against published tables.

"from memory": recalled, and computed again independently, not read.
"""

import pytest
from scipy import stats

from lowtail.models.bounds.hanson_koopmans import hanson_koopmans, hanson_koopmans_confidence, hanson_koopmans_factor
from lowtail.models.bounds.nonparametric import (
    fraction_weaker,
    order_statistic_confidence,
    order_statistic_n,
    order_statistic_rank,
    range_confidence,
)

# MIL-HDBK-17-1F Table 8.5.12 (from memory); MIL-HDBK-17-1F Table 8.5.13 (from memory); Wilks/ANS practice table
# (from memory); n=59 also read in EnvStats documentation (tolIntNparN); Wilks/ANS practice table (from memory)
SMALLEST_N = [
    (0.1, 0.95, 2, 46),
    (0.1, 0.95, 6, 103),
    (0.1, 0.95, 7, 116),
    (0.1, 0.95, 8, 129),
    (0.1, 0.95, 9, 142),
    (0.1, 0.95, 10, 154),
    (0.1, 0.95, 12, 179),
    (0.1, 0.95, 13, 191),
    (0.1, 0.95, 15, 215),
    (0.01, 0.95, 1, 299),
    (0.01, 0.95, 2, 473),
    (0.01, 0.95, 3, 628),
    (0.01, 0.95, 4, 773),
    (0.01, 0.95, 5, 913),
    (0.01, 0.95, 7, 1182),
    (0.01, 0.95, 8, 1312),
    (0.01, 0.95, 9, 1441),
    (0.01, 0.95, 10, 1568),
    (0.05, 0.95, 1, 59),
    (0.05, 0.95, 2, 93),
    (0.05, 0.95, 3, 124),
    (0.05, 0.95, 4, 153),
    (0.05, 0.95, 5, 181),
    (0.05, 0.95, 6, 208),
]

# success-run theorem tables (from memory)
ZERO_FAILURES = [
    (0.1, 0.95, 29),
    (0.01, 0.95, 299),
    (0.01, 0.99, 459),
    (0.05, 0.99, 90),
    (0.001, 0.95, 2995),
    (0.001, 0.9, 2302),
    (0.1, 0.5, 7),
    (0.2, 0.9, 11),
]

# MIL-HDBK-17-1F Table 8.5.14 (values from memory; formula read in a stored copy of section 8.3.4.5.2)
HANSON_KOOPMANS_B = [
    (2, 2, 35.177, 35.17684419),
    (5, 4, 4.101, 4.100731086),
    (6, 5, 3.064, 3.064439425),
    (8, 6, 2.382, 2.382411338),
    (9, 6, 2.253, 2.252937494),
    (10, 6, 2.137, 2.136650598),
    (11, 7, 1.897, 1.897005406),
    (12, 7, 1.814, 1.814101202),
    (14, 8, 1.599, 1.599158927),
    (15, 8, 1.54, 1.540398902),
    (16, 8, 1.485, 1.485422618),
    (19, 9, 1.311, 1.311487374),
    (20, 10, 1.253, 1.252908028),
    (25, 11, 1.087, 1.086820478),
    (26, 11, 1.06, 1.060325427),
    (27, 11, 1.035, 1.034855612),
]

# MIL-HDBK-17-1F Table 8.5.15 (values from memory; formula read in a stored copy of section 8.3.4.5.2)
HANSON_KOOPMANS_A = [
    (5, 6.89049, 6.8904888),
    (7, 4.78352, 4.783519441),
    (8, 4.25011, 4.250107548),
    (10, 3.57267, 3.572665338),
    (11, 3.34227, 3.342269314),
    (14, 2.86924, 2.869239713),
    (15, 2.75672, 2.756721429),
    (16, 2.65889, 2.6588917),
    (17, 2.5729, 2.572898238),
    (18, 2.4966, 2.496594603),
    (19, 2.42833, 2.42833309),
    (21, 2.31106, 2.311054861),
    (23, 2.21359, 2.213585782),
    (24, 2.17067, 2.170672083),
    (26, 2.09419, 2.094187611),
    (27, 2.05991, 2.059912173),
    (28, 2.0279, 2.02789916),
    (30, 1.96975, 1.969752063),
]

# EnvStats documentation (tolIntNparN / tolIntNparConfLevel examples)
RANGE_N = [
    (0.95, 0.6, 40),
    (0.95, 0.7, 49),
    (0.95, 0.8, 59),
    (0.95, 0.9, 77),
    (0.5, 0.95, 8),
    (0.7, 0.95, 14),
    (0.9, 0.95, 46),
    (0.95, 0.95, 93),
]

# EnvStats documentation (tolIntNparN / tolIntNparConfLevel examples)
RANGE_CONFIDENCE = [
    (10, 0.95, 0.09, 0.0861383559),
    (20, 0.95, 0.26, 0.2641604751),
    (30, 0.95, 0.45, 0.4464579246),
    (40, 0.95, 0.6, 0.6009359349),
    (50, 0.95, 0.72, 0.7205682477),
]

# Boost.Math documentation, binomial confidence example
CLOPPER_PEARSON = [
    (20, 4, 0.5, False, 0.1284, 0.1283988668),
    (20, 4, 0.5, True, 0.29588, 0.2958780972),
    (20, 4, 0.75, False, 0.09775, 0.09775416035),
    (20, 4, 0.75, True, 0.34633, 0.3463347347),
    (20, 4, 0.9, False, 0.07135, 0.07135388431),
    (20, 4, 0.99, False, 0.03576, 0.03575616835),
    (20, 4, 0.99, True, 0.50661, 0.506608849),
    (2000, 400, 0.9, False, 0.18537, 0.185370135),
    (2000, 400, 0.95, False, 0.18267, 0.1826692979),
    (2000, 400, 0.99, True, 0.224, 0.2239958732),
]

# ranks of R 4.2.2: largest r with P(Bin(n, fraction) >= r) >= confidence, 0 where n is too small
RANKS = [
    (4, 0.01, 0.95, 0),
    (4, 0.05, 0.75, 0),
    (4, 0.05, 0.95, 0),
    (4, 0.1, 0.95, 0),
    (5, 0.01, 0.95, 0),
    (5, 0.05, 0.75, 0),
    (5, 0.05, 0.95, 0),
    (5, 0.1, 0.95, 0),
    (7, 0.01, 0.95, 0),
    (7, 0.05, 0.75, 0),
    (7, 0.05, 0.95, 0),
    (7, 0.1, 0.95, 0),
    (9, 0.01, 0.95, 0),
    (9, 0.05, 0.75, 0),
    (9, 0.05, 0.95, 0),
    (9, 0.1, 0.95, 0),
    (10, 0.01, 0.95, 0),
    (10, 0.05, 0.75, 0),
    (10, 0.05, 0.95, 0),
    (10, 0.1, 0.95, 0),
    (13, 0.01, 0.95, 0),
    (13, 0.05, 0.75, 0),
    (13, 0.05, 0.95, 0),
    (13, 0.1, 0.95, 0),
    (15, 0.01, 0.95, 0),
    (15, 0.05, 0.75, 0),
    (15, 0.05, 0.95, 0),
    (15, 0.1, 0.95, 0),
    (16, 0.01, 0.95, 0),
    (16, 0.05, 0.75, 0),
    (16, 0.05, 0.95, 0),
    (16, 0.1, 0.95, 0),
    (20, 0.01, 0.95, 0),
    (20, 0.05, 0.75, 0),
    (20, 0.05, 0.95, 0),
    (20, 0.1, 0.95, 0),
    (24, 0.01, 0.95, 0),
    (24, 0.05, 0.75, 0),
    (24, 0.05, 0.95, 0),
    (24, 0.1, 0.95, 0),
    (25, 0.01, 0.95, 0),
    (25, 0.05, 0.75, 0),
    (25, 0.05, 0.95, 0),
    (25, 0.1, 0.95, 0),
    (29, 0.01, 0.95, 0),
    (29, 0.05, 0.75, 1),
    (29, 0.05, 0.95, 0),
    (29, 0.1, 0.95, 1),
    (30, 0.01, 0.95, 0),
    (30, 0.05, 0.75, 1),
    (30, 0.05, 0.95, 0),
    (30, 0.1, 0.95, 1),
    (31, 0.01, 0.95, 0),
    (31, 0.05, 0.75, 1),
    (31, 0.05, 0.95, 0),
    (31, 0.1, 0.95, 1),
    (35, 0.01, 0.95, 0),
    (35, 0.05, 0.75, 1),
    (35, 0.05, 0.95, 0),
    (35, 0.1, 0.95, 1),
    (38, 0.01, 0.95, 0),
    (38, 0.05, 0.75, 1),
    (38, 0.05, 0.95, 0),
    (38, 0.1, 0.95, 1),
    (45, 0.01, 0.95, 0),
    (45, 0.05, 0.75, 1),
    (45, 0.05, 0.95, 0),
    (45, 0.1, 0.95, 1),
    (48, 0.01, 0.95, 0),
    (48, 0.05, 0.75, 1),
    (48, 0.05, 0.95, 0),
    (48, 0.1, 0.95, 2),
    (57, 0.01, 0.95, 0),
    (57, 0.05, 0.75, 2),
    (57, 0.05, 0.95, 0),
    (57, 0.1, 0.95, 2),
    (60, 0.01, 0.95, 0),
    (60, 0.05, 0.75, 2),
    (60, 0.05, 0.95, 1),
    (60, 0.1, 0.95, 2),
    (63, 0.01, 0.95, 0),
    (63, 0.05, 0.75, 2),
    (63, 0.05, 0.95, 1),
    (63, 0.1, 0.95, 3),
    (66, 0.01, 0.95, 0),
    (66, 0.05, 0.75, 2),
    (66, 0.05, 0.95, 1),
    (66, 0.1, 0.95, 3),
    (69, 0.01, 0.95, 0),
    (69, 0.05, 0.75, 2),
    (69, 0.05, 0.95, 1),
    (69, 0.1, 0.95, 3),
    (89, 0.01, 0.95, 0),
    (89, 0.05, 0.75, 3),
    (89, 0.05, 0.95, 1),
    (89, 0.1, 0.95, 5),
    (90, 0.01, 0.95, 0),
    (90, 0.05, 0.75, 3),
    (90, 0.05, 0.95, 1),
    (90, 0.1, 0.95, 5),
    (240, 0.01, 0.95, 0),
    (240, 0.05, 0.75, 10),
    (240, 0.05, 0.95, 7),
    (240, 0.1, 0.95, 17),
    (255, 0.01, 0.95, 0),
    (255, 0.05, 0.75, 10),
    (255, 0.05, 0.95, 7),
    (255, 0.1, 0.95, 18),
    (270, 0.01, 0.95, 0),
    (270, 0.05, 0.75, 11),
    (270, 0.05, 0.95, 8),
    (270, 0.1, 0.95, 19),
    (480, 0.01, 0.95, 2),
    (480, 0.05, 0.75, 21),
    (480, 0.05, 0.95, 16),
    (480, 0.1, 0.95, 37),
]


@pytest.mark.parametrize("row", SMALLEST_N)
def test_smallest_n(row: tuple[float, ...]) -> None:
    fraction_below, confidence, rank, n = row
    assert order_statistic_n(fraction_below, confidence, int(rank)) == n
    assert order_statistic_rank(int(n), fraction_below, confidence) == rank
    assert order_statistic_rank(int(n) - 1, fraction_below, confidence) == rank - 1


@pytest.mark.parametrize("row", ZERO_FAILURES)
def test_zero_failures(row: tuple[float, ...]) -> None:
    fraction_below, confidence, n = row
    assert order_statistic_n(fraction_below, confidence) == n


@pytest.mark.parametrize("row", HANSON_KOOPMANS_B)
def test_hanson_koopmans_b(row: tuple[float, ...]) -> None:
    n, rank, printed, derived = row
    factor = hanson_koopmans_factor(int(n), 0.10, 0.95, int(rank))
    assert factor == pytest.approx(printed, abs=0.0005)
    assert factor == pytest.approx(derived, rel=1e-9)
    assert hanson_koopmans_confidence(int(n), 0.10, int(rank), factor) == pytest.approx(0.95, abs=1e-12)


@pytest.mark.parametrize("row", HANSON_KOOPMANS_A)
def test_hanson_koopmans_a(row: tuple[float, ...]) -> None:
    n, printed, derived = row
    factor = hanson_koopmans_factor(int(n), 0.01, 0.95, int(n))
    assert factor == pytest.approx(printed, abs=6e-6)
    assert factor == pytest.approx(derived, rel=1e-9)


def test_hanson_koopmans_bounds() -> None:
    # five tension strengths (NIST public data library, VANGEL1.DAT); bounds re-derived from the tables' factors
    load = [3.26, 3.02, 3.07, 2.99, 3.29]
    assert hanson_koopmans(load, 0.10, 0.95, rank=4).low == pytest.approx(2.286914153, rel=1e-9)
    assert hanson_koopmans(load, 0.01, 0.95, rank=5).low == pytest.approx(1.702434263, rel=1e-9)


@pytest.mark.parametrize("row", RANGE_N)
def test_range_smallest_n(row: tuple[float, ...]) -> None:
    inside, confidence, n = row
    assert range_confidence(int(n), inside) >= confidence > range_confidence(int(n) - 1, inside)


@pytest.mark.parametrize(("rank", "n"), [(1, 93), (3, 153), (5, 208)])
def test_range_smallest_n_by_rank(rank: int, n: int) -> None:
    # EnvStats documentation, tolIntNparN examples, 95 % content at 95 % confidence
    assert range_confidence(n, 0.95, rank) >= 0.95 > range_confidence(n - 1, 0.95, rank)


@pytest.mark.parametrize("row", RANGE_CONFIDENCE)
def test_range_confidence(row: tuple[float, ...]) -> None:
    n, inside, printed, derived = row
    assert range_confidence(int(n), inside) == pytest.approx(printed, abs=0.005)
    assert range_confidence(int(n), inside) == pytest.approx(derived, abs=1e-9)


def test_extreme_of_24() -> None:
    # EnvStats documentation / USEPA (2009) Unified Guidance, Example 17-4: n = 24
    assert 1 - fraction_weaker(0, 24, 0.95) == pytest.approx(0.8826538, abs=5e-8)
    assert order_statistic_confidence(24, 0.05) == pytest.approx(0.708011, abs=5e-7)


@pytest.mark.parametrize("row", CLOPPER_PEARSON)
def test_clopper_pearson(row: tuple[float, ...]) -> None:
    n, count, confidence, upper, printed, derived = row
    side = (1 + confidence) / 2
    value = fraction_weaker(int(count), int(n), side) if upper else 1 - fraction_weaker(int(n - count), int(n), side)
    assert value == pytest.approx(printed, abs=5e-6)
    assert value == pytest.approx(derived, rel=1e-9)


@pytest.mark.parametrize(
    ("held", "n", "value"),
    [(10, 10, 0.7411344491), (20, 20, 0.8608916593), (28, 30, 0.8046739563), (9, 10, 0.6058366976)],
)
def test_clopper_pearson_lower_libraries(held: int, n: int, value: float) -> None:
    # R 4.2.2 binom.test(alternative = "greater") and statsmodels 0.15.0: lower 95 % bound of the fraction that holds
    assert 1 - fraction_weaker(n - held, n, 0.95) == pytest.approx(value, abs=1e-10)


@pytest.mark.parametrize("row", RANKS)
def test_ranks(row: tuple[float, ...]) -> None:
    n, fraction_below, confidence, rank = row
    assert order_statistic_rank(int(n), fraction_below, confidence) == rank
    # the definition, by scipy's binomial distribution
    if rank:
        assert stats.binom.sf(rank - 1, n, fraction_below) >= confidence
    assert stats.binom.sf(rank, n, fraction_below) < confidence
