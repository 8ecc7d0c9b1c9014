"""Property tests of the reader: disturb a log in ways that change no meaning, and read back the same samples."""

from __future__ import annotations

import csv
import io
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import lowtail as lt
from lowtail.logs.units import FORCE, from_kN

SETTINGS = {"deadline": None, "suppress_health_check": [HealthCheck.function_scoped_fixture, HealthCheck.too_slow]}

LETTERS = "specimn,itlodu;\n\t\"'kN[]0123456789.broeh>+"
loads = st.lists(st.integers(800, 4999), min_size=2, max_size=8).map(lambda xs: [Decimal(x) / 100 for x in xs])


@st.composite
def disturbed(draw: st.DrawFn) -> tuple[list[Decimal], list[str], str]:
    """Loads in kN, outcomes, and the text of a file that means them."""
    truth = draw(loads)
    outcomes = [draw(st.sampled_from(["broke", "held", "slipped"])) for _ in truth]
    unit = draw(st.sampled_from(sorted(FORCE)))
    mark, delimiter = draw(st.sampled_from([(".", ","), (".", ";"), (",", ";"), (",", "\t"), (".", "\t"), (".", "|")]))
    case = draw(st.sampled_from([str, str.upper, str.title]))
    order = draw(st.permutations(range(6)))
    head = ["specimen", "item", "orientation", "method", f"load [{unit}]", "outcome"]
    head = [h if "load" in h else case(h) for h in head]
    lines: list[list[str]] = [[head[i] for i in order]]
    for k, (load, outcome) in enumerate(zip(truth, outcomes, strict=True)):
        number = repr(from_kN(float(load), unit)).replace(".", mark)
        pad = draw(st.sampled_from(["", " ", "\u00a0"]))
        row = [f"s{k}", case("sling") + pad, pad + "straight", "slow pull", pad + number, case(outcome)]
        lines += [[]] * draw(st.integers(0, 1)) + [[row[i] for i in order]]
    out = io.StringIO(newline="")
    out.write(draw(st.sampled_from(["", "invented\n", "invented; bench 7, 12.5\n\n"])))
    csv.writer(out, delimiter=delimiter, lineterminator=draw(st.sampled_from(["\n", "\r\n"]))).writerows(lines)
    return truth, outcomes, out.getvalue()


@settings(max_examples=25, **SETTINGS)
@given(made=disturbed(), encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]))
def test_disturbed_files_mean_the_same(
    made: tuple[list[Decimal], list[str], str], encoding: str, tmp_path: Path
) -> None:
    truth, outcomes, text = made
    path = tmp_path / "log.csv"
    path.write_bytes(text.encode(encoding))
    try:
        log = lt.read_breaks(path)
    except lt.TableError as exc:
        assert "two ways" in str(exc)  # nothing but thousands or decimals may be in doubt
        return
    assert log.table["load_kN"].to_numpy() == pytest.approx(np.array(truth, dtype=float), rel=1e-14)
    assert log.table["outcome"].tolist() == outcomes
    (sample,) = log.grouped("orientation").values()
    assert sample.broke.tolist() == [o == "broke" for o in outcomes]


@settings(max_examples=8, **SETTINGS)
@given(truth=loads, data=st.data())
def test_row_order_is_irrelevant(truth: list[Decimal], data: st.DataObject) -> None:
    frame = pd.DataFrame(
        {
            "specimen": [f"s{i}" for i in range(len(truth))],
            "item": "sling",
            "orientation": [data.draw(st.sampled_from(["straight", "basket"])) for _ in truth],
            "load [kN]": [float(x) for x in truth],
            "outcome": "broke",
        }
    )
    shuffled = frame.sample(frac=1, random_state=data.draw(st.integers(0, 999)))
    one = {s.label: sorted(s.load) for s in lt.check_breaks(frame).samples.values()}
    other = {s.label: sorted(s.load) for s in lt.check_breaks(shuffled).samples.values()}
    assert one == other


@settings(max_examples=40, **SETTINGS)
@given(data=st.binary(max_size=300) | st.text(alphabet=LETTERS, max_size=200).map(str.encode))
def test_any_bytes_are_a_log_or_refused(data: bytes, tmp_path: Path) -> None:
    path = tmp_path / "any.csv"
    path.write_bytes(data)
    try:
        log = lt.read_breaks(path)
    except lt.LowtailError:
        return
    assert log.n_rows == log.n_used + log.n_set_aside


NAMES = ["specimen", "item", "load [kN]", "outcome", "excluded", "age_years"]
WORDS = ["22.4", "22,4", ">22", "broke", "held", "sling", "kN", "lbf", "n/a", "mean"]
numbers = st.integers(-5, 50) | st.floats()
cells = st.none() | st.booleans() | numbers | st.text(max_size=6) | st.dates() | st.times() | st.sampled_from(WORDS)


@settings(max_examples=40, **SETTINGS)
@given(rows=st.lists(st.tuples(*[cells] * 6), min_size=1, max_size=5))
def test_any_frame_is_a_log_or_refused(rows: list[tuple[Any, ...]]) -> None:
    frame = pd.DataFrame(rows, columns=NAMES, dtype=object)
    try:
        log = lt.check_breaks(frame)
    except lt.LowtailError:
        return
    assert log.n_rows == log.n_used + log.n_set_aside
    used = log.table[log.table["used"]]
    assert (used["load_kN"] > 0).all()
