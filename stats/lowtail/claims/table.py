"""The table of a report: one row a group with its bounds, and the rating check."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from lowtail.claims.basis import Basis, as_bases, get_basis
from lowtail.claims.low_bound import LowBound, confidence_that, floor3, low_bound
from lowtail.errors import InputError, LowtailError, NoAnswerError
from lowtail.models.families import Family, get_family
from lowtail.models.fit import fit
from lowtail.models.tolerance import factor_fraction
from lowtail.records.sample import Sample, split

if TYPE_CHECKING:
    import pandas as pd

    from lowtail.records.log import BreakLog

__all__ = ["DEFAULT_BASES", "DEFAULT_BY", "judge_rating", "rating_check", "strength_table"]

DEFAULT_BY = ("item", "orientation", "method")
DEFAULT_BASES = ("A-basis", "B-basis", "5 % characteristic, 75 %")


def strength_table(
    log: BreakLog | pd.DataFrame,
    by: Sequence[str] | str = DEFAULT_BY,
    bases: str | Basis | Iterable[str | Basis] = DEFAULT_BASES,
    family: str | Family = "weibull",
    *,
    shared_by: Sequence[str] | str | None = None,
    rated: str = "rated_kN",
    rating_basis: str | Basis | None = None,
) -> pd.DataFrame:
    """One row a group: counts, plain figures, estimates and bounds on every basis, rating and verdict.

    Parameters
    ----------
    log : BreakLog or DataFrame
        A log, or its ``.table``.
    by : sequence of str
        Grouping columns.
    bases : names or Basis
        Tolerance bases to state; each gives the columns ``"<basis>"`` (the law asked for), ``"<basis>, normal"`` (the
        normal law beside it), ``"<basis>, estimate"`` (no margin) and, with ``shared_by``, ``"<basis>, shared
        spread"``.
    family : str or Family
        Headline law; default Weibull. The rating is judged on the lower of this law and the normal.
    shared_by : sequence of str, optional
        Columns whose values siblings have in common, e.g. ``("item",)``: such groups then also share one spread. Always
        beside the group's own bound, never instead of it.
    rated : str
        Column with the rating in kN, where the log has one.
    rating_basis : str or Basis, optional
        Basis on which the rating is judged; default "B-basis" if it is among ``bases``, else the first of them.

    Returns
    -------
    DataFrame
        NaN where a group cannot carry a number; ``notes`` then says why. ``attrs`` holds family, bases and by.
    """
    import pandas as pd

    law, wanted = get_family(family), as_bases(bases)
    custom = [b.name for b in wanted if b.kind != "tolerance"]
    if custom:
        raise InputError(f"`bases` takes tolerance bases; {custom[0]!r} is always in the table or in low_bound.")
    samples = split(log, by)
    siblings = _siblings(samples, log, by, shared_by)
    judged = get_basis(rating_basis) if rating_basis is not None else _judging(wanted)
    table = getattr(log, "table", log)
    rows = []
    for sample in samples:
        row = _plain(sample)
        notes: list[str] = []
        for basis in wanted:
            row |= _bounds(sample, basis, law, siblings.get(sample.label), notes)
        row |= _three_spreads(sample)
        row["rated_kN"], row["verdict"] = _rating(sample, table, rated, judged, law)
        row["notes"] = " ".join(dict.fromkeys(notes))
        rows.append(row)
    out = pd.DataFrame(rows)
    out.attrs = {
        "family": law.name,
        "bases": [b.name for b in wanted],
        "by": [by] if isinstance(by, str) else list(by),
        "rating_basis": judged.name,
        "shared_by": [] if shared_by is None else ([shared_by] if isinstance(shared_by, str) else list(shared_by)),
    }
    return out


def _judging(bases: Sequence[Basis]) -> Basis:
    return next((b for b in bases if b.name == "B-basis"), bases[0])


def _plain(sample: Sample) -> dict[str, Any]:
    row: dict[str, Any] = dict(sample.group)
    row |= {
        "group": sample.label,
        "n": sample.n,
        "n_broken": sample.n_broken,
        "n_held": sample.n_held,
        "lowest_kN": float(sample.load[sample.broke].min()) if sample.n_broken else np.nan,
        "mean_kN": np.nan,
        "s_kN": np.nan,
        "cv": np.nan,
    }
    if sample.n_held == 0:
        row["mean_kN"] = float(sample.load.mean())
        row["s_kN"] = float(sample.load.std(ddof=1)) if sample.n > 1 else np.nan
    else:
        try:
            found = fit(sample, "normal")
            row["mean_kN"], row["s_kN"] = found.mean, found.std
        except LowtailError:
            pass
    row["cv"] = row["s_kN"] / row["mean_kN"]
    return row


def _attempt(sample: Sample, basis: Basis, law: Family, notes: list[str], **options: Any) -> LowBound | None:
    try:
        found = low_bound(sample, basis, family=law, **options)
    except NoAnswerError as reason:
        notes.append(str(reason))
        return None
    return found


def _bounds(
    sample: Sample, basis: Basis, law: Family, shared: Sequence[Sample] | None, notes: list[str]
) -> dict[str, Any]:
    own = _attempt(sample, basis, law, notes)
    row: dict[str, Any] = {
        basis.name: own.low if own else np.nan,
        f"{basis.name}, normal": np.nan,
        f"{basis.name}, estimate": own.estimate if own else np.nan,
    }
    if own is not None:
        notes.extend(own.notes)
    beside = own if law.name == "normal" else _attempt(sample, basis, get_family("normal"), [])
    row[f"{basis.name}, normal"] = beside.low if beside else np.nan
    if shared is not None:
        lent = _attempt(sample, basis, law, [], shared_spread=shared) if len(shared) > 1 else None
        row[f"{basis.name}, shared spread"] = lent.low if lent else np.nan
    return row


def _three_spreads(sample: Sample) -> dict[str, Any]:
    """``mean - 3 s`` with the fraction it shows to be stronger at 95 % confidence (normal law, complete samples)."""
    if sample.n_held or sample.n < 2:
        return {"mean_minus_3s_kN": np.nan, "three_s_shows": np.nan}
    low = float(sample.load.mean() - 3 * sample.load.std(ddof=1))
    return {"mean_minus_3s_kN": max(low, 0.0), "three_s_shows": 1 - factor_fraction(sample.n, 3.0, 0.95)}


def _siblings(
    samples: Sequence[Sample], log: Any, by: Sequence[str] | str, shared_by: Sequence[str] | str | None
) -> dict[str, list[Sample]]:
    if shared_by is None:
        return {}
    columns = (shared_by,) if isinstance(shared_by, str) else tuple(shared_by)
    grouping = (by,) if isinstance(by, str) else tuple(by)
    missing = [c for c in columns if c not in grouping]
    if missing:
        raise InputError(f"`shared_by` names {missing[0]!r}, which is not among the grouping columns {grouping}.")
    families: dict[tuple[str, ...], list[Sample]] = {}
    for sample in samples:
        families.setdefault(tuple(sample.group[c] for c in columns), []).append(sample)
    return {s.label: families[tuple(s.group[c] for c in columns)] for s in samples}


def _rating(sample: Sample, table: Any, rated: str, basis: Basis, law: Family) -> tuple[float, str]:
    if rated not in table.columns:
        return np.nan, ""
    rows = table["used"] & np.logical_and.reduce([table[c].astype(str) == v for c, v in sample.group.items()])
    values = table.loc[rows, rated].dropna().unique()
    if values.size == 0:
        return np.nan, ""
    if values.size > 1:
        return np.nan, f"several ratings in this group ({', '.join(f'{v:g}' for v in sorted(values))} kN): split it"
    return float(values[0]), judge_rating(sample, float(values[0]), basis, law)["verdict"]


def judge_rating(sample: Sample, rating: float, basis: Basis, law: Family) -> dict[str, Any]:
    """Judge one rating on the lower of the law asked for and the normal law.

    Returns
    -------
    dict
        low (kN), confidence (that the rating holds at the basis' fraction), broke_below (count), verdict (words).
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
    if reason:
        low, shown = np.nan, np.nan
    if below:
        verdict = f"broke below its rating: {below} of {sample.n} under {rating:g} kN"
    elif reason:
        verdict = f"not shown: {reason}"
    elif low >= rating:
        verdict = f"backed: {basis.name} {floor3(low)} kN reaches {rating:g} kN"
    else:
        percent = np.floor(1000 * shown) / 10
        verdict = (
            f"not shown: {basis.name} {floor3(low)} kN is under {rating:g} kN "
            f"(shown with {percent:g} % confidence, {100 * basis.confidence:g} % asked)"
        )
    return {"low": low, "confidence": shown, "broke_below": below, "verdict": verdict}


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
        Judged on the lower of this law and the normal.

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
        value, verdict = _rating(sample, table, rated, asked, law)
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
