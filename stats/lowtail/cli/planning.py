"""The command that plans: how many specimens, or how many more."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from lowtail.cli.options import Area, Columns, Decimal, Labels, Sheet, Slips, Unit
from lowtail.cli.shared import BY, EXAMPLES, name_of, plain_rows, print_json, read_log, words_of

if TYPE_CHECKING:
    from lowtail.claims.planning.core.plan import Plan
    from lowtail.claims.planning.groups import OutOfReach
    from lowtail.logs.breaks.log import BreakLog

__all__ = ["plan"]


def plan(
    file: Path | None = None,
    *,
    claim: float | None = None,
    basis: str = "B-basis",
    mean: float | None = None,
    cv: float | None = None,
    ratio: float | None = None,
    margin: float | None = None,
    reliability: float | None = None,
    confidence: float = 0.95,
    assurance: float = 0.8,
    family: str = "weibull",
    by: list[str] | None = None,
    only: list[str] | None = None,
    sheet: Sheet = None,
    unit: Unit = None,
    decimal: Decimal = None,
    columns: Columns = None,
    labels: Labels = None,
    slips: Slips = "",
    area_mm2: Area = None,
    as_json: Annotated[bool, name_of("--json")] = False,
) -> int:
    """How many specimens or batches, or how many more, a claim takes.

    With FILE: how many more in every group, for --claim or else for the ratings in the log; further batches are
    counted where two or more are named. With --mean and --cv: a new
    series for --claim. With --ratio and --cv: two arms for a comparison. With --reliability: all must hold.

    Parameters
    ----------
    file
        Break log with the specimens in hand.
    claim
        Strength in kN to be shown.
    basis
        Basis of the claim.
    mean
        Expected mean strength in kN of a new series.
    cv
        Expected scatter: standard deviation over mean, 0.06 for 6 %.
    ratio
        Expected ratio of the two arms' strengths.
    margin
        Share to be kept, for a comparison that is to show "keeps at least".
    reliability
        Share of the population that must be stronger; every specimen is loaded to the claim and must hold.
    confidence
        Confidence of a comparison or a reliability.
    assurance
        Chance of success asked for (assurance).
    family
        Distribution of the simulated populations: weibull, normal or lognormal. The bound that governs judges.
    by
        Grouping columns of the log.
    only
        Only groups whose name holds this text.
    as_json
        Print JSON.
    """
    if file is not None:
        from lowtail.report.tables.text import only_groups

        log = only_groups(
            read_log(file, sheet, unit, decimal, columns, labels, slips, area_mm2), only, by=words_of(by, BY)
        )
        plans, beyond, refused = _plans_of(log, words_of(by, BY), claim, basis, assurance, family)
    else:
        plans = [_new_plan(claim, basis, mean, cv, ratio, margin, reliability, confidence, assurance, family)]
        beyond, refused = [], []
    if as_json:
        rows = [{**plain_rows(p.to_frame())[0], "curve": plain_rows(p.curve)} for p in plans]
        out = [{**plain_rows(o.to_frame())[0], "sentence": str(o)} for o in beyond]
        print_json("plan", {"rows": rows, "out_of_reach": out, "refused": refused})
    else:
        for one in plans:
            print(one)
            for line in (*one.assumptions, *one.changes, *one.notes):
                print(f"  * {line}")
        for out_of_reach in beyond:
            print(out_of_reach)
        for line in refused:
            print(line, file=sys.stderr)
    return 0 if plans or beyond else 1


def _new_plan(
    claim: float | None, basis: str, mean: float | None, cv: float | None, ratio: float | None, margin: float | None,
    reliability: float | None, confidence: float, assurance: float, family: str,
) -> Plan:  # fmt: skip
    """Choose the planner by what was given."""
    from lowtail.errors import InputError

    if reliability is not None:
        from lowtail.claims.planning.zero_failure import zero_failure as plan_zero_failure

        return plan_zero_failure(reliability, confidence)
    if ratio is not None and cv is not None:
        from lowtail.claims.planning.comparison import comparison as plan_comparison

        return plan_comparison(ratio, cv, power=assurance, margin=margin, confidence=confidence)
    if claim is not None and mean is not None and cv is not None:
        from lowtail.claims.planning.new_series import new_series as plan_bound

        return plan_bound(claim, basis, mean=mean, cv=cv, family=family, assurance=assurance)
    raise InputError(
        "`lowtail plan` needs FILE; or --mean, --cv and --claim; or --ratio and --cv; or --reliability.\n"
        f"Example: {EXAMPLES['plan']}"
    )


def _plans_of(
    log: BreakLog, by: tuple[str, ...], claim: float | None, basis: str, assurance: float, family: str
) -> tuple[list[Plan], list[OutOfReach], list[str]]:
    """Plans of every group of a log, the claims out of reach, and the groups without a plan with the reason."""
    from lowtail._shared.guard import Trouble
    from lowtail.claims.basis import get_basis
    from lowtail.claims.planning.core.plan import Plan
    from lowtail.claims.planning.groups import OutOfReach, plan_groups
    from lowtail.claims.strength.groups import group_strengths

    asked = get_basis(basis)
    groups = group_strengths(log, by, (asked,), rating_basis=asked, claim=claim)
    done = plan_groups(groups, asked, assurance, family=family)
    bare = [f"{g.sample.label or 'all specimens'}: no rating in the log; give --claim" for g in groups if not g.judged]
    return (
        [d for d in done if isinstance(d, Plan)],
        [d for d in done if isinstance(d, OutOfReach)],
        [*(str(d) for d in done if isinstance(d, Trouble)), *bare],
    )
