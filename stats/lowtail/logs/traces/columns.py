"""Which column of a force-time file is the time, which the force, in which units; what the preamble states."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, get_args

from lowtail.errors import InputError, TableError
from lowtail.logs.cells import Refused, number_cell
from lowtail.logs.findings import Finding
from lowtail.logs.traces.layout import CLOCK, Layout
from lowtail.logs.units import FORCE, FORCE_NAMES, read_force_unit, to_kN, unit_key

__all__ = ["Roles", "find_roles"]

_TIME = {"time", "t", "elapsed", "elapsed time", "time elapsed", "timestamp", "time stamp", "clock", "date time",
         "datetime", "test time", "run time", "relative time", "seconds", "milliseconds", "zeit", "temps"}  # fmt: skip
_FORCE = {"force", "load", "f", "tension", "pull", "line tension", "load cell", "cell", "axial force", "axial load",
          "measured force", "measured load", "current load", "live load", "kraft", "last", "effort"}  # fmt: skip
_PEAK = {"peak", "max", "maximum", "hold", "peakhold", "fmax"}
_SECONDS = {"s": 1.0, "sec": 1.0, "secs": 1.0, "second": 1.0, "seconds": 1.0, "ms": 1e-3, "msec": 1e-3,
            "millisecond": 1e-3, "milliseconds": 1e-3, "us": 1e-6, "µs": 1e-6, "μs": 1e-6, "microseconds": 1e-6,
            "min": 60.0, "minutes": 60.0, "h": 3600.0}  # fmt: skip
TimeUnit = Literal["s", "ms", "us", "min"]
TIME_UNITS: tuple[str, ...] = get_args(TimeUnit)
_VALUE = r"[\s:;,=\t\"]*([0-9]+(?:[.,][0-9]+)*)\s*\"?[;,\t ]*\"?\s*([A-Za-z/µ]*)"
_RATE = re.compile(
    r"(?:sampl\w*|scan\w*|acquisition|logging|log|data|record\w*)[\s_-]*(?:rate|freq\w*)[^0-9]{0,20}?" + _VALUE, re.I
)
_STEP = re.compile(r"(?:sampl\w*|scan|logging|log|time)[\s_-]*(?:interval|period|step)[^0-9]{0,20}?" + _VALUE, re.I)
_CAPACITY = re.compile(r"(?:capacity|full[\s_-]*scale|range|rated load|nominal load)[^0-9]{0,20}?" + _VALUE, re.I)
_UNIT = re.compile(r"(?:units?|force unit|load unit)[\s:;,=\t\"]+([A-Za-z]+)\"?\s*[;,]*\s*$", re.I)


@dataclass(slots=True, kw_only=True)
class Roles:
    """Columns by position, their units, and what the preamble states (NaN where it states nothing)."""

    force: int
    time: int | None
    peak: int | None
    unit: str
    time_name: str = ""
    force_name: str = ""
    clock: bool = False
    seconds: float = float("nan")
    stated_rate_hz: float = float("nan")
    capacity_kN: float = float("nan")
    findings: list[Finding] = field(default_factory=list)


def _plain(name: str) -> str:
    return re.sub(r"[\s._\-]+", " ", name).strip().casefold()


def _is_force_word(word: str) -> bool:
    return word in FORCE or unit_key(word) in FORCE_NAMES or unit_key(word) in {"kg", "lb", "lbs", "t", "mn"}


def _is_peak(name: str) -> bool:
    return bool(set(re.split(r"[^a-z]+", name.casefold())) & _PEAK)


def find_roles(
    name: str,
    layout: Layout,
    *,
    columns: Mapping[str, str | int | None] | None = None,
    unit: str | None = None,
    time_unit: str | None = None,
    rate_hz: float | None = None,
) -> Roles:
    """Settle which column is which; whatever the file does not state must be declared.

    Raises
    ------
    InputError
        If an argument is not usable.
    TableError
        If the file leaves a choice open.
    """
    wanted = dict(columns or {})
    strange = set(wanted) - {"time", "force", "peak_hold"}
    if strange:
        raise InputError(f"`columns` may name 'time', 'force' and 'peak_hold', got {sorted(strange)[0]!r}.")
    for text, header in zip(layout.names, layout.units, strict=True):
        if not header and _is_force_word(text) and text not in {"F", "f", "t", "T"} and _plain(text) not in _TIME:
            raise TableError(
                f"Trace {name!r}: header cell {text!r} is only a unit. The header and the rows seem to be cut at "
                "different places (decimal comma?). Say decimal=',', or correct the header."
            )
    time = _find_time(name, layout, wanted, rate_hz)
    force = _find_force(name, layout, wanted, time)
    peak = _find_peak(name, layout, wanted, {time, force})
    roles = Roles(force=force, time=time, peak=peak, unit="kN", force_name=layout.names[force])
    _read_preamble(layout, roles)
    roles.unit = _force_unit(name, layout, force, unit, roles)
    if peak is not None and layout.units[peak] and read_force_unit(layout.units[peak], unit) != roles.unit:
        raise TableError(
            f"Trace {name!r}: the force and the peak-hold column have different units. Correct the header."
        )
    if time is not None:
        roles.time_name = layout.names[time]
        _time_unit(name, layout, roles, time_unit)
    others = [n or f"column {i + 1}" for i, n in enumerate(layout.names) if i not in (time, force, peak)]
    if others:
        message = "Left aside: neither time nor force. Say columns={'force': ...} where one of them is the force."
        roles.findings.append(Finding("file", "", "info", ", ".join(others), message))
    return roles


def _position(name: str, layout: Layout, role: str, want: str | int) -> int:
    if isinstance(want, bool) or not isinstance(want, (str, int)):
        raise InputError(f"`columns` must give a header text or a column number from 1 for {role!r}, got {want!r}.")
    if isinstance(want, int):
        if not 1 <= want <= layout.width:
            raise InputError(f"`columns` gives {want} for {role!r}; trace {name!r} has columns 1 to {layout.width}.")
        return want - 1
    full = [f"{n} [{u}]" if u else n for n, u in zip(layout.names, layout.units, strict=True)]
    hits = [i for i in range(layout.width) if _plain(want) in (_plain(layout.names[i]), _plain(full[i]))]
    if not hits:
        hits = [
            i
            for i in range(layout.width)
            if _plain(re.sub(r"[\[\]()]", " ", want)) == _plain(re.sub(r"[\[\]()]", " ", full[i]))
        ]
    if len(hits) != 1:
        shown = ", ".join(repr(n) for n in full if n) or "none (give the column's number)"
        raise InputError(f"`columns` gives {want!r} for {role!r}, but the headers of trace {name!r} are: {shown}.")
    return hits[0]


def _find_time(name: str, layout: Layout, wanted: Mapping[str, str | int | None], rate_hz: float | None) -> int | None:
    if "time" in wanted:
        want = wanted["time"]
        if want is None:
            return None
        return _position(name, layout, "time", want)
    hits = [i for i, n in enumerate(layout.names) if _plain(n) in _TIME]
    clocks = [
        i for i in range(layout.width) if all(CLOCK.fullmatch(r[i]) for r in layout.first_rows[:20] if len(r) > i)
    ]
    hits = hits or clocks or [i for i, u in enumerate(layout.units) if u in _SECONDS]
    if len(hits) > 1:
        shown = ", ".join(repr(layout.names[i] or f"column {i + 1}") for i in hits)
        raise TableError(f"Trace {name!r} has several columns of time: {shown}. Choose with columns={{'time': ...}}.")
    return hits[0] if hits else None


def _find_force(name: str, layout: Layout, wanted: Mapping[str, str | int | None], time: int | None) -> int:
    want = wanted.get("force")
    if want is not None:
        return _position(name, layout, "force", want)
    free = [i for i in range(layout.width) if i != time]
    named = [i for i in free if _plain(layout.names[i]) in _FORCE]
    united = [i for i in free if layout.units[i] and _is_force_word(layout.units[i])]
    for hits in (named, [i for i in united if not _is_peak(layout.names[i])]):
        if len(hits) == 1:
            return hits[0]
        if len(hits) > 1:
            shown = ", ".join(repr(layout.names[i]) for i in hits)
            raise TableError(
                f"Trace {name!r} has several columns of force: {shown}. Choose with columns={{'force': ...}}."
            )
    if len(free) == 1 and not layout.header_line and (time is not None or layout.width == 1):
        return free[0]
    peaks = [layout.names[i] for i in free if _is_peak(layout.names[i])]
    if peaks:
        raise TableError(
            f"Trace {name!r} has only a peak-hold column ({peaks[0]!r}): it repeats the highest reading so far and "
            "shows no break. Export the live force, or say columns={'force': ...} to read it all the same."
        )
    shown = ", ".join(repr(n) for n in layout.names if n) or f"none, {layout.width} columns"
    raise TableError(
        f"Trace {name!r}: no column is plainly the force (headers: {shown}). Say columns={{'time': ..., 'force': ...}} "
        "with header texts or column numbers from 1."
    )


def _find_peak(name: str, layout: Layout, wanted: Mapping[str, str | int | None], taken: set[int | None]) -> int | None:
    want = wanted.get("peak_hold")
    if want is not None:
        return _position(name, layout, "peak_hold", want)
    hits = [i for i, n in enumerate(layout.names) if i not in taken and _is_peak(n) and
            (not layout.units[i] or _is_force_word(layout.units[i]))]  # fmt: skip
    return hits[0] if len(hits) == 1 else None


def _read_preamble(layout: Layout, roles: Roles) -> None:
    for number, line in enumerate(layout.preamble, 1):
        text = line.lstrip("#% ")
        rate, step, capacity = _RATE.search(text), _STEP.search(text), _CAPACITY.search(text)
        cell, message = f"line {number}", "Read from the preamble."
        try:
            if rate:
                factor = {"khz": 1e3, "ks/s": 1e3, "ksps": 1e3}.get(rate[2].casefold(), 1.0)
                roles.stated_rate_hz = number_cell(rate[1], layout.decimal) * factor
            elif step and step[2] in _SECONDS and number_cell(step[1], layout.decimal) > 0:
                roles.stated_rate_hz = 1 / (number_cell(step[1], layout.decimal) * _SECONDS[step[2]])
            elif capacity and _is_force_word(capacity[2]):
                unit = read_force_unit(capacity[2])
                roles.capacity_kN = to_kN(number_cell(capacity[1], layout.decimal), unit)
            else:
                continue
        except (Refused, InputError) as exc:
            roles.findings.append(Finding(cell, "", "warning", line[:120], f"Not used: {exc}"))
            continue
        roles.findings.append(Finding(cell, "", "info", line[:120], message))


def _force_unit(name: str, layout: Layout, force: int, unit: str | None, roles: Roles) -> str:
    declared = None if unit is None else read_force_unit(unit, unit if unit in FORCE else None)
    written, where = layout.units[force], "header"
    if not written:
        for line in layout.preamble:
            match = _UNIT.search(line.lstrip("#% "))
            if match and _is_force_word(match[1]):
                written, where = match[1], "preamble"
    if not written:
        if declared is None:
            raise TableError(
                f"Trace {name!r}: neither the header ({layout.names[force] or 'none'!r}) nor the preamble states the "
                "unit of force. Say unit='kN' (or N, lbf, kgf, ...)."
            )
        roles.findings.append(Finding("file", "force", "info", declared, "Unit declared by unit=."))
        return declared
    try:
        found = read_force_unit(written, declared)
    except InputError as exc:
        raise TableError(f"Trace {name!r}, {where}: {exc}") from exc
    if declared is not None and found != declared:
        raise TableError(
            f"Trace {name!r}: the {where} states the unit {written!r}, unit={declared!r} was declared. Correct one."
        )
    roles.findings.append(Finding("file", "force", "info", written, f"Force read in {found} (from the {where})."))
    return found


def _time_unit(name: str, layout: Layout, roles: Roles, time_unit: str | None) -> None:
    column = roles.time if roles.time is not None else 0
    written = layout.units[column] or ("" if _plain(roles.time_name) not in _SECONDS else _plain(roles.time_name))
    if time_unit is not None and time_unit not in TIME_UNITS:
        raise InputError(f"`time_unit` must be one of {', '.join(TIME_UNITS)}, got {time_unit!r}.")
    cells = [r[column] for r in layout.first_rows if len(r) > column]
    roles.clock = all(CLOCK.fullmatch(c) for c in cells)
    if roles.clock:
        roles.seconds = 1.0
        roles.findings.append(Finding("file", "time", "info", cells[0], "Clock times, counted from the first row."))
        return
    key = written if written in _SECONDS else written.casefold()
    if key in _SECONDS:
        roles.seconds = _SECONDS[key]
        if time_unit is not None and _SECONDS[time_unit] != roles.seconds:
            raise TableError(
                f"Trace {name!r}: the header gives time in {written!r}, time_unit={time_unit!r} was declared."
            )
        return
    if written and time_unit is None:
        raise TableError(
            f"Trace {name!r}: {written!r} is no unit of time this reader knows. Say time_unit='s' or 'ms'."
        )
    if time_unit is not None:
        roles.seconds = _SECONDS[time_unit]
        roles.findings.append(Finding("file", "time", "info", time_unit, "Unit of time declared by time_unit=."))
