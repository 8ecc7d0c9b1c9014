"""How often pairs and blocks with survivors go wrong, at a nominal two-sided 95 %: interval and test within blocks.

Run: ``python tests/truth/compare_designs.py`` (about 13 minutes on one core); writes ``compare_designs.csv``. 2,000
repetitions a cell (a share of 95 % is known to 0.5 points); levels of pairs and blocks scatter ``between`` times as
much as specimens of the reference; loads held are drawn anew for every specimen, or one for an arm (``rig``). Only
repetitions with a survivor count; ``complete`` is the share without. ``coverage`` is that of the interval given, and
1 - ``coverage`` the test's error rate; ``coverage_law`` that of the level-free distribution alone; ``rejected_within``
the error rate of the permutation within blocks at 5 % (1,000 repetitions). ``no_answer``: too few breaks. The intervals
are found here for all repetitions at once and held to the package's own on the first ones.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np
from compare_truths import Array, held_at, log_strength, write
from numpy.typing import NDArray
from scipy import stats

from lowtail import NoAnswerError, Sample
from lowtail._shared.parallel import run, seeds
from lowtail.claims.comparison.design_parts import permute_within
from lowtail.claims.comparison.designs import answer_blocks, answer_pairs
from lowtail.models.two_samples.level_free import Blocks, level_free_law
from lowtail.models.two_samples.survivor_tests import log_rank_scores

REPETITIONS = 2_000
PART = 250
CHECKED = 4
PERMUTED = 1_000
NODES = (60, 121)
SCATTER = {"weibull": np.pi / np.sqrt(6) / 15, "lognormal": 0.10}


@dataclass(frozen=True)
class Plan:
    """Specimens of reference and other in every block."""

    name: str
    blocks: tuple[tuple[int, int], ...]

    @property
    def arm(self) -> Array:
        return np.concatenate([np.repeat([0.0, 1.0], pair) for pair in self.blocks])

    @property
    def label(self) -> NDArray[np.intp]:
        return np.repeat(np.arange(len(self.blocks)), [sum(pair) for pair in self.blocks])


PLANS = (
    *(Plan(f"{n} pairs", ((1, 1),) * n) for n in (3, 5, 7, 10)),
    Plan("2 blocks of 2 + 2", ((2, 2),) * 2),
    Plan("2 blocks of 3 + 3", ((3, 3),) * 2),
    Plan("3 blocks of 3 + 3", ((3, 3),) * 3),
    Plan("2 blocks of 2 + 4", ((2, 4),) * 2),
)
CASES = (
    # truth, spreads, between, one load held for an arm
    ("weibull", (1.0, 1.0), 0.0, False),
    ("weibull", (1.0, 1.0), 1.0, True),
    ("weibull", (1.0, 1.0), 3.0, False),
    ("weibull", (1.0, 2.0), 1.0, False),
    ("weibull", (2.0, 1.0), 1.0, True),
    ("lognormal", (1.0, 2.0), 1.0, True),
    ("lognormal", (2.0, 1.0), 1.0, False),
)
HELD = ((0.0, 0.2), (0.0, 0.4), (0.4, 0.4))


def draw(
    plan: Plan,
    truth: str,
    spreads: tuple[float, float],
    between: float,
    rig: bool,
    held: tuple[float, float],
    rng: np.random.Generator,
) -> tuple[Array, NDArray[np.bool_]]:
    """Log loads and flags, (repetitions, n): equal medians in both arms."""
    level = rng.normal(0.0, between * SCATTER[truth], (REPETITIONS, len(plan.blocks)))[:, plan.label]
    y, limit = np.empty_like(level), np.full_like(level, np.inf)
    for side, (spread, share) in enumerate(zip(spreads, held, strict=True)):
        mine = plan.arm == side
        size = (REPETITIONS, int(mine.sum()))
        y[:, mine] = log_strength(truth, spread, size, rng, "median") + level[:, mine]
        if share == 0:
            continue
        many = log_strength(truth, spread, (200_000,), rng, "median") + rng.normal(0, between * SCATTER[truth], 200_000)
        if rig:
            limit[:, mine] = np.quantile(many, 1 - share)
        else:
            own = held_at(truth, spread, (200_000,), share, rng)
            limit[:, mine] = rng.choice(own, size) + np.quantile(many - own, 1 - share)
    return np.minimum(y, limit), y <= limit


def as_broken(plan: Plan, y: Array, broke: NDArray[np.bool_]) -> Array:
    """Bounds (2,) of the complete-sample interval of one repetition, blocks without a break left out."""
    keep = np.isin(plan.label, np.unique(plan.label[broke]))
    arm, label, y = plan.arm[keep], plan.label[keep], y[keep]
    if max(sum(pair) for pair in plan.blocks) == 2:
        d = y[arm > 0] - y[arm == 0]
        value, error, df = d.mean(), d.std(ddof=1) / np.sqrt(d.size), d.size - 1
    else:
        design = np.column_stack([arm, *[(label == b).astype(float) for b in np.unique(label)]])
        inverse = np.linalg.inv(design.T @ design)
        half = design @ inverse
        line = half.T @ y
        rest = (y - design @ line) / (1 - (half * design).sum(axis=1))
        error = np.sqrt(((half[:, 0] * rest) ** 2).sum())
        value, df = line[0], y.size - design.shape[1]
    return np.asarray(value + stats.t.ppf([0.025, 0.975], df) * error)


def within_p(plan: Plan, y: Array, broke: NDArray[np.bool_]) -> float:
    """P value of the permutation of log-rank scores within blocks."""
    score = np.zeros(y.size)
    blocks = [b for b in range(len(plan.blocks)) if broke[plan.label == b].any()]
    for b in blocks:
        score[plan.label == b] = log_rank_scores(y[plan.label == b], broke[plan.label == b])
    return permute_within(score, plan.arm, plan.label, blocks, "two-sided", 0)[0]


def check(plan: Plan, y: Array, broke: NDArray[np.bool_], ends: Array, within: float) -> None:
    """Hold one repetition to the package's own answer."""
    samples = [Sample(np.exp(y[plan.arm == side]), broke[plan.arm == side]) for side in (0, 1)]
    labels = [*plan.label[plan.arm == 0], *plan.label[plan.arm == 1]]
    door = answer_pairs if max(sum(pair) for pair in plan.blocks) == 2 else answer_blocks
    try:
        answer = door(samples[0], samples[1], labels, "two-sided", 0)
    except NoAnswerError:  # an arm by itself has too few breaks for its own fit
        return
    mine = np.log(answer.law.interval(0.95))
    np.testing.assert_allclose(ends, mine, atol=0.03 * (mine[1] - mine[0]))
    np.testing.assert_allclose(within, answer.permutation_p, rtol=1e-9)


def cell(
    plan: Plan,
    truth: str,
    spreads: tuple[float, float],
    between: float,
    rig: bool,
    held: tuple[float, float],
    seed: object,
) -> dict[str, object]:
    """Coverage and error rate in one cell."""
    rng = np.random.default_rng(seed)  # type: ignore[arg-type]
    y, broke = draw(plan, truth, spreads, between, rig, held, rng)
    some = ~broke.all(axis=1)  # complete repetitions have the complete-sample answer
    enough = np.all([broke[:, plan.arm == side].sum(axis=1) >= 2 for side in (0, 1)], axis=0)
    other = plan.arm > 0
    laws = [
        level_free_law(Blocks(y[i : i + PART], broke[i : i + PART], other, plan.label), *NODES)
        for i in range(0, REPETITIONS, PART)
    ]
    proper = np.concatenate([law.proper for law in laws]) & enough & some
    law = np.stack([np.concatenate([law.upper(g) for law in laws]) for g in (0.025, 0.975)], axis=1)[proper]
    y, broke = y[proper], broke[proper]
    plain = np.array([as_broken(plan, *row) for row in zip(y, broke, strict=True)])
    ends = np.column_stack([np.minimum(law[:, 0], plain[:, 0]), np.maximum(law[:, 1], plain[:, 1])])
    within = np.array([within_p(plan, *row) for row in zip(y[:PERMUTED], broke[:PERMUTED], strict=True)])
    for i in range(CHECKED):
        check(plan, y[i], broke[i], ends[i], within[i])
    covered = (ends[:, 0] <= 0) & (ends[:, 1] >= 0)
    return {
        "plan": plan.name,
        "truth": truth,
        "spread_reference": spreads[0],
        "spread_other": spreads[1],
        "between": between,
        "rig": rig,
        "held_reference": held[0],
        "held_other": held[1],
        "coverage": float(covered.mean()),
        "missed_low": float((ends[:, 0] > 0).mean()),
        "missed_high": float((ends[:, 1] < 0).mean()),
        "coverage_law": float(((law[:, 0] <= 0) & (law[:, 1] >= 0)).mean()),
        "rejected_within": float((within <= 0.05 + 1e-12).mean()),
        "width_log": float(np.median(ends[:, 1] - ends[:, 0])),
        "mc_error": float(np.sqrt(covered.mean() * (1 - covered.mean()) / covered.size)),
        "complete": float(1 - some.mean()),
        "no_answer": float(some.mean() - proper.mean()),
        "repetitions": int(covered.size),
    }


def main(n_jobs: int = 1) -> None:
    """Run the grid."""
    grid = [(p, *c, h) for p in PLANS for c in CASES for h in HELD]
    tasks = [(*g, seed) for g, seed in zip(grid, seeds(2030, len(grid)), strict=True)]
    write(run(cell, tasks, n_jobs=n_jobs, label="designs"), "compare_designs.csv")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1)
