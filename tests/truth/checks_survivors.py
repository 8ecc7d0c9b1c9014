"""False alarms of the model and batch checks where specimens held or loads tie, p-values simulated anew each time.

Run: ``python tests/truth/checks_survivors.py`` (about 15 minutes on one core); writes ``checks_survivors.csv``. Nominal
5 %. ``stop``: "rig", whose strength follows the same law, gives way first in a share ``held`` of tests; "load", every
test is stopped at one load that this share would outlast. ``judged``: samples that carry the test, the others are
refused. ``rounded``: step of the loads, in spreads of the law. Standard error of a share: 0.35 percentage points at
4000 judged samples.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from functools import lru_cache, partial

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

REPETITIONS = 4000
SIZE = 400
LEVEL = 0.05


@lru_cache
def rig_above(law: Family, held: float) -> float:
    """How far, in spreads, the rig's law lies above the part's, for this share of specimens to hold."""
    trial = np.random.default_rng(1)
    a, b = (law.standard.rvs(size=50_000, random_state=trial) for _ in range(2))
    return float(np.quantile(a - b, 1 - held))


def sound(law: Family, n: int, held: float, rng: np.random.Generator, stop: str = "rig") -> Sample:
    """One sample of the law, stopped by a rig of the same law and spread, or at one load."""
    z = law.standard.rvs(size=n, random_state=rng)
    if stop == "rig":
        rig = rig_above(law, held) + law.standard.rvs(size=n, random_state=rng)
    else:
        rig = np.full(n, float(law.quantile(1 - held)))
    y = np.minimum(z, rig)
    return Sample(law.inverse(3.0 + 0.05 * y if law.on_log else 1000.0 + y), z <= rig)


Tests = dict[str, Callable[[Sample, np.random.Generator], float]]


def judge(
    design: str,
    law: Family,
    stop: str,
    held: float,
    draw: Callable[[np.random.Generator], Sample],
    tests: Tests,
    rng: np.random.Generator,
) -> list[dict[str, object]]:
    """Draw samples, put each to every test that it carries, and count p-values at or below the level."""
    seen: dict[str, list[float]] = {name: [] for name in tests}
    for _ in range(REPETITIONS):
        sample = draw(rng)
        for name, test in tests.items():
            with contextlib.suppress(NoAnswerError):
                seen[name].append(test(sample, rng))
    return [row(name, law, design, stop, held, p) for name, p in seen.items()]


def row(test: str, law: Family, design: str, stop: str, held: float, p: list[float]) -> dict[str, object]:
    """One row of the table."""
    alarms = 100 * float((np.array(p) <= LEVEL).mean())
    return {"test": test, "family": law.name, "design": design, "stop": stop, "held": held, "alarms": alarms,
            "judged": len(p)}  # fmt: skip


def tests_of(law: Family) -> Tests:
    """Anderson-Darling and gap, as claimed for any sample."""
    return {
        "Anderson-Darling": lambda s, rng: float(adequacy(s, families=[law], rng=rng, size=SIZE).p_value),
        "largest gap": lambda s, rng: modes(s, family=law, rng=rng, size=SIZE).p_value,
    }


def tests_with_survivors(law: Family, n: int) -> Tests:
    """Those, with the simulated tail, the trend over ``n`` settings and over 2."""
    ones, settings = np.ones((n, 1)), np.arange(n, dtype=float)

    def trend(x: Array) -> Callable[[Sample, np.random.Generator], float]:
        return lambda s, rng: nested_p(s.load, s.broke, ones, np.column_stack([ones, x]), law, SIZE, rng)

    return tests_of(law) | {
        "outlier, simulated tail": lambda s, rng: float(outliers(s, law, rng=rng, size=SIZE).p_value),
        "trend": trend(settings),
        "trend, 2 settings": trend((settings >= n // 2).astype(float)),
    }


def tied(law: Family, n: int, rounded: float) -> Callable[[np.random.Generator], Sample]:
    """Every specimen broke, loads rounded to ``rounded`` spreads."""
    step = 0.5 if rounded == 0.25 else 0.2
    spread = step / rounded

    def one(rng: np.random.Generator) -> Sample:
        z = law.standard.rvs(size=n, random_state=rng)
        load = law.inverse(np.log(50.0) + spread / 50 * z) if law.on_log else 50.0 + spread * z
        return Sample(np.round(load / step) * step)

    return one


def batches(law: Family, k: int, m: int, held: float, rng: np.random.Generator) -> list[dict[str, object]]:
    """Likelihood ratios of equal spread and equal place, k batches of m."""
    seen: dict[str, list[float]] = {}
    for _ in range(REPETITIONS):
        with contextlib.suppress(NoAnswerError):
            parts = [sound(law, m, held, rng) for _ in range(k)]
            table = pooling(parts, family=law, size=SIZE, power=False, rng=rng).table
            for test, p in zip(table["test"], table["p_value"], strict=True):
                seen.setdefault(str(test), []).append(float(p))
    ratios = {test: p for test, p in seen.items() if test.startswith("likelihood ratio")}  # where by chance all broke,
    return [row(test, law, f"{k} x {m}", "rig", held, p) for test, p in ratios.items()]  # others apply as well


def main() -> None:
    """Run every cell."""
    rng = np.random.default_rng(20_250_203)
    rows: list[dict[str, object]] = []
    weibull, normal = FAMILIES["weibull"], FAMILIES["normal"]
    for law, n, stop in (
        (weibull, 6, "rig"), (weibull, 10, "rig"), (normal, 6, "rig"), (normal, 10, "rig"), (weibull, 8, "load"),
        (normal, 8, "load"),
    ):  # fmt: skip
        draw = partial(sound, law, n, 0.3, stop=stop)
        rows += judge(str(n), law, stop, 0.3, draw, tests_with_survivors(law, n), rng)
        write(rows, "checks_survivors.csv")
    for law, n, rounded in (
        (weibull, 5, 0.25), (weibull, 10, 0.25), (normal, 5, 0.25), (normal, 10, 0.25), (normal, 10, 0.1),
    ):  # fmt: skip
        rows += judge(f"{n}, rounded {rounded:g}", law, "none", 0.0, tied(law, n, rounded), tests_of(law), rng)
    for law, k, m, held in ((weibull, 2, 6, 0.3), (weibull, 3, 10, 0.3), (normal, 2, 6, 0.3)):
        rows += batches(law, k, m, held, rng)
    write(rows, "checks_survivors.csv")


if __name__ == "__main__":
    main()
