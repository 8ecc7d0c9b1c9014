"""What all comparisons of a log say together: the mean ratio, how many are weaker for certain, and one more of them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from lowtail._shared.caution import UNRELATED
from lowtail._shared.interval import Interval
from lowtail._shared.numbers import p_text, percent_down, percent_up
from lowtail._shared.record import Record
from lowtail._shared.sample import Sample
from lowtail.claims.comparison.answer import Comparison
from lowtail.errors import NoAnswerError
from lowtail.models.confidence.distribution import confidence_distribution
from lowtail.models.distributions.families import Family, get_family
from lowtail.models.distributions.rounded import half_step
from lowtail.models.two_samples.joint import (
    MOST,
    Differences,
    at_least,
    heterogeneity,
    largest_p,
    mean_of,
    predict,
    set_p,
    subsets,
)

__all__ = ["Joint", "joint_of"]

Array = NDArray[np.float64]
LEVEL = 0.05  # of the count and of every named group, all together
NEXT = 0.80  # of the interval for one more configuration
FEWEST = 4  # configurations from which one more may be foretold
_FEW = 5  # specimens of an arm below which Welch's F is not to be trusted: ``tests/truth/joint.csv``


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Joint(Record):
    """What several comparisons say together; ratios are other over reference, typical strengths.

    Attributes
    ----------
    reference, other : str
        The two arms.
    groups : tuple of str
        The configurations taken together.
    n_groups : int
    ratio, ratio_low, ratio_high, confidence : float
        Geometric mean of the ratios of exactly these configurations, equal weights, with its two-sided interval.
    low_ratio, low_ratio_low, low_ratio_high : float
        The same for the strengths that 10 % do not reach.
    weaker, stronger : int
        At least so many of them are weaker (stronger) under the other arm, at 95 % for every choice of configurations
        at once; too many in at most 7 % of simulated logs (two configurations: 8 %), the worst truths included
        (``tests/truth/joint.csv``).
    weaker_named, stronger_named : tuple of str
        Configurations that are weaker (stronger) for certain, one by one, at 95 % for all of them at once.
    differ_p : float
        Welch's p that all ratios are equal; NaN for one configuration.
    next_low, next_high : float
        Interval (80 %) for the ratio of one further configuration, if it is as alike as these; NaN below 4.
    margin : float or None
        Share to keep.
    keeps, fails : int
        At least so many keep the margin, or fail it, for certain.
    sets : DataFrame
        The count in all, and for every value of every grouping column: column, value, n_groups, weaker, stronger, and
        with a margin keeps and fails; all true at once with 95 %.
    notes : tuple of str
    """

    reference: str
    other: str
    groups: tuple[str, ...]
    n_groups: int
    ratio: float
    ratio_low: float
    ratio_high: float
    confidence: float
    low_ratio: float
    low_ratio_low: float
    low_ratio_high: float
    weaker: int
    stronger: int
    weaker_named: tuple[str, ...]
    stronger_named: tuple[str, ...]
    differ_p: float
    next_low: float
    next_high: float
    margin: float | None
    keeps: int
    fails: int
    sets: pd.DataFrame
    notes: tuple[str, ...]

    def confidence_interval(self) -> Interval:
        """Two-sided interval of the mean ratio."""
        return Interval(self.ratio_low, self.ratio_high, self.confidence)

    def __str__(self) -> str:
        parts = [self._takes(), self._count()]
        if math.isfinite(self.next_low):
            parts.append(f"four in five further configurations would keep {_span(self.next_low, self.next_high)}")
        return f"Over these {self.n_groups} configurations {'; '.join(parts)}."

    def _takes(self) -> str:
        if self.ratio_high < 1:
            loss = 100 * (1 - self.ratio)
            span = f"{percent_down(1 - self.ratio_high, 0)[:-2]} to {percent_up(1 - self.ratio_low, 0)[:-2]}"
            return f"{self.other} takes about {loss:.0f} % ({span})"
        about = f"{100 * self.ratio:.0f} %"
        shown = "more than" if self.ratio_low > 1 else "no loss on average is shown:"
        lead = f"{self.other} leaves {shown} {about}" if self.ratio_low > 1 else f"{shown} {self.other} leaves {about}"
        return f"{lead} ({_span(self.ratio_low, self.ratio_high)})"

    def _count(self) -> str:
        told = [(self.weaker, "weaker"), (self.stronger, "stronger")]
        parts = [f"{self._some(number)} {word} under {self.other}" for number, word in told if number]
        return " and ".join(parts) or f"none of the {self.n_groups} is weaker for certain"

    def _some(self, number: int) -> str:
        """So many of the configurations and more, as the subject of a sentence."""
        if number == self.n_groups:
            return "both are" if number == 2 else f"all {number} are"
        return f"at least {number} of the {self.n_groups} {'is' if number == 1 else 'are'}"

    @property
    def margin_sentence(self) -> str:
        """What is shown of the margin over all configurations; empty where none was asked."""
        if self.margin is None:
            return ""
        told = [(self.keeps, "keep"), (self.fails, "fail to keep")]
        shown = [f"at least {number} of the {self.n_groups} {word}" for number, word in told if number]
        return f"{' and '.join(shown) or f'none of the {self.n_groups} is shown to keep'} {100 * self.margin:g} %."

    @property
    def differ_sentence(self) -> str:
        """Whether the ratios are shown to differ."""
        if not math.isfinite(self.differ_p):
            return ""
        shown = "The ratios differ" if self.differ_p < LEVEL else "The ratios are not shown to differ"
        return f"{shown} from one configuration to the next ({p_text(self.differ_p)})."


def _span(low: float, high: float) -> str:
    return f"{percent_down(low, 0)[:-2]} to {percent_up(high, 0)}"


def joint_of(
    comparisons: Sequence[Comparison], labels: pd.DataFrame, *, confidence: float = 0.95, margin: float | None = None
) -> Joint:
    """Join comparisons of the same two arms in different groups.

    Parameters
    ----------
    comparisons : sequence of Comparison
        One a configuration; complete or with survivors.
    labels : DataFrame
        Their grouping columns and ``group``, a row each.
    confidence : float
        Of the interval of the mean.
    margin : float, optional
        Share of the reference strength to keep.

    Raises
    ------
    NoAnswerError
        If there are fewer than 2, or more than 16, or an arm carries no distribution.

    References
    ----------
    See `lowtail.models.two_samples.joint`.
    """
    many = len(comparisons)
    if many < 2:
        raise NoAnswerError(f"A joint answer needs at least 2 configurations with both arms, got {many}.")
    if many > MOST:
        raise NoAnswerError(
            f"A joint answer takes at most {MOST} configurations ({many} given): every set of them is tested. Ask item "
            "by item."
        )
    held = any(s.n_censored for c in comparisons for s in c.samples)
    readings = [_differences(comparisons, name) for name in (("weibull", "lognormal") if held else ("complete",))]
    sets = subsets(many)
    everyone = np.ones(many)
    marks = {"weaker": (0.0, False), "stronger": (0.0, True)}
    if margin is not None:
        marks |= {"fails": (math.log(margin), False), "keeps": (math.log(margin), True)}
    p = {name: np.maximum.reduce([set_p(x, sets, *mark) for x in readings]) for name, mark in marks.items()}
    ratio = _mean(readings, everyone, confidence)
    low = _mean([_low_differences(comparisons)], everyone, confidence)
    ahead = [predict(x.d, NEXT) for x in readings] if many >= FEWEST else [(np.array(np.nan), np.array(np.nan))]
    names = tuple(str(g) for g in labels["group"])
    named = {k: [names[i] for i in np.flatnonzero(largest_p(p[k], sets) <= LEVEL)] for k in ("weaker", "stronger")}
    first = comparisons[0]
    return Joint(
        reference=first.reference,
        other=first.other,
        groups=names,
        n_groups=many,
        ratio=ratio[0],
        ratio_low=ratio[1],
        ratio_high=ratio[2],
        confidence=confidence,
        low_ratio=low[0],
        low_ratio_low=low[1],
        low_ratio_high=low[2],
        weaker=int(at_least(p["weaker"], sets, everyone, LEVEL)),
        stronger=int(at_least(p["stronger"], sets, everyone, LEVEL)),
        weaker_named=tuple(named["weaker"]),
        stronger_named=tuple(named["stronger"]),
        differ_p=max(float(heterogeneity(x)[1]) for x in readings),
        next_low=float(np.exp(min(float(a[0]) for a in ahead))),
        next_high=float(np.exp(max(float(a[1]) for a in ahead))),
        margin=margin,
        keeps=int(at_least(p["keeps"], sets, everyone, LEVEL)) if margin is not None else 0,
        fails=int(at_least(p["fails"], sets, everyone, LEVEL)) if margin is not None else 0,
        sets=_sets(p, sets, labels),
        notes=_notes(held, many, min(s.n for c in comparisons for s in c.samples)),
    )


def _mean(readings: Iterable[Differences], weight: Array, confidence: float) -> tuple[float, float, float]:
    """Mean ratio with its interval: the middle of the first reading, and of every end the farther."""
    ends = []
    for x in readings:
        middle, error, freedom = mean_of(x, weight)
        half = special.stdtrit(freedom, (1 + confidence) / 2) * error
        ends.append((float(middle), float(middle - half), float(middle + half)))
    return math.exp(ends[0][0]), math.exp(min(e[1] for e in ends)), math.exp(max(e[2] for e in ends))


def _differences(comparisons: Sequence[Comparison], family: str) -> Differences:
    arms = []
    for c in comparisons:
        complete = not any(s.n_censored for s in c.samples)
        arms.append([_logs(s) if complete else _arm(s, get_family(family), 0.5) for s in c.samples])
    return _stack(arms)


def _low_differences(comparisons: Sequence[Comparison]) -> Differences:
    return _stack([[_arm(s, get_family("weibull"), 0.10) for s in c.samples] for c in comparisons])


def _stack(arms: Sequence[Sequence[tuple[float, float, float]]]) -> Differences:
    first, second = (np.array([pair[i] for pair in arms], dtype=float) for i in (0, 1))
    return Differences(second[:, 0] - first[:, 0], first[:, 1], first[:, 2], second[:, 1], second[:, 2])


def _logs(sample: Sample) -> tuple[float, float, float]:
    """Mean of ln load, its variance and degrees of freedom."""
    y = np.log(sample.load)
    return float(y.mean()), float(y.var(ddof=1) / y.size + half_step(sample) ** 2), float(y.size - 1)


def _arm(sample: Sample, family: Family, fraction: float) -> tuple[float, float, float]:
    """Middle, variance and degrees of freedom that match the confidence distribution of ln of a percentile."""
    law = confidence_distribution(sample, family)
    one = float(special.ndtr(1.0))
    middle, low, high = (math.log(law.low(fraction, c)) for c in (0.5, one, 1 - one))
    freedom = float(sample.n_broken - 1)
    error = (high - low) / (2 * float(special.stdtrit(freedom, one)))
    return middle, error**2 + half_step(sample) ** 2, freedom


def _sets(p: dict[str, Array], sets: Array, labels: pd.DataFrame) -> pd.DataFrame:
    rows: list[tuple[str, str, Array]] = [("", "all", np.ones(len(labels)))]
    for column in labels.columns.drop("group"):
        values = labels[column].astype(str)
        rows += [(column, v, np.asarray(values == v, dtype=float)) for v in dict.fromkeys(values) if v]
    found = [
        {"column": column, "value": value, "n_groups": int(among.sum())}
        | {name: int(at_least(each, sets, among, LEVEL)) for name, each in p.items()}
        for column, value, among in rows
    ]
    return pd.DataFrame(found)


def _notes(held: bool, many: int, smallest: int) -> tuple[str, ...]:
    notes = [
        "Mean of exactly these configurations with equal weights; nothing is assumed of how the ratios are spread. The "
        "counts hold at 95 % for all configurations, items and orientations at once (closed testing)."
    ]
    if held:
        notes.append(f"Survivors: by Weibull and by lognormal, the farther of both. {UNRELATED}")
    if smallest < _FEW:
        notes.append(
            "Arms of 3: the test whether ratios differ says so falsely in up to 11 % of logs of ten groups, not 5."
        )
    if many < FEWEST:
        notes.append(f"One further configuration is not foretold from fewer than {FEWEST}.")
    return tuple(notes)
