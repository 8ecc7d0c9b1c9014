"""What can be wrong with a record: each fault is put in on purpose, and must be found and named."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from lowtail import TableError
from lowtail.trace import Trace, check_trace, read_trace

RATE = 1000.0


def pull(noise: float = 0.01, level: float = 0.0, crest: float = 10.0) -> tuple[np.ndarray, np.ndarray]:
    """One second: quiet, a half-sine of 200 ms, quiet; rounded to 1 N as an indicator does."""
    t = np.arange(1000) / RATE
    force = np.where((t > 0.4) & (t < 0.6), crest * np.sin(np.pi * (t - 0.4) / 0.2), 0.0) + level
    return t, np.round(force + np.random.default_rng(3).normal(0, noise, t.size), 3)


def said(trace: Trace, level: str = "warning") -> str:
    rows = trace.findings[trace.findings["level"] == level]
    return " | ".join(rows["cell"] + ", " + rows["got"] + ": " + rows["message"])


def test_a_clean_record_has_no_warning() -> None:
    t, f = pull()
    trace = check_trace(f, t)
    assert said(trace) == "" and said(trace, "error") == ""
    assert trace.rate_hz == pytest.approx(RATE)
    assert trace.noise_kN == pytest.approx(0.01, rel=0.15)
    assert trace.before_kN == pytest.approx(0.0, abs=0.003)
    assert trace.resolution_kN == pytest.approx(0.001)
    assert len(trace.events) == 1 and trace.events[0].at_s == pytest.approx(0.5, abs=0.01)
    assert not trace.clipped
    assert str(trace).startswith("trace: 1000 samples at 1000 Hz over 0.999 s, highest 10.0")


def test_arrays_are_read_only() -> None:
    trace = check_trace([0.0, 3.0, 9.0, 1.0], rate_hz=10)
    with pytest.raises(ValueError, match="read-only"):
        trace.force_kN[0] = 1.0


def test_zero_offset_is_reported_and_only_subtracted_on_request() -> None:
    t, f = pull(level=0.35)
    trace = check_trace(f, t)
    assert "0.351 kN: The cell does not read zero" in said(trace)
    np.testing.assert_array_equal(trace.force_kN, f)
    assert trace.before_kN == pytest.approx(0.35, abs=0.003)
    shifted = check_trace(f, t, zero="quiet")
    np.testing.assert_allclose(shifted.force_kN, f - trace.before_kN)
    assert shifted.before_kN == pytest.approx(0.0, abs=1e-12)
    assert "Subtracted from every sample by zero=" in said(shifted, "info")
    by_number = check_trace(f, t, zero=0.1)
    np.testing.assert_allclose(by_number.force_kN, f - 0.1)


def test_no_quiet_stretch_is_said() -> None:
    trace = check_trace(np.linspace(1, 10, 50), rate_hz=50)
    assert np.isnan(trace.before_kN) and np.isnan(trace.noise_kN)
    assert "zero of the cell cannot be checked" in said(trace, "info")


def test_quiet_stretch_ends_where_a_slow_pull_begins() -> None:
    """Two quiet seconds, then 0.5 kN/s: the ramp must not count as noise."""
    t = np.arange(0, 22, 0.01)
    f = np.clip(t - 2, 0, None) * 0.5 + np.random.default_rng(1).normal(0, 0.004, t.size)
    assert check_trace(f, t).noise_kN == pytest.approx(0.004, rel=0.3)


def test_negative_loading_is_turned_and_recorded() -> None:
    t, f = pull()
    trace = check_trace(-f, t)
    np.testing.assert_array_equal(trace.force_kN, f)
    assert "all forces were turned to positive" in said(trace)
    kept = check_trace(-f + 0.0, t, sign=-1)
    assert "turned" not in said(kept)


@pytest.mark.parametrize("limit", [4.0, 8.0, 9.5])
def test_a_cut_top_is_found(limit: float) -> None:
    t, f = pull()
    trace = check_trace(np.minimum(f, limit), t)
    assert trace.clipped
    assert f"samples stand at exactly {limit:.5g} kN, entered at full slope. The true peak is higher" in said(
        trace, "error"
    )


def test_capacity_reached_is_clipping() -> None:
    t, f = pull()
    trace = check_trace(f, t, capacity_kN=float(f.max()))
    assert trace.clipped and "reaches the stated capacity" in said(trace, "error")
    assert not check_trace(f, t, capacity_kN=50).clipped


def test_a_coarse_indicator_is_not_clipping() -> None:
    """Coarse steps make equal samples on a rounded crest of any width."""
    for width in (8, 20, 60, 200, 700):
        for step in (0.01, 0.05, 0.2, 0.5):
            f = np.concatenate([np.zeros(30), 10.03 * np.sin(np.pi * (np.arange(width) + 0.3) / width), np.zeros(30)])
            assert not check_trace(np.round(f / step) * step, rate_hz=1000).clipped, (width, step)


def test_gap_is_named_with_its_length_and_place() -> None:
    t, f = pull()
    keep = (t < 0.45) | (t > 0.55)
    trace = check_trace(f[keep], t[keep])
    assert "1 gap(s) in the record, the longest 0.102 s" in said(trace) and "after 0.449 s" in said(trace)
    assert trace.rate_hz == pytest.approx(RATE, rel=1e-6)


def test_repeated_and_backward_stamps_are_named_and_keep_file_order() -> None:
    t, f = pull()
    t[100] = t[99]
    t[700] = t[698] - 0.0005
    trace = check_trace(f, t)
    assert "sample 101, 0.099 s: 1 stamp(s) repeat" in said(trace)
    assert "sample 701, 0.6975 s: The time steps back by 0.0015 s" in said(trace)
    np.testing.assert_array_equal(trace.force_kN, f)
    assert (np.diff(trace.time_s) >= 0).all()


def test_too_many_backward_stamps_are_refused() -> None:
    t, f = pull()
    t[1::10] -= 0.002
    with pytest.raises(TableError, match="stamps step back, the first at sample"):
        check_trace(f, t)


def test_rounded_stamps_do_not_bias_the_rate() -> None:
    """3 kHz stamped to the millisecond has only steps of 0 and 1 ms: refused; 300 Hz so stamped reads 300 Hz."""
    f = np.sin(np.arange(3000) / 200) ** 2 * 8
    with pytest.raises(TableError, match=r"about 3\d\d\d Hz on average"):
        check_trace(f, np.floor(np.arange(3000) / 3) / 1000)
    assert check_trace(f, np.floor(np.arange(3000) / 0.3) / 1000).rate_hz == pytest.approx(300, rel=2e-3)


def test_several_events_are_counted() -> None:
    f = pull()[1]
    trace = check_trace(np.concatenate([f, 0.6 * f, 0.05 * f]), rate_hz=RATE)
    assert len(trace.events) == 2
    assert trace.events[1].peak_kN == pytest.approx(0.6 * trace.events[0].peak_kN)
    assert "The record holds 2 events" in said(trace)


def test_stated_rate_against_stamps(tmp_path: Path) -> None:
    t, f = pull()
    rows = "".join(f"{a:.3f},{b}\n" for a, b in zip(t, f, strict=True))
    file = tmp_path / "a.csv"
    file.write_text("Sample rate: 2000 Hz\nTime [s],Load [kN]\n" + rows)
    trace = read_trace(file)
    assert trace.rate_hz == pytest.approx(1000) and trace.stated_rate_hz == 2000
    assert "stated 2000 Hz: The stamps show 1000 Hz; the stamps are used" in said(trace)
    passed = read_trace(file, columns={"time": None})
    assert passed.rate_hz == 2000 and "No stamps used" in said(passed, "info")
    given = read_trace(file, columns={"time": None}, rate_hz=1000)
    assert given.rate_hz == 1000 and "rate_hz=1000 was given and is used" in said(given)


def test_record_chosen_where_the_time_starts_again(tmp_path: Path) -> None:
    t, f = pull()
    rows = "".join(f"{a:.3f},{b}\n" for a, b in zip(t, f, strict=True))
    again = "".join(f"{a:.3f},{0.5 * b}\n" for a, b in zip(t, f, strict=True))
    file = tmp_path / "two.csv"
    file.write_text("Time [s],Load [kN]\n" + rows + again)
    second = read_trace(file, record=2)
    np.testing.assert_allclose(second.force_kN, 0.5 * f)
    assert "Record 2 of 2 chosen" in said(second, "info") and "line 1002" in said(second, "info")
    with pytest.raises(TableError, match="holds 2 record"):
        read_trace(file, record=3)


@pytest.mark.parametrize(
    ("factor", "words"),
    [(1.06, "The instrument's own peak lies 6.0% above"), (0.5, "stays below the highest sample"), (1.0, "")],
)
def test_peak_hold_column_is_compared(tmp_path: Path, factor: float, words: str) -> None:
    t, f = pull()
    hold = np.maximum.accumulate(f) * factor
    rows = "".join(f"{a:.3f},{b},{c!r}\n" for a, b, c in zip(t, f, hold.tolist(), strict=True))
    file = tmp_path / "hold.csv"
    file.write_text("Time [s],Load [kN],Peak hold [kN]\n" + rows)
    trace = read_trace(file)
    assert trace.peak_hold_kN == pytest.approx(f.max() * factor)
    assert (words in said(trace)) if words else said(trace) == ""


def test_a_force_that_never_falls_looks_like_peak_hold() -> None:
    t, f = pull(noise=0.0)
    assert "looks like a peak-hold column" in said(check_trace(np.maximum.accumulate(f), t))


def test_rate_and_capacity_from_the_preamble(tmp_path: Path) -> None:
    file = tmp_path / "p.csv"
    file.write_text(
        "Capacity: 5,000 lbf\nSample rate: many Hz 7\nRange: 50 kg\nTime [ms],Load [kN]\n0,0\n1,5\n2,1\n3,0\n"
    )
    trace = read_trace(file)
    assert trace.capacity_kN == pytest.approx(5000 * 4.4482216152605e-3)
    assert "Not used: 'kg' names a mass" in said(trace)
