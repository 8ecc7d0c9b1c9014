"""Failure modes: fitted apart where named, a finding otherwise."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from lowtail import WEIBULL, InputError, NoAnswerError, Sample
from lowtail.checks import failure_modes
from lowtail.claims.parts.causes import causes_of_log
from lowtail.models.bounds.weakest import by_cause
from lowtail.models.distributions.residuals import largest_gap_many


def table(sites: list[str], **columns: object) -> pd.DataFrame:
    n = len(sites)
    rows = {
        "specimen": [f"S{i}" for i in range(n)],
        "item": "sling",
        "load_kN": np.linspace(20.0, 25.0, n),
        "broke": True,
        "used": True,
        "outcome": "broke",
        "failed_part": "",
        "failure_site": sites,
    }
    return pd.DataFrame({**rows, **columns})


def test_named_modes_are_fitted_apart() -> None:
    log = table(["stitching", "webbing"] * 4)
    answer = failure_modes(log, by="item")
    assert (answer.how, list(answer.table["mode"])) == ("named", ["stitching", "webbing"])
    assert answer.table["n_broken"].tolist() == [4, 4]
    assert 0 < answer.low_by_mode < answer.table["low"].min()
    assert answer.table["goes_first"].sum() == pytest.approx(1)
    assert str(answer).startswith("sling: 2 failure modes (stitching 4, webbing 4)")


def test_a_mode_seen_once_gives_no_bound_by_kind() -> None:
    answer = failure_modes(table(["stitching"] * 6 + ["webbing"]), by="item")
    assert np.isnan(answer.low_by_mode) and answer.low_as_one > 0
    assert "webbing: broke fewer than 2 times" in answer.notes[0]
    assert str(answer).endswith("no bound by kind.")


def test_a_break_without_its_site_is_named() -> None:
    with pytest.raises(InputError, match=r"specimen 'S2' ended with 'broke' but its 'failure_site' is empty"):
        failure_modes(table(["stitching", "webbing", "", "webbing"]), by="item")


def test_no_site_at_all_leaves_the_gap() -> None:
    answer = failure_modes(table([""] * 8), by="item", size=400)
    assert answer.how == "gap" and answer.table.empty
    assert "no split is seen" in str(answer) and "would be missed" in str(answer)


def test_other_part_censors_and_must_be_named() -> None:
    log = table(["pin", "pin", "pin", ""], outcome=["broke"] * 3 + ["other part broke"], broke=[True] * 3 + [False])
    with pytest.raises(InputError, match="its 'failed_part' is empty"):
        causes_of_log(log, "item")
    load, causes, _ = causes_of_log(log.assign(failed_part=["", "", "", "fuse"]), "item")
    assert causes == ["sling", "sling", "sling", "fuse"]
    parts = by_cause(load, causes)
    assert parts["sling"].broke.tolist() == [True, True, True, False]
    _, sites, _ = causes_of_log(log.assign(failed_part=["", "", "", "fuse"]), "item", column="failure_site")
    assert sites == ["pin", "pin", "pin", ""]


def test_clear_gap_is_found() -> None:
    answer = failure_modes(Sample([24.1, 25.3, 24.8, 26.0, 25.1, 15.2, 15.9, 15.4]), size=1000)
    assert answer.p_value <= 0.05
    assert (answer.gap_from, answer.gap_to) == pytest.approx((15.9, 24.1))
    assert "nothing was split" in answer.notes[0]


def test_gap_weight_by_hand() -> None:
    # r = 4 breaks: gaps weigh sqrt(3), 2, sqrt(3); the one held specimen takes no part in a gap
    load, broke = np.array([[1.0, 2.0, 4.0, 8.0, 5.0]]), np.array([[True, True, True, True, False]])
    from lowtail.many import fit as fit_many

    size, place, _ = largest_gap_many(load, broke, WEIBULL)
    assert place[0] == 1
    assert size[0] * fit_many(load, broke, "weibull").spread[0] == pytest.approx(2 * np.log(2))


def test_false_alarms_of_the_gap() -> None:
    rng = np.random.default_rng(5)
    p = [failure_modes(Sample(25 * rng.weibull(15, 6)), size=400, rng=i).p_value for i in range(120)]
    # 120 sound samples: 6 expected at 5 %, at most 14 but once in 1,000
    assert sum(v <= 0.05 for v in p) <= 14
    assert np.mean(p) == pytest.approx(0.5, abs=0.11)


def test_refusals() -> None:
    with pytest.raises(NoAnswerError, match="at least 4 different loads at break"):
        failure_modes(Sample([1.0, 2.0, 3.0]))
    with pytest.raises(InputError, match="at least 400"):
        failure_modes(Sample([1.0, 2.0, 3.0, 4.0]), size=5)
    with pytest.raises(InputError, match="`column` must be 'failed_part' or 'failure_site'"):
        failure_modes(table(["a"] * 4), by="item", column="note")


def test_one_held_above_every_break_is_judged_alike_whether_alone_or_with_others() -> None:
    # a stop load is a stop load: one specimen more held there must not turn the verdict round
    breaks = [21.0, 24.5, 24.8, 25.1, 25.3]
    alone = failure_modes(Sample([*breaks, 25.6], [1, 1, 1, 1, 1, 0]), size=2000).p_value
    beside = failure_modes(Sample([*breaks, 25.6, 25.6], [1, 1, 1, 1, 1, 0, 0]), size=2000).p_value
    assert abs(np.log(alone / beside)) < np.log(2)
