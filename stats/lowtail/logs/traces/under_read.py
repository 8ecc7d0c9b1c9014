"""How far a sampled peak may lie below the true one, and how far noise lifts it.

Shares are of the *true* peak: a reading ``r`` with an under-read ``u`` stands for a true peak of ``r / (1 - u)``.
Samples are taken at regular times with a phase that has nothing to do with the pulse.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import special

from lowtail._shared.checks import door
from lowtail.errors import InputError

__all__ = [
    "crest_spread",
    "noise_lift",
    "noise_lift_ramp",
    "samples_needed",
    "under_read_crest",
    "under_read_flank",
    "under_read_ramp",
]

_NODES = 400  # heights summed one by one; denser samples are summed by weight


def _samples(rate_hz: float, width_ms: float) -> float:
    for name, value in (("rate_hz", rate_hz), ("width_ms", width_ms)):
        if not (np.isfinite(value) and value > 0):
            raise InputError(f"`{name}` must be finite and greater than 0, got {value!r}.")
    return float(rate_hz) * float(width_ms) / 1000.0


@door
def under_read_crest(rate_hz: float, width_ms: float) -> tuple[float, float]:
    """Worst and mean under-read of a rounded crest: a half-sine pulse that did not break the part.

    Two samples straddle the crest; at worst both lie half a sampling interval away. With a = pi / (2 rate width) the
    worst is ``1 - cos a`` and the mean over all phases ``1 - sin(a) / a``. A pulse shorter than the sampling interval
    may be missed altogether: worst 1.

    Parameters
    ----------
    rate_hz : float
        Samples a second, greater than 0.
    width_ms : float
        Duration of the half-sine at its base in milliseconds, greater than 0.

    Returns
    -------
    tuple of float
        (worst, mean), shares of the true peak, 0 to 1.

    Raises
    ------
    InputError
        If an argument is not finite and greater than 0.

    See Also
    --------
    trace.under_read_flank : where the part broke.
    trace.peak_load : both, for a record.

    References
    ----------
    Elementary: the maximum of cos over a regular grid of uniformly random phase.

    Examples
    --------
    >>> worst, mean = under_read_crest(1000, 10)
    >>> round(worst, 5), round(mean, 5)
    (0.01231, 0.00411)
    """
    half_step = np.pi / (2 * _samples(rate_hz, width_ms))
    seen = min(half_step, np.pi / 2)  # beyond pi/2 the samples may straddle the whole pulse
    return float(1 - np.cos(seen)), float(1 - np.sin(seen) / half_step)


@door
def under_read_flank(rate_hz: float, width_ms: float, share: float) -> tuple[float, float]:
    """Worst and mean under-read when the part breaks on the rising flank and the load vanishes at once.

    A part that breaks has no rounded crest: the last sample before the break lies up to a whole interval earlier on a
    steep flank. With th = asin(share) and d = pi / (rate width): worst ``1 - sin(th - d) / share``, mean
    ``1 - (cos(th - d) - cos th) / (d share)``. Real unloading takes time, so this is an upper limit.

    Parameters
    ----------
    rate_hz : float
        Samples a second, greater than 0.
    width_ms : float
        Base duration in milliseconds of the half-sine that an unbroken part would have seen.
    share : float
        Load at break as a share of the crest an unbroken part would have seen, greater than 0 and at most 1.

    Returns
    -------
    tuple of float
        (worst, mean), shares of the load at break, 0 to 1.

    Raises
    ------
    InputError
        If an argument lies outside its range.

    See Also
    --------
    trace.under_read_crest : where the part held.
    compare : takes such shares as `under_read`.

    References
    ----------
    Elementary: the last point of a regular grid of uniformly random phase before the break.

    Examples
    --------
    >>> worst, mean = under_read_flank(1000, 20, 0.8)
    >>> round(worst, 3), round(mean, 3)
    (0.13, 0.063)
    """
    step = np.pi / _samples(rate_hz, width_ms)
    if not 0 < share <= 1:
        raise InputError(
            f"`share` must be greater than 0 and at most 1 (load at break over the unbroken crest), got {share!r}."
        )
    angle = float(np.arcsin(share))
    seen = min(step, angle)  # a longer step may miss the pulse altogether
    return float(1 - np.sin(angle - seen) / share), float(1 - (np.cos(angle - seen) - np.cos(angle)) / (step * share))


def under_read_ramp(rate_hz: float, loading_rate_kN_per_s: float) -> tuple[float, float]:
    """Worst and mean under-read in kN of a part that breaks on a steady ramp: one interval's rise, and half of it.

    Parameters
    ----------
    rate_hz : float
        Samples a second, greater than 0.
    loading_rate_kN_per_s : float
        Rise of the load before the break, 0 or greater.

    Returns
    -------
    tuple of float
        (worst, mean) in kN.

    Raises
    ------
    InputError
        If an argument lies outside its range.

    Examples
    --------
    >>> under_read_ramp(1000, 1.0)
    (0.001, 0.0005)
    """
    if not (np.isfinite(rate_hz) and rate_hz > 0):
        raise InputError(f"`rate_hz` must be finite and greater than 0, got {rate_hz!r}.")
    if not (np.isfinite(loading_rate_kN_per_s) and loading_rate_kN_per_s >= 0):
        raise InputError(f"`loading_rate_kN_per_s` must be finite and not negative, got {loading_rate_kN_per_s!r}.")
    worst = float(loading_rate_kN_per_s) / float(rate_hz)
    return worst, worst / 2


def crest_spread(rate_hz: float, width_ms: float) -> float:
    """Standard deviation of the under-read of a rounded crest over all phases, a share of the true peak.

    Parameters
    ----------
    rate_hz : float
        Samples a second, greater than 0.
    width_ms : float
        Base duration of the half-sine in milliseconds.

    Returns
    -------
    float
        ``sqrt(1/2 + sin(2a)/(4a) - (sin(a)/a)^2)`` with a = pi / (2 rate width).

    Examples
    --------
    >>> round(crest_spread(1000, 10), 5)
    0.00367
    """
    half_step = np.pi / (2 * _samples(rate_hz, width_ms))
    seen = min(half_step, np.pi / 2)
    square = (seen / 2 + np.sin(2 * seen) / 4) / half_step
    return float(np.sqrt(max(square - (np.sin(seen) / half_step) ** 2, 0.0)))


def samples_needed(worst: float) -> float:
    """Samples in a half-sine pulse that keep the worst under-read of its crest at ``worst``.

    Parameters
    ----------
    worst : float
        Wanted worst under-read, a share between 0 and 1 (ends excluded).

    Returns
    -------
    float
        ``pi / (2 acos(1 - worst))``; multiply by 1000 / width_ms for the rate in Hz.

    Raises
    ------
    InputError
        If ``worst`` lies outside its range.

    Examples
    --------
    >>> round(samples_needed(0.01), 1)
    11.1
    """
    if not 0 < worst < 1:
        raise InputError(f"`worst` must lie between 0 and 1 (ends excluded), got {worst!r}. 1 % is 0.01.")
    return float(np.pi / (2 * np.arccos(1 - worst)))


def noise_lift(rate_hz: float, width_ms: float, noise: float) -> float:
    """Mean of the highest sample of a noisy half-sine, less the true peak: noise makes a maximum read high.

    The reading is the largest of many noisy samples near the crest. Its mean is found by quadrature over independent
    normal noise and averaged over 16 phases; sampling under-read is included, so the value may be negative.

    Parameters
    ----------
    rate_hz : float
        Samples a second, greater than 0.
    width_ms : float
        Base duration of the half-sine in milliseconds.
    noise : float
        Standard deviation of the noise as a share of the peak, 0 or greater.

    Returns
    -------
    float
        Mean of (reading - true peak) / true peak.

    Raises
    ------
    InputError
        If an argument lies outside its range.

    Examples
    --------
    >>> round(noise_lift(10_000, 20, 0.005), 4)
    0.0071
    """
    count = _samples(rate_hz, width_ms)
    if not (np.isfinite(noise) and noise >= 0):
        raise InputError(f"`noise` must be finite and not negative (a share of the peak), got {noise!r}.")
    if noise == 0:
        return -under_read_crest(rate_hz, width_ms)[1]
    reach = min(np.arccos(max(1 - 12 * noise, 0.0)) + np.pi / count, np.pi / 2)
    steps = int(np.ceil(reach * count / np.pi))
    nodes = min(steps, _NODES)
    phases = (np.arange(16) + 0.5) / 16 - 0.5
    angle = (np.arange(-nodes, nodes + 1) * (steps / nodes) + phases[:, None]) * np.pi / count
    height = np.where(np.abs(angle) <= np.pi / 2, np.cos(np.clip(angle, -np.pi / 2, np.pi / 2)), 0.0)
    return float(_mean_highest(height.astype(np.float64), noise, steps / nodes).mean() - 1)


def _mean_highest(height: NDArray[np.float64], noise: float, weight: float) -> NDArray[np.float64]:
    """Mean of the highest of heights with independent normal noise, by row; each height counts ``weight`` times."""
    top = height.max(axis=1, keepdims=True)
    grid = top + noise * np.linspace(-12, 12, 481)
    log_below = weight * special.log_ndtr((grid[:, :, None] - height[:, None, :]) / noise).sum(axis=2)
    return np.asarray(grid[:, 0] + np.trapezoid(1 - np.exp(log_below), grid, axis=1))


def noise_lift_ramp(rise_a_sample: float, noise: float) -> float:
    """How far the highest of noisy samples on a rising ramp lies above the last one, on average.

    Parameters
    ----------
    rise_a_sample : float
        Rise of the load from one sample to the next, in kN, greater than 0.
    noise : float
        Standard deviation of independent normal noise in kN, 0 or greater.

    Returns
    -------
    float
        Mean of (highest sample - true load at the last sample) in kN.

    Raises
    ------
    InputError
        If an argument lies outside its range.

    Examples
    --------
    >>> round(noise_lift_ramp(1.0, 0.01), 4), round(noise_lift_ramp(0.001, 0.01), 4)
    (0.0, 0.0121)
    """
    if not (np.isfinite(rise_a_sample) and rise_a_sample > 0):
        raise InputError(f"`rise_a_sample` must be finite and greater than 0, got {rise_a_sample!r}.")
    if not (np.isfinite(noise) and noise >= 0):
        raise InputError(f"`noise` must be finite and not negative (in kN), got {noise!r}.")
    if noise == 0:
        return 0.0
    steps = int(np.ceil(14 * noise / rise_a_sample)) + 1
    nodes = min(steps, _NODES)
    height = -np.arange(nodes + 1)[None, :] * (rise_a_sample * steps / nodes)
    return float(_mean_highest(height.astype(np.float64), noise, steps / nodes)[0])
