"""Lower bound across batches drawn at random: the next batch counts, not only those on the bench."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from lowtail._shared.checks import door
from lowtail._shared.record import Record
from lowtail._shared.sample import Sample
from lowtail.claims.basis import check_fraction
from lowtail.claims.strength.answer import floor3, usable_low
from lowtail.claims.strength.batch_designs import LEAST_SPECIMENS, batch_designs, handbook_coverage
from lowtail.errors import InputError, NoAnswerError
from lowtail.models.batches.normal_batches import BatchSums, anova_low, batch_sums, pivotal_low
from lowtail.models.batches.weibull_batches import WeibullBatches, weibull_batches
from lowtail.models.distributions.common_error import added_low
from lowtail.models.distributions.families import Family, get_family, name_of
from lowtail.models.distributions.rounded import at_lower_edge

__all__ = ["BatchBound", "batch_bound", "batch_low", "batch_parts"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchBound(Record):
    """Lower bound of a low-percentile strength over batches drawn at random.

    Attributes
    ----------
    group, family, method : str
    n, n_broken, n_batches : int
    sizes : tuple of int
        Specimens of each batch.
    fraction_below, confidence : float
    estimate, low : float
        kN. ``low`` is 0 where a normal distribution puts the bound at or below zero: then there is no useful bound.
    handbook_low : float
        The analysis-of-variance bound of the handbooks in kN, for comparison only; NaN with survivors.
    handbook_coverage : float
        How often that bound really holds at these batch sizes, at the worst share of the variance between batches.
    spread_between, spread_within : float
        Standard deviation between batches and within them (Weibull: 1 / shape), of ln load or, for the normal
        distribution, kN.
    notes : tuple of str
    """

    group: str
    family: str
    method: str
    n: int
    n_broken: int
    n_batches: int
    sizes: tuple[int, ...]
    fraction_below: float
    confidence: float
    estimate: float
    low: float
    handbook_low: float
    handbook_coverage: float
    spread_between: float
    spread_within: float
    notes: tuple[str, ...]

    @property
    def unusable(self) -> str:
        """Why the number must not be used, or an empty text."""
        return "" if self.low > 0 else "the bound reaches zero: too few batches for their scatter"

    def __str__(self) -> str:
        who = f"{self.group}: " if self.group else ""
        if not self.low > 0:
            return (
                f"{who}no useful bound: {self.n_batches} batches scatter too much ({name_of(self.family)} "
                "distribution)."
            )
        return (
            f"{who}{'with' if who else 'With'} {100 * self.confidence:.4g} % confidence, at least "
            f"{100 * (1 - self.fraction_below):.4g} % of the population, over batches to come, is stronger than "
            f"{floor3(self.low)} kN ({self.n} specimens in {self.n_batches} batches, {name_of(self.family)} "
            "distribution)."
        )


@door
def batch_bound(
    sample_or_samples: Sample | Sequence[Sample],
    fraction_below: float,
    confidence: float,
    family: str | Family = "weibull",
    *,
    label: str = "",
) -> BatchBound:
    """Lower bound of the strength at ``fraction_below`` over batches drawn at random, and specimens within them.

    Normal and lognormal: the generalised pivotal quantity, by deterministic quadrature (Krishnamoorthy & Mathew 2004);
    exact for one specimen a batch, conservative otherwise. Weibull: worked on ln load, Weibull scatter of one shape
    within each batch and normal scatter between them; carries survivors where every batch has a break. The handbook
    analysis-of-variance bound stands beside it with the coverage it really has at these batch sizes.

    Never pool the batches because a test finds no difference between them: a "95 %" bound so made holds 84 % of the
    time (3 batches of 3, three quarters of the variance between batches).

    Parameters
    ----------
    sample_or_samples : Sample or sequence of Sample
        One sample with its ``batch`` filled, or one sample a batch.
    fraction_below : float
        Between 0 and 0.5.
    confidence : float
        Between 0 and 1.
    family : str or Family
        "weibull", "normal" or "lognormal".
    label : str, optional
        Name of the group; default the sample's label.

    Returns
    -------
    BatchBound

    Raises
    ------
    InputError
        If the batches are not named, or a fraction is out of range.
    NoAnswerError
        If there are fewer than 2 batches, no scatter, survivors under a normal or lognormal distribution, or, under the
        Weibull distribution, a batch without a break or no batch with 2 different loads.

    See Also
    --------
    lower_bound : the bound for specimens like these.
    governing : the bound that judges, batches included.
    checks.pooling : do the batches differ.
    plan.batches : specimens of each batch for a claim.

    References
    ----------
    Krishnamoorthy & Mathew (2004) Technometrics 46:44-52; Mee & Owen (1983) J. Amer. Statist. Assoc. 78:901-905;
    Vangel (1992) Technometrics 34:176-185 (all from memory).

    Examples
    --------
    >>> loads = [24.1, 25.0, 24.6, 25.9, 26.2, 27.1, 26.4, 25.7, 23.5, 24.4, 23.9, 24.2]
    >>> sample = Sample(loads, batch=list("aaaabbbbcccc"), label="invented sling")
    >>> bound = batch_bound(sample, 0.10, 0.95, "normal")
    >>> round(bound.low, 3), round(bound.handbook_low, 3)
    (17.734, 17.972)
    """
    law = get_family(family)
    p, g = check_fraction(fraction_below, "fraction_below"), check_fraction(confidence, "confidence")
    if p > 0.5:
        raise InputError(f"`fraction_below` must not exceed 0.5 for a low-percentile strength over batches, got {p:g}.")
    load, broke, batch, names, who, group = _collect(sample_or_samples, label)
    y = np.asarray(law.transform(load))
    parts = _parts(y, broke, batch, names, who, law)
    notes = _assumed(law, complete=bool(broke.all()))
    if isinstance(parts, WeibullBatches):
        estimate, low, between, within = parts.estimate(p), parts.low(p, g), parts.between, 1 / parts.shape
        method, sums = "batches, Weibull pivotal quantity", batch_sums([y[batch == i] for i in range(len(names))])
    else:
        estimate, low, between, within = _normal(parts, p, g)
        method, sums = "batches, generalised pivotal quantity", parts
    each = [sample_or_samples] if isinstance(sample_or_samples, Sample) else sample_or_samples
    share = max(s.common_uncertainty for s in each)
    handbook = anova_low(sums, p, g) if broke.all() else float("nan")
    held = handbook_coverage(sums.sizes, p, g, weibull_within=law.name == "weibull")
    notes.extend(_advice(sums, p, g, held))
    if share:
        notes.append(
            f"Load uncertainty in common {100 * share:.3g} % (k = 1): the bound is lowered for it (by the reach of "
            "that error alone, added to its own); the handbook bound is not."
        )

    def kn(value: float) -> float:
        return max(0.0, float(law.inverse(value)))

    return BatchBound(
        group=group,
        family=law.name,
        method=method,
        n=sums.total,
        n_broken=int(broke.sum()),
        n_batches=sums.batches,
        sizes=sums.sizes,
        fraction_below=p,
        confidence=g,
        estimate=kn(estimate),
        low=usable_low(added_low(kn(low), share, g), load),
        handbook_low=kn(handbook) if np.isfinite(handbook) else handbook,
        handbook_coverage=held,
        spread_between=between,
        spread_within=within,
        notes=tuple(notes),
    )


def batch_low(sample: Sample, fraction_below: float, confidence: float, family: str | Family) -> float:
    """The bound of `batch_bound` alone, kN, at least 0: no advice, no handbook bound beside it.

    Raises
    ------
    NoAnswerError
        As `batch_bound`.
    """
    law = get_family(family)
    parts = batch_parts(sample, law)
    if isinstance(parts, WeibullBatches):
        low = parts.low(fraction_below, confidence)
    else:
        low = _normal(parts, fraction_below, confidence)[1]
    return added_low(max(0.0, float(law.inverse(low))), sample.common_uncertainty, confidence)


def _placed(load: Array, broke: NDArray[np.bool_], batch: NDArray[np.intp], steps: Sequence[float | None]) -> Array:
    """Loads recorded in a coarse step, placed batch by batch where no bound gains by the rounding."""
    told = [step for step in steps if step is not None]
    step = max(told) if len(told) == len(steps) else None
    return at_lower_edge(Sample(load, broke, batch=batch, resolution=step), by_batch=True).load


def _collect(
    given: Sample | Sequence[Sample], label: str
) -> tuple[Array, NDArray[np.bool_], NDArray[np.intp], list[str], str, str]:
    if isinstance(given, Sample):
        if given.batch is None or any(str(b).strip() == "" for b in given.batch):
            raise InputError(f"{given.who}: a bound over batches needs the `batch` of every specimen. Fill the column.")
        names = list(dict.fromkeys(str(b) for b in given.batch))
        batch = np.array([names.index(str(b)) for b in given.batch], dtype=np.intp)
        load, broke, group, steps = given.load, given.broke, label or given.label, [given.resolution]
    else:
        samples = list(given)
        if not samples or not all(isinstance(s, Sample) for s in samples):
            raise InputError(
                "`sample_or_samples` must be a Sample with batches, or a sequence of Samples, one a batch."
            )
        names = [s.label or f"batch {i + 1}" for i, s in enumerate(samples)]
        batch = np.repeat(np.arange(len(samples)), [s.n for s in samples])
        load = np.concatenate([s.load for s in samples])
        broke = np.concatenate([s.broke for s in samples])
        group, steps = label, [s.resolution for s in samples]
    who = f"Group '{group}'" if group else "This group"
    if len(names) < 2:
        raise NoAnswerError(
            f"{who}: a bound over batches needs at least 2 batches, got {len(names)}. Test another batch."
        )
    return _placed(load, broke, batch, steps), broke, batch, names, who, group


def batch_parts(sample: Sample, law: Family) -> WeibullBatches | BatchSums:
    """What a bound over batches stands on, by one distribution: the engine's own parts, checked.

    Raises
    ------
    NoAnswerError
        As `batch_bound`.
    """
    load, broke, batch, names, who, _ = _collect(sample, "")
    return _parts(np.asarray(law.transform(load)), broke, batch, names, who, law)


def _parts(
    y: Array, broke: NDArray[np.bool_], batch: NDArray[np.intp], names: list[str], who: str, law: Family
) -> WeibullBatches | BatchSums:
    if law.name == "weibull":
        return _weibull_parts(y, broke, batch, names, who)
    if not broke.all():
        raise NoAnswerError(
            f"{who}: {int((~broke).sum())} of {broke.size} specimens held, and the {name_of(law.name)} bound over "
            "batches takes breaks only: read as breaks, survivors shrink the scatter and the bound is too high. Use "
            "family='weibull', which carries survivors, or test on until they break."
        )
    sums = batch_sums([y[batch == i] for i in range(len(names))])
    if not (sums.between > 0 or sums.within > 0):
        raise NoAnswerError(f"{who}: every load is the same, so that there is no scatter to work with.")
    return sums


def _weibull_parts(
    u: Array, broke: NDArray[np.bool_], batch: NDArray[np.intp], names: list[str], who: str
) -> WeibullBatches:
    breaks = np.bincount(batch[broke], minlength=len(names))
    if (breaks == 0).any():
        raise NoAnswerError(
            f"{who}: no specimen of batch '{names[int(np.argmin(breaks))]}' broke, so that nothing limits its strength "
            "from above. Test that batch on until one breaks."
        )
    informative = any(
        np.unique(u[(batch == i)]).size > 1 and breaks[i] and _not_tied(u, broke, batch == i) for i in range(len(names))
    )
    if int(breaks.sum()) <= len(names) or not informative:
        raise NoAnswerError(
            f"{who}: no batch has 2 different loads at break (or a break below another load), so that scatter within a "
            "batch cannot be told. For one specimen a batch take the plain bound of these specimens."
        )
    return weibull_batches(u, broke, batch)


def _normal(sums: BatchSums, p: float, g: float) -> tuple[float, float, float, float]:
    between, within = sums.variances
    estimate = sums.mean + float(special.ndtri(p)) * np.sqrt(between + within)
    return float(estimate), pivotal_low(sums, p, g, nodes=320), float(np.sqrt(between)), float(np.sqrt(within))


def _assumed(law: Family, *, complete: bool) -> list[str]:
    """What the bound takes for granted."""
    if law.name == "weibull":
        notes = ["ExactChances on ln load: Weibull scatter of one shape within batches, normal scatter between them."]
        if not complete:
            notes.append(
                "With survivors: simulated, and given that every batch has a break, it holds at least as often as "
                "stated while up to three quarters of the variance lie between batches; with 95 % of it between "
                "batches 91 % of the time for a stated 95 %."
            )
        return notes
    scale = "ln load" if law.on_log else "the load itself"
    notes = [f"Normal scatter of {scale} within batches and between them."]
    if law.on_log:
        notes.append(
            "If the scatter within a batch is Weibull and not lognormal, this bound holds less often than stated, at "
            "the 1 % strength far less: use family='weibull' unless the lognormal is known."
        )
    return notes


def _not_tied(u: Array, broke: NDArray[np.bool_], member: NDArray[np.bool_]) -> bool:
    """Whether a batch tells of scatter: some break lies below its largest load."""
    return bool((u[member & broke] < u[member].max()).any())


def _advice(sums: BatchSums, p: float, g: float, held: float) -> list[str]:
    a, total = sums.batches, sums.total
    notes = []
    if a <= 3:
        notes.append(f"{a} batches say almost nothing of the scatter between batches; the bound pays for it.")
    if total >= LEAST_SPECIMENS:  # below it there is no other design to weigh
        table = batch_designs(total, p, g)
        here = float(np.interp(a, table["n_batches"], table["shortfall"]))
        best = table.iloc[int(np.argmin(table["shortfall"]))]
        if best["n_batches"] > a:
            notes.append(
                f"More batches, fewer per batch: with half the variance between batches, {total} specimens in {a} "
                f"batches typically put the bound {here:.2g} total standard deviations below the strength it bounds, "
                f"in {int(best['n_batches'])} batches {best['shortfall']:.2g} (normal distribution)."
            )
    notes.append(
        f"The handbook bound really holds {100 * held:.1f} % of the time at these batch sizes for a stated "
        f"{100 * g:.4g} % (worst share of variance between batches, 20,000 simulated sets); for comparison only."
    )
    return notes
