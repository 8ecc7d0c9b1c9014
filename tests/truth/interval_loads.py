"""Coverage of the lower bound where specimens broke between two steps of a step-loading test, by simulation.

Run ``python tests/truth/interval_loads.py`` from the top folder (about half an hour on one core); it writes
``interval_loads.csv`` beside this file. Every cell has a seed of its own.

Strengths of shape 20, or with a coefficient of variation of 5 %, are loaded in steps of a quarter to 4 standard
deviations.
All specimens of a sample stand on the same steps, which lie at a set place against the median of the population
(``offset``, in steps), since that is what a rig does and what breaks the method: with so few different outcomes
coverage jumps as the steps move. ``stop`` says what ends a test before the specimen breaks: nothing; a rig that goes no
further than the step below the 70 % point; or each test with a chance of one quarter at a step below the 60 % point.

A bound covers when the confidence found at the true percentile does not exceed the one asked for, so that one
evaluation a sample gives the coverage at every level. ``fine``: share of the samples that the interval terms take.
``terms``: coverage if the interval terms were used for every sample whose breaks cannot all have happened at one load,
over those samples: the reason for the rule. ``answered``: share of the samples that have a bound at all; coverage is
counted over these.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lowtail import Family
from lowtail.many import confidence_that as confidence_many
from lowtail.models.confidence.interval_nodes import QUICK_2D, interval_nodes
from lowtail.models.distributions.between import between
from lowtail.models.distributions.between_law import narrow, placements
from lowtail.models.distributions.families import get_family
from lowtail.models.distributions.likelihood import prepare
from lowtail.models.early.holds import calibrated_confidence

Array = NDArray[np.float64]

HERE = Path(__file__).parent
FRACTIONS = (0.01, 0.10)
LEVELS = (0.75, 0.95)
STEPS = (0.25, 0.5, 1.0, 2.0, 4.0)
OFFSETS = (0.0, 0.5)
SIZES = (3, 5, 10, 20)
STOPS = ("none", "rig", "early")
SAMPLES = {"none": 2_000, "rig": 1_000, "early": 1_000}
MORE = {("weibull", 20): 3.0, ("normal", 10): 0.5, ("normal", 20): 0.5}  # times as many
PIECE = 200
FIELDS = (
    "family", "n", "step", "offset", "stop", "fraction_below", "level", "samples", "answered", "fine", "terms",
    "coverage", "error",
)  # fmt: skip
SEED = 20_261_127

Cell = tuple[str, int, float, float, str]


def cells() -> dict[Cell, np.random.SeedSequence]:
    """Family, n, step in standard deviations, offset of the steps in steps, what stops a test; with a seed each."""
    every = [
        (family, n, step, offset, stop)
        for family in ("weibull", "normal")
        for n in SIZES
        for step in STEPS
        for offset in OFFSETS
        for stop in STOPS
        if (stop != "early" or (n > 3 and step < 2)) and (n < 20 or (stop == "none" and 0.25 < step < 2))
    ]
    given = zip(every, np.random.SeedSequence(SEED).spawn(len(every)), strict=True)
    return {cell: seed for cell, seed in given if cell[4] != "early" or cell[1] * cell[2] < 10}  # the others take hours


def quantile(family: Family, p: float | Array) -> Array:
    """Strength at a fraction below, kN: Weibull with shape 20 and scale 25, normal with mean 25 and deviation 1.25."""
    z = family.standard.ppf(p)
    return np.asarray(25 * np.exp(z / 20) if family.name == "weibull" else 25 + 1.25 * z)


def deviation(family: Family) -> float:
    """Standard deviation of the strength, kN (Weibull: by its quantiles)."""
    return float(quantile(family, (np.arange(20_000) + 0.5) / 20_000).std())


def draw(cell: Cell, size: int, rng: np.random.Generator) -> tuple[Array, Array]:
    """Ends (size, n) of where each strength lies, kN; the upper one infinite where the specimen held."""
    name, n, steps, offset, stop = cell
    family = get_family(name)
    step = steps * deviation(family)
    zero = float(quantile(family, 0.5)) + offset * step
    strength = quantile(family, rng.random((size, n)))
    held = np.floor((strength - zero) / step)  # the last step held
    last = np.full((size, n), np.inf)
    if stop == "rig":
        last[:] = np.floor((quantile(family, 0.7) - zero) / step)
    elif stop == "early":
        lowest = np.floor((quantile(family, 0.05) - zero) / step)
        top = np.floor((quantile(family, 0.6) - zero) / step)
        last = np.where(rng.random((size, n)) < 0.25, rng.integers(lowest, max(top, lowest) + 1, (size, n)), np.inf)
    survived = held >= last
    low = zero + step * np.where(survived, last, held)
    return low, np.where(survived, np.inf, low + step)


def by_terms(low: Array, up: Array, family: Family, truths: Array) -> tuple[Array, Array]:
    """Confidence at the true percentile of each fraction, (fractions, B), by interval terms: plain, and as the bound.

    The latter is lowered for early holds.
    """
    plain, out = np.empty((len(FRACTIONS), len(low))), np.empty((len(FRACTIONS), len(low)))
    for i in range(0, len(low), PIECE):
        part = slice(i, i + PIECE)
        broke = np.isfinite(up[part])
        middles = np.where(broke, 0.5 * (low[part] + np.where(broke, up[part], 0.0)), low[part])
        s = prepare(middles, broke, family)
        axis = (s.centre, np.where(s.distinct, s.scale, 1.0))
        nodes = interval_nodes(between(low[part], up[part], np.ones_like(low[part]), family, axis), family, QUICK_2D)
        fine = np.flatnonzero(narrow(low[part], up[part]))
        for j, (p, truth) in enumerate(zip(FRACTIONS, truths, strict=True)):
            q = (family.transform(np.full(len(s.r), truth)) - axis[0]) / axis[1]
            shown = np.clip(1 - nodes.cdf(q, float(family.quantile(p)))[0], 0, 1)
            plain[j, part] = shown
            shown[fine] = calibrated_confidence(s.rows(fine), family, p, q[fine], shown[fine])
            out[j, part] = shown
    return plain, out


def by_placements(low: Array, up: Array, family: Family, truths: Array) -> Array:
    """The lowest confidence at the true percentiles over the places at which the specimens can have broken."""
    placed = [placements(*ends) for ends in zip(low, up, strict=True)]
    rows = np.array([len(loads) for loads, _ in placed])
    loads, broke = (np.concatenate(each) for each in zip(*placed, strict=True))
    first = np.concatenate([[0], np.cumsum(rows)[:-1]])
    shown = [confidence_many(loads, broke, family, t, p) for p, t in zip(FRACTIONS, truths, strict=True)]
    return np.stack([np.minimum.reduceat(np.where(np.isnan(each), np.inf, each), first) for each in shown])


def found(low: Array, up: Array, family: Family, truths: Array) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Confidence at the true percentiles as the bound takes it, by interval terms alone, and where these are taken."""
    fine, apart = narrow(low, up), ~between(low, up, np.ones_like(low), family).same
    plain, out = np.full((len(FRACTIONS), len(low)), np.nan), np.empty((len(FRACTIONS), len(low)))
    if apart.any():
        plain[:, apart], out[:, apart] = by_terms(low[apart], up[apart], family, truths)
    if not fine.all():
        out[:, ~fine] = by_placements(low[~fine], up[~fine], family, truths)
    return out, plain, fine


def rows(cell: Cell, seed: np.random.SeedSequence, size: int | None = None) -> Iterator[dict[str, object]]:
    """Rows of one cell; samples that are alike, as there are many on wide steps, are answered once."""
    family = get_family(cell[0])
    samples = int(SAMPLES[cell[4]] * MORE.get(cell[:2], 1.0))
    low, up = draw(cell, size or samples, np.random.default_rng(seed))
    able = np.isfinite(up).sum(axis=1) > 1
    order = np.lexsort((up[able], low[able]), axis=1)
    ends = np.stack([np.take_along_axis(x[able], order, axis=1) for x in (low, up)], axis=1)
    different, back = np.unique(ends.reshape(len(ends), -1), axis=0, return_inverse=True)
    low, up = different[:, : cell[1]], different[:, cell[1] :]
    truths = np.array([float(quantile(family, p)) for p in FRACTIONS])
    shown, plain, fine = (x[..., back.ravel()] for x in found(low, up, family, truths))
    for j, p in enumerate(FRACTIONS):
        for level in LEVELS:
            covered = float((shown[j] <= level).mean())
            apart = plain[j][~np.isnan(plain[j])]
            yield dict(zip(FIELDS, (*cell, p, level), strict=False)) | {
                "samples": int(able.sum()),
                "answered": round(float(able.mean()), 4),
                "fine": round(float(fine.mean()), 4),
                "terms": round(float((apart <= level).mean()), 4) if apart.size else "",
                "coverage": round(covered, 4),
                "error": round(float(np.sqrt(max(covered * (1 - covered), 1e-4) / able.sum())), 5),
            }


def main() -> None:
    """Write the table."""
    with (HERE / "interval_loads.csv").open("w", newline="") as file:
        writer = csv.DictWriter(file, FIELDS, lineterminator="\n")
        writer.writeheader()
        for cell, seed in cells().items():
            writer.writerows(rows(cell, seed))
            file.flush()
            print(*cell, flush=True)


if __name__ == "__main__":
    main()
