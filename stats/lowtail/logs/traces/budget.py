"""Under-read, noise and the load cell: what stands between the highest sample and the true peak."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lowtail._shared.checks import door
from lowtail.errors import InputError
from lowtail.logs.traces import under_read
from lowtail.logs.traces.build import Trace
from lowtail.logs.traces.pulse import Pulse, unbroken

__all__ = ["LoadCell", "kN_text", "shortfall", "uncertainty"]


@door
@dataclass(frozen=True, slots=True, kw_only=True)
class LoadCell:
    """What is known of the load cell, for the uncertainty budget.

    Parameters
    ----------
    capacity_kN : float
        Full scale, greater than 0.
    error_limit : float
        Limit of error (linearity, hysteresis, temperature) as a share of full scale: 0.005 for a cell of 0.5 %.
    calibration : float
        Expanded uncertainty (k = 2) of the calibration as a share of the reading: 0.003 for 0.3 %.
    resolution_kN : float, optional
        Smallest step of the indicator; default: the smallest step in the record.
    drift_kN : float, optional
        Limit of the zero drift; default: the change of the quiet level over the record, where it has two.

    See Also
    --------
    trace.peak_load : takes it as `cell`.

    Examples
    --------
    >>> import lowtail as lt
    >>> cell = lt.trace.LoadCell(capacity_kN=50.0, error_limit=0.005)
    >>> cell.capacity_kN
    50.0
    """

    capacity_kN: float
    error_limit: float
    calibration: float = 0.0
    resolution_kN: float | None = None
    drift_kN: float | None = None

    def __post_init__(self) -> None:
        for name in ("capacity_kN", "error_limit", "calibration", "resolution_kN", "drift_kN"):
            value = getattr(self, name)
            if value is not None and not (np.isfinite(value) and value >= 0):
                raise InputError(f"LoadCell: `{name}` must be finite and not negative, got {value!r}.")
        if self.capacity_kN == 0:
            raise InputError("LoadCell: `capacity_kN` must be greater than 0, got 0.")
        for name in ("error_limit", "calibration"):
            if getattr(self, name) >= 0.5:
                raise InputError(f"LoadCell: `{name}` is a share, got {getattr(self, name)!r}. Write 0.5 % as 0.005.")


def kN_text(value: float) -> str:
    """Say a small load in words that a reader can use.

    Examples
    --------
    >>> kN_text(3.498), kN_text(0.00013), kN_text(float("inf"))
    ('3.5 kN', 'less than 0.001 kN', 'an unlimited amount')
    """
    if np.isinf(value):
        return "an unlimited amount"
    return f"{value:.2g} kN" if value >= 0.001 else "less than 0.001 kN"


def shortfall(pulse: Pulse, broke: bool | None, rate_hz: float, noise_kN: float) -> dict[str, float]:
    """Under-read of a rounded crest, of a rising flank, and of the one that this event shows."""
    width = max(1500 * pulse.half_width_s, 1e-6)
    crest = under_read.under_read_crest(rate_hz, width)
    ramp, half = under_read.under_read_ramp(rate_hz, pulse.end_slope_kN_per_s)
    whole = unbroken(pulse)
    if pulse.n_rise < 2:  # the load set in somewhere between two samples: its slope has no upper limit
        flank = (1.0, 1.0)
    elif whole.ramp:
        flank = (ramp / (pulse.peak_kN + ramp), half / (pulse.peak_kN + half))
    else:
        flank = under_read.under_read_flank(rate_hz, 1000 * whole.width_s, min(whole.share, 1.0))
    shown = crest if broke is False else (flank if broke else (max(crest[0], flank[0]), max(crest[1], flank[1])))
    worst, mean = (pulse.peak_kN * s / (1 - s) if s < 1 else float("inf") for s in shown)
    lift = float("nan")
    if np.isfinite(noise_kN):
        lift = _lift(pulse, broke, rate_hz, noise_kN, width, crest[1])
    return {
        "under_read_kN": mean,
        "under_read_worst_kN": worst,
        "crest_worst": crest[0],
        "crest_mean": crest[1],
        "flank_worst": flank[0],
        "flank_mean": flank[1],
        "ramp_worst_kN": ramp,
        "break_share": whole.share,
        "noise_kN": noise_kN,
        "noise_lift_kN": lift,
    }


def _lift(pulse: Pulse, broke: bool | None, rate_hz: float, noise_kN: float, width: float, mean: float) -> float:
    if broke is not False and pulse.end_slope_kN_per_s > 0:
        return under_read.noise_lift_ramp(pulse.end_slope_kN_per_s / rate_hz, noise_kN)
    share = noise_kN / pulse.peak_kN
    return float(pulse.peak_kN * (under_read.noise_lift(rate_hz, width, share) + mean))


def uncertainty(
    trace: Trace, pulse: Pulse, cell: LoadCell | None, broke: bool | None, values: dict[str, float]
) -> dict[str, float]:
    """Standard uncertainties of the peak, one a source."""
    nan = float("nan")
    step = cell.resolution_kN if cell is not None and cell.resolution_kN is not None else trace.resolution_kN
    drift = cell.drift_kN if cell is not None and cell.drift_kN is not None else abs(trace.after_kN - trace.before_kN)
    if broke is False:
        sampling = pulse.peak_kN * under_read.crest_spread(trace.rate_hz, max(1500 * pulse.half_width_s, 1e-6))
    else:
        sampling = values["under_read_worst_kN"] / np.sqrt(12)
    parts = {
        "u_cell_kN": nan if cell is None else cell.error_limit * cell.capacity_kN / np.sqrt(3),
        "u_calibration_kN": nan if cell is None else cell.calibration * pulse.peak_kN / 2,
        "u_resolution_kN": step / np.sqrt(12),
        "u_sampling_kN": float(sampling),
        "u_noise_kN": trace.noise_kN,
        "u_drift_kN": drift / np.sqrt(3),
    }
    u = float(np.sqrt(sum(v**2 for v in parts.values() if not np.isnan(v))))
    return {name: float(v) for name, v in parts.items()} | {"u_kN": u, "expanded_kN": 2 * u}
