"""The table of a report: one row a group with its bounds, and the rating check."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from lowtail._checks import door
from lowtail.claims.basis import Basis, as_bases, get_basis
from lowtail.claims.strength.early_notes import EARLY, TOO_HIGH
from lowtail.claims.strength.low_bound import LowBound, low_bound
from lowtail.claims.strength.rating import DEFAULT_BY, batch_names, over_batches, rate
from lowtail.errors import InputError, LowtailError, NoAnswerError
from lowtail.models.families import Family, get_family
from lowtail.models.fit import fit
from lowtail.models.tolerance import factor_fraction
from lowtail.records.sample import Sample, split

if TYPE_CHECKING:
    import pandas as pd

    from lowtail.records.log import BreakLog

__all__ = ["DEFAULT_BASES", "DEFAULT_BY", "strength_table"]

DEFAULT_BASES = ("A-basis", "B-basis", "5 % characteristic, 75 %")


@door
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
        Headline law; default Weibull. For the rating see `rating_check`.
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
    batches = any(batch_names(sample) for sample in samples)
    rows = []
    for sample in samples:
        row = _plain(sample)
        notes: list[str] = []
        early: dict[str, list[str]] = {}  # notes that hold for some bases only, with their names
        for basis in wanted:
            row |= _bounds(sample, basis, law, siblings.get(sample.label), notes, early, batches)
        notes += [f"{', '.join(names)}: {note}" for note, names in early.items()]
        row |= _three_spreads(sample)
        row["rated_kN"], row["verdict"] = rate(sample, table, rated, judged, law)
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
    sample: Sample,
    basis: Basis,
    law: Family,
    shared: Sequence[Sample] | None,
    notes: list[str],
    early: dict[str, list[str]],
    batches: bool,
) -> dict[str, Any]:
    own = _attempt(sample, basis, law, notes)
    row: dict[str, Any] = {
        basis.name: own.low if own else np.nan,
        f"{basis.name}, normal": np.nan,
        f"{basis.name}, estimate": own.estimate if own else np.nan,
    }
    if own is not None:
        for note in own.notes:
            if note.startswith((EARLY, TOO_HIGH)):
                early.setdefault(note, []).append(basis.name)
            else:
                notes.append(note)
    beside = own if law.name == "normal" else _attempt(sample, basis, get_family("normal"), [])
    row[f"{basis.name}, normal"] = beside.low if beside else np.nan
    if batches:
        over = over_batches(sample, basis, law)
        row[f"{basis.name}, batches"] = over.low if over else np.nan
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
