"""False alarms of the model and batch checks where specimens held or loads tie, p-values simulated anew each time.

Run: ``python tests/truth/checks_survivors.py`` (about 11 minutes on one core); writes ``checks_survivors.csv``. Nominal
5 %; a specimen holds where the rig, whose strength follows the same law, gives way first (share ``held``). ``refused``:
samples without a fit or with too few breaks. ``rounded``: step of the loads, in spreads of the law. Standard error of a
share: 0.8 percentage points at 800 repetitions.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from compare_truths import Array, write

from lowtail.claims.checks.adequacy import adequacy
from lowtail.claims.checks.outliers import outliers
from lowtail.claims.checks.pooling import pooling
from lowtail.claims.parts.modes import modes
from lowtail.errors import NoAnswerError
from lowtail.models.families import FAMILIES, Family
from lowtail.models.trend import nested_p
from lowtail.records.sample import Sample

REPETITIONS = 800
SIZE = 400
LEVEL = 0.05


def sound(law: Family, n: int, held: float, rng: np.random.Generator) -> Sample:
    """One sample of the law, stopped by a rig of the same law and spread."""
    trial = np.random.default_rng(1)
    a, b = (law.standard.rvs(size=50_000, random_state=trial) for _ in range(2))
    shift = float(np.quantile(a - b, 1 - held))
    z, rig = law.standard.rvs(size=n, random_state=rng), shift + law.standard.rvs(size=n, random_state=rng)
    y = np.minimum(z, rig)
    return Sample(law.inverse(3.0 + 0.05 * y if law.on_log else 1000.0 + y), z <= rig)


def judge(
    name: str,
    law: Family,
    n: int,
    held: float,
    p_values: Callable[[np.random.Generator], dict[str, float]],
    rng: np.random.Generator,
) -> list[dict[str, object]]:
    """Repeat one check and count p-values at or below the level."""
    seen: dict[str, list[float]] = {}
    refused = 0
    for _ in range(REPETITIONS):
        try:
            for test, p in p_values(rng).items():
                seen.setdefault(test, []).append(p)
        except NoAnswerError:
            refused += 1
    return [
        {"test": test, "family": law.name, "design": name, "held": held,
         "alarms": 100 * float((np.array(p) <= LEVEL).mean()), "refused": refused}
        for test, p in seen.items()
        if len(p) >= REPETITIONS / 2  # tests that apply only where by chance none held are left out
    ]  # fmt: skip


def checks(law: Family, n: int, held: float) -> Callable[[np.random.Generator], dict[str, float]]:
    """Anderson-Darling, gap, simulated tail and trend on the same sample."""

    def one(rng: np.random.Generator) -> dict[str, float]:
        sample = sound(law, n, held, rng)
        slope = np.column_stack([np.ones(n), np.arange(n)])
        shape = {"rng": rng, "size": SIZE}
        return {
            "Anderson-Darling": float(adequacy(sample, families=[law], **shape).p_value),
            "outlier, simulated tail": float(outliers(sample, law, **shape).p_value),
            "largest gap": modes(sample, family=law, **shape).p_value,
            "trend": nested_p(sample.load, sample.broke, slope[:, :1], slope, law, SIZE, rng),
        }

    return one


def ties(law: Family, n: int, rounded: float) -> Callable[[np.random.Generator], dict[str, float]]:
    """Anderson-Darling and gap where every specimen broke and loads are rounded to ``rounded`` spreads."""

    def one(rng: np.random.Generator) -> dict[str, float]:
        step = 0.5 if rounded == 0.25 else 0.2
        spread = step / rounded
        z = law.standard.rvs(size=n, random_state=rng)
        load = law.inverse(np.log(50.0) + spread / 50 * z) if law.on_log else 50.0 + spread * z
        sample = Sample(np.round(load / step) * step)
        return {
            "Anderson-Darling": float(adequacy(sample, families=[law], size=SIZE, rng=rng).p_value),
            "largest gap": modes(sample, family=law, size=SIZE, rng=rng).p_value,
        }

    return one


def batches(law: Family, k: int, m: int, held: float) -> Callable[[np.random.Generator], dict[str, float]]:
    """Likelihood ratios of equal spread and equal place."""

    def one(rng: np.random.Generator) -> dict[str, float]:
        parts = [sound(law, m, held, rng) for _ in range(k)]
        table = pooling(parts, family=law, size=SIZE, power=False, rng=rng).table
        p: Array = table["p_value"].to_numpy(dtype=float)
        return dict(zip(table["test"], p.tolist(), strict=True))

    return one


def main() -> None:
    """Run every cell."""
    rng = np.random.default_rng(20_250_203)
    rows: list[dict[str, object]] = []
    weibull, normal = FAMILIES["weibull"], FAMILIES["normal"]
    for law, n, held in ((weibull, 6, 0.3), (weibull, 10, 0.3), (normal, 10, 0.3)):
        rows += judge(str(n), law, n, held, checks(law, n, held), rng)
    for law, n, rounded in ((weibull, 5, 0.25), (weibull, 10, 0.25), (normal, 10, 0.25), (normal, 10, 0.1)):
        rows += judge(f"{n}, rounded {rounded:g}", law, n, 0.0, ties(law, n, rounded), rng)
    for law, k, m, held in ((weibull, 2, 6, 0.3), (weibull, 3, 10, 0.3), (normal, 2, 6, 0.3)):
        rows += judge(f"{k} x {m}", law, k * m, held, batches(law, k, m, held), rng)
    write(rows, "checks_survivors.csv")


if __name__ == "__main__":
    main()
