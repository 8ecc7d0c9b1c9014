"""A log knows whether its table still is what was read."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest

import lowtail as lt
from lowtail.logs.edits import data_sha256
from lowtail.report.page.sections_log import provenance
from lowtail.report.tables.text import only_groups

ROWS = pd.DataFrame(
    {
        "specimen": [f"S{i}" for i in range(6)],
        "item": ["sling"] * 3 + ["cord"] * 3,
        "load [kN]": [24.1, 25.3, 22.8, 9.1, 9.4, 8.8],
        "outcome": "broke",
    }
)


@pytest.fixture
def log() -> lt.BreakLog:
    return lt.check_breaks(ROWS.copy())


def test_an_unchanged_table_is_silent_in_any_order(log: lt.BreakLog) -> None:
    assert log.edited == ""
    assert replace(log, table=log.table.sort_values("load_kN")).edited == ""


def test_a_load_changed_by_hand_is_named_and_stands_on_the_page(log: lt.BreakLog) -> None:
    before = data_sha256(log.table)
    log.table.loc[1, "load_kN"] = 29.9
    assert log.edited == f"edited after reading: rows {log.table.loc[1, 'cell']}"
    assert data_sha256(log.table) != before
    text = str(provenance(log, command="", seed=0, choices=()))
    assert log.edited in text and data_sha256(log.table) in text and before not in text


def test_rows_taken_away_or_added_are_counted(log: lt.BreakLog) -> None:
    fewer = replace(log, table=log.table.drop(index=5))
    assert fewer.edited == "edited after reading: 1 of the rows read are gone"
    more = replace(log, table=pd.concat([log.table, log.table.tail(1)]))
    assert more.edited.startswith("edited after reading: rows")


def test_some_of_the_groups_are_no_edit_but_an_edit_among_them_is(log: lt.BreakLog) -> None:
    assert only_groups(log, ["cord"], by=["item"]).edited == ""
    log.table.loc[4, "load_kN"] = 12.0
    assert only_groups(log, ["cord"], by=["item"]).edited.startswith("edited after reading: rows")
