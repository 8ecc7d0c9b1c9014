"""Which group next: where a common budget of further specimens raises the chance of showing all claims most."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from lowtail._shared.checks import door
from lowtail._shared.guard import Trouble, attempt
from lowtail._shared.parallel import Seed, as_rng, run, seeds
from lowtail._shared.record import Record
from lowtail._shared.sample import Sample
from lowtail.claims.basis import Basis
from lowtail.claims.planning.core.ahead import Wanted, look_ahead, none_broke
from lowtail.claims.planning.core.claim import Claim, check_whole, positive
from lowtail.claims.planning.core.judge import GOVERNING, Judge, StrengthAim, check_judge, early
from lowtail.claims.planning.core.plan import count, percent
from lowtail.claims.planning.core.trials import CURVE
from lowtail.claims.planning.core.words import judged_words
from lowtail.claims.planning.next_joint import Joint, best_allocation, even_allocation
from lowtail.errors import InputError, NoAnswerError
from lowtail.models.confidence.distribution import confidence_distribution
from lowtail.models.distributions.families import Family, get_family

__all__ = ["NextSpecimens", "next_specimens"]

MOST = 40


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NextSpecimens(Record):
    """Allocation of a budget of further specimens over groups, each with a claim of its own.

    Attributes
    ----------
    groups : tuple of str
        Labels, in the order given.
    allocation : tuple of int
        Further specimens for each group.
    chance : float
        Chance to show every claim that can be planned with this allocation.
    mc_error : float
        Monte-Carlo standard error of ``chance``.
    chance_even : float
        The same with the budget spread evenly.
    chance_now : float
        1 where every such claim is shown already, else 0.
    cost : float
        Cost of the allocation (number of specimens where no costs were given).
    table : DataFrame
        One row a group: group, claim, n_now, unit (what its chance counts: specimen or batch), per_batch, ceiling (the
        highest attainable chance), next, chance, backed_now, reason (why the group could not be planned); neither
        of the two for a reference and for a group without a plan.
    notes : tuple of str
        What the reader must know.
    """

    groups: tuple[str, ...]
    allocation: tuple[int, ...]
    chance: float
    mc_error: float
    chance_even: float
    chance_now: float
    cost: float
    table: pd.DataFrame
    notes: tuple[str, ...] = ()

    def __str__(self) -> str:
        parts = [f"{m} to {g}" for g, m in zip(self.groups, self.allocation, strict=True) if m]
        if not parts:
            return f"No further specimen raises the chance of showing all claims, now {percent(self.chance)}."
        return (
            f"Of the next {count(sum(self.allocation))} give {', '.join(parts)}: every claim is then shown with a "
            f"chance of {percent(self.chance)} (spread evenly: {percent(self.chance_even)})."
        )


@door
def next_specimens(
    samples: Sequence[Sample],
    claims: float | Claim | Sequence[float | Claim | None],
    basis: str | Basis | None = None,
    *,
    budget: int,
    family: str | Family = "weibull",
    judge: Judge = GOVERNING,
    cost: Sequence[float] | None = None,
    rng: Seed = 0,
    n_jobs: int = 1,
    progress: bool | None = None,
) -> NextSpecimens:
    """Spread the next specimens over groups so that the chance of showing all their claims is largest.

    Strength claims: each group's chance against its further specimens is that of `more_samples`, judged by the rule of
    `governing`; where two or more batches are named, further specimens come in batches of about the present size.
    Groups are independent, so that chances multiply, and every allocation within the budget is weighed.
    Comparison claims: each group against the first one, the reference, as in `more_comparison`, in simulated
    populations that share the reference; the best allocation is looked for on a grid and by moving single specimens.

    A group that cannot be planned keeps its row with the reason; the others are planned without it.

    Parameters
    ----------
    samples : sequence of Sample
        Groups with breaks in hand, at least 2.
    claims : float, Claim or a sequence of them
        Strength in kN for all groups, or one for each. ``Claim(keeps=...)`` or ``Claim(same_within=...)`` compares a
        group with the first one, the reference, whose own entry is then None.
    basis : str or Basis, optional
        Content and confidence; default that of each Claim, else "B-basis".
    budget : int
        Further specimens in all, 1 to 40; with ``cost`` the money to spend, in the unit of ``cost``.
    family : str or Family
        Distribution of the simulated populations: "weibull" (default), "normal" or "lognormal".
    judge : str
        "governing" (default) or "one distribution", as in `more_samples`.
    cost : sequence of float, optional
        Cost of a specimen in each group; default 1 each.
    rng : int or Generator
        Seed.
    n_jobs, progress : int, bool
        Worker processes and progress bar; answers do not depend on them.

    Returns
    -------
    NextSpecimens

    Raises
    ------
    InputError
        If numbers do not fit, or the budget allows more than 40 specimens in a group.
    NoAnswerError
        If no group can be planned, or the reference of a comparison has fewer than 2 different loads at break.

    See Also
    --------
    plan.more_samples : one group.
    plan.grid : every group by itself.

    Examples
    --------
    >>> import lowtail as lt
    >>> groups = [lt.Sample([24.1, 25.3, 22.8], label="a"), lt.Sample([30.0, 31.2, 30.4], label="b")]
    >>> answer = lt.plan.next_specimens(groups, 17, budget=3, judge="one distribution")
    >>> len(answer.table), 0 < answer.chance < 1
    (2, True)
    """
    groups = list(samples)
    if len(groups) < 2:
        raise InputError(f"`samples` must hold at least 2 groups, got {len(groups)}. For one group use `more_samples`.")
    each = [claims] * len(groups) if isinstance(claims, (int, float, Claim)) else list(claims)
    prices = [1.0] * len(groups) if cost is None else [positive(c, "cost", "a cost per specimen") for c in cost]
    for name, values in (("claims", each), ("cost", prices)):
        if len(values) != len(groups):
            raise InputError(f"`{name}` must have one entry for each of {len(groups)} groups, got {len(values)}.")
    money = check_whole(budget, "budget", 1)
    room = [math.floor(money / p + 1e-9) for p in prices]
    if max(room) > MOST:
        raise InputError(f"`budget` must leave at most {MOST} further specimens in a group, got {max(room)}.")
    compared = [i for i, c in enumerate(each) if isinstance(c, Claim) and c.kind == "comparison"]
    _check_reference(each, compared)
    generator = as_rng(rng)
    family, judge = get_family(family), check_judge(judge)
    single = [i for i, c in enumerate(each) if c is not None and i not in compared]
    settled = {i: StrengthAim.of(each[i], basis, family, judge) for i in single}  # type: ignore[arg-type]
    jobs = [
        (groups[i], settled[i], room[i], int(seed.generate_state(1)[0]))
        for i, seed in zip(single, seeds(generator, len(single)), strict=True)
    ]
    found = dict(zip(single, run(_curve, jobs, n_jobs=n_jobs, progress=progress, label="which next"), strict=True))
    known = {i: curve for i, curve in found.items() if isinstance(curve, _Curve)}
    troubles = {i: str(trouble) for i, trouble in found.items() if isinstance(trouble, Trouble)}
    for i in compared:
        if isinstance(fit := attempt(lambda k=i: confidence_distribution(groups[k]), who=groups[i].label), Trouble):  # type: ignore[misc]
            troubles[i] = str(fit)
    compared = [i for i in compared if i not in troubles]
    if not known and not compared:
        raise NoAnswerError(f"No group can be planned: {'; '.join(troubles.values())}")
    room = [0 if i in troubles else most for i, most in enumerate(room)]
    curves = {i: curve.chances for i, curve in known.items()} | {i: [(1.0, 0.0)] for i in troubles}  # these take none
    joint = Joint.draw(groups, compared, each, curves, room, generator) if compared else Joint({}, curves)
    even = even_allocation(prices, room, float(money))
    best = joint.search(prices, room, float(money)) if compared else _best_of(curves, prices, float(money))
    chance, error = joint.full(best)
    told = {i: str(settled[i].claim) for i in single} | {
        i: str(c) for i, c in enumerate(each) if isinstance(c, Claim) and i not in settled
    }
    ceilings = {i: curve.ceiling for i, curve in known.items()} | joint.ceilings
    return NextSpecimens(
        groups=tuple(s.label or f"group {i + 1}" for i, s in enumerate(groups)),
        allocation=best,
        chance=chance,
        mc_error=error,
        chance_even=joint.full(even)[0],
        chance_now=joint.full((0,) * len(groups))[0],
        cost=float(np.dot(best, prices)),
        table=_table(groups, told, ceilings, {i: c.size for i, c in known.items()}, troubles, joint, best),
        notes=_notes(groups, ceilings, {i: c.size for i, c in known.items()}, troubles, bool(compared)),
    )


def _check_reference(each: Sequence[float | Claim | None], compared: Sequence[int]) -> None:
    """The first group stands without a claim where others are compared with it, and only there."""
    if compared and each[0] is not None:
        raise InputError(
            "A claim with `keeps` or `same_within` compares a group with the first one, the reference: give None as "
            f"the first of `claims`, got {each[0]}."
        )
    bare = [i for i, c in enumerate(each) if c is None and (i > 0 or not compared)]
    if bare:
        raise InputError(
            f"`claims` has None for group {bare[0] + 1}: only the reference of a comparison, the first group, goes "
            "without a claim of its own."
        )


def _best_of(curves: dict[int, list[tuple[float, float]]], prices: Sequence[float], budget: float) -> tuple[int, ...]:
    return best_allocation([[s for s, _ in curves[i]] for i in sorted(curves)], prices, budget)


@dataclass(frozen=True, slots=True)
class _Curve:
    """Chance with its error for 0 to ``most`` further specimens, the highest attainable one, and the batch size."""

    chances: list[tuple[float, float]]
    ceiling: float
    size: int


def _curve(sample: Sample, aim: StrengthAim, most: int, seed: int) -> _Curve | Trouble:
    wanted = Wanted(aim=aim, most=most, search=False)
    return attempt(lambda: _curve_of(sample, wanted, most, seed), who=sample.label)


def _curve_of(sample: Sample, wanted: Wanted, most: int, seed: int) -> _Curve:
    if none_broke(sample, wanted) is not None:
        return _Curve([(1.0, 0.0)] * (most + 1), 1.0, 0)
    readings = look_ahead(sample, wanted, seed)
    lines = []
    for ahead in readings:
        step = max(ahead.told.size, 1)
        by_step = [ahead.trials.chance(k, CURVE) for k in range(most // step + 1)]
        lines.append([by_step[m // step] for m in range(most + 1)])
    worst = [min(chances, key=lambda one: one[0]) for chances in zip(*lines, strict=True)]
    return _Curve(worst, min(a.ceiling for a in readings), max(a.told.size for a in readings))


def _table(
    groups: Sequence[Sample],
    told: dict[int, str],
    ceilings: dict[int, float],
    sizes: dict[int, int],
    troubles: dict[int, str],
    joint: Joint,
    best: tuple[int, ...],
) -> pd.DataFrame:
    import pandas as pd

    now = (0,) * len(groups)
    rows = []
    for i, sample in enumerate(groups):
        planned = i in told and i not in troubles
        rows.append(
            {
                "group": sample.label,
                "claim": told.get(i, "reference of the comparisons"),
                "n_now": sample.n,
                "unit": "batch" if sizes.get(i) else "specimen",
                "per_batch": sizes.get(i, 0),
                "ceiling": ceilings.get(i, math.nan),
                "next": best[i],
                "chance": joint.one(i, best) if planned else math.nan,
                "backed_now": planned and joint.one(i, now) == 1.0,
                "reason": troubles.get(i, ""),
            }
        )
    return pd.DataFrame(rows)


def _notes(
    groups: Sequence[Sample],
    ceilings: dict[int, float],
    sizes: dict[int, int],
    troubles: dict[int, str],
    compared: bool,
) -> tuple[str, ...]:
    out = ["Every claim is judged once, after all further specimens; a group that is shown already is left alone."]
    if compared:
        out[0] = (
            "Every claim is judged once, after all further specimens. Comparisons share the specimens of the "
            "reference: the chance of all of them is counted in the same simulated populations, not multiplied."
        )
    held = [groups[i].label for i in sorted(ceilings) if early(np.log(groups[i].load), groups[i].broke)]
    if held:
        out.append(f"{judged_words(0.0, in_hand=True)[0]} Groups: {'; '.join(held)}.")
    weak = [groups[i].label for i in sorted(ceilings) if ceilings[i] < 0.5]
    if weak:
        out.append(f"Highest attainable chance under 50 %, testing will probably not help: {'; '.join(weak)}.")
    lots = [f"{groups[i].label} in batches of {size}" for i, size in sorted(sizes.items()) if size]
    if lots:
        out.append(f"Judged for a batch yet to come, so that further specimens come in batches: {'; '.join(lots)}.")
    if troubles:
        out.append(f"Not planned, and not part of the chance: {'; '.join(troubles[i] for i in sorted(troubles))}.")
    return tuple(out)
