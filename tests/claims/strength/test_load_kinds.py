"""Breaks between two loads and load uncertainties through the claims: bounds, verdicts, comparisons, words."""

from __future__ import annotations

import numpy as np
import pytest

import lowtail as lt
from lowtail.claims.strength.judging import demonstrated
from lowtail.models.distributions.common_error import added_low

LOADS = np.array([24.1, 25.3, 22.8, 26.0, 23.9, 24.8])
FAMILIES = ("weibull", "normal", "lognormal")


def stepped(step: float, loads: np.ndarray = LOADS, **more: object) -> lt.Sample:
    low = np.floor(loads / step) * step
    return lt.Sample(low, upper=low + step, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize("step", [0.5, 1.0, 2.0, 4.0])
def test_bound_and_confidence_are_inverse(family: str, step: float) -> None:
    for share in (0.0, 0.02):
        sample = stepped(step, common_uncertainty=share)
        low = lt.lower_bound(sample, family=family).low
        assert lt.confidence_that(sample, low, 0.10, family=family).confidence == pytest.approx(0.95, abs=3e-4)


@pytest.mark.parametrize("family", FAMILIES)
def test_coarser_steps_never_help(family: str) -> None:
    """Steps wider than the scatter give the lowest over all places, so no more than the loads themselves."""
    exact = lt.lower_bound(lt.Sample(LOADS), family=family).low
    lows = [lt.lower_bound(stepped(step), family=family).low for step in (0.01, 2.0, 4.0)]
    assert lows[0] == pytest.approx(exact, rel=5e-3) and exact > lows[1] > lows[2] > 0


def test_the_notes_say_what_was_done() -> None:
    fine, wide = lt.lower_bound(stepped(0.5)).notes[0], lt.lower_bound(stepped(2.0)).notes[0]
    assert fine == "6 of 6 specimens broke between two loads: taken as such (interval terms in the likelihood)."
    assert wide == (
        "6 of 6 specimens broke between two loads, with steps wider than the scatter of their middles: the bound is "
        "the lowest over all loads at which they can have broken."
    )
    cautious = lt.lower_bound(stepped(0.5), method="cautious").notes[-1]
    assert cautious.endswith("the bound is the lowest over all loads at which they can have broken.")


def test_an_uncertainty_of_its_own_leaves_the_bound_and_says_so() -> None:
    """0.3 kN against a scatter of 1.1 kN is 8 % of the variance, rounded up (by definition of both)."""
    scatter = LOADS.std(ddof=1)
    plain, known = lt.lower_bound(lt.Sample(LOADS)), lt.lower_bound(lt.Sample(LOADS, uncertainty=0.3))
    assert plain.low == known.low and plain.notes == ()
    percent = int(np.ceil(100 * (0.3 / scatter) ** 2))
    assert known.notes == (
        f"Load uncertainty of each specimen by itself 0.3 kN (k = 1): part of the scatter already, up to {percent} % "
        "of its variance; the bound is left as it is.",
    )
    (more,) = lt.lower_bound(lt.Sample(LOADS, uncertainty=1.5)).notes
    assert "is more than the scatter of the loads (1.1 kN), in which it should show" in more
    assert "give it as `common_uncertainty`" in more


@pytest.mark.parametrize("share", [0.01, 0.03])
def test_the_governing_bound_carries_an_uncertainty_in_common(share: float) -> None:
    """Every bound it weighs is lowered; what is demonstrated reaches the confidence exactly where the bound does."""
    sample = lt.Sample(LOADS, common_uncertainty=share)
    plain, found = lt.governing(lt.Sample(LOADS)), lt.governing(sample)
    for name in ("weibull", "normal", "cautious", "low"):
        assert getattr(found, name) < getattr(plain, name)
    assert found.cautious == pytest.approx(added_low(plain.cautious, share, 0.95), rel=1e-12)
    basis = lt.BASES["B-basis"]
    assert demonstrated(sample, found.low, basis) == pytest.approx(0.95, abs=1e-6)
    assert any(f"in common {100 * share:g} % (k = 1)" in note for note in found.notes)


def test_none_broke_carries_it_too() -> None:
    held = [25.0] * 30
    plain = lt.lower_bound(lt.Sample(held, [False] * 30))
    known = lt.Sample(held, [False] * 30, common_uncertainty=0.02)
    found = lt.lower_bound(known)
    assert found.low == pytest.approx(added_low(plain.low, 0.02, 0.95))
    assert demonstrated(known, found.low, lt.BASES["B-basis"]) >= 0.95 - 1e-9
    assert demonstrated(known, found.low * 1.001, lt.BASES["B-basis"]) < 0.95


@pytest.mark.parametrize("step", [0.5, 2.0])
def test_the_governing_bound_of_steps(step: float) -> None:
    sample = stepped(step, batch=list("aaabbb"), label="sling")
    found = lt.governing(sample)
    assert found.these_batches == min(found.weibull, found.normal, found.cautious) > 0
    assert np.isnan(found.next_batch) and any("No bound for a batch yet to come" in note for note in found.notes)
    assert demonstrated(sample, found.these_batches, lt.BASES["B-basis"]) == pytest.approx(0.95, abs=3e-4)
    assert found.estimate > found.weibull or np.isnan(found.estimate)


def test_one_step_for_all_has_a_bound_but_no_fit() -> None:
    """Two at 22 and two at 24 kN, the worst place of the four, is a sample of its own (normal: mean and s known)."""
    sample = lt.Sample([22] * 4, upper=[24] * 4)
    found = lt.lower_bound(sample, family="normal")
    want = min(
        lt.lower_bound(lt.Sample([22] * k + [24] * (4 - k), resolution=0), family="normal").low for k in (1, 2, 3)
    )
    assert found.low == pytest.approx(want, rel=1e-6) and np.isnan(found.estimate)
    assert "could have been missed" in lt.governing(sample).unseen


def test_a_rating_within_a_step() -> None:
    sample = stepped(2.0)  # the lowest two broke between 22 and 24
    assert "2 of 6 broke, or may have broken, under 23 kN" in lt.judge(sample, 23.0).sentence
    assert "2 of 6 broke under 24 kN" in lt.judge(sample, 24.0).sentence
    assert lt.judge(sample, 22.0).broke_below == 0


def test_custom_limits_say_what_they_leave_out() -> None:
    with pytest.raises(lt.NoAnswerError, match="known only to lie between two loads"):
        lt.lower_bound(stepped(1.0), "mean - 3 s")
    notes = lt.lower_bound(lt.Sample(LOADS, common_uncertainty=0.01), "mean - 3 s").notes
    assert any(note.endswith("not in this number.") for note in notes)


def test_borrowed_scatter_has_no_place_for_it() -> None:
    kin = [lt.Sample(LOADS + 1), lt.Sample(LOADS - 2)]
    with pytest.raises(lt.NoAnswerError, match="borrowed scatter has no place for a load uncertainty"):
        lt.lower_bound(lt.Sample(LOADS, common_uncertainty=0.01), siblings=kin)
    with pytest.raises(lt.NoAnswerError, match="between two loads"):
        lt.lower_bound(lt.Sample(LOADS), siblings=[stepped(1.0)])


def test_narrow_steps_compare_as_loads_do() -> None:
    """Against the same arms with exact loads, by the same confidence distributions."""
    first, second = LOADS, LOADS * 0.9
    exact = lt.compare(lt.Sample(first), lt.Sample(second), family="weibull", test="Weibull confidence distributions")
    near = lt.compare(*(lt.Sample(x, upper=x * (1 + 1e-6)) for x in (first, second)))
    assert (near.family, near.typical, near.test) == ("weibull", "median", "Weibull confidence distributions")
    for name in ("ratio", "ratio_low", "ratio_high", "low_ratio_low", "low_ratio_high"):
        assert getattr(near, name) == pytest.approx(getattr(exact, name), rel=0.01)
    assert near.p_value == pytest.approx(exact.p_value, abs=0.01)
    assert near.permutation_p == exact.permutation_p and np.isnan(near.scatter_p)
    assert any("12 specimens broke between two loads" in note for note in near.notes)


def test_wide_steps_are_not_compared() -> None:
    with pytest.raises(lt.NoAnswerError, match=r"'slow': specimens broke between steps wider than the scatter"):
        lt.compare(stepped(3.0, label="slow"), stepped(3.0, LOADS * 0.9, label="shock"))


def test_an_uncertainty_in_common_widens_a_comparison() -> None:
    """The log ratio's variance gains those of both arms: the interval's width by about the sum of squares."""
    arms = [lt.Sample(x) for x in (LOADS, LOADS * 0.9)]
    known = [lt.Sample(x, common_uncertainty=0.05) for x in (LOADS, LOADS * 0.9)]
    plain, found = (lt.compare(*pair, family="weibull") for pair in (arms, known))
    width = [np.log(c.ratio_high / c.ratio_low) for c in (plain, found)]
    assert width[1] == pytest.approx(np.hypot(width[0], 2 * 1.96 * 0.05 * np.sqrt(2)), rel=0.12)
    assert found.p_value > plain.p_value
    assert any("as if the arms were measured with two load cells" in note for note in found.notes)
    with pytest.raises(lt.NoAnswerError, match="Pairs and blocks have no place"):
        lt.compare(*known, pair=list("abcdef") * 2)


def test_plans_and_levels_refuse_in_words() -> None:
    known, steps = lt.Sample(LOADS, common_uncertainty=0.01, label="sling"), stepped(1.0, label="sling")
    for sample, match in ((known, "has no place"), (steps, "between two loads")):
        for ask in (
            lambda s: lt.plan.more_samples(s, 18.0),
            lambda s: lt.plan.looks(s, 18.0, every=2),
            lambda s: lt.plan.more_comparison(s, lt.Sample(LOADS * 0.9)),
            lambda s: lt.compare_levels([s, lt.Sample(LOADS * 0.9), lt.Sample(LOADS * 0.8)]),
        ):
            with pytest.raises(lt.NoAnswerError, match=match):
                ask(sample)


def test_a_figure_draws_a_bar_from_step_to_step() -> None:
    axes = lt.plot.breaks([stepped(2.0, label="sling"), lt.Sample(LOADS, label="cord")])
    bars = [line for line in axes.lines if line.get_gid() == "between"]
    low = np.sort(np.floor(LOADS / 2) * 2)
    assert sorted(tuple(bar.get_xdata()) for bar in bars) == [(one, one + 2) for one in low]
    assert "broke between two loads" in [text.get_text() for text in axes.get_legend().get_texts()]
