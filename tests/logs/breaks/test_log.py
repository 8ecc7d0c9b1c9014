"""The break log as a whole: arguments, sums, sentences, screens."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

import lowtail as lt
from lowtail.glossary import BREAK_LOG
from lowtail.logs.breaks.labels import nearly_equal
from lowtail.logs.breaks.schema import check_table
from lowtail.logs.breaks.screens import grid_of


def test_every_canonical_column_is_there(small: pd.DataFrame) -> None:
    log = lt.check_breaks(small)
    derived = ["load_kN", "upper_kN", "uncertainty_kN", "broke", "used", "set_aside", "slipped", "cell"]
    assert list(log.table.columns) == [*BREAK_LOG, *derived]
    assert (log.table["batch"] == "").all() and log.table["age_years"].isna().all()
    assert log.table["load_kN"].tolist() == small["load [kN]"].tolist()
    assert log.table["unit"].unique().tolist() == ["kN"]
    assert log.source.sha256 == ""


def test_rows_in_are_rows_used_plus_rows_set_aside(park: lt.BreakLog) -> None:
    assert park.n_rows == 120
    assert (park.n_used, park.n_set_aside) == (118, 2)
    assert park.set_aside["set_aside"].str.startswith(("invalid: ", "excluded: ")).all()
    assert sum(s.n for s in park.samples.values()) == park.n_used
    assert str(park) == (
        "park_breaks.csv: 120 specimens = 118 used (111 broke, 6 held, 1 slipped) + 2 set aside; 0 warnings"
    )
    assert repr(park) == str(park)
    assert park.to_frame().loc[0, "n_held"] == 6
    assert "118 used" in park._repr_html_()


def test_a_file_is_known_by_its_bytes(park: lt.BreakLog) -> None:
    import hashlib

    data = (Path(__file__).parents[3] / "data" / "park_breaks.csv").read_bytes()
    assert park.source.name == "park_breaks.csv"
    assert park.source.sha256 == hashlib.sha256(data).hexdigest()


def test_a_frame_and_its_file_give_the_same_log(small: pd.DataFrame, tmp_path: Path) -> None:
    small.to_csv(tmp_path / "small.csv", index=False)
    from_file = lt.read_breaks(tmp_path / "small.csv").table
    pd.testing.assert_frame_equal(from_file.drop(columns="cell"), lt.check_breaks(small).table.drop(columns="cell"))


def test_verdict_when_every_group_can_answer(park: lt.BreakLog) -> None:
    assert lt.checks.can_answer(park).possible
    assert str(lt.checks.can_answer(park)) == "Yes: 18 of 18 groups carry a lower bound."


def test_verdict_names_the_groups_that_cannot(small: pd.DataFrame) -> None:
    small.loc[3:, "outcome"] = "held"
    log = lt.check_breaks(small)
    said = lt.checks.can_answer(log)
    assert said.possible and "1 of 2 groups" in said.sentence
    assert (
        "sling, basket, slow pull (0 of 2 specimens broke; a bound needs 2 different loads at break)" in said.sentence
    )
    assert log.findings.iloc[0][["level", "got"]].tolist() == ["warning", "sling, basket, slow pull"]


@pytest.mark.parametrize(
    ("outcomes", "loads", "why"),
    [
        (["held"] * 5, None, "0 of 3 specimens broke"),
        (["broke"] * 5, [22.0, 22.0, 22.0, 40.0, 40.0], "breaks lie at one load"),
        (["broke", "broke", "held", "broke", "broke"], [22.0, 22.0, 25.0, 40.0, 40.0], "breaks lie at one load"),
        (["invalid"] * 5, None, "every specimen is set aside"),
    ],
)
def test_verdict_when_no_group_can(
    small: pd.DataFrame, outcomes: list[str], loads: list[float] | None, why: str
) -> None:
    small["outcome"] = outcomes
    small["load [kN]"] = loads or small["load [kN]"]
    log = lt.check_breaks(small)
    assert (log.findings["level"] == "warning").any()
    assert why in " ".join(log.findings["message"])
    if outcomes[0] == "invalid":
        with pytest.raises(lt.InputError, match="every specimen is set aside"):
            lt.checks.can_answer(log)
        return
    said = lt.checks.can_answer(log)
    assert not said.possible
    assert said.sentence.startswith("No: none of 2 groups carries a lower bound") and why in said.sentence


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"unit": "kg"}, "names a mass, not a force"),
        ({"unit": 9}, "`unit` must be a word or None, got 9"),
        ({"decimal": ";"}, "`decimal` must be '.' or ','"),
        ({"repeats": "maybe"}, "`repeats` must be one of refuse"),
        ({"columns": ["load"]}, "`columns` must be a mapping"),
        ({"columns": {"colour": "x"}}, "'colour', which is no column of a break log"),
        ({"columns": {"load": "Zug"}}, "'load' stands under 'Zug', but the headers are: 'specimen'"),
        ({"columns": {"load": 3}}, "`columns` must be a mapping of words to words or None, got 3 for 'load'"),
        ({"labels": {"colour": {}}}, "`labels` must map columns"),
        ({"labels": {"outcome": {"popped": "burst"}}}, "reads an outcome as 'burst'"),
        (
            {"labels": {"item": {"sling": 5}}},
            "mappings of words to words or None, got 5 for 'sling'",
        ),
    ],
)
def test_arguments_that_cannot_be_used(small: pd.DataFrame, options: dict[str, object], says: str) -> None:
    with pytest.raises(lt.InputError) as caught:
        lt.check_breaks(small, **options)  # type: ignore[arg-type]
    assert says in str(caught.value)


def test_what_is_no_table(tmp_path: Path) -> None:
    with pytest.raises(lt.InputError, match="must be a pandas DataFrame, got a list of"):
        lt.check_breaks([1, 2])  # type: ignore[arg-type]
    with pytest.raises(lt.TableError, match="no rows"):
        lt.check_breaks(pd.DataFrame({"specimen": []}))
    with pytest.raises(lt.TableError, match="needs the columns specimen, item, load, outcome, got: x"):
        lt.check_breaks(pd.DataFrame({"x": [1]}))


def test_sheet_argument(small: pd.DataFrame, tmp_path: Path) -> None:
    small.to_csv(tmp_path / "a.csv", index=False)
    small.to_excel(tmp_path / "a.xlsx", index=False, sheet_name="Breaks")
    with pytest.raises(lt.InputError, match="`sheet` is for workbooks"):
        lt.read_breaks(tmp_path / "a.csv", sheet="Breaks")
    with pytest.raises(lt.InputError, match=r"no sheet 'Other'\. Sheets: Breaks"):
        lt.read_breaks(tmp_path / "a.xlsx", sheet="Other")
    with pytest.raises(lt.InputError, match="`sheet` must be 1 to 1"):
        lt.read_breaks(tmp_path / "a.xlsx", sheet=0)
    assert lt.read_breaks(tmp_path / "a.xlsx", sheet=1).n_rows == 5


def test_a_bad_cell_of_a_frame_is_named_by_its_index(small: pd.DataFrame) -> None:
    small.index = pd.Index(["p", "q", "r", "s", "t"])
    small["load [kN]"] = small["load [kN]"].astype(object)
    small.loc["q", "load [kN]"] = "lots"
    with pytest.raises(lt.TableError, match=r"row q, column 'load \[kN\]': 'lots' is not a load") as caught:
        lt.check_breaks(small)
    assert caught.value.cells[0].got == "lots"


def test_other_columns_are_converted_by_their_unit(small: pd.DataFrame) -> None:
    small["drop height (ft)"] = 10.0
    small["drop mass [lb]"] = 100.0
    small["age [months]"] = 18
    small["sampling rate [kHz]"] = 4.8
    small["MBS (lbf)"] = 5000
    small["loading rate [kN/s]"] = 0.5
    row = lt.check_breaks(small).table.iloc[0]
    # exact definitions: foot 0.3048 m and pound 0.45359237 kg (1959), pound-force 4.4482216152605 N
    assert row["drop_height_m"] == pytest.approx(3.048, rel=1e-15)
    assert row["drop_mass_kg"] == pytest.approx(45.359237, rel=1e-15)
    assert row["age_years"] == 1.5
    assert row["sample_rate_hz"] == 4800
    assert row["rated_kN"] == pytest.approx(22.2411080763025, rel=1e-15)
    assert (row["rate"], row["rate_unit"]) == (0.5, "kN/s")


@pytest.mark.parametrize(
    ("header", "says"),
    [
        ("drop height", "states no unit"),
        ("drop height [furlong]", "the unit 'furlong', which is not known"),
        ("age", "states no unit"),
    ],
)
def test_other_columns_need_a_known_unit(small: pd.DataFrame, header: str, says: str) -> None:
    small[header] = 1.0
    with pytest.raises(lt.TableError, match=says):
        lt.check_breaks(small)


def test_negative_numbers_are_refused_everywhere(small: pd.DataFrame) -> None:
    small["age_years"] = [1, 2, -3, 4, 5]
    with pytest.raises(lt.TableError, match="'-3' is negative"):
        lt.check_breaks(small)


def test_a_number_read_two_ways_far_off_its_item_is_refused(small: pd.DataFrame) -> None:
    small["load [kN]"] = ["22.41", "23.05", "21,870", "40.2", "41.9"]
    with pytest.raises(
        lt.TableError, match="'21,870' can be read two ways, and read as the rest of the file it is 692 times"
    ):
        lt.check_breaks(small)


def test_changing_the_unit_changes_nothing_else(small: pd.DataFrame) -> None:
    reference = lt.check_breaks(small).table
    for unit, factor in {"N": 1000.0, "lbf": 1 / 0.0044482216152605, "kgf": 1 / 0.00980665}.items():
        frame = small.rename(columns={"load [kN]": f"load [{unit}]"})
        frame[f"load [{unit}]"] *= factor
        table = lt.check_breaks(frame).table
        assert table["load_kN"].tolist() == pytest.approx(reference["load_kN"].tolist(), rel=1e-14)
        same = [c for c in table if c not in ("load", "unit", "load_kN", "cell")]
        pd.testing.assert_frame_equal(table[same], reference[same])


def test_nearly_equal_labels() -> None:
    pairs = [("major axis", "maj. axis"), ("gate-open", "gate open"), ("basket", "baskets"), ("straight", "stright")]
    assert all(nearly_equal(*pair) for pair in pairs)
    apart = [
        ("major axis", "minor axis"),
        ("batch A", "batch B"),
        ("cord 6 mm", "cord 7 mm"),
        ("2023", "2024"),
        ("A1", "A2"),
    ]
    assert not any(nearly_equal(*pair) for pair in apart)


def test_grid_of_a_display() -> None:
    assert grid_of([4250.0, 4300.0, 4400.0]) == 50.0
    assert grid_of([22.25, 23.5, 21.75]) == 0.25
    assert grid_of([22.413, 22.517]) == 0.001
    assert grid_of([22.41371, 22.517]) is None


def test_the_last_check_finds_a_table_that_was_tampered_with(park: lt.BreakLog) -> None:
    table = park.table.copy()
    check_table(table)
    table.loc[3, "load_kN"] = -1.0
    table.loc[4, "outcome"] = "burst"
    with pytest.raises(lt.TableError, match="does not keep the form") as caught:
        check_table(table)
    assert {"burst"} <= {bad.got for bad in caught.value.cells}


def test_reading_starts_without_heavy_libraries() -> None:
    heavy = ("scipy", "pandera", "openpyxl", "python_calamine")  # pandas stands in the signatures
    code = f"import sys, lowtail.logs.breaks.log; print([m for m in {heavy} if m in sys.modules])"
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, env={"PYTHONPATH": _stats()}
    )
    assert done.stdout.strip() == "[]"


def _stats() -> str:
    return str(Path(lt.__file__).parents[1])
