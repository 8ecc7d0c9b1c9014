"""Strength against age, exposure, cycles or size: the trend, and the lower bound at a chosen setting."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lowtail._shared.checks import door
from lowtail._shared.choices import Axis
from lowtail._shared.interval import Interval
from lowtail._shared.numbers import p_text
from lowtail._shared.parallel import DRAWS, Seed, as_rng
from lowtail._shared.record import Record
from lowtail.claims.basis import Basis, get_basis
from lowtail.claims.strength.answer import floor3
from lowtail.claims.strength.notes import held_note, lowered_words
from lowtail.claims.trend.covariate import Covariate, chosen_rows, read_covariate, with_others
from lowtail.claims.trend.retention_limits import NO_BATCH_BOUND, bound_with_batches, reaches_rating
from lowtail.errors import InputError, NoAnswerError
from lowtail.glossary import setting, spoken
from lowtail.logs.breaks.log import BreakLog
from lowtail.models.distributions.families import Family, get_family
from lowtail.models.distributions.rounded import on_design, placed_words
from lowtail.models.early.holds import SAMPLES
from lowtail.models.regression.line import RegressionLaw, regression_law
from lowtail.models.regression.trend import nested_p, smallest_trend

__all__ = ["Retention", "retention", "retention_table"]

Array = NDArray[np.float64]
BY = ("item", "orientation", "method")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Retention(Record):
    """Strength against one column of the log.

    Attributes
    ----------
    group, family, n, n_broken
        The sample and the distribution.
    covariate, axis : str
        Column, and "plain", "log" (its logarithm enters) or "levels" (two words).
    at_value : str
        Setting at which ``estimate`` and ``low`` are stated.
    other_settings : str
        Settings of the further columns in the regression ("condition = wet"); empty where there is none.
    fraction_below, confidence, estimate, low
        Low strength there and its lower confidence bound, kN.
    change, change_low, change_high : float
        Change of strength per unit of the column (per doubling for "log", second word against the first for "levels"),
        as a fraction, with a two-sided 90 % interval.
    p_value : float
        Simulated p-value of no change at all.
    bend_p : float
        Simulated p-value of a straight line against a bent one; NaN with fewer than 3 different settings.
    smallest_change : float
        Loss over the whole tested range, as a fraction, that would be noticed 8 times in 10; NaN where not computed.
    tested : str
        Range of settings tested; nothing is stated outside unless asked for.
    rating_kN, reaches_low, reaches, reaches_high : float
        Rating, and the setting at which the bound, the estimate and the upper bound of the low-percentile strength
        fall to it: the first and the last are an interval by inversion. NaN where they do not within the range (see
        ``notes``).
    batch_low : float
        Bound in a batch yet to come, batches drawn at random: normal scatter between them, the family's distribution
        within, survivors included; NaN without batch labels, or where batches is confounded with the trend (see
        ``notes``). Take the lower of ``low`` and this.
    batch_share : float
        Estimated share of the variance that lies between batches (restricted maximum likelihood); NaN likewise.
    notes : tuple of str
    value, load, broke : ndarray, shape (n,)
        The points. ``law``, ``column``: what `low_at` needs.
    """

    group: str
    family: str
    n: int
    n_broken: int
    covariate: str
    axis: str
    at_value: str
    other_settings: str
    fraction_below: float
    confidence: float
    estimate: float
    low: float
    change: float
    change_low: float
    change_high: float
    p_value: float
    bend_p: float
    smallest_change: float
    tested: str
    rating_kN: float
    reaches_low: float
    reaches: float
    reaches_high: float
    batch_low: float
    batch_share: float
    notes: tuple[str, ...]
    value: Array
    load: Array
    broke: NDArray[np.bool_]
    law: RegressionLaw
    column: Covariate

    def low_at(self, at: float | str, *, confidence: float | None = None, extrapolate: bool = False) -> float:
        """Lower bound of the percentile at another setting, kN; outside the tested range by ``extrapolate`` only."""
        x = self.column.row(at, extrapolate)
        return self.law.low(x, self.fraction_below, self.confidence if confidence is None else confidence)

    def estimate_at(self, at: float | str, *, fraction_below: float | None = None, extrapolate: bool = False) -> float:
        """Fitted low-percentile strength at another setting, kN; ``fraction_below=0.5`` gives the typical strength."""
        below = self.fraction_below if fraction_below is None else fraction_below
        return self.law.estimate(self.column.row(at, extrapolate), below)

    @property
    def unusable(self) -> str:
        """A bound of zero says nothing."""
        return "the bound is zero: these breaks carry no useful bound here" if self.low <= 0 else ""

    def to_frame(self) -> pd.DataFrame:
        """One tidy row."""
        return Record.to_frame(self).drop(columns=["law", "column"])

    def confidence_interval(self) -> Interval:
        """Two-sided 90 % interval of the change per unit of the column."""
        return Interval(self.change_low, self.change_high, 0.90)

    def __str__(self) -> str:
        who = f"{self.group}: " if self.group else ""
        name, _, one = spoken(self.covariate)
        each = {"plain": f"per {one or 'unit'} of {name}", "log": f"per doubling of {name}"}.get(self.axis)
        levels = " against ".join(repr(str(v)) for v in reversed(self.column.levels))
        percent = f"{100 * self.change:+.2g} %"
        changes = f"strength changes by {percent} {each}" if each else f"{levels}: {percent}"
        beside = f", {self.other_settings}" if self.other_settings else ""
        seen = (
            f" Over the range tested a loss of {100 * self.smallest_change:.0f} % would be detected 8 times in 10."
            if np.isfinite(self.smallest_change)
            else ""
        )
        return (
            f"{who}at {setting(self.covariate, self.at_value)}{beside}, with {100 * self.confidence:g} % confidence, "
            f"at least {100 * (1 - self.fraction_below):g} % are stronger than {floor3(self.low)} kN (estimate "
            f"{self.estimate:.3g} kN); {changes} (90 % interval {100 * self.change_low:+.2g} to "
            f"{100 * self.change_high:+.2g} %; {p_text(self.p_value)}). Tested: {self.tested}.{seen}{self._future}"
        )

    @property
    def _future(self) -> str:
        """What a batch yet to come adds: its lower bound, or why there is none; empty without batches."""
        if np.isfinite(self.batch_low):
            why = ": few batches say little of their spread" if self.batch_low < 0.8 * self.low else ""
            return f" For a batch yet to come the bound is {floor3(min(self.low, self.batch_low))} kN{why}."
        return next((f" {note}" for note in self.notes if note.startswith(NO_BATCH_BOUND)), "")


@door
def retention(
    log: BreakLog | pd.DataFrame,
    on: str = "age_years",
    *,
    by: Sequence[str] | str = BY,
    group: str | None = None,
    family: str | Family = "weibull",
    basis: str | Basis = "B-basis",
    at: float | str | None = None,
    others: Mapping[str, float | str] | None = None,
    rating: float | None = None,
    axis: Axis = "plain",
    extrapolate: bool = False,
    false_alarm: float = 0.05,
    size: int = DRAWS,
    power: bool = True,
    rng: Seed = 0,
) -> Retention:
    """Strength against a column of the log: censored regression, bound at a chosen setting, setting where it fails.

    Log load (load itself for the normal distribution) is a straight line in the column, with one scatter. The bound is
    the quantile of the joint confidence distribution of line and scatter: the noncentral t for complete normal
    samples, the conditional (right-invariant) distribution otherwise, checked by simulation and lowered if need be
    where specimens held below the highest break, seen from the line (the interval of the change and the bound for a
    batch yet to come are not). Assumes that age did not decide which specimens were picked for another
    reason than age, and that held loads say nothing of strength.

    Parameters
    ----------
    log : BreakLog or DataFrame
        A log that has passed the door, or its ``.table``.
    on : str
        A column of numbers (age_years, cycles, diameter_mm ...) or of exactly two words (wet, dry).
    by : sequence of str
        Grouping columns.
    group : str, optional
        Label of the group, needed where ``by`` makes several.
    family : {"weibull", "normal", "lognormal"}
    basis : str or Basis
        Fraction below and confidence.
    at : float or str, optional
        Setting at which the bound is stated. Default: the highest tested (for two words, the second in order of
        appearance).
    others : mapping of str to float or str, optional
        Further columns that bear on strength, each with the setting at which everything is stated: ``{"condition":
        "wet"}``. Each costs a break: with few, leave them out or group by them.
    rating : float, optional
        Rated strength, kN. Default: the ``rated_kN`` column where it holds one value for the group, else none.
    axis : {"plain", "log"}
        "log": strength follows a power of the column (sizes, cycles).
    extrapolate : bool
        Allow ``at`` (and the search for the rating) outside the tested range. What lies there is a guess that the line
        goes on; it is noted on the record.
    false_alarm : float
        Of the test behind ``smallest_change``.
    size : int
        Simulated samples, at least 400.
    power : bool
        Compute ``smallest_change``.
    rng : int or Generator

    Returns
    -------
    Retention

    Raises
    ------
    InputError
        If a column, group or argument cannot be used, or ``at`` lies outside the tested range.
    NoAnswerError
        If too few specimens broke, or all at one setting.

    See Also
    --------
    trend.retention_table : every group of a log.
    trend.rate_effect : strength against loading rate.
    plot.retention : the figure.

    References
    ----------
    Lawless (2003), Statistical Models and Methods for Lifetime Data, 2nd ed., chapter 6 (from memory).

    Examples
    --------
    >>> table = pd.DataFrame({"load_kN": [24.1, 23.8, 22.9, 22.5, 21.4, 21.0], "broke": True, "used": True,
    ...     "age_years": [1.0, 1, 4, 4, 8, 8], "item": "sling"})
    >>> answer = retention(table, by="item", family="lognormal", power=False)
    >>> round(answer.low, 2), round(100 * answer.change, 2)
    (20.35, -1.73)
    """
    if size < 400:
        raise InputError(f"`size` must be at least 400 simulated samples, got {size!r}.")
    law, which, generator = get_family(family), get_basis(basis), as_rng(rng)
    rows, label = chosen_rows(log, by, group)
    beside, who = dict(others or {}), f"Group '{label}'"
    covariate = with_others(read_covariate(rows, on, axis, who), rows, beside, extrapolate, who)
    load, broke = rows["load_kN"].to_numpy(dtype=float), rows["broke"].to_numpy(dtype=bool)
    design = covariate.design
    placed, step = on_design(load, broke, design, who)
    line = regression_law(placed, broke, design, law, who=who)
    where: float | str = covariate.highest if at is None else at
    x = covariate.row(where, extrapolate)
    p, g = which.fraction_below, which.confidence
    goal = _rating(rows) if rating is None else float(rating)
    reaches, said = reaches_rating(line, covariate, p, g, goal, extrapolate)
    batch_low, batch_share, batch_note = bound_with_batches(rows, placed, broke, design, x, law, which)
    bent = np.column_stack([design, design[:, 1] ** 2])
    drop = smallest_trend(load, broke, design, law, false_alarm, generator) if power else float("nan")
    change, low_change, high_change = _changes(line, covariate)
    low = line.low(x, p, g)
    return Retention(
        group=label,
        family=law.name,
        n=int(load.size),
        n_broken=int(broke.sum()),
        covariate=on,
        axis=covariate.axis,
        at_value=_words(where),
        other_settings=", ".join(setting(name, _words(value)) for name, value in beside.items()),
        fraction_below=p,
        confidence=g,
        estimate=line.estimate(x, p),
        low=low,
        change=change,
        change_low=low_change,
        change_high=high_change,
        p_value=nested_p(load, broke, covariate.flat, design, law, size, generator),
        bend_p=nested_p(load, broke, design, bent, law, size, generator) if covariate.settings > 2 else float("nan"),
        smallest_change=_as_loss(drop, line, covariate),
        tested=covariate.tested,
        rating_kN=goal,
        reaches_low=reaches[0],
        reaches=reaches[1],
        reaches_high=reaches[2],
        batch_low=batch_low,
        batch_share=batch_share,
        notes=(
            *covariate.warnings(where),
            *([placed_words(step)] if step else []),
            *_held_notes(line, x, which, low, batch_low),
            *said,
            *batch_note,
        ),
        value=covariate.value,
        load=load,
        broke=broke,
        law=line,
        column=covariate,
    )


def _held_notes(line: RegressionLaw, x: Array, basis: Basis, low: float, batch_low: float) -> list[str]:
    """What early holds do to the bound, and what they are not reckoned with in."""
    if not line.held_early:
        return []
    words = lowered_words("kN", floor3, line.plain_low(x, basis.fraction_below, basis.confidence), low)
    more = " and the bound for a batch yet to come are" if np.isfinite(batch_low) else " is"
    return [held_note("bound", words, SAMPLES), f"The interval of the change{more} not calibrated for early holds."]


def _words(setting: float | str) -> str:
    return setting if isinstance(setting, str) else f"{setting:g}"


def _rating(rows: pd.DataFrame) -> float:
    if "rated_kN" not in rows:
        return float("nan")
    values = rows["rated_kN"].dropna().unique()
    return float(values[0]) if values.size == 1 else float("nan")


def _as_loss(drop: float, line: RegressionLaw, covariate: Covariate) -> float:
    """A drop in spreads as a fraction of the typical strength at the lowest setting."""
    if line.family.on_log:
        return float(1 - np.exp(-drop * line.fit.spread))
    return float(drop * line.fit.spread / line.location(_lowest(covariate)))


def _lowest(covariate: Covariate) -> Array:
    first = covariate.levels[0] if covariate.levels else float(covariate.value.min())
    return covariate.row(first, False)


def _changes(line: RegressionLaw, covariate: Covariate) -> tuple[float, float, float]:
    factor = np.log(2.0) if covariate.axis == "log" else 1.0
    ends = np.array([line.fit.coef[1], *line.coefficient(1, 0.90)]) * factor
    values = np.expm1(ends) if line.family.on_log else ends / line.location(_lowest(covariate))
    return float(values[0]), float(values[1]), float(values[2])


@door
def retention_table(
    log: BreakLog | pd.DataFrame, on: str = "age_years", *, by: Sequence[str] | str = BY, **options: Any
) -> pd.DataFrame:
    """Retention of every group of the log, one row a group; a group without an answer keeps its row with the reason.

    ``options`` are those of `retention`, the same for every group (``group`` and ``at`` excepted: each group's own
    highest setting is used unless ``at`` is given).

    See Also
    --------
    trend.retention : one group.

    Examples
    --------
    >>> import pandas as pd
    >>> import lowtail as lt
    >>> table = pd.DataFrame({"load_kN": [24.1, 23.8, 22.9, 22.5, 21.4, 21.0], "broke": True, "used": True,
    ...                       "age_years": [1.0, 1, 4, 4, 8, 8], "item": "sling"})
    >>> answer = lt.trend.retention_table(table, by="item", family="lognormal", power=False)
    >>> answer["group"].tolist()
    ['sling']
    """
    table = getattr(log, "table", log)
    columns = [by] if isinstance(by, str) else list(by)
    _, labels = chosen_rows(table, columns, None, every=True)
    rows = []
    for label in labels:
        try:
            rows.append(retention(table, on, by=columns, group=label, **options).to_frame())
        except NoAnswerError as exc:
            rows.append(pd.DataFrame([{"group": label, "covariate": on, "notes": str(exc)}]))
    return pd.concat(rows, ignore_index=True)
