"""The table of an archive: the same rows as file by file, no group in two files."""

from __future__ import annotations

import pandas as pd
import pytest

from lowtail import InputError, read_breaks, strength_table
from lowtail.many import strength_table as strength_table_large


def write(path, item, loads):
    rows = [(f"{item}{i}", item, load, "broke") for i, load in enumerate(loads)]
    pd.DataFrame(rows, columns=["specimen", "item", "load [kN]", "outcome"]).to_csv(path, index=False)
    return path


@pytest.mark.parametrize("n_jobs", [1, 2])
def test_same_rows_as_one_by_one(tmp_path, n_jobs):
    paths = [write(tmp_path / "a.csv", "oval", [24.1, 25.3, 22.8]), write(tmp_path / "b.csv", "cord", [6.1, 5.8, 6.6])]
    table = strength_table_large(paths, by="item", n_jobs=n_jobs)
    assert list(table["file"]) == ["a.csv", "b.csv"]
    for path, (_, row) in zip(paths, table.iterrows(), strict=True):
        assert strength_table(read_breaks(path), by="item")["B-basis [kN]"][0] == row["B-basis [kN]"]


def test_parquet(tmp_path):
    pytest.importorskip("pyarrow")
    path = write(tmp_path / "a.csv", "oval", [24.1, 25.3, 22.8])
    pd.read_csv(path).to_parquet(tmp_path / "a.parquet")
    from_parquet = strength_table_large([tmp_path / "a.parquet"], by="item")
    assert from_parquet["B-basis [kN]"][0] == strength_table_large([path], by="item")["B-basis [kN]"][0]


def test_a_group_must_not_straddle_files(tmp_path):
    paths = [write(tmp_path / f"{n}.csv", "oval", [24.1, 25.3, 22.8]) for n in "ab"]
    with pytest.raises(InputError, match=r"stands in a\.csv and in b\.csv"):
        strength_table_large(paths, by="item")
    with pytest.raises(InputError, match="at least one break log"):
        strength_table_large([])
