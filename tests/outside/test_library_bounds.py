"""Fits and bounds of general-purpose libraries on open strength data.

R 4.2.2 with survival 3.5.3 (survreg; profile likelihood by its maximum and base-R densities), repeated by scipy 1.17.1,
reliability 0.9.0 and lifelines 0.30.3 where they can. The one-sided 95 % profile bound drops the log-likelihood by half
the 90 % point of chi-square(1); the large-sample bound is on the log scale for the Weibull and lognormal.
"""

import csv
from collections import defaultdict
from pathlib import Path

import numpy as np
import pytest

from lowtail import Sample, confidence_distribution, fit
from lowtail.models.bounds.likelihood_bounds import large_sample_bound, likelihood_ratio_bound

HERE = Path(__file__).parent
# 20 chain links, kgf: Castillo (1988) Extreme Value Theory in Engineering, p. 336 (NIST data library, CASTILL6.DAT)
CHAIN_LINKS = [
    51.1,
    57.1,
    65.1,
    69.2,
    71.2,
    73.1,
    76.1,
    81.9,
    84.1,
    86.6,
    88.1,
    92.6,
    94.9,
    96.6,
    97,
    101.4,
    103.4,
    103.8,
    105.2,
    119.1,
]
ANSWERS = [
    ("lognormal", "loglik", 0, 0, -86.20180526),
    ("lognormal", "estimate", 0.01, 0.95, 51.02110534),
    ("lognormal", "estimate", 0.05, 0.95, 59.04838113),
    ("lognormal", "estimate", 0.1, 0.95, 63.83182936),
    ("lognormal", "likelihood ratio", 0.01, 0.95, 42.25811922),
    ("lognormal", "likelihood ratio", 0.05, 0.95, 50.93252173),
    ("lognormal", "likelihood ratio", 0.1, 0.95, 56.15566203),
    ("lognormal", "large sample", 0.01, 0.95, 43.83482454),
    ("lognormal", "large sample", 0.05, 0.95, 52.32094686),
    ("lognormal", "large sample", 0.1, 0.95, 57.38771314),
    ("lognormal", "exact", 0.05, 0.75, 54.9287992),
    ("lognormal", "exact", 0.05, 0.95, 49.59844128),
    ("lognormal", "exact", 0.01, 0.95, 40.69743859),
    ("lognormal", "exact", 0.1, 0.95, 55.00099959),
    ("normal", "loglik", 0, 0, -85.34596658),
    ("normal", "estimate", 0.01, 0.95, 45.72851615),
    ("normal", "estimate", 0.05, 0.95, 57.49073175),
    ("normal", "estimate", 0.1, 0.95, 63.76112536),
    ("normal", "likelihood ratio", 0.01, 0.95, 30.55920454),
    ("normal", "likelihood ratio", 0.05, 0.95, 45.58863249),
    ("normal", "likelihood ratio", 0.1, 0.95, 53.44733836),
    ("normal", "large sample", 0.01, 0.95, 33.50802065),
    ("normal", "large sample", 0.05, 0.95, 47.75364371),
    ("normal", "large sample", 0.1, 0.95, 55.19436741),
    ("normal", "exact", 0.05, 0.75, 51.66915513),
    ("normal", "exact", 0.05, 0.95, 43.45202953),
    ("normal", "exact", 0.01, 0.95, 27.52994869),
    ("normal", "exact", 0.1, 0.95, 51.77489538),
    ("weibull", "loglik", 0, 0, -85.09936341),
    ("weibull", "estimate", 0.01, 0.95, 41.87840889),
    ("weibull", "estimate", 0.05, 0.95, 55.52941961),
    ("weibull", "estimate", 0.1, 0.95, 62.89798253),
    ("weibull", "likelihood ratio", 0.01, 0.95, 30.35176016),
    ("weibull", "likelihood ratio", 0.05, 0.95, 44.43719965),
    ("weibull", "likelihood ratio", 0.1, 0.95, 52.51147407),
    ("weibull", "large sample", 0.01, 0.95, 32.30068951),
    ("weibull", "large sample", 0.05, 0.95, 46.30893324),
    ("weibull", "large sample", 0.1, 0.95, 54.22749104),
]


def ours(load: np.ndarray, broke: np.ndarray | None, family: str, kind: str, p: float, confidence: float) -> float:
    if kind == "loglik":
        return fit(Sample(load, broke), family).loglik
    if kind == "estimate":
        return float(fit(Sample(load, broke), family).strength_below(p))
    if kind == "exact":
        return confidence_distribution(Sample(load, broke), family).low(p, confidence)
    bound = likelihood_ratio_bound if kind == "likelihood ratio" else large_sample_bound
    return bound(load, broke, family, p, confidence)


@pytest.mark.parametrize(("family", "kind", "p", "confidence", "value"), ANSWERS)
def test_chain_links(family: str, kind: str, p: float, confidence: float, value: float) -> None:
    assert ours(np.array(CHAIN_LINKS), None, family, kind, p, confidence) == pytest.approx(value, rel=1e-6)


def open_sets() -> dict[tuple[str, str], tuple[np.ndarray, np.ndarray]]:
    """Loads and breaks of every group: published sets of the NIST data library, and rock broken slowly and by shock."""
    with (HERE / "open_sets.csv").open() as file:
        rows = list(csv.DictReader(file))
    groups: dict[tuple[str, str], list[tuple[float, bool]]] = defaultdict(list)
    for row in rows:
        groups[row["dataset"], row["group"]].append((float(row["value"]), row["broke"] == "1"))
    return {k: (np.array([x for x, _ in v]), np.array([b for _, b in v])) for k, v in groups.items()}


@pytest.mark.slow
def test_every_open_set_with_single_groups() -> None:
    groups = open_sets()
    with (HERE / "open_answers.csv").open() as file:
        wanted = list(csv.DictReader(file))
    worst: dict[str, float] = defaultdict(float)
    for row in wanted:
        group = groups[row["dataset"], row["group"]]
        value = float(row["value"])
        low = ours(*group, row["family"], row["kind"], float(row["fraction_below"]), float(row["confidence"]))
        gap = abs(max(low, 0.0) - max(value, 0.0)) / max(abs(value), 1e-3 * float(group[0].mean()))
        worst[row["kind"]] = max(worst[row["kind"]], gap)
    assert len(wanted) > 900
    assert max(worst.values()) < 2e-6, dict(worst)
