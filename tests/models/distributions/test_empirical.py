"""The staircase, the plotting positions and the distribution of the held loads."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lowtail import InputError, NoAnswerError
from lowtail.checks import kaplan_meier, plotting_positions
from lowtail.models.distributions.empirical import draw_held, held_law

# Freireich et al. (1963), Blood 21:699-716, 6-MP arm: weeks of remission, 1 = ended (21 patients).
WEEKS = [6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35]
ENDED = [1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0]


@pytest.mark.parametrize(
    ("week", "above"),
    # Kaplan-Meier table of these data as printed in Cox and Oakes (1984), Klein and Moeschberger (from memory)
    [(6, 0.857), (7, 0.807), (10, 0.753), (13, 0.690), (16, 0.627), (22, 0.538), (23, 0.448)],
)
def test_freireich_table(week: int, above: float) -> None:
    steps = kaplan_meier(WEEKS, ENDED)
    assert 1 - steps.at(week) == pytest.approx(above, abs=0.0005)


# Tobias and Trindade, Applied Reliability, p. 152 (NIST public data library, TOB152.DAT): hours to breakdown,
# the last two still whole at 600 h.
HOURS = [0.69, 0.94, 1.12, 6.79, 9.28, 9.31, 9.95, 12.9, 12.93, 21.33, 64.56, 69.66, 108.38, 124.88, 157.02, 190.19]
HOURS += [250.55, 552.87, 600.0, 600.0]


@pytest.mark.parametrize(
    ("hours", "above", "error"),
    # R 4.2.2, package survival 3.5.3: summary(survfit(Surv(y, e) ~ 1), times)
    [(9.28, 0.75, 0.09682458366), (12.93, 0.55, 0.1112429773), (124.88, 0.3, 0.1024695077)],
)
def test_dielectric_breakdown_against_r(hours: float, above: float, error: float) -> None:
    steps = kaplan_meier(HOURS, [True] * 18 + [False] * 2)
    assert 1 - steps.at(hours) == pytest.approx(above, abs=1e-10)
    assert steps.std_error[steps.load == hours][0] == pytest.approx(error, rel=1e-9)


def test_complete_sample_is_the_plain_staircase() -> None:
    steps = kaplan_meier([23.0, 21.0, 22.0, 24.0, 22.0])
    assert steps.load.tolist() == [21, 22, 23, 24]
    assert steps.fraction_below == pytest.approx([0.2, 0.6, 0.8, 1.0])
    assert steps.at([20.9, 21.0, 22.5, 99]) == pytest.approx([0, 0.2, 0.6, 1])
    # binomial standard error sqrt(p (1 - p) / n), the definition Greenwood reduces to without held specimens
    assert steps.std_error[:3] == pytest.approx(np.sqrt([0.2 * 0.8 / 5, 0.6 * 0.4 / 5, 0.8 * 0.2 / 5]))
    assert np.isnan(steps.std_error[3])


def test_break_comes_before_a_tied_hold() -> None:
    # the held specimen was whole at 22 kN: three at risk there
    steps = kaplan_meier([21.0, 22.0, 22.0, 23.0], [True, True, False, True])
    assert steps.at_risk.tolist() == [4, 3, 1]
    assert steps.fraction_below == pytest.approx([0.25, 0.5, 1.0])


def test_none_broke() -> None:
    steps = kaplan_meier([21.0, 22.0], [False, False])
    assert steps.load.size == 0
    assert str(steps) == "None of 2 specimens broke: the staircase has no step."
    assert plotting_positions([21.0, 22.0], [False, False]).load.size == 0


def test_median_ranks_of_five() -> None:
    # exact median ranks at n = 5 (standard tables, from memory): the beta median is the definition
    assert plotting_positions([1.0, 2, 3, 4, 5]).fraction_below == pytest.approx(
        [0.1294, 0.3138, 0.5, 0.6862, 0.8706], abs=5e-5
    )


def test_adjusted_ranks_by_hand() -> None:
    # n = 5, second specimen held: ranks 1, then increments (6 - 1) / (1 + 3) = 1.25, giving 2.25, 3.5, 4.75
    from scipy.stats import beta

    places = plotting_positions([21.0, 22, 23, 24, 25], [1, 0, 1, 1, 1])
    assert places.fraction_below == pytest.approx([beta.ppf(0.5, r, 6 - r) for r in (1, 2.25, 3.5, 4.75)])


def test_midpoints() -> None:
    places = plotting_positions([24.0, 22.0, 23.0, 21.0], rule="midpoint")
    assert places.fraction_below == pytest.approx([0.125, 0.375, 0.625, 0.875])
    assert places.index.tolist() == [3, 1, 2, 0]
    held = plotting_positions([21.0, 22.0, 23.0, 24.0], [1, 0, 1, 1], rule="midpoint")
    assert held.fraction_below == pytest.approx([0.125, 0.4375, 0.8125])


def test_unknown_rule_is_refused() -> None:
    with pytest.raises(InputError, match=r"`rule` must be one of 'median rank', 'midpoint', got 'hazen'"):
        plotting_positions([1.0, 2.0], rule="hazen")


def test_bad_load_is_refused() -> None:
    with pytest.raises(InputError, match="greater than 0 kN"):
        kaplan_meier([22.0, -1.0])


def test_held_law_mirrors_the_strength_law() -> None:
    # two held at 22 of 4 (one broke below): P(held at 22) = 2/3, the rest never
    loads, probability = held_law(np.array([21.0, 22.0, 22.0, 23.0]), np.array([True, False, False, True]))
    assert loads.tolist() == [22.0, np.inf]
    assert probability == pytest.approx([2 / 3, 1 / 3])


def test_all_held_leaves_nothing_to_simulate() -> None:
    with pytest.raises(NoAnswerError, match="No specimen broke"):
        draw_held([21.0, 22.0], [False, False], 5, np.random.default_rng(1))


def test_draws_follow_the_law() -> None:
    draws = draw_held([21.0, 22.0, 22.0, 23.0], [True, False, False, True], 20_000, np.random.default_rng(3))
    assert np.isfinite(draws).mean() == pytest.approx(2 / 3, abs=0.015)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.integers(1, 40), st.booleans()), min_size=1, max_size=12),
    st.randoms(use_true_random=False),
)
def test_order_and_unit_do_not_matter(rows: list[tuple[int, bool]], random: object) -> None:
    load, broke = (list(c) for c in zip(*rows, strict=True))
    steps = kaplan_meier(load, broke)
    shuffled = list(rows)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    again = kaplan_meier([4.4482216 * a for a, _ in shuffled], [b for _, b in shuffled])
    assert again.fraction_below == pytest.approx(steps.fraction_below)
    assert again.load == pytest.approx(4.4482216 * steps.load)
    assert (np.diff(np.concatenate([[0], steps.fraction_below])) > 0).all()
    _, probability = held_law(np.array(load, dtype=float), np.array(broke))
    assert probability.sum() == pytest.approx(1)
    assert (probability >= -1e-12).all()
    for rule in ("median rank", "midpoint"):
        places = plotting_positions(load, broke, rule=rule).fraction_below
        assert ((places > 0) & (places < 1)).all()
        assert (np.diff(places) > 0).all()
