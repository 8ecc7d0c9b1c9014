"""The demo log against the distributions it was drawn from: the table of bounds in data/README.md is what the code
says."""

from __future__ import annotations

import re
from pathlib import Path

import lowtail as lt
from lowtail.claims.strength.lower_bound import floor3

DATA = Path(__file__).parents[2] / "data"


def test_bounds_of_the_demo_log_against_its_truth():
    text = (DATA / "README.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| ([^|]+) \| ([\d.]+) \| ([\d.]+) \| (\w+) \| ([\d.]+) \| ([\d.]+) \| (\w+) \|$", text, re.M)
    table = lt.strength_table(lt.read_breaks(DATA / "park_breaks.csv"), bases=("A-basis", "B-basis")).set_index("group")
    assert len(rows) == len(table)
    failed = 0
    for group, a, true_a, held_a, b, true_b, held_b in rows:
        row = table.loc[group]
        low_a, low_b = row["A-basis, these batches [kN]"], row["B-basis, these batches [kN]"]
        assert (floor3(low_a), floor3(low_b)) == (a, b)
        assert (held_a == "covered") == (low_a <= float(true_a))
        assert (held_b == "covered") == (low_b <= float(true_b))
        failed += (held_a != "covered") + (held_b != "covered")
    assert failed <= 5  # binomial(36, 0.05): more would happen in 1 of 80 logs
