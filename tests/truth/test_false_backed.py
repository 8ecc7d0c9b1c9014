"""The word "backed" without a qualifier is false in at most 5 % of series, whatever the batches do."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

HERE = Path(__file__).parent


def test_backed_is_false_in_at_most_5_percent():
    table = pd.read_csv(HERE / "false_backed.csv")
    assert set(table["batches"]) == {2, 3, 5} and set(table["each"]) >= {3, 6} and table["share_between"].max() == 0.9
    assert (table["repeats"] >= 500).all()
    worst = table["false_backed"] - 2 * table["error"]
    assert (worst <= 5).all(), table[worst > 5]


def test_what_these_batches_alone_say_is_not_said_of_the_next():
    """Why the qualifier is there: with nine tenths of the variance between batches the narrower claim often fails."""
    table = pd.read_csv(HERE / "false_backed.csv")
    far = table[table["share_between"] == 0.9]
    assert far["false_these_batches"].max() > 10 > far["false_backed"].max()


def test_a_short_part_of_the_study_again(study):
    table = study("false_backed").study(120, [(2, 3, 0.9, 15.0), (3, 3, 0.0, 15.0)])
    assert (table["false_backed"] <= 5 + 2 * table["error"]).all()
