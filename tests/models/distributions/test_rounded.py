"""Loads in a coarse step are placed where no bound gains by the rounding; others stay exactly as they are."""

from __future__ import annotations

import numpy as np
import pytest

import lowtail as lt
from lowtail import Sample
from lowtail.models.distributions.rounded import at_lower_edge, coarse_note, coarse_step, spread_readings

COARSE = Sample([25, 25, 26], label="coarse")
FINE = Sample([24.1, 25.3, 22.8, 26.0, 23.9], label="fine")


def test_coarse_is_more_than_a_quarter_of_a_standard_deviation():
    assert coarse_step([24.0, 26.0], 0.354)  # deviation sqrt(2), a quarter of it 0.35355
    assert not coarse_step([24.0, 26.0], 0.353)
    assert not coarse_step([25, 25, 26], 0.0)


def test_every_load_stays_within_its_interval():
    """By definition of rounding: a reading stands for the loads within half a step of it."""
    rng = np.random.default_rng(3)
    for step in (0.5, 1.0, 5.0):
        loads = np.round(rng.normal(25, 1, 40) / step) * step
        assert (np.abs(spread_readings(loads, step) - loads) <= 0.5 * step + 1e-12).all()
    assert spread_readings([1.0, 1.0, 5.0], 2.0).min() > 0


def test_order_of_the_rows_does_not_matter():
    loads = np.array([25.0, 26, 25, 27, 25, 26])
    mixed = np.random.default_rng(1).permutation(loads)
    assert np.sort(spread_readings(loads, 1.0)).tolist() == np.sort(spread_readings(mixed, 1.0)).tolist()


def test_placed_once_only():
    placed = at_lower_edge(COARSE)
    assert placed.load.tolist() == [24.5, 25.5, 25.5]
    assert placed.step == 0
    assert at_lower_edge(placed) is placed
    assert coarse_note(placed) == ""


def test_fine_steps_leave_the_sample_itself():
    assert at_lower_edge(FINE) is FINE
    assert coarse_note(FINE) == ""
    told = Sample([25, 25, 26], resolution=0)
    assert at_lower_edge(told) is told


def test_a_series_stopped_at_a_break_stays_one():
    """Two stopped at the second break, 26: placed, they hold at the highest break or above it, not below."""
    stopped = Sample([25, 26, 26, 26], [True, True, False, False])
    placed = at_lower_edge(stopped)
    assert placed.load[~placed.broke].min() >= placed.load[placed.broke].max()
    early = at_lower_edge(Sample([25, 25, 26, 24], [True, True, True, False]))
    assert early.load.tolist() == [24.5, 25.5, 25.5, 23.5]


@pytest.mark.parametrize("family", ["weibull", "normal", "lognormal"])
def test_the_bound_is_that_of_the_placed_loads_and_says_so(family):
    found = lt.lower_bound(COARSE, family=family)
    by_hand = lt.lower_bound(Sample([24.5, 25.5, 25.5], label="coarse", resolution=0), family=family)
    assert found.low == by_hand.low
    assert "steps of 1 kN, coarse against their scatter" in found.notes[-1]
    shown = lt.confidence_that(COARSE, found.low, 0.10, family=family)
    assert shown.confidence == pytest.approx(0.95, abs=1e-4)
    assert found.notes[-1] in shown.notes


def test_the_governing_bound_places_each_of_its_parts_once():
    bound = lt.governing(COARSE)
    hand = lt.governing(Sample([24.5, 25.5, 25.5], label="coarse", resolution=0))
    assert (bound.low, bound.weibull, bound.normal, bound.cautious) == (
        hand.low,
        hand.weibull,
        hand.normal,
        hand.cautious,
    )
    assert sum("coarse against" in note for note in bound.notes) == 1


def test_batches_are_placed_batch_by_batch():
    one = Sample([25, 25, 26, 26, 25, 27], batch=list("aaabbb"))
    placed = at_lower_edge(one, by_batch=True)
    assert placed.load.tolist() == [24.5, 25.5, 25.5, 25.5, 24.5, 26.5]
    assert lt.batch_bound(one, 0.1, 0.95, "normal").low == lt.batch_bound(placed, 0.1, 0.95, "normal").low
    assert lt.lower_bound(one, method="batches").low == pytest.approx(lt.batch_bound(one, 0.1, 0.95).low)


def test_scatter_within_batches_is_not_made_of_nothing():
    flat = Sample([2, 2, 4, 4], batch=list("aabb"))
    assert at_lower_edge(flat, by_batch=True) is flat


def test_siblings_and_earlier_series_are_placed_too():
    kin = [Sample([21, 22, 22, 23], label="k1"), Sample([30, 31, 31, 31], label="k2")]
    target = Sample([25, 25, 26, 26], label="t")
    hand = [at_lower_edge(s) for s in (target, *kin)]
    assert lt.lower_bound(target, siblings=kin).low == lt.lower_bound(hand[0], siblings=hand[1:]).low
    assert lt.scale_prior([target, *kin]).shape == lt.scale_prior(hand).shape


def test_plans_start_from_the_placed_loads():
    sample = Sample([25, 25, 26, 26, 25])
    ask = {"family": "weibull", "max_n": 20, "rng": 1}
    assert (
        lt.plan.more_samples(sample, 22.0, **ask).curve["chance"].tolist()
        == lt.plan.more_samples(at_lower_edge(sample), 22.0, **ask).curve["chance"].tolist()
    )
