"""What would pool unlike tests is caught where the log is read: near names, hidden columns, sheets, units, stresses."""

from __future__ import annotations

import io

import numpy as np
import openpyxl
import pandas as pd
import pytest

import lowtail as lt
from lowtail.cli import main
from lowtail.errors import InputError, TableError
from lowtail.records.near_columns import pools_unlike

HEAD = "specimen,item,orientation,method,load [kN],outcome\n"
SLOW = "".join(f"a{i},sling,straight,slow pull,{x},broke\n" for i, x in enumerate((22.4, 23.1, 24.0, 22.9)))
SHOCK = "".join(f"b{i},sling,straight,shock,{x},broke\n" for i, x in enumerate((20.4, 21.1, 19.0, 20.9)))


def read(tmp_path, text, name="log.csv", **options):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return lt.read_breaks(path, **options)


def warnings_of(log, column=None):
    found = log.findings[log.findings["level"] == "warning"]
    return found if column is None else found[found["column"] == column]


@pytest.mark.parametrize(
    ("wrong", "name", "says"),
    [
        ("methd", "method", "slow pull and shock may stand in one group"),
        ("orientaton", "orientation", "specimens loaded in different ways may stand in one group"),
    ],
)
def test_a_header_a_letter_off(tmp_path, capsys, wrong, name, says):
    text = (HEAD + SLOW + SHOCK).replace(name, wrong, 1)
    log = read(tmp_path, text)
    (message,) = warnings_of(log, name)["message"]
    assert says in message and f"columns={{{name!r}: {wrong!r}}}" in message
    assert pools_unlike(log.findings)
    assert main(["check", str(tmp_path / "log.csv"), "--no-checks"]) == 1
    assert says in " ".join(capsys.readouterr().out.split())
    assert main(["check", str(tmp_path / "log.csv"), "--no-checks", "--columns", f"{name}={wrong}"]) == 0
    assert set(read(tmp_path, text, columns={name: wrong}).table[name]) != {""}


def test_levels_that_stand_in_another_column(tmp_path):
    text = (HEAD + SLOW + SHOCK).replace(",method,", ",rigging,", 1)
    (message,) = warnings_of(read(tmp_path, text), "method")["message"]
    assert "holds 'shock', 'slow pull': slow pull and shock may stand in one group" in message
    text = (HEAD + SLOW.replace("straight", "gate open") + SHOCK.replace("straight", "major axis")).replace(
        ",orientation,", ",how,", 1
    )
    assert "specimens loaded in different ways" in warnings_of(read(tmp_path, text), "orientation")["message"].iloc[0]


def test_a_label_a_letter_off(tmp_path, capsys):
    text = HEAD + SLOW + SHOCK.replace("shock", "shok", 1)
    log = read(tmp_path, text)
    (message,) = warnings_of(log, "method")["message"]
    assert "nearly the same as 'shock' (3 rows)" in message and "one group may stand in two" in message
    assert main(["check", str(tmp_path / "log.csv"), "--no-checks"]) == 1
    capsys.readouterr()
    assert main(["check", str(tmp_path / "log.csv"), "--no-checks", "--labels", "method:shok=shock"]) == 0


@pytest.mark.parametrize("pair", [("8 mm", "10 mm"), ("A1", "A2"), ("core", "cord"), ("left", "lift"), ("wet", "web")])
def test_labels_that_differ_for_a_reason_raise_nothing(tmp_path, pair):
    text = HEAD + SLOW.replace("sling", pair[0]) + SHOCK.replace("sling", pair[1])
    assert warnings_of(read(tmp_path, text), "item").empty


def book(tmp_path, sheets):
    path = tmp_path / "log.xlsx"
    out = openpyxl.Workbook()
    out.remove(out.active)
    for title, text in sheets.items():
        page = out.create_sheet(title)
        for row in pd.read_csv(io.StringIO(text), header=None).astype(object).to_numpy().tolist():
            page.append([float(v) if str(v).replace(".", "", 1).isdigit() else v for v in row])
    out.save(path)
    return path


def test_several_sheets_are_refused_by_name_or_read_together(tmp_path):
    path = book(tmp_path, {"Slow": HEAD + SLOW, "Drops": HEAD + SHOCK, "Notes": "made,by\nme,now\n"})
    with pytest.raises(TableError, match=r"2 sheets that look like a break log: 'Slow', 'Drops'.*sheet='all'"):
        lt.read_breaks(path)
    log = lt.read_breaks(path, sheet="all")
    assert log.n_rows == 8 and log.source.sheet == "Slow, Drops"
    assert log.table["cell"].str.split("!").str[0].tolist() == ["Slow"] * 4 + ["Drops"] * 4
    assert [s.label for s in lt.split(log)] == ["sling, straight, slow pull", "sling, straight, shock"]
    assert main(["check", str(path), "--no-checks", "--sheet", "all"]) == 0
    assert main(["check", str(path), "--no-checks", "--sheet", "2"]) == 0


def test_a_specimen_on_two_sheets_is_refused(tmp_path):
    path = book(tmp_path, {"Slow": HEAD + SLOW, "Again": HEAD + SLOW})
    with pytest.raises(TableError, match="was already tested"):
        lt.read_breaks(path, sheet="all")


def test_a_sheet_of_numbers_left_out_is_a_warning(tmp_path):
    path = book(tmp_path, {"Log": HEAD + SLOW, "More": "x,y\n1,2\n3,4\n5,6\n", "Cover": "made,by\nme,now\n"})
    found = lt.read_breaks(path).findings
    (message,) = found[(found["level"] == "warning") & found["message"].str.contains("not read")]["message"]
    assert "'More', which hold numbers" in message
    assert "'Cover'" in " ".join(found[found["level"] == "info"]["message"])


def test_a_header_twice_is_told_apart_by_its_letter(tmp_path):
    text = "specimen,item,load [kN],load [kN],outcome\na,s,1.0,22.4,broke\nb,s,1.1,23.1,broke\n"
    with pytest.raises(TableError, match="by its letter"):
        read(tmp_path, text)
    assert read(tmp_path, text, columns={"load": "D"}).table["load_kN"].tolist() == [22.4, 23.1]
    with pytest.raises(InputError, match="stands under 'ZZ'"):
        read(tmp_path, text, columns={"load": "ZZ"})


def test_a_second_load_column_in_another_unit(tmp_path):
    """5,000 lbf is 22.241 kN: NIST SP 811 (2008), Appendix B.8."""
    text = "specimen,item,load [kN],force [lbf],outcome\na,s,1.0,5000,broke\nb,s,1.1,5100,broke\n"
    log = read(tmp_path, text, columns={"load": "force [lbf]"})
    assert log.table["load_kN"].iloc[0] == pytest.approx(22.2411080763025, rel=1e-12)
    assert log.table["unit"].tolist() == ["lbf", "lbf"]


def test_loads_of_held_specimens_in_a_column_of_their_own(tmp_path):
    text = "specimen,item,broke at [kN],held at [kN]\na,s,22.4,\nb,s,,25.0\nc,s,23.0,\n"
    options = {"load": "broke at [kN]", "load_held": "held at [kN]", "outcome": "=broke"}
    with pytest.raises(TableError, match="a load at break and a load held"):
        read(tmp_path, text.replace("22.4,", "22.4,25"), columns=options)
    rows = "specimen,item,broke at [kN],held at [kN],outcome\na,s,22.4,,broke\nb,s,,25.0,\nc,s,23.0,,broke\n"
    log = read(tmp_path, rows, columns={k: v for k, v in options.items() if k != "outcome"})
    assert log.table["load_kN"].tolist() == [22.4, 25.0, 23.0]
    assert log.table["outcome"].tolist() == ["broke", "held", "broke"]


def test_naming_the_load_shows_the_header(tmp_path):
    text = "Nummer,Pull [kN],Ende\na,22.4,x\nb,23.1,x\n"
    log = read(
        tmp_path, text, columns={"load": "Pull [kN]", "specimen": "Nummer", "item": "=sling", "outcome": "=broke"}
    )
    assert log.table["load_kN"].tolist() == [22.4, 23.1]


def test_a_column_a_group_is_told_what_to_do(tmp_path):
    with pytest.raises(TableError, match=r"looks like a column a group .'sling', 'cord'.*one row a specimen"):
        read(tmp_path, "sling,cord\n22.4,6.1\n23.1,5.8\n22.9,6.6\n")


def test_a_stress_needs_its_area(tmp_path):
    """1 MPa on 1 mm2 is 1 N by definition; 1 psi is 6,894.757 Pa (NIST SP 811, Appendix B.8, to 7 digits)."""
    text = (HEAD + SLOW).replace("[kN]", "[MPa]")
    with pytest.raises(TableError, match="a stress needs the loaded area: give area_mm2="):
        read(tmp_path, text)
    log = read(tmp_path, text, area_mm2=1000)
    assert log.table["load_kN"].tolist() == pytest.approx([22.4, 23.1, 24.0, 22.9])
    assert "times the loaded area, 1000 mm2 as stated" in " ".join(log.findings["message"])
    psi = read(tmp_path, text.replace("[MPa]", "[psi]"), area_mm2=1e6)
    assert psi.table["load_kN"].iloc[0] == pytest.approx(22.4 * 6.894757, rel=1e-6)
    with pytest.raises(InputError, match="`area_mm2` must be a loaded area"):
        read(tmp_path, text, area_mm2=-1)


@pytest.mark.parametrize(
    ("unit", "factor", "others"), [("kN", 230.0, "N or lbf"), ("lbf", 1.0, "kN"), ("kN", 1000.0, "N or lbf")]
)
def test_a_whole_column_in_the_wrong_unit_warns_without_a_rating(tmp_path, unit, factor, others):
    loads = [22.4 * factor, 23.1 * factor, 24.0 * factor, 22.9 * factor]
    text = HEAD.replace("kN", unit) + "".join(f"a{i},s,straight,slow pull,{x:.4f},broke\n" for i, x in enumerate(loads))
    (message,) = warnings_of(read(tmp_path, text), "load")["message"]
    assert "unlike any gear" in message and others.split(" or ")[0] in message and "whole column" in message


def test_wide_scatter_is_no_wrong_unit(tmp_path):
    """50 % scatter of ln load: of 40 logs none may raise the alarm of a wrong unit; one load times 4.448 must."""
    rng = np.random.default_rng(8)
    alarms = 0
    for _ in range(40):
        loads = 20 * np.exp(0.5 * rng.standard_normal(8))
        text = HEAD + "".join(f"a{i},s,straight,slow pull,{x:.4f},broke\n" for i, x in enumerate(loads))
        alarms += int(warnings_of(read(tmp_path, text), "load")["message"].str.contains("factor").sum())
    assert alarms == 0
    assert "N and lbf" in warnings_of(read(tmp_path, HEAD + SLOW.replace("22.4", "99.6")), "load")["message"].iloc[0]


def test_a_rate_without_a_unit_is_not_used_in_silence(tmp_path):
    head = HEAD.replace("outcome", "outcome,rate")
    rows = "".join(f"a{i},sling,straight,slow pull,{20 + i},broke,{10**i}\n" for i in range(6))
    log = read(tmp_path, head + rows)
    (message,) = warnings_of(log, "rate")["message"]
    assert "6 rates state no unit and are not used" in message
    with pytest.raises(InputError, match="6 rates state no unit"):
        lt.rate_effect(log)


def test_a_mask_is_not_lost():
    loads = np.ma.masked_greater([22.0, 23.0, 9999.0], 1000)
    with pytest.raises(InputError, match="`load` has 1 masked entries"):
        lt.Sample(loads)
    assert lt.Sample(np.ma.array([22.0, 23.0])).n == 2


def test_column_names_are_disarmed_too(tmp_path):
    from lowtail.report.tables import write_table

    frame = pd.DataFrame({"=cmd()": ["a", "=1+1"], "n": [1, 2]}).astype({"=cmd()": "string"})
    write_table(frame, tmp_path / "t.csv")
    text = (tmp_path / "t.csv").read_text(encoding="utf-8")
    assert text.startswith("'=cmd(),n") and "'=1+1" in text


def test_options_of_the_command_are_checked(tmp_path, capsys):
    read(tmp_path, HEAD + SLOW)
    for words in (["--columns", "load"], ["--labels", "method=shock"], ["--slips", "maybe"]):
        assert main(["check", str(tmp_path / "log.csv"), *words]) == 2
        assert words[1].split("=")[0] in capsys.readouterr().err
