"""The section on how many more specimens a claim takes."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from lowtail.claims.basis import Basis
from lowtail.claims.planning.plan import Plan
from lowtail.report import phrases
from lowtail.report.blocks import Block, Bullets, Cell, Draw, Fold, Heading, Picture, Prose, Section, Table
from lowtail.report.gather import OutOfReach
from lowtail.report.plots_plan import plot_plan
from lowtail.report.tables import shorten

__all__ = ["plan_block", "plan_section"]


def plan_section(
    plans: Sequence[Plan],
    beyond: Sequence[OutOfReach],
    refusals: Sequence[str],
    *,
    basis: Basis,
    assurance: float,
    nothing: str,
) -> Section:
    """How many more: a row for every claim not yet backed, the curves folded.

    Parameters
    ----------
    plans : sequence of Plan
        One a group whose claim further specimens may back.
    beyond : sequence of OutOfReach
        One a group whose claim no number of further specimens backs with this chance.
    refusals : sequence of str
        Groups for which no plan can be made, with the reason.
    basis, assurance : Basis, float
        Basis of the claims, and chance of success asked for.
    nothing : str
        What to say where there is nothing to plan.
    """
    blocks: list[Block] = []
    if plans or beyond:
        blocks.append(
            Prose(
                "For every claim not yet backed: how many more specimens, tested the same way and joined to those "
                "in hand, "
                f"bring the {basis.name} bound up to it with a chance of {phrases.percent(assurance)}. It is a "
                f"chance, never "
                "a promise. The highest attainable chance is the confidence, from the specimens in hand, that the "
                "claim is true at "
                "all: no "
                "number of tests lifts the chance above it. Where the highest attainable chance is low the strength "
                "itself is in "
                "doubt, and "
                "testing more will probably not help."
            )
        )
        blocks.append(plan_block(plans, beyond, basis=basis, assurance=assurance))
    elif not refusals:
        blocks.append(Prose(nothing))
    if plans:
        curves: list[Block] = []
        for plan in plans:
            alt = f"Chance that the claim is backed against the number of further specimens: {plan.sentence}"
            curves.append(Picture(Draw(plot_plan, (plan,)), alt, plan.sentence))
            if plan.notes or plan.changes:
                curves.append(Bullets((*plan.notes, *plan.changes)))
        blocks.append(Fold("The curve behind each number", tuple(curves)))
    if refusals:
        blocks.append(Prose("No plan can be made where the data carry no answer:"))
        blocks.append(Bullets(tuple(refusals)))
    return Section("plan", "How many more", tuple(blocks))


def plan_block(plans: Sequence[Plan], beyond: Sequence[OutOfReach], *, basis: Basis, assurance: float) -> Table:
    """A row a claim: what is claimed, what is in hand, how many more, and the highest attainable chance."""
    asked = phrases.percent(assurance)
    heads = [
        Heading("group", "", False),
        Heading("claim", f"what is to be shown on {basis.name}: {basis.content}", False),
        Heading("in hand", "specimens tested so far"),
        Heading("more needed", f"further specimens that back the claim with a chance of {asked}"),
        Heading("chance then", "chance that the claim is backed with that many more"),
        Heading("highest attainable chance", "confidence, from the specimens in hand, that the claim is true at all"),
    ]
    rows: list[list[Cell | str]] = [_plan_row(plan) for plan in plans]
    for claim in beyond:
        rows.append(
            [
                shorten(claim.group),
                f"at least {claim.claim:g} kN on {basis.name}",
                str(claim.n_now),
                Cell("no number", f"the highest attainable chance lies under the {asked} asked for", "bad"),
                Cell("", "not simulated: it stays under the highest attainable chance"),
                _share(claim.ceiling),
            ]
        )
    return Table.of("Further specimens", heads, rows)


def _plan_row(plan: Plan) -> list[Cell | str]:
    most = int(plan.curve["n"].max())
    needed = Cell(str(plan.n)) if plan.n is not None else Cell(f"not with {most} more", mark="bad")
    ceiling = _share(plan.ceiling) if np.isfinite(plan.ceiling) else "not known"
    claim = plan.claim.split(" (")[0]
    return [shorten(plan.group), claim, str(plan.n_now), needed, _share(plan.chance), ceiling]


def _share(value: float) -> str:
    """A chance in whole percent, never rounded up, never a bare 0 or 100."""
    if value < 0.01:
        return "under 1 %"
    return "over 99 %" if value > 0.99 else phrases.percent(np.floor(100 * value) / 100)
