"""Bounds over batches: reference values, limits, invariance, coverage, refusals."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, special, stats

from lowtail.claims.strength.batch_designs import batch_designs, handbook_coverage
from lowtail.claims.strength.batches import batch_bound
from lowtail.errors import InputError, NoAnswerError
from lowtail.logs.sample import Sample
from lowtail.models.batches.normal_batches import anova_low, batch_sums, pivotal_below, pivotal_gap, pivotal_low
from lowtail.models.batches.weibull_batches import mixed_quantile, weibull_batches
from lowtail.models.bounds.tolerance import tolerance_factor

GROUPS = [[24.1, 25.0, 24.6, 25.9], [26.2, 27.1, 26.4, 25.7], [23.5, 24.4, 23.9, 24.2]]
SAMPLE = Sample(np.concatenate(GROUPS), batch=list("aaaabbbbcccc"), label="invented sling")
TABLE = Path(__file__).parents[2] / "truth" / "batches_coverage.csv"


def test_reference_values() -> None:
    # own computation, made apart: 2-D trapezoid in ln chi-square with 800 x 800 nodes; MSB 5.62333, MSE 0.356667
    sums = batch_sums(GROUPS)
    assert sums.mean_square_between == pytest.approx(5.62333, abs=5e-6)
    assert sums.mean_square_within == pytest.approx(0.356667, abs=5e-7)
    assert batch_bound(SAMPLE, 0.05, 0.75, "normal").low == pytest.approx(21.202046511, abs=1e-8)
    assert batch_bound(SAMPLE, 0.10, 0.95, "normal").low == pytest.approx(17.734027829, abs=1e-8)
    assert batch_bound(SAMPLE, 0.01, 0.95, "normal").handbook_low == pytest.approx(12.901194, abs=1e-6)


def test_pivotal_quantity_against_drawing() -> None:
    rng = np.random.default_rng(1)
    groups = [rng.normal(m, 1, n) for m, n in ((0, 2), (1.5, 3), (-0.5, 7))]  # unequal batches
    sums = batch_sums(groups)
    size, z = 400_000, special.ndtri(0.05)
    u, v = rng.chisquare(2, size), rng.chisquare(9, size)
    inner = 1 - np.mean([1 / 2, 1 / 3, 1 / 7])
    drawn = sums.mean + rng.standard_normal(size) * np.sqrt(sums.between / (3 * u))
    drawn += z * np.sqrt(sums.between / u + inner * sums.within / v)
    low = pivotal_low(sums, 0.05, 0.90)
    assert (drawn <= low).mean() == pytest.approx(0.10, abs=0.002)


@pytest.mark.parametrize("ratio", [1e-3, 0.049, 0.051, 1.0, 1e4])
def test_quadrature_against_adaptive_integration(ratio: float) -> None:
    # both orders of integration, across the switch between them
    sizes, z, gap = (3, 3, 3), special.ndtri(0.01), 3.0 * np.sqrt(1 + ratio)
    between, within = ratio * 2 / 3, 6.0

    s, step = np.linspace(1e-4, 80, 40_001, retstep=True)
    density = stats.chi2.pdf(s, 6) * step

    def inner(u: float) -> float:
        x = (-gap - z * np.sqrt(between / u + 2 / 3 * within / s)) / np.sqrt(between / (3 * u))
        return float(special.ndtr(x) @ density)

    exact = integrate.quad(lambda t: inner(np.exp(t)) * stats.chi2.pdf(np.exp(t), 2) * np.exp(t), -18, 4.2, limit=200)[
        0
    ]
    one = np.ones(1)
    value = pivotal_below(one * gap, one * between, one * within, sizes, z, 320)[0]
    assert value == pytest.approx(exact, abs=2e-6)


def test_quadrature_where_batch_means_agree() -> None:
    # no scatter of batch means: a chi-square of the squares within alone
    one, z = np.ones(1), special.ndtri(0.01)
    value = pivotal_below(one * 3.0, one * 1e-14, one * 6.0, (3, 3, 3), z, 240)[0]
    assert value == pytest.approx(stats.chi2.cdf(2 / 3 * 6 * z**2 / 9, 6), abs=1e-6)


def test_one_specimen_a_batch_is_the_plain_bound() -> None:
    loads = np.array([24.1, 26.2, 23.5, 25.0, 27.3])
    bound = batch_bound(Sample(loads, batch=list("abcde")), 0.05, 0.90, "normal")
    plain = loads.mean() - tolerance_factor(5, 0.05, 0.90) * loads.std(ddof=1)
    assert bound.low == pytest.approx(plain, rel=1e-9)
    assert bound.handbook_low == pytest.approx(plain, rel=1e-9)


def test_handbook_limits() -> None:
    # k(N) at equal mean squares, k(a) at batches that differ only between them (MIL-HDBK-17-1F 8.3.5, from memory)
    apart = batch_sums([np.array([m - 1e-7, m, m + 1e-7]) for m in (20.0, 22.0, 25.0)])
    sd = np.std([20.0, 22.0, 25.0], ddof=1)
    assert anova_low(apart, 0.10, 0.95) == pytest.approx(67 / 3 - tolerance_factor(3, 0.10, 0.95) * sd, rel=1e-6)
    together = batch_sums([np.array([m - 1.0, m + 1.0]) for m in (0.0, np.sqrt(2.0), np.sqrt(2.0) / 2)])
    assert together.mean_square_between < together.mean_square_within
    k = tolerance_factor(6, 0.10, 0.95)
    spread = np.sqrt(together.mean_square_between / 2 + together.mean_square_within / 2)
    assert anova_low(together, 0.10, 0.95) == pytest.approx(together.grand_mean - k * spread, rel=1e-12)


@pytest.mark.parametrize("family", ["weibull", "normal", "lognormal"])
def test_unit_order_and_form_do_not_matter(family: str) -> None:
    bound = batch_bound(SAMPLE, 0.05, 0.90, family)
    shuffled = np.random.default_rng(0).permutation(12)
    moved = Sample(SAMPLE.load[shuffled] * 224.80894, batch=SAMPLE.batch[shuffled])  # type: ignore[index]
    assert batch_bound(moved, 0.05, 0.90, family).low == pytest.approx(bound.low * 224.80894, rel=1e-7)
    listed = batch_bound([Sample(g, label=str(i)) for i, g in enumerate(GROUPS)], 0.05, 0.90, family, label="listed")
    assert listed.low == pytest.approx(bound.low, rel=1e-12) and listed.group == "listed"
    assert batch_bound(SAMPLE, 0.05, 0.95, family).low < bound.low < batch_bound(SAMPLE, 0.10, 0.90, family).low
    assert bound.low < bound.estimate


def test_record() -> None:
    bound = batch_bound(SAMPLE, 0.10, 0.95)
    row = bound.to_frame()
    assert len(row) == 1 and row["sizes"][0] == "4; 4; 4" and row["n_batches"][0] == 3
    assert str(bound) == (
        "invented sling: with 95 % confidence, at least 90 % of the population, over batches to come, is stronger than "
        "18.4 kN (12 specimens in 3 batches, Weibull distribution)."
    )
    text = " ".join(bound.notes)
    assert "ln load" in text and "More batches, fewer per batch" in text and "in 12 batches 0.93" in text
    assert "for a stated 95 %" in text and bound.unusable == ""
    assert "use family='weibull'" in " ".join(batch_bound(SAMPLE, 0.10, 0.95, "lognormal").notes)
    wild = batch_bound(Sample([10, 11, 30, 31], batch=list("aabb")), 0.01, 0.95, "normal")
    assert wild.low == 0.0 and wild.unusable and str(wild).startswith("no useful bound")


# --- Weibull scatter within batches


@pytest.mark.parametrize("ratio", [0.0, 0.3, 1.0, 7.0, 300.0, 2000.0])
@pytest.mark.parametrize("p", [0.01, 0.1])
def test_mixed_quantile(ratio: float, p: float) -> None:
    q = float(mixed_quantile(p, np.array(ratio)))
    x = np.linspace(-38, 4, 200_001)
    density = np.exp(x - np.exp(x))
    below = (special.ndtr((q - x) / ratio) if ratio else (x <= q)) * density
    assert integrate.trapezoid(below, x) / integrate.trapezoid(density, x) == pytest.approx(
        p, rel=5e-4 if not ratio else 1e-6
    )


def test_weibull_quadrature_has_converged() -> None:
    u, batch = np.log(SAMPLE.load), np.repeat(np.arange(3), 4)
    fine = weibull_batches(u, SAMPLE.broke, batch, 900).low(0.01, 0.95, 500)
    assert weibull_batches(u, SAMPLE.broke, batch).low(0.01, 0.95) == pytest.approx(fine, abs=1e-7)


def test_weibull_pivotal_quantity_against_drawing() -> None:
    u, batch = np.log(SAMPLE.load), np.repeat(np.arange(3), 4)
    broke = np.arange(12) != 7
    law = weibull_batches(u, broke, batch)
    rng = np.random.default_rng(5)
    size = 200_000
    k = rng.choice(law.k, size, p=law.weight)
    r = np.array([4, 3, 4])
    place = np.array([np.log(np.exp(k[:, None] * u[batch == i]).sum(1)) - special.digamma(r[i]) for i in range(3)]) / k
    squares = ((place - place.mean(0)) ** 2).sum(0)
    v = rng.chisquare(2, size)
    between = np.sqrt(np.maximum(squares / v - special.polygamma(1, r).mean() / k**2, 0))
    drawn = (
        place.mean(0) + rng.standard_normal(size) * np.sqrt(squares / (3 * v)) + mixed_quantile(0.05, between * k) / k
    )
    assert (drawn <= law.low(0.05, 0.90)).mean() == pytest.approx(0.10, abs=0.003)


def test_weibull_estimates_recover_the_truth() -> None:
    rng = np.random.default_rng(9)
    place = np.repeat(3.2 + 0.05 * rng.standard_normal(400), 6)
    u = place + np.log(rng.exponential(size=2400)) / 20
    law = weibull_batches(u, np.ones(2400, dtype=bool), np.repeat(np.arange(400), 6), 60)
    assert law.shape == pytest.approx(20, rel=0.05)
    assert law.between == pytest.approx(0.05, rel=0.15)
    assert law.middle == pytest.approx(3.2, abs=0.01)


def cover(sizes: tuple[int, ...], share: float, held: bool, repeats: int, seed: int) -> tuple[float, float, int]:
    """Coverage of the Weibull bound and of the generalised pivotal quantity on ln load, 1 % at 95 %."""
    rng = np.random.default_rng(seed)
    batch = np.repeat(np.arange(len(sizes)), sizes)
    ratio = np.sqrt(share / (1 - share)) * np.pi / np.sqrt(6)
    true = float(mixed_quantile(0.01, np.array(ratio)))
    ours, lognormal = [], []
    for _ in range(repeats):
        y = ratio * rng.standard_normal(len(sizes))[batch] + np.log(rng.exponential(size=batch.size))
        rig = 0.5 + np.log(rng.exponential(size=batch.size)) if held else np.full(batch.size, np.inf)
        broke = y <= rig
        counts = np.bincount(batch[broke], minlength=len(sizes))
        if counts.min() == 0 or counts.sum() == len(sizes):
            continue
        ours.append(weibull_batches(np.minimum(y, rig), broke, batch, 80).below(true, 0.01, 50) >= 0.05)
        if not held:
            low = pivotal_low(batch_sums([y[batch == i] for i in range(len(sizes))]), 0.01, 0.95, 60)
            lognormal.append(low <= true)
    return float(np.mean(ours)), float(np.mean(lognormal)) if lognormal else np.nan, len(ours)


def test_weibull_bound_covers_where_the_lognormal_one_does_not() -> None:
    ours, lognormal, n = cover((4,) * 8, 0.25, False, 220, 3)
    assert ours >= 0.95 - 3 * np.sqrt(0.05 * 0.95 / n)
    assert lognormal < 0.85  # the generalised pivotal quantity on ln load is no bound under Weibull scatter


def test_weibull_bound_covers_with_survivors() -> None:
    ours, _, n = cover((5,) * 3, 0.5, True, 500, 4)
    assert n > 300 and ours >= 0.95 - 3 * np.sqrt(0.05 * 0.95 / n)


def test_counting_survivors_as_breaks_would_be_unsafe() -> None:
    # why the normal and lognormal bounds refuse survivors: 40 % held at one machine limit, read as breaks
    rng = np.random.default_rng(12)
    covered = []
    for _ in range(200):
        y = rng.standard_normal((5, 1)) * 0.5 + rng.standard_normal((5, 6))
        low = pivotal_low(batch_sums(list(np.minimum(y, 0.28))), 0.01, 0.95, 60)
        covered.append(low <= special.ndtri(0.01) * np.sqrt(1.25))
    assert np.mean(covered) < 0.75


# --- designs and coverage


def test_more_batches_fewer_per_batch() -> None:
    table = batch_designs(12, 0.01, 0.95)
    assert table["n_batches"].tolist()[:3] == [2, 3, 4]
    shortfall = table.set_index("n_batches")["shortfall"]
    assert shortfall[2] > 10 > shortfall[3] > 2 * shortfall[6] > 2 * shortfall[12]
    even = batch_designs(12, 0.01, 0.95, share_between=0.0).set_index("n_batches")["shortfall"]
    assert (even < shortfall)[[2, 3, 4, 5]].all()


def test_handbook_coverage_by_quadrature() -> None:
    # 2 batches of 5, 1 % at 95 %: least coverage 85.5 % with three quarters between batches, by quadrature
    share = 0.75
    u, v = (np.exp(np.linspace(np.log(1e-9), np.log(60), 1500)) for _ in range(2))
    wu, wv = stats.chi2.pdf(u, 1) * u, stats.chi2.pdf(v, 8) * v
    from lowtail.models.batches.normal_batches import anova_factor

    square, mse = (5 * share + 1 - share) * u[:, None], (1 - share) * v[None, :] / 8
    factor, size = anova_factor(square / mse, (5, 5), 0.01, 0.95)
    gap = factor * np.sqrt(square / size + (size - 1) / size * mse)
    inside = special.ndtr((special.ndtri(0.01) + gap) / np.sqrt((share + (1 - share) / 5) / 2))
    worst = float((wu @ inside @ wv) / (wu.sum() * wv.sum()))
    assert handbook_coverage((5, 5), 0.01, 0.95) == pytest.approx(worst, abs=0.008)
    assert worst == pytest.approx(0.855, abs=0.008)
    assert handbook_coverage((6,) * 5, 0.01, 0.95, weibull_within=True) < 0.55


def test_committed_coverage_table() -> None:
    table = pd.read_csv(TABLE)
    error = np.sqrt(table["confidence"] * (1 - table["confidence"]) / table["repeats"])
    short = table["confidence"] - table["bound"]
    complete = table["survivors"] == 0
    assert set(range(2, 9)) <= set(table.loc[table["law"] == "normal", "batches"])
    # the bound is never below nominal beyond Monte-Carlo error, complete samples, all distributions, designs and shares
    assert (short[complete] <= 3.5 * error[complete]).all()
    # survivors: up to three quarters of the variance between batches
    inside = ~complete & (table["share_between"] <= 0.75)
    assert (short[inside] <= 3.5 * error[inside]).all()
    normal = table[table["law"] == "normal"].set_index(["sizes", "fraction_below", "confidence", "share_between"])
    assert normal.loc[("3-3-3", 0.01, 0.95, 0.75), "pooled_after_f"] == pytest.approx(0.84, abs=0.012)
    assert normal["pooled"].min() < 0.5  # never pool
    at = normal.xs((0.01, 0.95), level=("fraction_below", "confidence"))
    assert at.loc[("5-5", 0.75), "handbook"] == pytest.approx(0.855, abs=0.01)


def test_part_of_the_coverage_table_again() -> None:
    rng = np.random.default_rng(77)
    sizes, share = (3, 3, 3), 0.75
    truth = special.ndtri(0.10)
    covered = []
    for _ in range(300):
        y = np.sqrt(share) * rng.standard_normal((3, 1)) + np.sqrt(1 - share) * rng.standard_normal((3, 3))
        covered.append(pivotal_low(batch_sums(list(y)), 0.10, 0.95, 60) <= truth)
    row = pd.read_csv(TABLE).query(
        "law == 'normal' and sizes == '3-3-3' and fraction_below == 0.1 and confidence == 0.95"
        " and share_between == 0.75"
    )
    assert np.mean(covered) == pytest.approx(float(row["bound"].iloc[0]), abs=3.5 * np.sqrt(0.04 * 0.96 / 300))
    assert pivotal_gap(1.0, 1.0, sizes, 0.10, 0.95) > 0


@pytest.mark.parametrize(
    ("sample", "family", "kind", "words"),
    [
        (Sample([1.0, 2.0]), "normal", InputError, "needs the `batch` of every specimen"),
        (Sample([1.0, 2.0], batch=["a", ""]), "normal", InputError, "needs the `batch` of every specimen"),
        (
            Sample([1.0, 2.0], batch=["a", "a"], label="cord"),
            "normal",
            NoAnswerError,
            "'cord': a bound over batches needs at",
        ),
        ([], "normal", InputError, "a sequence of Samples, one a batch"),
        (Sample([2.0, 2.0, 2.0], batch=list("aab")), "normal", NoAnswerError, "every load is the same"),
        (Sample([2, 3, 4, 5], [1, 1, 0, 1], batch=list("aabb")), "lognormal", NoAnswerError, "1 of 4 specimens held"),
        (
            Sample([2, 3, 4, 5], [1, 1, 0, 0], batch=list("aabb")),
            "weibull",
            NoAnswerError,
            "no specimen of batch 'b' broke",
        ),
        (Sample([2, 3, 4], batch=list("abc")), "weibull", NoAnswerError, "no batch has 2 different loads at break"),
        (Sample([2, 2, 4, 4], batch=list("aabb")), "weibull", NoAnswerError, "no batch has 2 different loads at break"),
    ],
)
def test_refusals(sample: Sample, family: str, kind: type[Exception], words: str) -> None:
    with pytest.raises(kind) as caught:
        batch_bound(sample, 0.10, 0.95, family)
    assert words in str(caught.value)


def test_other_messages() -> None:
    with pytest.raises(InputError, match=r"must not exceed 0\.5"):
        batch_bound(SAMPLE, 0.6, 0.95)
    with pytest.raises(InputError, match=r"0\.05, not 5"):
        batch_bound(SAMPLE, 5, 0.95)
    with pytest.raises(InputError, match="`total` must be a whole number"):
        batch_designs(3, 0.1, 0.95)
    with pytest.raises(InputError, match="`share_between` must lie"):
        batch_designs(8, 0.1, 0.95, share_between=1.0)
