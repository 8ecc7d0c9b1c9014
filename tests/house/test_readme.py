"""README says what is so: its example prints what stands under it, names exist, its test command is what CI runs."""

import contextlib
import io
import re
from pathlib import Path

import lowtail as lt
from lowtail.cli import main

TOP = Path(__file__).parents[2]
README = (TOP / "README.md").read_text(encoding="utf-8")


def words(text):
    return " ".join(text.split())


def test_the_example_prints_what_stands_under_it(monkeypatch):
    monkeypatch.chdir(TOP)
    (code, printed), *others = re.findall(r"```python\n(.*?)```\n\n```\n(.*?)```", README, flags=re.S)
    assert others == []
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        exec(compile(code, "README.md", "exec"), {})
    assert words(out.getvalue()) == words(printed)


def test_every_name_exists():
    named = set(re.findall(r"\blt\.(\w+)", README))
    assert len(named) > 10
    assert sorted(named - set(lt.__all__)) == []


def test_every_command_exists(capsys):
    for command in sorted(set(re.findall(r"`lowtail (\w+)", README))):
        assert main([command, "--help"]) == 0
        said = capsys.readouterr().out
        for line in re.findall(rf"`lowtail {command}[^`]*`", README):
            assert all(option in said for option in re.findall(r"--[\w-]+", line)), line


def test_its_test_command_is_the_one_that_ci_runs():
    command = re.search(r"bin/(pytest -m .*)\n", README)[1]
    assert command in (TOP / ".ci" / "run").read_text(encoding="utf-8")


def test_files_it_names_are_there():
    for path in re.findall(r"\]\(([\w/.]+)\)|`((?:tests|data|notebooks)/[\w/.]+)`", README):
        name = "".join(path)
        assert (TOP / name).exists() or (TOP / f"{name}.ipynb").exists(), name
