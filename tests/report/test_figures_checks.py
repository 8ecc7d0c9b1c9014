"""Figures of retention and of the weak link: what they draw."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from lowtail import InputError, Sample
from lowtail.parts import weak_link
from lowtail.plot import retention as plot_retention
from lowtail.plot import weak_link as plot_weak_link
from lowtail.trend import retention


def table() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "load_kN": [25.1, 24.4, 24.9, 23.2, 23.8, 22.1, 22.6, 21.9],
            "broke": [True, True, True, False, True, True, True, True],
            "used": True,
            "age_years": [1.0, 1, 2, 4, 4, 7, 7, 9],
            "state": ["dry", "wet"] * 4,
            "item": "sling",
            "rated_kN": 15.0,
        }
    )


def lines(ax, gid):
    return [line for line in ax.get_lines() if line.get_gid() == gid]


@pytest.mark.parametrize("axis", ["plain", "log"])
def test_retention_stays_inside_the_tested_range(axis):
    answer = retention(table(), by="item", axis=axis, power=False, size=400)
    ax = plot_retention(answer)
    (bound,) = lines(ax, "low")
    assert (bound.get_xdata()[0], bound.get_xdata()[-1]) == pytest.approx((1.0, 9.0))
    assert bound.get_ydata()[-1] == pytest.approx(answer.low)
    (typical,), (estimate,) = lines(ax, "typical"), lines(ax, "estimate")
    assert (np.asarray(bound.get_ydata()) < estimate.get_ydata()).all()
    assert (np.asarray(estimate.get_ydata()) < typical.get_ydata()).all()
    shown = [len(lines(ax, gid)[0].get_xdata()) for gid in ("broke", "held", "arrow")]
    assert shown == [7, 1, 1]
    low, high = ax.get_ylim()
    assert low < answer.load.min() and high > answer.load.max()


def test_retention_of_two_words():
    ax = plot_retention(retention(table(), "state", by="item", power=False, size=400))
    assert [t.get_text() for t in ax.get_xticklabels()] == ["dry", "wet"]


def test_weak_link_assembly_lies_above_every_component():
    tests = {"sling": Sample([21.0, 22.4, 23.1, 20.2, 22.0]), "fuse": Sample([24.0, 24.4, 23.8, 24.1])}
    answer = weak_link(tests, counts={"fuse": 2}, size=1000)
    ax = plot_weak_link(answer)
    (whole,) = lines(ax, "assembly")
    for part in lines(ax, "component"):
        assert (np.asarray(whole.get_ydata()) >= np.asarray(part.get_ydata()) - 1e-12).all()
    assert lines(ax, "low")[0].get_xdata()[0] == pytest.approx(answer.low)
    assert any("2 x fuse" in text.get_text() for text in ax.get_legend().get_texts())


@pytest.mark.parametrize("plot", [plot_retention, plot_weak_link])
def test_other_things_are_refused(plot):
    with pytest.raises(InputError, match=r"got 'nothing'\. Make one with"):
        plot("nothing")
