"""What a careful tester asks before quoting a number: law, outliers, kinds of break, batches, weak link, age."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from lowtail._parallel import run
from lowtail.claims.basis import Basis
from lowtail.claims.checks.adequacy import adequacy
from lowtail.claims.checks.outliers import outliers
from lowtail.claims.checks.pooling import pooling
from lowtail.claims.parts.modes import modes
from lowtail.claims.parts.weak_link import WeakLink, weak_link
from lowtail.claims.strength.sensitivity import sensitivity
from lowtail.claims.trend.retention import Retention, retention
from lowtail.errors import LowtailError
from lowtail.models.families import Family, get_family
from lowtail.models.second_opinion import second_opinion
from lowtail.records.log import BreakLog
from lowtail.records.sample import Sample, split
from lowtail.report.blocks import Block, Bullets, Draw, Fold, Picture, Prose, Section
from lowtail.report.plots_retention import plot_retention
from lowtail.report.plots_weak_link import plot_weak_link
from lowtail.report.tables import shorten

__all__ = ["GroupChecks", "check_groups", "checks_section"]

_SIZE = 1000
INTRO = (
    "Before a number is quoted: do the breaks contradict the law, does one specimen carry the answer, are there two "
    "kinds of break, may the batches be taken together, which part goes first, does strength fall with age. Each check "
    "says how much it could have missed; with 10 or fewer specimens every one misses much. None changes a number above."
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GroupChecks:
    """Sentences of one group, what could not be asked and why, and the records that have a figure."""

    group: str
    said: tuple[str, ...]
    refused: tuple[str, ...]
    weak_link: WeakLink | None = None
    retention: Retention | None = None


def check_groups(
    log: BreakLog,
    *,
    by: Sequence[str],
    family: str | Family = "weibull",
    basis: str | Basis = "B-basis",
    rng: int = 0,
    n_jobs: int = 1,
    progress: bool | None = None,
) -> list[GroupChecks]:
    """Ask every check of every group of a log that has the columns for it.

    Parameters
    ----------
    log : BreakLog
    by : sequence of str
        Grouping columns.
    family, basis
        Law and basis of the bounds mentioned.
    rng, n_jobs, progress
        Seed, workers, progress bar; the answers do not depend on the workers.
    """
    samples = split(log, by)
    tasks = [(log.table, tuple(by), sample, get_family(family).name, basis, rng) for sample in samples]
    return run(_check, tasks, n_jobs=n_jobs, progress=progress, label="checks")


def _check(
    table: pd.DataFrame, by: tuple[str, ...], sample: Sample, family: str, basis: str | Basis, rng: int
) -> GroupChecks:
    said: list[str] = []
    refused: list[str] = []
    kept: dict[str, object] = {}

    def ask(name: str, question: Callable[[], object]) -> None:
        try:
            answer = question()
        except LowtailError as reason:
            refused.append(f"{name}: {reason}")
        else:
            kept[name] = answer
            said.append(f"{name}: {answer}")

    rows = table[table["used"] & table["specimen"].astype(str).isin(sample.specimen)]
    ask("Choice of law", lambda: sensitivity(sample, basis))
    ask("Second opinion", lambda: second_opinion(sample, family))
    ask("Law", lambda: adequacy(sample, families=[family], size=_SIZE, rng=rng))
    ask("Outliers", lambda: outliers(sample, basis=basis, bound_family=family, size=_SIZE, rng=rng))
    ask(
        "Kinds of break",
        lambda: modes(table, by=by, group=sample.label, family=family, basis=basis, size=_SIZE, rng=rng),
    )
    if sample.batch is not None and len(set(sample.batch.tolist())) > 1:
        ask("Batches", lambda: pooling(sample, family=family, size=_SIZE, rng=rng))
    if (rows["outcome"] == "other part broke").any():
        ask("Weak link", lambda: weak_link(table, by=by, group=sample.label, family=family, basis=basis, rng=rng))
    if rows["age_years"].notna().all() and rows["age_years"].nunique() > 1:
        ask("Age", lambda: retention(table, by=by, group=sample.label, family=family, basis=basis, size=_SIZE, rng=rng))
    link, age = kept.get("Weak link"), kept.get("Age")
    return GroupChecks(
        group=sample.label,
        said=tuple(said),
        refused=tuple(refused),
        weak_link=link if isinstance(link, WeakLink) else None,
        retention=age if isinstance(age, Retention) else None,
    )


def checks_section(checked: Sequence[GroupChecks]) -> Section:
    """The section of the page: a fold a group, the worrying ones named first."""
    blocks: list[Block] = [Prose(INTRO)]
    worries = [f"{c.group}: {s}" for c in checked for s in c.said if _worrying(s)]
    if worries:
        blocks += [Prose("What stands out:", "lead"), Bullets(tuple(worries))]
    for one in checked:
        inner: list[Block] = [Bullets(one.said)] if one.said else []
        if one.weak_link is not None:
            inner.append(
                Picture(
                    Draw(plot_weak_link, (one.weak_link,)),
                    f"Share broken against load for each part of {one.group} and for the assembly.",
                    f"{shorten(one.group)}: its parts and the assembly. {one.weak_link.notes[0]}",
                )
            )
        if one.retention is not None and np.isfinite(one.retention.low):
            inner.append(
                Picture(
                    Draw(plot_retention, (one.retention,)),
                    f"Strength of {one.group} against {one.retention.on}, with the low bound.",
                    f"{shorten(one.group)}: strength against {one.retention.on}, tested {one.retention.tested}.",
                )
            )
        if one.refused:
            inner += [Prose("Not asked:", "small"), Bullets(one.refused)]
        blocks.append(Fold(shorten(one.group or "all specimens"), tuple(inner)))
    return Section("checks", "Checks before quoting", tuple(blocks))


def _worrying(sentence: str) -> bool:
    marks = (
        "The breaks contradict: ",
        "stands out (",
        "stand out (",
        "fall apart between",
        "batches differ",
        "DISAGREE",
    )
    return any(mark in sentence for mark in marks)
