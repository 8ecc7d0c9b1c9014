"""The section on how many more specimens a claim takes."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from lowtail.claims.plan import Plan
from lowtail.report import phrases
from lowtail.report.blocks import Block, Bullets, Cell, Fold, Heading, Picture, Prose, Section, Table
from lowtail.report.plots_plan import plot_plan
from lowtail.report.tables import shorten

__all__ = ["plan_block", "plan_section"]


def plan_section(plans: Sequence[Plan], refusals: Sequence[str], nothing: str) -> Section:
    """How many more: a row for every claim not yet backed, the curves folded.

    Parameters
    ----------
    plans : sequence of Plan
        One a group that does not back its claim yet.
    refusals : sequence of str
        Groups for which no plan can be made, with the reason.
    nothing : str
        What to say where there is nothing to plan.
    """
    blocks: list[Block] = []
    if plans:
        blocks.append(
            Prose(
                "For every claim not yet backed: how many more specimens, tested the same way and joined to those in hand, bring "
                f"the bound up to it with a chance of {phrases.percent(plans[0].assurance)}. It is a chance, never a promise; and "
                "where the strength itself is too low, no number of tests helps."
            )
        )
        blocks.append(plan_block(plans))
        curves: list[Block] = []
        for plan in plans:
            alt = (
                f"Chance that the claim is backed against the number of further specimens, up to {int(plan.curve['n'].max())}: "
                f"{plan.sentence}"
            )
            curves.append(Picture(plot_plan(plan), alt, plan.sentence))
            if plan.notes or plan.changes:
                curves.append(Bullets((*plan.notes, *plan.changes)))
        blocks.append(Fold("The curve behind each line", tuple(curves)))
    elif not refusals:
        blocks.append(Prose(nothing))
    if refusals:
        blocks.append(Prose("No plan can be made where the data carry no answer:"))
        blocks.append(Bullets(tuple(refusals)))
    return Section("plan", "How many more", tuple(blocks))


def plan_block(plans: Sequence[Plan]) -> Table:
    """A row a plan: what is claimed, what is in hand, how many more, and the ceiling."""
    heads = [
        Heading("group", "", False), Heading("claim", "what is to be shown", False), Heading("in hand", "specimens tested so far"),
        Heading("more needed", "further specimens that reach the chance asked for"),
        Heading("chance then", "chance that the claim is backed with that many more"),
        Heading("ceiling", "the highest chance that any number of specimens could reach: the present confidence that the claim is true"),
    ]  # fmt: skip
    rows = [_plan_row(plan) for plan in plans]
    return Table.of("Further specimens", heads, rows)


def _plan_row(plan: Plan) -> list[Cell | str]:
    most = int(plan.curve["n"].max())
    needed = Cell(str(plan.n)) if plan.n is not None else Cell(f"not with {most} more", "no number up to this reaches the chance", "bad")
    ceiling = f"{phrases.percent(np.floor(100 * plan.ceiling) / 100)}" if np.isfinite(plan.ceiling) else "not known"
    return [
        shorten(plan.group), plan.claim, str(plan.n_now), needed, phrases.percent(np.floor(100 * plan.chance) / 100), ceiling,
    ]  # fmt: skip
