"""Write the corpus of messy break logs and what a right reader makes of each. All of it is invented.

    python tests/logs/breaks/make_corpus.py

Each case says what is wrong with its file. ``rows`` is what its writer meant, typed here and not taken from the
reader: specimen, item, orientation, method, load in kN, outcome, used. ``bad`` are the cells a right reader refuses,
all of them. ``findings`` are level, cell and a part of the message. Files go to corpus/, all else to its expected.json.
"""

from __future__ import annotations

import csv
import datetime
import io
import json
import zipfile
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

HERE = Path(__file__).with_name("corpus")
CASES: dict[str, dict[str, Any]] = {}
FILES: dict[str, bytes] = {}

HEAD = ["specimen", "item", "orientation", "method", "load [kN]", "outcome"]
LOADS = [22.41, 23.05, 21.87, 24.4, 19.66, 20.13]
LBF = 4.4482216152605e-3  # kN in one pound-force, exact
KGF = 9.80665e-3  # kN in one kilogram-force, exact


def base(loads: Iterable[Any] = LOADS, **changes: Any) -> list[list[Any]]:
    """Six specimens in two groups; ``changes`` replace cells, e.g. ``r3outcome="held"``."""
    names = ["a1", "a2", "a3", "a4", "b1", "b2"]
    rows = [
        [n, "sling", "straight", "slow pull" if n[0] == "a" else "shock", x, "broke"]
        for n, x in zip(names, loads, strict=False)
    ]
    rows[3][5] = "held"
    for place, value in changes.items():
        rows[int(place[1])][HEAD.index("load [kN]" if place[2:] == "load" else place[2:])] = value
    return rows


def meant(loads: Iterable[float] = LOADS, **changes: Any) -> list[list[Any]]:
    """What `base` means: its rows with the load in kN and whether each takes part."""
    return [[*row, row[5] != "invalid"] for row in base(loads, **changes)]


def text(rows: Iterable[Iterable[Any]], delimiter: str = ",", end: str = "\n") -> str:
    out = io.StringIO(newline="")
    csv.writer(out, delimiter=delimiter, lineterminator=end).writerows(rows)
    return out.getvalue()


def comma(x: float) -> str:
    return f"{x}".replace(".", ",")


def case(
    file: str,
    wrong: str,
    data: str | bytes,
    *,
    rows: list[list[Any]] | None = None,
    bad: list[str] | None = None,
    says: str = "",
    findings: list[tuple[str, str, str]] | None = None,
    options: dict[str, Any] | None = None,
) -> None:
    """Record a case: either ``rows`` (it reads) or ``says`` (it is refused, with the ``bad`` cells)."""
    assert (rows is None) == bool(says), file
    name = file if file not in CASES else f"{file}+{len(CASES)}"
    FILES[file] = data.encode("utf-8") if isinstance(data, str) else data
    CASES[name] = {
        "file": file,
        "wrong": wrong,
        "options": options or {},
        "rows": rows,
        "bad": bad,
        "says": says,
        "findings": findings or [],
    }


def delimiters_and_encodings() -> None:
    german = [[*HEAD[:4], "load [kN]", "outcome"], *base([comma(x) for x in LOADS])]
    settles = [("info", "file", "decimal comma: 6 numbers settle it")]
    case("semicolon_comma.csv", "semicolons and decimal commas", text(german, ";"), rows=meant(), findings=settles)
    case("tab_comma.tsv", "tabs and decimal commas", text(german, "\t"), rows=meant(), findings=settles)
    case(
        "quoted_decimal_comma.csv", "decimal commas inside quotes, columns parted by commas", text(german), rows=meant()
    )
    case("pipes.txt", "columns parted by |", text([HEAD, *base()], "|"), rows=meant())
    case("bom.csv", "byte-order mark of UTF-8", b"\xef\xbb\xbf" + text([HEAD, *base()]).encode(), rows=meant())
    case(
        "utf16.csv",
        "UTF-16 as spreadsheets export it",
        text([HEAD, *base()], "\t").encode("utf-16"),
        rows=meant(),
        findings=[("info", "file", "read as utf-16")],
    )
    umlaut = [HEAD, *base(r0item="Bandschlinge, genäht")]
    case(
        "latin1.csv",
        "Latin-1 bytes",
        text(umlaut).encode("cp1252"),
        rows=meant(r0item="Bandschlinge, genäht"),
        findings=[("info", "file", "not valid UTF-8")],
    )
    case("crlf.csv", "CRLF line ends", text([HEAD, *base()], end="\r\n"), rows=meant())
    case("cr_only.csv", "line ends of old machines", text([HEAD, *base()], end="\r"), rows=meant())
    preamble = "Bench 7, serial 0001, invented\nOperator: none; run 3, 12.5 Hz\n\n"
    case(
        "preamble.csv",
        "three lines above the header, with commas and numbers",
        preamble + text([HEAD, *base()]),
        rows=meant(),
        findings=[("info", "row 1 to 3", "above the header")],
    )
    case(
        "blank_rows.csv",
        "blank rows among and after the data",
        text([HEAD, *base()[:3], [], ["", ""], *base()[3:], [], [""] * 6, []]),
        rows=meant(),
    )
    case(
        "ragged.csv",
        "rows cut short after the outcome, header longer",
        text([[*HEAD, "note", "batch"], *base()]),
        rows=meant(),
    )
    case(
        "newline_in_note.csv",
        "a quoted cell that holds a line end",
        text([[*HEAD, "note"], *[[*r, "two\nlines"] for r in base()]]),
        rows=meant(),
    )
    case(
        "unclosed_quote.csv",
        "a quotation mark without its pair",
        text([HEAD, *base()]) + '"c1,sling,straight,shock,20,broke\n',
        says="quotation mark",
    )
    case("binary.csv", "not a text at all", bytes(range(256)) * 8, says="binary file")
    case("only_blank_lines.csv", "nothing but blank lines", "\n\n\n", says="holds no cells")
    case("header_only.csv", "a header and nothing under it", text([HEAD]), says="no specimen under it")
    case("no_header.csv", "data without a header", text(base()), says="no header row")


def numbers() -> None:
    newtons = [*HEAD[:4], "load [N]", "outcome"]
    case(
        "thousands_point.csv",
        "thousands by comma and a decimal point",
        text([newtons, *base([f"{x * 1000:,.1f}" for x in LOADS])]),
        rows=meant(),
    )
    case(
        "thousands_comma.csv",
        "thousands by point and a decimal comma",
        text([newtons, *base([f"{x * 1000:,.1f}".translate(str.maketrans(",.", ".,")) for x in LOADS])], ";"),
        rows=meant(),
    )
    case(
        "thousands_ambiguous.csv",
        "22,410 could be twenty-two or twenty-two thousand, and nothing decides",
        text([newtons, *base([f"{x * 1000:,.0f}" for x in LOADS])]),
        bad=[f"row {i}, column 'load [N]'" for i in range(2, 8)],
        says="two ways",
    )
    decided = [f"{x * 1000:,.0f}" for x in LOADS[:5]] + ["980.5"]
    case(
        "thousands_decided.csv",
        "22,410 among numbers with a decimal point",
        text([newtons, *base(decided)]),
        rows=meant([*LOADS[:5], 0.9805]),
        findings=[("info", "file", "5 others")],
    )
    three = [f"{x:.3f}" for x in LOADS]
    case(
        "three_decimals.tsv",
        "three decimals in every number, parted by tabs: nothing decides",
        text([HEAD, *base(three)], "\t"),
        bad=[f"row {i}, column 'load [kN]'" for i in range(2, 8)],
        says="two ways",
    )
    case(
        "three_decimals.tsv",
        "the same with the decimal mark declared",
        text([HEAD, *base(three)], "\t"),
        rows=meant(),
        options={"decimal": "."},
    )
    case(
        "three_decimals.csv",
        "three decimals in every number, parted by commas",
        text([HEAD, *base(three)]),
        rows=meant(),
        findings=[("info", "file", "parted by commas and no number holds one")],
    )
    case(
        "one_decimal_comma.csv",
        "one decimal comma in a file with points",
        text([HEAD, *base(r2load="21,87")]),
        bad=["row 4, column 'load [kN]'"],
        says="decimal comma, while this file uses the decimal point",
    )
    case(
        "spaces_in_numbers.csv",
        "no-break and thin spaces group the thousands",
        text([newtons, *base([f"{x * 1000:,.0f}".replace(",", "\u202f") for x in LOADS[:5]] + ["20\u00a0130"])]),
        rows=meant(),
    )
    case(
        "apostrophes.csv",
        "thousands by apostrophe",
        text([newtons, *base([f"{x * 1000:,.1f}".replace(",", "'") for x in LOADS])]),
        rows=meant(),
    )
    case(
        "exponents.csv",
        "numbers in scientific notation",
        text([newtons, *base([f"{x * 1000:.4E}" for x in LOADS])]),
        rows=meant(),
    )
    many = base(r0load="n/a", r1load="twenty", r2load="22.4*", r4load="-3", r5load="0")
    case(
        "many_bad_loads.csv",
        "five loads that are none, each in its own way",
        text([HEAD, *many]),
        bad=[f"row {i}, column 'load [kN]'" for i in (2, 3, 4, 6, 7)],
        says="5 cells cannot be read",
    )
    case(
        "below_and_about.csv",
        "loads that were not reached, or guessed",
        text([HEAD, *base(r0load="<22", r1load="~23", r2load="21/22")]),
        bad=[f"row {i}, column 'load [kN]'" for i in (2, 3, 4)],
        says="not a load that was reached",
    )
    case(
        "two_numbers.csv",
        "a range in a cell",
        text([HEAD, *base(r0load="22-23", r1load="22 50")]),
        bad=["row 2, column 'load [kN]'", "row 3, column 'load [kN]'"],
        says="not a load",
    )
    case(
        "beyond_any_bench.csv",
        "a load of billions",
        text([HEAD, *base(r0load="22e9")]),
        bad=["row 2, column 'load [kN]'"],
        says="beyond any bench",
    )
    case(
        "wide_digits.csv",
        "full-width digits",
        text([HEAD, *base(r0load="２２.4")]),
        bad=["row 2, column 'load [kN]'"],
        says="not a load",
    )
    missing = [
        [*HEAD, "age [years]"],
        *[[*r, a] for r, a in zip(base(), ["3", "n/a", "-", "", "unknown", "None"], strict=False)],
    ]
    case(
        "missing_ages.csv",
        "five ways to say that an age is not known",
        text(missing),
        rows=meant(),
        findings=[("info", "row 1, column 'age [years]'", "4 cells read as 'not recorded'")],
    )
    case(
        "words_of_nothing.csv",
        "an item called None, an orientation NA, a method -",
        text([HEAD, *[[r[0], "None", "NA", "-", *r[4:]] for r in base()]]),
        rows=[[r[0], "None", "NA", "-", *r[4:]] for r in meant()],
    )


def units() -> None:
    def with_unit(unit: str, loads: list[Any]) -> str:
        return text([[*HEAD[:4], f"Peak load ({unit})", "Result"], *base(loads)])

    lbf = [5040.0, 5180.0, 4920.0, 5490.0, 4420.0, 4530.0]
    case(
        "pounds_force.csv",
        "pound-force in the header, other names",
        with_unit("lbf", lbf),
        rows=meant([x * LBF for x in lbf]),
    )
    case("kips.csv", "kip in the header", with_unit("kip", [x / 1000 for x in lbf]), rows=meant([x * LBF for x in lbf]))
    case(
        "capital_KN.csv",
        "KN",
        with_unit("KN", LOADS),
        rows=meant(),
        findings=[("info", "row 1, column 'Peak load (KN)'", "read as kN")],
    )
    case(
        "bare_kg.csv",
        "kg for a force",
        with_unit("kg", [2285, 2350, 2230, 2488, 2004, 2052]),
        bad=["row 1, column 'Peak load (kg)'"],
        says="names a mass, not a force",
    )
    case(
        "bare_kg.csv",
        "kg declared to be kilogram-force",
        with_unit("kg", [2285, 2350, 2230, 2488, 2004, 2052]),
        rows=meant([x * KGF for x in (2285, 2350, 2230, 2488, 2004, 2052)]),
        options={"unit": "kgf"},
        findings=[("info", "row 1, column 'Peak load (kg)'", "unit read as kgf")],
    )
    case(
        "bare_lbs_cells.csv",
        "lbs in the cells, declared",
        text([["id", "item", "axis", "method", "load", "outcome"], *base([f"{x:.0f} lbs" for x in lbf])]),
        rows=meant([x * LBF for x in lbf]),
        options={"unit": "lbf"},
    )
    case(
        "no_unit.csv",
        "no unit anywhere",
        text([[*HEAD[:4], "load", "outcome"], *base()]),
        bad=["row 2, column 'load'"],
        says="no unit is stated",
    )
    case(
        "no_unit.csv",
        "no unit in the file, declared by argument",
        text([[*HEAD[:4], "load", "outcome"], *base()]),
        rows=meant(),
        options={"unit": "kN"},
    )
    mixed = [
        [*r[:4], x, u, r[5]]
        for r, x, u in zip(
            base(), [22.41, 5180, 21.87, 2488, 19.66, 20130], ["kN", "lbf", "kN", "kgf", "kN", "N"], strict=False
        )
    ]
    case(
        "unit_column.csv",
        "a unit column with four units",
        text([["id", "item", "axis", "method", "load", "unit", "outcome"], *mixed]),
        rows=meant([22.41, 5180 * LBF, 21.87, 2488 * KGF, 19.66, 20.13]),
        findings=[("warning", "row 1, column 'load'", "several units")],
    )
    cells = ["22.41 kN", "5180 lbf", "21.87kN", "24.4 kN", "19660 N", "20.13 kN"]
    case(
        "unit_cells.csv",
        "units in the cells",
        text([[*HEAD[:4], "load", "outcome"], *base(cells)]),
        rows=meant([22.41, 5180 * LBF, *LOADS[2:]]),
        findings=[("warning", "row 1, column 'load'", "several units")],
    )
    case(
        "units_disagree.csv",
        "a cell in lbf under a header in kN",
        text([HEAD, *base(r1load="5180 lbf")]),
        bad=["row 3, column 'load [kN]'"],
        says="units disagree: the header says kN, the cell says lbf",
    )
    case(
        "unknown_unit.csv",
        "a unit that is none of force",
        text([[*HEAD[:4], "load [MPa]", "outcome"], *base()]),
        bad=["row 1, column 'load [MPa]'"],
        says="a stress needs the loaded area: give `area_mm2`",
    )
    case(
        "two_units_declared.csv",
        "header in kN, argument lbf",
        text([HEAD, *base()]),
        bad=["row 1, column 'load [kN]'"],
        says="while unit='lbf' was passed",
        options={"unit": "lbf"},
    )
    slip = [22.41, 23.05, 21.87, 24.4, 5.05, 4.93, 22.9, 23.3]
    eight = [[f"a{i}", "sling", "straight", "slow pull", x, "broke"] for i, x in enumerate(slip)]
    case(
        "one_unit_slip.csv",
        "two loads lower by about 4.448",
        text([HEAD, *eight]),
        rows=[[*r, True] for r in eight],
        findings=[
            ("warning", "row 6, column 'load [kN]'", "N and lbf"),
            ("warning", "row 7, column 'load [kN]'", "N and lbf"),
        ],
    )
    whole = [[*HEAD, "rated [kN]"], *[[*r, 22] for r in base([x / KGF for x in LOADS])]]
    case(
        "all_in_kgf.csv",
        "a whole log in kgf under a header in kN",
        text(whole),
        rows=[[*r[:4], x / KGF, *r[5:]] for r, x in zip(meant(), LOADS, strict=False)],
        findings=[("warning", f"row {i}, column 'load [kN]'", "kN and kgf") for i in (2, 6)],
    )
    coarse = [
        [f"a{i}", "sling", "straight", "slow pull", x, "broke"]
        for i, x in enumerate([22.5, 23.0, 22.0, 22.5, 23.5, 22.5, 23.0])
    ]
    case(
        "half_kN_steps.csv",
        "read in steps of 0.5 kN",
        text([HEAD, *coarse]),
        rows=[[*r, True] for r in coarse],
        findings=[("warning", "row 2, column 'load [kN]'", "steps of 0.5 kN")],
    )
    fifty = [round(x * LBF, 2) for x in (5000, 5050, 4950, 5100, 5000, 5050, 5150)]
    dial = [[f"a{i}", "sling", "straight", "slow pull", x, "broke"] for i, x in enumerate(fifty)]
    case(
        "fifty_lbf_dial.csv",
        "a dial in steps of 50 lbf, written in kN",
        text([HEAD, *dial]),
        rows=[[*r, True] for r in dial],
        findings=[("warning", "row 2, column 'load [kN]'", "steps of 50 lbf")],
    )


def headers() -> None:
    rows = base()
    units_row = [["id", "product", "axis", "test type", "peak", "result"], ["", "", "", "", "kN", ""], *rows]
    case("unit_row.csv", "a second header row that holds the units", text(units_row), rows=meant())
    split = [
        ["Specimen", "", "", "Test", "Peak", "Test"],
        ["no.", "Item", "Orientation", "method", "load [kN]", "result"],
        *rows,
    ]
    case("split_header.csv", "header words spread over two rows", text(split), rows=meant())
    order = [[r[5], r[4], r[0], r[3], r[1], r[2]] for r in [HEAD, *rows]]
    case("shuffled.csv", "columns in another order", text(order), rows=meant())
    extra = [[*HEAD, "Colour", "Tester"], *[[*r, "red", "T1"] for r in rows]]
    case(
        "extra_columns.csv",
        "columns that no break log knows",
        text(extra),
        rows=meant(),
        findings=[("info", "row 1, column 'Colour'", "kept as text")],
    )
    double = [[*HEAD, "Load (lbf)"], *[[*r, round(r[4] / LBF)] for r in rows]]
    case(
        "two_load_columns.csv",
        "the load twice, in two units",
        text(double),
        bad=["row 1"],
        says="2 headers name 'load'",
    )
    case(
        "two_load_columns.csv",
        "the load twice, one chosen",
        text(double),
        rows=meant(),
        options={"columns": {"load": "load [kN]"}},
    )
    strange = [["specimen", "item", "orientation", "method", "Zugkraft [kN]", "Befund"], *rows]
    case(
        "foreign_headers.csv",
        "headers in another language",
        text(strange),
        bad=["row 1", "row 1"],
        says="no column names the load",
    )
    case(
        "foreign_headers.csv",
        "headers in another language, named",
        text(strange),
        rows=meant(),
        options={"columns": {"load": "Zugkraft [kN]", "outcome": "Befund"}},
    )
    none = [HEAD[:5], *[r[:5] for r in rows]]
    case("no_outcome.csv", "no outcome column", text(none), bad=["row 1"], says="no column names the outcome")
    case(
        "no_outcome.csv",
        "no outcome column, all declared broken",
        text(none),
        rows=meant(r3outcome="broke"),
        options={"columns": {"outcome": "=broke"}},
    )
    again = [HEAD, *rows[:3], HEAD, *rows[3:]]
    case(
        "header_repeated.csv",
        "the header again in the middle",
        text(again),
        rows=meant(),
        findings=[("info", "row 5", "header repeated")],
    )


def outcomes() -> None:
    words = ["Broken", "ruptured", "BROKE", "did not break", "parted", "snapped"]
    said = [[*r[:5], w] for r, w in zip(base(), words, strict=False)]
    case(
        "outcome_words.csv",
        "six words for two outcomes",
        text([HEAD, *said]),
        rows=meant(),
        findings=[("info", "row 5, column 'outcome'", "read as 'held'")],
    )
    held = ["22.41", "23.05", ">21.87", "24.4+", "DNB 19.66", "no break at 20.13"]
    marks = [[*r[:4], x, "broke" if i < 2 else ""] for i, (r, x) in enumerate(zip(base(), held, strict=False))]
    case(
        "held_in_load.csv",
        "the outcome written into the load",
        text([HEAD, *marks]),
        rows=[[*r[:5], "broke" if i < 2 else "held", True] for i, r in enumerate(meant())],
        findings=[("info", f"row {i}, column 'load [kN]'", "read as 'held'") for i in (4, 5, 6, 7)],
    )
    case(
        "held_but_broke.csv",
        "more than the load, and yet broken",
        text([HEAD, *base(r0load=">22.41")]),
        bad=["row 2, column 'load [kN]'"],
        says="says 'held', but the outcome says 'broke'",
    )
    case(
        "dnb_without_load.csv",
        "did not break, at no stated load",
        text([HEAD, *base(r3load="DNB")]),
        bad=["row 5, column 'load [kN]'"],
        says="states no load",
    )
    case(
        "unknown_outcome.csv",
        "words that no table knows, and one that is missing",
        text([HEAD, *base(r0outcome="popped", r1outcome="")]),
        bad=["row 2, column 'outcome'", "row 3, column 'outcome'"],
        says="no outcome this reader knows",
    )
    case(
        "unknown_outcome.csv",
        "the word declared, the missing one still refused",
        text([HEAD, *base(r0outcome="popped", r1outcome="")]),
        bad=["row 3, column 'outcome'"],
        says="the outcome is missing",
        options={"labels": {"outcome": {"popped": "broke"}}},
    )
    case(
        "slips.csv",
        "one of four slipped",
        text([HEAD, *base(r1outcome="slipped")]),
        rows=meant(r1outcome="slipped"),
        findings=[("info", "row 3, column 'outcome'", "1 of 4 slipped: 25 % (95 % exact interval 0.6 to 80.6 %)")],
    )
    weaker = [[*HEAD, "failed part"], *[[*r, ""] for r in base(r4outcome="Other part broke")]]
    weaker[5][6] = "fuse"
    case(
        "weaker_part_first.csv",
        "the fuse broke before the specimen",
        text(weaker),
        rows=meant(r4outcome="other part broke"),
    )
    wrong = [r[:] for r in weaker]
    wrong[5][5] = "broke"
    case(
        "fuse_called_broke.csv",
        "the fuse broke, and the specimen is called broken",
        text(wrong),
        bad=["row 6, column 'failed part'"],
        says="belongs to the rig",
    )
    maxed = base(r3outcome="maxed out", r2outcome="void", r2load="")
    case(
        "maxed_and_void.csv",
        "the rig's limit, and a void run without a load",
        text([HEAD, *maxed]),
        rows=[
            [*r[:4], None if i == 2 else r[4], r[5], i != 2]
            for i, r in enumerate(meant(r3outcome="stopped", r2outcome="invalid"))
        ],
    )
    out = [[*HEAD, "excluded", "reason"], *[[*r, "", ""] for r in base()]]
    out[1][6:] = ["yes", "cut while set up"]
    rows = meant()
    rows[0][6] = False
    case("excluded.csv", "one excluded for a reason", text(out), rows=rows)
    out[1][7] = ""
    case(
        "excluded_without_reason.csv",
        "one excluded for no reason",
        text(out),
        bad=["row 2, column 'reason'"],
        says="without a reason",
    )


def labels_and_rows() -> None:
    case(
        "case_and_spaces.csv",
        "one label in four spellings of case and space",
        text([HEAD, *base(r0item="Sling ", r1item=" SLING", r2orientation="STRAIGHT", r3orientation="straight\u00a0")]),
        rows=meant(),
        findings=[("info", "row 2, column 'item'", "read as 'sling', the spelling used most")],
    )
    near = base()
    for i, label in enumerate(["major axis", "major-axis", "maj. axis", "major axis", "minor axis", "minor axis"]):
        near[i][2] = label
    rows = [[*r, True] for r in near]
    fix = "labels={'orientation': {'major-axis': 'major axis'}}"
    case(
        "near_labels.csv",
        "major axis, major-axis, maj. axis",
        text([HEAD, *near]),
        rows=rows,
        findings=[
            ("warning", "row 3, column 'orientation'", fix),
            ("warning", "row 4, column 'orientation'", "'maj. axis': 'major axis'"),
        ],
    )
    one = [[*r[:2], "major axis" if i < 4 else "minor axis", *r[3:]] for i, r in enumerate(rows)]
    case(
        "near_labels.csv",
        "the same, declared to be one",
        text([HEAD, *near]),
        rows=one,
        options={"labels": {"orientation": {"major-axis": "major axis", "maj. axis": "major axis"}}},
        findings=[("info", "row 3, column 'orientation'", "declared by labels=")],
    )
    methods = base()
    for row, word in zip(methods, ["static", "Pull test", "quasi-static", "tensile", "drop", "Dynamic"], strict=False):
        row[3] = word
    case(
        "method_words.csv",
        "six words for two methods",
        text([HEAD, *methods]),
        rows=meant(),
        findings=[("info", "row 6, column 'method'", "read as 'shock'")],
    )
    twice = base()
    twice[2][0] = "a1"
    case(
        "tested_twice.csv",
        "one specimen tested twice",
        text([HEAD, *twice]),
        bad=["row 4, column 'specimen'"],
        says="was already tested",
    )
    first = [[*r, True] for r in twice]
    first[2][6] = False
    case(
        "tested_twice.csv",
        "tested twice, the first counts",
        text([HEAD, *twice]),
        rows=first,
        options={"repeats": "first"},
        findings=[("warning", "row 4, column 'specimen'", "set aside, as told")],
    )
    numbered = [[str(i % 4 + 1), *r[1:]] for i, r in enumerate(base())]
    case(
        "numbers_start_again.csv",
        "specimens numbered anew in every group",
        text([HEAD, *numbered]),
        bad=["row 6, column 'specimen'", "row 7, column 'specimen'"],
        says="pass repeats='per group'",
    )
    case(
        "numbers_start_again.csv",
        "numbered anew in every group, as told",
        text([HEAD, *numbered]),
        rows=[[*r, True] for r in numbered],
        options={"repeats": "per group"},
    )
    retest = base(r0outcome="invalid")
    retest[1][0] = "a1"
    case(
        "retest.csv",
        "tested again after a void run",
        text([HEAD, *retest]),
        rows=[[*r, i != 0] for i, r in enumerate(retest)],
        findings=[("warning", "row 3, column 'specimen'", "may have weakened it")],
    )
    noted = [[*HEAD, "notes"], *[[*r, ""] for r in base()]]
    noted[2][6] = "re-used from the proof test"
    case(
        "reused_by_note.csv",
        "a note says that the specimen was loaded before",
        text(noted),
        rows=meant(),
        findings=[("warning", "row 3, column 'notes'", "loaded before")],
    )
    gaps = base()
    gaps[1][1] = gaps[2][1] = ""
    case(
        "blank_items.csv",
        "an item written in the first row of its block alone",
        text([HEAD, *gaps]),
        bad=["row 3, column 'item'", "row 4, column 'item'"],
        says="not filled from above",
    )
    sums = [
        HEAD,
        *base(),
        ["Mean", "", "", "", 21.92, ""],
        ["SD", "", "", "", 1.73, ""],
        ["3 sigma", "", "", "", 16.7, ""],
        ["max (n=6)", "", "", "", 24.4, ""],
    ]
    case(
        "summary_rows.csv",
        "mean, spread and others under the data",
        text(sums),
        rows=meant(),
        findings=[("warning", f"row {i}", "no specimen") for i in (8, 9, 10, 11)],
    )
    inner = [HEAD, *base()[:4], ["", "average", "", "", 22.9, ""], *base()[4:], ["", "average", "", "", 19.9, ""]]
    case(
        "summary_in_blocks.csv",
        "averages after each block, in the item column",
        text(inner),
        rows=meant(),
        findings=[("warning", "row 6", "no specimen"), ("warning", "row 9", "no specimen")],
    )
    feet = [HEAD, *base(), [], ["Tested in the yard; all data invented."], ["* values as shown by the display"]]
    case(
        "footnotes.csv",
        "remarks under the table",
        text(feet),
        rows=meant(),
        findings=[("info", "row 9", "not read as data")],
    )
    stub = [HEAD, *base(), ["c1"]]
    case(
        "stub_row.csv",
        "a last row with a name and nothing else",
        text(stub),
        bad=["row 8, column 'item'", "row 8, column 'load [kN]'", "row 8, column 'outcome'"],
        says="load is missing",
    )
    risky = [
        [*HEAD, "note"],
        *[[*r, n] for r, n in zip(base(), ["=1+1", "'=HYPERLINK()", "+5", "-x", "@sum", "plain"], strict=False)],
    ]
    case(
        "formula_cells.csv",
        "texts that a spreadsheet would run",
        text(risky),
        rows=meant(),
        findings=[("info", "row 1, column 'note'", "1 cells began with the apostrophe")],
    )
    dates = [
        [*HEAD, "date"],
        *[
            [*r, d]
            for r, d in zip(base(), ["03/04/2024", "2024-05-03", "13/04/2024", "4.5.24", "45415", ""], strict=False)
        ],
    ]
    case(
        "doubtful_dates.csv",
        "day and month could change places",
        text(dates),
        rows=meant(),
        findings=[("info", "row 2, column 'date'", "3 dates can be read two ways")],
    )


def at_the_door() -> None:
    """What would pool unlike tests, or leave a load out, if it were read in silence."""
    both = ["specimen", "item", "orientaton", "methd", "load [kN]", "outcome"]
    near = text([both, *base()])
    case(
        "near_headers.csv",
        "two headers a letter off",
        near,
        rows=[[*r[:2], "", "", *r[4:]] for r in meant()],
        findings=[
            ("warning", "row 1, column 'methd'", "slow pull and shock may stand in one group"),
            ("warning", "row 1, column 'orientaton'", "loaded in different ways may stand in one group"),
        ],
    )
    case(
        "near_headers.csv",
        "the same, named",
        near,
        rows=meant(),
        options={"columns": {"method": "methd", "orientation": "orientaton"}},
    )
    case(
        "far_headers.csv",
        "headers that only look alike: included is not excluded, rates no rating, include2 no note2",
        text([[*HEAD, "included", "rates", "colour", "notes2"], *[[*r, "yes", "a", "red", "x"] for r in base()]]),
        rows=meant(),
    )
    case(
        "method_elsewhere.csv",
        "the method under a header of its own making",
        text([[*HEAD[:3], "rigging", *HEAD[4:]], *base()]),
        rows=[[*r[:3], "", *r[4:]] for r in meant()],
        findings=[("warning", "row 1, column 'rigging'", "this column holds 'shock', 'slow pull'")],
    )
    noted = [[*HEAD, "note"], *[[*r[:3], "", *r[4:], "shock" if r[3] == "shock" else ""] for r in base()]]
    case(
        "method_in_notes.csv",
        "an empty method column, and shock written into the notes",
        text(noted),
        rows=[[*r[:3], "", *r[4:]] for r in meant()],
        findings=[("warning", "row 1, column 'note'", "slow pull and shock may stand in one group")],
    )
    numbered = [[f"{'pull' if r[3] == 'slow pull' else 'drop'} {i}", *r[1:3], *r[4:]] for i, r in enumerate(base())]
    case(
        "method_in_names.csv",
        "the method in the specimens' names",
        text([HEAD[:3] + HEAD[4:], *numbered]),
        rows=[[r[0], *w[1:3], "", *w[4:]] for r, w in zip(numbered, meant(), strict=True)],
        findings=[("warning", "row 1, column 'specimen'", "holds 'shock', 'slow pull'")],
    )
    shok = base(r5method="shokc")
    case(
        "near_method.csv",
        "two letters swapped in one method",
        text([HEAD, *shok]),
        rows=[[*r, True] for r in shok],
        findings=[("warning", "row 7, column 'method'", "nearly the same as 'shock' (1 row)")],
    )
    alone = [[*r[:3], "slow pul" if r[3] == "slow pull" else r[3], *r[4:]] for r in base()]
    case(
        "method_misspelt.csv",
        "a method misspelt in every row",
        text([HEAD, *alone]),
        rows=[[*r, True] for r in alone],
        findings=[("warning", "row 2, column 'method'", "nearly 'slow pull'")],
    )
    sizes = ["cord 8 mm", "cord 10 mm", "A1", "A2", "type VII", "type VIII"]
    unlike = [[r[0], size, *r[2:]] for r, size in zip(base(), sizes, strict=True)]
    batches = ["batch 1", "batch 2", "lot A", "lot B", "2023", "2024"]
    case(
        "sizes_and_numbers.csv",
        "items and batches that differ in a size, a digit, a letter: no near miss",
        text([[*HEAD, "batch"], *[[*r, b] for r, b in zip(unlike, batches, strict=True)]]),
        rows=[[*r, True] for r in unlike],
    )
    twice = [[*HEAD[:4], "load [kN]", "load [kN]", "outcome"], *[[*r[:4], r[4] / 2, r[4], r[5]] for r in base()]]
    case("load_twice.csv", "two loads under one header", text(twice), bad=["row 1"], says="by its letter")
    case(
        "load_twice.csv",
        "two loads under one header, one chosen by its letter",
        text(twice),
        rows=meant(),
        options={"columns": {"load": "F"}},
    )
    pounds = [5040.0, 5180.0, 4920.0, 5490.0, 4420.0, 4530.0]
    other = [
        [*HEAD[:4], "load [kN]", "load [lbf]", "outcome"],
        *[[*r[:4], 1.0, x, r[5]] for r, x in zip(base(), pounds, strict=True)],
    ]
    case(
        "load_in_two_units.csv",
        "proof loads in kN and breaking loads in lbf; the second is named",
        text(other),
        rows=meant([x * LBF for x in pounds]),
        options={"columns": {"load": "load [lbf]"}},
    )
    held = [
        [*HEAD[:4], "load [kN]", "held at [kN]", "outcome"],
        *[[*r[:4], *(("", r[4]) if r[5] == "held" else (r[4], "")), "" if r[5] == "held" else r[5]] for r in base()],
    ]
    case(
        "held_column.csv",
        "loads of held specimens in a column of their own",
        text(held),
        rows=meant(),
        options={"columns": {"load_held": "held at [kN]"}},
    )
    wrong = [list(r) for r in held]
    wrong[4][6] = "broke"
    case(
        "held_column_broke.csv",
        "a load in the column of held loads beside the word broke",
        text(wrong),
        bad=["row 5, column 'outcome'"],
        says="the load stands in the column of held loads",
        options={"columns": {"load_held": "held at [kN]"}},
    )
    few = [["Nummer", "Zugkraft [kN]", "Bemerkung"], *[[r[0], r[4], "x"] for r in base()]]
    case("few_known.csv", "no header is known", text(few), says="no header row")
    case(
        "few_known.csv",
        "naming the load shows the header",
        "Pruefstand 7; ohne Gewaehr\n\n" + text(few),
        rows=[[r[0], "sling", "", "", r[4], "broke", True] for r in meant()],
        options={"columns": {"load": "Zugkraft [kN]", "specimen": "Nummer", "item": "=sling", "outcome": "=broke"}},
        findings=[("info", "row 1 to 2", "above the header")],
    )
    case(
        "column_a_group.csv",
        "a column a group",
        text([["sling", "cord"], [22.4, 6.1], [23.1, 5.8], [22.9, 6.6]]),
        says="looks like a column a group ('sling', 'cord'): turn the table to one row a specimen",
    )
    case(
        "column_a_method.csv",
        "a column a method beside columns that are known",
        text([["specimen", "item", "slow pull [kN]", "shock [kN]", "outcome"], ["1", "sling", 22.4, 20.1, "broke"]]),
        bad=["row 1"],
        says="looks like a column a group ('slow pull [kN]', 'shock [kN]')",
    )
    case(
        "row_a_group.csv",
        "a row a group, its specimens side by side",
        text([["product", "test 1", "test 2", "test 3"], ["sling", 22.4, 23.1, 22.9], ["cord", 6.1, 5.8, ""]]),
        says="looks like a row a group, its specimens side by side ('test 1', 'test 2', 'test 3')",
    )
    stress = [[*HEAD[:4], "load [MPa]", "outcome", "rated [MPa]"], *[[*r, 200] for r in base([x * 10 for x in LOADS])]]
    case("stress.csv", "stresses", text(stress), bad=["row 1, column 'load [MPa]'", "row 1, column 'rated [MPa]'"],
         says="a stress needs the loaded area: give `area_mm2`")  # fmt: skip
    case(
        "stress.csv",
        "stresses with their area: 1 MPa on 100 mm2 is 0.1 kN by definition",
        text(stress),
        rows=meant(),
        options={"area_mm2": 100},
        findings=[("info", "row 1, column 'load [MPa]'", "6 stresses in MPa times the loaded area, 100 mm2 as stated")],
    )
    case(
        "stress_header.csv",
        "a header that names a stress",
        text([[*HEAD[:4], "tensile stress [N/mm2]", "outcome"], *base()]),
        bad=["row 1"],
        says="pass columns={'load': 'tensile stress [N/mm2]'} and give `area_mm2`",
    )
    column = [5210, 5330, 5100, 5480, 4820, 4905]
    case(
        "lbf_called_kN.csv",
        "a whole column in lbf under a header in kN, no rating beside it",
        text([HEAD, *base(column)]),
        rows=meant(column),
        findings=[("warning", "row 2, column 'load [kN]'", "check the unit of the whole column")],
    )
    case(
        "kN_called_lbf.csv",
        "a whole column in kN under a header in lbf",
        text([[*HEAD[:4], "load [lbf]", "outcome"], *base()]),
        rows=meant([x * LBF for x in LOADS]),
        findings=[("warning", "row 2, column 'load [lbf]'", "check the unit of the whole column")],
    )
    wild = [[f"a{i}", *HEAD[1:4], x, "broke"] for i, x in enumerate([5.3, 9.8, 13.1, 19.5, 22.4, 30.2, 44.7, 61.0])]
    case(
        "wild_scatter.csv",
        "loads over a factor of ten: scatter, and no slip of a unit",
        text([HEAD, *wild]),
        rows=[[*r, True] for r in wild],
    )
    case(
        "rate_without_unit.csv",
        "rates that state no unit",
        text([[*HEAD, "rate"], *[[*r, 10**i] for i, r in enumerate(base())]]),
        rows=meant(),
        findings=[("warning", "row 2, column 'rate'", "6 rates state no unit and are not used")],
    )
    case(
        "joined_files.csv",
        "two files joined, each with its byte-order mark",
        "\ufeff" + text([HEAD, *base()[:3]]) + "\ufeff" + text([HEAD, *base()[3:]]),
        rows=meant(),
        findings=[
            ("warning", "row 5, column 'A'", "a byte-order mark stands inside the table"),
            ("info", "row 5", "header repeated"),
        ],
    )
    case(
        "zero_width.csv",
        "a label with a space that no one sees",
        text([HEAD, *base(r2item="sling\u200b")]),
        rows=meant(),
        findings=[("warning", "row 4, column 'B'", "characters without width")],
    )
    case(
        "number_above.csv",
        "a load above the header",
        ",,,,22.9,\n" + text([HEAD, *base()]),
        rows=meant(),
        findings=[("warning", "row 1", "not read as data")],
    )


def xlsx(fill: Callable[[Any], None], finish: Callable[[Any], None] | None = None) -> bytes:
    import openpyxl

    book = openpyxl.Workbook()
    fill(book.active)
    if finish:
        finish(book)
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def sheet_rows(rows: Iterable[Iterable[Any]], title: str = "Breaks") -> Callable[[Any], None]:
    def fill(sheet: Any) -> None:
        sheet.title = title
        for row in rows:
            sheet.append(list(row))

    return fill


def add_member(data: bytes, name: str, content: bytes) -> bytes:
    stream = io.BytesIO(data)
    with zipfile.ZipFile(stream, "a") as archive:
        archive.writestr(name, content)
    return stream.getvalue()


def workbooks() -> None:
    table = [HEAD, *base()]
    titled = [["Invented tests"], [], ["all loads in kN"], *table]
    case(
        "titled.xlsx",
        "three rows above the header",
        xlsx(sheet_rows(titled)),
        rows=meant(),
        findings=[("info", "Breaks!1 to 3", "above")],
    )
    case(
        "numbers_as_text.xlsx",
        "every load a text, two with units",
        xlsx(sheet_rows([HEAD, *base([*map(str, LOADS[:4]), "19.66 kN", "20.13 kN"])])),
        rows=meant(),
    )
    case(
        "comma_as_text.xlsx",
        "loads as text with decimal commas",
        xlsx(sheet_rows([HEAD, *base([comma(x) for x in LOADS])])),
        rows=meant(),
    )

    def notes(book: Any) -> None:
        book.create_sheet("Notes").append(["nothing to see"])

    case(
        "other_sheets.xlsx",
        "a second sheet without a log",
        xlsx(sheet_rows(table), notes),
        rows=meant(),
        findings=[("info", "Breaks", "not read: 'Notes'")],
    )

    def second(book: Any) -> None:
        sheet_rows([HEAD, *base([x - 1 for x in LOADS])], "Year 2")(book.create_sheet())

    two = xlsx(sheet_rows(table), second)
    case("two_logs.xlsx", "two sheets with a log each", two, says="Choose one with sheet=")
    case("two_logs.xlsx", "two logs, one chosen", two, rows=meant([x - 1 for x in LOADS]), options={"sheet": "Year 2"})

    def hide_sheet(book: Any) -> None:
        second(book)
        book["Year 2"].sheet_state = "hidden"

    case(
        "hidden_sheet.xlsx",
        "a hidden sheet with an older log",
        xlsx(sheet_rows(table), hide_sheet),
        rows=meant(),
        findings=[("warning", "Breaks", "hidden sheets not read: 'Year 2', which holds numbers")],
    )

    def figures(book: Any) -> None:
        for row in (["kN", "lbf"], [1, 224.8], [2, 449.6], [3, 674.4]):
            book.create_sheet("Units") if "Units" not in book.sheetnames else None
            book["Units"].append(row)

    case(
        "sheet_of_numbers.xlsx",
        "a second sheet that is no log and holds numbers",
        xlsx(sheet_rows(table), figures),
        rows=meant(),
        findings=[("warning", "Breaks", "not read: 'Units', which holds numbers")],
    )
    half = [HEAD[:3] + HEAD[4:], *[r[:3] + r[4:] for r in base()]]

    def drops(book: Any) -> None:
        sheet_rows([half[0], *half[5:]], "Drops 2024")(book.create_sheet())

    by_sheet = xlsx(sheet_rows(half[:5], "Slow pull 2024"), drops)
    case("method_in_titles.xlsx", "a sheet a method", by_sheet, says="'Slow pull 2024', 'Drops 2024'. Choose one with")
    case(
        "method_in_titles.xlsx",
        "a sheet a method, read together, and no column that says so",
        by_sheet,
        rows=[[*r[:3], "", *r[4:]] for r in meant()],
        options={"sheet": "all"},
        findings=[("warning", "Slow pull 2024", "slow pull and shock may stand in one group")],
    )

    def later(book: Any) -> None:
        rows = [[f"{r[0]}x", r[1].title(), *r[2:]] for r in base([x - 1 for x in LOADS])]
        lbf = [*HEAD[:4], "load [N]", "outcome"]
        sheet_rows([lbf, *[[*r[:4], r[4] * 1000, r[5]] for r in rows]], "Year 2")(book.create_sheet())

    case(
        "two_years.xlsx",
        "two sheets in two units, read together; the second writes Sling for sling",
        xlsx(sheet_rows(table, "Year 1"), later),
        rows=[*meant(), *[[f"{r[0]}x", *r[1:]] for r in meant([x - 1 for x in LOADS])]],
        options={"sheet": "all"},
        findings=[("info", "Year 2!B2", "the spelling used most in all sheets")],
    )

    def merge(book: Any) -> None:
        sheet = book["Breaks"]
        for area in ("B2:B7", "C2:C7", "D2:D5", "D6:D7"):
            sheet.merge_cells(area)

    case(
        "merged_groups.xlsx",
        "item, orientation and method in merged cells",
        xlsx(sheet_rows(table), merge),
        rows=meant(),
        findings=[("info", "Breaks!D2", "merged over rows 2 to 5"), ("info", "Breaks!B2", "merged over rows 2 to 7")],
    )

    def merge_loads(book: Any) -> None:
        book["Breaks"].merge_cells("E2:E3")

    case(
        "merged_load.xlsx",
        "one load merged over two specimens",
        xlsx(sheet_rows(table), merge_loads),
        bad=["Breaks!E3"],
        says="load is missing",
    )
    over = [
        ["Specimen", None, None, "Test", None, None],
        ["id", "Item", "Orientation", "method", "peak load [kN]", "result"],
        *base(),
    ]

    def merge_head(book: Any) -> None:
        book["Breaks"].merge_cells("A1:C1")
        book["Breaks"].merge_cells("D1:F1")

    case(
        "merged_header.xlsx", "two header rows, the upper one merged", xlsx(sheet_rows(over), merge_head), rows=meant()
    )
    formula = [HEAD, *base(r1load="=22+1.05", r4load="=E6*2")]
    case(
        "formulas_without_results.xlsx",
        "formulas that were never calculated",
        xlsx(sheet_rows(formula)),
        bad=["Breaks!E3", "Breaks!E6"],
        says="formula without a stored result",
    )

    def errors(book: Any) -> None:
        cell = book["Breaks"]["E4"]
        cell.value, cell.data_type = "#DIV/0!", "e"
        cell = book["Breaks"]["B5"]
        cell.value, cell.data_type = "#REF!", "e"

    case(
        "error_values.xlsx",
        "cells that hold errors",
        xlsx(sheet_rows(table), errors),
        bad=["Breaks!B5", "Breaks!E4"],
        says="error #DIV/0!",
    )
    days = [
        [*HEAD, "date"],
        *[
            [*r, d]
            for r, d in zip(
                base(), [datetime.date(2024, 5, 3), 45415, "2024-05-03", None, 45416.0, "May"], strict=False
            )
        ],
    ]
    case(
        "day_numbers.xlsx",
        "dates as dates, as day numbers and as text",
        xlsx(sheet_rows(days)),
        rows=meant(),
        findings=[("info", "Breaks!G3", "2 numbers of days read as dates")],
    )
    case(
        "load_became_date.xlsx",
        "a spreadsheet turned 22.5 into a date",
        xlsx(sheet_rows([HEAD, *base(r1load=datetime.date(2024, 5, 22))])),
        bad=["Breaks!E3"],
        says="date or time",
    )

    def marks(book: Any) -> None:
        from openpyxl.comments import Comment
        from openpyxl.styles import Font

        sheet = book["Breaks"]
        sheet.row_dimensions[3].hidden = True
        sheet["E4"].font = Font(strike=True)
        sheet["E5"].comment = Comment("display jumped", "nobody")
        sheet["E6"].number_format = '0.00" lbf"'

    case(
        "hidden_struck_commented.xlsx",
        "a hidden row, a struck-through load, a comment, a format that shows another unit",
        xlsx(sheet_rows(table), marks),
        rows=meant(),
        findings=[
            ("warning", "Breaks!3", "hidden"),
            ("warning", "Breaks!E4", "struck through"),
            ("info", "Breaks!E5", "comment in the workbook"),
            ("warning", "Breaks!E6", "number format shows the unit 'lbf'"),
        ],
    )
    plain = xlsx(sheet_rows(table))
    case("macros.xlsm", "a workbook with macros", add_member(plain, "xl/vbaProject.bin", b"\0"), says="holds macros")
    case(
        "external_link.xlsx",
        "a workbook that draws on another",
        add_member(plain, "xl/externalLinks/externalLink1.xml", b"<x/>"),
        says="links to other workbooks",
    )
    case("cut_off.xlsx", "half a workbook", plain[: len(plain) // 2], says="damaged workbook")
    case(
        "just_a_zip.xlsx", "a zip file with something else in it", zip_of({"readme.txt": b"hello"}), says="no workbook"
    )
    case("csv_called_xls.xls", "a text table with the ending of a workbook", text(table), rows=meant())
    case(
        "html_called_xls.xls",
        "a web page with the ending of a workbook",
        "<html><table><tr><td>load</td></tr></table></html>\n",
        says="no header row",
    )


def zip_of(members: dict[str, bytes]) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return stream.getvalue()


def other_workbooks() -> None:
    import xlwt
    from odf.opendocument import OpenDocumentSpreadsheet
    from odf.table import Table, TableCell, TableRow
    from odf.text import P

    book = xlwt.Workbook()
    sheet = book.add_sheet("Breaks")
    for i, row in enumerate([HEAD, *base()]):
        for j, value in enumerate(row):
            if not (j in (1, 2) and i > 0):
                sheet.write(i, j, value)
    sheet.write_merge(1, 6, 1, 1, "sling")
    sheet.write_merge(1, 6, 2, 2, "straight")
    stream = io.BytesIO()
    book.save(stream)
    case(
        "old_workbook.xls",
        "a workbook of the old format with merged cells",
        stream.getvalue(),
        rows=meant(),
        findings=[("info", "Breaks!B2", "merged over rows 2 to 7")],
    )
    case("old_cut_off.xls", "half a workbook of the old format", stream.getvalue()[:1500], says="no readable workbook")

    document = OpenDocumentSpreadsheet()
    page = Table(name="Breaks")
    for row in [["Invented"], HEAD, *base()]:
        line = TableRow()
        for value in row:
            if isinstance(value, float):
                cell = TableCell(valuetype="float", value=str(value))
            else:
                cell = TableCell(valuetype="string")
            cell.addElement(P(text=str(value)))
            line.addElement(cell)
        page.addElement(line)
    tail = TableRow(numberrowsrepeated="1048000")
    tail.addElement(TableCell(numbercolumnsrepeated="1024"))
    page.addElement(tail)
    document.spreadsheet.addElement(page)
    stream = io.BytesIO()
    document.save(stream)
    case(
        "open_document.ods", "an OpenDocument sheet with a million empty rows declared", stream.getvalue(), rows=meant()
    )


def main() -> None:
    for part in (
        delimiters_and_encodings,
        numbers,
        units,
        headers,
        outcomes,
        labels_and_rows,
        at_the_door,
        workbooks,
        other_workbooks,
    ):
        part()
    HERE.mkdir(exist_ok=True)
    for name, data in FILES.items():
        (HERE / name).write_bytes(data)
    (HERE / "expected.json").write_text(json.dumps(CASES, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    print(f"{len(FILES)} files, {len(CASES)} cases")


if __name__ == "__main__":
    main()
