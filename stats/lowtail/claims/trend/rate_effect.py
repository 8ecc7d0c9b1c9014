"""Strength against loading rate: the loss for every tenfold rate, with interval, survivors included."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lowtail._shared.checks import door
from lowtail._shared.choices import PositiveFamily
from lowtail._shared.interval import Interval
from lowtail._shared.record import Record
from lowtail.claims.trend.covariate import chosen_rows
from lowtail.errors import InputError, NoAnswerError
from lowtail.logs.breaks.log import BreakLog
from lowtail.models.distributions.families import get_family
from lowtail.models.regression.line import regression_law

__all__ = ["RateEffect", "rate_effect"]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RateEffect(Record):
    """Strength against loading rate (or drop height, or energy) on log axes.

    Attributes
    ----------
    group, covariate, family : str
    n, n_broken : int
    per_decade, per_decade_low, per_decade_high : float
        Factor on strength for a tenfold rate, with its two-sided interval; below 1: faster is weaker.
    loss_per_decade, loss_low, loss_high : float
        The same as a loss, 1 - factor (negative: a gain).
    confidence : float
    decades : float
        Tested range of the rate, in factors of ten.
    shown : str
        "weaker with rate", "stronger with rate" or "no effect of rate shown".
    notes : tuple of str
    rate, load, broke : ndarray, shape (n,)
    """

    group: str
    covariate: str
    family: str
    n: int
    n_broken: int
    per_decade: float
    per_decade_low: float
    per_decade_high: float
    loss_per_decade: float
    loss_low: float
    loss_high: float
    confidence: float
    decades: float
    shown: str
    notes: tuple[str, ...]
    rate: Array
    load: Array
    broke: NDArray[np.bool_]

    def confidence_interval(self) -> Interval:
        """Two-sided interval of the factor on strength for a tenfold rate."""
        return Interval(self.per_decade_low, self.per_decade_high, self.confidence)

    def __str__(self) -> str:
        return (
            f"{self.group}: {self.shown}; a tenfold {self.covariate} changes strength by a factor "
            f"{self.per_decade:.3f} ({self.confidence * 100:g} % interval "
            f"{self.per_decade_low:.3f} to {self.per_decade_high:.3f}), from "
            f"{self.n} specimens of which {self.n_broken} broke over {self.decades:.1f} decades."
        )


@door
def rate_effect(
    log: BreakLog | pd.DataFrame,
    on: str = "rate",
    *,
    by: Sequence[str] | str = ("item", "orientation"),
    group: str | None = None,
    family: PositiveFamily = "weibull",
    confidence: float = 0.95,
    rates: Mapping[str, float] | None = None,
) -> RateEffect:
    """Loss of strength per decade of loading rate, by regression of log load on log rate with survivors.

    The interval is that of the slope in the joint confidence distribution of line and scatter: Student's t for complete
    lognormal samples, the conditional distribution otherwise. Assumes one scatter at all rates, a straight line on log
    axes, and that nothing but the rate differs between slow and fast specimens (not the rig, the batch or the peak
    reading).

    Parameters
    ----------
    log : BreakLog or DataFrame
        A log, or its ``.table``.
    on : str
        Column of rates above 0, all in one unit: "rate", "drop_height_m", ...
    by, group : sequence of str, str
        Grouping columns (leave ``method`` out: the methods are the rates), and the group's label.
    family : {"weibull", "lognormal"}
    confidence : float
        Two-sided.
    rates : mapping of specimen to rate, optional
        Rates measured from traces (``peak_load(...).loading_rate_kN_per_s``), in place of the column.

    Returns
    -------
    RateEffect

    Raises
    ------
    InputError
        If rates are missing, not above 0, in several units, or all alike.
    NoAnswerError
        If too few specimens broke.

    See Also
    --------
    trend.retention : strength against age or another column.
    compare : slow pull against shock.

    Examples
    --------
    >>> table = pd.DataFrame({"item": "sling", "rate": [1.0, 1, 1, 100, 100, 100], "used": True, "broke": True,
    ...                       "load_kN": [24.1, 23.8, 24.6, 22.0, 21.5, 22.3]})
    >>> answer = rate_effect(table, by="item", family="lognormal")
    >>> round(answer.loss_per_decade, 3), answer.shown
    (0.047, 'weaker with rate')
    """
    law = get_family(family)
    if not law.on_log:
        raise InputError("`family` must be 'weibull' or 'lognormal' here: the loss per decade is a factor on strength.")
    if not 0 < confidence < 1:
        raise InputError(f"`confidence` must lie between 0 and 1 (ends excluded), got {confidence!r}.")
    rows, label = chosen_rows(log, by, group)
    rate = _rates(rows, on, rates, label)
    load, broke = rows["load_kN"].to_numpy(dtype=float), rows["broke"].to_numpy(dtype=bool)
    if np.unique(rate).size < 2:
        raise InputError(f"Group '{label}': every specimen has {on} = {rate[0]:g}, so no effect of it can be seen.")
    design = np.column_stack([np.ones_like(rate), np.log10(rate)])
    line = regression_law(load, broke, design, law, who=f"Group '{label}'")
    low, high = line.coefficient(1, confidence)
    if not np.isfinite([low, high]).all():
        raise NoAnswerError(
            f"Group '{label}': the slope has no bounded interval. Break more specimens at 2 rates or more."
        )
    slope = float(line.fit.coef[1])
    factor, factor_low, factor_high = np.exp([slope, low, high])
    shown = "weaker with rate" if high < 0 else "stronger with rate" if low > 0 else "no effect of rate shown"
    return RateEffect(
        group=label,
        covariate=on,
        family=law.name,
        n=int(load.size),
        n_broken=int(broke.sum()),
        per_decade=float(factor),
        per_decade_low=float(factor_low),
        per_decade_high=float(factor_high),
        loss_per_decade=float(1 - factor),
        loss_low=float(1 - factor_high),
        loss_high=float(1 - factor_low),
        confidence=confidence,
        decades=float(np.ptp(np.log10(rate))),
        shown=shown,
        notes=_notes(rows, rate),
        rate=rate,
        load=load,
        broke=broke,
    )


def _rates(rows: pd.DataFrame, on: str, rates: Mapping[str, float] | None, label: str) -> Array:
    if rates is not None:
        lacking = [s for s in rows["specimen"].astype(str) if s not in rates]
        if lacking:
            raise InputError(
                f"Group '{label}': `rates` has no rate for specimen {lacking[0]!r} ({len(lacking)} lacking)."
            )
        value = rows["specimen"].astype(str).map(dict(rates)).to_numpy(dtype=float)
    elif on in rows:
        value = pd.to_numeric(rows[on], errors="coerce").to_numpy(dtype=float)
        if on == "rate" and "rate_unit" in rows:
            units = [u for u in dict.fromkeys(rows["rate_unit"].astype(str)) if u and u != "nan"]
            bare = np.isfinite(value) & ~rows["rate_unit"].astype(str).isin(units).to_numpy()
            if bare.any():
                first = rows["specimen"].iloc[int(np.argmax(bare))]
                raise InputError(
                    f"Group '{label}': {int(bare.sum())} rates state no unit (first: {first}). Write it in the header, "
                    "e.g. 'rate [kN/s]', or in the column rate_unit."
                )
            if len(units) > 1:
                raise InputError(
                    f"Group '{label}': rates stand in {len(units)} units ({', '.join(units)}). Convert them to "
                    "one unit."
                )
    else:
        raise InputError(
            f"`on` names {on!r}, which the log does not have. Columns: {', '.join(map(str, rows.columns))}."
        )
    bad = np.flatnonzero(~(np.isfinite(value) & (value > 0)))
    if bad.size:
        name = rows["specimen"].iloc[bad[0]] if "specimen" in rows else rows.index[bad[0]]
        raise InputError(
            f"Group '{label}': {bad.size} of {value.size} specimens have no {on} above 0 (first: {name}). Fill "
            "it in, or set the row aside on record."
        )
    return np.asarray(value, dtype=float)


def _notes(rows: pd.DataFrame, rate: Array) -> tuple[str, ...]:
    notes = []
    settings = np.unique(rate).size
    if settings == 2:
        notes.append("Two rates only: whether strength falls along a straight line cannot be seen.")
    if "method" in rows and rows["method"].nunique() > 1:
        spans = [rate[(rows["method"] == m).to_numpy()] for m in rows["method"].unique()]
        if any(a.max() < b.min() for a in spans for b in spans if a is not b):
            notes.append("The methods do not share a rate: what is called an effect of rate may be one of the rig.")
    return tuple(notes)
