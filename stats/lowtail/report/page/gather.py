"""All answers a page needs, computed once by the claims and kept together."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from lowtail._shared.guard import Trouble, attempt
from lowtail._shared.sample import Sample
from lowtail.claims.basis import Basis, get_basis
from lowtail.claims.checks.equal_scale import gains_said
from lowtail.claims.comparison.table import ComparisonTable, compare_table
from lowtail.claims.group_checks import GroupChecks, check_groups
from lowtail.claims.planning.core.plan import Plan
from lowtail.claims.planning.groups import OutOfReach, plan_groups
from lowtail.claims.strength.borrowed_table import BORROWED
from lowtail.claims.strength.groups import GroupStrength, group_strengths, judging_basis
from lowtail.claims.strength.rating import RatingTable, rating_frame
from lowtail.claims.strength.table import StrengthTable, column_of, table_of
from lowtail.logs.breaks.log import BreakLog
from lowtail.models.distributions.families import Family, get_family

__all__ = ["Answers", "ArmChoice", "OutOfReach", "gather"]

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class ArmChoice:
    """Which two arms a page compares: the column that tells them apart, and its two values."""

    factor: str = "method"
    reference: str = "slow pull"
    other: str = "shock"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Answers:
    """What the claims answered for one log."""

    log: BreakLog
    by: tuple[str, ...]
    bases: dict[str, Basis]
    basis: Basis
    family: str
    claim: float | None
    samples: tuple[Sample, ...]
    groups: tuple[GroupStrength, ...]
    table: StrengthTable
    gains: tuple[str, ...]
    ratings: RatingTable | None
    lows: dict[str, float]
    arms: ArmChoice | None
    comparisons: ComparisonTable | None
    plans: tuple[Plan, ...]
    out_of_reach: tuple[OutOfReach, ...]
    refusals: tuple[str, ...]
    assurance: float
    shared_scatter_sentences: dict[str, tuple[str, ...]]
    checks: tuple[GroupChecks, ...]
    troubles: tuple[Trouble, ...] = ()

    @property
    def possible(self) -> bool:
        """Whether any group carries a bound."""
        return any(g.bound(b) is not None for g in self.groups for b in self.bases)


def _ask(troubles: list[Trouble], what: str, question: Callable[[], T]) -> T | None:
    """Ask a question of the whole log; what fails is told among the troubles, and the page goes on."""
    found = attempt(question, what=what)
    if isinstance(found, Trouble):
        troubles.append(found)
        return None
    return found


def gather(
    log: BreakLog,
    *,
    by: Sequence[str],
    bases: Sequence[str | Basis],
    family: str | Family,
    claim: float | None,
    arms: ArmChoice | None,
    margin: float | None,
    pulse_width_ms: float | None,
    borrow: Sequence[str] | str | None,
    assurance: float,
    checks: bool,
    rng: int,
    n_jobs: int,
    progress: bool | None,
) -> Answers:
    """Ask every question of the page once.

    Raises
    ------
    InputError
        If an argument is out of range or names a column that the log does not have.
    """
    law = get_family(family)
    asked = {b.name: b for b in (get_basis(one) for one in bases)}
    kin = _kin(borrow, by)
    basis = judging_basis(list(asked.values()))
    groups = group_strengths(log, by, list(asked.values()), rating_basis=basis, claim=claim)
    samples = tuple(g.sample for g in groups)
    table = table_of(groups, list(asked.values()), law, basis, by=by, borrow=kin)
    troubles: list[Trouble] = []
    gains: tuple[str, ...] = ()
    if kin is not None:
        gains = _ask(troubles, BORROWED, lambda: gains_said(table, samples, kin, next(iter(asked)), law, rng)) or ()
    ratings = rating_frame(groups) if any(g.judged for g in groups) else None
    planned = plan_groups(groups, basis, assurance, family=law, rng=rng, n_jobs=n_jobs, progress=progress)
    return Answers(
        log=log,
        by=tuple(by),
        bases=asked,
        basis=basis,
        family=law.name,
        claim=claim,
        samples=samples,
        groups=groups,
        table=table,
        gains=gains,
        ratings=ratings,
        lows=dict(zip(table["group"], table[column_of(basis.name)], strict=True)),
        arms=arms,
        comparisons=_ask(
            troubles,
            "comparison",
            lambda: _comparisons(log, by, arms, margin, pulse_width_ms, rng, n_jobs, progress),
        ),
        plans=tuple(p for p in planned if isinstance(p, Plan) and p.n != 0),
        out_of_reach=tuple(p for p in planned if isinstance(p, OutOfReach)),
        refusals=tuple(str(p) for p in planned if isinstance(p, Trouble)),
        assurance=assurance,
        checks=tuple(
            _ask(
                troubles,
                "checks",
                lambda: check_groups(log, by=by, family=law, basis=basis, rng=rng, n_jobs=n_jobs, progress=progress),
            )
            or ()
            if checks
            else ()
        ),
        shared_scatter_sentences={g.sample.label: _said(g) for g in groups},
        troubles=tuple(troubles),
    )


def _kin(borrow: Sequence[str] | str | None, by: Sequence[str]) -> tuple[str, ...] | None:
    """Columns in which groups that lend each other scatter are alike; None where nothing is borrowed."""
    if borrow is None:
        return ("item",) if "item" in by and len(by) > 1 else None
    columns = (borrow,) if isinstance(borrow, str) else tuple(borrow)
    return None if columns == ("none",) else columns


def _said(group: GroupStrength) -> tuple[str, ...]:
    """The sentences one may quote about a group: the bound that governs on every basis, or why there is none."""
    lines = []
    for found in group.bounds.values():
        unusable = "" if isinstance(found, Trouble) else found.unusable
        lines.append(f"{found}{f' Do not use it: {unusable}.' if unusable else ''}")
    return tuple(dict.fromkeys(lines))


def _comparisons(
    log: BreakLog,
    by: Sequence[str],
    arms: ArmChoice | None,
    margin: float | None,
    pulse_width_ms: float | None,
    rng: int,
    n_jobs: int,
    progress: bool | None,
) -> ComparisonTable | None:
    """Every group that holds both arms, compared; None where the log cannot be compared."""
    if arms is None:
        return None
    used = log.table[log.table["used"]]
    groups = [c for c in by if c != arms.factor]
    if arms.factor not in used or not groups or not {arms.reference, arms.other} <= set(used[arms.factor]):
        return None
    return compare_table(
        log,
        factor=arms.factor,
        reference=arms.reference,
        other=arms.other,
        by=groups,
        margin=margin,
        pulse_width_ms=pulse_width_ms,
        rng=rng,
        n_jobs=n_jobs,
        progress=progress,
    )
