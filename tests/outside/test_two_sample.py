"""Two-sample figures from outside: printed tables, a handbook, and general-purpose statistics libraries.

Samples of up to 40 numbers are typed in with their source. Answers "R 4.2.2", "exactRankTests", "coin" and "survival"
were computed with those libraries by the calls named beside them.
"""

from __future__ import annotations

import numpy as np
import pytest

from lowtail import Sample, two_sample_test
from lowtail.models.two_samples.permutation import arrangements
from lowtail.models.two_samples.rank_tests import brunner_munzel_t, mann_whitney, mann_whitney_normal
from lowtail.models.two_samples.survivor_tests import log_rank_table
from lowtail.models.two_samples.t_tests import fieller, holm, permutation_mean, pooled_t, welch
from lowtail.models.two_samples.weibull_arms import Arm, common_shape

# Natrella (1963), NBS Handbook 91, p. 3-26, compressive strength in psi by two methods (NIST data library, NATR326.DAT)
CONCRETE = (
    [3128.0, 3219, 3244, 3073],
    [1939.0, 1697, 3030, 2424, 2020, 2909, 1815, 2020, 2310],
)
# Johnson and Wichern, table 6.4, tear resistance of plastic film by extrusion rate (R package heplots, "Plastic")
PLASTIC = (
    [6.7, 6.6, 7.2, 7.1, 6.8, 7.1, 7.0, 7.2, 7.5, 7.6],
    [6.5, 6.2, 5.8, 6.5, 6.5, 6.9, 7.2, 6.9, 6.1, 6.3],
)
# Vangel, two-sample example (NIST data library, VANGEL2.DAT): shear, tension
SHEAR = ([9.7, 9.6, 9.4, 9.4, 10.9], [326.0, 302, 307, 299, 329])
# Shyprykevich, ASTM STP 1003, graphite/epoxy fabric in compression, ksi: fill, warp (NIST data library, VANGEL33.DAT)
FABRIC = (
    [72.85, 77.81, 72.29, 75.78, 67.03, 72.85, 77.81, 75.33, 71.75, 72.28, 67.95, 82.84, 79.83, 80.52, 70.65],
    [72.5, 73.8, 68.1, 77.9, 65.5, 73.23, 71.17, 79.92, 65.67, 74.28, 79.08, 71.04, 67.84, 69.2, 71.53],
)
# Rae et al. (2020), gneiss in slow compression, MPa: parallel, perpendicular to the foliation
GNEISS = ([144.0, 148, 172, 178, 127], [200.0, 149, 200, 167, 143, 149, 135])
# R package mratios, data "rat.weight": numerator, denominator
RATS = (
    [465.0, 492.2, 466.3, 555.5, 528.1, 483.8, 502.8, 468.1, 519.2, 500.2],
    [519.8, 535.7, 491.7, 508.7, 565.5, 485.8, 520.7, 507.5, 428.9, 466.0],
)

# Mann and Whitney (1947), Annals of Mathematical Statistics 18, p. 52: P(U <= u); read in scipy's test suite.
# n1 n2: {u: printed}. Three printed cells are not right to the last digit: see MISPRINTED.
MANN_WHITNEY = {
    (1, 3): {0: 0.25, 1: 0.5, 2: 0.75},
    (2, 3): {0: 0.1, 1: 0.2, 3: 0.6},
    (3, 3): {0: 0.05, 1: 0.1, 2: 0.2, 3: 0.35, 4: 0.5},
    (1, 4): {0: 0.2, 1: 0.4, 2: 0.6},
    (2, 4): {0: 0.067, 2: 0.267, 3: 0.4, 4: 0.6},
    (3, 4): {1: 0.057, 2: 0.114, 3: 0.2, 6: 0.571},
    (4, 4): {0: 0.014, 1: 0.029, 2: 0.057, 3: 0.1, 5: 0.243, 6: 0.343, 7: 0.443},
    (1, 5): {0: 0.167, 1: 0.333, 2: 0.5, 3: 0.667},
    (2, 5): {2: 0.19, 3: 0.286, 4: 0.429, 5: 0.571},
    (3, 5): {1: 0.036, 4: 0.196, 5: 0.286, 6: 0.393, 7: 0.5, 8: 0.607},
    (4, 5): {0: 0.008, 2: 0.032, 3: 0.056, 4: 0.095, 5: 0.143, 6: 0.206, 7: 0.278, 8: 0.365, 10: 0.548},
    (5, 5): {0: 0.004, 1: 0.008, 2: 0.016, 3: 0.028, 4: 0.048, 5: 0.075, 6: 0.111, 7: 0.155, 9: 0.274, 11: 0.421,
             12: 0.5},
    (1, 6): {1: 0.286, 3: 0.571},
    (2, 6): {1: 0.071, 2: 0.143, 4: 0.321},
    (3, 6): {1: 0.024, 2: 0.048, 3: 0.083, 5: 0.19, 7: 0.357, 8: 0.452, 9: 0.548},
    (4, 6): {1: 0.01, 2: 0.019, 3: 0.033, 4: 0.057, 9: 0.305, 10: 0.381},
    (5, 6): {2: 0.009, 3: 0.015, 9: 0.165, 10: 0.214, 12: 0.331, 13: 0.396, 14: 0.465, 15: 0.535},
    (6, 6): {1: 0.002, 2: 0.004, 3: 0.008, 5: 0.021, 7: 0.047, 8: 0.066, 9: 0.09, 11: 0.155, 13: 0.242, 14: 0.294,
             15: 0.35, 18: 0.531},
}  # fmt: skip
MISPRINTED = {(3, 4, 0): (0.028, 1 / 35), (2, 5, 0): (0.047, 1 / 21), (1, 6, 2): (0.428, 3 / 7)}


def with_u(n_first: int, n_second: int, u: int) -> tuple[np.ndarray, np.ndarray]:
    """Two arms without ties in which the second arm's U is ``u``."""
    index, _ = arrangements(n_first + n_second, n_second)
    row = index[np.flatnonzero(index.sum(axis=1) - n_second * (n_second - 1) // 2 == u)[0]]
    rank = np.arange(1.0, n_first + n_second + 1)
    return np.delete(rank, row), rank[row]


@pytest.mark.parametrize(("size", "printed"), MANN_WHITNEY.items())
def test_mann_whitney_table(size: tuple[int, int], printed: dict[int, float]) -> None:
    for u, p in printed.items():
        result = mann_whitney(*with_u(*size, u), alternative="less")
        assert result.statistic == u
        assert result.p_value == pytest.approx(p, abs=0.00051)


@pytest.mark.parametrize(("cell", "values"), MISPRINTED.items())
def test_mann_whitney_misprinted_cells(cell: tuple[int, int, int], values: tuple[float, float]) -> None:
    printed, exact = values
    p = mann_whitney(*with_u(*cell), alternative="less").p_value
    assert p == pytest.approx(exact, rel=1e-12)
    assert abs(p - printed) > 0.0005


@pytest.mark.parametrize(
    ("n1", "n2", "u"),
    [(3, 8, 2), (3, 10, 3), (4, 4, 0), (4, 5, 1), (4, 6, 2), (4, 7, 3), (4, 8, 4), (4, 10, 5), (5, 5, 2), (5, 6, 3),
     (5, 7, 5), (5, 8, 6), (5, 9, 7), (5, 10, 8), (6, 6, 5), (6, 7, 6), (6, 10, 11), (7, 7, 8), (7, 8, 10), (8, 9, 15),
     (8, 10, 17), (9, 9, 17), (10, 10, 23)],
)  # fmt: skip
def test_mann_whitney_critical_values(n1: int, n2: int, u: int) -> None:
    # the usual printed table, two-sided 5 % (from memory, recomputed): u is rejected, u + 1 is not
    assert mann_whitney(*with_u(n1, n2, u)).p_value <= 0.05
    assert mann_whitney(*with_u(n1, n2, u + 1)).p_value > 0.05


@pytest.mark.parametrize(("n", "u"), [(3, 0), (6, 7), (7, 11), (9, 21)])
def test_mann_whitney_critical_values_one_sided(n: int, u: int) -> None:
    # the usual printed table, one-sided 5 % (from memory, recomputed)
    assert mann_whitney(*with_u(n, n, u), alternative="less").p_value <= 0.05
    assert mann_whitney(*with_u(n, n, u + 1), alternative="less").p_value > 0.05


def test_wilcoxon_of_r() -> None:
    # R's wilcox.test, values recorded in scipy's test suite (test_hypotests.py)
    x = [210.05211, 110.19063, 307.918612]
    y = [436.08811482466416, 416.3739732976819, 179.96975939463582, 197.8118754228619, 34.038757281225756,
         138.54220550921517, 128.7769351470246, 265.9272142795185, 275.6617533155341, 592.3408339541626,
         448.7317759061702, 300.61495185038905, 187.97508449019588]  # fmt: skip
    assert mann_whitney(y, x).statistic == 16
    assert mann_whitney(y, x).p_value == pytest.approx(0.7035714285714, abs=1e-12)
    assert mann_whitney(y, x, alternative="less").p_value == pytest.approx(0.3517857142857, abs=1e-12)
    assert mann_whitney(y, x, alternative="greater").p_value == pytest.approx(0.6946428571429, abs=1e-12)
    assert mann_whitney_normal(y, x)[1] == pytest.approx(0.6865041817876, abs=1e-11)


@pytest.mark.parametrize(
    ("arms", "u", "p", "p_normal"),
    [
        (CONCRETE, 36, 0.001398601399, 0.006850503187),
        (PLASTIC, 87, 0.003442378055, 0.005612995828),
        (FABRIC, 144, 0.1979395235, 0.1984059823),
        (GNEISS, 14, 0.6047979798, 0.6249045344),
        (SHEAR, 0, 0.007936507937, 0.01192523359),
    ],
)
def test_mann_whitney_with_ties(arms: tuple[list[float], list[float]], u: float, p: float, p_normal: float) -> None:
    # exactRankTests 0.8.35 wilcox.exact (agrees with coin 1.4.2); R 4.2.2 wilcox.test(exact=FALSE, correct=TRUE)
    first, second = arms
    assert mann_whitney(second, first).statistic == u
    assert mann_whitney(second, first).p_value == pytest.approx(p, rel=1e-9)
    assert mann_whitney_normal(second, first)[1] == pytest.approx(p_normal, rel=1e-9)


@pytest.mark.parametrize(
    ("arms", "p"),
    [(CONCRETE, 0.004195804196), (PLASTIC, 0.003399077702), (GNEISS, 0.5202020202), (SHEAR, 0.007936507937)],
)
def test_permutation_of_means(arms: tuple[list[float], list[float]], p: float) -> None:
    # coin 1.4.2: oneway_test(distribution='exact')
    assert permutation_mean(*arms).p_value == pytest.approx(p, rel=1e-9)


def test_permutation_beyond_enumeration() -> None:
    # coin 1.4.2 gives 0.1494043226 exactly; 155 million arrangements are sampled here
    result = permutation_mean(*FABRIC)
    assert not result.exact
    assert result.arrangements == 155117520
    assert result.p_value == pytest.approx(0.1494043226, abs=0.006)  # 4 standard errors of 49,999 draws


@pytest.mark.parametrize(
    ("arms", "t", "df", "p", "low", "high"),
    [
        (CONCRETE, 5.71687979, 8.962225962, 0.0002926526962, 559.0797531, 1292.031358),
        (FABRIC, 1.480302905, 27.98695779, 0.1499628542, -0.9418567845, 5.849856785),
        (GNEISS, -0.6857850293, 9.846274388, 0.5086731603, -40.37046872, 21.39904015),
        (SHEAR, -48.52476868, 4.016263443, 1.031095177e-06, -320.0976954, -285.5023046),
    ],
)
def test_welch(arms: tuple[list[float], list[float]], t: float, df: float, p: float, low: float, high: float) -> None:
    # R 4.2.2 t.test, agreeing with scipy 1.17.1; first minus second arm
    result = welch(arms[1], arms[0])
    assert result.statistic == pytest.approx(t, rel=1e-8)
    assert result.df == pytest.approx(df, rel=1e-8)
    assert result.p_value == pytest.approx(p, rel=1e-8)
    assert (result.low, result.high) == (pytest.approx(low, rel=1e-8), pytest.approx(high, rel=1e-8))


def test_plastic_film_interval() -> None:
    # R 4.2.2 t.test: Welch's interval; t.test(var.equal=TRUE): pooled statistic and p
    assert welch(PLASTIC[1], PLASTIC[0]).low == pytest.approx(0.2364052941, rel=1e-8)
    assert welch(PLASTIC[1], PLASTIC[0]).high == pytest.approx(0.9435947059, rel=1e-8)
    assert pooled_t(PLASTIC[1], PLASTIC[0]).statistic == pytest.approx(3.522431653, rel=1e-8)
    assert pooled_t(PLASTIC[1], PLASTIC[0]).p_value == pytest.approx(0.002432475784, rel=1e-8)
    assert pooled_t(CONCRETE[1], CONCRETE[0]).p_value == pytest.approx(0.002864295782, rel=1e-8)


def spread_out(n: int, mean: float, std: float) -> np.ndarray:
    """A sample with exactly this mean and standard deviation."""
    z = np.arange(n, dtype=float)
    return mean + std * (z - z.mean()) / z.std(ddof=1)


def test_welch_of_the_handbook() -> None:
    # NIST/SEMATECH e-Handbook 1.3.5.3: 249 and 79 cars with means 20.14458, 30.48101, standard deviations 6.41470,
    # 6.10771 (printed), t = -12.94627, 136.875 degrees of freedom; pooled t = -12.62059
    first, second = spread_out(249, 20.14457831, 6.414699343), spread_out(79, 30.48101266, 6.107710049)
    result = welch(second, first)
    assert result.statistic == pytest.approx(-12.94627, abs=5e-6)
    assert result.df == pytest.approx(136.875, abs=5e-4)
    assert result.p_value == pytest.approx(1.571e-25, abs=5e-29)
    assert pooled_t(second, first).statistic == pytest.approx(-12.62059, abs=5e-6)
    assert pooled_t(second, first).p_value == pytest.approx(5.273e-30, abs=5e-34)


def test_fieller() -> None:
    # rat weights (mratios); textbook formula with pooled variance, recomputed: ratio and 90 %, 95 % intervals
    numerator, denominator = RATS
    ratio, low, high = fieller(denominator, numerator, confidence=0.90, equal_scale=True)
    assert ratio == pytest.approx(0.990239, abs=5e-7)
    assert (low, high) == (pytest.approx(0.939373, abs=5e-7), pytest.approx(1.043831, abs=5e-7))
    _, low, high = fieller(denominator, numerator, confidence=0.95, equal_scale=True)
    assert (low, high) == (pytest.approx(0.928932, abs=5e-7), pytest.approx(1.055551, abs=5e-7))


def test_equivalence_of_rat_weights() -> None:
    # the same source tests the ratio against 0.8 and 1.25: both one-sided tests reject (t = 6.948, -7.590), so the 90 %
    # interval lies inside; at a margin of 0.94 it does not
    _, low, high = fieller(RATS[1], RATS[0], confidence=0.90, equal_scale=True)
    assert low > 0.8
    assert high < 1.25
    assert not low > 0.94


def test_fieller_end_is_where_the_ratio_test_turns() -> None:
    # rat weights: t for ratio 1.25 is -7.589865, for 0.8 it is 6.948168 (textbook formula, recomputed); at the end of
    # Fieller's interval the same statistic equals the t quantile
    y, x = (np.array(a) for a in RATS)
    pooled = (x.var(ddof=1) + y.var(ddof=1)) / 2

    def t(ratio: float) -> float:
        return float((y.mean() - ratio * x.mean()) / np.sqrt(pooled * (1 / 10 + ratio**2 / 10)))

    assert t(1.25) == pytest.approx(-7.589865, abs=5e-7)
    assert t(0.8) == pytest.approx(6.948168, abs=5e-7)
    _, low, high = fieller(x, y, confidence=0.90, equal_scale=True)
    assert t(low) == pytest.approx(1.734063607, abs=1e-8)  # t(0.95, 18)
    assert t(high) == pytest.approx(-1.734063607, abs=1e-8)


def test_smallest_p() -> None:
    # 2 / C(n1 + n2, n1)
    assert mann_whitney([1.0, 2, 3, 4], [5.0, 6, 7, 8]).smallest_p == pytest.approx(0.02857143, abs=5e-9)
    assert mann_whitney([1.0, 2, 3], [4.0, 5, 6, 7, 8]).smallest_p == pytest.approx(0.03571429, abs=5e-9)
    slow, shock = Sample([1.0, 2, 3]), Sample([4.0, 5, 6])
    assert two_sample_test(slow, shock, "permutation Welch").smallest_p == pytest.approx(0.1)


@pytest.mark.parametrize(
    ("arms", "chi_square", "p"),
    [
        (CONCRETE, 9.571272985, 0.001976456862),
        (PLASTIC, 7.095548036, 0.007727565918),
        (FABRIC, 1.795851735, 0.1802148101),
        (GNEISS, 0.6357337919, 0.4252598883),
        (SHEAR, 9.85086168, 0.001697522287),
    ],
)
def test_log_rank(arms: tuple[list[float], list[float]], chi_square: float, p: float) -> None:
    # survival 3.5.3: survdiff(rho=0), agreeing with lifelines 0.30.3 and statsmodels 0.15.0
    first, second = ((np.array(a), np.ones(len(a), dtype=bool)) for a in arms)
    z, mine = log_rank_table(first, second)
    assert z**2 == pytest.approx(chi_square, rel=1e-8)
    assert mine == pytest.approx(p, rel=1e-8)


@pytest.mark.parametrize(
    ("arms", "ratio"),
    [(CONCRETE, 0.7816454607), (FABRIC, 0.9684792683), (GNEISS, 1.09307759)],
)
def test_weibull_scale_ratio(arms: tuple[list[float], list[float]], ratio: float) -> None:
    # survival 3.5.3: survreg(dist='weibull') with one shape, exp(coef); second over first arm
    first, second = (Arm(np.log(np.array(a))[None, :], np.ones((1, len(a)), dtype=bool)) for a in arms)
    location = common_shape([first, second]).location[:, 0]
    assert np.exp(location[1] - location[0]) == pytest.approx(ratio, rel=1e-7)


def test_holm_against_statsmodels() -> None:
    from statsmodels.stats.multitest import multipletests

    p = [0.012, 0.4, 0.03, 0.0004, 0.03]
    assert holm(p) == pytest.approx(multipletests(p, method="holm")[1], abs=1e-15)


def test_holm_of_r() -> None:
    # R 4.2.2: t.test on the three pairs of adhesive strengths, p.adjust('holm'): 0.22624, 0.61395, 0.61395
    adjusted = holm([0.2262422731 / 3, 0.6139502534 / 2, 0.5])
    assert adjusted == pytest.approx([0.2262422731, 0.6139502534, 0.6139502534], rel=1e-9)


def test_brunner_munzel_table_against_scipy() -> None:
    from scipy import stats

    fill, warp = FABRIC
    statistic, p = brunner_munzel_t(fill, warp)
    theirs = stats.brunnermunzel(fill, warp)
    assert statistic == pytest.approx(float(theirs.statistic))
    assert p == pytest.approx(float(theirs.pvalue))
    assert statistic < 0  # the second arm, warp, is the weaker
