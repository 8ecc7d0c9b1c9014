"""The bound of an assembly, from the committed table: at least the 95 % stated less one point."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

LEAST = 94.0


def test_the_weak_link_bound_covers() -> None:
    table = pd.read_csv(Path(__file__).parent / "parts_coverage.csv")
    assert set(table["family"]) == {"weibull", "normal"} and set(table["fraction_below"]) == {0.01, 0.10}
    assert (table["given"] >= 800).all()
    assert (table["covered"] >= LEAST).all()
