"""One group's trouble is that group's line: a failure put into every section and every answer, and the page comes."""

from __future__ import annotations

import html
import re

import pandas as pd
import pytest

import lowtail as lt
from lowtail import NoAnswerError, write_report
from lowtail._shared.guard import Trouble, attempt
from lowtail.report.page import page as page_module


def make_log():
    rows = []
    for method, loads in (("slow pull", [24.1, 25.3, 22.8, 26.0, 23.9]), ("shock", [21.0, 22.5, 20.1, 23.3, 19.4])):
        rows += [(f"{method}{i}", "sling", "straight", method, load, "broke") for i, load in enumerate(loads)]
    frame = pd.DataFrame(rows, columns=["specimen", "item", "orientation", "method", "load [kN]", "outcome"])
    return lt.check_breaks(frame.assign(**{"rated [kN]": 22.0}))


def fail(*args, **kwargs):
    raise ZeroDivisionError("put there on purpose")


def refuse(*args, **kwargs):
    raise NoAnswerError("refused on purpose")


def words_of(path):
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", path.read_text(encoding="utf-8"))).split())


SECTIONS = [
    "tested", "strength_section", "figures_section", "comparison_section", "rating_section", "plan_section",
    "checks_section", "cautions_section", "depth_section", "methods_section", "reader", "raw", "provenance",
    "claim_lines",
]  # fmt: skip


@pytest.mark.parametrize("how", [fail, refuse])
@pytest.mark.parametrize("name", SECTIONS)
def test_a_section_that_fails_says_so_and_the_page_comes(name, how, tmp_path, monkeypatch):
    monkeypatch.setattr(page_module, name, how)
    write_report(make_log(), tmp_path / "p.html")
    assert "on purpose" in words_of(tmp_path / "p.html")


ANSWERS = [
    "lowtail.claims.strength.groups.governing",
    "lowtail.claims.strength.groups.demonstrated",
    "lowtail.report.page.gather.compare_table",
    "lowtail.report.page.gather.check_groups",
    "lowtail.claims.group_checks.goodness_of_fit",
    "lowtail.claims.group_checks.outliers",
    "lowtail.report.page.sections_figures.plot_breaks",
    "lowtail.report.page.sections_figures.plot_probability",
    "lowtail.report.page.sections_figures.plot_lower_bounds",
    "lowtail.report.page.sections_comparison.plot_comparison",
]


@pytest.mark.parametrize("how", [fail, refuse])
@pytest.mark.parametrize("name", ANSWERS)
def test_an_answer_that_fails_is_a_line_and_the_page_comes(name, how, tmp_path, monkeypatch):
    monkeypatch.setattr(name, how)
    report = write_report(make_log(), tmp_path / "p.html")
    said = words_of(tmp_path / "p.html")
    assert "on purpose" in said
    assert report.n_groups == 2


def test_one_group_fails_and_the_others_answer(tmp_path, monkeypatch):
    from lowtail.claims.strength import groups

    true = groups.governing

    def odd(sample, basis, **options):
        return fail() if "shock" in sample.label else true(sample, basis, **options)

    monkeypatch.setattr(groups, "governing", odd)
    table = lt.strength_table(make_log(), bases="B-basis").set_index("group")
    assert table["B-basis [kN]"].notna().tolist() == [True, False]
    assert "a fault inside lowtail (ZeroDivisionError: put there on purpose)" in table["notes"].iloc[1]
    assert "cannot be judged" in lt.rating_check(make_log())["sentence"].iloc[1] or "broke below" in str(
        lt.rating_check(make_log())["sentence"].iloc[1]
    )


def test_a_trouble_names_the_group_once():
    found = attempt(fail, who="sling, shock", what="plan")
    assert isinstance(found, Trouble) and not found.expected
    assert str(found).startswith("sling, shock: plan: not answered: a fault inside lowtail (ZeroDivisionError")
    assert str(Trouble(who="sling", what="", reason="Group 'sling': none broke")) == "Group 'sling': none broke"
    with pytest.raises(KeyboardInterrupt):
        attempt(lambda: (_ for _ in ()).throw(KeyboardInterrupt()))
    with pytest.raises(MemoryError):
        attempt(lambda: (_ for _ in ()).throw(MemoryError()))
