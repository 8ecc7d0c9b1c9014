"""A force-time record: every sample, its rate, its quiet levels, its events, and what was found in the file."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lowtail._shared.record import Record
from lowtail.errors import InputError, TableError
from lowtail.logs.findings import Finding, findings_frame
from lowtail.logs.sheets.grid import Source
from lowtail.logs.traces import checks
from lowtail.logs.traces.checks import Event

__all__ = ["ReadOptions", "Trace", "Zero", "build_trace"]

Array = NDArray[np.float64]
Zero = Literal["quiet"] | float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadOptions:
    """What the caller asks for beside the numbers; checked here once."""

    rate_hz: float | None = None
    sign: int | None = None
    zero: Zero = None
    capacity_kN: float | None = None
    record: int | None = None

    def __post_init__(self) -> None:
        for name, value in (("rate_hz", self.rate_hz), ("capacity_kN", self.capacity_kN)):
            if value is not None and not (np.isfinite(value) and value > 0):
                raise InputError(f"`{name}` must be finite and greater than 0, got {value!r}.")
        if self.sign not in (None, 1, -1):
            raise InputError(f"`sign` must be 1, -1 or None, got {self.sign!r}.")
        number = isinstance(self.zero, (int, float)) and not isinstance(self.zero, bool) and np.isfinite(self.zero)
        if not (self.zero is None or self.zero == "quiet" or number):
            raise InputError(f"`zero` must be 'quiet', a number of kN, or None, got {self.zero!r}.")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trace(Record):
    """A force-time record.

    Attributes
    ----------
    name, sha256 : str
        File and its fingerprint; the fingerprint is empty for arrays in hand.
    time_s, force_kN : ndarray, shape (n,)
        Every sample, loading positive, in file order; read-only.
    rate_hz : float
        Samples a second that the stamps show, or as given.
    stated_rate_hz : float
        Rate that the file's preamble states; NaN where it states none.
    before_kN, after_kN, noise_kN : float
        Quiet level before and after the loading and the standard deviation of the noise; NaN where no quiet stretch.
    resolution_kN : float
        Smallest step between recorded values.
    capacity_kN : float
        Capacity of the cell, as given or from the preamble; NaN where unknown.
    peak_hold_kN : float
        Highest value of a peak-hold column; NaN where there is none.
    clipped : bool
        True where the top is cut off: the true peak is higher than anything recorded.
    events : tuple of Event
        Stretches of loading, in order.
    findings : DataFrame
        What was found in the file: cell, column, level, got, message.
    """

    name: str
    sha256: str
    time_s: Array
    force_kN: Array
    rate_hz: float
    stated_rate_hz: float
    before_kN: float
    after_kN: float
    noise_kN: float
    resolution_kN: float
    capacity_kN: float
    peak_hold_kN: float
    clipped: bool
    events: tuple[Event, ...]
    findings: pd.DataFrame

    @property
    def source(self) -> Source:
        """File name and fingerprint."""
        return Source(self.name, self.sha256)

    @property
    def n(self) -> int:
        """Number of samples."""
        return int(self.force_kN.size)

    @property
    def duration_s(self) -> float:
        """Time from the first to the last sample."""
        return float(self.time_s[-1] - self.time_s[0])

    def __str__(self) -> str:
        flags = [f"{(self.findings['level'] == level).sum()} {level}(s)" for level in ("error", "warning")]
        return (
            f"{self.name}: {self.n} samples at {self.rate_hz:.5g} Hz over {self.duration_s:.4g} s, highest "
            f"{self.force_kN.max():.4g} kN, {len(self.events)} event(s), {', '.join(flags)}"
        )

    __repr__ = Record.__repr__


def build_trace(
    name: str,
    sha256: str,
    force: Array,
    time: Array | None,
    peak_hold: Array | None,
    *,
    wish: ReadOptions,
    stated_hz: float,
    stated_kN: float,
    address: checks.Address,
    findings: list[Finding],
) -> Trace:
    """Check a record in the order in which one thing depends on another: stamps, sign, zero, clipping, events."""
    time, force, rate = _timed(name, time, force, stated_hz, wish, address, findings)
    factor, more = checks.settle_sign(name, force, wish.sign)
    force, findings = force * factor if factor < 0 else force, findings + more
    level = checks.levels(force)
    force, level = _zeroed(name, force, level, wish.zero, findings)
    base = next((v for v in (level.before_kN, level.after_kN) if np.isfinite(v)), 0.0)
    step = checks.resolution(force)
    capacity = stated_kN if wish.capacity_kN is None else wish.capacity_kN
    cut, why = checks.clipped(force, step, capacity)
    if cut:
        message = f"Clipped: {why}. The true peak is higher; use it only as a load that was at least reached."
        findings.append(Finding(address(int(np.argmax(force))), "force", "error", f"{force.max():.5g} kN", message))
    events = checks.find_events(time, force, min(base, float(force.max()) / 2))
    if len(events) > 1:
        shown = ", ".join(f"{e.peak_kN:.4g} kN at {e.at_s:.4g} s" for e in events[:8])
        message = f"The record holds {len(events)} events; peak_load takes the highest unless event= is given."
        findings.append(Finding("file", "force", "warning", shown, message))
    held = _hold_checks(force, peak_hold, findings)
    for array in (time, force):
        array.flags.writeable = False
    return Trace(
        name=name,
        sha256=sha256,
        time_s=time,
        force_kN=force,
        rate_hz=rate,
        stated_rate_hz=stated_hz,
        before_kN=level.before_kN,
        after_kN=level.after_kN,
        noise_kN=level.noise_kN,
        resolution_kN=step,
        capacity_kN=capacity,
        peak_hold_kN=held,
        clipped=cut,
        events=events,
        findings=findings_frame(findings),
    )


def _timed(
    name: str,
    time: Array | None,
    force: Array,
    stated_hz: float,
    wish: ReadOptions,
    address: checks.Address,
    findings: list[Finding],
) -> tuple[Array, Array, float]:
    if time is None:
        if wish.record not in (None, 1):
            raise InputError(f"`record` needs stamps that start again; trace {name!r} is read without stamps.")
        even, rate = _even(name, force.size, wish.rate_hz, stated_hz, findings)
        return even, force, rate
    time, force, rate, more = checks.stamps(name, time, address, stated_hz, wish.record, force)
    findings += more
    if wish.rate_hz is not None and abs(wish.rate_hz / rate - 1) > 0.02:
        raise TableError(
            f"Trace {name!r}: rate_hz={wish.rate_hz:g} was given, the stamps show {rate:.5g} Hz. Leave rate_hz out, or "
            "say columns={'time': None} to pass over the stamps."
        )
    return time, force, rate


def _even(name: str, n: int, rate_hz: float | None, stated_hz: float, findings: list[Finding]) -> tuple[Array, float]:
    if rate_hz is None and not np.isfinite(stated_hz):
        raise TableError(
            f"Trace {name!r} has no column of time (or it is passed over) and states no rate. Say rate_hz= with the "
            "instrument's samples a second."
        )
    rate = float(stated_hz if rate_hz is None else rate_hz)
    if rate_hz is not None and np.isfinite(stated_hz) and abs(stated_hz / rate_hz - 1) > 0.02:
        message = f"rate_hz={rate_hz:g} was given and is used. Find out which is right."
        findings.append(Finding("file", "time", "warning", f"stated {stated_hz:g} Hz", message))
    whose = "declared by rate_hz=" if rate_hz is not None else "stated by the preamble"
    findings.append(
        Finding("file", "time", "info", f"{rate:g} Hz", f"No stamps used: time counted at the rate {whose}.")
    )
    return np.arange(n) / rate, rate


def _zeroed(
    name: str, force: Array, level: checks.Level, zero: Zero, findings: list[Finding]
) -> tuple[Array, checks.Level]:
    peak, before = float(force.max()), level.before_kN
    if zero is None:
        if not np.isfinite(before):
            message = "No quiet stretch of 20 samples before the loading: the zero of the cell cannot be checked."
            findings.append(Finding("file", "force", "info", "", message))
        elif checks.off_zero(before, peak):
            message = (
                "The cell does not read zero before the loading (preload, weight of the rig, or zero offset). Nothing "
                "was subtracted: say zero='quiet' to subtract it."
            )
            findings.append(Finding("file", "force", "warning", f"{before:.4g} kN", message))
        return force, level
    if zero == "quiet" and not np.isfinite(before):
        raise TableError(f"Trace {name!r} has no quiet stretch before the loading. Give zero= as a number of kN.")
    shift = before if zero == "quiet" else float(zero)
    findings.append(Finding("file", "force", "info", f"{shift:.4g} kN", "Subtracted from every sample by zero=."))
    return force - shift, checks.Level(before - shift, level.after_kN - shift, level.noise_kN)


def _hold_checks(force: Array, peak_hold: Array | None, findings: list[Finding]) -> float:
    peak = float(force.max())
    top = int(np.argmax(force))
    if (
        force.size - top > max(0.2 * force.size, 3)
        and (force[top:] == peak).all()
        and (np.diff(force[: top + 1]) >= 0).all()
    ):
        message = (
            "The force never falls: this looks like a peak-hold column. Whether and when a break came is not in it."
        )
        findings.append(Finding("file", "force", "warning", f"{peak:.5g} kN", message))
    if peak_hold is None:
        return float("nan")
    held = float(np.abs(peak_hold).max())
    message = ""
    if held > 1.001 * peak:
        message = (
            f"The instrument's own peak lies {held / peak - 1:.1%} above the highest logged sample: the log missed it."
        )
    elif held < 0.999 * peak:
        message = (
            f"The peak-hold column stays below the highest sample, {peak:.5g} kN: it was reset, or is another cell."
        )
    if message:
        findings.append(Finding("file", "peak_hold", "warning", f"{held:.5g} kN", message))
    return held
