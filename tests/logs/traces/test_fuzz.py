"""Generated traces, written in every way and disturbed: the same numbers come back, or the file is refused."""
# ruff: noqa: E501 - lists of ways to write a number

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from lowtail import LowtailError
from lowtail.trace import append_to_log, read_trace, trace_rows

UNITS = {"kN": 1.0, "N": 1e-3, "daN": 1e-2, "lbf": 4.4482216152605e-3, "kgf": 9.80665e-3}
quick = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


@st.composite
def written(draw: st.DrawFn) -> tuple[bytes, dict[str, object], np.ndarray, float]:
    """A force-time file, the options it needs, the loads in kN that it states and its rate."""
    n = draw(st.integers(12, 60))
    unit = draw(st.sampled_from(sorted(UNITS)))
    digits = draw(st.integers(0, 4))
    top = draw(st.floats(1.0, 30.0)) / UNITS[unit]
    shape = np.sin(np.linspace(0, np.pi, n)) ** draw(st.integers(1, 6))
    values = np.round(top * shape, digits)
    values[n // 2] = np.round(top, digits) + 1.0
    rate = draw(st.sampled_from([10.0, 100.0, 1000.0, 4000.0]))
    milli = draw(st.booleans())
    stamps = np.arange(n) / rate * (1000 if milli else 1)
    decimal, sep = draw(
        st.sampled_from([(".", ","), (".", ";"), (",", ";"), (",", "\t"), (".", "\t"), (".", "|"), (",", " ")])
    )
    blank = draw(st.sampled_from(["", " ", "  "])) if sep not in (" ", "\t") else ""
    cells = [[f"{t:.6f}", f"{v:.{digits}f}"] for t, v in zip(stamps, values, strict=True)]
    head = [draw(st.sampled_from(["Time", "TIME", "t", "Elapsed time"])) + (" [ms]" if milli else " [s]"),
            draw(st.sampled_from(["Load", "FORCE", "tension"])) + draw(st.sampled_from([" [{}]", " ({})", "({})"])).format(unit)]  # fmt: skip
    if draw(st.booleans()):
        head, cells = head[::-1], [c[::-1] for c in cells]
    if sep == " ":
        head = [h.replace(" time", "").replace(" [", "[").replace(" (", "(") for h in head]
    lines = draw(
        st.lists(st.sampled_from(["Rig: north", "INVENTED", "", "Operator;x", "Date: 2026-05-03"]), max_size=4)
    )
    lines += [sep.join(head)] + [(blank + sep + blank).join(c).replace(".", decimal) for c in cells]
    lines += [""] * draw(st.integers(0, 2))
    end = draw(st.sampled_from(["\n", "\r\n"]))
    encoding = draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]))
    # a file of whole numbers leaves the decimal mark open; no choice is needed for it
    return (end.join(lines) + end).encode(encoding), {}, values * UNITS[unit], rate


@quick
@given(written())
def test_the_same_samples_come_back(case: tuple[bytes, dict[str, object], np.ndarray, float]) -> None:
    raw, options, force, rate = case
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "trace.txt"
        file.write_bytes(raw)
        trace = read_trace(file, **options)  # type: ignore[arg-type]
    np.testing.assert_allclose(trace.force_kN, force, rtol=1e-14)
    assert trace.rate_hz == pytest.approx(rate, rel=1e-3)


@settings(max_examples=150, deadline=None)
@given(written(), st.data())
def test_a_disturbed_file_is_refused_or_reads_the_same_elsewhere(
    case: tuple[bytes, dict[str, object], np.ndarray, float], data: st.DataObject
) -> None:
    """One byte changed, taken out or put in: no exception outside the tree, and no sample appears from nowhere."""
    raw = bytearray(case[0])
    at = data.draw(st.integers(0, len(raw) - 1))
    what = data.draw(st.sampled_from(["change", "delete", "insert"]))
    byte = data.draw(st.sampled_from(b"0,.;\t \n-eNaX\"'\x00\xff:"))
    if what == "change":
        raw[at] = byte
    elif what == "delete":
        del raw[at]
    else:
        raw.insert(at, byte)
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "trace.txt"
        file.write_bytes(bytes(raw))
        try:
            trace = read_trace(file)
        except LowtailError:
            return
    assert np.isfinite(trace.force_kN).all() and abs(trace.n - case[2].size) <= 1


@settings(max_examples=150, deadline=None)
@given(
    st.one_of(
        st.binary(max_size=400),
        st.text(alphabet='0123456789.,;:\t \n-+eE"kNsTime[]()Load', max_size=400).map(str.encode),
    )
)
def test_any_bytes_end_in_a_clear_error_or_a_trace(raw: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "trace.csv"
        file.write_bytes(raw)
        for options in ({}, {"unit": "kN", "rate_hz": 100.0, "time_unit": "s"}, {"columns": {"force": 1, "time": None}, "unit": "N", "rate_hz": 5.0}):  # fmt: skip
            try:
                trace = read_trace(file, **options)  # type: ignore[arg-type]
            except LowtailError:
                continue
            assert np.isfinite(trace.force_kN).all()


@settings(max_examples=150, deadline=None)
@given(
    value=st.floats(-1e6, 1e6, allow_nan=False),
    form=st.sampled_from(["{:.0f}", "{:.2f}", "{:.4f}", "{!r}", "{:.3e}", "{:,.2f}", "+{:.2f}", "{:.2f} kN", "'{:.2f}", "{:_.2f}", "({:.2f})", "{:.2f}-", "≈{:.1f}"]),
    decimal=st.sampled_from([".", ","]),
)  # fmt: skip
def test_every_number_reads_as_meant_or_is_refused(value: float, form: str, decimal: str) -> None:
    """For every number and way of writing: read value == intended value, or the cell is refused."""
    cell = form.format(value)
    intended = float(cell.replace(",", "").replace(" kN", "").replace("_", "").strip("'()-≈+") or 0)
    if cell.lstrip("+'(≈").startswith("-"):
        intended = -intended
    if decimal == ",":
        cell = cell.translate(str.maketrans(".,", ",."))
    rows = "".join(f"{i};{v}\n" for i, v in enumerate(["0.5", "1.25", "9.75", "2.5"])).replace(".", decimal)
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "trace.csv"
        file.write_text(f"Time [ms];Load [kN]\n{rows}4;{cell}\n5;{str(0.5).replace('.', decimal)}\n", encoding="utf-8")
        try:
            trace = read_trace(file, sign=1)
        except LowtailError:
            return
    assert trace.n == 6
    assert trace.force_kN[4] == intended


def test_a_generated_trace_goes_into_a_log_and_comes_back(tmp_path: Path) -> None:
    force = np.concatenate([np.zeros(40), np.linspace(0, 8.123, 400), np.zeros(60)])
    file = tmp_path / "A-1.csv"
    file.write_text("Time [s],Load [kN]\n" + "".join(f"{i / 100},{f:.6f}\n" for i, f in enumerate(force)))
    log = tmp_path / "log.csv"
    assert append_to_log(trace_rows([file]), log) is None
    assert ",8.123," in log.read_text()
