"""Does it meet its rating? The rated value against the data, in words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from lowtail._checks import door
from lowtail.claims.basis import Basis, get_basis
from lowtail.claims.strength.batches import BatchBound, batch_bound
from lowtail.claims.strength.low_bound import confidence_that, floor3, low_bound
from lowtail.errors import InputError, NoAnswerError
from lowtail.models.families import Family, get_family
from lowtail.records.sample import Sample, split

if TYPE_CHECKING:
    import pandas as pd

    from lowtail.records.log import BreakLog

__all__ = ["DEFAULT_BY", "batch_names", "judge_rating", "over_batches", "rate", "rating_check"]

DEFAULT_BY = ("item", "orientation", "method")
_GOVERNS_FROM = 3  # batches from which the bound over batches can be the headline


def batch_names(sample: Sample) -> tuple[str, ...]:
    """Names of the batches where every specimen has one and there are 2 or more; else none."""
    if sample.batch is None or any(not str(b).strip() for b in sample.batch):
        return ()
    names = tuple(dict.fromkeys(str(b) for b in sample.batch))
    return names if len(names) > 1 else ()


def over_batches(sample: Sample, basis: Basis, law: Family) -> BatchBound | None:
    """Bound over batches to come, where the batches are named and carry it; else None."""
    if not batch_names(sample) or basis.fraction_below > 0.5:
        return None
    try:
        return batch_bound(sample, basis.fraction_below, basis.confidence, law)
    except NoAnswerError:
        return None


def judge_rating(sample: Sample, rating: float, basis: Basis, law: Family) -> dict[str, Any]:
    """Judge one rating on the lowest of the law asked for, the normal law and, where it governs, the batches.

    The bound over batches governs with 3 or more named batches whose variance between batches is estimated above zero.

    Returns
    -------
    dict
        low (kN), confidence (that the rating holds at the basis' fraction, without batches), broke_below (count),
        verdict (words).
    """
    below = int((sample.load[sample.broke] < rating).sum())
    laws = (law,) if law.name == "normal" else (law, get_family("normal"))
    low, shown, reason = np.inf, 1.0, ""
    for each in laws:
        try:
            low = min(low, low_bound(sample, basis, family=each).low)
            if sample.n_broken:
                shown = min(shown, confidence_that(sample, rating, basis.fraction_below, family=each).confidence)
        except NoAnswerError as missing:
            reason = str(missing)
    over = over_batches(sample, basis, law)
    governs = over is not None and over.n_batches >= _GOVERNS_FROM and over.spread_between > 0 and over.low < low
    if reason:
        low, shown = np.nan, np.nan
    named = basis.name
    if over is not None and governs and not reason:
        low, named = over.low, f"{basis.name} over {over.n_batches} batches"
    if below:
        verdict = f"broke below its rating: {below} of {sample.n} under {rating:g} kN"
    elif reason:
        verdict = f"not shown: {reason}"
    elif low >= rating:
        verdict = f"backed: {named} {floor3(low)} kN reaches {rating:g} kN"
    elif named != basis.name:
        verdict = f"not shown: {named} {floor3(low)} kN is under {rating:g} kN"
    else:
        percent = np.floor(1000 * shown) / 10
        verdict = (
            f"not shown: {named} {floor3(low)} kN is under {rating:g} kN "
            f"(shown with {percent:g} % confidence, {100 * basis.confidence:g} % asked)"
        )
    return {"low": low, "confidence": shown, "broke_below": below, "verdict": verdict}


def rate(sample: Sample, table: Any, rated: str, basis: Basis, law: Family) -> tuple[float, str]:
    """Rating of a group and the verdict on it; NaN and no words where the log has none."""
    if rated not in table.columns:
        return np.nan, ""
    rows = table["used"] & np.logical_and.reduce([table[c].astype(str) == v for c, v in sample.group.items()])
    values = table.loc[rows, rated].dropna().unique()
    if values.size == 0:
        return np.nan, ""
    if values.size > 1:
        return np.nan, f"several ratings in this group ({', '.join(f'{v:g}' for v in sorted(values))} kN): split it"
    return float(values[0]), judge_rating(sample, float(values[0]), basis, law)["verdict"]


@door
def rating_check(
    log: BreakLog | pd.DataFrame,
    by: Sequence[str] | str = DEFAULT_BY,
    rated: str = "rated_kN",
    basis: str | Basis = "B-basis",
    family: str | Family = "weibull",
) -> pd.DataFrame:
    """Rated value against the data, in words, one row a group.

    Parameters
    ----------
    log : BreakLog or DataFrame
    by : sequence of str
    rated : str
        Column with the rating in kN; one value a group.
    basis : str or Basis
        A tolerance basis.
    family : str or Family
        Judged on the lowest of this law, the normal and, where it governs, the bound over batches.

    Returns
    -------
    DataFrame
        group, rated_kN, low_kN, confidence, broke_below, verdict; groups without a rating are left out.

    Raises
    ------
    InputError
        If the log has no ``rated`` column or no group has a rating.
    """
    import pandas as pd

    table: Any = getattr(log, "table", log)
    law, asked = get_family(family), get_basis(basis)
    if rated not in table.columns or table[rated].isna().all():
        raise InputError(
            f"The log has no rating: column {rated!r} is missing or empty. Fill it in kN, or name another."
        )
    rows = []
    for sample in split(log, by):
        value, verdict = rate(sample, table, rated, asked, law)
        if not verdict:
            continue
        row: dict[str, Any] = {"group": sample.label, **sample.group, "n": sample.n, "n_broken": sample.n_broken}
        row |= {"rated_kN": value, "low_kN": np.nan, "confidence": np.nan, "broke_below": 0, "verdict": verdict}
        if np.isfinite(value):
            judged = judge_rating(sample, value, asked, law)
            row |= {
                "low_kN": judged["low"],
                "confidence": judged["confidence"],
                "broke_below": judged["broke_below"],
            }
        rows.append(row)
    return pd.DataFrame(rows)
