"""Many writers of one break log: every row reported as added stands in it, and a refusal leaves nothing behind."""

import subprocess
import sys
import threading
from pathlib import Path

import pandas as pd
import pytest

import lowtail as lt

OLD = b"specimen,item,load [kN],outcome,note\nold-1,cord,14.1,broke,\n"


def row(name):
    return pd.DataFrame([{"file": f"{name}.csv", "specimen": name, "peak_kN": 12.5, "rate_hz": 1e4, "clipped": False}])


WRITER = """
import sys
import pandas as pd
import lowtail as lt
log, who, calls = sys.argv[1:]
for number in range(int(calls)):
    name = f"{who}-{number}"
    row = {"file": f"{name}.csv", "specimen": name, "peak_kN": 12.5, "rate_hz": 1e4, "clipped": False}
    lt.trace.append_to_log(pd.DataFrame([row]), log)
    print(name, flush=True)
"""


def add(log, who, calls):
    """Rows that were reported as added."""
    done = []
    for number in range(calls):
        lt.trace.append_to_log(row(f"{who}-{number}"), log)
        done.append(f"{who}-{number}")
    return done


@pytest.mark.parametrize("old", [OLD, None])
@pytest.mark.parametrize("calls", [25, pytest.param(200, marks=pytest.mark.slow)])
def test_two_processes_lose_no_row(tmp_path, old, calls):
    log = tmp_path / "log.csv"
    if old:
        log.write_bytes(old)
    writers = [
        subprocess.Popen([sys.executable, "-c", WRITER, str(log), who, str(calls)], stdout=subprocess.PIPE, text=True)
        for who in "ab"
    ]
    said = [writer.communicate(timeout=120)[0].split() for writer in writers]
    assert [writer.returncode for writer in writers] == [0, 0] and len(said[0]) == len(said[1]) == calls
    lines = log.read_text(encoding="utf-8").splitlines()
    named = [line.split(",")[0] for line in lines[1:]]
    assert sorted(named) == sorted([*(["old-1"] if old else []), *said[0], *said[1]])
    assert sorted(p.name for p in tmp_path.iterdir()) == ["log.csv", "log.csv.bak"]


def test_four_threads_lose_no_row(tmp_path):
    log = tmp_path / "log.csv"
    log.write_bytes(OLD)
    threads = [threading.Thread(target=add, args=(str(log), who, 8)) for who in "abcd"]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    assert len(log.read_text(encoding="utf-8").splitlines()) == 2 + 32


def test_a_refusal_leaves_no_backup_and_no_lock(tmp_path):
    log = tmp_path / "log.csv"
    log.write_bytes(OLD)
    with pytest.raises(lt.InputError, match="names the specimen 'old-1' already"):
        lt.trace.append_to_log(row("old-1"), log)
    assert [p.name for p in tmp_path.iterdir()] == ["log.csv"] and log.read_bytes() == OLD


def test_a_backup_that_holds_what_was_changed_since_is_kept(tmp_path):
    log = tmp_path / "log.csv"
    log.write_bytes(OLD)
    (tmp_path / "log.csv.bak").write_bytes(b"something else of mine")
    backup = lt.trace.append_to_log(row("x"), log)
    assert backup is not None and backup.name == "log.csv.bak2" and backup.read_bytes() == OLD
    assert Path(tmp_path / "log.csv.bak").read_bytes() == b"something else of mine"


def test_a_lock_whose_holder_was_killed_stands_in_nobody_s_way(tmp_path):
    log = tmp_path / "log.csv"
    log.write_bytes(OLD)
    (tmp_path / ".log.csv.lock").write_bytes(b"")
    assert lt.trace.append_to_log(row("x"), log) is not None
    assert not (tmp_path / ".log.csv.lock").exists()
