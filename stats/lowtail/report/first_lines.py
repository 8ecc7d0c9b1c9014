"""The first lines: a paragraph one may paste that names the gear. Page, command and Jupyter take it from here."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING

from lowtail._shared.caution import CAUTION
from lowtail._shared.checks import door
from lowtail._shared.sample import SlipsMean
from lowtail.claims.basis import Basis
from lowtail.claims.planning.core.plan import Plan
from lowtail.claims.strength.answer import floor3
from lowtail.claims.strength.governing import Governing
from lowtail.claims.strength.groups import DEFAULT_BY, GroupStrength, group_strengths, judging_basis
from lowtail.claims.strength.judging import Judged, Verdict
from lowtail.logs.breaks.log import BreakLog
from lowtail.report import phrases

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["FirstLines", "first_lines", "lines_of"]

_MOST = 6  # groups named in one line
_PLURAL = {"batch": "batches"}


@dataclass(frozen=True, slots=True)
class FirstLines:
    """The first lines of a log, one sentence each; prints as a paragraph."""

    lines: tuple[str, ...]

    def __str__(self) -> str:
        return " ".join(self.lines)

    __repr__ = __str__

    def to_frame(self) -> pd.DataFrame:
        """One row a line."""
        import pandas as pd

        return pd.DataFrame({"line": list(self.lines)})

    def _repr_html_(self) -> str:
        said = "".join(f"<p>{escape(line)}</p>" for line in self.lines)
        return f"<div>{said}<p><small>{escape(CAUTION)}</small></p></div>"


@door
def first_lines(
    log: BreakLog,
    by: Sequence[str] | str = DEFAULT_BY,
    basis: str | Basis = "B-basis",
    *,
    claim: float | None = None,
    slips: SlipsMean | None = None,
) -> FirstLines:
    """Say what matters first: what broke below its rating, what is backed, what is not, which groups say nothing.

    Parameters
    ----------
    log : BreakLog
    by : sequence of str
        Grouping columns.
    basis : str or Basis
        Basis on which ratings are judged.
    claim : float, optional
        One strength in kN asked of every group, in place of the ratings in the log.
    slips : str, optional
        What a slip means, see `governing`.

    Returns
    -------
    FirstLines

    See Also
    --------
    what_it_answers : questions this log can answer.
    rating_check : a row a group.
    write_report : the whole page.

    Examples
    --------
    >>> import pandas as pd
    >>> from lowtail.logs.breaks.log import check_breaks
    >>> log = check_breaks(pd.DataFrame({"specimen": list("abcde"), "item": "sling", "method": "slow pull",
    ...                                  "load [kN]": [24.1, 25.3, 22.8, 26.0, 23.9], "outcome": "broke"}))
    >>> print(first_lines(log, claim=23))
    5 specimens in 1 group: 5 broke. Broke below 23 kN: sling, slow pull (1 of 5). Lowest B-basis bound: 16.5 kN, sling,
    slow pull (for specimens like these; governed by cautious bound).
    """
    asked = judging_basis((), basis)
    groups = group_strengths(log, by, (asked,), rating_basis=asked, claim=claim, slips=slips)
    return FirstLines(tuple(lines_of(groups, asked, claim=claim)))


def lines_of(
    groups: Sequence[GroupStrength],
    basis: Basis,
    *,
    claim: float | None = None,
    plans: Sequence[Plan] = (),
    further: Sequence[str] = (),
) -> list[str]:
    """First lines of groups already judged; ``further`` (what shock takes) stands before groups that say nothing."""
    lines = [_counts(groups)]
    judged = [g.judged for g in groups if g.judged is not None]
    what = "its rating" if claim is None else f"{claim:g} kN"
    if judged:
        lines += _below(judged, what)
        lines += _backed(judged, basis, claim)
        lines += _not_shown(judged, {p.group: p for p in plans}, claim)
    if not any(j.verdict.backed for j in judged):
        lines += _lowest(groups, basis)
    lines += [line for line in further if line]
    mute = [g.sample.label or "all specimens" for g in groups if _mute(g, basis)]
    if mute:
        lines.append(f"Too few breaks for any statement on {basis.name}: {_named(mute)}.")
    return lines


def _mute(group: GroupStrength, basis: Basis) -> bool:
    found = group.bound(basis.name)
    return found is None or not found.these_batches > 0


def _counts(groups: Sequence[GroupStrength]) -> str:
    totals = [(sum(getattr(g.sample, f"n_{k}") for g in groups), w) for k, w in _OUTCOMES]
    n = sum(g.sample.n for g in groups)
    said = ", ".join(f"{number} {word}" for number, word in totals if number)
    return f"{phrases.count(n, 'specimen')} in {phrases.count(len(groups), 'group')}: {said}."


_OUTCOMES = (("broken", "broke"), ("held", "held"), ("slipped", "slipped"))


def _named(names: Sequence[str], most: int = _MOST) -> str:
    """Names in a list, the rest counted."""
    rest = len(names) - most
    if rest <= 1:
        return "; ".join(names)
    return f"{'; '.join(names[:most])}; and {rest} more"


def _below(judged: Sequence[Judged], what: str) -> list[str]:
    lines = []
    for field, word in (("broke_below", "Broke"), ("slipped_below", "Slipped")):
        found = [j for j in judged if getattr(j, field)]
        if found:
            own = what == "its rating"
            each = [
                f"{j.group} ({getattr(j, field)} of {j.n}{f' under {j.rating:g} kN' if own else ''})" for j in found
            ]
            lines.append(f"{word} below {what}: {_named(each, 12)}.")
    return lines


def _backed(judged: Sequence[Judged], basis: Basis, claim: float | None) -> list[str]:
    heads = {
        Verdict.BACKED: "Backed for a batch yet to come",
        Verdict.THESE_BATCHES: "Backed for these batches only",
        Verdict.ONE_BATCH: "Backed for this one batch",
        Verdict.LIKE_THESE: "Batch not recorded, backed for specimens like these",
        Verdict.REACHED: f"{basis.name} reaches the rating",
    }
    lines = []
    for verdict, head in heads.items():
        found = [j for j in judged if j.verdict is verdict]
        if found:
            each = [f"{j.group} ({floor3(_shown(j))} against {j.rating:g} kN)" for j in found]
            lines.append(f"{head}, {basis.name} ({_against(claim)}): {_named(each)}.")
    return lines


def _against(claim: float | None) -> str:
    return f"lower bound against {'rating' if claim is None else 'claim'}"


def _shown(judged: Judged) -> float:
    """The bound that the verdict rests on."""
    return judged.these_batches if judged.verdict is Verdict.THESE_BATCHES else judged.low


def _not_shown(judged: Sequence[Judged], plans: dict[str, Plan], claim: float | None) -> list[str]:
    found = [j for j in judged if j.verdict in (Verdict.NOT_SHOWN, Verdict.IF_WEIBULL, Verdict.NOT_REACHED)]
    if not found:
        return []
    each = []
    for j in found:
        only = "; would be if strength is Weibull" if j.verdict is Verdict.IF_WEIBULL else ""
        plan = plans.get(j.group)
        takes = f"; {_takes(plan)}" if plan is not None and plan.n is not None else ""
        each.append(f"{j.group} ({floor3(j.low)} against {j.rating:g} kN{only}{takes})")
    return [f"Not shown ({_against(claim)}): {_named(each)}."]


def _takes(plan: Plan) -> str:
    unit = getattr(plan, "unit", "specimen")
    return f"{phrases.count(int(plan.n or 0), f'more {unit}', f'more {_PLURAL.get(unit, unit + chr(115))}')} may do"


def _lowest(groups: Sequence[GroupStrength], basis: Basis) -> list[str]:
    found = [(b, g) for g in groups if isinstance(b := g.bounds.get(basis.name), Governing) and b.low > 0]
    if not found:
        return []
    bound, group = min(found, key=lambda pair: pair[0].low)
    return [
        f"Lowest {basis.name} bound: {floor3(bound.low)} kN, {group.sample.label} (for {bound.population}; governed by "
        f"{bound.governed_by})."
    ]
