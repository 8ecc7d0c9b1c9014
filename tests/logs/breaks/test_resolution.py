"""Noise is no scatter: equal loads, the recording step, and what takes them from there."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from lowtail import InputError, NoAnswerError, Sample, check_breaks, confidence_that, governing, lower_bound
from lowtail._shared.resolution import different_loads, shown_step
from lowtail.logs.breaks.samples import split
from lowtail.many import fit as fit_many
from lowtail.many import lower_bound as low_many

NOISE = [25.0, 25.0, 25.0 * (1 + 4e-16)]  # the next float above 25


@pytest.mark.parametrize("loads", [[25.0] * 3, NOISE, [25.0, 25.0, 25.0 * (1 + 9e-10)]])
def test_loads_alike_to_1e_9_are_refused_like_equal_ones(loads):
    sample = Sample(loads)
    assert sample.different == 1
    assert "all 3 breaks lie at one load" in sample.lacks
    for ask in (lower_bound, governing, lambda s: confidence_that(s, 20, 0.01)):
        with pytest.raises(NoAnswerError, match="at least 2 different loads at break"):
            ask(sample)


@pytest.mark.parametrize("family", ["weibull", "normal", "lognormal"])
def test_arrays_refuse_noise_too(family):
    assert np.isnan(low_many([NOISE], None, family, 0.1, 0.95)).all()
    assert not np.isfinite(fit_many(np.array([NOISE]), np.ones((1, 3), dtype=bool), family).spread).any()


def test_scatter_just_above_noise_is_scatter():
    assert Sample([25.0, 25.0, 25.0 * (1 + 2e-9)], resolution=0).different == 2
    assert lower_bound(Sample([25.0, 25.0, 25.0 * (1 + 2e-9)], resolution=0)).low > 24.9


def test_noise_among_survivors_is_not_blown_up():
    """A break spread of 4e-16 under survivors used to set the scale of the whole sample."""
    load, broke = [*NOISE, 26.0, 27.0], [True] * 3 + [False] * 2
    same = fit_many(np.array([[25.0] * 3 + [26.0, 27.0]]), np.array([broke]), "weibull")
    assert fit_many(np.array([load]), np.array([broke]), "weibull").spread == pytest.approx(same.spread, rel=1e-12)


def test_loads_within_the_resolution_given_are_equal():
    sample = Sample([25.0, 25.2, 25.4], resolution=0.5)
    assert sample.step == 0.5
    assert sample.different == 1
    with pytest.raises(NoAnswerError):
        lower_bound(sample)
    assert Sample([25.0, 25.5, 26.0], resolution=0.5).different == 3


@pytest.mark.parametrize(
    ("loads", "step"),
    [
        ([25, 25, 26], 1.0),
        ([25, 26], 0.0),  # two loads show nothing
        ([24, 26, 26], 1.0),  # read to 1 kN, three even loads come by chance 1 in 8 times
        ([24, 26, 26, 28, 24, 22, 30], 2.0),  # 1 in 128 times
        ([24.5, 25.0, 22.5], 0.5),
        ([24.1, 25.3, 22.8], 0.1),
        ([8.73, 9.25, 9.25], 0.01),
        ([22.2411080763025, 21.3514637532504, 23.1307523993546], 0.0),
    ],
)
def test_step_is_claimed_where_the_loads_show_one(loads, step):
    assert shown_step(loads) == step
    assert Sample(loads).step == step


def test_different_loads_counts_runs_from_their_lowest():
    assert different_loads(np.array([25.9, 25.0, 25.4, 25.5]), 0.5) == 2
    assert different_loads(np.array([])) == 0


def test_log_passes_on_the_step_of_the_unit_in_which_it_is_written():
    """5000, 5010 and 5020 lbf: a step of 10 lbf, 0.0444822 kN (1 lbf = 4.4482216152605 N by definition)."""
    frame = pd.DataFrame(
        {"specimen": list("abc"), "item": "sling", "load [lbf]": [5000, 5010, 5020], "outcome": "broke"}
    )
    (sample,) = split(check_breaks(frame), by="item")
    assert sample.step == pytest.approx(10 * 4.4482216152605e-3, rel=1e-12)
    (metric,) = split(
        check_breaks(frame.rename(columns={"load [lbf]": "load [kN]"}).assign(**{"load [kN]": [25, 25, 26]})), by="item"
    )
    assert metric.resolution is None
    assert metric.step == 1.0


@pytest.mark.parametrize("wrong", [-1.0, float("nan"), float("inf")])
def test_resolution_must_be_a_step(wrong):
    with pytest.raises(InputError, match="`resolution` must be the step in kN"):
        Sample([24.0, 25.0], resolution=wrong)


def test_resolution_stays_with_the_readings_of_slips():
    sample = Sample([25, 25, 26], slipped=[True, False, False], resolution=0.5)
    assert sample.with_slips("failure").resolution == 0.5


def test_loads_far_below_a_step_show_none():
    """Threads in micronewtons: 20 divides by 100 only if nothing of it need be left."""
    assert Sample(np.array([20.0, 21.0, 22.5]) * 1e-6).step == 0
