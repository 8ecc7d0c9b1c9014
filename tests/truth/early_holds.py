"""Coverage of the lower bound where specimens held early, by simulation: proof loads, early rigs, mixtures, n = 4 to
30.

Run ``python tests/truth/early_holds.py [coverage] [passed] [distance]`` from the top folder (about 30 minutes on one
core for all); it writes ``early_holds.csv``, ``early_holds_passed.csv`` and ``early_holds_distance.csv`` beside this
file. Every cell has a seed of its own.

A bound covers when the confidence found at the true percentile does not exceed the confidence asked for, so that one
evaluation a sample gives the coverage at every level. The calibrated confidence is the lower of that of the confidence
distribution and one less the simulated chance; where the former is no higher than the lowest level, the latter is not
needed. Samples without 2 different loads at break have no bound and are not counted. ``plain`` is the coverage without
the calibration.

- coverage: the cells below, both families, fractions below of .01, .05 and .10
- passed: samples whose survivors all held at or above the highest break, among those that random rigs make
- distance: how far the bound lies below the true 1 % strength, median in spreads (2,500 samples; 400 of the normal);
  ``exact``: how far the plain bound of the Weibull would lie at the level at which it covers exactly in that cell
  (20,000 samples), which nobody knows who has only the data
"""

from __future__ import annotations

import argparse
import csv
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lowtail import Family
from lowtail._shared.parallel import seeds
from lowtail.many import confidence_that as confidence_many
from lowtail.many import lower_bound as low_many
from lowtail.models.distributions.families import get_family
from lowtail.models.distributions.likelihood import prepare
from lowtail.models.early.holds import calibrated_confidence, calibrated_low, held_early

Array = NDArray[np.float64]
Limits = Callable[[Family, int, np.random.Generator], Array]

HERE = Path(__file__).parent
FRACTIONS = (0.01, 0.05, 0.10)
LEVELS = (0.75, 0.90, 0.95, 0.99)
REPETITIONS = {"given": 10_000, "own": 4_000, "passed": 20_000, "distance": 2_500}
PLAIN = 1_500  # samples of the normal distribution behind ``plain``
FIELDS = ("cell", "family", "n", "fraction_below", "level", "samples", "early", "plain", "coverage", "error")


def proof(*steps: tuple[int, float]) -> Limits:
    """So many specimens loaded to the strength of so large a fraction (1: until they break)."""

    def limits(family: Family, size: int, rng: np.random.Generator) -> Array:
        each = np.repeat([p for _, p in steps], [n for n, _ in steps])
        with np.errstate(divide="ignore"):
            return np.tile(family.standard.ppf(each), (size, 1))

    return limits


def lets_go(n: int, share: float, low: float, high: float | None = None) -> Limits:
    """Each of n is stopped early with a chance ``share``: at the strength of a fraction, or between two of them."""

    def limits(family: Family, size: int, rng: np.random.Generator) -> Array:
        at = np.full((size, n), low) if high is None else np.exp(rng.uniform(np.log(low), np.log(high), (size, n)))
        return np.where(rng.random((size, n)) < share, family.standard.ppf(at), np.inf)

    return limits


def rig(n: int, share: float, width: float = 1.0) -> Limits:
    """A rig of the same distribution, ``width`` times as scattered, that lets go first in a share of the tests."""

    def limits(family: Family, size: int, rng: np.random.Generator) -> Array:
        make = np.random.default_rng(1234)
        strength, other = family.standard.rvs(size=(2, 400_000), random_state=make)
        shift = np.quantile(strength - width * other, 1 - share)
        return np.asarray(shift + width * family.standard.rvs(size=(size, n), random_state=rng))

    return limits


def lower(one: Limits, other: Limits) -> Limits:
    """Both kinds of limit at once."""
    return lambda family, size, rng: np.minimum(one(family, size, rng), other(family, size, rng))


GIVEN: dict[str, Limits] = {
    "3 + 27 at 3 %": proof((3, 1.0), (27, 0.03)),
    "3 + 9 at 3 %": proof((3, 1.0), (9, 0.03)),
    "each 60 % at 3 %, n = 12": lets_go(12, 0.6, 0.03),
    "each 75 % at 2 %, n = 20": lets_go(20, 0.75, 0.02),
    "rig 15 %, n = 4": rig(4, 0.15),
    "rig 40 %, n = 12": rig(12, 0.4),
    "rig 30 %, n = 8": rig(8, 0.3),
    "mixed: each 30 % at 3 %, rig 30 %, n = 12": lower(lets_go(12, 0.3, 0.03), rig(12, 0.3)),
}
FAR = ("3 + 27 at 3 %", "3 + 9 at 3 %", "rig 30 %, n = 8")  # of the part on distances
OWN: dict[str, Limits] = {
    "2 + 2 at 3 %": proof((2, 1.0), (2, 0.03)),
    "2 + 3 at 20 %": proof((2, 1.0), (3, 0.2)),
    "2 + 6 at 5 %": proof((2, 1.0), (6, 0.05)),
    "4 + 4 at 10 %": proof((4, 1.0), (4, 0.1)),
    "4 + 8 at 30 %": proof((4, 1.0), (8, 0.3)),
    "3 + 27 at 10 %": proof((3, 1.0), (27, 0.1)),
    "6 + 24 at 1 %": proof((6, 1.0), (24, 0.01)),
    "10 + 20 at 3 %": proof((10, 1.0), (20, 0.03)),
    "0 + 30 at 5 and 40 %": proof((20, 0.05), (10, 0.4)),
    "4 + 10 at 2 % + 10 at 20 %": proof((4, 1.0), (10, 0.02), (10, 0.2)),
    "each 50 % at 5 %, n = 5": lets_go(5, 0.5, 0.05),
    "each 70 % from 1 to 10 %, n = 10": lets_go(10, 0.7, 0.01, 0.1),
    "each 80 % from 0.5 to 5 %, n = 30": lets_go(30, 0.8, 0.005, 0.05),
    "rig 60 %, n = 6": rig(6, 0.6),
    "rig 60 %, n = 30": rig(30, 0.6),
    "rig 50 %, 3 times as scattered, n = 10": rig(10, 0.5, 3.0),
    "rig 70 %, half as scattered, n = 15": rig(15, 0.7, 0.5),
    "mixed: 6 + 9 at 3 %, rig 40 %": lower(proof((6, 1.0), (9, 0.03)), rig(15, 0.4)),
    "mixed: each 40 % at 5 %, rig 20 %, n = 6": lower(lets_go(6, 0.4, 0.05), rig(6, 0.2)),
    "mixed: each 50 % from 1 to 20 %, rig 50 %, n = 25": lower(lets_go(25, 0.5, 0.01, 0.2), rig(25, 0.5)),
}
PASSED: dict[str, Limits] = {
    "one load at 85 %, n = 5": proof((5, 0.85)),
    "one load at 60 %, n = 12": proof((12, 0.6)),
    "rig 15 %, n = 4": rig(4, 0.15),
    "rig 40 %, half as scattered, n = 8": rig(8, 0.4, 0.5),
    "rig 15 %, 3 times as scattered, n = 5": rig(5, 0.15, 3.0),
    "rig 60 %, n = 5": rig(5, 0.6),
}


def draw(limits: Limits, name: str, size: int, rng: np.random.Generator) -> tuple[Array, NDArray[np.bool_], Family]:
    """Loads, whether they broke, and the family on them; ln load is standard, so that both families are on ln load."""
    family = get_family(name)
    bar = limits(family, size, rng)
    strength = family.standard.rvs(size=bar.shape, random_state=rng)
    log = get_family("lognormal") if name == "normal" else family
    return np.exp(np.minimum(strength, bar)), strength <= bar, log


def both(load: Array, broke: NDArray[np.bool_], family: Family, p: float) -> tuple[Array, Array]:
    """Plain confidences (of the first samples, where they are slow), and calibrated ones, right where above 75 %."""
    true = float(np.exp(family.quantile(p)))
    s = prepare(load, broke, family)
    q = (float(family.quantile(p)) - s.centre) / s.scale

    def plain(rows: NDArray[np.bool_]) -> Array:
        return confidence_many(load[rows], broke[rows], family, true, p, calibrated=False)

    if family.name == "weibull":
        first = plain(np.ones(q.size, dtype=bool))
        shown, ask = first.copy(), first > min(LEVELS)
        shown[ask] = calibrated_confidence(s.rows(ask), family, p, q[ask], first[ask])
        return first, shown
    shown = calibrated_confidence(s, family, p, q, np.ones(q.size))
    ask = shown > min(LEVELS)
    shown[ask] = np.minimum(shown[ask], plain(ask))
    return plain(np.arange(q.size) < PLAIN), shown


def cell(
    title: str, name: str, limits: Limits, repetitions: int, passed: bool, seed: object
) -> list[tuple[object, ...]]:
    """Coverage at every content and level, with and without the calibration."""
    rng = np.random.default_rng(seed)  # type: ignore[arg-type]
    load, broke, family = draw(limits, name, repetitions, rng)
    s = prepare(load, broke, family)
    early = held_early(s)
    keep = s.distinct & (s.held.any(axis=1) & ~early if passed else True)
    load, broke, early = load[keep], broke[keep], early[keep]
    rows: list[tuple[object, ...]] = []
    for p in FRACTIONS:
        plain, shown = both(load, broke, family, p)
        for level in LEVELS:
            rows.append(
                (title, name, load.shape[1], p, level, shown.size, round(float(early.mean()), 4),
                 round(float((plain <= level).mean()), 5), round(float((shown <= level).mean()), 5),
                 round(float(np.sqrt(level * (1 - level) / shown.size)), 5))
            )  # fmt: skip
    return rows


def level_exact(limits: Limits, name: str) -> tuple[float, float]:
    """Median distance of the plain 1 % bound at the levels at which it covers in 75 and 95 % of samples."""
    load, broke, family = draw(limits, name, 20_000, np.random.default_rng(61_230))
    w = float(family.quantile(0.01))
    plain = confidence_many(load, broke, family, float(np.exp(w)), 0.01, calibrated=False)
    lows = [
        low_many(load, broke, family, 0.01, float(np.nanquantile(plain, level)), calibrated=False)
        for level in (0.75, 0.95)
    ]
    return float(np.nanmedian(w - np.log(lows[0]))), float(np.nanmedian(w - np.log(lows[1])))


def distance(title: str, name: str, limits: Limits, repetitions: int, seed: object) -> list[tuple[object, ...]]:
    """Median distance of the 1 % bound below the truth in spreads at 75 and 95 %, plain and calibrated."""
    rng = np.random.default_rng(seed)  # type: ignore[arg-type]
    load, broke, family = draw(limits, name, repetitions, rng)
    keep = prepare(load, broke, family).distinct
    load, broke = load[keep], broke[keep]
    s = prepare(load, broke, family)
    w, out = float(family.quantile(0.01)), []
    exact = level_exact(limits, name) if name == "weibull" else (np.nan, np.nan)

    for level, best in zip((0.75, 0.95), exact, strict=True):
        there = low_many(load, broke, family, 0.01, level, calibrated=False)
        plain = (np.log(there) - s.centre) / s.scale
        lowered = calibrated_low(s, family, 0.01, level, plain)
        gap = [float(np.median(w - (s.centre + s.scale * q))) for q in (plain, lowered)]
        again = calibrated_confidence(s, family, 0.01, lowered, np.ones(s.r.size))
        moved = lowered < plain
        worst = float(np.abs(again[moved] - level).max(initial=0.0))
        out.append((title, name, load.shape[1], level, s.r.size, round(float(moved.mean()), 4), round(gap[0], 3),
                    round(gap[1], 3), round(best, 3), round(worst, 5), bool((lowered <= plain).all())))  # fmt: skip
    return out


def cells() -> Iterator[tuple[str, str, Limits, int, bool]]:
    """Every cell of the coverage study."""
    for kind, which in (("given", GIVEN), ("own", OWN)):
        for title, limits in which.items():
            for name in ("weibull", "normal"):
                yield title, name, limits, REPETITIONS[kind], False


def write(rows: list[tuple[object, ...]], fields: tuple[str, ...], name: str) -> None:
    """One table."""
    with (HERE / name).open("w", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(fields)
        writer.writerows(rows)


def main() -> None:
    """The parts asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("part", nargs="*", default=["coverage", "passed", "distance"])
    parts = parser.parse_args().part
    if "coverage" in parts:
        todo = list(cells())
        rows = []
        for one, seed in zip(todo, seeds(61_225, len(todo)), strict=True):
            rows += cell(*one, seed)
            write(rows, FIELDS, "early_holds.csv")
    if "passed" in parts:
        jobs = [(t, f, limits) for t, limits in PASSED.items() for f in ("weibull", "normal")]
        rows = []
        for one, seed in zip(jobs, seeds(61_226, len(jobs)), strict=True):
            rows += cell(*one, REPETITIONS["passed"] // (1 if one[1] == "weibull" else 4), True, seed)
        write(rows, FIELDS, "early_holds_passed.csv")
    if "distance" in parts:
        jobs = [(t, f, GIVEN[t]) for t in FAR for f in ("weibull", "normal")]
        rows = []
        for one, seed in zip(jobs, seeds(61_227, len(jobs)), strict=True):
            rows += distance(*one, REPETITIONS["distance"] if one[1] == "weibull" else 400, seed)
        fields = (
            "cell",
            "family",
            "n",
            "level",
            "samples",
            "lowered",
            "plain",
            "calibrated",
            "exact",
            "inverse",
            "never_above",
        )
        write(rows, fields, "early_holds_distance.csv")


if __name__ == "__main__":
    main()
