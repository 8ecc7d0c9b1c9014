"""The table of a report: one row a group with the bound that governs, what stands behind it, and the rating."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from lowtail._shared.checks import door
from lowtail._shared.guard import Trouble
from lowtail._shared.sample import Sample, SlipsMean
from lowtail._shared.tables import AnswerTable, with_asked
from lowtail.claims.basis import Basis, as_bases
from lowtail.claims.strength.borrowed_table import BORROWED, borrowed_columns, families_of, lending_family
from lowtail.claims.strength.governing import NAMES, Governing, batch_names
from lowtail.claims.strength.groups import DEFAULT_BASES, DEFAULT_BY, GroupStrength, group_strengths, judging_basis
from lowtail.claims.strength.lower_bound import LowerBound, lower_bound
from lowtail.errors import InputError, LowtailError, NoAnswerError
from lowtail.logs.breaks.log import BreakLog
from lowtail.models.bounds.tolerance import factor_fraction
from lowtail.models.distributions.families import Family, get_family
from lowtail.models.distributions.fit import fit

__all__ = ["DEFAULT_BASES", "DEFAULT_BY", "StrengthAsked", "StrengthTable", "column_of", "strength_table", "table_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class StrengthAsked:
    """What a strength table was asked.

    Attributes
    ----------
    family, borrow_family, rating_basis : str
        The further distribution shown, the one that lends scatter, and the basis that judges ratings.
    bases, by, borrow : tuple of str
        Bases, grouping columns, and the columns whose groups lend each other scatter.
    """

    family: str
    bases: tuple[str, ...]
    by: tuple[str, ...]
    rating_basis: str
    borrow: tuple[str, ...]
    borrow_family: str


class StrengthTable(AnswerTable):
    """The table of `strength_table`: a DataFrame, with what was asked in ``asked``."""

    asked: StrengthAsked


def column_of(basis: str, what: str = "") -> str:
    """Name of a column of the table, e.g. "B-basis [kN]", "B-basis, Weibull [kN]", "B-basis, governed by"."""
    if what == "governed by":
        return f"{basis}, governed by"
    return f"{basis}, {what} [kN]" if what else f"{basis} [kN]"


@door
def strength_table(
    log: BreakLog | pd.DataFrame,
    by: Sequence[str] | str = DEFAULT_BY,
    bases: str | Basis | Iterable[str | Basis] = DEFAULT_BASES,
    family: str | Family = "weibull",
    *,
    borrow: Sequence[str] | str | None = None,
    rated: str = "rated_kN",
    rating_basis: str | Basis | None = None,
    claim: float | None = None,
    slips: SlipsMean | None = None,
) -> StrengthTable:
    """One row a group: counts, plain figures, the governing bound on every basis, what stands behind it, the rating.

    Parameters
    ----------
    log : BreakLog or DataFrame
        A log, or its ``.table``.
    by : sequence of str
        Grouping columns.
    bases : names or Basis
        Tolerance bases to state. Each gives the columns ``"<basis> [kN]"`` (the bound that governs) and ``"<basis>,
        governed by"`` first, then behind them ``"<basis>, these batches [kN]"`` and ``"<basis>, next batch [kN]"``,
        the single bounds ``"<basis>, Weibull [kN]"``, ``"<basis>, normal [kN]"``, ``"<basis>, cautious [kN]"``, and
        ``"<basis>, estimate [kN]"`` (no margin in it).
    family : str or Family
        A further distribution to show beside ("lognormal"); it never changes the bound that governs.
    borrow : sequence of str, optional
        Columns whose values siblings have in common, e.g. ``"item"``: such groups lend each other their scatter (see
        ``lower_bound(siblings=)``); ``"all"`` takes every group, a choice to state beforehand. Adds ``"<basis>,
        borrowed scatter [kN]"`` (under the lognormal if that is ``family``, else the Weibull), ``"borrowed scatter"``
        (what it rests on, or why there is none) and ``"borrowed scatter, conflict p"``. It stands beside the group's
        own bound and never governs.
    rated : str
        Column with the rating in kN, where the log has one.
    rating_basis : str or Basis, optional
        Basis on which the rating is judged; default "B-basis" if it is among ``bases``, else the first of them.
    claim : float, optional
        One strength in kN asked of every group, in place of the ratings in the log.
    slips : str, optional
        What a slip means, see `governing`.

    Returns
    -------
    StrengthTable
        A DataFrame. NaN where a group cannot carry a number; ``notes`` then says why. ``asked`` holds
        family, bases and by.

    See Also
    --------
    governing : the rule behind the bounds.
    lower_bound : one bound by name.
    report_table : this table as the page shows it.
    many.strength_table : over many files.

    Examples
    --------
    >>> import pandas as pd
    >>> import lowtail as lt
    >>> log = lt.check_breaks(pd.DataFrame({"specimen": list("abcde"), "item": "sling", "method": "slow pull",
    ...                                     "load [kN]": [24.1, 25.3, 22.8, 26.0, 23.9], "outcome": "broke"}))
    >>> answer = lt.strength_table(log, bases="B-basis")
    >>> answer[["group", "n", "B-basis [kN]"]].round(2).values.tolist()
    [['sling, slow pull', 5, 16.51]]
    """
    law, wanted = get_family(family), as_bases(bases)
    custom = [b.name for b in wanted if b.kind != "tolerance"]
    if custom:
        raise InputError(f"`bases` takes tolerance bases; {custom[0]!r} is always in the table or in lower_bound.")
    groups = group_strengths(log, by, wanted, rated=rated, rating_basis=rating_basis, claim=claim, slips=slips)
    return table_of(groups, wanted, law, judging_basis(wanted, rating_basis), by=by, borrow=borrow, slips=slips)


def table_of(
    groups: Sequence[GroupStrength],
    bases: Sequence[Basis],
    family: Family,
    judged_on: Basis,
    *,
    by: Sequence[str] | str = DEFAULT_BY,
    borrow: Sequence[str] | str | None = None,
    slips: SlipsMean | None = None,
) -> StrengthTable:
    """The rows of `strength_table` from groups already asked."""
    samples = [g.sample for g in groups]
    columns = (by,) if isinstance(by, str) else tuple(by)
    siblings = families_of(samples, columns, borrow)
    batches = any(len(batch_names(sample)) > 1 for sample in samples)
    rows = []
    for group in groups:
        sample = group.sample
        row = _plain(sample)
        lows, words = borrowed_columns(sample, bases, lending_family(family), siblings.get(sample.label), slips)
        for basis in bases:
            row |= _columns(basis, group.bound(basis.name), batches)
            row |= _beside(sample, basis, family)
            row |= {column_of(name, BORROWED): low for name, low in lows.items() if name == basis.name}
        row |= words | _three_spreads(sample)
        row["rated_kN"] = group.judged.rating if group.judged else np.nan
        row["verdict"] = str(group.judged.verdict) if group.judged else ""
        row["sentence"] = group.judged.sentence if group.judged else ""
        row["notes"] = _notes(group, bases)
        rows.append(row)
    asked = StrengthAsked(
        family=family.name,
        bases=tuple(b.name for b in bases),
        by=columns,
        rating_basis=judged_on.name,
        borrow=() if borrow is None else ((borrow,) if isinstance(borrow, str) else tuple(borrow)),
        borrow_family=lending_family(family).name,
    )
    return with_asked(StrengthTable, rows, asked)


def _notes(group: GroupStrength, bases: Sequence[Basis]) -> str:
    """Notes of the bounds, or why there is none; a note that holds for some bases only names them.

    The note on sampling rules is true of every row and stands once, beside the table.
    """
    said: dict[str, list[str]] = {}
    for basis in bases:
        found = group.bounds[basis.name]
        once = "" if isinstance(found, Trouble) else basis.sampling_note(found.n, found.n_batches)
        for note in (found.reason,) if isinstance(found, Trouble) else found.notes:
            if note and note != once:
                said.setdefault(note, []).append(basis.name)
    return " ".join(n if len(names) == len(bases) else f"{', '.join(names)}: {n}" for n, names in said.items())


def _columns(basis: Basis, found: Governing | None, batches: bool) -> dict[str, Any]:
    name = basis.name
    row: dict[str, Any] = {
        column_of(name): found.low if found else np.nan,
        column_of(name, "governed by"): found.governed_by if found else "",
        column_of(name, "these batches"): found.these_batches if found else np.nan,
    }
    if batches:
        row[column_of(name, "next batch")] = found.next_batch if found else np.nan
    for what in ("weibull", "normal", "cautious"):
        row[column_of(name, NAMES.get(what, what))] = getattr(found, what) if found else np.nan
    row[column_of(name, "estimate")] = found.estimate if found else np.nan
    return row


def _plain(sample: Sample) -> dict[str, Any]:
    row: dict[str, Any] = dict(sample.group)
    row |= {
        "group": sample.label,
        "n": sample.n,
        "n_broken": sample.n_broken,
        "n_held": sample.n_held,
        "n_slipped": sample.n_slipped,
        "lowest_kN": float(sample.lower[sample.broke].min()) if sample.n_broken else np.nan,
        "mean_kN": np.nan,
        "s_kN": np.nan,
        "cv": np.nan,
    }
    if sample.n_censored + sample.n_between == 0:
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


def _attempt(sample: Sample, basis: Basis, law: Family, **options: Any) -> LowerBound | None:
    try:
        return lower_bound(sample, basis, family=law, **options)
    except NoAnswerError:
        return None


def _beside(sample: Sample, basis: Basis, law: Family) -> dict[str, Any]:
    """A further distribution, which never governs."""
    row: dict[str, Any] = {}
    if law.name not in ("weibull", "normal"):
        own = _attempt(sample, basis, law)
        row[column_of(basis.name, NAMES.get(law.name, law.name))] = own.low if own else np.nan
    return row


def _three_spreads(sample: Sample) -> dict[str, Any]:
    """``mean - 3 s`` with the fraction it demonstrates to be stronger at 95 % confidence (complete samples)."""
    if sample.n_censored or sample.n_between or sample.n < 2:
        return {"mean_minus_3s_kN": np.nan, "three_s_shows": np.nan}
    low = float(sample.load.mean() - 3 * sample.load.std(ddof=1))
    return {"mean_minus_3s_kN": max(low, 0.0), "three_s_shows": 1 - factor_fraction(sample.n, 3.0, 0.95)}
