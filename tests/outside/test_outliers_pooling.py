"""Published figures for outlier limits, k-sample tests and variance between batches."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from lowtail import Sample
from lowtail.checks import pooling
from lowtail.models.batches.k_sample import k_sample_ad, ksample_ad_p, levene_median
from lowtail.models.batches.variance import between_batches
from lowtail.models.distributions.residuals import normed_residual_critical, normed_residual_p, normed_residual_steps

# MIL-HDBK-17-1F table 8.5.7 (from memory): maximum normed residual, two-sided, 5 %
HANDBOOK = {3: 1.154, 4: 1.481, 5: 1.715, 6: 1.887, 7: 2.020, 8: 2.127, 11: 2.355, 15: 2.548, 16: 2.586, 17: 2.620}
HANDBOOK |= {18: 2.652, 20: 2.708, 30: 2.908}


@pytest.mark.parametrize(("n", "critical"), HANDBOOK.items())
def test_handbook_limits(n: int, critical: float) -> None:
    assert normed_residual_critical(n) == pytest.approx(critical, abs=0.0005)


# One-sided limits at 5, 2.5 and 1 % (a stored one-page table citing Grubbs 1950/1969, DIN 32645, DIN 38402)
ONE_SIDED = {
    3: (1.15, 1.15, None),
    4: (1.46, 1.48, 1.49),
    5: (1.67, 1.71, 1.75),
    6: (1.82, 1.89, 1.94),
    8: (None, None, 2.22),
    9: (2.11, 2.21, 2.32),
    10: (2.18, None, 2.41),
    12: (2.29, 2.41, 2.55),
    13: (None, 2.46, 2.61),
    17: (2.47, 2.62, 2.79),
    20: (2.56, None, 2.88),
}


@pytest.mark.parametrize("n", ONE_SIDED)
def test_one_sided_limits(n: int) -> None:
    for false_alarm, printed in zip((0.05, 0.025, 0.01), ONE_SIDED[n], strict=True):
        if printed is not None:
            assert normed_residual_critical(n, false_alarm, 1) == pytest.approx(printed, abs=0.0051)


def test_a_printed_limit_that_is_wrong() -> None:
    # the same one-page table prints 2.36 at n = 11, 2.5 %; the exact value is 2.354730 (our high-precision computation)
    assert normed_residual_critical(11, 0.025, 1) == pytest.approx(2.354730052, abs=1e-9)
    assert abs(normed_residual_critical(11, 0.025, 1) - 2.36) > 0.005


# Tietjen and Moore (1972) uranium data, NIST/SEMATECH e-Handbook 1.3.5.17.1 (printed values from memory)
URANIUM = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]


def test_uranium() -> None:
    who, how = normed_residual_steps(URANIUM, 1)
    assert who[0, 0] == 7
    assert how[0, 0] == pytest.approx(2.4687, abs=0.0001)
    assert normed_residual_critical(8, 0.05, 1) == pytest.approx(2.032, abs=0.0005)
    assert normed_residual_critical(8) == pytest.approx(2.126645087, abs=1e-9)
    assert normed_residual_p(how[0, 0], 8) < 0.001


def test_p_value_and_limit_agree() -> None:
    for n in (3, 5, 10, 30):
        assert normed_residual_p(normed_residual_critical(n, 0.05), n) == pytest.approx(0.05, rel=1e-10)


def test_rosner_limits() -> None:
    # EnvStats documentation, rosnerTest example with n = 33 and k = 4: limits of the reduced samples
    for n, printed in ((32, 2.938048), (31, 2.923571), (30, 2.908473)):
        assert normed_residual_critical(n) == pytest.approx(printed, abs=5e-7)


# Scholz and Stephens (1987), J. Am. Stat. Assoc. 82:918, example (Lehmann p. 309), as recorded in scipy's test suite
PAPER = [
    [38.7, 41.5, 43.8, 44.5, 45.5, 46.0, 47.7, 58.0],
    [39.2, 39.3, 39.7, 41.4, 41.8, 42.9, 43.3, 45.8],
    [34.0, 35.0, 39.0, 40.0, 43.0, 43.0, 44.0, 45.0],
    [34.0, 34.8, 34.8, 35.4, 37.2, 37.8, 41.2, 42.8],
]


def test_k_sample_anderson_darling() -> None:
    result = k_sample_ad(PAPER)
    assert result.standard == pytest.approx(4.449, abs=0.0005)
    assert result.standard_midrank == pytest.approx(4.480, abs=0.0005)
    # our high-precision computation of the 1987 formulas
    assert result.raw == pytest.approx(8.355872309, abs=1e-8)
    assert result.sigma == pytest.approx(1.203766384, abs=1e-8)
    assert result.scaled == pytest.approx(result.raw_midrank / 3, rel=1e-12)


def test_k_sample_permutation_p() -> None:
    # the paper's asymptotic p is 0.0021 to 0.0023; the permutation p of the same statistic is smaller, of that order
    right, mid, used, complete = ksample_ad_p(PAPER, np.random.default_rng(5), 20_000)
    assert used == 20_000 and not complete
    assert right < 0.003 and mid < 0.003


def test_k_sample_against_scipy_with_ties() -> None:
    groups = [[1.0, 2, 2, 3, 5], [2.0, 3, 3, 4], [1.0, 5, 5, 6, 7, 7]]
    method = stats.PermutationMethod(n_resamples=9, rng=np.random.default_rng(0))
    for variant, name in (("right", "standard"), ("midrank", "standard_midrank")):
        theirs = stats.anderson_ksamp(groups, variant=variant, method=method).statistic
        assert getattr(k_sample_ad(groups), name) == pytest.approx(theirs, rel=1e-10)


# NIST/SEMATECH e-Handbook 1.3.5.10 data of 10 batches of 10 gears is not retyped; USEPA (2009) Unified Guidance
# Example 11-2, values in the EnvStats documentation:
ARSENIC = [
    [22.9, 3.1, 35.7, 4.2],
    [2.0, 1.2, 7.8, 52.0],
    [2.0, 109.4, 4.5, 2.5],
    [7.8, 9.3, 25.9, 2.0],
    [24.9, 1.3, 0.8, 27.0],
    [0.3, 4.8, 2.8, 1.2],
]


def test_levene_is_median_centred() -> None:
    f, p = levene_median(ARSENIC)
    # our computation, equal to scipy; the guidance's own mean-centred test of the same name gives 4.564 and p = 0.0073
    assert f == pytest.approx(0.550548, abs=5e-7)
    assert p == pytest.approx(0.735999, abs=5e-7)


# 10 batches of 10 gear diameters, inch: NIST data library, GEAR.DAT (public domain)
GEAR = [
    [1.006, 0.996, 0.998, 1.0, 0.992, 0.993, 1.002, 0.999, 0.994, 1.0],
    [0.998, 1.006, 1.0, 1.002, 0.997, 0.998, 0.996, 1.0, 1.006, 0.988],
    [0.991, 0.987, 0.997, 0.999, 0.995, 0.994, 1.0, 0.999, 0.996, 0.996],
    [1.005, 1.002, 0.994, 1.0, 0.995, 0.994, 0.998, 0.996, 1.002, 0.996],
    [0.998, 0.998, 0.982, 0.99, 1.002, 0.984, 0.996, 0.993, 0.98, 0.996],
    [1.009, 1.013, 1.009, 0.997, 0.988, 1.002, 0.995, 0.998, 0.981, 0.996],
    [0.99, 1.004, 0.996, 1.001, 0.998, 1.0, 1.018, 1.01, 0.996, 1.002],
    [0.998, 1.0, 1.006, 1.0, 1.002, 0.996, 0.998, 0.996, 1.002, 1.006],
    [1.002, 0.998, 0.996, 0.995, 0.996, 1.004, 1.004, 0.998, 0.999, 0.991],
    [0.991, 0.995, 0.984, 0.994, 0.997, 0.997, 0.991, 0.998, 1.004, 0.997],
]


def test_levene_on_gear_data() -> None:
    groups = [np.array(batch) for batch in GEAR]
    # NIST/SEMATECH e-Handbook 1.3.5.10, as recorded in scipy's test suite
    f, p = levene_median(groups)
    assert f == pytest.approx(1.705917693000894, abs=1e-9)
    assert p == pytest.approx(0.0990829755522, abs=1e-10)
    # 1.3.5.7, Bartlett's test of the same batches
    answer = pooling([Sample(g) for g in groups], family="normal", power=False, size=400)
    assert answer.bartlett == pytest.approx(20.78587342806484, abs=1e-8)
    assert answer.bartlett_p == pytest.approx(0.0136358632781, abs=1e-10)


# NIST StRD analysis of variance, set SiRstv: 5 instruments x 5
RESISTIVITY = [
    [196.3052, 196.1240, 196.1890, 196.2569, 196.3403],
    [196.3042, 196.3825, 196.1669, 196.3257, 196.0422],
    [196.1303, 196.2005, 196.2889, 196.0343, 196.1811],
    [196.2795, 196.1748, 196.1494, 196.1485, 195.9885],
    [196.2119, 196.1051, 196.1850, 196.0052, 196.2090],
]


def test_certified_resistivity() -> None:
    table = between_batches(RESISTIVITY)
    assert table.f == pytest.approx(1.18046237440255, rel=1e-12)
    assert table.mean_square_between == pytest.approx(0.0127865654, rel=1e-11)
    assert table.mean_square_within == pytest.approx(0.010831828, rel=1e-11)
    assert np.sqrt(table.variance_within) == pytest.approx(0.104076068334656, rel=1e-12)


@pytest.mark.parametrize(
    # NIST StRD sets SmLs04, SmLs05, SmLs06 (Simon and Lesage 1989): 9 treatments, seven constant leading digits.
    # Each treatment holds its centre once and centre +-0.1 equally often; certified F.
    ("replicates", "f"),
    [(21, 21.0), (201, 201.0), (2001, 2001.0)],
)
def test_certified_seven_constant_digits(replicates: int, f: float) -> None:
    centres = [0.4, 0.3, 0.5, 0.3, 0.5, 0.3, 0.5, 0.3, 0.5]
    half = (replicates - 1) // 2
    groups = []
    for centre in centres:
        one = [f"{1_000_000 + centre:.1f}"] + [
            f"{1_000_000 + centre - 0.1:.1f}",
            f"{1_000_000 + centre + 0.1:.1f}",
        ] * half
        groups.append([float(v) for v in one])
    table = between_batches(groups)
    # as many digits as the rounding of 1000000.4 in double precision leaves
    assert table.f == pytest.approx(f, rel=2e-9)
    assert np.sqrt(table.variance_within) == pytest.approx(0.1, rel=2e-9)


# NIST public data library, VANGEL33.DAT (Shyprykevich, ASTM STP 1003, 1989): 3 batches of 10 tensile strengths, ksi
BATCHES = [
    [72.5, 73.8, 68.1, 77.9, 65.5, 72.85, 77.81, 72.29, 75.78, 67.03],
    [73.23, 71.17, 79.92, 65.67, 74.28, 72.85, 77.81, 75.33, 71.75, 72.28],
    [79.08, 71.04, 67.84, 69.2, 71.53, 67.95, 82.84, 79.83, 80.52, 70.65],
]


def test_composite_batches() -> None:
    # analysis of variance of the handbook (MIL-HDBK-17-1F 8.3.5.2, formulas from memory), our computation
    table = between_batches(BATCHES)
    assert table.mean_square_between == pytest.approx(7.32892, abs=5e-6)
    assert table.mean_square_within == pytest.approx(22.5048, abs=5e-5)
    assert table.size == pytest.approx(10.0)
    assert table.variance_between < 0 and table.ratio_low == 0
    assert k_sample_ad(BATCHES).standard_midrank == pytest.approx(-0.106797, abs=5e-7)
