"""Every check of every group that the log has the columns for: what each says, and which of them call for a look."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from lowtail._shared.guard import Trouble, attempt
from lowtail._shared.parallel import run
from lowtail._shared.sample import Sample
from lowtail.claims.basis import Basis
from lowtail.claims.checks.failure_modes import FailureModes, failure_modes
from lowtail.claims.checks.goodness_of_fit import GoodnessOfFit, goodness_of_fit
from lowtail.claims.checks.outliers import Outliers, outliers
from lowtail.claims.checks.pooling import Pooling, pooling
from lowtail.claims.checks.sensitivity import sensitivity
from lowtail.claims.parts.weak_link import WeakLink, weak_link
from lowtail.claims.trend.retention import Retention, retention
from lowtail.logs.breaks.log import BreakLog
from lowtail.logs.breaks.samples import split
from lowtail.models.distributions.families import Family, get_family
from lowtail.models.distributions.second_opinion import SecondOpinion, second_opinion

__all__ = ["FALSE_ALARM", "MOST_GROUPS", "Check", "GroupChecks", "asked", "check_groups"]

FALSE_ALARM = 0.05
MOST_GROUPS = 60  # beyond it checks take minutes, and are asked only where one says so
_QUICK = ("scipy",)  # the second opinion of a page; `second_opinion` asks the slower libraries too


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One question asked of one group.

    Attributes
    ----------
    question, sentence : str
        What was asked; the answer, or why there is none.
    answered, stands_out : bool
        False where the data cannot answer; True where a reader should stop at the answer.
    is_test : bool
        True where a sound group would raise an alarm with the chance `FALSE_ALARM`.
    """

    question: str
    sentence: str
    answered: bool
    stands_out: bool = False
    is_test: bool = False

    def __str__(self) -> str:
        return f"{self.question}: {self.sentence}"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GroupChecks:
    """The checks of one group, and the records among them that have a figure."""

    group: str
    checks: tuple[Check, ...]
    weak_link: WeakLink | None = None
    retention: Retention | None = None

    @property
    def sentences(self) -> tuple[str, ...]:
        """Sentences of the questions answered."""
        return tuple(str(c) for c in self.checks if c.answered)

    @property
    def refused(self) -> tuple[str, ...]:
        """Questions that could not be answered, and why."""
        return tuple(str(c) for c in self.checks if not c.answered)


def asked(checks: bool | None, log: BreakLog, by: Sequence[str]) -> bool:
    """Whether to ask: as told, else wherever the log has no more than `MOST_GROUPS` groups."""
    return len(split(log, by)) <= MOST_GROUPS if checks is None else checks


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
        Distribution and basis of the bounds mentioned.
    rng, n_jobs, progress
        Seed, workers, progress bar; the answers do not depend on the workers.
    """
    samples = split(log, by)
    tasks = [(log.table, tuple(by), sample, get_family(family).name, basis, rng) for sample in samples]
    return run(_check, tasks, n_jobs=n_jobs, progress=progress, label="checks")


def _check(
    table: pd.DataFrame, by: tuple[str, ...], sample: Sample, family: str, basis: str | Basis, rng: int
) -> GroupChecks:
    checks: list[Check] = []
    kept: dict[str, object] = {}

    def ask(name: str, question: Callable[[], object]) -> None:
        answer = attempt(question, who=sample.label)
        if isinstance(answer, Trouble):
            checks.append(Check(question=name, sentence=answer.reason, answered=False))
        else:
            kept[name] = answer
            alarm = _alarm(answer)
            checks.append(
                Check(
                    question=name, sentence=str(answer), answered=True, stands_out=bool(alarm), is_test=_tests(answer)
                )
            )

    rows = table[table["used"] & table["specimen"].astype(str).isin(sample.specimen)]
    of: dict[str, Any] = {"by": by, "group": sample.label, "family": family, "basis": basis, "rng": rng}
    ask("Choice of distribution", lambda: sensitivity(sample, basis))
    ask("Second opinion", lambda: second_opinion(sample, family, libraries=_QUICK))
    ask("Distribution", lambda: goodness_of_fit(sample, families=[family], rng=rng))
    ask("Outliers", lambda: outliers(sample, basis=basis, bound_family=family, rng=rng))
    ask("Failure modes", lambda: failure_modes(table, **of))
    if sample.batch is not None and len(set(sample.batch.tolist())) > 1:
        ask("Batches", lambda: pooling(sample, family=family, rng=rng))
    if "assembly" in rows and (rows["assembly"] != "").any():
        ask("Weak link", lambda: weak_link(table, **of))
    if rows["age_years"].notna().all() and rows["age_years"].nunique() > 1:
        ask("Age", lambda: retention(table, **of))
    link, age = kept.get("Weak link"), kept.get("Age")
    return GroupChecks(
        group=sample.label,
        checks=tuple(checks),
        weak_link=link if isinstance(link, WeakLink) else None,
        retention=age if isinstance(age, Retention) else None,
    )


def _alarm(answer: object) -> bool:
    """Whether a reader should stop at this answer."""
    match answer:
        case GoodnessOfFit():
            return bool(answer.contradicted)
        case Outliers():
            return answer.number > 0
        case FailureModes():
            return answer.p_value <= FALSE_ALARM
        case Pooling():
            return answer.verdict == "differ"
        case Retention():
            return answer.p_value <= FALSE_ALARM
        case SecondOpinion():
            return not answer.agrees
    return False


def _tests(answer: object) -> bool:
    """Whether this answer rests on a test with false alarms."""
    return isinstance(answer, (GoodnessOfFit, Outliers, Pooling, Retention)) or (
        isinstance(answer, FailureModes) and answer.how == "gap"
    )
