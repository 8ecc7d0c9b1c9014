"""Force-time files as instruments write them: read right, or refused with the place and the remedy."""
# ruff: noqa: E501 - one messy file a line reads better than the same text broken up

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from lowtail import InputError, LowtailError, TableError
from lowtail.trace import Trace, check_trace, read_trace

FORCE = [0.0, 0.5, 2.25, 6.5, 9.75, 4.0, 0.5, 0.0]
MS = [0, 1, 2, 3, 4, 5, 6, 7]


def put(tmp_path: Path, text: str | bytes, name: str = "pull.csv") -> Path:
    file = tmp_path / name
    file.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8"))
    return file


def table(
    header: str, unit: float = 1.0, time: float = 1.0, sep: str = ",", decimal: str = ".", end: str = "\n"
) -> str:
    rows = [
        f"{t * time:.10g}|{f * unit!r}".replace(".", decimal).replace("|", sep) for t, f in zip(MS, FORCE, strict=True)
    ]
    return end.join([header, *rows]) + end


def said(trace: Trace, level: str = "warning") -> str:
    rows = trace.findings[trace.findings["level"] == level]
    return " | ".join(rows["got"] + ": " + rows["message"])


def same(trace: Trace, rate: float = 1000.0) -> None:
    np.testing.assert_allclose(trace.force_kN, FORCE, rtol=1e-12, atol=1e-15)
    assert trace.rate_hz == pytest.approx(rate, rel=1e-9)


# one exact newton, pound-force and so on: NIST SP 811 (2008), Appendix B.8; the kilogram-force is 9.80665 N exactly
UNITS = {"kN": 1.0, "N": 1e3, "daN": 100.0, "MN": 1e-3, "lbf": 1e3 / 4.4482216152605, "kip": 1 / 4.4482216152605,
         "kgf": 1e3 / 9.80665, "tf": 1 / 9.80665, "ozf": 16e3 / 4.4482216152605}  # fmt: skip


@pytest.mark.parametrize("unit", UNITS)
@pytest.mark.parametrize(
    "style", ["Load [{}]", "Force ({})", "Load, {}", "Force/{}", "load_{}", "Load in {}", "Tension {}"]
)
def test_every_unit_in_every_usual_header(tmp_path: Path, unit: str, style: str) -> None:
    header = style.format(unit)
    sep = ";" if "," in header else ","
    rows = [f"{t / 1000}{sep}{f * UNITS[unit]!r}" for t, f in zip(MS, FORCE, strict=True)]
    trace = read_trace(put(tmp_path, "\n".join([f"Time [s]{sep}{header}", *rows]) + "\n"))
    same(trace)


@pytest.mark.parametrize("sep", [",", ";", "\t", "|", "  "])
@pytest.mark.parametrize("decimal", [".", ","])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_delimiters_decimals_line_ends(tmp_path: Path, sep: str, decimal: str, end: str) -> None:
    if sep == decimal:
        pytest.skip("a comma cannot be both")
    same(read_trace(put(tmp_path, table(f"Time (ms){sep}Force (kN)", sep=sep, decimal=decimal, end=end))))


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le-bom", "cp1252", "latin-1"])
def test_encodings(tmp_path: Path, encoding: str) -> None:
    text = "Prüfstand; Größe\n" + table("Time [ms];Force [kN]", sep=";", decimal=",")
    raw = b"\xff\xfe" + text.encode("utf-16-le") if encoding == "utf-16-le-bom" else text.encode(encoding)
    same(read_trace(put(tmp_path, raw)))


READ: list[tuple[str, str, dict[str, object]]] = [
        ("preamble", "Rig: north\nDate: 2026-05-03\n\n" + table("Time [ms],Load [kN]"), {}),
        ("comment marks", "# rig\n# date\n" + table("# Time [ms],Load [kN]"), {}),
        ("row of units below", table("Time;Load\nms;kN", sep=";"), {}),
        ("row of units in brackets", table("Time\tLoad\n[ms]\t[kN]", sep="\t"), {}),
        ("unit in the preamble", "Units: kN\n" + table("Time [ms],Load"), {}),
        ("unit declared", table("Time [ms],Load"), {"unit": "kN"}),
        ("bare kg declared", table("Time [ms],Load [kg]", unit=1e3 / 9.80665), {"unit": "kgf"}),
        ("bare lb declared", table("Time [ms],Load (lbs)", unit=1e3 / 4.4482216152605), {"unit": "lbf"}),
        ("time unit declared", table("Time,Load [kN]"), {"time_unit": "ms"}),
        ("seconds", table("Time [s],Load [kN]", time=1e-3), {}),
        ("seconds without unit", table("Time,Load [kN]", time=1e-3), {}),
        ("ms settled by the stated rate", "Sample rate: 1000 Hz\n" + table("Time,Load [kN]"), {}),
        ("ms settled by the stated interval", "Sample interval: 1 ms\n" + table("Time,Load [kN]"), {}),
        ("microseconds", table("Time [µs],Load [kN]", time=1000), {}),
        ("no header", table("", time=1).lstrip(), {"columns": {"time": 1, "force": 2}, "unit": "kN", "time_unit": "ms"}),
        ("columns by name", table("x [ms],y [kN]"), {"columns": {"time": "x", "force": "y"}}),
        ("quoted cells", '"Time [ms]","Load [kN]"\n' + "".join(f'"{t}","{f}"\n' for t, f in zip(MS, FORCE, strict=True)), {}),
        (
            "quoted decimal commas",
            '"Time [ms]","Load [kN]"\n' + "".join(f'"{t}","{f}"\n'.replace(".", ",") for t, f in zip(MS, FORCE, strict=True)),
            {},
        ),
        ("trailing delimiter", table("Time [ms];Load [kN];", sep=";").replace("\n", ";\n").replace(";;", ";"), {}),
        ("trailing blank lines", table("Time [ms],Load [kN]") + "\n\n\n", {}),
        ("footer", table("Time [ms],Load [kN]") + "\nMaximum:,9.75\nend of record\n", {}),
        ("no end of line", table("Time [ms],Load [kN]").rstrip("\n"), {}),
        ("rate stated, no stamps", "Sampling rate = 1000 Hz\nLoad [kN]\n" + "".join(f"{f}\n" for f in FORCE), {}),
        ("rate stated in kHz", "Rate of sampling\nScan rate: 1 kHz\nLoad [kN]\n" + "".join(f"{f}\n" for f in FORCE), {}),
        ("thousands in the stated rate", "Sample rate: 1,000 Hz\nLoad [kN]\n" + "".join(f"{f}\n" for f in FORCE), {}),
        ("rate given, no stamps", "Load [kN]\n" + "".join(f"{f}\n" for f in FORCE), {"rate_hz": 1000}),
        ("one column, decimal comma", "Load [kN]\n" + "".join(f"{f:.2f}\n".replace(".", ",") for f in FORCE), {"rate_hz": 1000}),
        ("stamps passed over", table("Time [ms],Load [kN]"), {"columns": {"time": None}, "rate_hz": 1000}),
        ("exponents", "Time [s],Load [N]\n" + "".join(f"{t:.3e},{f * 1000:.6E}\n" for t, f in zip(np.array(MS) / 1e3, FORCE, strict=True)), {}),
        ("signs and bare points", "Time [ms],Load [kN]\n0,+.0\n1,.5\n2,+2.25\n3,6.5\n4,9.75\n5,4.\n6,.5\n7,-.0\n", {}),
        ("other columns", "No,Time [ms],Load [kN],Temp [°C],State\n" + "".join(f"{i},{t},{f},21.5,ok\n" for i, (t, f) in enumerate(zip(MS, FORCE, strict=True))), {}),
        ("ISO stamps", "Timestamp,Load [kN]\n" + "".join(f"2026-05-03T10:14:{59.996 + t / 1000 - 60 * (t > 3):06.3f},{f}\n".replace("10:14:00", "10:15:00") for t, f in zip(MS, FORCE, strict=True)), {}),
        ("clock with date and blanks", "Date time;Load [kN]\n" + "".join(f"03.05.2026 10:14:02,{t:03d};{f}\n".replace(".5", ",5").replace(".25", ",25").replace(".75", ",75").replace(".0\n", ",0\n") for t, f in zip(MS, FORCE, strict=True)), {}),
        ("minutes and seconds", "Clock,Load [kN]\n" + "".join(f"14:02.{t:03d},{f}\n" for t, f in zip(MS, FORCE, strict=True)), {}),
        ("afternoon", "Clock,Load [kN]\n" + "".join(f"2:14:02.{t:03d} PM,{f}\n" for t, f in zip(MS, FORCE, strict=True)), {}),
        ("past midnight", "Clock,Load [kN]\n" + "".join(f"{'23:59:59.' if t < 4 else '00:00:00.'}{(996 + t) % 1000:03d},{f}\n" for t, f in zip(MS, FORCE, strict=True)), {}),
        ("sign turned", table("Time [ms],Load [kN]", unit=-1).replace("-0\n", "0\n"), {}),
        ("sign given", table("Time [ms],Load [kN]", unit=-1), {"sign": -1}),
        ("doubled carriage returns", ("Rig\n" + table("Time [ms],Load [kN]")).replace("\n", "\r\r\n"), {}),
    ("form feed in the preamble", "Rig\x0cnorth\x1c\n" + table("Time [ms],Load [kN]"), {}),
    ("few rows", table("Time [ms],Load [kN]"), {}),
]  # fmt: skip


@pytest.mark.parametrize(("name", "text", "options"), READ, ids=[case[0] for case in READ])
def test_read_as_meant(tmp_path: Path, name: str, text: str, options: dict[str, object]) -> None:
    same(read_trace(put(tmp_path, text), **options))  # type: ignore[arg-type]


REFUSED: list[tuple[str, str, dict[str, object], str]] = [
        ("no unit", table("Time [ms],Load"), {}, r"states the unit of force. Say unit='kN'"),
        ("bare kg", table("Time [ms],Load [kg]"), {}, r"header: 'kg' names a mass, not a force"),
        ("bare lbs", table("Time [ms],Load [lbs]"), {}, r"unit='lbf'"),
        ("millinewton or mega", table("Time [ms],Load [mN]"), {}, r"millinewton or meganewton"),
        ("two units", table("Time [ms],Load [kN]"), {"unit": "lbf"}, r"states the unit 'kN', unit='lbf' was declared"),
        ("no unit of time", table("Time,Load [kN]"), {}, r"As seconds the rate would be 1 Hz, as milliseconds 1000 Hz"),
        ("strange unit of time", table("Time [ticks],Load [kN]"), {}, r"'ticks' is no unit of time"),
        ("time unit twice", table("Time [ms],Load [kN]"), {"time_unit": "s"}, r"gives time in 'ms', time_unit='s'"),
        ("no time, no rate", "Load [kN]\n" + "0\n1\n2\n1\n", {}, r"states no rate. Say rate_hz="),
        ("rate against stamps", table("Time [ms],Load [kN]"), {"rate_hz": 500}, r"rate_hz=500 was given, the stamps show 1000"),
        ("two columns of force", "Time [ms],Load [kN],Force [kN]\n0,1,2\n1,2,3\n2,3,4\n", {}, r"several columns of force: 'Load', 'Force'"),
        ("only peak-hold", "Time [ms],Peak [kN]\n0,1\n1,2\n2,3\n", {}, r"only a peak-hold column \('Peak'\)"),
        ("no force", "Time [ms],Temp\n0,1\n1,2\n2,3\n", {}, r"no column is plainly the force \(headers: 'Time', 'Temp'\)"),
        ("no such column", table("Time [ms],Load [kN]"), {"columns": {"force": "Kraft"}}, r"gives 'Kraft' for 'force'.*'Load \[kN\]'"),
        ("no such number", table("Time [ms],Load [kN]"), {"columns": {"force": 3}}, r"has columns 1 to 2"),
        ("comma twice", "Time [ms],Load [kN]\n0,0,1,5\n1,0,2,5\n2,0,9,5\n", {}, r"comma seems to be both delimiter and decimal mark"),
        ("unit cut off", "Force, kN\n0,5\n2,5\n9,5\n1,5\n", {"rate_hz": 10}, r"header cell 'kN' is only a unit"),
        ("comma without header", "0,5\n2,5\n9,5\n1,5\n0,5\n", {"rate_hz": 10, "unit": "kN", "columns": {"force": 1}}, r"more than one way"),
        ("decimal comma later on", table("Time [ms];Load [kN]", sep=";").replace("6.5", "6,5"), {}, r"line 5: '6,5' has a ',', while this file uses the decimal point"),
        ("thousands", "Time [ms];Load [N]\n0;0.5\n1;1,234.5\n2;3.5\n3;0.1\n", {}, r"line 3: '1,234.5' has a ','"),
        ("overload", table("Time [ms],Load [kN]").replace("9.75", "OVL"), {}, r"line 6: 'OVL' means that the cell was beyond its range"),
        ("overload at the end", "Time [ms],Load [kN]\n0,1\n1,20\n2,49\n3,OVL\n4,OVL\n", {}, r"'OVL' means that the cell was beyond"),
        ("overload at the end, one column", "Load [kN]\n0\n20\n49\n30\n9\nOL\nOL\n", {"rate_hz": 10}, r"line 7: 'OL' means that the cell was beyond"),
        ("other decimal at the end", "Load [kN]\n0\n20.5\n49.5\n30\n9\n6,5\n", {"rate_hz": 10}, r"the decimal mark is not clear. Say decimal="),
    ("nan at the end, one column", "Load [kN]\n0\n20\n49\n30\n9\n3\nnan\n", {"rate_hz": 10}, r"line 8: 'nan' is not a plain number"),
        ("empty cells at the end", "Time [ms],Load [kN]\n0,1\n1,20\n2,49\n3,4\n4,3\n5,\n6,\n", {}, r"line 7: the cell is empty"),
        ("empty cell", table("Time [ms],Load [kN]").replace("9.75", ""), {}, r"line 6: the cell is empty"),
        ("word", table("Time [ms],Load [kN]").replace("9.75", "abc"), {}, r"line 6: 'abc' is not a plain number"),
        ("not a number", table("Time [ms],Load [kN]").replace("9.75", "nan"), {}, r"line 6: 'nan' is not a plain number"),
        ("underscore", table("Time [ms],Load [kN]").replace("9.75", "9_75"), {}, r"'9_75' is not a plain number"),
        ("hexadecimal", table("Time [ms],Load [kN]").replace("9.75", "0x9"), {}, r"'0x9' is not a plain number"),
        ("infinite", table("Time [ms],Load [kN]").replace("9.75", "1e400"), {}, r"'1e400' is not a plain number"),
        ("too many cells", table("Time [ms],Load [kN]").replace("9.75", "9.75,3"), {}, r"the row has 3 cells, the table 2"),
        ("time never moves", "Time [ms],Load [kN]\n1,0\n1,2\n1,9\n1,0\n", {}, r"the time never moves on"),
        ("stamps too coarse", "Time [s],Load [kN]\n" + "".join(f"{i // 5},{i % 7}\n" for i in range(60)), {}, r"stamps repeat the one before, so they are coarser.*5\.\d+ Hz"),
        ("two records", "Time [ms],Load [kN]\n" + "".join(f"{t},{f}\n" for t, f in zip(MS, FORCE, strict=True)) * 2, {}, r"several records.*1: from line 2, 8 samples.*2: from line 10.*record=1, 2"),
        ("both directions", "Time [ms],Load [kN]\n0,0\n1,5\n2,-5\n3,4\n4,0\n", {}, r"reaches 5 and -5.*sign=1 or sign=-1"),
        ("no force at all", "Time [ms],Load [kN]\n0,0\n1,0\n2,0\n3,0\n", {}, r"the force never changes"),
        ("stray carriage return", table("Time [ms],Load [kN]").replace("3,6.5\n", "3,6.5\r"), {}, r"the row has 3 cells"),
    ("too short", "Time [ms],Load [kN]\n0,0\n1,5\n", {}, r"2 sample\(s\); at least 3"),
        ("no numbers", "hello\nworld\nthis is text\n", {}, r"holds no run of rows with numbers"),
        ("header only", "Time [ms],Load [kN]\n", {}, r"holds no run of rows with numbers"),
        ("no quiet stretch", table("Time [ms],Load [kN]"), {"zero": "quiet"}, r"has no quiet stretch"),
        ("impossible clock", "Clock,Load [kN]\n10:14:02.1,0\n10:14:02.2,5\n10:14:75.3,1\n10:14:02.4,0\n", {}, r"line 4: '10:14:75.3'"),
        ("two columns of time", "Time [s],Clock,Load [kN]\n0,10:00:00,1\n1,10:00:01,2\n2,10:00:02,3\n", {}, r"several columns of time: 'Time', 'Clock'"),
        ("many bad cells", "Time [ms],Load [kN]\n0,1\n1,2\n2,3\n3,3\n4,3\n5,3\n" + "6,x\n" * 30 + "7,1\n", {}, r"30 row\(s\) cannot be read \(10 more not listed\)"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "text", "options", "words"), REFUSED, ids=[case[0] for case in REFUSED])
def test_refused_with_the_place_and_the_remedy(
    tmp_path: Path, name: str, text: str, options: dict[str, object], words: str
) -> None:
    with pytest.raises(LowtailError, match=f"(?s){words}"):
        read_trace(put(tmp_path, text), **options)  # type: ignore[arg-type]


def test_bad_cells_are_listed_at_once(tmp_path: Path) -> None:
    text = table("Time [ms],Load [kN]").replace("2.25", "a").replace("9.75", "b")
    with pytest.raises(TableError) as caught:
        read_trace(put(tmp_path, text))
    assert [(c.cell, c.column, c.got) for c in caught.value.cells] == [("line 4", "Load", "a"), ("line 6", "Load", "b")]


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        (b"", "is empty"),
        (b"PK\x03\x04rest of a workbook", "not a text file.*Export it as CSV"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1 old workbook", "not a text file"),
        (b"\x1f\x8b\x08 zipped", "not a text file"),
        (b"Time,Load\n\x00\x01\x02", "not a text file"),
        (b"1" * 400_000, "no line end in its first 256 KB"),
    ],
)
def test_files_that_are_no_traces(tmp_path: Path, raw: bytes, words: str) -> None:
    with pytest.raises(TableError, match=words):
        read_trace(put(tmp_path, raw))


def test_paths_that_are_no_files(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="is a folder"):
        read_trace(tmp_path)
    with pytest.raises(InputError, match="cannot be opened"):
        read_trace(tmp_path / "missing.csv")
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(InputError, match="not an ordinary file"):
        read_trace(tmp_path / "pipe")
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    with pytest.raises(InputError, match="cannot be opened"):
        read_trace(tmp_path / "loop")
    with pytest.raises(InputError, match="cannot be opened"):
        read_trace("bad\0name.csv")


def test_a_sparse_file_ends_quickly(tmp_path: Path) -> None:
    """10 GB of zero bytes after a good start: refused at the first line of more than 1 MB."""
    file = put(tmp_path, table("Time [ms],Load [kN]") + "x" * 300_000)
    with file.open("r+b") as handle:
        handle.truncate(10 * 2**30)
    with pytest.raises(TableError, match=r"a line of more than 1 MB|not a text file"):
        read_trace(file)
    late = put(tmp_path, table("Time [ms],Load [kN]") + "8,0.0\n" * 60_000, "late.csv")
    with late.open("r+b") as handle:
        handle.truncate(10 * 2**30)
    with pytest.raises(TableError, match="a line of more than 1 MB"):
        read_trace(late)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"rate_hz": 0}, "`rate_hz` must be finite and greater than 0, got 0"),
        ({"capacity_kN": -1}, "`capacity_kN`"),
        ({"sign": 2}, "`sign` must be 1, -1 or None, got 2"),
        ({"zero": "auto"}, "`zero` must be 'quiet', a number or None, got 'auto'"),
        ({"zero": float("nan")}, "`zero` must be"),
        ({"decimal": ";"}, "`decimal` must be '.' or ','"),
        ({"time_unit": "d"}, "`time_unit` must be one of s, ms, us, min, got 'd'"),
        ({"columns": {"load": "x"}}, "may name 'time', 'force' and 'peak_hold', got 'load'"),
        ({"columns": {"force": 1.5}}, "mapping of words to words, whole numbers or None, or None, got 1.5 for 'force'"),
        ({"unit": "stone"}, "'stone' is not a force unit"),
        ({"record": 2}, "holds 1 record"),
    ],
)
def test_arguments(tmp_path: Path, options: dict[str, object], words: str) -> None:
    with pytest.raises(InputError, match=words):
        read_trace(put(tmp_path, table("Time [ms],Load [kN]")), **options)  # type: ignore[arg-type]


def test_check_trace_arguments() -> None:
    with pytest.raises(InputError, match="one row of 3 finite numbers"):
        check_trace([1, 2, float("nan")], rate_hz=1)
    with pytest.raises(InputError, match="`time_s` must be one row of 3"):
        check_trace([1, 2, 3], [0, 1])
    with pytest.raises(InputError, match="at least 3 samples, got 2"):
        check_trace([1, 2], rate_hz=1)
    with pytest.raises(TableError, match="Say rate_hz="):
        check_trace([1, 2, 3])


def test_a_footer_is_listed(tmp_path: Path) -> None:
    trace = read_trace(put(tmp_path, table("Time [ms],Load [kN]") + "Maximum:,9.75\n8\n"))
    assert trace.n == 8
    assert "Maximum:: Below the data: left aside" in said(trace)
    assert "The last row is cut off: left aside" in said(trace)


def test_no_number_is_changed_by_reading(tmp_path: Path) -> None:
    """Seventeen digits in, the same double out: the shortest text of a double reads back as that double."""
    rng = np.random.default_rng(7)
    force = np.abs(rng.normal(0, 10, 3000)) * 10.0 ** rng.integers(-12, 3, 3000)
    rows = "".join(f"{i},{v!r}\n" for i, v in enumerate(force.tolist()))
    trace = read_trace(put(tmp_path, "Time [ms],Load [kN]\n" + rows))
    np.testing.assert_array_equal(trace.force_kN, force)


def test_blocks_join_without_a_seam(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Small blocks, a bad cell far down: same numbers, the right line named."""
    from lowtail.logs.traces import blocks as trace_blocks

    monkeypatch.setattr(trace_blocks, "BLOCK_BYTES", 1000)
    force = np.round(np.sin(np.arange(5000) / 500) ** 2 * 10, 3)
    rows = [f"{i / 1000:.3f},{f:.3f}" for i, f in enumerate(force)]
    trace = read_trace(put(tmp_path, "\n".join(["Time [s],Load [kN]", *rows]) + "\n"))
    np.testing.assert_array_equal(trace.force_kN, force)
    np.testing.assert_array_equal(trace.time_s, np.arange(5000) / 1000)
    rows[4000] = "4.000,oops"
    rows[100] = ""
    with pytest.raises(TableError, match="line 4002: 'oops'"):
        read_trace(put(tmp_path, "\n".join(["Time [s],Load [kN]", *rows]) + "\n"))
    two = read_trace(put(tmp_path, "\n".join(["Time [s],Load [kN]", *rows[:4000]]) + "\n"))
    assert two.n == 3999
    assert "1 blank lines" in said(two, "info")


@pytest.mark.slow
def test_workers_change_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from lowtail.logs.traces import blocks as trace_blocks

    monkeypatch.setattr(trace_blocks, "BLOCK_BYTES", 10_000)
    rows = [f"{i / 1000:.3f},{10 * np.sin(i / 500) ** 2:.3f}" for i in range(5000)]
    file = put(tmp_path, "\n".join(["Time [s],Load [kN]", *rows]) + "\n")
    one, two = read_trace(file), read_trace(file, n_jobs=2)
    np.testing.assert_array_equal(one.force_kN, two.force_kN)
    np.testing.assert_array_equal(one.time_s, two.time_s)
