"""The bound that governs and the verdict on a rating: the rule, its edges, and what it was made to mend."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import lowtail as lt
from lowtail import InputError, NoAnswerError, Verdict, batch_bound
from lowtail.claims.strength.answer import floor3
from lowtail.claims.strength.groups import carries_bound
from lowtail.claims.strength.judging import demonstrated
from lowtail.claims.strength.methods import cautious_low

FIVE = [24.1, 25.3, 22.8, 26.0, 23.9]
TWO_FAR = lt.Sample([26.8, 27.4, 27.0, 23.1, 23.6, 23.3], batch=list("aaabbb"), label="two far batches")
KNOT = lt.Sample(
    [6.12, 5.8, 5.95, 6.3, 4.16],
    [True, True, True, True, False],
    slipped=[False] * 4 + [True],
    label="knot",
)


def test_these_specimens_take_the_lowest_of_three():
    """By definition of the rule: the minimum of the three bounds, each asked by its own name."""
    sample = lt.Sample(FIVE, label="five")
    found = lt.governing(sample, "B-basis")
    each = {
        "Weibull": lt.lower_bound(sample, "B-basis").low,
        "normal": lt.lower_bound(sample, "B-basis", family="normal").low,
        "cautious bound": cautious_low(sample, lt.BASES["B-basis"]).low,
    }
    assert (found.weibull, found.normal, found.cautious) == tuple(each.values())
    assert found.low == found.these_batches == min(each.values())
    assert each[found.governed_by] == found.low
    assert math.isnan(found.next_batch) and found.n_batches == 0


def test_the_next_batch_is_judged_from_two_batches_on():
    """Two batches far apart, 26.8 to 27.4 and 23.1 to 23.6 kN: together they look strong, the next one is unknown."""
    found = lt.governing(TWO_FAR, "B-basis")
    over = min(batch_bound(TWO_FAR, 0.10, 0.95, family).low for family in ("weibull", "normal"))
    assert found.next_batch == found.low == pytest.approx(over, abs=1e-9)
    assert found.low < 3 < 18 < lt.lower_bound(TWO_FAR, "B-basis").low
    judged = lt.judge(TWO_FAR, 19)
    assert judged.verdict is not Verdict.BACKED
    lower = lt.judge(TWO_FAR, found.these_batches - 0.1)
    assert lower.verdict is Verdict.THESE_BATCHES
    assert lower.sentence.startswith("backed for these batches only: B-basis ")
    assert "for a batch yet to come" in lower.sentence


def test_the_next_batch_never_exceeds_these_batches():
    rng = np.random.default_rng(3)
    for _ in range(20):
        loads = 25 * np.exp(-0.08 * rng.gumbel(size=12))
        found = lt.governing(lt.Sample(loads, batch=list("aaabbbcccddd")), "B-basis")
        assert found.low == found.next_batch <= found.these_batches


@pytest.mark.parametrize(
    ("batch", "verdict", "words"),
    [
        (None, Verdict.LIKE_THESE, "batch not recorded: backed for specimens like these: "),
        (["a"] * 4 + [""], Verdict.LIKE_THESE, "batch not recorded: backed for specimens like these: "),
        (list("aaaaa"), Verdict.ONE_BATCH, "backed for this one batch: "),
    ],
)
def test_a_verdict_says_whom_it_speaks_of(batch, verdict, words):
    judged = lt.judge(lt.Sample(FIVE, batch=batch), 15)
    assert judged.verdict is verdict and judged.sentence.startswith(words)


def test_backed_only_if_weibull_stands_between():
    sample = lt.Sample(FIVE)
    found = lt.governing(sample, "B-basis")
    judged = lt.judge(sample, (found.low + found.weibull) / 2)
    assert judged.verdict is Verdict.IF_WEIBULL and not judged.verdict.backed
    assert "backed only if strength is Weibull down to the 10th percentile" in judged.sentence


def test_a_slip_is_no_survivor():
    """A knot that slipped at 4.16 kN under a rating of 5: the lower of both readings; the verdict names the slip."""
    held, failed = KNOT.with_slips("held"), KNOT.with_slips("failure")
    lows = {name: lt.governing(s, "B-basis").low for name, s in (("held", held), ("failure", failed))}
    found = lt.governing(KNOT, "B-basis")
    assert found.low == min(lows.values()) < max(lows.values())
    assert "slips as failures" in found.governed_by and "not stated what a slip means" in found.notes[0]
    assert (KNOT.n_broken, KNOT.n_held, KNOT.n_slipped, KNOT.counts) == (4, 0, 1, "4 broke + 1 slipped")
    judged = lt.judge(KNOT, 5)
    assert judged.sentence == "slipped below its rating: 1 of 5 slipped under 5 kN"
    assert (judged.broke_below, judged.slipped_below) == (0, 1)
    for meaning in ("held", "failure"):
        stated = lt.governing(KNOT, "B-basis", slips=meaning)
        assert stated.low == lows[meaning]
        assert (
            f"assumption, as stated: a slip is a {'failure' if meaning == 'failure' else 'load held'}"
            in stated.notes[0]
        )


def test_the_log_may_say_what_a_slip_means():
    frame = pd.DataFrame(
        {
            "specimen": list("ABCDE"),
            "item": "knot",
            "load [kN]": KNOT.load,
            "outcome": ["broke"] * 4 + ["slipped"],
            "rated [kN]": 5.0,
        }
    )
    for meaning in ("", "failure", "held"):
        log = lt.check_breaks(frame, slips=meaning)
        (sample,) = log.grouped("item").values()
        assert sample.slips == meaning
        table = lt.strength_table(log, by="item", bases="B-basis")
        assert table["B-basis [kN]"][0] == lt.governing(KNOT, "B-basis", slips=meaning or None).low
        assert table.loc[0, ["n_broken", "n_held", "n_slipped"]].tolist() == [4, 0, 1]
    with pytest.raises(InputError, match="`slips` must be 'failure'"):
        lt.check_breaks(frame, slips="break")


def test_a_sample_cannot_break_and_slip():
    with pytest.raises(InputError, match="marked as broken and as slipped"):
        lt.Sample([5.0, 6.0], [True, True], slipped=[True, False])
    assert lt.Sample([5.0, 6.0], slipped=[True, False]).n_broken == 1


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from([18.0, 20.0, 20.5, 22.25, 25.0]), st.sampled_from(["broke", "held", "slipped"])),
        min_size=1,
        max_size=6,
    )
)
def test_can_answer_is_what_governing_does(rows):
    """`check` and `strength` cannot contradict each other: 20, 20 and one held at 25 among them."""
    load = [r[0] for r in rows]
    sample = lt.Sample(load, [r[1] == "broke" for r in rows], slipped=[r[1] == "slipped" for r in rows])
    try:
        lt.governing(sample, "B-basis")
        able = True
    except NoAnswerError:
        able = False
    assert carries_bound(sample, "B-basis") is able


def test_check_and_strength_agree_on_ties_below_a_held_load():
    frame = pd.DataFrame(
        {
            "specimen": list("ABC"),
            "item": "sling",
            "load [kN]": [20.0, 20.0, 25.0],
            "outcome": ["broke", "broke", "held"],
        }
    )
    log = lt.check_breaks(frame)
    assert not lt.checks.can_answer(log).possible
    assert lt.strength_table(log)["B-basis [kN]"].isna().all()
    assert "error" not in set(log.findings["level"])


def test_demonstrated_meets_the_bound():
    """The confidence demonstrated at the bound of these specimens is the confidence of the basis (to 0.1 point)."""
    basis = lt.BASES["B-basis"]
    for loads in (FIVE, [20.1, 22.3, 21.7, 19.0, 23.3, 22.2, 20.9, 24.0]):
        sample = lt.Sample(loads)
        low = lt.governing(sample, basis).these_batches
        assert demonstrated(sample, low * (1 - 1e-9), basis) == pytest.approx(0.95, abs=1e-3)
        assert demonstrated(sample, low * 1.02, basis) < 0.95 < demonstrated(sample, low * 0.98, basis)


def test_a_basis_has_only_what_it_has():
    """mean - 3 s has no content and no confidence; its multiplier is a field, not read from its name."""
    three, mine = lt.BASES["mean - 3 s"], lt.Basis("my own habit", kind="mean minus ks", multiplier=2.0)
    assert math.isnan(three.fraction_below) and math.isnan(three.confidence) and three.multiplier == 3
    assert "99.865" not in str(three) and "confidence" not in three.content.replace("without content or confidence", "")
    sample = lt.Sample(FIVE, label="five")
    mean, s = np.mean(FIVE), np.std(FIVE, ddof=1)
    assert lt.lower_bound(sample, mine).low == pytest.approx(mean - 2 * s, rel=1e-12)
    assert lt.lower_bound(sample, three).low == pytest.approx(mean - 3 * s, rel=1e-12)
    judged = lt.judge(sample, 20.0, three)
    assert judged.verdict is Verdict.REACHED
    assert "Demonstrated at 95 % confidence: 86.2 % are stronger" in judged.sentence
    assert lt.judge(sample, 22.0, mine).verdict is Verdict.NOT_REACHED
    with pytest.raises(InputError, match="has no `fraction_below` of its own"):
        lt.Basis("mean - 2 s", 0.02275, 0.95, "mean minus ks", multiplier=2)
    with pytest.raises(InputError, match="`multiplier` must be greater than 0"):
        lt.Basis("mean - 2 s", kind="mean minus ks")
    with pytest.raises(InputError, match="must have a content and a confidence to govern"):
        lt.governing(sample, three)


def test_an_a_basis_of_a_handful_says_which_rules_are_not_met():
    found = lt.governing(lt.Sample(FIVE), "A-basis")
    note = "Content and confidence of an A-basis; the handbook's sampling rules (many specimens, several batches)"
    assert any(n.startswith(note) for n in found.notes)
    assert lt.BASES["B-basis"].sampling_note(30, 5) == ""


@pytest.mark.parametrize("name", ["B-basis", "B", "b", "b basis", "B basis", "b-basis", " B-BASIS "])
def test_a_basis_is_found_by_what_people_write(name):
    assert lt.governing(lt.Sample(FIVE), name).basis == "B-basis"


def test_the_zero_of_a_bound_is_relative_to_the_loads():
    """Threads of 0.6 N: the same bound in another unit, by definition; no floor of one newton in between."""
    ropes = lt.Sample([24.1, 25.3, 22.8, 26.0, 23.9])
    threads = lt.Sample(np.array([24.1, 25.3, 22.8, 26.0, 23.9]) * 2.5e-5)
    one, other = lt.governing(ropes), lt.governing(threads)
    assert other.low == pytest.approx(one.low * 2.5e-5, rel=1e-9) and other.unusable == one.unusable == ""
    assert f"stronger than {floor3(other.low)} kN" in str(other) and "stronger than 0 kN" not in str(other)
