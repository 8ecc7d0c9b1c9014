"""Specimens held early, in trends and in plans.

Run ``python tests/truth/early_holds_claims.py [lines] [plans]`` from the top folder (about 8 minutes on one core); it
writes ``early_holds_lines.csv`` and ``early_holds_plans.csv`` beside this file. Every cell has a seed of its own.

- lines: coverage of the lower bound of a trend at the oldest age (ages 0 to 9 years), with and without the calibration.
  Samples for which there is no bound are not counted. A bound covers when the confidence found at the true percentile
  does not exceed the level; one evaluation a sample serves every level.
- plans: chance that a planned series with survivors backs a claim, by the confidence distribution alone (how a planned
  series is judged) and by the calibrated bound; the rig's strength scatters like the specimens', as a plan assumes.
"""

from __future__ import annotations

import argparse

import numpy as np
from early_holds import FRACTIONS, LEVELS, Limits, lets_go, lower, proof, rig, write

from lowtail import NoAnswerError
from lowtail._shared.parallel import seeds
from lowtail.claims.planning.core.judge import lower_bound
from lowtail.claims.planning.core.simulate import standard_series
from lowtail.models.distributions.families import get_family
from lowtail.models.early.holds import calibrated_confidence
from lowtail.models.early.signed_root import on_y
from lowtail.models.regression.line import regression_law

LINES: dict[str, Limits] = {
    "4 + 20 at 3 %": proof((4, 1.0), (20, 0.03)),
    "5 + 7 at 10 %": proof((5, 1.0), (7, 0.1)),
    "each 50 % at 3 %, n = 14": lets_go(14, 0.5, 0.03),
    "each 70 % from 1 to 10 %, n = 20": lets_go(20, 0.7, 0.01, 0.1),
    "one load at 60 %, n = 12": proof((12, 0.6)),
    "rig 40 %, n = 12": rig(12, 0.4),
    "mixed: each 30 % at 3 %, rig 30 %, n = 16": lower(lets_go(16, 0.3, 0.03), rig(16, 0.3)),
}
REPETITIONS = {"lines": 1_200, "plans": 700}
SLOPE = -0.2  # of the true line, in spreads a year


def line_cell(title: str, name: str, limits: Limits, repetitions: int, seed: object) -> list[tuple[object, ...]]:
    """Coverage at the oldest age; limits lie around the middle of the line."""
    rng = np.random.default_rng(seed)  # type: ignore[arg-type]
    family = get_family(name)
    bar = limits(family, repetitions, rng)
    n = bar.shape[1]
    age = rng.permuted(np.tile(np.linspace(0, 9, n), (repetitions, 1)), axis=1)
    strength = SLOPE * (age - 4.5) + family.standard.rvs(size=bar.shape, random_state=rng)
    x = np.array([1.0, 9.0])
    seen: dict[float, list[tuple[float, float]]] = {p: [] for p in FRACTIONS}
    early = 0
    for y, limit, ages in zip(strength, bar, age, strict=True):
        try:
            line = regression_law(
                np.exp(3 + np.minimum(y, limit) / 15), y <= limit, np.column_stack([np.ones(n), ages]), family
            )
        except NoAnswerError:
            continue
        early += line.held_early
        for p in FRACTIONS:
            truth = float(np.exp(3 + (SLOPE * 4.5 + float(family.quantile(p))) / 15))
            plain = line.plain_confidence_that(truth, x, p)
            seen[p].append((plain, line.confidence_that(truth, x, p) if plain > min(LEVELS) else plain))
    rows: list[tuple[object, ...]] = []
    for p in FRACTIONS:
        plain, shown = np.array(seen[p]).T
        for level in LEVELS:
            error = np.sqrt(level * (1 - level) / shown.size)
            covered = (round(float((plain <= level).mean()), 5), round(float((shown <= level).mean()), 5))
            rows.append((title, name, n, p, level, shown.size, round(early / shown.size, 4), *covered, round(error, 5)))
    return rows


def plan_cell(
    name: str, n: int, held: float, repetitions: int, seed: np.random.SeedSequence
) -> list[tuple[object, ...]]:
    """Chance to back a claim that the confidence distribution backs with a stated chance, by the calibrated bound."""
    family = get_family(name)
    y, broke = standard_series(family, n, repetitions, held, seed)
    rows: list[tuple[object, ...]] = []
    for p, level in ((0.01, 0.95), (0.10, 0.95), (0.05, 0.75)):
        low = np.nan_to_num(lower_bound(y, broke, family, p, level), nan=-np.inf)
        for chance in (0.5, 0.8):
            claim = np.sort(low)[int((1 - chance) * repetitions)]
            if not np.isfinite(claim):
                continue
            won = low >= claim
            s = on_y(y[won], broke[won])
            shown = calibrated_confidence(s, family, p, (claim - s.centre) / s.scale, np.ones(int(won.sum())))
            lost = (shown < level).sum() / repetitions
            error = np.sqrt(lost * (1 - lost) / repetitions)
            rows.append((name, n, held, p, level, chance, round(float(chance - lost), 5), round(float(error), 5)))
    return rows


def main() -> None:
    """The parts asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("part", nargs="*", default=["lines", "plans"])
    parts = parser.parse_args().part
    if "lines" in parts:
        jobs = [(t, f, limits) for t, limits in LINES.items() for f in ("weibull", "lognormal")]
        rows = []
        for one, seed in zip(jobs, seeds(61_228, len(jobs)), strict=True):
            rows += line_cell(*one, REPETITIONS["lines"], seed)
            fields = (
                "cell",
                "family",
                "n",
                "fraction_below",
                "level",
                "samples",
                "early",
                "plain",
                "coverage",
                "error",
            )
            write(rows, fields, "early_holds_lines.csv")
    if "plans" in parts:
        plans = [(f, n, held) for f in ("weibull", "normal") for n in (5, 12, 20, 30) for held in (0.2, 0.4, 0.6)]
        rows = []
        for plan, seed in zip(plans, seeds(61_229, len(plans)), strict=True):
            rows += plan_cell(*plan, REPETITIONS["plans"], seed)
            fields = ("family", "n", "held", "fraction_below", "level", "plain", "calibrated", "error")
            write(rows, fields, "early_holds_plans.csv")


if __name__ == "__main__":
    main()
