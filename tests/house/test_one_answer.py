"""One question, one answer: every place that shows a bound or a verdict shows the same one, to the last digit.

The only source is `group_strengths`; table, rating check, page, figure, command, JSON, CSV and workbook are walked, on
the demo log and on logs made to break the rule.
"""

from __future__ import annotations

import html
import json
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import lowtail as lt
from lowtail import write_report
from lowtail.claims.strength.answer import floor3
from lowtail.claims.strength.groups import group_strengths
from lowtail.claims.strength.table import column_of
from lowtail.cli import main
from lowtail.plot import lower_bounds as plot_lower_bounds
from lowtail.report import phrases

DATA = Path(__file__).parents[2] / "data"
BASES = ("A-basis", "B-basis")


def frame(item, loads, outcomes=None, batch=None, rated=np.nan):
    n = len(loads)
    return pd.DataFrame(
        {
            "specimen": [f"{item} {i}" for i in range(n)],
            "item": item,
            "orientation": "straight",
            "method": "slow pull",
            "load [kN]": loads,
            "outcome": outcomes or ["broke"] * n,
            "batch": batch or [""] * n,
            "rated [kN]": rated,
        }
    )


LOGS = {
    "three breaks in batches of 2 + 1": [frame("sling", [22.0, 23.0, 21.0], batch=list("aab"), rated=12.0)],
    "two far batches": [frame("oval", [26.8, 27.4, 27.0, 23.1, 23.6, 23.3], batch=list("aaabbb"), rated=15.0)],
    "slips": [frame("knot", [6.12, 5.8, 5.95, 6.3, 4.16], ["broke"] * 4 + ["slipped"], rated=5.0)],
    "all held": [
        frame("tree", [20.0, 21.0], ["held", "held"], rated=15.0),
        frame("bolt", [20.0] * 29, ["held"] * 29, rated=15.0),
    ],
    "one break": [frame("ring", [20.0, 21.0, 22.0], ["broke", "held", "held"], rated=15.0)],
    "one specimen": [frame("eye", [20.0], rated=15.0)],
}
LOGS["all of them"] = [part for parts in list(LOGS.values()) for part in parts] + [
    frame("plain", [24.1, 25.3, 22.8, 26.0, 23.9], rated=16.0),
    frame("between", [24.1, 25.3, 22.8, 26.0, 23.9], rated=18.0),
    frame("one batch", [24.1, 25.3, 22.8, 26.0, 23.9], batch=list("kkkkk"), rated=16.0),
]


@pytest.fixture(scope="module", params=["demo", *LOGS])
def case(request, tmp_path_factory):
    folder = tmp_path_factory.mktemp("one_answer")
    path = folder / "log.csv"
    if request.param == "demo":
        path.write_bytes((DATA / "park_breaks.csv").read_bytes())
    else:
        pd.concat(LOGS[request.param]).to_csv(path, index=False)
    log = lt.read_breaks(path)
    return path, log, group_strengths(log, bases=BASES)


def bound(group, basis, field="low"):
    found = group.bound(basis)
    return getattr(found, field) if found else np.nan


def same(one, other):
    np.testing.assert_array_equal(np.asarray(one, dtype=float), np.asarray(other, dtype=float))


def test_table_and_rating_check(case):
    _, log, groups = case
    table = lt.strength_table(log, bases=BASES)
    assert list(table["group"]) == [g.sample.label for g in groups]
    for basis in BASES:
        same(table[column_of(basis)], [bound(g, basis) for g in groups])
        same(table[column_of(basis, "these batches")], [bound(g, basis, "these_batches") for g in groups])
        assert list(table[column_of(basis, "governed by")]) == [
            g.bound(basis).governed_by if g.bound(basis) else "" for g in groups
        ]
    assert list(table["sentence"]) == [g.judged.sentence if g.judged else "" for g in groups]
    ratings = lt.rating_check(log).set_index("group")
    for g in groups:
        row = ratings.loc[g.sample.label]
        assert (row["verdict"], row["sentence"]) == (str(g.judged.verdict), g.judged.sentence)
        same(row["low_kN"], bound(g, "B-basis"))
        same(row["confidence"], g.judged.confidence)


def test_one_group_alone_answers_the_same(case):
    _, log, groups = case
    for sample, g in zip(log.samples.values(), groups, strict=True):
        if g.bound("B-basis"):
            pd.testing.assert_frame_equal(lt.governing(sample, "B-basis").to_frame(), g.bound("B-basis").to_frame())
        assert lt.judge(sample, g.judged.rating).sentence == g.judged.sentence


def cells(page, caption):
    """Rows of a table of the page, as texts."""
    table = re.search(rf"<caption>{re.escape(caption)}</caption>(.*?)</table>", page, re.S)[1]
    rows = re.findall(r"<tr>(.*?)</tr>", table.split("<tbody>")[1], re.S)
    return [[plain(c) for c in re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row, re.S)] for row in rows]


def plain(text):
    return html.unescape(re.sub(r"<[^>]+>", "", text)).replace("\xa0", " ")


def shown(value):
    return floor3(value) if np.isfinite(value) else "none"


def test_page(case, tmp_path):
    _, log, groups = case
    report = write_report(log, tmp_path / "p.html", bases=BASES, checks=False)
    page = (tmp_path / "p.html").read_text(encoding="utf-8")
    rows = cells(page, "Lower bounds by group")
    for row, g in zip(rows, groups, strict=True):
        assert [row[5], row[7]] == [shown(bound(g, b)) for b in BASES]
    for row, g in zip(cells(page, "Rating against data"), groups, strict=True):
        assert row[2] == shown(bound(g, "B-basis")) and row[-1] == phrases.published(g.judged.sentence)
    lines = plain(page)
    for g in groups:
        if g.judged.verdict.backed and len(groups) < 9:
            low = g.judged.these_batches if "these batches" in g.judged.verdict else g.judged.low
            assert f"{g.sample.label} ({floor3(low)} against {g.judged.rating:g} kN)" in lines
    same(report.answers.table[column_of("B-basis")], [bound(g, "B-basis") for g in groups])
    same(list(report.answers.lows.values()), [bound(g, "B-basis") for g in groups])


def test_figure(case):
    _, log, groups = case
    if not any(g.bound("B-basis") for g in groups):
        pytest.skip("no group carries a bound")
    ax = plot_lower_bounds(lt.strength_table(log, bases="B-basis"))
    (line,) = [one for one in ax.get_lines() if one.get_gid() == "low"]
    same(line.get_xdata(), [bound(g, "B-basis") for g in groups])


@pytest.mark.parametrize("ending", ["json", "csv", "xlsx"])
def test_command_and_its_files(case, ending, tmp_path, capsys):
    path, _, groups = case
    out = tmp_path / f"table.{ending}"
    able = any(g.bound(b) for g in groups for b in BASES)
    words = [
        "strength",
        str(path),
        "--basis",
        "A-basis",
        "--basis",
        "B-basis",
        "--no-checks",
        "--json",
        "--out",
        str(out),
    ]
    assert main(words) == (0 if able else 1)
    body = json.loads(capsys.readouterr().out)
    read = {
        "json": lambda: pd.DataFrame(json.loads(out.read_text(encoding="utf-8"))["rows"]),
        "csv": lambda: pd.read_csv(out, keep_default_na=False),
        "xlsx": lambda: pd.read_excel(out, sheet_name="table", keep_default_na=False),
    }[ending]()
    for rows in (pd.DataFrame(body["rows"]), read):
        for basis in BASES:
            got = pd.to_numeric(rows[column_of(basis)], errors="coerce").to_numpy(dtype=float)
            np.testing.assert_allclose(got, [bound(g, basis) for g in groups], rtol=1e-14)
        assert list(rows["sentence"]) == [g.judged.sentence for g in groups]
    assert "Not a rating and not a certificate" in body["caution"]


def test_plans_answer_for_the_rule_that_judged(case):
    """No plan says that a claim is backed where the verdict does not, and none plans what is backed already."""
    _, _, groups = case
    for g in groups:
        if g.bound("B-basis") is None or g.sample.n_broken < 2:
            continue
        try:
            plan = lt.plan.more_samples(g.sample, g.judged.rating, "B-basis")
        except lt.LowtailError:
            continue
        backed = g.bound("B-basis").low >= g.judged.rating
        assert (plan.n == 0) == backed, plan.sentence
        assert ("already" in plan.sentence) == backed
