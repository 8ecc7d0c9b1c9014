"""Loads with their units and outcomes: the columns that must agree with each other."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Mapping
from fractions import Fraction
from statistics import median
from typing import Any

from lowtail.errors import InputError
from lowtail.glossary import BREAK_LOG
from lowtail.logs.breaks.between_columns import ends_stated, fill_between, fill_uncertainties, find_ends
from lowtail.logs.breaks.work import Work
from lowtail.logs.cells import Load, Refused, as_text, decimal_mark, is_missing, key, parse_load, word_map
from lowtail.logs.sheets.header import HELD_LOAD
from lowtail.logs.units import FORCE, STRESS_NAMES, is_stress, read_force_unit, stress_to_kN, to_kN, unit_key

__all__ = ["outcomes_and_loads"]

_MAX_KN = 1e6  # a thousand meganewtons: beyond any bench
_HELD = ("held", "other part broke", "slipped", "stopped")


def outcomes_and_loads(work: Work, declared: Mapping[str, str]) -> None:
    """Fill outcome, load, unit and load_kN."""
    values = work.out.values
    outcomes = _outcome_words(work, declared)
    values["_outcomes"] = [word for word, _ in outcomes]
    ends, stated = find_ends(work), ends_stated(work)
    values.update(outcome=[], load=[], unit=[], load_kN=[])
    units = _Units(work)
    unit_cells = work.raw("unit")
    _held_columns(work)
    for i, cell in enumerate(work.raw("load")):
        word, given = _in_held_column(work, i, *outcomes[i])
        load = _load(work, i, cell, may_miss=word == "invalid" or values["excluded"][i] or stated[i])
        outcome = _agree(work, i, cell, load, word, given)
        value, unit = units.force(load.value, units.of(i, load, unit_cells[i]))
        kN = to_kN(value, unit) if unit and math.isfinite(value) else math.nan
        if kN > _MAX_KN:
            message = f"{as_text(cell)!r} is {kN:.3g} kN, beyond any bench. Correct the load or its unit."
            work.refuse(i, "load", cell, message)
        elif kN == 0 and load.value > 0:
            work.refuse(i, "load", cell, f"{as_text(cell)!r} is too small to be a load. Correct it.")
        for name, entry in (("outcome", outcome), ("load", value), ("unit", unit), ("load_kN", kN)):
            values[name].append(entry)
    del values["_outcomes"]
    fill_between(work, ends)
    fill_uncertainties(work)
    units.say_area()
    mixed = Counter(u for u in values["unit"] if u)
    if len(mixed) > 1:
        parts = ", ".join(f"{u} {n}" for u, n in mixed.items())
        work.note_header("load", "warning", parts, "loads in several units, each converted to kN")
    _doubtful_thousands(work)
    _contradictions(work)


def _held_columns(work: Work) -> None:
    """A column of held loads stands beside the column of breaks: in one unit, and one load a row."""
    held, load = work.header.fields.get(HELD_LOAD), work.header.fields.get("load")
    if held is None or load is None:
        return
    if held.unit and held.unit != load.unit:
        other = load.unit or "no unit"
        message = f"loads of held specimens are in {held.unit}, loads at break in {other}. Convert one of them."
        work.refuse_header(held, "load", message)
    index = load.index
    for i, r in enumerate(work.out.rows):
        row = work.grid.rows[r]
        both = index < len(row) and not is_missing(row[index]) and not is_missing(work.held_at(i))
        if both:
            message = f"a load at break and a load held ({as_text(work.held_at(i))!r}) stand in one row. Keep one."
            work.refuse(i, "load", row[index], message)


def _in_held_column(work: Work, i: int, word: str, given: bool) -> tuple[str, bool]:
    """Outcome of a row whose load stands in the column of held loads: held, unless its own cell says more."""
    if is_missing(work.held_at(i)):
        return word, given
    own = given and "outcome" not in work.constants
    if own and word == "broke":
        message = "the outcome says 'broke', but the load stands in the column of held loads. Correct one of the two."
        work.refuse(i, "outcome", word, message)
    return (word, given) if own else ("held", True)


def _outcome_words(work: Work, declared: Mapping[str, str]) -> list[tuple[str, bool]]:
    """Canonical outcome of every row ("" where not known) and whether the cell held a word."""
    known = {**word_map("outcome"), **{key(old): new for old, new in declared.items()}}
    read = defaultdict[tuple[str, str], list[int]](list)
    words = []
    for i, cell in enumerate(work.raw("outcome")):
        text = as_text(cell)
        outcome = known.get(key(text), "") if text else ""
        if text and not outcome:
            message = (
                f"{text!r} is no outcome this reader knows. Use one of {', '.join(BREAK_LOG['outcome'].allowed)}, or "
                f"declare it with labels={{'outcome': {{{text!r}: ...}}}}."
            )
            work.refuse(i, "outcome", text, message)
        elif outcome != text:
            read[(text, outcome)].append(i)
        words.append((outcome, bool(text)))
    for (text, meaning), at in read.items():
        work.note(at[0], "outcome", "info", text, f"{len(at)} cells read as {meaning!r}")
    return words


def _load(work: Work, i: int, cell: Any, may_miss: bool) -> Load:
    none = Load(math.nan)
    if is_missing(cell):
        if not may_miss:
            message = f"{as_text(cell)!r}: the load is missing. Write it, or mark the row excluded with a reason."
            work.refuse(i, "load", cell, message)
        return none
    try:
        load = parse_load(cell, work.decimal)
    except Refused as exc:
        work.refuse(i, "load", cell, str(exc))
        return none
    if load.value < 0 or (load.value == 0 and not may_miss):
        message = f"{as_text(cell)!r} is not greater than 0. Correct the load, or mark the row excluded with a reason."
        work.refuse(i, "load", cell, message)
        return none
    return load


def _agree(work: Work, i: int, cell: Any, load: Load, outcome: str, given: bool) -> str:
    """Outcome of the row from its word and from the marks of the load cell; a contradiction is a bad cell."""
    mark = load.outcome
    if not mark:
        if not given:
            message = f"the outcome is missing. Write one of {', '.join(BREAK_LOG['outcome'].allowed)}."
            work.refuse(i, "outcome", "", message)
        return outcome
    if not given:
        work.note(i, "load", "info", cell, f"read as {mark!r} at {load.value:g}")
        return mark
    if outcome in (mark, "invalid") or (mark == "held" and outcome in _HELD):
        work.note(i, "load", "info", cell, f"read as {outcome!r} at {load.value:g}")
        return outcome
    if outcome:
        message = f"{as_text(cell)!r} says {mark!r}, but the outcome says {outcome!r}. Correct one of the two."
        work.refuse(i, "load", cell, message)
    return outcome


class _Units:
    """Unit of each load from header, declaration, cell or unit column; two that disagree are a bad cell."""

    def __init__(self, work: Work) -> None:
        self.work = work
        self.known: dict[str, str] = {}
        self.base: dict[str, str] = {"unit=": work.unit} if work.unit else {}
        self.stopped = self.silent = False
        self.stresses = Counter[str]()
        f = work.header.fields.get("load")
        if f is None or not f.unit:
            return
        try:
            unit = self._unit(f.unit)
        except InputError as exc:
            work.refuse_header(f, "load", str(exc))
            self.stopped = True
            return
        if work.unit and unit != work.unit:
            message = f"the header says {unit}, while unit={work.unit!r} was passed. Drop one of the two."
            work.refuse_header(f, "load", message)
            self.stopped = True
        elif unit != f.unit:
            work.note_header("load", "info", f.unit, f"unit read as {unit}")
        self.base = {"the header": unit}

    def of(self, i: int, load: Load, cell: Any) -> str:
        """Unit of one load, "" where it is refused."""
        if self.stopped:
            return ""
        stated = dict(self.base)
        if load.unit:
            stated["the cell"] = self._read(load.unit, i, "load")
        if text := as_text(cell):
            stated["the unit column"] = self._read(text, i, "unit")
        if "" in stated.values():
            return ""
        if len(set(stated.values())) > 1:
            says = ", ".join(f"{where} says {unit}" for where, unit in stated.items())
            self.work.refuse(i, "load", load.value, f"units disagree: {says}. Correct the cell.")
            return ""
        if not stated and math.isfinite(load.value):
            if not self.silent:
                message = "no unit is stated. Write it in the header, 'load [kN]', or in a unit column, or pass unit=."
                self.work.refuse(i, "load", load.value, message)
            self.silent = True  # once is enough: every row lacks it for the same reason
        return next(iter(stated.values()), "")

    def _unit(self, word: str) -> str:
        """Canonical unit: of force, or of stress where the loaded area is known."""
        if self.work.area_mm2 is not None and is_stress(word):
            return STRESS_NAMES[unit_key(word)]
        return read_force_unit(word, self.work.unit)

    def force(self, value: float, unit: str) -> tuple[float, str]:
        """Load and unit as they are, or in kN where the unit is one of stress."""
        if not unit or unit in FORCE or self.work.area_mm2 is None:
            return value, unit
        if math.isfinite(value):
            self.stresses[unit] += 1
            value = float(Fraction(value) * stress_to_kN(unit, self.work.area_mm2))
        return value, "kN"

    def say_area(self) -> None:
        """Put on record what the loaded area was used for; one area for several items is a thing to look at."""
        area, items = self.work.area_mm2, len(set(self.work.out.values["item"]))
        if area is None:
            return
        if not self.stresses:
            message = f"`area_mm2` {area:g} is given, but no load is a stress: it was not used"
            self.work.note_header("load", "warning", f"{area:g} mm2", message)
        for unit, n in self.stresses.items():
            message = f"{n} stresses in {unit} times the loaded area, {area:g} mm2 as stated: loads in kN"
            if items > 1:
                message += f"; one area stands for {items} items: read each item alone if theirs differ"
            self.work.note_header("load", "warning" if items > 1 else "info", unit, message)

    def _read(self, word: str, i: int, name: str) -> str:
        if self.known.get(word):
            return self.known[word]
        try:
            self.known[word] = self._unit(word)
            if self.known[word] != word:
                self.work.note(i, name, "info", word, f"unit read as {self.known[word]}")
        except InputError as exc:
            self.known[word] = ""
            self.work.refuse(i, name, word, str(exc))
        return self.known[word]


def _doubtful_thousands(work: Work) -> None:
    """Numbers such as 1,234 that the file's mark decides, and that then stand a hundredfold off their item: refused."""
    cells = work.raw("load")
    decimal = work.decimal or "."
    doubtful = [i for i, v in enumerate(cells) if isinstance(v, str) and decimal_mark(v) == "?" and decimal not in v]
    if not doubtful or len(doubtful) == len(cells):
        return
    items, loads = work.out.values["item"], work.out.values["load_kN"]
    others = defaultdict[str, list[float]](list)
    for i in set(range(len(cells))) - set(doubtful):
        if loads[i] > 0:
            others[items[i]].append(loads[i])
    for i in doubtful:
        if len(others[items[i]]) >= 2 and loads[i] > 0:
            ratio = loads[i] / median(others[items[i]])
            if not 0.01 < ratio < 100:
                message = (
                    f"{as_text(cells[i])!r} can be read two ways, and read as the rest of the file it is {ratio:.3g} "
                    "times the other loads of its item. Retype it without thousands."
                )
                work.refuse(i, "load", cells[i], message)


def _contradictions(work: Work) -> None:
    """A row cannot say that the specimen broke and that a part of the rig was what failed."""
    rig = set(word_map("rig"))
    values = work.out.values
    for i, (outcome, part, site) in enumerate(
        zip(values["outcome"], values["failed_part"], values["failure_site"], strict=True)
    ):
        if outcome == "broke" and part and key(part) in rig:
            message = (
                f"the outcome says 'broke', but {part!r} belongs to the rig. Write 'other part broke' where the "
                "specimen held, or name the part of the specimen."
            )
            work.refuse(i, "failed_part", part, message)
        elif outcome in ("held", "other part broke", "stopped") and site:
            message = f"a failure site is stated although the outcome is {outcome!r}; read as held. Check the outcome"
            work.note(i, "failure_site", "warning", site, message)
