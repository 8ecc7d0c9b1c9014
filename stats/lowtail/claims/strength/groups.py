"""Every group of a log with its governing bounds and its verdict, asked once; tables and pages are made from these."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from lowtail._shared.checks import door
from lowtail._shared.guard import Trouble, attempt
from lowtail._shared.sample import Sample, SlipsMean
from lowtail.claims.basis import Basis, as_bases, get_basis
from lowtail.claims.strength.governing import Governing, governing, treatments
from lowtail.claims.strength.judging import Judged, Verdict, demonstrated, judge, judge_bound
from lowtail.errors import InputError
from lowtail.logs.breaks.log import BreakLog
from lowtail.logs.breaks.samples import DEFAULT_BY, split
from lowtail.models.bounds.nonparametric import attribute_statement

__all__ = [
    "DEFAULT_BASES",
    "DEFAULT_BY",
    "CanAnswer",
    "GroupStrength",
    "can_answer",
    "carries_bound",
    "group_strengths",
    "judging_basis",
    "ratings_of",
]

DEFAULT_BASES = ("A-basis", "B-basis", "5 % characteristic, 75 %")


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupStrength:
    """One group: its bounds by basis (or why there is none), and the verdict on its rating (None: it has none)."""

    sample: Sample
    bounds: dict[str, Governing | Trouble]
    judged: Judged | None

    def bound(self, basis: str) -> Governing | None:
        """The governing bound on a basis, or None."""
        found = self.bounds.get(basis)
        return found if isinstance(found, Governing) else None

    def reason(self, basis: str) -> str:
        """Why there is no bound on a basis, or an empty text."""
        found = self.bounds.get(basis)
        return found.reason if isinstance(found, Trouble) else ""


@dataclass(frozen=True, slots=True)
class CanAnswer:
    """Whether a log carries a bound for any group, and the sentence that says so."""

    possible: bool
    sentence: str

    def __str__(self) -> str:
        return self.sentence

    __repr__ = __str__


def carries_bound(sample: Sample, basis: str | Basis = "B-basis") -> bool:
    """Whether `governing` gives a bound: 2 different loads at break in every reading of its slips, or enough held."""
    wanted = get_basis(basis)
    for each in treatments(sample).values():
        if each.n_broken == 0:
            shown = attribute_statement(each.load, wanted.fraction_below, wanted.confidence)
            if shown.n < shown.n_needed:
                return False
        elif each.lacks:
            return False
    return True


@door
def can_answer(
    log: BreakLog | pd.DataFrame, by: Sequence[str] | str = DEFAULT_BY, basis: str | Basis = "B-basis"
) -> CanAnswer:
    """Say in one line whether the log can carry an answer: the rule that `check` and `strength` share.

    Parameters
    ----------
    log : BreakLog or DataFrame
    by : sequence of str
        Grouping columns.
    basis : str or Basis
        Matters only for groups of which none broke.

    Returns
    -------
    CanAnswer
        ``.possible`` and ``.sentence``.

    Raises
    ------
    InputError
        If ``by`` names a column that the log does not have, or no row is usable.

    See Also
    --------
    what_it_answers : every question, with its call.
    governing : the bound itself.

    Examples
    --------
    >>> import pandas as pd
    >>> import lowtail as lt
    >>> log = lt.check_breaks(pd.DataFrame({"specimen": list("abcde"), "item": "sling", "method": "slow pull",
    ...                                     "load [kN]": [24.1, 25.3, 22.8, 26.0, 23.9], "outcome": "broke"}))
    >>> lt.checks.can_answer(log).possible
    True
    """
    samples = split(log, by)
    lacking = [s for s in samples if not carries_bound(s, basis)]
    many = f"{len(samples)} group{'' if len(samples) == 1 else 's'}"
    why = "; ".join(f"{s.label or 'all specimens'} ({_lack(s)})" for s in lacking[:5])
    more = f"; and {len(lacking) - 5} more" if len(lacking) > 5 else ""
    able = len(samples) - len(lacking)
    if not able:
        return CanAnswer(
            False, f"No: none of {many} carries a lower bound: {why}{more}. Break more, or group more coarsely."
        )
    text = f"Yes: {able} of {many} {'carries' if able == 1 else 'carry'} a lower bound."
    return CanAnswer(True, f"{text} Not so: {why}{more}." if lacking else text)


def _lack(sample: Sample) -> str:
    return next((each.lacks for each in treatments(sample).values() if each.lacks), "")


def ratings_of(table: Any, by: Sequence[str], rated: str = "rated_kN") -> dict[tuple[str, ...], list[float]]:
    """The different ratings of each group, by its grouping values; groups without a rating are left out."""
    if rated not in table.columns:
        return {}
    rows = table.loc[table["used"] & table[rated].notna(), list(dict.fromkeys([*by, rated]))]
    found: dict[tuple[str, ...], list[float]] = {}
    for key, values in rows.groupby(list(by), sort=False, dropna=False)[rated]:
        named = tuple("" if v is None or v != v else str(v) for v in key)
        found[named] = sorted(float(v) for v in values.unique())
    return found


def judging_basis(bases: Sequence[Basis], asked: str | Basis | None = None) -> Basis:
    """The basis on which ratings are judged: the one asked for, else B-basis if it is there, else the first."""
    if asked is not None:
        return get_basis(asked)
    return next((b for b in bases if b.name == "B-basis"), bases[0])


def group_strengths(
    log: BreakLog | pd.DataFrame,
    by: Sequence[str] | str = DEFAULT_BY,
    bases: str | Basis | Iterable[str | Basis] = DEFAULT_BASES,
    *,
    rated: str = "rated_kN",
    rating_basis: str | Basis | None = None,
    claim: float | None = None,
    slips: SlipsMean | None = None,
) -> tuple[GroupStrength, ...]:
    """Ask every group for its governing bounds and judge its rating, or one ``claim`` (kN) in place of the ratings."""
    wanted = as_bases(bases)
    columns = (by,) if isinstance(by, str) else tuple(by)
    samples = split(log, columns)
    if claim is not None and not (np.isfinite(claim) and claim > 0):
        raise InputError(f"`claim` must be a strength in kN greater than 0, got {claim!r}.")
    table: Any = getattr(log, "table", log)
    ratings = ratings_of(table, columns, rated)
    on = judging_basis(wanted, rating_basis)
    out = []
    for sample in samples:
        values = [float(claim)] if claim is not None else ratings.get(tuple(sample.group.values()), [])
        out.append(_group(sample, wanted, on, values, slips))
    return tuple(out)


def _group(
    sample: Sample, bases: Sequence[Basis], on: Basis, ratings: Sequence[float], slips: SlipsMean | None
) -> GroupStrength:
    bounds: dict[str, Governing | Trouble] = {}
    for basis in bases:
        if basis.tolerance:
            bounds[basis.name] = attempt(lambda b=basis: governing(sample, b, slips=slips), who=sample.label)  # type: ignore[misc]
    judged = attempt(lambda: _judge(sample, bounds, on, ratings, slips), who=sample.label)
    if isinstance(judged, Trouble):
        judged = _unjudged(sample, on, ratings[0], Verdict.NO_ANSWER, f"{Verdict.NO_ANSWER}: {judged.reason}")
    return GroupStrength(sample=sample, bounds=bounds, judged=judged)


def _judge(
    sample: Sample,
    bounds: dict[str, Governing | Trouble],
    on: Basis,
    ratings: Sequence[float],
    slips: SlipsMean | None,
) -> Judged | None:
    if not ratings:
        return None
    if len(ratings) > 1:
        named = ", ".join(f"{v:g}" for v in ratings)
        words = f"{Verdict.SEVERAL} in this group ({named} kN): split it"
        return _unjudged(sample, on, float("nan"), Verdict.SEVERAL, words)
    bound = bounds.get(on.name)
    if isinstance(bound, Governing):
        return judge_bound(sample, ratings[0], on, bound, demonstrated(sample, ratings[0], on, slips))
    if isinstance(bound, Trouble):
        return judge_bound(sample, ratings[0], on, None, float("nan"), bound.reason)
    return judge(sample, ratings[0], on, slips=slips)


def _unjudged(sample: Sample, basis: Basis, rating: float, verdict: Verdict, sentence: str) -> Judged:
    """A verdict without numbers."""
    nan = float("nan")
    return Judged(
        group=sample.label,
        basis=basis.name,
        rating=rating,
        verdict=verdict,
        sentence=sentence,
        low=nan,
        governed_by="",
        these_batches=nan,
        next_batch=nan,
        confidence=nan,
        broke_below=0,
        slipped_below=0,
        n=sample.n,
        reason=sentence,
    )
