"""Crash-test channel filtering: the two-pass Butterworth filter of ISO 6487 and SAE J211."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import signal

from lowtail.errors import InputError

__all__ = ["CFC_CLASSES", "cfc_coefficients", "cfc_filter"]

CFC_CLASSES = (60, 180, 600, 1000)


def cfc_coefficients(cfc: int, rate_hz: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Numerator and denominator of one pass of the filter, as `scipy.signal` writes them.

    ``wd = 2 pi 2.0775 cfc``, ``wa = tan(wd / (2 rate))``; one pass is a second-order Butterworth low-pass. After the
    forward and the backward pass the response is 3 dB down at about 1.667 times the class number, and no phase is
    shifted. Class 1000 is specified with its corner at 1650 Hz; the algorithm gives 1650 to 1667 Hz there.

    Parameters
    ----------
    cfc : int
        Channel frequency class: 60, 180, 600 or 1000.
    rate_hz : float
        Samples a second; at least 10 times ``cfc``.

    Returns
    -------
    tuple of ndarray, shape (3,)
        ``(b, a)`` with ``a[0] = 1``.

    Raises
    ------
    InputError
        If the class does not exist or the trace was sampled too slowly for it.

    References
    ----------
    SAE J211-1, Appendix C; ISO 6487 (algorithm from memory, checked against the published class limits).

    Examples
    --------
    >>> b, a = cfc_coefficients(60, 10_000)
    >>> round(float(b[0]), 11)
    0.00145236747
    """
    if cfc not in CFC_CLASSES:
        raise InputError(
            f"`cfc` must be one of {', '.join(map(str, CFC_CLASSES))} (or None for no filter), got {cfc!r}."
        )
    if not rate_hz >= 10 * cfc:
        raise InputError(
            f"A filter of class CFC {cfc} needs at least {10 * cfc} samples a second (ISO 6487), got {rate_hz:.6g}. "
            "Use a lower class, or read the peak unfiltered."
        )
    b, a = signal.butter(2, 2.0775 * cfc, fs=rate_hz)
    return np.asarray(b), np.asarray(a)


def cfc_filter(force: ArrayLike, rate_hz: float, cfc: int) -> NDArray[np.float64]:
    """Filter an evenly sampled record forward and backward with a channel frequency class.

    Parameters
    ----------
    force : array_like, shape (n,)
        Evenly sampled record, n at least 10, finite.
    rate_hz : float
        Samples a second; at least 10 times ``cfc``.
    cfc : int
        Channel frequency class: 60, 180, 600 or 1000.

    Returns
    -------
    ndarray, shape (n,)
        The filtered record; both ends are padded with a point-mirrored copy so that a level at the start stays.

    Raises
    ------
    InputError
        If the class, the rate or the record does not fit.

    References
    ----------
    SAE J211-1, Appendix C; ISO 6487.
    """
    b, a = cfc_coefficients(cfc, rate_hz)
    record = np.asarray(force, dtype=np.float64)
    if record.ndim != 1 or record.size < 10 or not np.isfinite(record).all():
        raise InputError(f"`force` must hold at least 10 finite values in one row, got shape {record.shape}.")
    pad = min(record.size - 1, int(np.ceil(rate_hz / cfc)) + 9)
    return np.asarray(signal.filtfilt(b, a, record, padtype="odd", padlen=pad), dtype=np.float64)
