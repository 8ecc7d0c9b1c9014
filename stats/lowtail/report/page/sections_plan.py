"""The section on how many more specimens a claim takes."""

from __future__ import annotations

from collections.abc import Sequence

from lowtail._shared import numbers as _numbers
from lowtail.claims.basis import Basis
from lowtail.claims.planning.core.plan import Plan
from lowtail.claims.planning.core.words import counted
from lowtail.claims.planning.groups import OutOfReach
from lowtail.report.figures.plan import plan as plot_plan
from lowtail.report.tables.blocks import Block, Bullets, Cell, Draw, Fold, Heading, Picture, Prose, Section, Table
from lowtail.report.tables.text import shorten

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
    """How many more: a row for every claim not yet shown, the curves folded.

    Parameters
    ----------
    plans : sequence of Plan
        One a group whose claim further specimens or batches may show.
    beyond : sequence of OutOfReach
        One a group whose claim no number of them shows with this chance.
    refusals : sequence of str
        Groups for which no plan can be made, with the reason.
    basis, assurance : Basis, float
        Basis of the claims, and chance of success asked for.
    nothing : str
        What to say where there is nothing to plan.
    """
    blocks: list[Block] = []
    if plans or beyond:
        asked = _numbers.chance(assurance)
        blocks.append(
            Prose(
                "For every claim not yet shown: how many more specimens, tested the same way and joined to those in "
                f"hand, bring the {basis.name} bound that governs up to it with a chance of {asked}. Where batches are "
                "named the bound for a batch yet to come judges, and further batches are counted. It is a chance, "
                "never a promise. The highest attainable chance is the share of simulated populations, in keeping with "
                "the specimens in hand, in which an endless series would reach the claim. Where it is low the strength "
                "itself is in doubt, and testing more will probably not help."
            )
        )
        blocks.append(plan_block(plans, beyond, basis=basis, assurance=assurance))
    elif not refusals:
        blocks.append(Prose(nothing))
    if plans:
        curves: list[Block] = []
        for plan in plans:
            what = "batches" if plan.unit == "batch" else "specimens"
            alt = f"Chance that the claim is shown against the number of further {what}: {plan.sentence}"
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
    asked = _numbers.chance(assurance)
    heads = [
        Heading("group", "", False),
        Heading("claim", f"what is to be shown on {basis.name}: {basis.content}", False),
        Heading("in hand", "specimens tested so far"),
        Heading("more needed", f"further specimens or batches that show the claim with a chance of {asked}"),
        Heading("chance then", "chance that the claim is shown with that many more"),
        Heading(
            "highest attainable", "share of simulated populations in which an endless series would reach the claim"
        ),
    ]
    rows: list[list[Cell | str]] = [_plan_row(plan) for plan in plans]
    for claim in beyond:
        top = _numbers.chance(claim.ceiling)
        rows.append(
            [
                shorten(claim.group),
                f"at least {claim.claim:.4g} kN on {basis.name}",
                str(claim.n_now),
                Cell("not attainable", str(claim), "bad"),
                Cell("", "not simulated: it stays under the highest attainable chance" if not claim.reason else ""),
                Cell("none", claim.reason) if claim.reason else Cell(top),
            ]
        )
    return Table.of("Further specimens", heads, rows)


def _plan_row(plan: Plan) -> list[Cell | str]:
    most = counted(int(plan.curve["n"].max()), plan.per_batch)
    needed = Cell(_needed(plan)) if plan.n is not None else Cell(f"not with {most}", mark="bad")
    claim = plan.claim.split(" (")[0]
    chance, top = _numbers.chance(plan.chance), _numbers.chance(plan.ceiling)
    return [shorten(plan.group), claim, str(plan.n_now), needed, chance, top]


def _needed(plan: Plan) -> str:
    """Number and what is counted, e.g. "8" or "4 batches of 3"."""
    return counted(plan.n or 0, plan.per_batch, more=False) if plan.per_batch else str(plan.n)
