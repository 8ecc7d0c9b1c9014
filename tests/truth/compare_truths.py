"""Invented truths for the comparison studies: log loads of two arms, and the table every study writes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

Array = NDArray[np.float64]
HERE = Path(__file__).parent

# coefficient of variation of the arm that scatters least: normal 5 %, lognormal 10 %, Weibull shape 15 (about 8 %)
TRUTHS = ("normal", "lognormal", "weibull")
SIZES = ((3, 3), (4, 4), (5, 5), (10, 10), (3, 5), (5, 3), (3, 10), (10, 3), (5, 10), (10, 5))
SPREADS = ((1.0, 1.0), (1.0, 2.0), (2.0, 1.0))  # reference, other


def log_strength(truth: str, spread: float, size: tuple[int, ...], rng: np.random.Generator, centre: str) -> Array:
    """Log strengths whose geometric mean (``centre="mean"``) or median is 1 kN."""
    if truth == "lognormal":
        return rng.normal(0.0, 0.10 * spread, size)
    if truth == "weibull":
        s = spread / 15
        shift = s * np.euler_gamma if centre == "mean" else -s * np.log(np.log(2.0))
        return np.asarray(s * np.log(rng.exponential(size=size)) + shift)
    cv = 0.05 * spread
    grid = np.log1p(cv * stats.norm.ppf((np.arange(20_000) + 0.5) / 20_000))
    shift = -float(grid.mean()) if centre == "mean" else 0.0
    return np.asarray(np.log1p(cv * np.clip(rng.standard_normal(size), -9, None)) + shift)


def log_quantile(truth: str, spread: float, fraction_below: float) -> float:
    """True log percentile of the distribution drawn by `log_strength` with ``centre="median"``."""
    if truth == "lognormal":
        return float(0.10 * spread * stats.norm.ppf(fraction_below))
    if truth == "weibull":
        return float(spread / 15 * (np.log(-np.log1p(-fraction_below)) - np.log(np.log(2.0))))
    return float(np.log1p(0.05 * spread * stats.norm.ppf(fraction_below)))


def held_at(truth: str, spread: float, size: tuple[int, ...], share: float, rng: np.random.Generator) -> Array:
    """Log loads at which the rig gives way: the part's own distribution, shifted so that ``share`` of the specimens
    hold."""
    if share == 0:
        return np.full(size, np.inf)
    trial = np.random.default_rng(12345)
    a, b = (log_strength(truth, spread, (200_000,), trial, "median") for _ in range(2))
    shift = float(np.quantile(a - b, 1 - share))
    return log_strength(truth, spread, size, rng, "median") + shift


def write(rows: list[dict[str, object]], name: str) -> None:
    """Write a study's table beside its script."""
    pd.DataFrame(rows).to_csv(HERE / name, index=False, float_format="%.4g")
