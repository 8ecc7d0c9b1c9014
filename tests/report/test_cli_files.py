"""Files the command reads and writes beside the page: workbooks of results, force-time logs, rows added to a log."""

import json
from pathlib import Path

import openpyxl
import pandas as pd
import pytest

import lowtail as lt
from lowtail.cli import main

DATA = Path(__file__).parents[2] / "data"
TRACES = DATA / "traces"
TRUTH = json.loads((TRACES / "truth.json").read_text(encoding="utf-8"))


def test_a_workbook_holds_the_same_numbers_their_units_and_the_notes(tmp_path, capsys):
    out = tmp_path / "table.xlsx"
    assert main(["strength", str(DATA / "park_breaks.csv"), "--only", "sewn sling", "--out", str(out)]) == 0
    said = capsys.readouterr().out
    log = lt.read_breaks(DATA / "park_breaks.csv")
    expected = lt.strength_table(log)
    expected = expected[expected["group"].str.contains("sewn sling")].reset_index(drop=True)
    read = pd.read_excel(out, sheet_name="table")
    assert list(read.columns) == list(expected.columns)
    for column in ("n", "n_broken", "mean_kN", "A-basis [kN]", "B-basis [kN]"):
        assert read[column].tolist() == pytest.approx(expected[column].tolist(), rel=1e-12), column
    meanings = pd.read_excel(out, sheet_name="columns").set_index("column")["meaning"]
    assert list(meanings.index) == list(expected.columns)
    assert meanings.notna().all() and "kN" in meanings["mean_kN"]
    notes = pd.read_excel(out, sheet_name="notes")["note"].tolist()
    assert "not a certificate" in notes[0]
    assert len(notes) > 1 and all(note in said for note in notes[1:])


def test_no_cell_of_a_workbook_is_run_as_a_formula(tmp_path):
    from lowtail.report.tables.text import write_table

    table = pd.DataFrame({"group": ["=1+1", "@sum", "-sling"], "n": [3, 4, 5]})
    write_table(table, tmp_path / "t.xlsx", ["=2+2"])
    book = openpyxl.load_workbook(tmp_path / "t.xlsx")
    texts = [cell for sheet in book for line in sheet.iter_rows() for cell in line if isinstance(cell.value, str)]
    assert {"=1+1", "@sum", "-sling", "=2+2"} <= {cell.value for cell in texts}
    assert all(cell.data_type == "s" for cell in texts)


@pytest.mark.parametrize("name", ["drop_clean_D07.csv", "fuse_first_P35.csv", "slow_pull_P31.csv"])
def test_trace_reads_the_peak_that_was_put_in(name, capsys):
    assert main(["trace", str(TRACES / name), "--json"]) == 0
    (row,) = json.loads(capsys.readouterr().out)["rows"]
    # true peaks of the invented traces (data/traces/truth.json); one cell reads 0.05 kN at rest, and says so
    rest = 0.05 if "at rest" in TRUTH[name]["what"] else 0.0
    assert row["peak_kN"] - rest == pytest.approx(TRUTH[name]["true_peak_kN"], abs=3 * row["expanded_kN"] + 0.02)
    assert row["broke_after"] == TRUTH[name]["broke"]
    assert ("does not read zero" in row["notes"]) == (rest > 0)


def test_trace_says_how_far_a_slow_recorder_may_read_low(capsys):
    name = "drop_too_slow_D12.txt"
    assert main(["trace", str(TRACES / name), "--json"]) == 0
    (row,) = json.loads(capsys.readouterr().out)["rows"]
    short = TRUTH[name]["true_peak_kN"] - row["peak_kN"]
    assert 0 < short <= row["under_read_worst_kN"]


def test_trace_adds_rows_and_keeps_the_log_as_it_was(tmp_path, capsys):
    log = tmp_path / "breaks.csv"
    before = (DATA / "park_breaks.csv").read_bytes()
    log.write_bytes(before)
    files = [str(TRACES / "slow_pull_P31.csv"), str(TRACES / "drop_clean_D07.csv")]
    assert main(["trace", *files, "--append", str(log), "--out", str(tmp_path / "peaks.csv")]) == 0
    assert "2 rows added" in capsys.readouterr().err
    assert (tmp_path / "breaks.csv.bak").read_bytes() == before
    assert log.read_bytes().startswith(before.rstrip(b"\r\n"))
    assert len(log.read_text("utf-8").splitlines()) == len(before.decode("utf-8").splitlines()) + 2
    assert len(pd.read_csv(tmp_path / "peaks.csv")) == 2


def test_trace_names_the_file_it_cannot_read_and_writes_nothing(tmp_path, capsys):
    log = tmp_path / "breaks.csv"
    log.write_bytes((DATA / "park_breaks.csv").read_bytes())
    bad = tmp_path / "bad.csv"
    bad.write_text("time,force\n0,strong\n", encoding="utf-8")
    assert main(["trace", str(TRACES / "slow_pull_P31.csv"), str(bad), "--append", str(log)]) == 1
    printed = capsys.readouterr()
    assert "1 of 2" in printed.err and "bad.csv" in printed.err and "Traceback" not in printed.err
    assert log.read_bytes() == (DATA / "park_breaks.csv").read_bytes()
    assert not (tmp_path / "breaks.csv.bak").exists()
