"""Where to drop next: a staircase until outcomes overlap, then the most telling height."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lowtail._shared.checks import door
from lowtail._shared.choices import Axis
from lowtail._shared.record import Record
from lowtail.claims.drops.drop_law import Counts, Link, count, fit_counts, information, tolerance
from lowtail.claims.drops.drop_log import read_drops
from lowtail.claims.drops.drop_response import DropResponse
from lowtail.errors import InputError
from lowtail.glossary import setting
from lowtail.logs.breaks.log import BreakLog

__all__ = ["NextDrop", "next_drop"]

Array = NDArray[np.float64]
FIRST_STEP = 0.25  # first step of a staircase, as a share of the severity, while one outcome only was seen


@dataclass(frozen=True, slots=True, kw_only=True)
class NextDrop(Record):
    """Severity proposed for the next drop.

    Attributes
    ----------
    group, covariate : str
    severity : float
        Proposed, in the unit of ``on``.
    rule : str
        "staircase", "halving" or "most telling".
    step : float
        Step of the staircase, as a ratio on a log axis, else in the unit of ``on``; NaN for "most telling".
    n : int
        Drops so far.
    reason : str
        Why there.
    """

    group: str
    covariate: str
    severity: float
    rule: str
    step: float
    n: int
    reason: str

    def __str__(self) -> str:
        where = setting(self.covariate, f"{self.severity:.3g}")
        return f"{self.group}: drop next at {where} ({self.rule}): {self.reason}."


@door
def next_drop(
    drops: DropResponse | BreakLog | pd.DataFrame,
    on: str = "drop_height_m",
    *,
    by: Sequence[str] | str = ("item", "orientation"),
    group: str | None = None,
    goal: float | None = None,
    link: Link = "probit",
    axis: Axis = "log",
) -> NextDrop:
    """Propose the next drop.

    While all drops broke or all held: one step (a quarter) down or up. While outcomes do not overlap: halve the gap
    between the highest held and the lowest broken until it is no wider than the fitted spread, then one such step up
    after a specimen that held and down after one that broke. Once outcomes overlap: the severity that tells most, by
    the expected information at the fit, never more than one spread outside the range tested.

    Parameters
    ----------
    drops : DropResponse, BreakLog or DataFrame
        The drops so far, in the order made.
    on, by, group, link, axis
        As in `drop_response`; taken from a DropResponse where one is given.
    goal : float, optional
        Fraction broken whose severity is wanted (0.5: the middle). Default: middle and spread together.

    Returns
    -------
    NextDrop

    Raises
    ------
    InputError
        If ``goal`` or a column cannot be used.

    See Also
    --------
    drops.drop_response : the answer when the drops are done.
    drops.up_and_down : the middle, from a staircase of drops.

    References
    ----------
    Dixon and Mood (1948), JASA 43:109-126; Neyer (1994), Technometrics 36:61-70 (both from memory).

    Examples
    --------
    >>> table = pd.DataFrame({"drop_height_m": [1.0, 1.25], "broke": [False, True]})
    >>> next_drop(table, by=()).rule
    'halving'
    """
    if goal is not None and not 0 < goal < 1:
        raise InputError(f"`goal` must lie between 0 and 1 (ends excluded), got {goal!r}. 10 % is 0.10.")
    if isinstance(drops, DropResponse):
        label, severity, broke = drops.group, drops.severity, drops.broke
        on, link, axis = drops.covariate, drops.link, drops.axis
    else:
        found = read_drops(drops, on, by, group)
        label, severity, broke = found.group, found.severity, found.broke
    t = np.log(severity) if axis == "log" else severity
    counts = count(t, broke)
    where, rule, step, reason = _propose(link, counts, t, broke, goal, axis)
    shown = np.exp(step) if axis == "log" else step
    return NextDrop(
        group=label,
        covariate=on,
        severity=float(np.exp(where) if axis == "log" else where),
        rule=rule,
        step=float(shown),
        n=int(broke.size),
        reason=reason,
    )


def _propose(
    link: str, counts: Counts, t: Array, broke: NDArray[np.bool_], goal: float | None, axis: str
) -> tuple[float, str, float, str]:
    if broke.all() or not broke.any():
        step = float(np.log1p(FIRST_STEP)) if axis == "log" else FIRST_STEP * float(np.abs(t).mean())
        if broke.all():
            return float(t.min() - step), "staircase", step, "every specimen broke so far, so one step below the lowest"
        return float(t.max() + step), "staircase", step, "every specimen held so far, so one step above the highest"
    highest, lowest = float(t[~broke].max()), float(t[broke].min())
    middle, spread = fit_counts(link, counts)
    if counts.separated:
        if lowest - highest > spread:
            return (
                (highest + lowest) / 2,
                "halving",
                (lowest - highest) / 2,
                "half way from the highest held to the lowest broken",
            )
        last = float(t[-1])
        where = last - spread if broke[-1] else last + spread
        word = "broke, so one step down" if broke[-1] else "held, so one step up"
        return where, "staircase", spread, f"the last specimen {word}; the step is the spread fitted so far"
    grid = np.linspace(t.min() - spread, t.max() + spread, 401)
    gain = np.array([_gain(link, counts, x, middle, spread, goal) for x in grid])
    what = "the middle and the spread together" if goal is None else f"the {goal * 100:g} % severity"
    return (
        float(grid[gain.argmax()]),
        "most telling",
        float("nan"),
        f"outcomes overlap, and a drop there tells most of {what}",
    )


def _gain(link: str, counts: Counts, x: float, middle: float, spread: float, goal: float | None) -> float:
    """Information after one more drop at ``x``: log determinant, or minus the variance of the severity wanted."""
    more = Counts(np.append(counts.t, x) - middle, np.append(counts.n, 1.0), np.append(counts.k, 0.0))
    info = information(link, more, 0.0, spread)
    if goal is None:
        return float(np.linalg.slogdet(info)[1])
    at = spread * tolerance(link, goal)
    slope = np.array([-spread, -spread * at])  # severity = (quantile - intercept) / slope
    return -float(slope @ np.linalg.solve(info, slope))
