"""Outputs aimed at what is read, at each other, and at places that cannot be written: refused before any work."""

import os
import resource
import signal
import stat
import subprocess
import sys
import threading
import time
from pathlib import Path

import pandas as pd
import pytest

import lowtail as lt
from lowtail._shared.writing import check_writes, put
from lowtail.cli import main
from lowtail.report.tables.text import write_table

DATA = Path(__file__).parents[2] / "data"
LOG = (
    "specimen,item,method,load [kN],outcome\n"
    + "".join(f"s{i},sling,slow pull,{24 + i / 7:.2f},broke\n" for i in range(6))
).encode()
TRACE = ("Time [ms];Force [kN]\n" + "".join(f"{i};{max(0, 12 - abs(i - 30))}\n" for i in range(60))).encode()


@pytest.fixture
def place(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for name in ("log.csv", "log.html", "log.json"):
        Path(name).write_bytes(LOG)
    Path("t.csv").write_bytes(TRACE)
    return tmp_path


def seen(folder):
    return {p.relative_to(folder): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


COMMANDS = {
    "strength": ["strength", "log.csv", "--no-checks", "--out"],
    "compare": ["compare", "log.csv", "--out"],
    "report table": ["report", "log.csv", "--no-checks", "--table"],
    "trace": ["trace", "t.csv", "--out"],
}


@pytest.mark.parametrize("name", COMMANDS)
@pytest.mark.parametrize("way", ["same", "dotted", "absolute", "link", "hard link", "case"])
def test_no_command_overwrites_what_it_reads(place, capsys, name, way):
    read = COMMANDS[name][1]
    if way == "link":
        os.symlink(read, "other.csv")
    if way == "hard link":
        os.link(read, "other.csv")
    out = {"same": read, "dotted": f"./{read}", "absolute": str(place / read), "case": read.upper()}.get(
        way, "other.csv"
    )
    before = seen(place)
    assert main([*COMMANDS[name], out]) == 2
    assert "the same file" in capsys.readouterr().err
    assert seen(place) == before


@pytest.mark.parametrize(
    "words",
    [
        ["report", "log.html", "--out", "log.html"],
        ["strength", "log.json", "--out", "log.json"],
        ["report", "log.csv", "--out", "page.html", "--table", "log.csv"],
        ["trace", "t.csv", "--append", "t.csv"],
        ["trace", "t.csv", "--append", "new.csv", "--out", "new.csv"],
        ["trace", "t.csv", "--append", "new.csv", "--out", "./NEW.csv"],
    ],
)
def test_two_files_of_a_command_are_never_one(place, capsys, words):
    before = seen(place)
    assert main(words) == 2
    assert "the same file" in capsys.readouterr().err
    assert seen(place) == before


def test_the_functions_refuse_it_too(place):
    log = lt.read_breaks("log.html")
    for write in (log.to_csv, lambda p: lt.write_report(log, p, checks=False)):
        with pytest.raises(lt.InputError, match=r"take the place of 'log\.html', which is read"):
            write("log.html")
    with pytest.raises(lt.InputError, match="the same file"):
        check_writes({"path": "a.html", "table_file": "A.HTML"})
    assert Path("log.html").read_bytes() == LOG


def test_template_and_demo_touch_nothing_that_stands(place, capsys):
    os.symlink("nowhere.csv", "link.csv")
    before = seen(place)
    for name in ("log.csv", "link.csv"):
        assert main(["check", "--template", name]) == 2
    Path("park_breaks.csv").write_bytes(b"mine")
    assert main(["demo", "."]) == 2
    assert seen(place) == {**before, Path("park_breaks.csv"): b"mine"}
    assert main(["demo", "log.csv"]) == 2 and "cannot be made" in capsys.readouterr().err


def bad_places(folder):
    (folder / "dir.csv").mkdir()
    os.mkfifo(folder / "pipe.csv")
    (folder / "locked.csv").write_bytes(b"keep")
    (folder / "locked.csv").chmod(0o444)
    return {
        "no/such/t.csv": "folder that does not exist",
        "log.csv/t.csv": "folder that does not exist",
        "dir.csv": "is a folder",
        "pipe.csv": "a pipe or a device",
        "/dev/full": "written as .csv",
        "locked.csv": "write-protected",
        "t.txt": "written as .csv",
        "t": "written as .csv",
        "x" * 300 + ".csv": "cannot be written",
        "nul\0.csv": "cannot be written",
    }


def test_places_that_cannot_be_written_are_refused_before_any_work(place, monkeypatch):
    def work(*_, **__):
        raise AssertionError("work was begun")

    log = lt.read_breaks("log.csv")
    bad = bad_places(place)
    table = pd.DataFrame({"a": [1.0]})
    for name, words in bad.items():
        with pytest.raises(lt.InputError, match=words):
            write_table(table, name)
    monkeypatch.setattr("lowtail.report.page.page.gather", work)
    for name, words in bad.items():
        with pytest.raises(lt.InputError, match=words):
            lt.write_report(log, "page.html", table_file=name)
        with pytest.raises(lt.InputError):
            lt.write_report(log, name)
    assert (place / "locked.csv").read_bytes() == b"keep" and not (place / "page.html").exists()


@pytest.mark.parametrize("name", ["title", "author", "command"])
def test_a_title_that_no_file_can_hold_is_refused_before_any_work(place, name):
    Path("page.html").write_bytes(b"the page of last year")
    with pytest.raises(lt.InputError, match=f"`{name}` holds '\\\\ud800' at place 3, half a character"):
        lt.write_report(lt.read_breaks("log.csv"), "page.html", **{name: "a \ud800"})
    assert Path("page.html").read_bytes() == b"the page of last year"


def test_half_a_character_in_a_table_leaves_the_old_file(place):
    Path("t.json").write_bytes(b"old")
    for name in ("old.csv", "t.json"):
        Path(name).write_bytes(b"old")
        frame = pd.DataFrame({"group": ["a\udc80"]})
        if name.endswith("json"):
            write_table(frame.replace("\udc80", "", regex=True), "fine.json")
            continue
        with pytest.raises(lt.InputError, match="half a character"):
            write_table(frame, name)
        assert Path(name).read_bytes() == b"old"


WRITERS = {
    "csv": lambda log: write_table(log.table, "w.csv"),
    "json": lambda log: write_table(log.table, "w.json"),
    "xlsx": lambda log: write_table(log.table, "w.xlsx"),
    "log csv": lambda log: log.to_csv("w.csv"),
    "log xlsx": lambda log: log.to_xlsx("w.xlsx"),
    "svg": lambda log: lt.plot.save(lt.plot.breaks(log), "w.svg"),
    "png": lambda log: lt.plot.save(lt.plot.breaks(log), "w.png"),
    "page": lambda log: lt.write_report(log, "w.html", checks=False, short=True, compare=None),
}


@pytest.mark.parametrize("name", WRITERS)
def test_a_full_disk_leaves_every_file_as_it_was(place, name):
    """In a child whose files may hold 500 bytes: each write beyond fails as on a full disk."""
    for ending in ("csv", "json", "xlsx", "svg", "png", "html"):
        Path(f"w.{ending}").write_bytes(b"old")
    before = seen(place)
    child = os.fork()
    if not child:
        code = 3
        try:
            log = lt.read_breaks("log.csv")
            signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
            resource.setrlimit(resource.RLIMIT_FSIZE, (500, 500))
            WRITERS[name](log)
        except lt.InputError as exc:
            code = 0 if "cannot be written" in str(exc) else 4
        finally:
            os._exit(code)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0
    assert seen(place) == before


@pytest.mark.parametrize("end", [signal.SIGKILL, signal.SIGINT])
def test_stopped_in_the_middle_of_writing_the_file_is_the_old_or_the_new(place, end):
    code = (
        "import signal\nfrom lowtail._shared.writing import put\n"
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"  # a job in the background is started without it
        "print('go', flush=True)\n"
        "while True:\n    put('big.csv', b'a' * 3_000_000)\n    put('big.csv', b'b' * 2_000_000)\n"
    )
    Path("big.csv").write_bytes(b"b" * 2_000_000)
    for turn in range(4):
        child = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
        try:
            child.stdout.readline()
            time.sleep(0.05 + 0.013 * turn)
            child.send_signal(end)
            child.wait(10)
        finally:
            child.kill()
        data = Path("big.csv").read_bytes()
        assert data in (b"a" * 3_000_000, b"b" * 2_000_000)
        child.stdout.close()
    if end == signal.SIGINT:
        assert not [p for p in place.iterdir() if p.name.endswith(".part")]


def test_permissions_and_links_are_kept(place):
    Path("real.csv").write_bytes(b"old")
    Path("real.csv").chmod(0o640)
    os.symlink("real.csv", "link.csv")
    put("link.csv", b"new")
    assert Path("link.csv").is_symlink() and Path("real.csv").read_bytes() == b"new"
    assert stat.S_IMODE(os.stat("real.csv").st_mode) == 0o640
    put("fresh.csv", b"x")
    mask = os.umask(0)
    os.umask(mask)
    assert stat.S_IMODE(os.stat("fresh.csv").st_mode) == 0o666 & ~mask


def test_a_new_file_takes_the_place_of_none(place):
    with pytest.raises(lt.InputError, match="exists already"):
        put("log.csv", b"x", new=True)
    assert Path("log.csv").read_bytes() == LOG


def test_workbooks_are_the_same_from_run_to_run(place, monkeypatch):
    log = lt.read_breaks("log.csv")
    made = []
    for _ in range(2):
        write_table(log.table, "t.xlsx", ["a note"])
        log.to_xlsx("l.xlsx")
        made.append((Path("t.xlsx").read_bytes(), Path("l.xlsx").read_bytes()))
        time.sleep(2.1)  # a zip file counts in steps of two seconds
    assert made[0] == made[1]
    assert lt.read_breaks("l.xlsx").table["load_kN"].tolist() == log.table["load_kN"].tolist()


def test_no_cell_or_column_name_of_a_csv_is_run(place):
    frame = pd.DataFrame({"=cmd": ["=1+1", "'=x", "-2"], "plain": ["@a", "b", None], "n": [-1.5, 2.0, None]})
    for kind in (frame, frame.astype({"=cmd": "string"}), frame.astype({"=cmd": "category"})):
        write_table(kind, "t.csv")
        lines = Path("t.csv").read_text(encoding="utf-8").splitlines()
        assert lines[0].startswith("'=cmd,plain,n,") and lines[1].startswith("'=1+1,'@a,-1.5,")
        assert lines[2].startswith("''=x,b,2.0,") and lines[3].startswith("'-2,,,")
    twice = pd.concat([frame, frame], axis=1)
    write_table(twice, "t.csv")
    assert Path("t.csv").read_text(encoding="utf-8").splitlines()[1].startswith("'=1+1,'@a,-1.5,'=1+1,'@a,-1.5,")


def test_threads_that_draw_leave_the_settings_alone(place):
    import matplotlib as mpl

    from lowtail.report.style import quiet

    before = dict(mpl.rcParams)
    inside = threading.Event()

    def slow():
        with quiet():
            inside.set()
            time.sleep(0.2)

    def late():
        inside.wait()
        with quiet():
            time.sleep(0.4)

    threads = [threading.Thread(target=t) for t in (slow, late)]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    assert dict(mpl.rcParams) == before


def test_a_label_that_is_a_colour_or_an_id_stays_what_it_is():
    from lowtail.report.style import INK, LOOKS, inline_svg

    label = f'{INK} {LOOKS[0].colour} id="a" href="#b" url(#c)'
    svg = inline_svg(lt.plot.breaks(lt.Sample([24.0, 25.0, 26.5], label=label)), "figure1", "alt")
    for word in label.split():
        assert word in svg.replace("&quot;", '"'), word
    assert "var(--ink)" in svg
