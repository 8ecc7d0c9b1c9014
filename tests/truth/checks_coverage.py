"""Coverage of the low bounds of an assembly (weak link) and of a trend (retention).

Run: ``python tests/truth/checks_coverage.py`` (about 9 minutes on one core); writes ``checks_coverage.csv``. Nominal
95 %; a cell's share is that of the repetitions in which the bound lies at or below the true low strength; ``refused``
counts those for which there is no bound (a component that broke fewer than twice, a trend without enough breaks).
Standard error of a share: 0.6 percentage points at 1,200 repetitions.

- weak link: two components tested together until the weaker one breaks; ``design`` gives n and the strong component's
  median over the weak one's, in spreads
- retention: ages 0 to 9 years, low strength at 9 years; ``held``: share of specimens that the rig stopped
- retention, batches: 4 batches, their spread as large as the spread within (``low_random_batches``)
"""

from __future__ import annotations

import numpy as np
from compare_truths import write

from lowtail.errors import NoAnswerError
from lowtail.models.families import FAMILIES, Family
from lowtail.models.mixed import low_random_batches
from lowtail.models.regression_law import regression_law
from lowtail.models.weak_link import by_cause, component_draws, weakest_below

REPETITIONS = 1_200
DRAWS = 2_000
SPREAD = {"weibull": 1 / 15, "normal": 1.5, "lognormal": 0.06}
MIDDLE = {"weibull": np.log(25.0), "normal": 25.0, "lognormal": np.log(25.0)}
PERCENTILES = (0.01, 0.10)


def weak_link_cell(law: Family, n: int, gap: float, rng: np.random.Generator) -> list[dict[str, object]]:
    """Bound of the minimum of two components from n tests of the pair."""
    spread = np.full(2, SPREAD[law.name])
    location = MIDDLE[law.name] + np.array([0.0, gap]) * spread
    one = np.ones(2)
    truth = {p: float(weakest_below(p, location, spread, one, law)) for p in PERCENTILES}
    hits = {p: 0 for p in PERCENTILES}
    given = 0
    for _ in range(REPETITIONS):
        y = location + spread * law.standard.rvs(size=(n, 2), random_state=rng)
        load, first = law.inverse(y.min(axis=1)), y.argmin(axis=1)
        try:
            parts = by_cause(load, ["ab"[i] for i in first])
            draws = [component_draws(s, law, None, DRAWS, rng) for s in parts.values()]
        except NoAnswerError:
            continue
        if len(draws) < 2:
            continue
        given += 1
        where, wide = (np.stack(v, axis=1) for v in zip(*draws, strict=True))
        for p in PERCENTILES:
            hits[p] += float(np.quantile(weakest_below(p, where, wide, one, law), 0.05)) <= truth[p]
    return [
        {"bound": "weak link", "family": law.name, "design": f"n = {n}, gap {gap:g}", "held": 0.0, "fraction_below": p,
         "covered": 100 * hits[p] / given, "given": given, "refused": REPETITIONS - given}
        for p in PERCENTILES
    ]  # fmt: skip


def retention_cell(law: Family, n: int, held: float, rng: np.random.Generator) -> list[dict[str, object]]:
    """Bound at the oldest age from n specimens spread over 0 to 9 years."""
    age = np.linspace(0, 9, n)
    design = np.column_stack([np.ones(n), age])
    s = SPREAD[law.name]
    line, x = MIDDLE[law.name] - 0.2 * s * age, np.array([1.0, 9.0])
    shift = 0.0
    if held:
        trial = np.random.default_rng(1)
        a, b = (law.standard.rvs(size=100_000, random_state=trial) for _ in range(2))
        shift = float(np.quantile(a - b, 1 - held))
    hits = {p: 0 for p in PERCENTILES}
    given = 0
    for _ in range(REPETITIONS):
        y = line + s * law.standard.rvs(size=n, random_state=rng)
        rig = line.mean() + s * (shift + law.standard.rvs(size=n, random_state=rng)) if held else np.full(n, np.inf)
        try:
            answer = regression_law(law.inverse(np.minimum(y, rig)), y <= rig, design, law)
        except NoAnswerError:
            continue
        given += 1
        for p in PERCENTILES:
            truth = float(law.inverse(line[-1] + float(law.quantile(p)) * s))
            hits[p] += answer.low(x, p, 0.95) <= truth
    return [
        {"bound": "retention", "family": law.name, "design": f"n = {n}", "held": held, "fraction_below": p,
         "covered": 100 * hits[p] / given, "given": given, "refused": REPETITIONS - given}
        for p in PERCENTILES
    ]  # fmt: skip


def batches_cell(m: int, share: float, rng: np.random.Generator, repetitions: int = 400) -> dict[str, object]:
    """Bound in a batch yet to come, 4 batches of m, ages spread within each."""
    label = np.repeat(np.arange(4), m)
    age = np.tile(np.linspace(0, 9, m), 4)
    design, x = np.column_stack([np.ones(4 * m), age]), np.array([1.0, 9.0])
    w = float(FAMILIES["normal"].quantile(0.10))
    hits = 0
    for _ in range(repetitions):
        y = np.sqrt(1 - share) * rng.standard_normal(4 * m) + np.sqrt(share) * rng.standard_normal(4)[label]
        hits += low_random_batches(y, design, label, x, w, 0.95) <= w
    return {
        "bound": "retention, batches",
        "family": "lognormal",
        "design": f"4 x {m}, share {share:g}",
        "held": 0.0,
        "fraction_below": 0.10,
        "covered": 100 * hits / repetitions,
        "given": repetitions,
        "refused": 0,
    }


def main() -> None:
    """Run every cell."""
    rng = np.random.default_rng(20_250_202)
    rows: list[dict[str, object]] = []
    weibull, normal = FAMILIES["weibull"], FAMILIES["normal"]
    for law, n, gap in (
        (weibull, 8, 0.0),
        (weibull, 12, 0.0),
        (weibull, 12, 1.0),
        (weibull, 20, 1.0),
        (normal, 12, 0.0),
    ):
        rows += weak_link_cell(law, n, gap, rng)
    for law, n, held in (
        (weibull, 6, 0.0),
        (weibull, 10, 0.0),
        (weibull, 8, 0.3),
        (weibull, 12, 0.3),
        (normal, 8, 0.3),
    ):
        rows += retention_cell(law, n, held, rng)
    for share in (0.0, 0.5, 0.9):
        rows.append(batches_cell(4, share, rng))
    write(rows, "checks_coverage.csv")


if __name__ == "__main__":
    main()
