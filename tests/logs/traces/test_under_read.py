"""Under-read of sampled peaks: closed forms against a brute-force sampling of the pulse itself."""

from __future__ import annotations

import numpy as np
import pytest

from lowtail import InputError
from lowtail.logs.traces.under_read import crest_spread, noise_lift, noise_lift_ramp, samples_needed, under_read_ramp
from lowtail.trace import under_read_crest, under_read_flank

PHASES = (np.arange(20_000) + 0.5) / 20_000


def brute_crest(count: float) -> np.ndarray:
    """Reading of a unit half-sine with `count` samples in its base, over all phases."""
    k = np.arange(int(np.ceil(count)) + 1)
    angle = (k[None, :] + PHASES[:, None]) * np.pi / count
    return np.where(angle <= np.pi, np.sin(angle), 0.0).max(axis=1)


def brute_flank(count: float, share: float) -> np.ndarray:
    """Highest sample before a break at `share` of the crest, as a share of the load at break."""
    th = np.arcsin(share)
    k = np.arange(int(np.ceil(count)) + 1)
    angle = th - (k[None, :] + PHASES[:, None]) * np.pi / count
    return np.where(angle >= 0, np.sin(angle), 0.0).max(axis=1) / share


@pytest.mark.parametrize("count", [0.4, 1.0, 1.7, 3.0, 5.0, 10.0, 20.0, 50.0])
def test_crest_matches_brute_force(count: float) -> None:
    reading = brute_crest(count)
    worst, mean = under_read_crest(1000 * count, 1.0)
    assert worst == pytest.approx(1 - reading.min(), abs=2e-4)
    assert mean == pytest.approx(1 - reading.mean(), abs=2e-5)
    assert crest_spread(1000 * count, 1.0) == pytest.approx(reading.std(), abs=2e-5)


@pytest.mark.parametrize("share", [0.2, 0.5, 0.8, 0.95, 1.0])
@pytest.mark.parametrize("count", [0.7, 2.0, 5.0, 20.0, 100.0])
def test_flank_matches_brute_force(count: float, share: float) -> None:
    reading = brute_flank(count, share)
    worst, mean = under_read_flank(1000 * count, 1.0, share)
    assert worst == pytest.approx(1 - reading.min(), abs=2e-4)
    assert mean == pytest.approx(1 - reading.mean(), abs=1e-4)


def test_flank_of_a_low_break_tends_to_the_ramp() -> None:
    """Near the foot of the pulse sin is straight: the loss is one interval's rise over the load at break."""
    share, rate, width = 1e-3, 1e6, 1000.0
    slope = np.pi / (width / 1000)  # a second, of a unit crest
    worst_ramp, mean_ramp = under_read_ramp(rate, slope)
    worst, mean = under_read_flank(rate, width, share)
    assert worst == pytest.approx(worst_ramp / share, rel=1e-5)
    assert mean == pytest.approx(mean_ramp / share, rel=1e-4)


@pytest.mark.parametrize("worst", [0.001, 0.01, 0.05, 0.5])
def test_samples_needed_is_the_inverse(worst: float) -> None:
    assert under_read_crest(1000 * samples_needed(worst), 1.0)[0] == pytest.approx(worst, rel=1e-12)


def test_noise_lift_against_simulation() -> None:
    """1 kHz, 20 ms, noise 1 % of the peak: 40 000 simulated pulses, standard error about 0.003 %."""
    rng = np.random.default_rng(4)
    count, noise = 20, 0.01
    angle = (np.arange(count + 1)[None, :] + rng.random((40_000, 1))) * np.pi / count
    pulse = np.where(angle <= np.pi, np.sin(angle), 0.0) + rng.normal(0, noise, angle.shape)
    assert noise_lift(1000, 20, noise) == pytest.approx(pulse.max(axis=1).mean() - 1, abs=1.5e-4)


@pytest.mark.parametrize(("rise", "noise"), [(0.02, 0.01), (0.001, 0.01), (0.00002, 0.01)])
def test_noise_lift_on_a_ramp_against_simulation(rise: float, noise: float) -> None:
    """Standard error of the simulated mean: about noise / sqrt(4000), times 0.5."""
    rng = np.random.default_rng(5)
    steps = int(10 * noise / rise) + 2
    highest = [float((-rise * np.arange(steps) + rng.normal(0, noise, steps)).max()) for _ in range(4000)]
    assert noise_lift_ramp(rise, noise) == pytest.approx(np.mean(highest), abs=4 * np.std(highest) / np.sqrt(4000))


def test_dense_samples_are_summed_by_weight() -> None:
    """10 000 samples under the crest: more samples only lift the maximum, by less than 0.05 noise a tenth more."""
    low, high = noise_lift(1_000_000, 20, 0.005), noise_lift(1_100_000, 20, 0.005)
    assert 0 < high - low < 0.05 * 0.005


def test_noise_free_lift_is_the_under_read() -> None:
    assert noise_lift(1000, 10, 0.0) == -under_read_crest(1000, 10)[1]
    assert noise_lift(1000, 10, 1e-7) == pytest.approx(-under_read_crest(1000, 10)[1], abs=5e-5)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: under_read_crest(0, 10), "`rate_hz` must be finite and greater than 0, got 0"),
        (lambda: under_read_crest(1000, float("nan")), "`width_ms` must be finite"),
        (lambda: under_read_flank(1000, 10, 80), "at most 1 .*got 80"),
        (lambda: under_read_ramp(1000, -1), "not negative, got -1"),
        (lambda: under_read_ramp(-1, 1), "`rate_hz`"),
        (lambda: samples_needed(5), "got 5. 1 % is 0.01"),
        (lambda: noise_lift(1000, 10, -0.1), "`noise` must be finite and not negative"),
        (lambda: noise_lift_ramp(0.0, 0.1), "`rise_a_sample` must be finite and greater than 0, got 0.0"),
        (lambda: noise_lift_ramp(0.1, -0.1), "`noise` must be finite and not negative"),
    ],
)
def test_refusals(call, words: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(InputError, match=words):
        call()
