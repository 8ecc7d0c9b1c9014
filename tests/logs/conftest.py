"""The demo log and a small one, read once."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

import lowtail as lt

DATA = Path(__file__).parents[2] / "data"


@pytest.fixture(scope="session")
def park() -> lt.BreakLog:
    return lt.read_breaks(DATA / "park_breaks.csv")


@pytest.fixture
def small() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "specimen": ["a1", "a2", "a3", "b1", "b2"],
            "item": ["sling"] * 5,
            "orientation": ["straight"] * 3 + ["basket"] * 2,
            "method": ["slow pull"] * 5,
            "load [kN]": [22.41, 23.05, 21.87, 40.2, 41.9],
            "outcome": ["broke", "broke", "held", "broke", "broke"],
        }
    )
