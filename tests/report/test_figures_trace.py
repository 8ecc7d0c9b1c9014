"""The figure of a trace: what must be on it is on it, and no peak is lost by thinning."""

from __future__ import annotations

from pathlib import Path

import matplotlib as mpl
import numpy as np
import pytest

import lowtail as lt
from lowtail import InputError
from lowtail.plot import trace as plot_trace
from lowtail.report.figures.trace import thin

mpl.use("Agg")
TRACES = Path(__file__).parents[2] / "data" / "traces"


@pytest.fixture(autouse=True)
def _close() -> object:
    yield
    from matplotlib import pyplot

    pyplot.close("all")


def legend(ax: object) -> str:
    return " | ".join(t.get_text() for t in ax.get_legend().get_texts())  # type: ignore[attr-defined]


def marks(ax: object) -> set[str]:
    return {a.get_gid() for a in [*ax.lines, *ax.patches, *ax.collections] if a.get_gid()}  # type: ignore[attr-defined]


def test_a_break_shows_peak_fall_rate_and_band() -> None:
    trace = lt.trace.read_trace(TRACES / "drop_too_slow_D12.txt")
    ax = plot_trace(trace)
    assert {"force", "peak", "break", "rate", "under-read", "mean"} <= marks(ax)
    assert "peak 15.93 kN" in legend(ax) and "sampling may have missed up to 3.5 kN" in legend(ax)
    assert "20 to 80 % of the peak: 3412 kN/s" in legend(ax) and "sudden fall: a break" in legend(ax)
    assert ax.get_xlabel() == "time [ms], counted from the peak"
    assert ax.get_ylim()[1] > 18.30  # the true load at break lies inside the figure


def test_a_held_drop_shows_no_break_and_a_slow_pull_counts_seconds() -> None:
    assert "break" not in marks(plot_trace(lt.trace.read_trace(TRACES / "drop_clean_D07.csv")))
    ax = plot_trace(lt.trace.read_trace(TRACES / "slow_pull_P31.csv"))
    assert ax.get_xlabel() == "time [s], counted from the peak"


def test_the_whole_record_and_a_chosen_event() -> None:
    trace = lt.trace.read_trace(TRACES / "fuse_first_P35.csv")
    whole = plot_trace(trace, whole=True)
    low, high = whole.lines[0].get_xdata()[[0, -1]]
    assert high - low == pytest.approx(trace.duration_s)
    second = plot_trace(trace, lt.trace.peak_load(trace, event=2))
    assert "peak 5.217 kN" in legend(second)


def test_a_cut_top_is_said() -> None:
    force = np.minimum(np.concatenate([np.zeros(50), 12 * np.sin(np.linspace(0, np.pi, 200)), np.zeros(50)]), 8.0)
    ax = plot_trace(lt.trace.check_trace(force, rate_hz=1000))
    assert "peak at least 8 kN" in legend(ax) and "clipped" in marks(ax) and "under-read" not in marks(ax)


def test_given_axes_are_used() -> None:
    from matplotlib import pyplot

    ax = pyplot.figure().add_subplot()
    assert plot_trace(lt.trace.read_trace(TRACES / "drop_clean_D07.csv"), ax=ax) is ax


def test_thinning_keeps_every_extreme() -> None:
    force = np.random.default_rng(1).normal(size=1_000_000)
    pick = thin(np.arange(1e6), force, 1000)
    assert pick.size <= 1002
    assert force[pick].max() == force.max() and force[pick].min() == force.min()
    assert (np.diff(pick) > 0).all()


def test_refusals() -> None:
    trace = lt.trace.read_trace(TRACES / "drop_clean_D07.csv")
    with pytest.raises(InputError, match="`trace` must be a Trace"):
        plot_trace([1, 2])  # type: ignore[arg-type]
    other = lt.trace.peak_load(lt.trace.read_trace(TRACES / "slow_pull_P31.csv"))
    with pytest.raises(InputError, match=r"must be the PeakLoad of trace 'drop_clean_D07\.csv'"):
        plot_trace(trace, other)
