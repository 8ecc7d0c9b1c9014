"""Large logs and long fuzzing of the reader; run with ``-m slow``."""

from __future__ import annotations

import random
import time
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import lowtail as lt
from lowtail.logs.cells import Refused, number_cell, parse_load

pytestmark = pytest.mark.slow
CORPUS = Path(__file__).with_name("corpus")


def test_two_hundred_thousand_rows_within_thirty_seconds(tmp_path: Path) -> None:
    n = 200_000
    rng = np.random.default_rng(20240503)
    group = np.arange(n) // 8
    frame = pd.DataFrame(
        {
            "specimen": [f"s{i}" for i in range(n)],
            "item": [f"item {g % 50}" for g in group],
            "orientation": [f"axis {g % 11}" for g in group],
            "method": np.where(group % 2, "slow pull", "shock"),
            "load [kN]": np.round(20 * rng.weibull(15, n), 2),
            "outcome": np.where(rng.random(n) < 0.9, "broke", "held"),
            "batch": [f"b{g % 7}" for g in group],
            "rated_kN": 18.0,
        }
    )
    book = openpyxl.Workbook(write_only=True)
    sheet = book.create_sheet("Breaks")
    for row in [list(frame.columns), *frame.to_numpy().tolist()]:
        sheet.append(row)
    book.save(tmp_path / "large.xlsx")
    wall, cpu = time.perf_counter(), time.process_time()
    log = lt.read_breaks(tmp_path / "large.xlsx")
    wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
    print(f"200,000 rows: {wall:.1f} s, {cpu:.1f} s of processor time")
    assert log.n_rows == n
    assert log.table["load_kN"].tolist() == frame["load [kN]"].tolist()
    assert cpu < 30  # processor time, so that a busy machine does not decide


@settings(max_examples=20_000, deadline=None, suppress_health_check=list(HealthCheck))
@given(text=st.text(max_size=40) | st.text(alphabet="0123456789.,' -+eE<>~≥kNlbfDBhold()@:/%*", max_size=20))
def test_long_fuzzing_of_the_cell_parser(text: str) -> None:
    for decimal in ("", ".", ","):
        for parse in (number_cell, parse_load):
            try:
                parse(text, decimal)
            except Refused:
                continue


@settings(max_examples=2_000, deadline=None, suppress_health_check=list(HealthCheck))
@given(data=st.binary(max_size=2000))
def test_long_fuzzing_with_bytes(data: bytes, tmp_path: Path) -> None:
    path = tmp_path / "any"
    path.write_bytes(data)
    try:
        lt.read_breaks(path)
    except lt.LowtailError:
        return


@pytest.mark.parametrize("name", sorted(p.name for p in CORPUS.iterdir() if p.suffix != ".json"))
def test_every_file_of_the_corpus_damaged(name: str, tmp_path: Path) -> None:
    generator = random.Random(name)
    whole = (CORPUS / name).read_bytes()
    path = tmp_path / name
    for _ in range(60):
        data = bytearray(whole)
        for _ in range(generator.randrange(1, 6)):
            data[generator.randrange(len(data))] = generator.randrange(256)
        path.write_bytes(bytes(data[: generator.randrange(1, len(data) + 1)] if generator.random() < 0.2 else data))
        try:
            log = lt.read_breaks(path)
        except lt.LowtailError:
            continue
        assert log.n_rows == log.n_used + log.n_set_aside
