"""Rows of traces in a table and in a break log; what stands in the log stays to the byte."""

from __future__ import annotations

import os
import stat
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import lowtail as lt
from lowtail import InputError, TableError
from lowtail.trace import append_to_log, trace_rows

TRACES = Path(__file__).parents[3] / "data" / "traces"
LOG = """"Invented log"

specimen,item,orientation,method,load [kN],outcome,sample rate [Hz],note
A-1,sewn cord,straight,slow pull,14.02,broke,100,first
A-2,sewn cord,straight,slow pull,13.70,broke,100,"with, comma"
"""


@cache
def read_once() -> pd.DataFrame:
    return trace_rows([TRACES / "slow_pull_P31.csv", TRACES / "fuse_first_P35.csv"])


def rows(**columns: str) -> pd.DataFrame:
    return read_once().assign(**columns)


def test_a_row_a_file_in_the_order_given() -> None:
    files = sorted(TRACES.glob("*_*.*"), reverse=True)
    table = trace_rows(files)
    assert list(table["file"]) == [f.name for f in files]
    assert list(table["specimen"]) == [f.stem for f in files]
    assert table["peak_kN"].iloc[0] == pytest.approx(14.62, abs=0.02)
    slow = table.set_index("specimen").loc["drop_too_slow_D12"]
    assert "fewer than 8" in slow["notes"] and "all forces were turned to positive" in slow["notes"]
    assert slow["method_hint"].startswith("shock suggested by")
    assert all(len(s) == 64 for s in table["sha256"])


def test_every_file_that_fails_is_named(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("nothing\n")
    (tmp_path / "b.csv").write_text("Time [ms],Load\n0,1\n1,2\n2,1\n")
    with pytest.raises(TableError, match=r"(?s)2 of 3 trace\(s\) cannot be read:.*'a.csv'.*'b.csv'"):
        trace_rows([tmp_path / "a.csv", TRACES / "slow_pull_P31.csv", tmp_path / "b.csv"])
    with pytest.raises(InputError, match="at least one file"):
        trace_rows([])
    with pytest.raises(InputError, match="must be a list of files"):
        trace_rows(str(TRACES / "slow_pull_P31.csv"))


@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("whole", [True, False])
def test_what_stands_there_stays_to_the_byte(tmp_path: Path, end: str, encoding: str, whole: bool) -> None:
    log = tmp_path / "log.csv"
    old = LOG.replace("first", "größer").replace("\n", end).encode(encoding)
    old = old if whole else old[: -len(end) * (2 if encoding == "utf-16" else 1)]
    log.write_bytes(old)
    backup = append_to_log(rows(), log)
    new = log.read_bytes()
    assert new.startswith(old) and len(new) > len(old)
    assert backup is not None and backup.name == "log.csv.bak" and backup.read_bytes() == old
    assert sorted(p.name for p in tmp_path.iterdir()) == ["log.csv", "log.csv.bak"]
    text = new.decode("utf-16" if encoding == "utf-16" else encoding)
    assert text.split(end)[-3].startswith("slow_pull_P31,,,,14.62,,100,")
    assert "14.62,broke" not in text and "slow pull suggested by 0.573 kN/s" in text


def test_the_log_reads_once_the_tester_has_filled_in_the_rest(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text(LOG)
    append_to_log(rows(), log)
    with pytest.raises(TableError, match="outcome is missing"):
        lt.read_breaks(log)
    log.write_text(LOG)
    known = rows(item="sewn cord", orientation="straight", method="slow pull")
    known["outcome"] = ["broke", "other part broke"]
    known["failed_part"] = ["", "fuse"]
    append_to_log(known, log)
    table = lt.read_breaks(log).table.set_index("specimen")
    assert table.loc["slow_pull_P31", "load_kN"] == pytest.approx(14.62)
    assert bool(table.loc["slow_pull_P31", "broke"]) and not bool(table.loc["fuse_first_P35", "broke"])
    assert table.loc["A-2", "note"] == "with, comma"


@pytest.mark.parametrize(("unit", "factor"), [("lbf", 224.8089431), ("N", 1000.0), ("kgf", 101.9716213)])
def test_the_load_is_written_in_the_unit_of_the_log(tmp_path: Path, unit: str, factor: float) -> None:
    """1 kN is 224.8089 lbf and 101.9716 kgf (exact definitions of the pound and of standard gravity)."""
    log = tmp_path / "log.csv"
    log.write_text(f"specimen;item;load ({unit});outcome\nA-1;cord;1500;broke\n")
    append_to_log(rows(), log)
    load = float(log.read_text().splitlines()[2].split(";")[2])
    assert load == pytest.approx(14.62 * factor, rel=1e-5)


def test_decimal_comma_unit_column_and_kilohertz(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text("specimen;item;load;unit;outcome;sample rate [kHz]\nA-1;cord;15,25;kN;broke;0,5\n")
    append_to_log(rows(), log)
    assert log.read_text().splitlines()[2] == "slow_pull_P31;;14,62;kN;;0,1"


def test_a_clipped_peak_is_written_as_at_least(tmp_path: Path) -> None:
    table = rows()
    table.loc[0, "clipped"] = True
    append_to_log(table, tmp_path / "new.csv")
    assert "slow_pull_P31,,,,>14.62,," in (tmp_path / "new.csv").read_text()


def test_cells_that_a_spreadsheet_would_run_are_defused(tmp_path: Path) -> None:
    table = rows()
    table.loc[0, "specimen"] = "=1+1"
    append_to_log(table, tmp_path / "new.csv")
    assert "\n'=1+1," in (tmp_path / "new.csv").read_text()


def test_adding_twice_is_refused_and_changes_nothing(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text(LOG)
    append_to_log(rows(), log)
    before = log.read_bytes()
    with pytest.raises(InputError, match="names the specimen 'slow_pull_P31' already and 1 more"):
        append_to_log(rows(), log)
    assert log.read_bytes() == before and not (tmp_path / "log.csv.bak2").exists()
    more = rows()
    more["specimen"] = ["P31 again", "P35 again"]
    backup = append_to_log(more, log)
    assert backup is not None and backup.name == "log.csv.bak" and backup.read_bytes() == before


def test_permissions_and_links_are_kept(tmp_path: Path) -> None:
    log = tmp_path / "real.csv"
    log.write_text(LOG)
    log.chmod(0o640)
    link = tmp_path / "link.csv"
    link.symlink_to(log)
    append_to_log(rows(), link)
    assert link.is_symlink() and stat.S_IMODE(os.stat(log).st_mode) == 0o640
    assert "slow_pull_P31" in log.read_text()


def test_nothing_is_left_behind_when_the_writing_fails(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    log = tmp_path / "log.csv"
    log.write_text(LOG)

    def fail(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", fail)
    with pytest.raises(InputError, match=r"No space left on device\. Nothing was added"):
        append_to_log(rows(), log)
    assert log.read_text() == LOG
    assert sorted(p.name for p in tmp_path.iterdir()) == ["log.csv", "log.csv.bak"]


def test_a_log_that_changes_meanwhile_is_not_overwritten(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from lowtail.logs.traces import append as trace_log

    log = tmp_path / "log.csv"
    log.write_text(LOG)
    inner = trace_log._backup

    def meddle(place: Path, old: bytes) -> Path:
        made = inner(place, old)
        place.write_text(LOG + "A-3,sewn cord,straight,slow pull,13.9,broke,100,\n")
        return made

    monkeypatch.setattr(trace_log, "_backup", meddle)
    with pytest.raises(InputError, match="changed while rows were being added"):
        append_to_log(rows(), log)
    assert "A-3" in log.read_text() and "P31" not in log.read_text()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("specimen,item,load,outcome\nA,c,5,broke\n", "states no unit for 'load'"),
        ("alpha,beta\n1,2\n", "no header"),
        ("specimen,item,load [stone],outcome\nA,c,5,broke\n", "not a force unit"),
    ],
)
def test_logs_that_cannot_be_added_to(tmp_path: Path, text: str, words: str) -> None:
    log = tmp_path / "log.csv"
    log.write_text(text)
    with pytest.raises(InputError, match=words):
        append_to_log(rows(), log)
    assert log.read_text() == text


def test_arguments(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="is a workbook"):
        append_to_log(rows(), tmp_path / "log.xlsx")
    with pytest.raises(InputError, match=r"missing: \['peak_kN'\]"):
        append_to_log(rows().drop(columns="peak_kN"), tmp_path / "log.csv")
    table = rows()
    table["specimen"] = "same"
    with pytest.raises(InputError, match="'same' more than once"):
        log = tmp_path / "log.csv"
        log.write_text(LOG)
        append_to_log(table, log)
    with pytest.raises(InputError, match="at least one row"):
        append_to_log(rows().iloc[:0], tmp_path / "log.csv")


def test_a_new_log_is_made_with_a_header(tmp_path: Path) -> None:
    log = tmp_path / "new.csv"
    assert append_to_log(rows(), log) is None
    lines = log.read_text().splitlines()
    assert lines[0] == (
        "specimen,item,orientation,method,load [kN],outcome,load_uncertainty [kN],common_uncertainty [%],"
        "sample_rate_hz,note"
    )
    assert len(lines) == 3 and np.isclose(float(lines[1].split(",")[4]), 14.62)


def test_the_budget_goes_into_the_log_and_from_there_into_the_bound(tmp_path: Path) -> None:
    """GUM 5.1.2: parts of its own, and parts that all peaks have in common, each the root of the sum of squares."""
    files = sorted(TRACES.glob("drop_clean_*.csv"))[:1]
    cell = lt.trace.LoadCell(capacity_kN=50.0, error_limit=0.005, calibration=0.004)
    table = trace_rows(files, cell=cell).assign(item="sling", method="shock", outcome="broke")
    peak = lt.trace.peak_load(lt.trace.read_trace(files[0]), cell=cell)
    own = np.sqrt(peak.u_resolution_kN**2 + peak.u_sampling_kN**2 + peak.u_noise_kN**2 + peak.u_drift_kN**2)
    common = np.hypot(50 * 0.005 / np.sqrt(3), peak.u_calibration_kN) / peak.peak_kN
    assert table["u_own_kN"][0] == pytest.approx(own) and table["u_common_percent"][0] == pytest.approx(100 * common)
    assert np.hypot(own, common * peak.peak_kN) == pytest.approx(peak.u_kN)
    log = tmp_path / "log.csv"
    append_to_log(table, log)
    (sample,) = lt.read_breaks(log).samples.values()
    assert sample.uncertainty[0] == pytest.approx(own, rel=1e-3)
    assert sample.common_uncertainty == pytest.approx(common, rel=1e-3)


def test_uncertainties_follow_the_units_and_the_factor_of_their_columns(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text("specimen,item,load [lbf],outcome,load_uncertainty [%] (k=2),common_uncertainty (k=2) [%]\n")
    log.write_text(log.read_text() + "a,sling,5000,broke,1,0.8\n")
    cell = lt.trace.LoadCell(capacity_kN=50.0, error_limit=0.005)
    table = trace_rows(sorted(TRACES.glob("drop_clean_*.csv"))[:1], cell=cell).assign(item="sling", outcome="broke")
    append_to_log(table, log)
    last = log.read_text().splitlines()[-1].split(",")
    assert float(last[4]) == pytest.approx(200 * table["u_own_kN"][0] / table["peak_kN"][0], rel=1e-3)
    assert float(last[5]) == pytest.approx(2 * table["u_common_percent"][0], rel=1e-3)


def test_without_a_load_cell_nothing_is_said_of_what_is_in_common(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    append_to_log(trace_rows(sorted(TRACES.glob("drop_clean_*.csv"))[:1]).assign(outcome="broke", item="s"), log)
    assert log.read_text().splitlines()[-1].split(",")[7] == ""
