"""What is written reads back identical, and no spreadsheet runs a cell of it."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import lowtail as lt
from lowtail.glossary import BREAK_LOG
from lowtail.logs.breaks.export import safe_text, template_text, write_template
from lowtail.logs.breaks.schema import table_schema, table_schema_json

DATA = Path(__file__).parents[3] / "data"
RISKY = ("=", "+", "-", "@", "\t", "\r")


def same(one: lt.BreakLog, other: lt.BreakLog) -> None:
    pd.testing.assert_frame_equal(one.table.drop(columns="cell"), other.table.drop(columns="cell"))


@pytest.mark.parametrize("ending", ["csv", "xlsx"])
def test_the_demo_log_there_and_back(park: lt.BreakLog, tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"log.{ending}"
    (park.to_csv if ending == "csv" else park.to_xlsx)(path)
    same(park, lt.read_breaks(path))
    (park.to_csv if ending == "csv" else park.to_xlsx)(path)  # replaces a whole file by a whole file
    assert [p.name for p in tmp_path.iterdir()] == [path.name]


@pytest.mark.parametrize("ending", ["csv", "xlsx"])
def test_units_slips_reasons_and_other_columns_there_and_back(small: pd.DataFrame, tmp_path: Path, ending: str) -> None:
    frame = small.rename(columns={"load [kN]": "load"})
    frame["load"] = ["22.41 kN", "5180 lbf", ">2230 kgf", "40.2 kN", ""]
    frame["outcome"] = ["broke", "slipped", "", "broke", "invalid"]
    frame["colour"] = ["=red", "'-blue", "", "#N/A", "x"]
    frame["note"] = ["+1", "@a", "=cmd()", "'quoted", "-"]
    frame["specimen"] = ["007", "1.0", "1e5", "TRUE", "2024-05-03"]
    log = lt.check_breaks(frame)
    path = tmp_path / f"log.{ending}"
    (log.to_csv if ending == "csv" else log.to_xlsx)(path)
    same(log, lt.read_breaks(path))


texts = st.text(st.characters(blacklist_categories=("Cs",)), max_size=12)


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    rows=st.lists(
        st.tuples(st.floats(1e-3, 1e4), st.sampled_from(["broke", "held", "slipped"]), texts, texts),
        min_size=1,
        max_size=5,
    ),
    ending=st.sampled_from(["csv", "xlsx"]),
)
def test_any_log_there_and_back(rows: list[tuple[float, str, str, str]], ending: str, tmp_path: Path) -> None:
    frame = pd.DataFrame(
        {
            "specimen": [f"s{i}" for i in range(len(rows))],
            "item": ["sling"] * len(rows),
            "load [kN]": [r[0] for r in rows],
            "outcome": [r[1] for r in rows],
            "batch": [r[2] for r in rows],
            "note": [r[3] for r in rows],
        }
    )
    log = lt.check_breaks(frame)
    path = tmp_path / f"log.{ending}"
    (log.to_csv if ending == "csv" else log.to_xlsx)(path)
    same(log, lt.read_breaks(path))


def test_no_cell_of_a_csv_begins_a_formula(small: pd.DataFrame, tmp_path: Path) -> None:
    small["note"] = ["=1+1", "+1", "-1", "@x", "'=y"]
    small["=evil"] = ["=2", "", "", "", ""]
    lt.check_breaks(small).to_csv(tmp_path / "log.csv")
    for row in csv.reader(io.StringIO((tmp_path / "log.csv").read_text(encoding="utf-8"))):
        assert not any(cell.startswith(RISKY) for cell in row)
    assert safe_text("") == "" and safe_text("'") == "'"


def test_no_cell_of_a_workbook_is_a_formula(small: pd.DataFrame, tmp_path: Path) -> None:
    openpyxl = pytest.importorskip("openpyxl")
    small["note"] = ["=1+1", "+1", "-1", "@x", "'=y"]
    lt.check_breaks(small).to_xlsx(tmp_path / "log.xlsx")
    sheet = openpyxl.load_workbook(tmp_path / "log.xlsx")["Breaks"]
    kinds = {cell.data_type for row in sheet.iter_rows() for cell in row if cell.value is not None}
    assert kinds <= {"s", "n"}


def test_writing_needs_a_place(park: lt.BreakLog, tmp_path: Path) -> None:
    with pytest.raises(lt.InputError, match="folder that does not exist"):
        park.to_csv(tmp_path / "no" / "log.csv")


def test_writing_a_workbook_needs_openpyxl(park: lt.BreakLog, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "openpyxl", None)
    with pytest.raises(lt.MissingExtraError, match=r"lowtail\[excel\]"):
        park.to_xlsx(tmp_path / "log.xlsx")


def test_hidden_rows_need_openpyxl_and_say_so(
    park: lt.BreakLog, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    park.to_xlsx(tmp_path / "log.xlsx")
    monkeypatch.setitem(__import__("sys").modules, "openpyxl", None)
    log = lt.read_breaks(tmp_path / "log.xlsx")
    assert (
        log.findings["message"].str.contains("hidden rows, struck-through cells and comments were not looked at").any()
    )
    same(park, log)


@pytest.mark.parametrize("ending", ["csv", "xlsx"])
def test_a_filled_template_is_a_log(tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"empty.{ending}"
    write_template(path)
    with pytest.raises(lt.TableError, match="no specimen under it"):
        lt.read_breaks(path)
    filled = ["a1", "sling", "straight", "slow pull", 22.4, "broke"]
    if ending == "csv":
        with path.open("a", encoding="utf-8", newline="") as file:
            csv.writer(file).writerow(filled)
    else:
        openpyxl = pytest.importorskip("openpyxl")
        book = openpyxl.load_workbook(path)
        book["Breaks"].append(filled)
        book.save(path)
    log = lt.read_breaks(path)
    assert (log.n_rows, log.table.loc[0, "load_kN"]) == (1, 22.4)
    with pytest.raises(lt.InputError, match="exists already"):
        write_template(path)


def test_the_template_explains_every_column(tmp_path: Path) -> None:
    text = template_text()
    assert all(name in text for name in BREAK_LOG if name != "unit")
    with pytest.raises(lt.InputError, match=r"ends in \.csv or \.xlsx"):
        write_template(tmp_path / "log.doc")


def test_the_published_schema_is_the_glossary() -> None:
    published = (DATA / "break_log.schema.json").read_text(encoding="utf-8")
    assert published == table_schema_json(), "write it again: see data/README.md"
    schema = json.loads(published)
    assert [f["name"] for f in schema["fields"]] == list(BREAK_LOG)
    # Table Schema, https://specs.frictionlessdata.io/table-schema/: types and constraint names used here
    assert {f["type"] for f in schema["fields"]} <= {"string", "number", "boolean"}
    assert {c for f in schema["fields"] for c in f.get("constraints", {})} <= {"required", "enum", "minimum"}


def test_a_written_log_keeps_the_published_schema(park: lt.BreakLog, tmp_path: Path) -> None:
    park.to_csv(tmp_path / "log.csv")
    rows = list(csv.DictReader(io.StringIO((tmp_path / "log.csv").read_text(encoding="utf-8"))))
    schema = table_schema()
    assert list(rows[0]) == [f["name"] for f in schema["fields"]]
    for field in schema["fields"]:
        limits = field.get("constraints", {})
        for row in rows:
            value = row[field["name"]]
            assert value or not limits.get("required")
            if not value:
                continue
            if field["type"] == "number":
                assert float(value) >= limits["minimum"]
            if field["type"] == "boolean":
                assert value in ("true", "false")
            assert value in limits.get("enum", [value])
    assert len({row[schema["primaryKey"]] for row in rows}) == len(rows)
