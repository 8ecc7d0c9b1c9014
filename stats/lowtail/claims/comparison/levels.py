"""More than two levels (drop heights, orientations): one omnibus permutation test first, then contrasts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import factorial, prod
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lowtail._shared.checks import door
from lowtail._shared.choices import FamilyOrAuto
from lowtail._shared.numbers import p_text
from lowtail._shared.parallel import Seed, as_rng, as_seed
from lowtail._shared.record import Record
from lowtail._shared.sample import Sample, refuse_beyond_loads
from lowtail.claims.comparison.answer import Comparison
from lowtail.claims.comparison.arm_checks import check_arguments
from lowtail.claims.comparison.compare import compare
from lowtail.claims.comparison.typical import typical_law
from lowtail.errors import InputError
from lowtail.models.two_samples.t_tests import holm

__all__ = ["Levels", "compare_levels", "welch_f"]

Array = NDArray[np.float64]
DRAWS = 19_999


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Levels(Record):
    """Several levels compared with one reference.

    Attributes
    ----------
    reference : str
        Label of the reference level.
    levels : tuple of str
        Labels of all levels, the reference first.
    n : int
        Specimens in all.
    test, p_value, smallest_p : str, float, float
        Omnibus permutation test: are the levels all alike.
    confidence : float
        That all intervals in ``contrasts`` hold together.
    contrasts : DataFrame
        A row a level: level, n, ratio, ratio_low, ratio_high (simultaneous), p_value, p_holm, difference.
    comparisons : tuple of Comparison
        Each contrast by itself.
    """

    reference: str
    levels: tuple[str, ...]
    n: int
    test: str
    p_value: float
    smallest_p: float
    confidence: float
    contrasts: pd.DataFrame
    comparisons: tuple[Comparison, ...]

    def __str__(self) -> str:
        shown = self.contrasts[self.contrasts["difference"] != "no difference shown"]
        parts = [
            f"{row.level} is {row.difference} (ratio {row.ratio:.2f}, {row.ratio_low:.2f} to {row.ratio_high:.2f})"
            for row in shown.itertuples()
        ]
        what = "; ".join(parts) if parts else f"no level is shown to differ from {self.reference}"
        return (
            f"{len(self.levels)} levels, {self.n} specimens ({self.test}, {p_text(self.p_value)}): {what}; the "
            f"intervals hold together at {self.confidence * 100:g} %."
        )


def welch_f(y: Sequence[Array]) -> float:
    """Welch's F statistic of several arms with their own spreads (Welch 1951, Biometrika 38, 330-336; from memory)."""
    n = np.array([a.size for a in y], dtype=float)
    flat, member = np.concatenate(y), np.repeat(np.arange(len(y)), n.astype(int))
    return float(_welch_f_rows(flat[None, :], member, n)[0])


def _welch_f_rows(y: Array, member: NDArray[np.intp], n: Array) -> Array:
    k = n.size
    inside = (member[:, None] == np.arange(k)).astype(float)
    mean = y @ inside / n
    square = ((y[:, :, None] - mean[:, None, :]) ** 2 * inside[None]).sum(axis=1)
    variance = np.maximum(square / (n - 1), 1e-18 * np.maximum(y.var(axis=1, keepdims=True), 1e-300))
    weight = n / variance
    total = weight.sum(axis=1, keepdims=True)
    centre = (weight * mean).sum(axis=1, keepdims=True) / total
    between = (weight * (mean - centre) ** 2).sum(axis=1) / (k - 1)
    lack = ((1 - weight / total) ** 2 / (n - 1)).sum(axis=1)
    return np.asarray(between / (1 + 2 * (k - 2) / (k**2 - 1) * lack))


def _log_rank_rows(score: Array, member: NDArray[np.intp], n: Array) -> Array:
    inside = (member[:, None] == np.arange(n.size)).astype(float)
    return np.asarray(((score @ inside) ** 2 / n).sum(axis=1))


def _omnibus(samples: Sequence[Sample], rng: Any) -> tuple[str, float, float]:
    """Name, p and smallest p of the permutation test that all levels are alike."""
    n = np.array([s.n for s in samples], dtype=float)
    member = np.repeat(np.arange(len(samples)), n.astype(int))
    load = np.concatenate([s.load for s in samples])
    broke = np.concatenate([s.broke for s in samples])
    statistic: Any
    if broke.all():
        name, value, statistic = "permutation of Welch's F on log load", np.log(load), _welch_f_rows
    else:
        times = np.unique(load[broke])
        at_risk = (load[None, :] >= times[:, None]).sum(axis=1)
        breaks = ((load[None, :] == times[:, None]) & broke[None, :]).sum(axis=1)
        value = np.where(load[:, None] >= times[None, :], breaks / at_risk, 0.0).sum(axis=1) - broke
        name, statistic = "permutation log-rank", _log_rank_rows
    generator = as_rng(rng)
    observed = float(statistic(value[None, :], member, n)[0])
    count, done = 1, 0
    while done < DRAWS:
        size = min(2000, DRAWS - done)
        shuffled = value[np.argsort(generator.random((size, value.size)), axis=1)]
        count += int(np.count_nonzero(statistic(shuffled, member, n) >= observed * (1 - 1e-9)))
        done += size
    ways = factorial(value.size) // prod(factorial(int(size)) for size in n)
    return name, count / (DRAWS + 1), max(1 / (DRAWS + 1), 1 / ways)


@door
def compare_levels(
    samples: Sequence[Sample],
    reference: str | Sample | None = None,
    *,
    family: FamilyOrAuto = "auto",
    confidence: float = 0.95,
    rng: Seed = 0,
    **options: Any,
) -> Levels:
    """Compare several levels: an omnibus permutation test, then every level against the reference.

    The contrasts carry Holm's p values and intervals that hold together (Bonferroni over the contrasts, each by the
    interval `compare` would give: any scatter, any numbers). Assumes independent specimens.

    Parameters
    ----------
    samples : sequence of Sample
        At least 2 levels; log loads are compared.
    reference : str or Sample, optional
        Label of the reference level, or the sample itself. Default: the first.
    family, **options
        As in `compare`.
    confidence : float
        That all intervals hold together, between 0.5 and 1.
    rng : int
        Seed of the permutations.

    Raises
    ------
    InputError
        If fewer than 2 levels are given or the reference is not among them.
    NoAnswerError
        If a level cannot be compared; the message names it.

    See Also
    --------
    compare : two arms.
    trend.retention : strength along a column of numbers.

    Examples
    --------
    >>> low = Sample([24.1, 25.3, 24.6, 25.0], label="0.5 m")
    >>> high = Sample([22.0, 23.1, 21.4, 22.6], label="1.5 m")
    >>> highest = Sample([20.2, 21.3, 20.9, 20.1], label="2.5 m")
    >>> list(compare_levels([low, high, highest]).contrasts["difference"])
    ['weaker', 'weaker']
    """
    rng = as_seed(rng)
    check_arguments(None, confidence, 0.1, (0.0, 0.0))
    for sample in samples:
        refuse_beyond_loads(sample.who, sample.n_between, sample.common_uncertainty, "a comparison of several levels")
    base = _base(samples, reference)
    others = [s for s in samples if s is not base]
    results = [compare(base, s, family=family, confidence=confidence, rng=rng, **options) for s in others]
    name, p, smallest = _omnibus([base, *others], rng)
    level = 1 - (1 - confidence) / len(others)
    return Levels(
        reference=base.label or "reference",
        levels=tuple(s.label for s in (base, *others)),
        n=sum(s.n for s in (base, *others)),
        test=name,
        p_value=p,
        smallest_p=smallest,
        confidence=confidence,
        contrasts=_contrasts(base, others, results, family, level, rng),
        comparisons=tuple(results),
    )


def _base(samples: Sequence[Sample], reference: str | Sample | None) -> Sample:
    if len(samples) < 2:
        raise InputError(f"`samples` must hold at least 2 levels, got {len(samples)}.")
    if reference is None:
        return samples[0]
    found = [s for s in samples if s is reference or s.label == reference]
    if len(found) != 1:
        wanted = reference.label if isinstance(reference, Sample) else reference
        raise InputError(
            f"`reference` {wanted!r} must be one of the samples or its label: "
            f"{', '.join(repr(s.label) for s in samples)}."
        )
    return found[0]


def _contrasts(
    base: Sample, others: Sequence[Sample], results: Sequence[Comparison], family: str, level: float, rng: int
) -> pd.DataFrame:
    import pandas as pd

    adjusted = holm([r.p_value for r in results])
    rows = []
    for sample, result, p in zip(others, results, adjusted, strict=True):
        low, high = typical_law(base, sample, family, rng)[0].interval(level)
        rows.append(
            {
                "level": sample.label or result.other,
                "n": sample.n,
                "n_broken": sample.n_broken,
                "ratio": result.ratio,
                "ratio_low": low,
                "ratio_high": high,
                "p_value": result.p_value,
                "p_holm": p,
                "difference": "weaker" if high < 1 else "stronger" if low > 1 else "no difference shown",
            }
        )
    return pd.DataFrame(rows)
