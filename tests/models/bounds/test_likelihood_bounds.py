"""Likelihood-ratio and large-sample bounds: reference values, definitions, coverage, refusals."""

from pathlib import Path

import mpmath as mp
import numpy as np
import pandas as pd
import pytest
from scipy import optimize, special, stats

from lowtail import InputError, NoAnswerError, Sample, fit
from lowtail.models.bounds.likelihood_bounds import (
    large_sample_bound,
    large_sample_many,
    likelihood_ratio_bound,
    likelihood_ratio_many,
    true_coverage,
)
from lowtail.models.distributions.families import get_family
from lowtail.models.early.signed_root import fit_top, profile, signed_root, standard_error, usable

TABLE = Path(__file__).parents[2] / "truth" / "other_bounds_coverage.csv"
W1 = ([24.1, 26.3, 25.2, 27.0, 23.2], None)
W2 = ([24.1, 26.3, 25.2, 27.0, 23.2, 25.8], [1, 0, 1, 1, 1, 0])
W3 = ([22.4, 23.9, 24.6, 24.6, 25.3, 25.9, 26.1, 26.8, 27.2, 28.0], [1, 1, 0, 1, 1, 0, 1, 0, 0, 0])
W4 = ([21.5, 24.0, 25.0], [1, 1, 0])
W5 = ([23.0, 25.0, 26.0, 24.0], [0, 1, 0, 1])

# own computation made apart from this code: log scale, observed information (8 digits)
LARGE_SAMPLE = [
    (W1, 0.01, 0.75, 19.553253),
    (W1, 0.01, 0.90, 18.535652),
    (W1, 0.05, 0.75, 21.507724),
    (W1, 0.05, 0.90, 20.719306),
    (W1, 0.10, 0.90, 21.752465),
    (W2, 0.01, 0.75, 19.254787),
    (W2, 0.05, 0.75, 21.477801),
    (W2, 0.05, 0.90, 20.602454),
    (W2, 0.10, 0.75, 22.527974),
    (W2, 0.10, 0.90, 21.797966),
    (W2, 0.10, 0.95, 21.37245),
    (W3, 0.01, 0.75, 17.354487),
    (W3, 0.01, 0.90, 16.020904),
    (W3, 0.01, 0.95, 15.272341),
    (W3, 0.05, 0.90, 19.401983),
    (W3, 0.05, 0.95, 18.813169),
    (W3, 0.10, 0.75, 21.930961),
    (W3, 0.10, 0.95, 20.579343),
    (W4, 0.01, 0.75, 15.527079),
    (W4, 0.05, 0.75, 18.263867),
    (W4, 0.05, 0.90, 16.845493),
    (W4, 0.10, 0.75, 19.601409),
    (W4, 0.10, 0.90, 18.396307),
    (W5, 0.01, 0.95, 18.178968),
    (W5, 0.05, 0.75, 21.87153),
    (W5, 0.05, 0.90, 21.006576),
    (W5, 0.05, 0.95, 20.505385),
    (W5, 0.10, 0.95, 21.591729),
]
# own computation made apart from this code: bisection to 1e-5 spreads (6 digits)
LIKELIHOOD_RATIO = [
    (W1, 0.01, 0.90, 17.6958),
    (W1, 0.05, 0.75, 21.3522),
    (W1, 0.05, 0.90, 20.0908),
    (W1, 0.05, 0.95, 19.1468),
    (W1, 0.10, 0.75, 22.2988),
    (W2, 0.01, 0.75, 18.9569),
    (W2, 0.05, 0.75, 21.2672),
    (W2, 0.05, 0.95, 18.5264),
    (W2, 0.10, 0.75, 22.3625),
    (W2, 0.10, 0.90, 21.1037),
    (W2, 0.10, 0.95, 20.1106),
    (W3, 0.01, 0.75, 17.0388),
    (W3, 0.01, 0.95, 13.1933),
    (W3, 0.05, 0.75, 20.2022),
    (W3, 0.05, 0.95, 17.2202),
    (W3, 0.10, 0.90, 20.3658),
    (W3, 0.10, 0.95, 19.3121),
    (W4, 0.01, 0.75, 14.7834),
    (W4, 0.01, 0.90, 10.7938),
    (W4, 0.01, 0.95, 7.77888),
    (W4, 0.05, 0.75, 17.7054),
    (W4, 0.05, 0.90, 14.4623),
    (W4, 0.05, 0.95, 11.7337),
    (W4, 0.10, 0.75, 19.151),
    (W4, 0.10, 0.90, 16.4103),
    (W5, 0.01, 0.75, 19.6178),
    (W5, 0.01, 0.95, 14.7328),
    (W5, 0.05, 0.75, 21.5901),
    (W5, 0.05, 0.90, 19.7294),
    (W5, 0.05, 0.95, 18.0432),
    (W5, 0.10, 0.75, 22.5063),
    (W5, 0.10, 0.90, 21.0267),
    (W5, 0.10, 0.95, 19.6771),
]


@pytest.mark.parametrize(("data", "p", "confidence", "value"), LARGE_SAMPLE)
def test_large_sample_reference(data: tuple, p: float, confidence: float, value: float) -> None:
    assert large_sample_bound(*data, "weibull", p, confidence) == pytest.approx(value, rel=5e-8)


@pytest.mark.parametrize(("data", "p", "confidence", "value"), LIKELIHOOD_RATIO)
def test_likelihood_ratio_reference(data: tuple, p: float, confidence: float, value: float) -> None:
    assert likelihood_ratio_bound(*data, "weibull", p, confidence) == pytest.approx(value, rel=5e-6)


def log_likelihood(data: tuple, family: str, location: float, spread: float) -> float:
    law, (load, broke) = get_family(family), data
    y = np.asarray(law.transform(np.array(load)))
    flags = np.ones(y.size, dtype=bool) if broke is None else np.array(broke, dtype=bool)
    x = (y - location) / spread
    return float(
        law.standard.logpdf(x[flags]).sum() + law.standard.logsf(x[~flags]).sum() - flags.sum() * np.log(spread)
    )


@pytest.mark.parametrize("family", ["weibull", "normal", "lognormal"])
@pytest.mark.parametrize("confidence", [0.3, 0.5, 0.95])
def test_likelihood_ratio_by_its_definition(family: str, confidence: float) -> None:
    p, law = 0.05, get_family(family)
    low = likelihood_ratio_bound(*W2, family, p, confidence)
    best = fit(Sample(*W2), family)
    q, w = float(law.transform(low)), float(law.quantile(p))

    def minus(log_spread: float) -> float:
        spread = np.exp(log_spread)
        return -log_likelihood(W2, family, q - w * spread, spread)

    start = np.log(best.spread)
    found = optimize.minimize_scalar(minus, bounds=(start - 3, start + 3), method="bounded", options={"xatol": 1e-10})
    drop = log_likelihood(W2, family, best.location, best.spread) + found.fun
    side = np.sign(best.location + w * best.spread - q)
    root = side * np.sqrt(max(2 * drop, 0.0))
    assert root == pytest.approx(special.ndtri(confidence), abs=1e-5)


@pytest.mark.parametrize("family", ["weibull", "normal", "lognormal"])
def test_standard_error_with_many_digits(family: str) -> None:
    law, w = get_family(family), -1.7
    s, _, _ = usable(*W2, law)
    top, h, _ = fit_top(s, law, w)
    error = float(standard_error(s, law, w, top, h)[0] * s.scale[0])
    best = fit(Sample(*W2), family)
    y = [mp.mpf(float(v)) for v in law.transform(np.array(W2[0]))]
    with mp.workdps(30):

        def value(location: mp.mpf, spread: mp.mpf) -> mp.mpf:
            total = mp.mpf(0)
            for v, flag in zip(y, W2[1], strict=True):
                x = (v - location) / spread
                if family == "weibull":
                    total += (x - mp.log(spread) if flag else 0) - mp.exp(x)
                else:
                    total += (-x * x / 2 - mp.log(spread)) if flag else mp.log(mp.ncdf(-x))
            return total

        at = (mp.mpf(best.location), mp.mpf(best.spread))
        a = -mp.diff(value, at, (2, 0))
        b = -mp.diff(value, at, (1, 1))
        c = -mp.diff(value, at, (0, 2))
        exact = mp.sqrt((c - 2 * w * b + w * w * a) / (a * c - b * b))
    assert error == pytest.approx(float(exact), rel=1e-7)


def test_batches_agree_with_single_samples() -> None:
    rng = np.random.default_rng(2)
    load = rng.weibull(12, (30, 8)) * 25
    broke = rng.random((30, 8)) < 0.7
    load[:10, 6:] = np.nan  # shorter samples
    for many, one in ((likelihood_ratio_many, likelihood_ratio_bound), (large_sample_many, large_sample_bound)):
        for family in ("weibull", "normal"):
            lows = many(load, broke, family, 0.05, 0.9)
            for i in (0, 5, 20, 29):
                there = ~np.isnan(load[i])
                assert one(load[i][there], broke[i][there], family, 0.05, 0.9) == pytest.approx(lows[i], rel=1e-9)


@pytest.mark.parametrize("family", ["weibull", "normal", "lognormal"])
def test_unit_does_not_matter(family: str) -> None:
    scaled = (np.array(W2[0]) * 1e4, W2[1])
    for bound in (likelihood_ratio_bound, large_sample_bound):
        assert bound(*scaled, family, 0.01, 0.95) == pytest.approx(1e4 * bound(*W2, family, 0.01, 0.95), rel=1e-8)


def test_signed_root_falls_and_the_constrained_fit_is_a_maximum() -> None:
    law = get_family("weibull")
    s, _, _ = usable(*W3, law)
    w = float(law.quantile(0.01))
    roots = [float(signed_root(s, law, w, np.array([q]))[0]) for q in np.linspace(-40, 3, 60)]
    assert (np.diff(roots) < 0).all()
    h, value = profile(s, law, w, np.array([-5.0]), np.array([50.0]))  # from a far start
    for factor in (0.999, 1.001):
        x = w + h[0] * factor * (s.z[0] + 5.0)
        beside = (np.where(s.fail[0], x, 0.0) - np.exp(x)).sum() + s.r[0] * np.log(h[0] * factor)
        assert beside < value[0]


# --- what the comparison bounds are worth


def test_true_coverage() -> None:
    # 1 % at 95 %, from earlier simulations made apart from this code (20,000 repetitions): Weibull large sample 63.5,
    # 74.3, 82.5 at n = 3, 5, 10; likelihood ratio 79.0, 85.8, 89.9
    for n, large, ratio in ((3, 0.635, 0.790), (5, 0.743, 0.858), (10, 0.825, 0.899)):
        assert true_coverage("large sample", n, 0.01, 0.95) == pytest.approx(large, abs=0.016)
        assert true_coverage("likelihood ratio", n, 0.01, 0.95) == pytest.approx(ratio, abs=0.012)
    # the normal large-sample bound has a closed form: mean - c * s with divisor n
    from lowtail.models.bounds.tolerance import factor_confidence

    n, z, g = 5, -special.ndtri(0.01), special.ndtri(0.95)
    factor = (z + g * np.sqrt((1 + z**2 / 2) / n)) * np.sqrt((n - 1) / n)
    exact = factor_confidence(n, float(factor), 0.01)
    assert true_coverage("large sample", n, 0.01, 0.95, "normal") == pytest.approx(exact, abs=3.5 * 0.0031)


def test_true_coverage_is_that_of_the_bounds() -> None:
    rng = np.random.default_rng(6)
    load = 25 * rng.weibull(9, (4000, 4))
    truth = 25 * stats.weibull_min.ppf(0.05, 9)
    for name, many in (("large sample", large_sample_many), ("likelihood ratio", likelihood_ratio_many)):
        covered = (many(load, None, "weibull", 0.05, 0.90) <= truth).mean()
        assert covered == pytest.approx(true_coverage(name, 4, 0.05, 0.90), abs=0.03)


def test_committed_coverage_table() -> None:
    table = pd.read_csv(TABLE)
    assert set(table["n"]) == {3, 4, 5, 7, 10, 15, 30} and set(table["survivors"]) == {0.0, 0.2, 0.4, 0.6}
    part = table[(table["confidence"] == 0.95) & (table["fraction_below"] == 0.01)]
    # neither reaches its stated confidence at these sizes, and the large-sample bound is the worse
    assert (part["likelihood_ratio"] < 0.945).all() and (part["large_sample"] < part["likelihood_ratio"]).all()
    complete = part[(part["survivors"] == 0) & (part["law"] == "weibull")].set_index("n")
    for n in (3, 5, 10, 30):
        assert true_coverage("large sample", n, 0.01, 0.95) == pytest.approx(complete.loc[n, "large_sample"], abs=0.014)


@pytest.mark.parametrize(
    ("call", "kind", "words"),
    [
        (lambda: likelihood_ratio_bound([1.0, 2.0], [0, 0], "weibull", 0.1, 0.95), NoAnswerError, "no specimen broke"),
        (
            lambda: large_sample_bound([2.0, 2.0], None, "normal", 0.1, 0.95),
            NoAnswerError,
            "tied with the largest load",
        ),
        (lambda: likelihood_ratio_bound(*W1, "weibull", 5, 0.95), InputError, "0.05, not 5"),
        (lambda: likelihood_ratio_bound(*W1, "gamma", 0.1, 0.95), InputError, "`family` must be one of"),
        (lambda: true_coverage("bootstrap", 5, 0.1, 0.95), InputError, "`method` must be 'large sample' or"),
        (lambda: true_coverage("large sample", 1, 0.1, 0.95), InputError, "`n` must be a whole number of specimens"),
    ],
)
def test_messages(call: object, kind: type[Exception], words: str) -> None:
    with pytest.raises(kind) as caught:
        call()  # type: ignore[operator]
    assert words in str(caught.value)
