"""GoodnessOfFit: valid p-values with and without survivors, honest power, no choosing."""

from __future__ import annotations

import numpy as np
import pytest

from lowtail import WEIBULL, InputError, NoAnswerError, Sample
from lowtail._shared.resolution import recording_step
from lowtail.checks import goodness_of_fit
from lowtail.models.distributions.goodness import anderson_darling_many, handbook_significance

SAMPLE = Sample([24.1, 25.3, 24.8, 26.0, 22.2, 23.9, 25.6, 24.4], label="oval")


def test_statistic_is_the_textbook_sum() -> None:
    z = np.sort((SAMPLE.load - SAMPLE.load.mean()) / SAMPLE.load.std(ddof=1))
    from scipy.stats import norm

    i = np.arange(1, 9)
    textbook = -8 - ((2 * i - 1) * (norm.logcdf(z) + norm.logsf(z[::-1]))).sum() / 8
    assert anderson_darling_many(SAMPLE.load[None], None, "normal")[0] == pytest.approx(textbook, rel=1e-12)


def test_survivors_above_every_break_only_cut_the_integral() -> None:
    # staircase, by brute force on a fine grid
    load, broke = np.array([21.0, 22.5, 23.0, 24.0, 24.0]), np.array([1, 1, 1, 0, 0], dtype=bool)
    from lowtail.many import fit as fit_many

    fit = fit_many(load[None], broke[None], "weibull")
    u = WEIBULL.standard.cdf((np.log(load) - fit.location[0]) / fit.spread[0])
    grid = np.linspace(0, u[-1], 400_001)
    middle = (grid[1:] + grid[:-1]) / 2
    stairs = np.searchsorted(u[:3], middle, side="right") / 5
    brute = 5 * ((stairs - middle) ** 2 / (middle * (1 - middle))).sum() * (grid[1] - grid[0])
    assert anderson_darling_many(load[None], broke[None], "weibull")[0] == pytest.approx(brute, rel=1e-4)


def test_a_hold_far_below_the_fitted_law_weighs_nothing() -> None:
    near, far = (
        anderson_darling_many([[24.0, 24.001, 24.002, 24.003, low]], [[True] * 4 + [False]], "weibull")[0]
        for low in (23.9, 1.0)
    )
    assert np.isfinite(far) and far == pytest.approx(near, rel=1e-6)


def test_unit_changes_nothing() -> None:
    a, b = goodness_of_fit(SAMPLE, size=400), goodness_of_fit(Sample(SAMPLE.load * 224.8), size=400)
    assert a.table["statistic"].to_numpy() == pytest.approx(b.table["statistic"].to_numpy(), rel=1e-8)
    assert a.table["p_value"].tolist() == b.table["p_value"].tolist()


@pytest.mark.parametrize(
    # 5 % points of the unmodified statistic, both parameters estimated: 400,000 simulations by independent code of ours
    ("family", "n", "critical"),
    [("weibull", 5, 0.689), ("normal", 5, 0.601), ("weibull", 10, 0.726), ("normal", 10, 0.688)],
)
def test_critical_values(family: str, n: int, critical: float) -> None:
    answer = goodness_of_fit(Sample(24 + np.arange(n) / 5), families=[family], size=20_000)
    assert answer.table["critical"].iloc[0] == pytest.approx(critical, abs=0.012)


def test_blunder_is_caught_and_power_is_said() -> None:
    odd = Sample([24.1, 25.3, 24.8, 26.0, 24.6, 25.2, 24.9, 12.0])
    answer = goodness_of_fit(odd, size=1000)
    assert "lognormal" in answer.contradicted
    text = str(goodness_of_fit(SAMPLE, size=1000))
    assert text.startswith("The breaks reject none of the distributions tested")
    assert "would miss a 10 % minority that is 30 % weaker" in text
    assert text.endswith("This does not choose a distribution.")


def test_power_grows_with_n_and_with_the_loss() -> None:
    few, many = Sample(np.linspace(24, 26, 5)), Sample(np.linspace(24, 26, 30))
    power = [goodness_of_fit(s, families=["normal"], size=1000).power for s in (few, many)]
    assert power[0] < power[1]
    weak = [goodness_of_fit(many, families=["normal"], size=1000, weak_loss=loss).power for loss in (0.02, 0.3)]
    assert weak[0] < weak[1]


def test_handbook_formula_only_where_it_holds() -> None:
    table = goodness_of_fit(SAMPLE, size=400).table
    assert table["handbook_p"].notna().all()
    five = goodness_of_fit(Sample(SAMPLE.load[:5]), size=400)
    assert five.table["handbook_p"].isna().all() and any("not defined below n = 6" in n for n in five.notes)
    held = goodness_of_fit(Sample(SAMPLE.load, [1, 1, 1, 0, 1, 1, 1, 0]), size=400)
    assert held.table["handbook_p"].isna().all() and any("Kaplan-Meier" in n for n in held.notes)


@pytest.mark.parametrize("family", ["normal", "weibull"])
def test_handbook_formula_agrees_in_the_tail(family: str) -> None:
    # at the simulated 5 % point; in the middle the formula is rough (0.30 for a true 0.39 at n = 16), so it only stands
    # beside the simulated p-value
    critical = (
        goodness_of_fit(Sample(np.linspace(24, 26, 20)), families=[family], size=20_000).table["critical"].iloc[0]
    )
    assert handbook_significance(float(critical), 20, family) == pytest.approx(0.05, abs=0.01)


def test_ties_are_met_by_rounding_the_simulated_samples_too() -> None:
    tied = Sample([24.0, 24.5, 24.5, 25.0, 25.0, 23.5])
    answer = goodness_of_fit(tied, families=["normal"], size=4000)
    assert any("steps of 0.5 kN" in n for n in answer.notes)
    plain = goodness_of_fit(Sample([24.0, 24.5, 24.51, 25.0, 25.01, 23.5]), families=["normal"], size=4000)
    assert not any("steps of" in n for n in plain.notes)
    assert answer.table["critical"].iloc[0] > plain.table["critical"].iloc[0]  # ties alone raise the statistic


@pytest.mark.parametrize(
    ("load", "step"),
    [([24.1, 25.3], 0.1), ([25.0, 30.0], 5.0), ([24.12, 24.2], 0.02), ([24.125], 0.005), ([np.pi], 0.0)],
)
def test_recording_step(load: list[float], step: float) -> None:
    assert recording_step(load) == step


def test_refusals() -> None:
    with pytest.raises(NoAnswerError, match="at least 4 specimens and 3 different loads at break"):
        goodness_of_fit(Sample([24.0, 25.0, 26.0]))
    with pytest.raises(NoAnswerError, match="2 different breaks"):
        goodness_of_fit(Sample([24.0, 25.0, 26.0, 27.0], [1, 1, 0, 0]))
    with pytest.raises(InputError, match="`weak_share` must lie between 0 and 1"):
        goodness_of_fit(SAMPLE, weak_share=10)
    with pytest.raises(InputError, match="at least one distribution"):
        goodness_of_fit(SAMPLE, families=[])
    with pytest.raises(InputError, match="at least 400"):
        goodness_of_fit(SAMPLE, size=3)


def test_p_values_are_reckoned_as_in_the_study() -> None:
    # tests/truth/checks_survivors.py counts false alarms from the arrays; the claims must come to the same p-values
    from lowtail.checks import failure_modes, outliers
    from lowtail.models.distributions.goodness import different_breaks, rounded, simulate_like, tie_step
    from lowtail.models.distributions.residuals import largest_gap_many, smallest_tail_many
    from lowtail.models.regression.batch_tests import simulated_p

    for sample in (
        Sample([24.1, 25.3, 24.8, 26.0, 22.2, 23.9], [1, 0, 1, 1, 1, 0]),
        Sample([24.5, 25.0, 24.5, 26.0, 22.0, 23.5]),
    ):
        load, broke = simulate_like(sample, WEIBULL, 400, np.random.default_rng(5))
        load, here = rounded(load, tie_step(sample)), (sample.load[None], sample.broke[None], WEIBULL)
        there = different_breaks(load, broke)
        drawn = (load, broke, WEIBULL)
        p = simulated_p(anderson_darling_many(*here)[0], anderson_darling_many(*drawn)[there >= 3])
        assert goodness_of_fit(sample, families=["weibull"], size=400, rng=5).p_value == pytest.approx(p)
        p = simulated_p(largest_gap_many(*here)[0][0], largest_gap_many(*drawn)[0][there >= 4])
        assert failure_modes(sample, family="weibull", size=400, rng=5).p_value == pytest.approx(p)
        p = simulated_p(-smallest_tail_many(*here)[0][0], -smallest_tail_many(*drawn)[0][there >= 2])
        assert outliers(sample, "weibull", size=400, rng=5).p_value == pytest.approx(p)
