"""Dose: loss per decade of rate, broke or held against drop severity, where to drop next."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
import pytest
from scipy import special, stats

from lowtail import InputError, NoAnswerError
from lowtail.claims.drops.drop_law import count, fit_counts, severity_interval
from lowtail.drops import drop_proportion, drop_response, next_drop, up_and_down
from lowtail.glossary import meaning
from lowtail.trend import rate_effect


def drops(severity: list[float], broke: list[int]) -> pd.DataFrame:
    return pd.DataFrame({"drop_height_m": severity, "broke": np.array(broke, dtype=bool)})


LADDER = np.repeat([0.5, 0.75, 1.0, 1.25, 1.5, 2.0], 4)
OVERLAP = drops(list(LADDER), [0, 0, 0, 0, 0, 1, 0, 0, 0, 1, 0, 1, 1, 0, 1, 1, 1, 1, 1, 0, 1, 1, 1, 1])
APART = drops([0.5, 0.75, 1.0, 1.25, 1.5], [0, 0, 0, 1, 1])


@pytest.fixture(scope="module")
def overlap():  # type: ignore[no-untyped-def]
    return drop_response(OVERLAP, by=(), draws=299)


def test_ordinary_case_is_the_plain_maximum(overlap) -> None:  # type: ignore[no-untyped-def]
    from scipy.optimize import minimize

    t, broke = np.log(OVERLAP["drop_height_m"]), OVERLAP["broke"]

    def minus(theta: np.ndarray) -> float:
        z = (t - theta[0]) / np.exp(theta[1])
        return -float(np.where(broke, special.log_ndtr(z), special.log_ndtr(-z)).sum())

    found = minimize(minus, [0.0, -1.0], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12, "maxiter": 4000})
    assert overlap.fit == "maximum likelihood"
    assert overlap.middle == pytest.approx(found.x[0], abs=1e-6)
    assert overlap.spread == pytest.approx(np.exp(found.x[1]), rel=1e-6)


def test_severities_are_quantiles_inside_their_intervals(overlap) -> None:  # type: ignore[no-untyped-def]
    for at in overlap.at:
        assert at.estimate == pytest.approx(
            np.exp(overlap.middle + overlap.spread * stats.norm.ppf(at.fraction_broken))
        )
        assert at.low < at.estimate < at.high
    assert "50 % break at" in str(overlap)
    assert "The 1 % severity lies below every drop made (0.5 in drop_height_m)" in " ".join(overlap.notes)
    assert [c for c in overlap.to_frame().columns if not meaning(c)] == []


def test_separated_outcomes_say_so() -> None:
    result = drop_response(APART, by=(), draws=199)
    assert result.fit == "bias-reduced likelihood"
    assert 1.0 <= np.exp(result.middle) <= 1.25
    assert "Outcomes do not overlap: the spread is hardly known" in result.notes[0]
    assert any("say next to nothing of the 1 % severity" in n for n in result.notes)
    assert result.at[0].low == 0


def test_bias_reduced_logit_is_the_symmetric_case() -> None:
    # two levels with j of m broken: Jeffreys' penalty adds half a break and half a hold at each level, so that the
    # fitted logit there is log((k + 1/2) / (n - k + 1/2)) (Haldane 1955; Firth 1993, section 3.3: from memory)
    counts = count([0.0] * 6 + [1.0] * 6, [0, 0, 0, 0, 0, 0, 1, 1, 1, 1, 1, 1])
    middle, spread = fit_counts("logit", counts)
    assert (0 - middle) / spread == pytest.approx(np.log(0.5 / 6.5), abs=1e-5)
    assert (1 - middle) / spread == pytest.approx(np.log(6.5 / 0.5), abs=1e-5)


def test_interval_does_not_fall_short_of_the_chi_square_one() -> None:
    counts = count(np.log(OVERLAP["drop_height_m"]), OVERLAP["broke"])
    fitted = fit_counts("probit", counts)
    *_, critical = severity_interval("probit", counts, 0.5, fitted, 0.95, 199, np.random.default_rng(0))
    assert critical >= stats.chi2.ppf(0.95, 1)


def test_order_and_unit_of_height_change_nothing(overlap) -> None:  # type: ignore[no-untyped-def]
    other = OVERLAP.sample(frac=1, random_state=1)
    other["drop_height_m"] *= 3.2808399
    result = drop_response(other, by=(), draws=299)
    assert result.at[1].estimate == pytest.approx(3.2808399 * overlap.at[1].estimate, rel=1e-6)
    assert result.at[1].low == pytest.approx(3.2808399 * overlap.at[1].low, rel=1e-3)


@pytest.mark.parametrize(
    ("severity", "broke", "words"),
    [
        (
            [1.0, 1.0, 1.0],
            [0, 0, 0],
            "one severity was tested.*3 drops from 1, none broken: at 95 % confidence at most 63.2",
        ),
        ([1.0, 1.2], [0, 0], "all 2 drops held.*Drop from higher"),
        ([1.0, 1.2], [1, 1], "all 2 drops broke.*Drop from lower"),
        ([1.0, 1.2, 1.4], [1, 1, 0], "does not grow with severity"),
    ],
)
def test_drop_refusals(severity: list[float], broke: list[int], words: str) -> None:
    with pytest.raises(NoAnswerError, match=words):
        drop_response(drops(severity, broke), by=())


def test_drop_table_refusals() -> None:
    with pytest.raises(InputError, match="row 1 has no drop_height_m above 0"):
        drop_response(drops([1.0, 0.0], [0, 1]), by=())
    repeated = drops([1.0, 1.2], [0, 1]).assign(specimen="A1")
    with pytest.raises(InputError, match="'A1' was dropped more than once"):
        drop_response(repeated, by=())
    words = pd.DataFrame({"drop_height_m": [1.0, 1.2], "outcome": ["held", "slipped"]})
    with pytest.raises(InputError, match="has outcome 'slipped'; a drop either broke or held"):
        drop_response(words, by=())
    with pytest.raises(InputError, match="An energy needs drop_mass_kg and drop_height_m"):
        drop_response(APART, "drop_energy_J", by=())
    grouped = APART.assign(item=["a", "a", "b", "b", "b"])
    with pytest.raises(InputError, match="has 2 groups; name one by `group=`: a; b"):
        drop_response(grouped, by="item")
    with pytest.raises(InputError, match="`fractions` must lie between 0 and 1"):
        drop_response(APART, by=(), fractions=(1,))


def test_energy_from_mass_and_height() -> None:
    table = OVERLAP.assign(drop_mass_kg=80.0, specimen=[str(i) for i in range(24)])
    by_energy = drop_response(table, "drop_energy_J", by=(), draws=199, fractions=(0.5,))
    by_height = drop_response(table, by=(), draws=199, fractions=(0.5,))
    assert by_energy.at[0].estimate == pytest.approx(80 * 9.80665 * by_height.at[0].estimate, rel=1e-6)


def test_fixed_drop_against_clopper_pearson() -> None:
    # R 4.2.2 binom.test(alternative='greater'), lower 95 % limit of the share that holds
    for held, n, low in [(10, 10, 0.7411344491), (20, 20, 0.8608916593), (28, 30, 0.8046739563), (9, 10, 0.6058366976)]:
        assert 1 - drop_proportion(n, n - held).broken_high == pytest.approx(low, abs=1e-10)
    assert str(drop_proportion(10, severity=1.5)).startswith(
        "10 drops from 1.5, none broken: at 95 % confidence at most 25.9 % of the population break there"
    )
    assert "nothing is shown" in str(drop_proportion(3, 3))
    with pytest.raises(InputError, match="`n_broken` must lie between 0 and `n`"):
        drop_proportion(3, 4)


def test_up_and_down_by_hand() -> None:
    # levels 1, 2, 3; broken 5 times (rarer or equal): at 2, 2, 2 and 3, 3 -> lowest 2: i = 0, 0, 1, 1, 0
    result = up_and_down([2, 3, 2, 3, 2, 1, 2, 1, 2, 3], [0, 1, 0, 1, 1, 0, 1, 0, 0, 1])
    assert (result.event, result.n_event, result.sum_i, result.sum_i2) == ("broke", 5, 3, 3)
    assert result.mean == pytest.approx(2 + 3 / 5 - 0.5)
    assert result.std == pytest.approx(1.620 * (6 / 25 + 0.029))
    assert not result.std_usable
    assert "must not be used" in str(result)


def test_up_and_down_counts_the_held_with_plus_one_half() -> None:
    result = up_and_down([3, 2, 1, 2, 3, 2], [1, 1, 0, 0, 1, 1])
    assert result.event == "held"
    assert result.mean == pytest.approx(1 + 1 / 2 + 0.5)


def staircase(
    middle: float, spread: float, step: float, n: int, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    at, severity, broke = middle, [], []
    for _ in range(n):
        fell = bool(rng.random() < stats.norm.cdf((at - middle) / spread))
        severity.append(at)
        broke.append(fell)
        at += -step if fell else step
    return np.array(severity), np.array(broke)


def test_up_and_down_estimates_what_it_should() -> None:
    # Dixon and Mood (1948): for steps near one standard deviation and many drops, mean and std are nearly unbiased
    rng = np.random.default_rng(8)
    found = [up_and_down(*staircase(10.0, 0.5, 0.5, 400, rng)) for _ in range(12)]
    assert np.mean([f.mean for f in found]) == pytest.approx(10.0, abs=0.04)
    assert np.mean([f.std for f in found]) == pytest.approx(0.5, abs=0.07)
    assert all(f.std_usable for f in found)


# Dixon (1965), JASA 60:967-978, table of estimates from few drops, from memory: nominal N = 5 after one first O; O held
# (one step up), X broke (one step down); estimate = last level + k step. Each is confirmed by its definition, the most
# likely middle of a normal distribution with a standard deviation of one step, in
# `test_small_staircases_by_their_definition`.
DIXON = {
    "XOOOO": -0.547, "XOOOX": -1.250, "XOOXO": 0.372, "XOOXX": -0.169, "XOXOO": 0.022, "XOXOX": -0.500,
    "XOXXO": 1.169, "XOXXX": 0.611, "XXOOO": -0.296, "XXOOX": -0.831, "XXOXO": 0.831, "XXOXX": 0.296,
    "XXXOO": 0.500, "XXXOX": -0.043, "XXXXO": 1.603, "XXXXX": 0.893,
}  # fmt: skip


def ladder(series: str) -> tuple[np.ndarray, np.ndarray]:
    broke = np.array([letter == "X" for letter in series])
    return 20.0 + np.concatenate([[0], np.cumsum(np.where(broke[:-1], -1, 1))]), broke


@pytest.mark.parametrize(("tail", "k"), DIXON.items())
def test_small_staircases_of_dixon(tail: str, k: float) -> None:
    severity, broke = ladder("O" + tail)
    result = up_and_down(severity, broke, spread="step")
    assert result.mean - severity[-1] == pytest.approx(k, abs=0.002)
    assert result.std == result.step == 1.0
    assert not result.std_usable
    # broken and held exchanged, upside down: the table's other half
    mirrored = up_and_down(40 - severity, ~broke, spread="step")
    assert mirrored.mean == pytest.approx(40 - result.mean, abs=1e-6)


def test_small_staircases_by_their_definition() -> None:
    grid = np.linspace(-4, 4, 80_001)
    for tail, k in DIXON.items():
        severity, broke = ladder("O" + tail)
        z = severity[:, None] - severity[-1] - grid
        value = stats.norm.logcdf(np.where(broke[:, None], z, -z)).sum(axis=0)
        assert grid[value.argmax()] == pytest.approx(k, abs=0.002)


@pytest.mark.parametrize("n", [4, 6])
def test_interval_of_small_staircases_over_every_series(n: int) -> None:
    # all 2^n series with their chances, from starts within 3 steps of the middle; half to twice the step: at least the
    # nominal 95 % of those with both outcomes. With a spread of four steps it fails, as the docstring says
    every = [ladder("".join(letters)) for letters in product("OX", repeat=n)]
    mixed = [(t, broke) for t, broke in every if broke.any() and not broke.all()]
    ends = np.array([(r.median_low, r.median_high) for r in (up_and_down(*row, spread="step") for row in mixed)])
    t, broke = (np.array(part) for part in zip(*mixed, strict=True))

    def worst(spread: float) -> float:
        shares = []
        for middle in np.arange(17, 23.01, 0.25):
            z = (t - middle) / spread
            chance = np.exp(stats.norm.logcdf(np.where(broke, z, -z)).sum(axis=1))
            if chance.sum() > 0.5:  # seldom one outcome only
                shares.append(chance[(ends[:, 0] <= middle) & (middle <= ends[:, 1])].sum() / chance.sum())
        return float(min(shares))

    assert min(worst(0.5), worst(1.0), worst(2.0)) >= 0.95
    assert worst(4.0) < 0.95


def test_small_staircase_on_a_log_axis_and_in_words() -> None:
    plain = up_and_down([2.0, 3.0, 2.0, 3.0], [0, 1, 0, 0], spread="step")
    logs = up_and_down(np.exp([2.0, 3.0, 2.0, 3.0]), [0, 1, 0, 0], spread="step", axis="log")
    assert np.log(logs.median_severity) == pytest.approx(plain.mean)
    assert np.log([logs.median_low, logs.median_high]) == pytest.approx([plain.median_low, plain.median_high])
    assert "with the spread assumed equal to the step" in str(plain)
    assert "nothing is shown of the spread" in str(plain)
    assert [c for c in plain.to_frame().columns if not meaning(c)] == []
    assert np.isnan(up_and_down([2, 3, 2], [0, 1, 0]).median_low)
    wide = up_and_down([2.0, 3.0, 2.0, 3.0], [0, 1, 0, 0], spread="step", confidence=0.99)
    assert wide.median_low < plain.median_low < plain.median_high < wide.median_high


def test_up_and_down_refusals() -> None:
    with pytest.raises(InputError, match="`spread` must be 'estimated' or 'step', got 'known'"):
        up_and_down([1.0, 2.0], [0, 1], spread="known")
    with pytest.raises(InputError, match="`confidence` must lie between"):
        up_and_down([1.0, 2.0], [0, 1], spread="step", confidence=95)
    with pytest.raises(InputError, match="`step` must be greater than 0"):
        up_and_down([1.0, 2.0], [0, 1], step=0)
    with pytest.raises(InputError, match="do not lie on one ladder of equal steps"):
        up_and_down([1.0, 1.3, 2.0, 1.17], [0, 1, 1, 0])
    with pytest.raises(NoAnswerError, match="some broke and some held"):
        up_and_down([1.0, 2.0], [0, 0])


def test_next_drop_climbs_halves_and_walks() -> None:
    first = next_drop(drops([1.0], [0]), by=())
    assert (first.rule, first.severity) == ("staircase", pytest.approx(1.25))
    assert next_drop(drops([1.0], [1]), by=()).severity == pytest.approx(0.8)
    halved = next_drop(drops([1.0, 2.0], [0, 1]), by=())
    assert halved.rule == "halving"
    assert halved.severity == pytest.approx(np.sqrt(2.0))
    walked = next_drop(drops([0.5, 0.75, 1.0, 1.25, 1.0], [0, 0, 0, 1, 0]), by=())
    assert walked.rule == "staircase"
    assert walked.severity > 1.0
    assert "held, so one step up" in str(walked)


def test_next_drop_most_telling(overlap) -> None:  # type: ignore[no-untyped-def]
    both = next_drop(overlap)
    assert both.rule == "most telling"
    assert 0.5 * np.exp(-overlap.spread) - 0.2 <= both.severity <= 2.0 * np.exp(overlap.spread) + 0.2
    middle, low = next_drop(overlap, goal=0.5).severity, next_drop(overlap, goal=0.1).severity
    assert low < middle
    assert middle == pytest.approx(np.exp(overlap.middle), rel=0.35)
    with pytest.raises(InputError, match="`goal` must lie between 0 and 1"):
        next_drop(overlap, goal=10)


RATES = pd.DataFrame(
    {
        "specimen": list("abcdef"),
        "item": "sling",
        "rate": [1.0, 1, 1, 100, 100, 100],
        "rate_unit": "kN/s",
        "used": True,
        "broke": True,
        "load_kN": [24.1, 23.8, 24.6, 22.0, 21.5, 22.3],
    }
)


def test_loss_per_decade_is_the_regression_line() -> None:
    result = rate_effect(RATES, by="item", family="lognormal")
    line = stats.linregress(np.log10(RATES["rate"]), np.log(RATES["load_kN"]))
    reach = stats.t.ppf(0.975, 4) * line.stderr
    assert np.log(result.per_decade) == pytest.approx(line.slope)
    assert np.log([result.per_decade_low, result.per_decade_high]) == pytest.approx(
        [line.slope - reach, line.slope + reach]
    )
    assert result.loss_low < result.loss_per_decade < result.loss_high
    assert result.shown == "weaker with rate"
    assert "Two rates only" in result.notes[0]
    assert [c for c in result.to_frame().columns if not meaning(c)] == []


def test_loss_per_decade_with_a_survivor() -> None:
    held = RATES.assign(broke=[True, True, True, True, True, False])
    assert rate_effect(held, by="item").per_decade > rate_effect(RATES, by="item").per_decade


def test_rates_from_traces() -> None:
    measured = dict(zip("abcdef", [1.0, 1, 1, 100, 100, 100], strict=True))
    from_traces = rate_effect(RATES.drop(columns="rate"), by="item", rates=measured)
    assert from_traces.per_decade == pytest.approx(rate_effect(RATES, by="item").per_decade)
    with pytest.raises(InputError, match="has no rate for specimen 'f'"):
        rate_effect(RATES, by="item", rates={k: v for k, v in measured.items() if k != "f"})


def test_methods_that_do_not_share_a_rate_are_named() -> None:
    both = RATES.assign(method=["slow pull"] * 3 + ["shock"] * 3)
    assert "may be one of the rig" in rate_effect(both, by="item").notes[-1]


def test_rate_refusals() -> None:
    with pytest.raises(InputError, match="rates stand in 2 units"):
        rate_effect(RATES.assign(rate_unit=["kN/s"] * 3 + ["mm/min"] * 3), by="item")
    with pytest.raises(InputError, match="have no rate above 0"):
        rate_effect(RATES.assign(rate=[0.0, 1, 1, 2, 2, 2]), by="item")
    with pytest.raises(InputError, match="every specimen has rate = 1"):
        rate_effect(RATES.assign(rate=1.0), by="item")
    with pytest.raises(InputError, match="`family` must be 'weibull' or 'lognormal' here"):
        rate_effect(RATES, by="item", family="normal")
    with pytest.raises(NoAnswerError, match="at least 3 breaks"):
        rate_effect(RATES.assign(broke=[True, False, False, True, False, False]), by="item")
