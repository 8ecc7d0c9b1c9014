"""Every column of a table that a user can write to a file has its line in the glossary."""

from pathlib import Path

import pytest

import lowtail as lt
from lowtail.glossary import meanings

DATA = Path(__file__).parents[2] / "data"
LOG = lt.read_breaks(DATA / "park_breaks.csv")
FIRST, SECOND = lt.split(LOG, by=("item", "orientation", "method"))[:2]

TABLES = {
    "strength_table": lambda: lt.strength_table(LOG, bases=("B-basis",)),
    "strength_table, borrowed": lambda: lt.strength_table(LOG, bases=("A-basis",), borrow=("item",)),
    "rating_check": lambda: lt.rating_check(LOG),
    "compare_table": lambda: lt.compare_table(LOG),
    "slip_table": lambda: lt.slip_table(LOG),
    "what_if": lambda: lt.what_if(22, "B-basis", mean=[25], cv=[0.06]),
    "trace_rows": lambda: lt.trace_rows([DATA / "traces" / "drop_clean_D07.csv"]),
    "influence": lambda: lt.influence(FIRST, "B-basis"),
    "findings": lambda: LOG.findings,
    "log": lambda: LOG.table,
    "LowBound": lambda: lt.low_bound(FIRST, "B-basis").to_frame(),
    "Fit": lambda: lt.fit(FIRST, "weibull").to_frame(),
    "Comparison": lambda: lt.compare(FIRST, SECOND).to_frame(),
    "Plan": lambda: lt.plan_bound(18, "B-basis", mean=25, cv=0.08, family="normal").to_frame(),
    "Plan.curve": lambda: lt.plan_bound(18, "B-basis", mean=25, cv=0.08, family="normal").curve,
    "EqualSpread": lambda: lt.equal_spread([FIRST, SECOND]).to_frame(),
    "SharedGain": lambda: lt.shared_gain([FIRST, SECOND], "B-basis").to_frame(),
    "Sensitivity": lambda: lt.sensitivity(FIRST, "B-basis").to_frame(),
}


@pytest.mark.parametrize("name", TABLES)
def test_every_column_is_explained(name):
    table = TABLES[name]()
    known = meanings(map(str, table.columns))
    assert [column for column, words in known.items() if not words] == []
