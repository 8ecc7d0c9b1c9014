"""Broke or held against drop severity: the height or energy at which 1, 10 and 50 % break."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from lowtail._shared.checks import door
from lowtail._shared.choices import AXES, Axis
from lowtail._shared.numbers import down, nearest, up
from lowtail._shared.parallel import Seed, as_rng
from lowtail._shared.record import Record
from lowtail.claims.drops.drop_law import LINKS, Counts, Link, count, fit_counts, severity_interval, tolerance
from lowtail.claims.drops.drop_log import read_drops
from lowtail.errors import InputError, NoAnswerError
from lowtail.glossary import titled
from lowtail.logs.breaks.log import BreakLog

__all__ = ["DropProportion", "DropResponse", "SeverityAt", "drop_proportion", "drop_response"]

Array = NDArray[np.float64]
DRAWS = 999


@dataclass(frozen=True, slots=True, kw_only=True)
class SeverityAt(Record):
    """Severity at which a fraction of the population breaks, with its two-sided interval.

    ``low`` is 0 and ``high`` infinite where the data give no limit.
    """

    fraction_broken: float
    estimate: float
    low: float
    high: float
    confidence: float

    def __str__(self) -> str:
        low = down(self.low) if np.isfinite(self.low) else "no limit"
        top = up(self.high) if np.isfinite(self.high) else "no limit"
        return f"{self.fraction_broken * 100:g} % break at {nearest(self.estimate)} ({low} to {top})"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DropResponse(Record):
    """How the share that breaks grows with drop severity.

    Attributes
    ----------
    group, covariate, axis, link : str
        Group; column of the severity; "log" or "plain"; "probit" or "logit".
    n, n_broken : int
        Drops, and how many broke the specimen.
    fit : str
        "maximum likelihood", or "bias-reduced likelihood" where outcomes do not overlap.
    middle, spread : float
        Of the distribution on its axis: P(broke) = F((t - middle) / spread).
    at : tuple of SeverityAt
        Severities at the fractions asked for.
    confidence : float
        Of their two-sided intervals.
    highest_held, lowest_broken : float
        Severities between which the outcomes turn.
    notes : tuple of str
    severity, broke : ndarray, shape (n,)
        As tested, in the order of the log.
    """

    group: str
    covariate: str
    axis: Axis
    link: Link
    n: int
    n_broken: int
    fit: str
    middle: float
    spread: float
    at: tuple[SeverityAt, ...]
    confidence: float
    highest_held: float
    lowest_broken: float
    notes: tuple[str, ...]
    severity: Array
    broke: NDArray[np.bool_]

    def __str__(self) -> str:
        parts = "; ".join(str(a) for a in reversed(self.at))
        return (
            f"{self.group}: by {titled(self.covariate)}, {parts} ({self.confidence * 100:g} % intervals), from "
            f"{self.n} drops of which {self.n_broken} broke ({self.fit})."
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class DropProportion(Record):
    """What drops at one severity show of the share that breaks there.

    Attributes
    ----------
    severity : float
        The one severity; NaN where none is stated.
    n, n_broken : int
        Drops and breaks.
    confidence : float
        One-sided.
    broken_estimate, broken_high : float
        Share that breaks: as observed, and its upper bound (Clopper and Pearson).
    """

    severity: float
    n: int
    n_broken: int
    confidence: float
    broken_estimate: float
    broken_high: float

    def __str__(self) -> str:
        where = f" from {self.severity:g}" if np.isfinite(self.severity) else ""
        count = "none" if self.n_broken == 0 else str(self.n_broken)
        limit = f"at most {np.ceil(self.broken_high * 1000) / 10:g} % of the population break there"
        shown = limit if self.broken_high < 1 else "nothing is shown of the share that breaks there"
        return (
            f"{self.n} drops{where}, {count} broken: at {self.confidence * 100:g} % confidence {shown}; "
            "nothing is shown of higher drops."
        )


@door
def drop_proportion(
    n: int, n_broken: int = 0, *, severity: float = float("nan"), confidence: float = 0.95
) -> DropProportion:
    """Share that breaks at one severity, from drops there alone.

    Parameters
    ----------
    n, n_broken : int
        Drops (at least 1) and breaks among them.
    severity : float, optional
        For the sentence only.
    confidence : float
        One-sided, between 0 and 1.

    Returns
    -------
    DropProportion

    Raises
    ------
    InputError
        If the numbers do not make sense.

    See Also
    --------
    drops.drop_response : drops at several severities.
    plan.zero_failure : how many must hold.

    References
    ----------
    Clopper and Pearson (1934), Biometrika 26, 404-413 (from memory).

    Examples
    --------
    >>> round(drop_proportion(10).broken_high, 4)
    0.2589
    """
    if not (0 <= n_broken <= n and n >= 1):
        raise InputError(f"`n_broken` must lie between 0 and `n` and `n` be at least 1, got {n_broken!r} of {n!r}.")
    if not 0 < confidence < 1:
        raise InputError(f"`confidence` must lie between 0 and 1 (ends excluded), got {confidence!r}.")
    high = 1.0 if n_broken == n else float(stats.beta.ppf(confidence, n_broken + 1, n - n_broken))
    return DropProportion(
        severity=float(severity),
        n=int(n),
        n_broken=int(n_broken),
        confidence=float(confidence),
        broken_estimate=n_broken / n,
        broken_high=high,
    )


@door
def drop_response(
    log: BreakLog | pd.DataFrame,
    on: str = "drop_height_m",
    *,
    by: Sequence[str] | str = ("item", "orientation"),
    group: str | None = None,
    link: Link = "probit",
    axis: Axis = "log",
    fractions: Sequence[float] = (0.01, 0.10, 0.50),
    confidence: float = 0.95,
    draws: int = DRAWS,
    rng: Seed = 0,
) -> DropResponse:
    """Severity at which 1, 10 and 50 % break, from drops of which only broke or held is known.

    Where outcomes overlap (some specimen held above a drop that broke another) the distribution is fitted by maximum
    likelihood (statsmodels GLM); where they separate, by the bias-reduced likelihood, and the record says so.
    Intervals: profile of the bias-reduced likelihood with a critical value from simulated series. Assumes one drop a
    specimen, independent specimens, and a share that grows with severity along the link.

    Parameters
    ----------
    log : BreakLog or DataFrame
        A log, or a table with the severity column and ``broke`` (True or False) or ``outcome`` (broke or held).
    on : str
        Severity: "drop_height_m", "drop_energy_J" (from drop_mass_kg and drop_height_m where not a column), or another
        column of numbers above 0.
    by, group : sequence of str, str
        Grouping columns and the group's label, needed where there are several.
    link : {"probit", "logit"}
    axis : {"log", "plain"}
        Severity enters by its logarithm or as it is.
    fractions : sequence of float
        Fractions broken, between 0 and 1.
    confidence : float
        Two-sided.
    draws, rng : int, int or Generator
        Simulated series behind the critical values (at least 199), and their seed.

    Returns
    -------
    DropResponse

    Raises
    ------
    InputError
        If a column, word or argument cannot be used.
    NoAnswerError
        If all drops broke or all held, one severity was tested, or the share does not grow with severity.

    See Also
    --------
    drops.next_drop : the next severity to test.
    drops.up_and_down : the middle, from a staircase of drops.
    drops.drop_proportion : drops at one severity.

    Examples
    --------
    >>> table = pd.DataFrame({"drop_height_m": [0.5, 0.75, 1, 1.25, 1, 1.25, 1, 0.75, 1, 1.25],
    ...                       "broke": [0, 0, 0, 1, 0, 1, 1, 0, 0, 1]})
    >>> answer = drop_response(table, by=(), draws=199)
    >>> answer.fit, answer.highest_held, answer.lowest_broken
    ('bias-reduced likelihood', 1.0, 1.0)
    """
    _check(link, axis, fractions, confidence, draws)
    drops = read_drops(log, on, by, group)
    severity, broke = drops.severity, drops.broke
    t = np.log(severity) if axis == "log" else severity
    counts = count(t, broke)
    _require(counts, severity, broke, drops.group, confidence)
    middle, spread, how = _fit(link, counts, drops.group)
    generator = as_rng(rng)
    back = np.exp if axis == "log" else np.array
    at = []
    for p in fractions:
        low, high, _ = severity_interval(link, counts, p, (middle, spread), confidence, draws, generator)
        low = max(low, 0.0) if axis == "plain" else low
        estimate = middle + spread * tolerance(link, p)
        at.append(
            SeverityAt(
                fraction_broken=float(p),
                estimate=float(back(estimate)),
                low=float(back(low)),
                high=float(back(high)),
                confidence=confidence,
            )
        )
    return DropResponse(
        group=drops.group,
        covariate=on,
        axis=axis,
        link=link,
        n=int(broke.size),
        n_broken=int(broke.sum()),
        fit=how,
        middle=middle,
        spread=spread,
        at=tuple(at),
        confidence=confidence,
        highest_held=float(severity[~broke].max()),
        lowest_broken=float(severity[broke].min()),
        notes=_notes(at, severity, on, how),
        severity=severity,
        broke=broke,
    )


def _check(link: str, axis: str, fractions: Sequence[float], confidence: float, draws: int) -> None:
    if link not in LINKS:
        raise InputError(f"`link` must be one of {', '.join(map(repr, LINKS))}, got {link!r}.")
    if axis not in AXES:
        raise InputError(f"`axis` must be 'log' or 'plain', got {axis!r}.")
    for p in fractions:
        if not 0 < p < 1:
            raise InputError(f"`fractions` must lie between 0 and 1 (ends excluded), got {p!r}. 1 % is 0.01.")
    if not 0 < confidence < 1:
        raise InputError(f"`confidence` must lie between 0 and 1 (ends excluded), got {confidence!r}.")
    if draws < 199:
        raise InputError(f"`draws` must be at least 199, got {draws!r}.")


def _require(counts: Counts, severity: Array, broke: NDArray[np.bool_], group: str, confidence: float) -> None:
    if counts.t.size == 1:
        fixed = drop_proportion(broke.size, int(broke.sum()), severity=float(severity[0]), confidence=confidence)
        raise NoAnswerError(f"Group '{group}': one severity was tested, so that no curve can be drawn. {fixed}")
    if broke.all() or not broke.any():
        word, way = ("broke", "lower") if broke.any() else ("held", "higher")
        raise NoAnswerError(
            f"Group '{group}': all {broke.size} drops {word}, so that the severity at which parts begin to "
            f"break is not known. Drop from {way}. `drop_proportion` says what one severity shows."
        )


def _fit(link: str, counts: Counts, group: str) -> tuple[float, float, str]:
    held, broke = counts.t[counts.k < counts.n], counts.t[counts.k > 0]
    if held.min() >= broke.max():
        raise NoAnswerError(_no_growth(group))
    if counts.separated:
        middle, spread = fit_counts(link, counts)
        return middle, spread, "bias-reduced likelihood"
    from statsmodels.genmod import families
    from statsmodels.genmod.generalized_linear_model import GLM

    law = families.Binomial(families.links.Probit() if link == "probit" else families.links.Logit())
    design = np.column_stack([np.ones_like(counts.t), counts.t - counts.t.mean()])
    fitted = GLM(np.column_stack([counts.k, counts.n - counts.k]), design, family=law).fit(maxiter=200, tol=1e-12)
    intercept, slope = (float(v) for v in fitted.params)
    if slope <= 0:
        raise NoAnswerError(_no_growth(group))
    return float(counts.t.mean() - intercept / slope), 1 / slope, "maximum likelihood"


def _no_growth(group: str) -> str:
    return (
        f"Group '{group}': the share that breaks does not grow with severity in these drops, so that no "
        "severity can be given. Check that severities and outcomes were not mixed up, or test over a wider range."
    )


def _notes(at: Sequence[SeverityAt], severity: Array, on: str, how: str) -> tuple[str, ...]:
    notes = []
    if how != "maximum likelihood":
        notes.append(
            "Outcomes do not overlap: the spread is hardly known; drop more between the highest held and the "
            "lowest broken."
        )
    for a in at:
        if a.estimate < severity.min():
            notes.append(
                f"The {a.fraction_broken * 100:g} % severity lies below every drop made ({severity.min():g} in "
                f"{on}): it rests on the assumed distribution alone."
            )
        if a.low == 0 or a.high > 5 * a.estimate or a.low < a.estimate / 5:
            notes.append(f"These drops say next to nothing of the {a.fraction_broken * 100:g} % severity.")
    return tuple(notes)
