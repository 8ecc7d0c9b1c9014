"""What the joint answer over configurations covers, and how often its counts say too much.

Run: ``python tests/truth/joint.py`` (some minutes on one core); writes ``joint.csv``. Groups of a reference and another
arm; the share of groups that are truly weaker is 0, 4 of 7 or all, by a loss of 10 %, or true ratios scatter by 5 %.
Every specimen broke: 4,000 repetitions, by `lowtail.models.two_samples.joint`. Some held (a rig whose strength is such
that a fifth hold): 500 repetitions, arms from the bounds of the batch engine as the claim takes them from one sample.
In a few rows of each cell the public answer is asked too, and must agree.

Columns: ``mean_covered`` (95 % interval of the mean), ``too_many`` (count of weaker groups above the truth),
``counted`` (its mean), ``named_falsely`` (a group named that is not weaker), ``next_covered`` (80 % interval of one
more group, only where true ratios scatter), ``differ`` (Welch's F at 5 %: its error rate where all are equal), each
with the number of repetitions behind it in ``repetitions``.
"""

from __future__ import annotations

import sys

import numpy as np
import pandas as pd
from compare_margins import TRUTHS, log_loads
from compare_truths import Array, write
from scipy import special

from lowtail import Sample, compare
from lowtail._shared.parallel import run, seeds
from lowtail.claims.comparison.joint import joint_of
from lowtail.many import lower_bound as low_many
from lowtail.models.two_samples.joint import (
    Differences,
    at_least,
    heterogeneity,
    largest_p,
    mean_of,
    predict,
    set_p,
    subsets,
)

REPETITIONS, HELD_REPETITIONS, CHECKED, LOSS, SCATTER = 4_000, 500, 2, 0.10, 0.05
SIZES = ((3, 3), (6, 6), (8, 6), (8, 3))
PLAIN = [(t, g, *n, w) for t in TRUTHS for g in (2, 4, 7, 10) for n in SIZES for w in ("none", "all")]
PLAIN += [(t, 7, *n, "4 of 7") for t in TRUTHS for n in SIZES]
PLAIN += [(t, g, *n, "scattered") for t in ("lognormal 1:1", "Weibull 15, 15") for g in (4, 7, 10) for n in SIZES]
HELD = [(t, 7, 6, 6, w) for t in ("lognormal 1:1", "Weibull 15, 15") for w in ("none", "all")]


def true_shifts(groups: int, weaker: str, rows: int, rng: np.random.Generator) -> Array:
    """True difference of every group of every repetition, log scale."""
    if weaker == "scattered":
        return np.log(1 - LOSS) + rng.normal(0.0, SCATTER, (rows, groups + 1))
    number = {"none": 0, "all": groups, "4 of 7": 4}[weaker]
    return np.tile(np.where(np.arange(groups + 1) < number, np.log(1 - LOSS), 0.0), (rows, 1))


def moments(y: Array) -> tuple[Array, Array, Array]:
    """Mean, variance of the mean and freedom of complete arms (..., n)."""
    n = y.shape[-1]
    return y.mean(-1), y.var(-1, ddof=1) / n, np.full(y.shape[:-1], n - 1.0)


def by_bounds(y: Array, broke: Array, family: str) -> tuple[Array, Array, Array]:
    """Middle, variance and freedom from the batch engine, arms (..., n)."""
    flat, fell = np.exp(y.reshape(-1, y.shape[-1])), broke.reshape(-1, y.shape[-1])
    one = float(special.ndtr(1.0))
    middle, low, high = (np.log(low_many(flat, fell, family, 0.5, c)) for c in (0.5, one, 1 - one))
    freedom = fell.sum(-1) - 1.0
    v = ((high - low) / (2 * special.stdtrit(freedom, one))) ** 2
    return tuple(a.reshape(y.shape[:-1]) for a in (middle, v, freedom))  # type: ignore[return-value]


def judged(readings: list[Differences], true: Array, weaker: str) -> dict[str, float]:
    """Shares over the repetitions."""
    groups = readings[0].d.shape[-1]
    sets, everyone = subsets(groups), np.ones(groups)
    p = np.maximum.reduce([set_p(x, sets) for x in readings])
    ends = []
    for x in readings:
        middle, error, freedom = mean_of(x, everyone)
        half = special.stdtrit(freedom, 0.975) * error
        ends.append((middle - half, middle + half))
    low, high = np.minimum.reduce([e[0] for e in ends]), np.maximum.reduce([e[1] for e in ends])
    mean = true[:, :groups].mean(axis=1)
    count, named = at_least(p, sets, everyone), largest_p(p, sets) <= 0.05
    really = true[:, :groups] < 0
    found = {
        "mean_covered": float(np.mean((low <= mean) & (mean <= high))),
        "too_many": float(np.mean(count > really.sum(axis=1))),
        "counted": float(count.mean()),
        "named_falsely": float(np.mean((named & ~really).any(axis=1))),
        "next_covered": np.nan,
        "differ": np.nan,
    }
    if weaker == "scattered":
        under, over = predict(readings[0].d, 0.80)
        found["next_covered"] = float(np.mean((under <= true[:, -1]) & (true[:, -1] <= over)))
    elif weaker != "4 of 7":
        found["differ"] = float(np.mean(np.maximum.reduce([heterogeneity(x)[1] for x in readings]) < 0.05))
    return found


def check(x: Array, y: Array, broke: tuple[Array, Array], readings: list[Differences]) -> None:
    """The public answer of a few repetitions is that of the arrays."""
    for i in range(CHECKED):
        answers = [
            compare(Sample(np.exp(a), f), Sample(np.exp(b), h))
            for a, b, f, h in zip(x[i], y[i], broke[0][i], broke[1][i], strict=True)
        ]
        joint = joint_of(answers, pd.DataFrame({"group": [f"{g}" for g in range(len(answers))]}))
        middle = mean_of(readings[0], np.ones(len(answers)))[0]
        sets = subsets(len(answers))
        p = np.maximum.reduce([set_p(r, sets) for r in readings])
        assert abs(np.log(joint.ratio) - middle[i]) < 1e-6
        assert joint.weaker == at_least(p, sets, np.ones(len(answers)))[i]


def cell(name: str, groups: int, n: int, m: int, weaker: str, held: float, seed: object) -> dict[str, object]:
    """One line of the table."""
    rng = np.random.default_rng(seed)  # type: ignore[arg-type]
    kind, first, second = TRUTHS[name]
    rows, centre = (HELD_REPETITIONS, "median") if held else (REPETITIONS, "mean")
    true = true_shifts(groups, weaker, rows, rng)
    x = log_loads(kind, first, (rows, groups, n), rng, centre)
    y = log_loads(kind, second, (rows, groups, m), rng, centre) + true[:, :groups, None]
    broke = np.ones(x.shape, dtype=bool), np.ones(y.shape, dtype=bool)
    if held:
        arms = []
        for z, scatter in ((x, first), (y, second)):
            a, b = (log_loads(kind, scatter, (200_000,), rng, centre) for _ in range(2))
            shift = true[:, :groups, None] if z is y else 0.0
            limit = log_loads(kind, scatter, z.shape, rng, centre) + np.quantile(a - b, 1 - held) + shift
            arms.append((np.minimum(z, limit), z <= limit))
        (x, fell), (y, dropped) = arms
        good = np.logical_and(*(np.all(b.sum(-1) >= 2, axis=-1) for b in (fell, dropped)))
        x, y, true, broke = x[good], y[good], true[good], (fell[good], dropped[good])
        complete = (broke[0].all(-1) & broke[1].all(-1))[..., None]
        readings = []
        for family in ("weibull", "lognormal"):
            sides = []
            for z, b in ((x, broke[0]), (y, broke[1])):
                plain, fitted = moments(z), by_bounds(z, b, family)
                sides.append([np.where(complete[..., 0], p, q) for p, q in zip(plain, fitted, strict=True)])
            readings.append(Differences(sides[1][0] - sides[0][0], sides[0][1], sides[0][2], sides[1][1], sides[1][2]))
    else:
        one, two = moments(x), moments(y)
        readings = [Differences(two[0] - one[0], one[1], one[2], two[1], two[2])]
    check(x, y, broke, readings)
    return {
        "truth": name,
        "groups": groups,
        "n_reference": n,
        "n_other": m,
        "weaker": weaker,
        "held": held,
        **judged(readings, true, weaker),
        "repetitions": len(x),
    }


def main(n_jobs: int = 1) -> None:
    """Run the grid."""
    tasks = [(*c, 0.0) for c in PLAIN] + [(*c, 0.2) for c in HELD]
    lines = run(
        cell, [(*t, s) for t, s in zip(tasks, seeds(2032, len(tasks)), strict=True)], n_jobs=n_jobs, label="joint"
    )
    write(lines, "joint.csv")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1)
