"""The peak of a record against pulses whose truth is known, because it was put in."""

from __future__ import annotations

import json
import warnings
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import lowtail as lt
from lowtail import InputError, LowtailWarning, NoAnswerError
from lowtail.glossary import RESULTS
from lowtail.trace import (
    LoadCell,
    PeakLoad,
    Trace,
    check_trace,
    peak_load,
    read_trace,
    under_read_crest,
    under_read_flank,
)

TRACES = Path(__file__).parents[3] / "data" / "traces"


def quiet_peak(trace: Trace, **options: object) -> PeakLoad:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", LowtailWarning)
        return peak_load(trace, **options)  # type: ignore[arg-type]


def pulse(rate: float, width: float, share: float | None, phase: float = 0.0, crest: float = 20.0) -> Trace:
    """Half-sine of a width in s, whole or broken off at a share of the crest, with 40 quiet samples on both sides."""
    n = int(np.ceil(width * rate)) + 80
    t = (np.arange(n) - 40 + phase) / rate
    force = np.where((t > 0) & (t < width), crest * np.sin(np.pi * t / width), 0.0)
    if share is not None:
        force = np.where(t < np.arcsin(share) / np.pi * width, force, 0.0)
    return check_trace(force, np.arange(n) / rate, name="pulse")


@pytest.mark.parametrize("count", [10, 12, 20, 50, 200, 1000])
def test_whole_pulse(count: int) -> None:
    """Width, verdict and worst under-read of an unbroken half-sine at every phase."""
    for phase in np.linspace(0, 0.95, 8):
        peak = quiet_peak(pulse(1000.0, count / 1000, None, phase))
        assert peak.broke_after is False or (count == 10 and peak.broke_after is None)
        assert peak.width_ms == pytest.approx(count, rel=0.06)
        worst = under_read_crest(1000, count)[0]
        assert 20.0 * (1 - worst) - 1e-9 <= peak.peak_kN <= 20.0
        assert peak.peak_kN + 1.2 * peak.under_read_worst_kN >= 20.0
        assert peak.crest_worst == pytest.approx(worst, rel=0.15)


@pytest.mark.parametrize("share", [0.3, 0.6, 0.8, 0.95])
@pytest.mark.parametrize("count", [16, 20, 50, 200, 1000])
def test_break_on_the_rising_flank(share: float, count: int) -> None:
    """A break is seen at every phase, and the band above the reading reaches the true load at break."""
    true = 20.0 * share
    for phase in np.linspace(0, 0.95, 8):
        peak = quiet_peak(pulse(1000.0, count / 1000, share, phase))
        assert peak.broke_after is not False
        if count >= 50:
            assert peak.broke_after is True
        assert peak.peak_kN <= true
        assert peak.peak_kN + peak.under_read_worst_kN >= true * (1 - 2e-3)
        if count >= 50:  # the half-sine found from the rise alone is the one that was put in
            worst = under_read_flank(1000, count, share)[0]
            assert 0.9 * worst <= peak.flank_worst <= 1.35 * worst + 1e-3


@settings(max_examples=60, deadline=None)
@given(
    rate=st.floats(500, 20_000),
    width=st.floats(0.02, 0.2),
    share=st.floats(0.2, 0.97),
    phase=st.floats(0, 0.99),
    crest=st.floats(0.5, 80),
)
def test_the_band_reaches_the_truth(rate: float, width: float, share: float, phase: float, crest: float) -> None:
    """Whatever the rate, width, share and phase: reading <= load at break <= reading + worst under-read."""
    if rate * width * np.arcsin(share) / np.pi < 4:
        return
    peak = quiet_peak(pulse(rate, width, share, phase, crest))
    true = crest * share
    assert peak.peak_kN <= true * (1 + 1e-12)
    assert peak.peak_kN + peak.under_read_worst_kN >= true * (1 - 5e-3)


def test_unit_of_force_scales_the_peak_and_nothing_else() -> None:
    trace = pulse(2000.0, 0.05, 0.8, 0.3)
    one = quiet_peak(trace)
    two = quiet_peak(check_trace(np.asarray(trace.force_kN) * 4.5, trace.time_s, name="pulse"))
    assert two.peak_kN == pytest.approx(4.5 * one.peak_kN)
    assert two.under_read_worst_kN == pytest.approx(4.5 * one.under_read_worst_kN)
    assert two.width_ms == pytest.approx(one.width_ms) and two.flank_worst == pytest.approx(one.flank_worst)
    assert two.loading_rate_kN_per_s == pytest.approx(4.5 * one.loading_rate_kN_per_s)


def test_few_samples_cannot_tell_a_break() -> None:
    """Three samples in a whole pulse: a fall in one step, but nothing says that it was a break."""
    t = np.arange(60) / 100
    force = np.where((t > 0.298) & (t < 0.328), 9.0 * np.sin(np.pi * (t - 0.298) / 0.030), 0.0)
    peak = quiet_peak(check_trace(force, t))
    assert peak.broke_after is not True
    assert "sampling cannot tell a break" in "; ".join(peak.notes) or peak.broke_after is False


def ramp(rate: float = 0.8, at: float = 12.0, hz: float = 100.0, noise: float = 0.0) -> Trace:
    t = np.arange(0, 4 + at / rate + 3, 1 / hz)
    force = np.clip(t - 3, 0, None) * rate
    force[force > at] = 0.0
    return check_trace(force + np.random.default_rng(2).normal(0, noise, t.size) if noise else force, t, name="ramp")


def test_slow_ramp_to_a_break() -> None:
    peak = peak_load(ramp())
    assert peak.broke_after is True
    assert peak.loading_rate_kN_per_s == pytest.approx(0.8, rel=1e-6)
    assert peak.rise_ms == pytest.approx(1000 * 0.6 * 12 / 0.8, rel=0.01)
    assert peak.ramp_worst_kN == pytest.approx(0.8 / 100, rel=0.02)
    assert peak.under_read_worst_kN == pytest.approx(0.8 / 100, rel=0.05)
    assert peak.under_read_kN == pytest.approx(0.8 / 200, rel=0.05)
    assert peak.method_hint == "slow pull suggested by 0.8 kN/s between 20 and 80 % of the peak, not assigned"


def test_noise_on_a_slow_ramp_lifts_the_peak_by_about_what_is_said() -> None:
    """60 records: the mean reading lies above the last true load by the lift, less the mean step to the break."""
    lifts, said = [], []
    for seed in range(60):
        t = np.arange(0, 12, 0.01)
        true = np.clip(t - 2, 0, None) * 1.0
        true[true > 8.005] = 0.0
        trace = check_trace(true + np.random.default_rng(seed).normal(0, 0.03, t.size), t)
        peak = peak_load(trace)
        lifts.append(peak.peak_kN - 8.0)
        said.append(peak.noise_lift_kN)
    assert np.mean(said) == pytest.approx(np.mean(lifts), abs=0.01)


def test_rate_is_robust_against_a_ratchet() -> None:
    """A hand winch: 0.5 s of pulling at 1 kN/s, 0.5 s of rest; the rate over all is 0.5 kN/s."""
    t = np.arange(0, 30, 0.01)
    wave = np.floor(t) * 0.5 + np.minimum(t % 1.0, 0.5)
    force = np.where(t > 2, wave - 1.0, 0.0)
    force[force > 12] = 0.0
    assert peak_load(check_trace(force, t)).loading_rate_kN_per_s == pytest.approx(0.5, rel=0.05)


def test_slow_release_is_no_break() -> None:
    t = np.arange(0, 30, 0.01)
    force = np.interp(t, [0, 2, 12, 15, 20, 30], [0, 0, 10, 10, 0, 0])
    peak = peak_load(check_trace(force, t))
    assert peak.broke_after is False
    assert peak_load(check_trace(force, t), within_ms=6000).broke_after is True


def test_stated_time_and_share_rule_the_break() -> None:
    trace = pulse(5000.0, 0.06, None)
    assert peak_load(trace).broke_after is False
    assert peak_load(trace, within_ms=30, fall_share=0.9).broke_after is True
    assert peak_load(trace, within_ms=1).broke_after is False


def test_record_that_ends_at_the_peak_cannot_tell() -> None:
    peak = quiet_peak(check_trace(np.concatenate([np.zeros(30), np.linspace(0, 9, 50)]), rate_hz=100))
    assert peak.broke_after is None and "whether a break followed is not clear" in str(peak)


def test_hint_between_slow_and_shock() -> None:
    t = np.arange(0, 4, 0.001)
    force = np.interp(t, [0, 1, 2, 2.5, 4], [0, 0, 10, 0, 0])
    assert peak_load(check_trace(force, t)).method_hint.startswith("neither slow pull nor shock suggested by 10 kN/s")
    assert peak_load(pulse(10_000.0, 0.02, None)).method_hint.startswith("shock suggested by ")


def test_fewer_than_8_samples_near_the_peak_warn() -> None:
    """Half-sine above 90 % of its crest: 28.7 % of its width (from its own formula, acos(0.9) 2 / pi)."""
    with pytest.warns(LowtailWarning, match=r"only [67] sample\(s\) lie above 90 % of the peak, fewer than 8"):
        peak = peak_load(pulse(1000.0, 0.022, None, 0.5))
    assert "fewer than 8" in peak.notes[0]
    assert peak_load(pulse(1000.0, 0.040, None)).n_above_90 in (11, 12)


def test_uncertainty_budget() -> None:
    """25 kN on a 50 kN cell of 0.5 % with calibration 0.3 % (k = 2), 0.01 kN steps, 1 kHz, half-sine of 20 ms.

    By JCGM 100:2008 (from memory): rectangular half-width over sqrt 3, step over sqrt 12, expanded over k, root of the
    sum of squares: 0.1443, 0.0375, 0.0029 and 0.0230 kN make 0.151 kN; twice that is 0.30 kN.
    """
    t = np.arange(160) / 1000
    force = np.where((t > 0.05) & (t < 0.07), 25 * np.sin(np.pi * (t - 0.05) / 0.02), 0.0)
    cell = LoadCell(capacity_kN=50, error_limit=0.005, calibration=0.003, resolution_kN=0.01)
    with pytest.warns(LowtailWarning):
        peak = peak_load(check_trace(force, t), cell=cell)
    assert peak.u_cell_kN == pytest.approx(0.1443, abs=5e-5)
    assert peak.u_calibration_kN == pytest.approx(0.0375, abs=5e-5)
    assert peak.u_resolution_kN == pytest.approx(0.0029, abs=5e-5)
    assert peak.u_sampling_kN == pytest.approx(0.0230, abs=2e-4)
    assert peak.u_kN == pytest.approx(0.151, abs=5e-4)
    assert peak.expanded_kN == pytest.approx(0.30, abs=5e-3)
    assert peak.under_read_kN == pytest.approx(0.026, abs=5e-4)
    table = peak.budget()
    assert list(table.columns) == ["source", "taken_as", "u_kN"]
    assert np.sqrt((table["u_kN"][:6] ** 2).sum()) == pytest.approx(table["u_kN"][6])


def test_without_a_cell_the_budget_says_what_it_leaves_out() -> None:
    peak = peak_load(ramp(noise=0.01))
    assert np.isnan(peak.u_cell_kN) and "leaves out the larger part" in "; ".join(peak.notes)
    assert peak.u_noise_kN == pytest.approx(0.01, rel=0.2)


def test_drift_is_taken_from_the_record() -> None:
    t = np.arange(0, 30, 0.01)
    force = np.interp(t, [0, 2, 12, 15, 20, 30], [0, 0, 10, 10, 0.3, 0.3])
    force += np.random.default_rng(8).normal(0, 0.01, t.size)
    assert peak_load(check_trace(force, t)).u_drift_kN == pytest.approx(0.3 / np.sqrt(3), rel=0.05)


def test_filter_keeps_both_values() -> None:
    """A 60 ms pulse passes class 180 whole; a 2 kHz ringing on it does not.

    The ringing has 10 samples a period, so its own crest of 2 kN may be missed by 1 - cos(pi / 10) = 4.9 %: 0.098 kN.
    """
    trace = pulse(20_000.0, 0.06, None)
    ringing = np.asarray(trace.force_kN) * (1 + 0.1 * np.sin(2 * np.pi * 2000 * np.asarray(trace.time_s)))
    peak = quiet_peak(check_trace(ringing, trace.time_s), cfc=180)
    assert peak.cfc == 180
    assert peak.peak_kN == pytest.approx(22.0 - 0.05, abs=0.05)
    assert peak.peak_filtered_kN == pytest.approx(20.0, rel=2e-3)
    plain = peak_load(trace)
    assert plain.cfc is None and np.isnan(plain.peak_filtered_kN)


def test_filter_refuses_a_gap_and_a_slow_rate() -> None:
    trace = pulse(20_000.0, 0.06, None)
    keep = np.ones(trace.n, dtype=bool)
    keep[600:640] = False
    gappy = check_trace(trace.force_kN[keep], trace.time_s[keep])
    with pytest.raises(NoAnswerError, match="has a gap in or near the event at"):
        peak_load(gappy, cfc=180)
    with pytest.raises(InputError, match="at least 600 samples a second"):
        peak_load(ramp(), cfc=60)


def test_clipped_peak_is_not_usable() -> None:
    trace = pulse(5000.0, 0.06, None)
    peak = peak_load(check_trace(np.minimum(trace.force_kN, 15.0), trace.time_s, name="pulse"))
    assert peak.clipped and peak.unusable.startswith("the top is cut off")
    assert "peak at least 15 kN" in str(peak)
    assert "Do not use this number" in peak._repr_html_()


def test_a_pulse_shorter_than_the_sampling_is_not_usable() -> None:
    force = np.zeros(60)
    force[30] = 4.0
    peak = quiet_peak(check_trace(force, rate_hz=100))
    assert peak.broke_after is None
    assert peak.under_read_worst_kN == np.inf
    assert peak.unusable == "the load rose within one sampling interval; the true peak may be any higher load."


def test_event_is_chosen_by_number() -> None:
    first, second = pulse(5000.0, 0.06, None), pulse(5000.0, 0.06, 0.8)
    trace = check_trace(np.concatenate([first.force_kN, second.force_kN]), rate_hz=5000)
    assert peak_load(trace).event == 1 and "highest of 2 events" in peak_load(trace).notes
    other = peak_load(trace, event=2)
    assert other.event == 2 and other.broke_after is True and other.peak_kN == pytest.approx(16, rel=0.01)
    with pytest.raises(InputError, match="`event` must be a number from 1 to 2 for trace 'trace', got 3"):
        peak_load(trace, event=3)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"fall_share": 1.2}, "`fall_share` must lie between 0.1 and 1"),
        ({"within_ms": 0}, "`within_ms` must be finite and greater than 0, got 0"),
        ({"cfc": 300}, "`cfc` must be one of 60, 180, 600, 1000"),
    ],
)
def test_arguments(options: dict[str, object], words: str) -> None:
    with pytest.raises(InputError, match=words):
        peak_load(pulse(20_000.0, 0.06, None), **options)  # type: ignore[arg-type]


def test_load_cell_arguments() -> None:
    with pytest.raises(InputError, match="must be a Trace"):
        peak_load([1, 2, 3])  # type: ignore[arg-type]
    with pytest.raises(InputError, match=r"`error_limit` is a share, got 0.5. Write 0.5 % as 0.005"):
        LoadCell(capacity_kN=50, error_limit=0.5)
    with pytest.raises(InputError, match="`capacity_kN` must be greater than 0, got 0"):
        LoadCell(capacity_kN=0, error_limit=0.005)
    with pytest.raises(InputError, match="`drift_kN` must be finite and not negative"):
        LoadCell(capacity_kN=5, error_limit=0.005, drift_kN=-1)


def test_every_field_stands_in_the_glossary() -> None:
    trace = pulse(5000.0, 0.06, None)
    for record in (trace, peak_load(trace)):
        assert set(record.to_frame().columns) <= {*RESULTS, "events"}


def test_demo_traces_hold_their_known_truth() -> None:
    """The invented traces of data/traces: the reading and its band against the peak that the generator put in."""
    truth = json.loads((TRACES / "truth.json").read_text(encoding="utf-8"))
    for name, entry in truth.items():
        if name == "note":
            continue
        trace = lt.trace.read_trace(TRACES / name)
        peak = quiet_peak(trace)
        assert peak.broke_after is entry["broke"], name
        zero = trace.before_kN
        slack = 4 * trace.noise_kN
        net = peak.peak_kN - zero
        assert net - slack <= entry["true_peak_kN"] <= net + peak.under_read_worst_kN + slack, name
    slow = quiet_peak(lt.trace.read_trace(TRACES / "drop_too_slow_D12.txt"))
    assert slow.peak_kN < 0.9 * 18.30  # more than a tenth of the load at break was missed


def test_demo_traces_are_what_the_generator_writes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import importlib.util

    spec = importlib.util.spec_from_file_location("make_park_traces", TRACES.parent / "make_park_traces.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    monkeypatch.setattr(module, "FOLDER", tmp_path)
    module.main()
    for file in tmp_path.iterdir():
        assert file.read_bytes() == (TRACES / file.name).read_bytes(), file.name
        assert file.stat().st_size < 300_000


def test_read_trace_is_public() -> None:
    assert lt.trace.read_trace is read_trace and lt.trace.peak_load is peak_load
