"""The worst places of breaks within their intervals: no search finds a sample in the box with a lower bound."""

import numpy as np
import pytest

import lowtail as lt
from lowtail import confidence_distribution
from lowtail.many import lower_bound as low_many
from lowtail.models.bounds.cautious import cautious_bound, placed_bound, placed_confidence
from lowtail.models.distributions.between_law import MOST_PLACED, placements

BOXES = {
    "one grid": ([22.0, 24.0, 22.0, 26.0, 24.0], [24.0, 26.0, 24.0, 28.0, 26.0]),
    "one step": ([22.0] * 4, [24.0] * 4),
    "overlapping": ([21.0, 22.5, 20.0, 25.0], [24.0, 23.0, 27.0, 25.0]),
    "held": ([22.0, 24.0, 24.0, 27.0, 28.0], [24.0, 26.0, 26.0, np.inf, np.inf]),
}


@pytest.mark.parametrize("family", ["weibull", "normal", "lognormal"])
@pytest.mark.parametrize("name", BOXES)
def test_no_sample_in_the_box_has_a_lower_bound(family, name):
    """4,000 samples drawn in the box, half of them at its corners; held specimens stand at or above the breaks."""
    low, up = (np.array(x) for x in BOXES[name])
    broke = np.isfinite(up)
    rng = np.random.default_rng(3)
    share = rng.random((4000, low.size))
    share[::2] = np.round(share[::2])
    loads = low + share * np.where(broke, np.where(broke, up, 0) - low, 0)
    flags = np.tile(broke, (4000, 1))
    law = confidence_distribution(lt.Sample(low, broke, upper=np.where(broke, up, np.nan)), family)
    assert law.placed
    for p, g in ((0.10, 0.95), (0.01, 0.75), (0.10, 0.55)):
        least = np.nanmin(low_many(loads, flags, family, p, g))
        placed = law.low(p, g)
        assert placed <= least * (1 + 2e-5)
        assert law.confidence_that(placed, p) == pytest.approx(g, abs=2e-4)


def test_placements_are_the_cuts():
    loads, broke = placements(np.array([22.0, 24.0, 30.0]), np.array([24.0, 26.0, np.inf]))
    assert broke.tolist() == [[True, True, False]] * 3
    assert loads.tolist() == [[22.0, 24.0, 30.0], [22.0, 26.0, 30.0], [24.0, 26.0, 30.0]]


@pytest.mark.parametrize("name", BOXES)
def test_the_cautious_bound_is_the_lowest_too(name):
    low, up = (np.array(x) for x in BOXES[name])
    broke = np.isfinite(up)
    placed = placed_bound(low, up, 0.10, 0.95)
    rng = np.random.default_rng(4)
    for share in (*np.round(rng.random((300, low.size))), *rng.random((300, low.size))):
        load = low + share * np.where(broke, np.where(broke, up, 0) - low, 0)
        if np.ptp(np.sort(load[broke])[:-1]) > 0:  # a tie of the weakest has no bound
            assert placed.low <= cautious_bound(load, broke, 0.10, 0.95).low * (1 + 1e-12)
    assert placed_confidence(low, up, placed.low, 0.10, 0.95) == pytest.approx(0.95, abs=1e-9)


def test_lower_ends_alone_would_be_too_bold():
    """Hanson-Koopmans rises as its upper rank falls: the lower ends of equal steps give no scatter to work with."""
    low, up = np.array([22.0, 22.5, 23.0, 23.0]), np.array([24.0, 24.5, 25.0, 25.0])
    ends = cautious_bound(low, low > 0, 0.10, 0.95).low
    assert placed_bound(low, up, 0.10, 0.95).low < 0.8 * ends


def test_too_many_wide_steps_are_refused():
    n = MOST_PLACED + 1
    sample = lt.Sample(np.full(n, 20.0), upper=np.full(n, 22.0), label="sling")
    with pytest.raises(lt.NoAnswerError, match=r"'sling': 301 broke between steps as wide as their scatter"):
        lt.lower_bound(sample)


def test_upper_limits_and_draws_are_refused_in_words():
    law = confidence_distribution(lt.Sample([22, 22, 24], upper=[24, 24, 26]))
    for ask in (lambda: law.interval(0.1, 0.9), lambda: law.draws(10)):
        with pytest.raises(lt.NoAnswerError, match="steps wider than"):
            ask()
