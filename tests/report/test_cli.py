"""The command: what it prints, its exit codes, and that bad input is met by words, not by a traceback."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

import lowtail
from lowtail.cli import main

GOOD = """specimen,item,orientation,method,load [kN],outcome,rated [kN]
A1,steel oval,major axis,slow pull,26.4,broke,18
A2,steel oval,major axis,slow pull,27.9,broke,18
A3,steel oval,major axis,slow pull,27.1,broke,18
A4,steel oval,major axis,slow pull,26.8,held,18
B1,steel oval,major axis,shock,24.9,broke,18
B2,steel oval,major axis,shock,25.8,broke,18
B3,steel oval,major axis,shock,26.6,broke,18
C1,sling,straight,slow pull,22.1,broke,22
C2,sling,straight,slow pull,24.4,broke,22
C3,sling,straight,slow pull,23.3,broke,22
"""
HEAD = "specimen,item,load [kN],outcome\n"


@pytest.fixture
def log(tmp_path):
    path = tmp_path / "breaks.csv"
    path.write_text(GOOD, encoding="utf-8")
    return path


def test_alone_it_shows_the_five_things_one_does_with_it(capsys):
    assert main([]) == 0
    said = capsys.readouterr().out
    for word in ("check", "strength", "compare", "plan", "report"):
        assert f"lowtail {word}" in said


def test_help_and_version_import_nothing_heavy():
    code = (
        "import sys; from lowtail.cli import main; main(['--help']); "
        "print([m for m in ('numpy', 'pandas', 'scipy', 'matplotlib', 'cyclopts') if m in sys.modules])"
    )
    paths = {**os.environ, "PYTHONPATH": str(Path(lowtail.__file__).parents[1])}
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, env=paths)
    assert done.stdout.strip().endswith("[]")


def test_it_also_runs_as_a_module():
    paths = {**os.environ, "PYTHONPATH": str(Path(lowtail.__file__).parents[1])}
    run = [sys.executable, "-m", "lowtail", "plan", "--reliability", "0.9"]
    done = subprocess.run(run, capture_output=True, text=True, check=True, env=paths)
    assert "29" in done.stdout  # success run at 90 % and 95 %: ln 0.05 / ln 0.9 = 28.4, so 29 (definition)


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_the_shell_learns_the_commands(shell, tmp_path, capsys, monkeypatch):
    monkeypatch.setenv("HOME", str(tmp_path))
    assert main(["--install-completion", "--shell", shell, "--output", str(tmp_path / "script")]) == 0
    script = (tmp_path / "script").read_text(encoding="utf-8")
    assert all(word in script for word in ("strength", "compare", "report", "basis"))


@pytest.mark.parametrize(
    "command", ["check", "strength", "compare", "plan", "predict", "accept", "trace", "report", "demo"]
)
def test_every_command_explains_itself_with_an_example(command, capsys):
    assert main([command, "--help"]) == 0
    said = capsys.readouterr().out
    assert "Example:" in said and f"lowtail {command}" in said.split("Example:")[1]


def test_check_says_whether_the_log_can_carry_an_answer(log, capsys):
    assert main(["check", str(log)]) == 0
    said = capsys.readouterr().out
    assert "Rows in the log: 10 = 10 used + 0 set aside." in said
    assert "Yes: 3 of 3 groups carry a lower bound." in said


def test_check_writes_a_template(tmp_path, capsys):
    assert main(["check", "--template", str(tmp_path / "new.csv")]) == 0
    assert "specimen" in (tmp_path / "new.csv").read_text(encoding="utf-8")
    assert main(["check", "--template", str(tmp_path / "new.csv")]) == 2


def test_strength_prints_a_table_and_writes_it(log, tmp_path, capsys):
    out = tmp_path / "table.csv"
    assert main(["strength", str(log), "--basis", "B-basis", "--out", str(out)]) == 0
    said = capsys.readouterr().out
    assert "governed by" in said and "sling, straight, slow pull: rating: " in said
    assert len(pd.read_csv(out)) == 3


def test_check_and_strength_say_what_to_doubt(log, capsys):
    assert main(["check", str(log)]) == 0
    full = capsys.readouterr().out
    assert (
        "Checks before quoting" in full
        and full.count("  Distribution: ") + full.count("not answered - Distribution: ") == 3
    )
    assert main(["strength", str(log)]) == 0
    short = capsys.readouterr().out
    assert "Checks before quoting" in short and "Distribution: " not in short and "lowtail check breaks.csv" in short
    for command in ("check", "strength"):
        assert main([command, str(log), "--no-checks"]) == 0
        assert "Checks" not in capsys.readouterr().out


def test_checks_as_json_hold_one_entry_a_group_and_question(log, capsys):
    for command in ("check", "strength"):
        assert main([command, str(log), "--json"]) == 0
        checks = json.loads(capsys.readouterr().out)["checks"]
        assert len({c["group"] for c in checks}) == 3
        assert all(len({c["question"] for c in checks if c["group"] == g}) >= 5 for g in {c["group"] for c in checks})
        assert set(checks[0]) == {"group", "question", "sentence", "answered", "stands_out", "is_test"}
        assert main([command, str(log), "--json", "--no-checks"]) == 0
        assert json.loads(capsys.readouterr().out)["checks"] is None


def test_checks_of_many_groups_are_left_out_aloud(tmp_path, capsys):
    rows = [f"{i}-{j},part {i},{20 + j},broke" for i in range(61) for j in range(2)]
    (tmp_path / "many.csv").write_text(HEAD + "\n".join(rows), encoding="utf-8")
    assert main(["check", str(tmp_path / "many.csv")]) == 0
    assert "The checks before quoting were not asked: the log has more than 60 groups." in capsys.readouterr().out


def test_strength_as_json_is_the_table_of_the_library(log, capsys):
    from lowtail import read_breaks, strength_table

    assert main(["strength", str(log), "--json", "--basis", "B-basis"]) == 0
    body = json.loads(capsys.readouterr().out)
    expected = strength_table(read_breaks(log), bases=("B-basis",))
    assert [row["B-basis [kN]"] for row in body["rows"]] == pytest.approx(expected["B-basis [kN]"].tolist(), rel=1e-12)
    assert body["rows_in"] == body["rows_used"] + body["rows_set_aside"] == 10
    assert len(body["sha256"]) == 64 and body["command"] == "strength"


def test_only_and_by_narrow_and_coarsen(log, capsys):
    assert main(["strength", str(log), "--json", "--only", "sling"]) == 0
    assert [r["group"] for r in json.loads(capsys.readouterr().out)["rows"]] == ["sling, straight, slow pull"]
    assert main(["strength", str(log), "--json", "--by", "item,method"]) == 0
    assert len(json.loads(capsys.readouterr().out)["rows"]) == 3
    assert main(["strength", str(log), "--by", "colour"]) == 2
    assert "colour" in capsys.readouterr().err


def test_compare_prints_ratios_and_sentences(log, capsys):
    assert main(["compare", str(log), "--other", "shock", "--margin", "0.9", "--by", "item"]) == 0
    said = capsys.readouterr().out
    assert "Ratios by group" in said and "shock against slow pull" in said


def test_predict_is_the_answer_of_the_library_for_every_group(log, tmp_path, capsys):
    table = tmp_path / "next.csv"
    assert main(["predict", str(log), "--next", "3", "--only", "sling", "--json", "--out", str(table)]) == 0
    said = json.loads(capsys.readouterr().out)
    answer = lowtail.prediction(lowtail.read_breaks(log)["sling, straight, slow pull"], 3)
    assert [row["low"] for row in said["rows"]] == [answer.low] and said["sentences"] == [str(answer)]
    assert pd.read_csv(table)["low"].tolist() == pytest.approx([answer.low])
    assert main(["predict", str(log)]) == 0
    said = capsys.readouterr().out
    assert "sling, straight, slow pull: with 95 % confidence the next specimen holds at least" in said
    assert "Survivors" not in said and "Some specimens held at low loads" in said and "Not a rating" in said
    assert main(["predict", str(log), "--next", "0"]) == 1
    assert "`m` must be a whole number from 1" in capsys.readouterr().out


def test_accept_judges_group_by_group_and_says_what_has_no_earlier_series(log, tmp_path, capsys):
    new = tmp_path / "lot.csv"
    lines = [f"L{i},sling,straight,slow pull,{load},broke,22" for i, load in enumerate((14.0, 15.1, 15.9))]
    lines.append("M1,ring,straight,slow pull,20,broke,")
    new.write_text("\n".join([GOOD.splitlines()[0], *lines]) + "\n", encoding="utf-8")
    assert main(["accept", str(log), str(new), "--json", "--weaker", "0.2"]) == 0
    said = json.loads(capsys.readouterr().out)
    group = "sling, straight, slow pull"
    answer = lowtail.accept_batch(lowtail.read_breaks(log)[group], lowtail.read_breaks(new)[group], weaker=0.2)
    (row,) = said["rows"]
    assert row["verdict"] == answer.verdict == "not accepted" and row["accepted_weaker"] == answer.accepted_weaker
    assert list(said["not_answered"]) == ["ring, straight, slow pull"] and said["qualified"]["rows_in"] == 10
    assert main(["accept", str(log), str(new), "--only", "ring"]) == 1
    assert "ring, straight, slow pull" in capsys.readouterr().out


def test_plan_without_data(capsys):
    assert main(["plan", "--mean", "25", "--cv", "0.06", "--claim", "20", "--family", "normal"]) == 0
    assert "specimens demonstrate 20 kN" in capsys.readouterr().out
    assert main(["plan", "--reliability", "0.9"]) == 0
    # success run at 90 % and 95 % confidence: ln 0.05 / ln 0.9 = 28.4, so 29 (definition)
    assert "29" in capsys.readouterr().out
    assert main(["plan"]) == 2
    assert "needs FILE" in capsys.readouterr().err
    assert main(["plan", "--mean", "25", "--cv", "0.06", "--claim", "30"]) == 2
    assert "cannot be backed with any number" in capsys.readouterr().err


def test_report_writes_the_page_and_prints_its_first_lines(log, tmp_path, capsys):
    out = tmp_path / "page.html"
    assert main(["report", str(log), "--out", str(out), "--compare", "none", "--basis", "B-basis"]) == 0
    said = capsys.readouterr().out
    assert "10 specimens in 3 groups: 9 broke, 1 held." in said and "Page written to" in said
    assert "10 = 10 used + 0 set aside" in out.read_text(encoding="utf-8")
    assert main(["report", str(log), "--compare", "method"]) == 2
    assert "COLUMN=REFERENCE,OTHER" in capsys.readouterr().err


def row(load, outcome="broke", specimen="S"):
    return f"{specimen},sling,{load},{outcome}\n"


BAD = {
    "empty file": ("", 1, "empty"),
    "header only": (HEAD, 1, "no specimen under it"),
    "no load column": ("specimen,item,outcome\nA,sling,broke\n", 1, "load"),
    "text in a load": (HEAD + row("strong", specimen="A") + row("22", specimen="B"), 1, "strong"),
    "negative load": (HEAD + row("-3", specimen="A") + row("22", specimen="B"), 1, "-3"),
    "zero load": (HEAD + row("0", specimen="A") + row("22", specimen="B"), 1, "0"),
    "mixed units": (HEAD + row("22 kN", specimen="A") + row("22 lbs", specimen="B"), 1, "lbs"),
    "unknown outcome": (HEAD + row("22", "exploded", "A") + row("23", specimen="B"), 1, "exploded"),
    "duplicate specimen": (HEAD + row("22", specimen="A") + row("23", specimen="A"), 1, "already tested"),
    "one specimen": (HEAD + row("22", specimen="A"), 1, "2 different"),
    "all held": (HEAD + row("22", "held", "A") + row("23", "held", "B"), 1, "broke"),
    "all loads equal": (
        HEAD + row("22", specimen="A") + row("22", specimen="B") + row("22", specimen="C"),
        1,
        "at one load",
    ),
}


@pytest.mark.parametrize("command", ["check", "strength", "report"])
@pytest.mark.parametrize("case", BAD)
def test_bad_logs_end_in_words_and_a_code(case, command, tmp_path, capsys):
    text, code, words = BAD[case]
    path = tmp_path / "log.csv"
    path.write_text(text, encoding="utf-8")
    assert main([command, str(path)]) == code
    said = capsys.readouterr()
    assert words in said.out + said.err
    assert "Traceback" not in said.err
    readable = case in ("one specimen", "all held", "all loads equal")
    assert bool(list(tmp_path.glob("*.html"))) == (readable and command == "report")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["strength", "nowhere.csv"], "nowhere.csv"),
        (["strength"], "Example: lowtail strength breaks.csv"),
        (["strengths", "x.csv"], "strengths"),
        (["strength", "x.csv", "--colour", "red"], "--colour"),
        (["check"], "needs a FILE"),
        (["plan", "--cv", "six"], "six"),
    ],
)
def test_wrong_usage_is_code_2(words, said, capsys):
    assert main(words) == 2
    printed = capsys.readouterr()
    assert said in printed.err
    assert printed.out == ""


def test_wrong_options_for_a_good_log(log, capsys):
    for options in (["--family", "gamma"], ["--basis", "C-basis"], ["--units", "kg"]):
        assert main(["strength", str(log), *options]) == 2, options
        assert "must be" in capsys.readouterr().err


def test_debug_lets_the_error_through(tmp_path):
    from lowtail import InputError

    with pytest.raises((InputError, OSError)):
        main(["strength", str(tmp_path / "nowhere.csv"), "--debug"])


def test_a_fault_of_the_tool_is_called_so(log, capsys, monkeypatch):
    def broken(*args, **kwargs):
        raise ZeroDivisionError("by purpose")

    monkeypatch.setattr("lowtail.claims.strength.table.table_of", broken)
    assert main(["strength", str(log)]) == 1
    assert "a fault of lowtail, not of your log (ZeroDivisionError: by purpose)" in capsys.readouterr().err


def test_demo_writes_the_log_and_its_page_and_touches_nothing_that_stands(tmp_path, capsys, monkeypatch):
    small = tmp_path / "small.csv"
    small.write_text(GOOD, encoding="utf-8")
    monkeypatch.setattr("lowtail.cli.writing._demo_log", lambda: small)
    folder = tmp_path / "demo"
    assert main(["demo", str(folder)]) == 0
    assert sorted(p.name for p in folder.iterdir()) == ["park_breaks.csv", "park_breaks_report.html"]
    assert "Invented log" in capsys.readouterr().out
    assert main(["demo", str(folder)]) == 2
    assert "exists already" in capsys.readouterr().err


def test_the_demo_log_is_found():
    from lowtail.cli.writing import _demo_log

    assert "INVENTED" in _demo_log().read_text(encoding="utf-8").splitlines()[0]
