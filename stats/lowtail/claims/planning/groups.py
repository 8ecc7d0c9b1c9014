"""The plan of every judged group of a log: the one home for the page and the command."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from lowtail._shared import numbers as _numbers
from lowtail._shared.guard import Trouble, attempt
from lowtail._shared.parallel import as_rng, run
from lowtail._shared.record import Record
from lowtail._shared.sample import Sample
from lowtail.claims.basis import Basis
from lowtail.claims.planning.core.ahead import Wanted, look_ahead, none_broke
from lowtail.claims.planning.core.claim import check_assurance
from lowtail.claims.planning.core.judge import StrengthAim
from lowtail.claims.planning.core.plan import Plan, count
from lowtail.claims.planning.more_samples import worse_plan
from lowtail.claims.strength.groups import GroupStrength
from lowtail.claims.strength.judging import Verdict
from lowtail.models.distributions.families import Family, get_family

__all__ = ["OutOfReach", "plan_groups"]


@dataclass(frozen=True, slots=True, kw_only=True)
class OutOfReach(Record):
    """A claim that no number of further specimens or batches demonstrates with the chance asked for.

    Attributes
    ----------
    group, basis : str
    claim : float
        Strength in kN.
    n_now : int
        Specimens in hand.
    unit : str
        What would be counted: "specimen" or "batch".
    ceiling : float
        Highest attainable chance; NaN where the verdict cannot change whatever is tested.
    assurance : float
        Chance asked for.
    reason : str
        Why the verdict cannot change, or an empty text.
    """

    group: str
    basis: str
    claim: float
    n_now: int
    unit: str
    ceiling: float
    assurance: float
    reason: str = ""

    @property
    def unusable(self) -> str:
        """Why there is no number."""
        return self.reason or "the highest attainable chance lies under the one asked for"

    def __str__(self) -> str:
        who = f"{self.group}: " if self.group else ""
        if self.reason:
            return f"{who}{self.reason}; no number of further specimens changes that."
        many = "batches" if self.unit == "batch" else "specimens"
        ahead = " for a batch yet to come" if self.unit == "batch" else ""
        return (
            f"{who}no number of further {many} demonstrates {self.claim:.4g} kN on {self.basis}{ahead} with a chance "
            f"of {_numbers.chance(self.assurance)}: the highest attainable chance is {_numbers.chance(self.ceiling)} "
            f"({count(self.n_now)} in hand)."
        )


def plan_groups(
    groups: Sequence[GroupStrength],
    basis: Basis,
    assurance: float = 0.8,
    *,
    family: str | Family = "weibull",
    rng: int = 0,
    n_jobs: int = 1,
    progress: bool | None = None,
) -> list[Plan | OutOfReach | Trouble]:
    """Plan every group that was judged; groups without a claim or a rating are left out.

    Parameters
    ----------
    groups : sequence of GroupStrength
        From `group_strengths`, judged on ``basis``.
    basis : Basis
        Basis of the claims.
    assurance : float
        Chance asked for, 0.5 to 0.99.
    family : str or Family
        Distribution of the simulated populations.
    rng : int
        Seed, the same for every group, so that a plan does not depend on the other groups.
    n_jobs, progress : int, bool
        Worker processes and progress bar; answers do not depend on them.

    Returns
    -------
    list
        In the order of the groups: a `Plan` (``n`` is 0 where the claim is shown already); an `OutOfReach` where a
        specimen broke or slipped below the claim, or the highest attainable chance lies under the one asked for; a
        `Trouble` with the group's name and the reason where there is no plan.
    """
    found, target = get_family(family), check_assurance(assurance)
    tasks = []
    for group in groups:
        if (judged := group.judged) is not None:
            below = judged.sentence if judged.verdict.below else ""
            why = judged.sentence if judged.verdict is Verdict.SEVERAL else ""
            tasks.append((group.sample, judged.rating, basis, target, found.name, rng, below, why))
    return run(_guarded, tasks, n_jobs=n_jobs, progress=progress, label="plans")


def _guarded(
    sample: Sample, claim: float, basis: Basis, target: float, family: str, rng: int, below: str, why: str
) -> Plan | OutOfReach | Trouble:
    if why:
        return Trouble(who=sample.label, what="plan", reason=why)
    if below:
        return OutOfReach(
            group=sample.label, basis=basis.name, claim=claim, n_now=sample.n, unit="specimen", ceiling=math.nan,
            assurance=target, reason=below,
        )  # fmt: skip
    return attempt(lambda: _one(sample, claim, basis, target, family, rng), who=sample.label, what="plan")


def _one(sample: Sample, claim: float, basis: Basis, target: float, family: str, rng: int) -> Plan | OutOfReach:
    wanted = Wanted(aim=StrengthAim(claim, basis, get_family(family)), target=target)
    if (shown := none_broke(sample, wanted)) is not None:
        return shown
    readings = look_ahead(sample, wanted, int(as_rng(rng).integers(2**31)))  # the seed of `more_samples`
    lowest = min(readings, key=lambda each: each.ceiling)
    if lowest.ceiling < target and not all(each.now for each in readings):
        return OutOfReach(
            group=sample.label, basis=basis.name, claim=claim, n_now=sample.n, unit=lowest.unit,
            ceiling=lowest.ceiling, assurance=target,
        )  # fmt: skip
    return worse_plan(readings)
