"""The crash-test filter against published class limits and coefficients.

Coefficients: SAE J211/1 Annex C / ISO 6487 algorithm (formula from memory), cross-checked by the collector of these
figures with scipy butter(2, 2.0775 CFC); signs as in y_n = a0 x_n + a1 x_(n-1) + a2 x_(n-2) + b1 y_(n-1) + b2 y_(n-2).
Class limits (minimum rate, 3 dB corner, stop-band attenuation): ISO 6487:2000 and SAE J211/1 MAR95, read in a secondary
page. Flat-response limit equal to the class number: SAE J211/1, from memory.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from lowtail import InputError
from lowtail.logs.traces.filter import CFC_CLASSES, cfc_coefficients, cfc_filter


@pytest.mark.parametrize(
    ("cfc", "rate_hz", "a0", "a1", "b1", "b2"),
    [
        (60, 10_000, 0.00145236747, 0.00290473495, 1.88934322, -0.895152694),
        (180, 10_000, 0.0117962711, 0.0235925422, 1.67011746, None),
        (600, 20_000, 0.029806072, 0.0596121441, 1.45572821, -0.574952502),
        (1000, 20_000, 0.0718930971, 0.143786194, 1.11158618, -0.399158564),
    ],
)
def test_coefficients(cfc: int, rate_hz: float, a0: float, a1: float, b1: float, b2: float | None) -> None:
    """Nine significant digits as printed."""
    b, a = cfc_coefficients(cfc, rate_hz)
    assert b[0] == pytest.approx(a0, rel=5e-9)
    assert b[1] == pytest.approx(a1, rel=5e-9)
    assert b[2] == b[0]
    assert -a[1] == pytest.approx(b1, rel=5e-9)
    if b2 is not None:
        assert -a[2] == pytest.approx(b2, rel=5e-9)


@pytest.mark.parametrize("cfc", CFC_CLASSES)
@pytest.mark.parametrize("rate_hz", [10_000, 20_000, 50_000])
def test_coefficients_are_a_butterworth_low_pass(cfc: int, rate_hz: float) -> None:
    b, a = signal.butter(2, 2.0775 * cfc, fs=rate_hz)
    ours_b, ours_a = cfc_coefficients(cfc, rate_hz)
    np.testing.assert_allclose(ours_b, b, rtol=1e-10)
    np.testing.assert_allclose(ours_a, a, rtol=1e-10)


def gain_db(cfc: int, rate_hz: float, hz: float) -> float:
    """Gain after both passes, measured on a long sine that went through the filter."""
    t = np.arange(int(rate_hz * 2)) / rate_hz
    wave = np.sin(2 * np.pi * hz * t)
    out = cfc_filter(wave, rate_hz, cfc)
    middle = slice(t.size // 4, 3 * t.size // 4)
    return float(20 * np.log10(np.sqrt(np.mean(out[middle] ** 2) / np.mean(wave[middle] ** 2))))


@pytest.mark.parametrize(
    ("cfc", "rate_hz", "db"), [(60, 10_000, -3.008), (180, 10_000, -2.994), (1000, 20_000, -2.879)]
)
def test_gain_at_the_corner(cfc: int, rate_hz: float, db: float) -> None:
    """Computed gains at CFC/0.6 Hz after both passes, near the published 3 dB corner."""
    assert gain_db(cfc, rate_hz, cfc / 0.6) == pytest.approx(db, abs=2e-3)


def test_class_600_is_3_db_down_at_1000_hz() -> None:
    """ISO 6487:2000, SAE J211/1 MAR95 (secondary page): class 600 has its 3 dB cut-off at 1000 Hz."""
    assert gain_db(600, 50_000, 1000) == pytest.approx(-3.0, abs=0.05)


def test_class_1000_is_3_db_down_at_1650_hz() -> None:
    """The class is specified with 1650 Hz (secondary page); the algorithm's corner lies within 3 % of it."""
    assert gain_db(1000, 50_000, 1650) == pytest.approx(-3.0, abs=0.15)


@pytest.mark.parametrize("cfc", CFC_CLASSES)
def test_flat_up_to_the_class_number(cfc: int) -> None:
    """SAE J211/1 (from memory): within +0.5 and -1 dB up to the class number; low frequencies pass whole."""
    assert -1.0 < gain_db(cfc, 20_000, cfc) < 0.5
    assert gain_db(cfc, 20_000, cfc / 10) == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize(("cfc", "stop_db"), [(60, -30), (180, -30), (1000, -40)])
def test_stop_band(cfc: int, stop_db: float) -> None:
    """Stop-band attenuation at least as printed (secondary page), one decade above the class number."""
    assert gain_db(cfc, 50_000, 10 * cfc) < stop_db


def test_minimum_rate_is_ten_times_the_class() -> None:
    """Class 60 needs at least 600 Hz (ISO 6487:2000, secondary page)."""
    cfc_coefficients(60, 600)
    with pytest.raises(InputError, match=r"needs at least 600 samples a second.*got 599"):
        cfc_coefficients(60, 599)


def test_no_phase_shift_and_level_kept() -> None:
    t = np.arange(4001) / 10_000
    pulse = np.exp(-(((t - 0.2) / 0.01) ** 2))
    assert np.argmax(cfc_filter(pulse, 10_000, 180)) == 2000
    np.testing.assert_allclose(cfc_filter(np.full(500, 3.2), 10_000, 180), 3.2, rtol=1e-12)


def test_refusals() -> None:
    with pytest.raises(InputError, match=r"must be one of 60, 180, 600, 1000.*got 300"):
        cfc_coefficients(300, 10_000)
    with pytest.raises(InputError, match="at least 10 finite values"):
        cfc_filter([1.0, 2.0], 10_000, 60)
