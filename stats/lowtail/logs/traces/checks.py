"""What can be wrong with a force-time record once its numbers are read: stamps, sign, zero, clipping, events."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from lowtail.errors import TableError
from lowtail.logs.findings import Finding

__all__ = ["Event", "Level", "clipped", "find_events", "levels", "off_zero", "resolution", "settle_sign", "stamps"]

Array = NDArray[np.float64]
Address = Callable[[int], str]
_MANY = 12  # stamps that jump back and are still named one by one


@dataclass(frozen=True, slots=True)
class Event:
    """One stretch in which the force rose above a fifth of the record's highest and fell back below a tenth."""

    start_s: float
    stop_s: float
    at_s: float
    peak_kN: float
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class Level:
    """Quiet level before and after the events, and the noise there; NaN where the record has no quiet stretch."""

    before_kN: float
    after_kN: float
    noise_kN: float


def off_zero(before_kN: float, peak_kN: float) -> bool:
    """Whether a cell reads something before the loading that matters beside the peak: more than 0.5 % of it."""
    return bool(np.isfinite(before_kN)) and abs(before_kN) > 0.005 * abs(peak_kN)


def _at(time: Array, i: int) -> str:
    return f"{time[i]:.6g} s"


def stamps(
    name: str, time: Array, address: Address, stated_hz: float, record: int | None, force: Array
) -> tuple[Array, Array, float, list[Finding]]:
    """Check the stamps and find the rate that they show.

    Returns
    -------
    tuple
        Times and forces of the chosen record, rate in Hz, findings.

    Raises
    ------
    TableError
        If the stamps cannot serve: too few, too coarse, or several records in one file.
    """
    if time.size < 3:
        raise TableError(f"Trace {name!r} has {time.size} sample(s); at least 3 are needed.")
    step = np.diff(time)
    if not (step > 0).any():
        raise TableError(f"Trace {name!r}: the time never moves on. Say columns={{'time': None}} and rate_hz=.")
    usual = float(np.median(step[step > 0]))
    again = (step < -2.5 * usual) & (time[1:] <= time[0] + usual)
    back = np.flatnonzero(again | (step < -20 * usual))
    time, force, findings = _choose_record(name, time, force, back, address, record)
    step = np.diff(time)
    repeated, backward = int((step == 0).sum()), np.flatnonzero(step < 0)
    if repeated > 0.2 * step.size:
        mean = (time.size - 1) / (time[-1] - time[0]) if time[-1] > time[0] else float("nan")
        raise TableError(
            f"Trace {name!r}: {repeated} of {step.size} stamps repeat the one before, so they are coarser than "
            f"the sampling (about {mean:.4g} Hz on average). Say columns={{'time': None}} and rate_hz= with the "
            "instrument's rate."
        )
    if repeated:
        where = address(int(np.flatnonzero(step == 0)[0]) + 1)
        message = f"{repeated} stamp(s) repeat the one before; samples kept in file order."
        findings.append(Finding(where, "time", "warning", _at(time, int(np.flatnonzero(step == 0)[0])), message))
    for i in backward[:_MANY]:
        message = (
            f"The time steps back by {-step[i]:.3g} s; samples kept in file order, the largest time so far is used."
        )
        findings.append(Finding(address(int(i) + 1), "time", "warning", _at(time, int(i) + 1), message))
    if backward.size > max(_MANY, 0.01 * step.size):
        raise TableError(
            f"Trace {name!r}: {backward.size} stamps step back, the first at {address(int(backward[0]) + 1)}. "
            "The stamps are not usable: say columns={'time': None} and rate_hz=."
        )
    if backward.size:
        time = np.maximum.accumulate(time)
        step = np.diff(time)
    rate = _rate(step)
    return time, force, rate, findings + _gaps(time, step, rate, address) + _stated(rate, stated_hz)


def _choose_record(
    name: str, time: Array, force: Array, back: NDArray[np.int64], address: Address, record: int | None
) -> tuple[Array, Array, list[Finding]]:
    parts = list(pairwise([0, *(back + 1).tolist(), time.size]))
    if record is not None and (isinstance(record, bool) or not 1 <= record <= len(parts)):
        raise TableError(f"Trace {name!r} holds {len(parts)} record(s); record={record!r} is not one of them.")
    if len(parts) == 1:
        return time, force, []
    if record is None:
        shown = "; ".join(
            f"{k}: from {address(a)}, {b - a} samples, highest {np.abs(force[a:b]).max():.4g}"
            for k, (a, b) in enumerate(parts[:_MANY], 1)
        )
        raise TableError(
            f"Trace {name!r}: the time starts again {len(parts) - 1} time(s), so the file holds several records "
            f"({shown}). Choose one with record=1, 2, ..., or split the file."
        )
    a, b = parts[record - 1]
    if b - a < 3:
        raise TableError(f"Trace {name!r}: record {record} has {b - a} sample(s); at least 3 are needed.")
    message = f"Record {record} of {len(parts)} chosen by record=; the others take no part."
    return time[a:b], force[a:b], [Finding(address(a), "time", "info", f"{len(parts)} records", message)]


def _rate(step: Array) -> float:
    """Rate from the stamps: the mean of the usual steps, so that rounded stamps do not bias it."""
    usual = float(np.median(step))
    if usual <= 0:
        usual = float(np.median(step[step > 0]))
    inside = step[step <= 2.5 * usual]
    return 1.0 / float(inside.mean())


def _gaps(time: Array, step: Array, rate: float, address: Address) -> list[Finding]:
    gaps = np.flatnonzero(step > 2.5 / rate)
    if not gaps.size:
        return []
    worst = int(gaps[np.argmax(step[gaps])])
    message = f"{gaps.size} gap(s) in the record, the longest {step[worst]:.4g} s: a peak inside it was not seen."
    return [Finding(address(worst + 1), "time", "warning", f"after {_at(time, worst)}", message)]


def _stated(rate: float, stated_hz: float) -> list[Finding]:
    if not np.isfinite(stated_hz) or abs(stated_hz / rate - 1) <= 0.02:
        return []
    message = (
        f"The stamps show {rate:.5g} Hz; the stamps are used. Find out which is right: rate and widths depend on it."
    )
    return [Finding("file", "time", "warning", f"stated {stated_hz:.5g} Hz", message)]


def settle_sign(name: str, force: Array, sign: int | None) -> tuple[float, list[Finding]]:
    """Return +1 or -1 so that the loading is positive; refuse where both directions are alike.

    Raises
    ------
    TableError
        If the record rises as far to one side as to the other and no sign is given, or holds no force at all.
    """
    up, down = float(force.max()), -float(force.min())
    if max(up, down) <= 0 or up == -down:
        raise TableError(f"Trace {name!r}: the force never changes ({up:.4g}). Nothing was pulled, or the cell is off.")
    if sign is not None:
        return float(sign), []
    if down > 1.5 * up:
        message = "The loading is negative in the file; all forces were turned to positive. Say sign=1 to keep them."
        return -1.0, [Finding("file", "force", "warning", f"lowest {-down:.4g}", message)]
    if down > 2 / 3 * up:
        raise TableError(
            f"Trace {name!r}: the force reaches {up:.4g} and {-down:.4g}; which of the two is the pull is not clear. "
            "Say sign=1 or sign=-1."
        )
    return 1.0, []


def resolution(force: Array) -> float:
    """Smallest step between the values recorded (kN), from the first 200 000 samples."""
    values = np.unique(force[:200_000])
    if values.size < 2:
        return 0.0
    step = np.diff(values)
    step = step[step > 1e-9 * max(abs(values[0]), abs(values[-1]))]
    return float(f"{step.min():.9g}") if step.size else 0.0


def _quiet(part: Array, span: float) -> tuple[float, float] | None:
    """Median and spread of a stretch if its start is level and calm, else None; it ends where the load sets in."""
    if part.size < 20:
        return None
    head = part[: max(20, part.size // 4)]
    middle, spread = float(np.median(head)), float(np.std(head))
    away = np.abs(part - middle) > 5 * max(spread, 1e-9 * span)
    onset = np.flatnonzero(away[:-2] & away[1:-1] & away[2:])
    part = part[: int(onset[0])] if onset.size else part
    if part.size < 20 or spread > 0.05 * span:
        return None
    quarter = part.size // 4
    ends = abs(float(np.median(part[:quarter])) - float(np.median(part[-quarter:])))
    spread = float(np.std(part))
    if ends > max(3 * spread / np.sqrt(quarter), 0.002 * span):
        return None
    return float(np.median(part)), spread


def levels(force: Array) -> Level:
    """Quiet level and noise before and after the loading."""
    peak = float(force.max())
    start = float(np.median(force[: max(20, force.size // 200)]))
    span = peak - min(start, float(np.percentile(force[:: max(force.size // 100_000, 1)], 1)))
    loaded = np.flatnonzero(force > start + 0.1 * (peak - start)) if start < 0.5 * peak else np.array([0])
    before = _quiet(force[: int(loaded[0]) // 2], span) if loaded.size else None
    last = int(loaded[-1]) + 1
    after = _quiet(force[last + (force.size - last) // 2 :][::-1], span)
    noise = before[1] if before else (after[1] if after else float("nan"))
    return Level(before[0] if before else float("nan"), after[0] if after else float("nan"), noise)


def find_events(time: Array, force: Array, base: float) -> tuple[Event, ...]:
    """Stretches above a fifth of the highest force, each until it falls below a tenth."""
    span = float(force.max()) - base
    state = np.full(force.size, -1, dtype=np.int8)
    state[force > base + 0.2 * span] = 1
    state[force < base + 0.1 * span] = 0
    known = np.flatnonzero(state >= 0)
    change = known[np.flatnonzero(np.diff(state[known], prepend=0))]
    starts, stops = change[state[change] == 1], change[state[change] == 0]
    if stops.size < starts.size:
        stops = np.append(stops, force.size - 1)
    events = []
    for a, b in zip(starts.tolist(), stops.tolist(), strict=True):
        top = a + int(np.argmax(force[a : b + 1]))
        events.append(Event(float(time[a]), float(time[b]), float(time[top]), float(force[top]), a, b))
    return tuple(events)


def clipped(force: Array, step: float, capacity: float) -> tuple[bool, str]:
    """Whether the top is cut off: a flat top too steep at its edge for a rounded crest, or the capacity reached.

    On a rounded crest a flat top of 2 h samples comes from the resolution alone: the load has fallen by about one step
    at its edge and by ``((h + k) / h)^2`` steps k samples before it. More than twice that is no rounded crest.
    """
    top = int(np.argmax(force))
    peak = float(force[top])
    if np.isfinite(capacity) and peak >= 0.999 * capacity:
        return True, f"the peak {peak:.4g} kN reaches the stated capacity {capacity:.4g} kN"
    end = top
    while end + 1 < force.size and force[end + 1] == peak and end - top < 100_000:
        end += 1
    flat, back = end - top + 1, min(4, top)
    if flat < 3 or back == 0:
        return False, ""
    fall = peak - float(force[top - back])
    if fall > 2 * max(step, 1e-12 * peak) * (1 + 2 * back / flat) ** 2 and fall > 1e-3 * peak:
        return True, f"{flat} samples stand at exactly {peak:.5g} kN, entered at full slope"
    return False, ""
