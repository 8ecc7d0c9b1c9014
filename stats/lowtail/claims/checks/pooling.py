"""Are these batches alike enough to be treated as one, and how unlike could they be unnoticed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from lowtail._shared.checks import door
from lowtail._shared.numbers import p_text
from lowtail._shared.parallel import DRAWS, Seed, as_rng
from lowtail._shared.record import Record
from lowtail._shared.sample import Sample
from lowtail.claims.basis import check_fraction
from lowtail.errors import InputError, NoAnswerError
from lowtail.models.batches.k_sample import k_sample_ad, ksample_ad_p, levene_median, levene_statistic
from lowtail.models.batches.variance import between_batches
from lowtail.models.distributions.families import Family, get_family, name_of
from lowtail.models.regression.batch_tests import (
    Batches,
    location_ratio,
    simulate,
    simulated_p,
    smallest_seen,
    spread_ratio,
)
from lowtail.models.regression.fit import fit_regression_many

__all__ = ["Pooling", "pooling"]

Array = NDArray[np.float64]

PLACE_AND_SHAPE = "k-sample Anderson-Darling"
SCATTER = "Levene, median-centred"
SPREAD = "likelihood ratio, equal spread"
PLACE = "likelihood ratio, equal location"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pooling(Record):
    """Tests of batches against each other, and the smallest batch effect they would notice.

    Attributes
    ----------
    group : str
        Labels of the batches.
    family : str
    batches, n, n_broken : int
    verdict : str
        "differ" or "no difference seen".
    p_value : float
        Smallest p-value of the tests below after Holm's adjustment.
    false_alarm : float
    smallest_effect : float
        The smallest batch would have to be weaker than the others by this fraction to be noticed by the test of equal
        place 8 times in 10; NaN where it was not computed.
    anderson_darling, anderson_darling_scaled, anderson_darling_standard : float
        A2 (midrank), the same divided by k - 1 (composites handbook), and (A2 - (k - 1)) / sigma_N; NaN with survivors.
    bartlett, bartlett_p : float
        Bartlett's statistic on the family's scale and its chi-square p-value, for comparison only: it takes the long
        tail of a Weibull sample for unequal scatter, so it is in neither table nor verdict. NaN with survivors.
    variance_ratio, variance_ratio_low, variance_ratio_high : float
        Variance between batches over variance within, on the family's scale, with an exact 90 % interval (normal
        distribution); NaN with survivors.
    batch_share : float
        Share of the whole variance that lies between batches, 0 or more; NaN with survivors.
    table : DataFrame
        One row a test: ``test``, ``statistic``, ``p_value`` (permutation or simulation), ``p_adjusted`` (Holm),
        ``p_published`` (the textbook approximation, for comparison only).
    notes : tuple of str
    """

    group: str
    family: str
    batches: int
    n: int
    n_broken: int
    verdict: str
    p_value: float
    false_alarm: float
    smallest_effect: float
    anderson_darling: float
    anderson_darling_scaled: float
    anderson_darling_standard: float
    bartlett: float
    bartlett_p: float
    variance_ratio: float
    variance_ratio_low: float
    variance_ratio_high: float
    batch_share: float
    table: pd.DataFrame
    notes: tuple[str, ...]

    def __str__(self) -> str:
        if self.verdict == "differ":
            worst = self.table["test"].iloc[int(self.table["p_adjusted"].to_numpy().argmin())]
            return (
                f"The {self.batches} batches differ ({worst}: {p_text(self.p_value)} after adjustment); do not pool "
                "them, use the between-batch bound."
            )
        if np.isfinite(self.smallest_effect):
            missed = f"one batch had to be {100 * self.smallest_effect:.0f} % weaker to be noticed 8 times in 10"
        else:
            missed = "how large an effect it could notice was not computed"
        return (
            f"No difference seen between {self.batches} batches (smallest {p_text(self.p_value)} after adjustment), "
            f"but {missed}: keep the between-batch bound beside the pooled one."
        )


@door
def pooling(
    samples: Sample | Sequence[Sample],
    *,
    family: str | Family = "weibull",
    false_alarm: float = 0.05,
    size: int = DRAWS,
    power: bool = True,
    rng: Seed = 0,
) -> Pooling:
    """Test batches against each other in four ways, every p-value by permutation or simulation.

    k-sample Anderson-Darling on the loads (permutation; both versions and both published scalings), median-centred
    Levene on the family's scale (simulated under the family: its F distribution rejects 2 % instead of 5 % at 5 a
    batch), likelihood ratios of equal scale (Weibull: equal shapes) and of equal location given one scale
    (simulated), and the variance between batches with an exact interval of its ratio to the variance within. With
    survivors only the likelihood ratios apply. The verdict adjusts the tests together (Holm). Pooling *because* no
    difference was seen is not safe: with 3 batches of 5 it brings a "95 %" bound down to 85 to 92 %.

    Parameters
    ----------
    samples : Sample with batch labels, or sequence of Sample
        At least 2 batches, each with at least 2 different loads at break.
    family : {"weibull", "normal", "lognormal"}
    false_alarm : float
        Between 0 and 1.
    size : int
        Simulated samples and permutations, at least 400.
    power : bool
        Compute ``smallest_effect`` (the slow part).
    rng : int or Generator

    Returns
    -------
    Pooling

    Raises
    ------
    InputError
        If there are fewer than 2 batches, or an argument is out of range.
    NoAnswerError
        If a batch has fewer than 2 different loads at break.

    See Also
    --------
    batch_bound : the bound over batches drawn at random.
    plot.batches : every specimen by batch.
    plan.batches : specimens of each batch for a claim.

    References
    ----------
    Scholz and Stephens (1987), J. Am. Stat. Assoc. 82:918-924; Brown and Forsythe (1974); Bartlett (1937); Wald
    (1947) (the last three from memory).

    Examples
    --------
    >>> first, second = Sample([24.1, 25.3, 24.8, 26.0]), Sample([18.2, 17.9, 18.8, 19.1])
    >>> pooling([first, second], power=False, rng=1).verdict
    'differ'
    """
    check_fraction(false_alarm, "false_alarm")
    if size < 400:
        raise InputError(f"`size` must be at least 400 simulated samples, got {size!r}.")
    law, parts = get_family(family), _batches(samples)
    label = np.repeat(np.arange(len(parts)), [p.n for p in parts])
    whole = Batches(np.concatenate([p.load for p in parts]), np.concatenate([p.broke for p in parts]), label)
    generator = as_rng(rng)
    complete = bool(whole.broke.all())
    rows = _complete_tests(parts, whole, law, size, generator) if complete else []
    rows += _ratio_tests(whole, law, size, generator)
    table = pd.DataFrame(rows)
    table.insert(3, "p_adjusted", _holm(table["p_value"].to_numpy()))
    smallest = float(table["p_adjusted"].min())
    y = [law.transform(p.load) for p in parts]
    ad = k_sample_ad([p.load for p in parts]) if complete else None
    spread = between_batches(y) if complete else None
    nan = float("nan")
    bartlett = stats.bartlett(*y) if complete else (nan, nan)
    total = max(spread.variance_between, 0.0) + spread.variance_within if spread else nan
    return Pooling(
        group=", ".join(p.label or f"batch {i + 1}" for i, p in enumerate(parts)),
        family=law.name,
        batches=len(parts),
        n=int(label.size),
        n_broken=int(whole.broke.sum()),
        verdict="differ" if smallest <= false_alarm else "no difference seen",
        p_value=smallest,
        false_alarm=false_alarm,
        smallest_effect=_smallest_effect(whole, law, false_alarm, generator) if power else nan,
        anderson_darling=ad.raw_midrank if ad else nan,
        anderson_darling_scaled=ad.scaled if ad else nan,
        anderson_darling_standard=ad.standard_midrank if ad else nan,
        bartlett=float(bartlett[0]),
        bartlett_p=float(bartlett[1]),
        variance_ratio=spread.variance_between / spread.variance_within if spread else nan,
        variance_ratio_low=spread.ratio_low if spread else nan,
        variance_ratio_high=spread.ratio_high if spread else nan,
        batch_share=max(spread.variance_between, 0.0) / total if spread else nan,
        table=table,
        notes=_notes(whole, law, spread is not None and spread.variance_between < 0, float(bartlett[1])),
    )


def _batches(samples: Sample | Sequence[Sample]) -> list[Sample]:
    if isinstance(samples, Sample):
        if samples.batch is None:
            raise InputError(f"{samples.who}: has no batch labels. Give one sample a batch, or a `batch` column.")
        names = list(dict.fromkeys(samples.batch.tolist()))
        if "" in names:
            raise InputError(f"{samples.who}: some specimens have no batch label. Fill them in, or leave `batch` out.")
        parts = [
            Sample(samples.load[samples.batch == name], samples.broke[samples.batch == name], label=f"batch {name}")
            for name in names
        ]
    else:
        parts = list(samples)
    if len(parts) < 2:
        raise InputError(f"`samples` must hold at least 2 batches, got {len(parts)}.")
    for i, part in enumerate(parts):
        if part.different < 2:
            who = part.who if part.label else f"Batch {i + 1}"
            raise NoAnswerError(
                f"{who}: a batch needs at least 2 different loads at break to be compared, but {part.n_broken} of "
                f"{part.n} specimens broke. Test more of it, or omit the batch and say so."
            )
    return parts


def _complete_tests(
    parts: Sequence[Sample], whole: Batches, law: Family, size: int, rng: np.random.Generator
) -> list[dict[str, object]]:
    loads = [p.load for p in parts]
    ad = k_sample_ad(loads)
    p_mid = ksample_ad_p(loads, rng, size)[1]
    y = [law.transform(load) for load in loads]
    f, p_law = levene_median(y)
    drawn = levene_statistic(law.standard.rvs(size=(size, whole.label.size), random_state=rng), whole.label, whole.k)
    return [
        {"test": PLACE_AND_SHAPE, "statistic": ad.raw_midrank, "p_value": p_mid, "p_published": float("nan")},
        {"test": SCATTER, "statistic": f, "p_value": simulated_p(f, drawn), "p_published": p_law},
    ]


def _ratio_tests(whole: Batches, law: Family, size: int, rng: np.random.Generator) -> list[dict[str, object]]:
    rows: list[dict[str, object]] = []
    for name, statistic, own in ((SPREAD, spread_ratio, True), (PLACE, location_ratio, False)):
        seen = float(statistic(whole.load[None], whole.broke[None], whole, law)[0])
        if not np.isfinite(seen):
            raise NoAnswerError(
                f"The {name_of(law.name)} distribution has no best fit in some batch: its breaks tie with its "
                "largest load."
            )
        drawn = statistic(*simulate(whole, law, size, rng, own_place=own), whole, law)
        published = float(stats.chi2.sf(max(seen, 0.0), whole.k - 1))
        rows.append({"test": name, "statistic": seen, "p_value": simulated_p(seen, drawn), "p_published": published})
    return rows


def _holm(p: Array) -> Array:
    order = np.argsort(p)
    steps = np.maximum.accumulate(p[order] * (p.size - np.arange(p.size)))
    out = np.empty(p.size)
    out[order] = np.minimum(steps, 1.0)
    return out


def _smallest_effect(whole: Batches, law: Family, false_alarm: float, rng: np.random.Generator) -> float:
    """How much weaker the smallest batch must be for the test of equal location to see it 8 times in 10."""
    seed, size = int(rng.integers(2**31)), 800
    small = int(np.argmin(np.bincount(whole.label)))
    null = location_ratio(*simulate(whole, law, size, np.random.default_rng(seed), own_place=False), whole, law)
    limit = float(np.quantile(null[np.isfinite(null)], 1 - false_alarm))

    def seen(shift: float) -> float:
        moved = np.where(whole.label == small, -shift, 0.0)
        drawn = simulate(whole, law, size, np.random.default_rng(seed + 1), own_place=False, shift=moved)
        ratio = location_ratio(*drawn, whole, law)
        return float((ratio[np.isfinite(ratio)] > limit).mean())

    far = smallest_seen(seen, false_alarm)
    common = fit_regression_many(whole.load[None], whole.broke[None], whole.own, law)
    spread = float(common.spread[0])
    return float(1 - np.exp(-far * spread)) if law.on_log else float(far * spread / common.coef[0].mean())


def _notes(whole: Batches, law: Family, negative: bool, bartlett_p: float) -> tuple[str, ...]:
    notes = []
    if not whole.broke.all():
        notes.append(
            "Specimens held: the k-sample, Levene, Bartlett and variance figures need every specimen to break and are "
            "left out."
        )
    else:
        notes.append(
            f"Bartlett's test of equal scatter gives {p_text(bartlett_p)}, for comparison only: it needs normal "
            f"{'log loads' if law.on_log else 'loads'}, and takes a long tail for unequal scatter."
        )
    if negative:
        notes.append("The variance between batches comes out below zero: the batches are more alike than chance makes.")
    if np.bincount(whole.label).min() <= 5:
        notes.append(
            "With 5 or fewer in a batch only large differences can be seen; not seeing one is no proof of alikeness."
        )
    return tuple(notes)
