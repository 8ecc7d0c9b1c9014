"""The figure of batches: every specimen drawn, both bounds where the data carry them."""

from __future__ import annotations

import matplotlib as mpl
import pytest

from lowtail import InputError, Sample, batch_bound, lower_bound
from lowtail.plot import batches as plot_batches

mpl.use("Agg")
LOAD = [24.1, 25.3, 22.8, 23.9, 21.8, 22.4, 25.0, 24.6, 25.9]


def bounds_of(ax):
    return {line.get_linestyle(): line.get_xdata()[0] for line in ax.get_lines() if line.get_gid() == "bound"}


def test_points_and_bounds():
    sample = Sample(LOAD, batch=list("PPPQQQRRR"), label="sling")
    ax = plot_batches(sample)
    drawn = sum(len(c.get_offsets()) for c in ax.collections if c.get_gid() == "broke")
    assert drawn == 9
    found = bounds_of(ax)
    assert found["-"] == lower_bound(sample, "B-basis").low
    assert found["--"] == batch_bound(sample, 0.1, 0.95).low
    assert found["--"] < found["-"]
    texts = [t.get_text() for t in ax.figure.legends[-1].get_texts()]
    assert any("over batches to come" in t for t in texts)


def test_without_a_bound_the_specimens_are_drawn_all_the_same():
    ax = plot_batches(Sample([20.0, 21.0, 22.0, 23.0], [0, 0, 0, 1], batch=list("PPQQ")))
    assert not bounds_of(ax)


def test_refuses_one_batch():
    with pytest.raises(InputError, match="at least 2 named batches, got 1"):
        plot_batches(Sample([20.0, 21.0], batch=["P", "P"]))
    with pytest.raises(InputError, match="got 0"):
        plot_batches(Sample([20.0, 21.0]))
