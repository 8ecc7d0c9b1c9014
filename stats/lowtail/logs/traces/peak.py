"""The peak of a force-time record: when, how fast, whether a break followed, and how far the reading may be off."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from lowtail._shared.checks import door
from lowtail._shared.record import Record
from lowtail.errors import InputError, LowtailWarning, NoAnswerError
from lowtail.logs.traces.budget import LoadCell, kN_text, shortfall, uncertainty
from lowtail.logs.traces.build import Trace
from lowtail.logs.traces.checks import Event, off_zero
from lowtail.logs.traces.filter import cfc_filter
from lowtail.logs.traces.pulse import Pulse, fell, measure

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["LoadCell", "PeakLoad", "peak_load"]

_ENOUGH = 8  # samples above 90 % of the peak
_SHOCK, _SLOW = 5.0, 0.5  # loading rate over peak, per second; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class PeakLoad(Record):
    """The highest load of one event, as read, with everything that the reader must know beside it.

    Attributes
    ----------
    name : str
        The trace.
    peak_kN, at_s : float
        Highest sample, never corrected, and its time.
    before_kN : float
        Reading of the cell before the loading, part of the peak; NaN where the record has no quiet stretch there.
    broke_after : bool or None
        Whether a break followed: True, False, or None where this sampling cannot tell.
    loading_rate_kN_per_s, rise_ms : float
        Robust slope between 20 and 80 % of the peak, and the time between them.
    width_ms : float
        Base width of the half-sine with the event's width at half height (1.5 times that width).
    n_above_90 : int
        Samples at or above 90 % of the peak.
    under_read_kN, under_read_worst_kN : float
        Expected and worst shortfall of the reading through sampling, for the shape of this event.
    crest_worst, crest_mean, flank_worst, flank_mean : float
        Under-read as shares of the true peak if the crest is rounded, and if the part broke on the rising flank.
    ramp_worst_kN : float
        Rise of the load in one sampling interval at the end of the rise.
    break_share : float
        Load at the end of the rise over the crest of the half-sine to which it belongs; 0 for a straight ramp.
    noise_kN, noise_lift_kN : float
        Noise of the quiet level, and how far it lifts a maximum on average.
    u_cell_kN, u_calibration_kN, u_resolution_kN, u_sampling_kN, u_noise_kN, u_drift_kN : float
        Standard uncertainties of the budget; NaN where nothing is known.
    u_kN, expanded_kN : float
        Their root sum of squares, and twice it.
    clipped : bool
        True where the top is cut off.
    cfc, peak_filtered_kN : int or None, float
        Channel frequency class and the peak of the filtered record; None and NaN without filter.
    method_hint : str
        What the loading rate suggests, with the number; never assigned to anything.
    """

    name: str
    peak_kN: float
    at_s: float
    before_kN: float
    broke_after: bool | None
    loading_rate_kN_per_s: float
    rise_ms: float
    width_ms: float
    n_above_90: int
    rate_hz: float
    under_read_kN: float
    under_read_worst_kN: float
    crest_worst: float
    crest_mean: float
    flank_worst: float
    flank_mean: float
    ramp_worst_kN: float
    break_share: float
    noise_kN: float
    noise_lift_kN: float
    u_cell_kN: float
    u_calibration_kN: float
    u_resolution_kN: float
    u_sampling_kN: float
    u_noise_kN: float
    u_drift_kN: float
    u_kN: float
    expanded_kN: float
    clipped: bool
    cfc: int | None
    peak_filtered_kN: float
    event: int
    n_events: int
    method_hint: str
    notes: tuple[str, ...]

    @property
    def unusable(self) -> str:
        """Why the peak must not be used as a load at break."""
        if self.clipped:
            return "the top is cut off, the true peak is higher; it is at most a load that was reached."
        if not np.isfinite(self.under_read_worst_kN):
            return "the load rose within one sampling interval; the true peak may be any higher load."
        return ""

    @property
    def u_own_kN(self) -> float:
        """Standard uncertainty that this peak has by itself: resolution, sampling, noise and drift; kN."""
        parts = np.array([self.u_resolution_kN, self.u_sampling_kN, self.u_noise_kN, self.u_drift_kN])
        return float(np.sqrt(np.nansum(parts**2)))

    @property
    def u_common_percent(self) -> float:
        """Standard uncertainty that all peaks of this load cell have in common, % of the peak; NaN without `cell`."""
        return float(100 * np.hypot(self.u_cell_kN, self.u_calibration_kN) / self.peak_kN)

    def budget(self) -> pd.DataFrame:
        """Uncertainty budget, one row a source: how it was taken and its standard uncertainty in kN."""
        import pandas as pd

        rows = [
            ("load cell, limit of error", "rectangular, divided by sqrt 3", self.u_cell_kN),
            ("calibration", "normal, k = 2, divided by 2", self.u_calibration_kN),
            ("resolution", "rectangular, step divided by sqrt 12", self.u_resolution_kN),
            ("sampling", "spread of the under-read over all phases", self.u_sampling_kN),
            ("noise", "standard deviation of the quiet level", self.u_noise_kN),
            ("zero drift", "rectangular, divided by sqrt 3", self.u_drift_kN),
            ("combined", "root of the sum of squares", self.u_kN),
            ("expanded", "k = 2", self.expanded_kN),
        ]
        return pd.DataFrame(rows, columns=["source", "taken_as", "u_kN"])

    def __str__(self) -> str:
        broke = {True: "a break followed", False: "no break followed", None: "whether a break followed is not clear"}
        cut = "at least " if self.clipped else ""
        zero = ""
        if off_zero(self.before_kN, self.peak_kN):
            zero = (
                f" (the cell read {self.before_kN:.3g} kN before the loading: preload or zero offset, not subtracted)"
            )
        return (
            f"{self.name}: peak {cut}{self.peak_kN:.4g} kN{zero} at {self.at_s:.5g} s, {broke[self.broke_after]}; "
            "sampling may have missed up to "
            f"{kN_text(self.under_read_worst_kN)} ({kN_text(self.under_read_kN)} on average), expanded uncertainty "
            f"{kN_text(self.expanded_kN)} (k = 2); {self.method_hint}"
        )

    __repr__ = Record.__repr__


@door
def peak_load(
    trace: Trace,
    *,
    cfc: int | None = None,
    event: int | None = None,
    cell: LoadCell | None = None,
    fall_share: float = 0.5,
    within_ms: float | None = None,
) -> PeakLoad:
    """Read the peak of a record, and what sampling, noise and the cell do to it.

    The peak is the highest sample as recorded. Corrections are stated, never applied. A part that breaks has no rounded
    crest: where a break follows, the under-read is that of a rising flank, taken from the slope just before the break.

    Parameters
    ----------
    trace : Trace
        A record from `read_trace` or `check_trace`.
    cfc : {60, 180, 600, 1000}, optional
        Also give the peak after crash-test filtering of this class; the unfiltered peak stays the peak.
    event : int, optional
        Which event, from 1; default: the one with the highest load.
    cell : LoadCell, optional
        What is known of the load cell; without it the uncertainty is that of sampling, resolution, noise, drift alone.
    fall_share : float
        A break is a fall of more than this share of the peak; between 0.1 and 1 (ends excluded).
    within_ms : float, optional
        Time within which that fall counts as a break. Default: two thirds of the unloading time of an unbroken pulse
        that rose as this one did, at most 50 ms.

    Returns
    -------
    PeakLoad

    Raises
    ------
    InputError
        If an argument is not usable.
    NoAnswerError
        If the filter is asked for on a record with gaps.

    Warns
    -----
    LowtailWarning
        If fewer than 8 samples lie above 90 % of the peak.

    See Also
    --------
    trace.trace_rows : the peaks of several files.
    trace.LoadCell : what is known of the load cell.
    plot.trace : the figure.
    trace.under_read_flank : what sampling may miss.

    References
    ----------
    JCGM 100:2008 (GUM), 4.3.7 (rectangular), 5.1.2 (combination), 6.2.1 (expanded uncertainty), from memory.

    Examples
    --------
    >>> import numpy as np
    >>> from lowtail.logs.traces.trace import check_trace
    >>> t = np.arange(0, 0.1, 0.0001)
    >>> pulse = np.where((t > 0.04) & (t < 0.06), 25 * np.sin(np.pi * (t - 0.04) / 0.02), 0)
    >>> peak = peak_load(check_trace(pulse, t))
    >>> round(peak.peak_kN, 2), peak.broke_after, round(peak.width_ms, 1)
    (25.0, False, 20.0)
    """
    if not 0.1 < fall_share < 1:
        raise InputError(f"`fall_share` must lie between 0.1 and 1 (ends excluded), got {fall_share!r}.")
    if within_ms is not None and not (np.isfinite(within_ms) and within_ms > 0):
        raise InputError(f"`within_ms` must be finite and greater than 0, got {within_ms!r}.")
    number, chosen = _choose(trace, event)
    base = next((v for v in (trace.before_kN, trace.after_kN) if np.isfinite(v)), 0.0)
    net = trace.force_kN - base
    pulse = measure(trace.time_s, net, chosen.first, chosen.last, trace.rate_hz)
    within = None if within_ms is None else within_ms / 1000
    broke = fell(trace.time_s, net, pulse, trace.rate_hz, fall_share, within)
    values = shortfall(pulse, broke, trace.rate_hz, trace.noise_kN)
    values |= uncertainty(trace, pulse, cell, broke, values)
    filtered = float("nan") if cfc is None else _filtered(trace, chosen, cfc)
    notes = _notes(trace, pulse, broke, cell, values, event)
    if pulse.n_above_90 < _ENOUGH:
        warnings.warn(f"{trace.name}: {notes[0]}", LowtailWarning, stacklevel=2)
    return PeakLoad(
        name=trace.name,
        peak_kN=float(trace.force_kN[pulse.top]),
        at_s=float(trace.time_s[pulse.top]),
        before_kN=float(trace.before_kN),
        broke_after=broke,
        loading_rate_kN_per_s=pulse.rate_kN_per_s,
        rise_ms=1000 * pulse.rise_s,
        width_ms=1500 * pulse.half_width_s,
        n_above_90=pulse.n_above_90,
        rate_hz=trace.rate_hz,
        clipped=trace.clipped and pulse.top == int(np.argmax(trace.force_kN)),
        cfc=cfc,
        peak_filtered_kN=filtered,
        event=number,
        n_events=len(trace.events),
        method_hint=_hint(pulse),
        notes=notes,
        **values,
    )


def _choose(trace: Trace, event: int | None) -> tuple[int, Event]:
    if event is None:
        number = 1 + int(np.argmax([e.peak_kN for e in trace.events]))
        return number, trace.events[number - 1]
    if isinstance(event, bool) or not isinstance(event, int) or not 1 <= event <= len(trace.events):
        raise InputError(
            f"`event` must be a number from 1 to {len(trace.events)} for trace {trace.name!r}, got {event!r}."
        )
    return event, trace.events[event - 1]


def _filtered(trace: Trace, event: Event, cfc: int) -> float:
    out = cfc_filter(trace.force_kN, trace.rate_hz, cfc)
    reach = int(np.ceil(5 * trace.rate_hz / cfc))
    a, b = max(event.first - reach, 0), min(event.last + reach, trace.n - 1)
    gaps = np.diff(trace.time_s[a : b + 1]) > 2.5 / trace.rate_hz
    if gaps.any():
        raise NoAnswerError(
            f"Trace {trace.name!r} has a gap in or near the event at {trace.time_s[a + int(np.argmax(gaps))]:.6g} s; a "
            "filter needs evenly spaced samples. Read the peak without cfc=."
        )
    return float(out[event.first : event.last + 1].max())


def _hint(pulse: Pulse) -> str:
    relative = pulse.rate_kN_per_s / pulse.peak_kN
    shown = f"{pulse.rate_kN_per_s:.3g}" if pulse.rate_kN_per_s < 1000 else f"{pulse.rate_kN_per_s:.0f}"
    number = f"{shown} kN/s between 20 and 80 % of the peak"
    if relative >= _SHOCK:
        return f"shock suggested by {number}, not assigned"
    if relative <= _SLOW:
        return f"slow pull suggested by {number}, not assigned"
    return f"neither slow pull nor shock suggested by {number}"


def _notes(
    trace: Trace, pulse: Pulse, broke: bool | None, cell: LoadCell | None, values: dict[str, float], event: int | None
) -> tuple[str, ...]:
    notes = []
    if pulse.n_above_90 < _ENOUGH:
        notes.append(
            f"only {pulse.n_above_90} sample(s) lie above 90 % of the peak, fewer than {_ENOUGH}: sample faster, or "
            "treat the peak as a low reading"
        )
    if trace.clipped:
        notes.append("the top is cut off: the true peak is higher")
    if broke is None:
        notes.append("sampling cannot tell a break from the far side of the pulse: say within_ms=, or look at the part")
    elif broke:
        notes.append("a sudden fall followed; which part of the rig broke is not in the record")
    if pulse.few:
        notes.append("fewer than 3 samples between 20 and 80 % of the peak: the loading rate is a rough one")
    if len(trace.events) > 1 and event is None:
        notes.append(f"highest of {len(trace.events)} events")
    if not np.isfinite(trace.noise_kN):
        notes.append("no quiet stretch: neither noise nor zero is known")
    elif values["noise_lift_kN"] > 0.002 * pulse.peak_kN:
        notes.append(f"noise lifts the highest sample by about {values['noise_lift_kN']:.2g} kN")
    if trace.peak_hold_kN > 1.001 * trace.force_kN.max():
        notes.append(f"the instrument's own peak is {trace.peak_hold_kN:.4g} kN, higher than any logged sample")
    if cell is None:
        notes.append("load cell and calibration are not stated (cell=): the uncertainty leaves out the larger part")
    return tuple(notes)
