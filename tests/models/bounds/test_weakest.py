"""Components in series: published distributions by mode, closed forms, size effect."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from lowtail import (
    LOGNORMAL,
    NORMAL,
    WEIBULL,
    InputError,
    NoAnswerError,
    Sample,
    ScalePrior,
    check_breaks,
    confidence_distribution,
    fit,
)
from lowtail.models.bounds.weakest import by_cause, goes_first, weakest_below
from lowtail.parts import common_cause, fuse_window, weak_link

# Nelson (1982), Applied Life Data Analysis, p. 111: breaking strength of wire connections (mg), bond or wire breaks
WIRE = [750, 950, 1150, 1150, 1150, 1350, 1450, 1550, 1550, 1850]
BOND = [550, 950, 1150, 1150, 1250, 1250, 1450, 1450, 1550, 2050]
LOAD, CAUSE = np.array(WIRE + BOND, dtype=float), ["Wire"] * 10 + ["Bond"] * 10


@pytest.mark.parametrize(
    # our maximum-likelihood figures, equal to R survreg to 8 digits: the other kind of break censors
    ("kind", "mean", "std", "normal_loglik", "shape", "scale", "weibull_loglik"),
    [
        ("Bond", 1522.324207, 434.9672332, -79.96146054, 3.982619885, 1676.678572, -79.94755679),
        ("Wire", 1517.363231, 398.6992601, -79.02100516, 4.241949467, 1670.295216, -79.11466246),
    ],
)
def test_nelson_by_mode(
    kind: str, mean: float, std: float, normal_loglik: float, shape: float, scale: float, weibull_loglik: float
) -> None:
    sample = by_cause(LOAD, CAUSE)[kind]
    normal, weibull = fit(sample, "normal"), fit(sample, "weibull")
    assert (normal.mean, normal.std, normal.loglik) == pytest.approx((mean, std, normal_loglik), rel=1e-7)
    assert (weibull.shape, weibull.scale, weibull.loglik) == pytest.approx((shape, scale, weibull_loglik), rel=1e-7)


def test_nelson_all_breaks_as_one() -> None:
    one = fit(Sample(LOAD), "weibull")
    assert (one.shape, one.scale) == pytest.approx((4.109556439, 1413.586817), rel=1e-8)


def test_nelson_assembly() -> None:
    answer = weak_link(by_cause(LOAD, CAUSE), size=4000)
    # the minimum of the two fitted distributions, by its definition
    x, laws = 1000.0, {k: fit(s) for k, s in by_cause(LOAD, CAUSE).items()}
    either = 1 - np.prod([1 - law.fraction_below(x) for law in laws.values()])
    assert answer.fraction_weaker(x) == pytest.approx(either, rel=1e-10)
    assert answer.strength_below(either) == pytest.approx(x, rel=1e-8)
    assert answer.components["goes_first"].sum() == pytest.approx(1)
    assert answer.low < answer.estimate < answer.components["typical_kN"].min()


@pytest.mark.parametrize("law", [WEIBULL, NORMAL, LOGNORMAL])
def test_two_alike_share_the_breaks(law) -> None:
    location, spread = np.array([3.0, 3.0]), np.array([0.1, 0.1])
    assert goes_first(location, spread, np.array([1.0, 1.0]), law) == pytest.approx([0.5, 0.5], abs=1e-12)
    assert goes_first(location, spread, np.array([1.0, 3.0]), law) == pytest.approx([0.25, 0.75], abs=1e-12)


def test_weibull_closed_forms() -> None:
    # equal shapes k: hazards add, and the chance to go first is scale^-k / sum of scale^-k
    k, scales = 12.0, np.array([22.0, 25.0])
    location, spread, one = np.log(scales), np.array([1 / k, 1 / k]), np.ones(2)
    assert goes_first(location, spread, one, WEIBULL) == pytest.approx(scales**-k / (scales**-k).sum(), rel=1e-9)
    q = np.exp(weakest_below(0.10, location, spread, one, WEIBULL))
    assert q == pytest.approx(float((-np.log(0.9) / (scales**-k).sum()) ** (1 / k)), rel=1e-9)


def test_size_effect() -> None:
    # m in series: Weibull scale falls by m^(-1/k), the classic size effect
    sample = Sample([21.0, 22.4, 23.1, 20.2, 22.0, 19.5])
    law = fit(sample)
    answer = weak_link({"link": sample}, counts={"link": 8}, size=1000)
    assert answer.strength_below(0.10) == pytest.approx(law.strength_below(0.10) * 8 ** (-1 / law.shape), rel=1e-8)
    assert answer.strength_below(0.10, counts={"link": 1}) == pytest.approx(law.strength_below(0.10), rel=1e-8)
    assert answer.low_below(0.10, 0.95, counts={"link": 1}) > answer.low


def test_one_component_is_its_own_bound() -> None:
    sample = Sample([21.0, 22.4, 23.1, 20.2, 22.0, 19.5], [1, 1, 0, 1, 1, 1])
    answer = weak_link({"sling": sample}, size=20_000)
    assert answer.low == pytest.approx(confidence_distribution(sample).low(0.10, 0.95), rel=0.01)


def test_known_shape_and_prior() -> None:
    once = Sample([21.0, 22.4, 23.1, 20.2], [0, 1, 0, 0])
    tests = {"sling": Sample([21.0, 22.4, 23.1, 20.2], [1, 0, 1, 1]), "fuse": once}
    with pytest.raises(NoAnswerError, match="'fuse' broke in 1 of 4 tests, too few"):
        weak_link(tests)
    answer = weak_link(tests, known={"fuse": 15.0}, size=20_000)
    # the same chi-square bound as the engine's for a known shape, 2 r + 2 degrees of freedom
    engine = confidence_distribution(once, shape=15.0).low(0.10, 0.95)
    assert answer.components["low"].iloc[1] == pytest.approx(engine, rel=0.007)
    prior = weak_link(tests, known={"fuse": ScalePrior(shape=15.0, width=0.2)}, size=2000)
    assert 0 < prior.low < prior.estimate
    with pytest.raises(InputError, match="holds for the Weibull distribution only"):
        weak_link(tests, known={"fuse": 15.0}, family="normal")


def test_upgrading_the_weak_part_helps_most() -> None:
    answer = weak_link(
        {"weak": Sample([15.0, 15.4, 14.8, 15.2]), "strong": Sample([25.0, 25.4, 24.8, 26.2])}, size=2000
    )
    assert answer.weakest == answer.best_upgrade == "weak"
    table = answer.components.set_index("component")
    assert table.loc["weak", "estimate_if_stronger"] == pytest.approx(1.1 * answer.estimate, rel=1e-3)
    assert table.loc["strong", "estimate_if_stronger"] == pytest.approx(answer.estimate, rel=1e-6)
    assert str(answer).startswith("weak fails first in about 100 % of assemblies")


def test_refusals() -> None:
    good = {"sling": Sample([21.0, 22.4, 23.1])}
    with pytest.raises(InputError, match="`counts` names 'rope', which is no component here"):
        weak_link(good, counts={"rope": 2})
    with pytest.raises(InputError, match=r"mapping of words to whole numbers or None, got 1.5 for 'sling'"):
        weak_link(good, counts={"sling": 1.5})
    with pytest.raises(InputError, match="`assembly`, names 'rope', which never broke here"):
        weak_link(good, parts=["rope"])
    with pytest.raises(InputError, match="names no component: nothing broke"):
        by_cause([1.0, 2.0], ["", ""])


def test_the_log_says_which_parts_are_an_assembly_and_which_the_rig() -> None:
    other = ["fuse", "fuse", "ring", "ring"]
    rows = pd.DataFrame(
        {
            "specimen": [f"A{i}" for i in range(9)],
            "item": "sling",
            "load_kN": [24.1, 25.2, 23.3, 26.4, 24.9, 25.0, 24.2, 24.6, 25.8],
            "outcome": ["broke"] * 5 + ["other part broke"] * 4,
            "failed_part": [""] * 5 + other,
        }
    )
    rig = weak_link(check_breaks(rows), by="item", size=2000)
    assert rig.of_rig and rig.names == ("sling", "fuse", "ring") and "in this rig" in str(rig)
    named = rows.assign(assembly=[""] * 7 + ["belay anchor"] * 2)
    real = weak_link(check_breaks(named), by="item", size=2000)
    assert not real.of_rig and real.names == ("sling", "ring") and "of assemblies of belay anchor" in str(real)
    assert "rig" not in str(real)
    # the fuse only censors: sling and ring have the samples that they have without it
    apart = weak_link(check_breaks(rows), by="item", parts=["sling", "ring"], size=2000)
    assert (real.estimate, real.low) == (apart.estimate, apart.low)
    two = named.assign(assembly=[""] * 7 + ["belay anchor", "zip anchor"])
    with pytest.raises(InputError, match="one assembly in a group, got 'belay anchor', 'zip anchor'"):
        weak_link(check_breaks(two), by="item")
    half = rows.assign(assembly=[""] * 8 + ["belay anchor"])
    with pytest.raises(InputError, match="'ring' broke in rows that name the assembly"):
        weak_link(check_breaks(half), by="item")


def test_common_cause_flatters() -> None:
    tests = by_cause(LOAD, CAUSE)
    table = common_cause(weak_link(tests, size=1000), (0.0, 0.9), size=60_000)
    none, strong = table[table["correlation"] == 0], table[table["correlation"] == 0.9]
    assert none["apparent_change"].abs().max() < 0.03  # independent: the reading is right
    assert (strong["apparent_change"] > 0.05).all()  # tied together: each part looks stronger than it is
    assert strong["assembly_kN"].iloc[0] > none["assembly_kN"].iloc[0]


def test_fuse_window_keeps_both_promises() -> None:
    sample = Sample([21.0, 22.4, 23.1, 20.2, 22.0, 21.7])
    window = fuse_window(sample, 40.0, fuse_cv=0.04, size=4000)
    rng = np.random.default_rng(1)
    sigma = np.sqrt(np.log1p(0.04**2))
    fuse = np.exp(sigma * rng.standard_normal(400_000))
    assert (window.strongest_fuse * fuse < 40.0).mean() == pytest.approx(0.999, abs=3e-4)
    location, spread = confidence_distribution(sample).draws(4000, 0)
    wide = np.array([
        (np.exp(a + b * np.log(rng.exponential(size=400))) < window.weakest_fuse * fuse[:400]).mean()
        for a, b in zip(location, spread, strict=True)
    ])  # fmt: skip
    # in 95 % of the confidence distribution the specimen breaks first with chance 0.9 or more (400 drawn tests each)
    assert (wide >= 0.90).mean() == pytest.approx(0.95, abs=0.02)
    assert window.possible


def test_closed_fuse_window_says_what_to_change() -> None:
    sample = Sample([21.0, 22.4, 23.1, 20.2, 22.0, 21.7])
    window = fuse_window(sample, 25.0, fuse_cv=0.08, size=1000)
    assert not window.possible
    assert "No fuse of 8 % scatter does both" in str(window)
    opened = fuse_window(sample, window.smallest_limit * 1.001, fuse_cv=0.08, size=1000)
    assert opened.possible
