"""Do plans made from 5 specimens succeed as often as they say? Run: ``python tests/truth/plan_calibration.py``.

For each invented series of 5 a claim is chosen whose present confidence is 0.90 or 0.93; `more_samples` says how many
more give a chance of 0.80. Then fresh populations are drawn from the confidence distribution with another seed, that
many specimens are tested in each, and the pooled bound is taken from the exact engine (not the quick one the planner
uses). Beside it stands the plug-in plan, which takes the fitted distribution as known, with its real rate over the same
populations. Writes plan_calibration.csv.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

import lowtail as lt
from lowtail.claims.planning.core.experiments import PooledSeries
from lowtail.claims.planning.core.judge import StrengthAim
from lowtail.claims.planning.core.populations import Populations
from lowtail.claims.planning.core.simulate import standard_series
from lowtail.claims.planning.core.trials import Trials
from lowtail.models.distributions.families import get_family

SERIES, POPULATIONS, ASSURANCE = 10, 3000, 0.8


def plug_in(sample: lt.Sample, claim: float, family: str, basis: lt.Basis) -> int:
    """Further specimens by the plan that takes the fitted distribution as known."""
    law = get_family(family)
    fit = lt.fit(sample, law)
    spread = fit.spread if family == "weibull" else fit.spread * np.sqrt(sample.n / (sample.n - 1))
    size = 4000
    known = Populations(law, np.full(size, fit.location), np.full(size, spread), np.zeros(size), np.zeros(size))
    seeds = np.random.SeedSequence(5).spawn(4)
    trials = Trials(PooledSeries(known, sample, StrengthAim(claim, basis, law), 0.0, seeds), ASSURANCE)
    for more in range(1, 61):
        if trials.full(more)[0] >= ASSURANCE:
            return more
    return 60


def real_rate(sample: lt.Sample, claim: float, family: str, basis: lt.Basis, more: int, seed: int) -> float:
    """Share of fresh populations in which the pooled series backs the claim, by the exact engine."""
    law = get_family(family)
    location, spread = lt.confidence_distribution(sample, law).draws(POPULATIONS, np.random.default_rng(seed))
    z, _ = standard_series(law, more, POPULATIONS, 0.0, np.random.SeedSequence(seed + 1))
    y = np.column_stack(
        [np.tile(law.transform(sample.load), (POPULATIONS, 1)), location[:, None] + spread[:, None] * z]
    )
    base = 0.0 if law.on_log else 10.0 - min(float(y.min()), 0.0)
    got = lt.many.confidence_that(law.inverse(y + base), None, law, claim + base, basis.fraction_below)
    return float(np.mean(got >= basis.confidence))


def main() -> None:
    rng = np.random.default_rng(2026)
    basis = lt.BASES["B-basis"]
    rows = []
    for family in ("weibull", "normal"):
        law = get_family(family)
        for present in (0.90, 0.93):
            for i in range(SERIES):
                cv = rng.uniform(0.03, 0.1)
                y = law.standard.rvs(size=5, random_state=rng)
                sample = lt.Sample(25 * np.exp(0.8 * cv * y) if law.on_log else 25 * (1 + cv * y))
                claim = lt.confidence_distribution(sample, law).low(basis.fraction_below, present)
                plan = lt.plan.more_samples(sample, claim, basis, family=family, assurance=ASSURANCE, rng=i)
                if plan.n is None:
                    continue
                naive = plug_in(sample, claim, family, basis)
                rows.append({
                    "family": family, "present_confidence": present, "series": i, "n_more": plan.n,
                    "predicted": plan.chance, "succeeded": real_rate(sample, claim, family, basis, plan.n, 1000 + i),
                    "plug_in_more": naive, "plug_in_promised": ASSURANCE,
                    "plug_in_succeeded": real_rate(sample, claim, family, basis, naive, 2000 + i),
                })  # fmt: skip
    table = pd.DataFrame(rows)
    table.round(4).to_csv(Path(__file__).with_suffix(".csv"), index=False)
    print(table.groupby(["family", "present_confidence"]).mean(numeric_only=True).round(3).to_string())


if __name__ == "__main__":
    main()
