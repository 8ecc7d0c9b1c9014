"""Coverage of the lower bound of an assembly (weak link).

Run: ``python tests/truth/parts_coverage.py`` (about 4 minutes on one core); writes ``parts_coverage.csv``. Nominal
95 %; a cell's share is that of the repetitions in which the bound lies at or below the true low strength; ``refused``
counts those for which there is no bound (a component that broke fewer than twice). Two components are tested together
until the weaker one breaks; ``design`` gives n and the strong component's median over the weak one's, in spreads.
Standard error of a share: 0.6 percentage points at 1,200 repetitions.
"""

from __future__ import annotations

import numpy as np
from compare_truths import write

from lowtail import FAMILIES, Family, NoAnswerError
from lowtail.models.bounds.weakest import by_cause, component_draws, weakest_below

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
        {"bound": "weak link", "family": law.name, "design": f"n = {n}, gap {gap:g}", "fraction_below": p,
         "covered": 100 * hits[p] / given, "given": given, "refused": REPETITIONS - given}
        for p in PERCENTILES
    ]  # fmt: skip


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
        (weibull, 20, 2.0),
    ):
        rows += weak_link_cell(law, n, gap, rng)
    write(rows, "parts_coverage.csv")


if __name__ == "__main__":
    main()
