"""Loads known to lie between two steps, and load uncertainties: samples, columns of a log, refusals in words."""

from __future__ import annotations

import pickle
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import lowtail as lt
from lowtail.logs.breaks.schema import check_table

LEFT = "with no load that it is known to have held. Loads known from above only"


def test_a_sample_keeps_both_ends() -> None:
    sample = lt.Sample([22, 24, 25.5, 26], [1, 1, 1, 0], upper=[24, 26, np.nan, np.nan], uncertainty=0.1)
    assert (sample.n, sample.n_broken, sample.n_between) == (4, 3, 2)
    assert sample.lower.tolist() == [22, 24, 25.5, 26] and sample.upper.tolist() == [24, 26, 25.5, np.inf]
    assert sample.middle.tolist() == [23, 25, 25.5, 26] and sample.highest == 26
    assert sample.uncertainty.tolist() == [0.1] * 4 and sample.common_uncertainty == 0.0
    for values in (sample.lower, sample.upper, sample.uncertainty):
        assert not values.flags.writeable
    assert "2 of them broke between two loads" in str(sample)
    again = pickle.loads(pickle.dumps(sample))
    assert again.upper.tolist() == sample.upper.tolist()


def test_loads_at_break_are_never_lower_ends_unseen() -> None:
    sample = lt.Sample([22, 24], upper=[24, 26], label="sling")
    with pytest.raises(lt.NoAnswerError, match=r"'sling': 2 loads at break are known only to lie between two loads"):
        _ = sample.load
    assert lt.Sample([22, 24], upper=[22, 24]).load.tolist() == [22, 24]  # both known


def test_two_in_one_step_carry_a_bound_and_one_does_not() -> None:
    assert lt.Sample([22, 22], upper=[24, 24]).lacks == ""
    assert "1 of 2 specimens broke" in lt.Sample([22, 22], [1, 0], upper=[24, np.nan]).lacks


def test_slips_read_as_failures_keep_the_rest() -> None:
    sample = lt.Sample(
        [22, 24, 25], [1, 1, 0], upper=[24, 26, np.nan], slipped=[0, 0, 1], uncertainty=0.2, common_uncertainty=0.01
    )
    failed, held = sample.with_slips("failure"), sample.with_slips("held")
    assert failed.upper.tolist() == [24, 26, 25] and held.upper.tolist() == [24, 26, np.inf]
    assert failed.uncertainty.tolist() == [0.2] * 3 and held.common_uncertainty == 0.01


@pytest.mark.parametrize(
    ("more", "match"),
    [
        ({"load": [0, 22], "upper": [20, 24]}, LEFT),
        ({"load": [np.nan, 22], "upper": [20, 24]}, LEFT),
        ({"load": [20, 22], "upper": [19, 24]}, "held 20 kN and cannot have broken at or below 19 kN"),
        ({"load": [20, 22], "broke": [1, 0], "upper": [21, 25]}, "specimen 2 held 22 kN, so it has no `upper`, got 25"),
        ({"load": [20, 22], "upper": [21, np.inf]}, "must be finite, got inf"),
        ({"load": [20, 22], "upper": [21]}, r"shape of `load` \(2,\), got \(1,\)"),
        ({"load": [20, 22], "upper": ["x", 2]}, "must be a number or an array of numbers"),
        ({"load": [20, 22], "uncertainty": -0.1}, "at least 0 kN, got -0.1 for specimen 1"),
        ({"load": [20, 22], "uncertainty": [0.1, np.nan]}, "got nan for specimen 2"),
        ({"load": [20, 22], "common_uncertainty": 0.5}, "Write 0.5 % as 0.005"),
    ],
)
def test_what_cannot_be_is_refused(more: dict[str, object], match: str) -> None:
    with pytest.raises(lt.InputError, match=match):
        lt.Sample(**more)  # type: ignore[arg-type]


LOG = """specimen,item,load_from [kN],load_to [kN],load [kN],outcome,load uncertainty [kN] (k=2),common_uncertainty
a,sling,22,24,,broke,0.2,1
b,sling,20,22,21.5,broke,0.2,1
c,sling,24,26,,broke,0.4,1
d,sling,26,,,held,,1
e,sling,,,25.2,broke,0.2,1
"""


def read(folder: Path, text: str, **options: object) -> lt.BreakLog:
    place = folder / "log.csv"
    place.write_text(text, encoding="utf-8")
    return lt.read_breaks(place, **options)  # type: ignore[arg-type]


def test_a_log_of_steps_becomes_a_sample(tmp_path: Path) -> None:
    log = read(tmp_path, LOG)
    assert log.table["load_kN"].tolist() == [22, 20, 24, 26, 25.2]
    assert log.table["upper_kN"].tolist()[:3] == [24, 22, 26] and log.table["upper_kN"].isna().tolist()[3:] == [1, 1]
    assert log.table["load"].isna().tolist() == [True, False, True, True, False]  # as recorded
    assert log.table["uncertainty_kN"].tolist()[:3] == [0.1, 0.1, 0.2]  # k = 2
    (sample,) = log.samples.values()
    assert sample.n_between == 3 and sample.upper.tolist() == [24, 22, 26, np.inf, 25.2]
    assert sample.uncertainty.tolist() == [0.1, 0.1, 0.2, 0.0, 0.1] and sample.common_uncertainty == 0.01
    said = " ".join(log.findings["message"])
    assert "divided by 2" in said and "1 rows state none" in said
    assert "1 rows state a load between 'load_from' and 'load_to'; the break counts as one between the two" in said


def test_it_reads_back_identical(tmp_path: Path) -> None:
    log = read(tmp_path, LOG)
    log.to_csv(tmp_path / "again.csv")
    again = lt.read_breaks(tmp_path / "again.csv")
    pd.testing.assert_frame_equal(log.table.drop(columns="cell"), again.table.drop(columns="cell"))
    check_table(again.table)


def test_ends_have_units_of_their_own(tmp_path: Path) -> None:
    """5,000 lbf are 22.2411080763025 kN (the exact pound-force); the table keeps one unit a row."""
    log = read(tmp_path, "specimen,item,load_from,load_to [kN],outcome,unit\na,sling,5000,25,broke,lbf\n")
    row = log.table.iloc[0]
    assert row["load_kN"] == 22.2411080763025 and row["upper_kN"] == pytest.approx(25, abs=1e-12)
    assert row["unit"] == "lbf" and row["load_to"] == pytest.approx(25 / 22.2411080763025 * 5000)


def test_a_log_needs_no_column_of_loads_beside_the_ends(tmp_path: Path) -> None:
    log = read(
        tmp_path, "specimen,item,load_from [kN],load_to [kN],outcome\na,sling,20,22,broke\nb,sling,22,24,broke\n"
    )
    assert log.n_used == 2 and log.table["load"].isna().all()
    with pytest.raises(lt.TableError, match="no column names the load"):
        read(tmp_path, "specimen,item,load_from [kN],outcome\na,sling,20,broke\n")


@pytest.mark.parametrize(
    ("header", "cell", "want"),
    [
        ("load_uncertainty", "0.3", 0.3),
        ("load uncertainty [N]", "300", 0.3),
        ("load_uncertainty [%]", "1.5", 0.3),
        ("load uncertainty %", "1.5", 0.3),
        ("load_uncertainty (k=2)", "0.6", 0.3),
        ("load uncertainty [%] (k = 2)", "3", 0.3),
        ("load uncertainty [kN, k=3]", "0.9", 0.3),
        ("standard uncertainty [kN]", "0.3", 0.3),
    ],
)
def test_ways_of_writing_an_uncertainty(tmp_path: Path, header: str, cell: str, want: float) -> None:
    name = f'"{header}"' if "," in header else header
    log = read(tmp_path, f"specimen,item,load [kN],outcome,{name}\na,sling,20,broke,{cell}\nb,sling,20,broke,{cell}\n")
    assert log.table["uncertainty_kN"].tolist() == pytest.approx([want, want])
    assert log.table["load_uncertainty"].tolist() == pytest.approx([want, want])


def test_several_uncertainties_in_common_are_a_finding(tmp_path: Path) -> None:
    text = "specimen,item,load [kN],outcome,common_uncertainty [%]\na,s,20,broke,1\nb,s,21,broke,2\nc,s,22,broke,1\n"
    log = read(tmp_path, text)
    assert next(iter(log.samples.values())).common_uncertainty == 0.02
    found = log.findings[log.findings["column"] == "common_uncertainty"]
    assert found["message"].str.contains("from 1 to 2 % in one group; the largest counts").any()


BAD = {
    "0,24,,broke": LEFT,
    ",24,,broke": LEFT,
    "22,,,broke": "'load_from' without 'load_to': write both, or neither",
    "24,22,,broke": "it held 24 kN (load_from) and cannot have broken on the way to 22 kN (load_to)",
    "22,24,,held": "the outcome says 'held', so it did not break on the way to a next step",
    "22,24,25,broke": "the load, 25 kN, does not lie between 'load_from' and 'load_to' (22 to 24 kN)",
    "22,,24,held": "two loads held: 24 kN, and 22 kN under 'load_from'",
    "-2,24,,broke": "'-2' is negative",
    "x,24,,broke": "'x' is not a number",
}


@pytest.mark.parametrize("row", BAD)
def test_rows_that_contradict_themselves(tmp_path: Path, row: str) -> None:
    with pytest.raises(lt.TableError) as error:
        read(tmp_path, f"specimen,item,load_from [kN],load_to [kN],load [kN],outcome\na,sling,{row}\n")
    assert any(BAD[row] in cell.message for cell in error.value.cells), error.value.cells


@pytest.mark.parametrize(
    ("header", "cell", "match"),
    [
        ("load_uncertainty [kN]", "12", "is half of the load or more"),
        ("load_uncertainty [m]", "1", "load_uncertainty"),
        ("common_uncertainty [kN]", "1", "is a share of the load, in %"),
        ("common_uncertainty", "60", "is half of the load or more"),
        ("load_uncertainty (k=0)", "1", "k must be greater than 0"),
        ("load_uncertainty [kN]", "-1", "is negative"),
    ],
)
def test_uncertainties_that_cannot_be(tmp_path: Path, header: str, cell: str, match: str) -> None:
    with pytest.raises(lt.TableError) as error:
        read(tmp_path, f"specimen,item,load [kN],outcome,{header}\na,sling,20,broke,{cell}\n")
    assert match in str(error.value)


def test_no_unit_is_stated_once_for_the_ends(tmp_path: Path) -> None:
    text = "specimen,item,load_from,load_to,outcome\na,sling,20,22,broke\n"
    with pytest.raises(lt.TableError, match="no unit is stated"):
        read(tmp_path, text)
    assert read(tmp_path, text, unit="kN").table.loc[0, "upper_kN"] == 22


def test_screens_look_at_known_loads_only(tmp_path: Path) -> None:
    """All in one step: not "all at one load"; and steps are not taken for rounding."""
    rows = "".join(f"{i},sling,22,24,broke\n" for i in range(8))
    log = read(tmp_path, f"specimen,item,load_from [kN],load_to [kN],outcome\n{rows}")
    said = " ".join(log.findings["message"])
    assert "lie at one load" not in said and "loads stand in steps" not in said
