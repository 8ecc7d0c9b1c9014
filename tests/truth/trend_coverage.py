"""Coverage of the lower bounds of a trend: plain, with further columns, and in a batch yet to come.

Run: ``python tests/truth/trend_coverage.py [part ...]`` (about 40 minutes on one core for all parts); writes
``trend_coverage.csv``. Nominal 95 %; a cell's share is that of the repetitions in which the bound lies at or below the
true low strength; ``refused`` counts those for which there is no bound (given and refused together are the repetitions:
1,200, 1,000 and 4,000; 400 for `mixed_law`, a standard error of 1.1 points at 95 %). Each cell has its own seed.

- retention: ages 0 to 9 years, low strength at 9 years (`regression_law`)
- retention, others: the same with one or two further columns, a number and two words
- retention, batches: batches drawn at random (`mixed_normal` where every specimen broke and the distribution is
lognormal, else
  `mixed_law`); ``share`` of the variance lies between batches; ages spread within each batch, or one age a batch
- ``held``: share of specimens held by a rig of the same distribution as the specimens
"""

from __future__ import annotations

import sys
import zlib

import numpy as np
import pandas as pd
from compare_truths import HERE, write
from numpy.typing import NDArray
from scipy import special

from lowtail import FAMILIES, Family, NoAnswerError
from lowtail.models.batches.weibull_batches import mixed_quantile
from lowtail.models.regression.line import regression_law
from lowtail.models.regression.mixed_distribution import mixed_law
from lowtail.models.regression.mixed_normal import mixed_normal

Array = NDArray[np.float64]

REPETITIONS = {"retention": 1_200, "retention, others": 1_000, "exact": 4_000, "laid": 400}
SPREAD = {"weibull": 1 / 15, "normal": 1.5, "lognormal": 0.06}
MIDDLE = {"weibull": np.log(25.0), "normal": 25.0, "lognormal": np.log(25.0)}
PERCENTILES = (0.01, 0.10)
POINTS = 2**10  # of `mixed_law`: a quarter of its default, for speed
FILE = "trend_coverage.csv"


def rig_shift(law: Family, rho: float, held: float) -> float:
    """Place of the rig above the line, in spreads, so that the share ``held`` of the specimens outlives it."""
    trial = np.random.default_rng(1)
    e = law.standard.rvs(size=(2, 200_000), random_state=trial)
    total = e + np.sqrt(rho) * trial.standard_normal(e.shape)
    return float(np.quantile(total[0] - total[1], 1 - held))


def seed(*words: object) -> np.random.Generator:
    """Generator of a cell, from its description."""
    return np.random.default_rng(zlib.crc32(repr(words).encode()))


def row(
    bound: str, law: Family, design: str, held: float, share: float, repetitions: int, given: int
) -> dict[str, object]:
    """What every row of the table begins with."""
    return {"bound": bound, "family": law.name, "design": design, "held": held, "share": share, "given": given,
            "refused": repetitions - given}  # fmt: skip


def line_cell(bound: str, law: Family, n: int, more: int, held: float) -> list[dict[str, object]]:
    """Bound at the oldest age from n specimens over 0 to 9 years, with ``more`` further columns in the regression."""
    rng = seed(bound, law.name, n, more, held)
    age = np.linspace(0, 9, n)
    size = np.tile([10.0, 11.0, 12.0], n)[:n]  # a diameter
    wet = (np.arange(n) // 2 % 2).astype(float)  # two words
    design = np.column_stack([np.ones(n), age, size, wet][: 2 + more])
    x = np.array([1.0, 9.0, 11.0, 1.0])[: 2 + more]
    s, slopes = SPREAD[law.name], np.array([0.0, -0.2, 0.5, -1.0])[: 2 + more]
    slopes[0] = MIDDLE[law.name] / s
    line, there = s * design @ slopes, s * float(x @ slopes)
    shift = rig_shift(law, 0.0, held) if held else np.inf
    hits, given = {p: 0 for p in PERCENTILES}, 0
    for _ in range(REPETITIONS[bound]):
        y = line + s * law.standard.rvs(size=n, random_state=rng)
        rig = line.mean() + s * (shift + law.standard.rvs(size=n, random_state=rng))
        try:
            answer = regression_law(law.inverse(np.minimum(y, rig)), y <= rig, design, law)
        except NoAnswerError:
            continue
        given += 1
        for p in PERCENTILES:
            truth = float(law.inverse(there + float(law.quantile(p)) * s))
            hits[p] += answer.low(x, p, 0.95) <= truth
    first = row(bound, law, f"n = {n}" + (f", {more} more" if more else ""), held, 0.0, REPETITIONS[bound], given)
    return [{**first, "fraction_below": p, "covered": 100 * hits[p] / given} for p in PERCENTILES]


def batches_cell(law: Family, a: int, m: int, within: bool, share: float, held: float) -> list[dict[str, object]]:
    """Bound at the oldest age in a batch yet to come, a batches of m."""
    rng = seed(law.name, a, m, within, share, held)
    label = np.repeat(np.arange(a), m)
    age = np.tile(np.linspace(0, 9, m), a) if within else np.linspace(0, 9, a)[label]
    design, x = np.column_stack([np.ones(a * m), age]), np.array([1.0, 9.0])
    rho, s = share / (1 - share) * float(law.standard.var()), SPREAD[law.name]
    line = MIDDLE[law.name] - 0.2 * s * age
    exact = law.name != "weibull" and not held
    repetitions = REPETITIONS["exact" if exact else "laid"]
    shift = rig_shift(law, rho, held) if held else np.inf
    weibull = law.name == "weibull"
    w = {p: float(mixed_quantile(p, np.array(np.sqrt(rho)))) if weibull else special.ndtri(p) * np.sqrt(1 + rho)
         for p in PERCENTILES}  # fmt: skip
    hits, given = {p: 0 for p in PERCENTILES}, 0
    for _ in range(repetitions):
        e = law.standard.rvs(size=(2, a * m), random_state=rng)
        y = line + s * (e[0] + np.sqrt(rho) * rng.standard_normal(a)[label])
        rig = line.mean() + s * (shift + e[1] + np.sqrt(rho) * rng.standard_normal(a * m))
        try:
            if exact:
                one = mixed_normal(y, design, label)
            else:
                many = mixed_law(law.inverse(np.minimum(y, rig)), y <= rig, design, label, law, count=POINTS)
        except NoAnswerError:
            continue
        given += 1
        for p in PERCENTILES:
            truth = float(line.min() + s * w[p])
            known = one.below(truth, x, float(special.ndtri(p))) if exact else many.below(truth, x, p)
            hits[p] += known >= 0.05
    first = row("retention, batches", law, f"{a} x {m}, ages {'within' if within else 'between'}", held, share,
                repetitions, given)  # fmt: skip
    return [{**first, "fraction_below": p, "covered": 100 * hits[p] / given} for p in PERCENTILES]


def cells(part: str) -> list[tuple[object, ...]]:
    """Arguments of the cells of a part."""
    weibull, normal, lognormal = FAMILIES["weibull"], FAMILIES["normal"], FAMILIES["lognormal"]
    if part == "plain":
        return [
            ("retention", law, n, 0, held)
            for law, n, held in (
                (weibull, 6, 0.0), (weibull, 10, 0.0), (weibull, 8, 0.3), (weibull, 12, 0.3), (normal, 8, 0.3)
            )
        ]  # fmt: skip
    if part == "others":
        return [
            ("retention, others", law, n, more, held)
            for law in (weibull, normal) for n in (8, 10, 14) for more in (1, 2) for held in (0.0, 0.3)
        ]  # fmt: skip
    sizes = [(a, m) for a in (3, 4, 6) for m in (4, 5)]
    ages = [(a, m, within) for a, m in sizes for within in (True, False) if within or a > 3]
    if part == "lognormal":
        return [(lognormal, *plan, share, 0.0) for plan in ages for share in (0.0, 0.5, 0.9)]
    if part == "weibull":
        return [(weibull, *plan, share, 0.0) for plan in ages for share in (0.0, 0.5, 0.9)]
    few = [plan for plan in ages if plan[:2] in ((3, 4), (4, 5), (6, 4))]
    return [(law, *plan, share, 0.3) for law in (weibull, lognormal) for plan in few for share in (0.0, 0.5, 0.9)]


def main() -> None:
    """Run the parts named, or all; rows of other parts stay."""
    rows: list[dict[str, object]] = []
    key = ["bound", "family", "design", "held", "share", "fraction_below"]
    for part in sys.argv[1:] or ("plain", "others", "lognormal", "weibull", "held"):
        for cell in cells(part):
            rows += line_cell(*cell) if part in ("plain", "others") else batches_cell(*cell)  # type: ignore[arg-type]
            old = pd.read_csv(HERE / FILE).to_dict("records") if (HERE / FILE).exists() else []
            fresh = {tuple(r[k] for k in key): r for r in [*old, *rows]}
            write(list(fresh.values()), FILE)


if __name__ == "__main__":
    main()
