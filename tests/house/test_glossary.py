"""Every column of a table that a user can write to a file has its line in the glossary."""

from pathlib import Path

import pytest

import lowtail as lt
from lowtail.glossary import meanings

DATA = Path(__file__).parents[2] / "data"
LOG = lt.read_breaks(DATA / "park_breaks.csv")
FIRST, SECOND = list(LOG.samples.values())[:2]

TABLES = {
    "strength_table": lambda: lt.strength_table(LOG, bases=("B-basis",)),
    "strength_table, borrowed": lambda: lt.strength_table(LOG, bases=("A-basis",), borrow=("item",)),
    "rating_check": lambda: lt.rating_check(LOG),
    "compare_table": lambda: lt.compare_table(LOG),
    "Joint": lambda: lt.compare_table(LOG).joint.to_frame(),
    "Joint.sets": lambda: lt.compare_table(LOG, margin=0.9).joint.sets,
    "slip_table": lambda: lt.checks.slip_table(LOG),
    "grid of populations": lambda: lt.plan.grid(22, "B-basis", mean=[25], cv=[0.06]),
    "grid of designs": lambda: lt.plan.grid(ratio=0.9, cv=0.06, n=3, size=100),
    "grid of groups": lambda: lt.plan.grid(15, samples=[FIRST, SECOND], max_n=2),
    "trace_rows": lambda: lt.trace.trace_rows([DATA / "traces" / "drop_clean_D07.csv"]),
    "influence": lambda: lt.checks.influence(FIRST, "B-basis"),
    "findings": lambda: LOG.findings,
    "log": lambda: LOG.table,
    "LowerBound": lambda: lt.lower_bound(FIRST, "B-basis").to_frame(),
    "Prediction": lambda: lt.prediction(FIRST, 3).to_frame(),
    "LotAcceptance": lambda: lt.accept_batch(FIRST, [20.0, 21.0, 22.0]).to_frame(),
    "Fit": lambda: lt.fit(FIRST, "weibull").to_frame(),
    "Comparison": lambda: lt.compare(FIRST, SECOND).to_frame(),
    "Plan": lambda: lt.plan.new_series(18, "B-basis", mean=25, cv=0.08, family="normal").to_frame(),
    "Plan.curve": lambda: lt.plan.new_series(18, "B-basis", mean=25, cv=0.08, family="normal").curve,
    "EqualScale": lambda: lt.checks.equal_scale([FIRST, SECOND]).to_frame(),
    "SharedGain": lambda: lt.checks.shared_gain([FIRST, SECOND], "B-basis").to_frame(),
    "Sensitivity": lambda: lt.checks.sensitivity(FIRST, "B-basis").to_frame(),
}


@pytest.mark.parametrize("name", TABLES)
def test_every_column_is_explained(name):
    table = TABLES[name]()
    known = meanings(map(str, table.columns))
    assert [column for column, words in known.items() if not words] == []
