"""Messy and hostile break logs: each reads as its writer meant it, or is refused by the address of every bad cell."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest

import lowtail as lt

CORPUS = Path(__file__).with_name("corpus")
CASES: dict[str, dict[str, Any]] = json.loads((CORPUS / "expected.json").read_text(encoding="utf-8"))
READS = {name: case for name, case in CASES.items() if case["rows"] is not None}
REFUSED = {name: case for name, case in CASES.items() if case["rows"] is None}
COLUMNS = ["specimen", "item", "orientation", "method", "load_kN", "outcome", "used"]


def test_the_corpus_is_large_enough() -> None:
    assert len({case["file"] for case in CASES.values()}) >= 40
    assert {p.name for p in CORPUS.iterdir()} == {case["file"] for case in CASES.values()} | {"expected.json"}


@pytest.mark.parametrize("name", READS)
def test_reads_as_meant(name: str) -> None:
    case = READS[name]
    log = lt.read_breaks(CORPUS / case["file"], **case["options"])
    got = log.table[COLUMNS].to_numpy().tolist()
    assert len(got) == len(case["rows"])
    for row, wanted in zip(got, case["rows"], strict=True):
        load = math.nan if wanted[4] is None else wanted[4]
        assert [*row[:4], *row[5:]] == [*wanted[:4], *wanted[5:]]
        assert row[4] == pytest.approx(load, rel=1e-13, nan_ok=True)
    for level, cell, part in case["findings"]:
        near = log.findings[(log.findings["level"] == level) & (log.findings["cell"] == cell)]
        assert any(part in message for message in near["message"]), log.findings.to_string()
    expected = {cell for level, cell, _ in case["findings"] if level != "info"}
    doubts = log.findings[(log.findings["level"] != "info") & (log.findings["cell"] != "file")]
    assert set(doubts["cell"]) == expected, doubts.to_string()  # no warning without a reason
    assert log.n_rows == log.n_used + log.n_set_aside


@pytest.mark.parametrize("name", REFUSED)
def test_refused_with_every_bad_cell(name: str) -> None:
    case = REFUSED[name]
    with pytest.raises(lt.InputError) as caught:
        lt.read_breaks(CORPUS / case["file"], **case["options"])
    assert case["says"] in str(caught.value)
    if case["bad"] is not None:
        assert isinstance(caught.value, lt.TableError)
        assert sorted(bad.cell for bad in caught.value.cells) == sorted(case["bad"]), str(caught.value)
