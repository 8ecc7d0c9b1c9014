"""Which group next: where a common budget of further specimens raises the chance of backing all claims most."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from lowtail._checks import takes
from lowtail._parallel import as_rng, run, seeds
from lowtail._record import Record
from lowtail.claims.basis import Basis
from lowtail.claims.planning.plan import Claim, check_whole, count, percent, positive, strength_claim
from lowtail.claims.planning.plan_trials import CURVE
from lowtail.claims.planning.plan_worlds import draw_worlds, trials_in
from lowtail.errors import InputError
from lowtail.models.confidence_law import confidence_law
from lowtail.models.families import Family, get_family
from lowtail.records.sample import Sample

if TYPE_CHECKING:
    import pandas as pd

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
        Chance to back every claim with this allocation.
    mc_error : float
        Monte-Carlo standard error of ``chance``.
    chance_even : float
        The same with the budget spread evenly.
    chance_now : float
        1 where every claim is backed already, else 0.
    cost : float
        Cost of the allocation (number of specimens where no costs were given).
    table : DataFrame
        One row a group: group, claim, n_now, ceiling, next, chance, backed_now.
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
            return f"No further specimen raises the chance of backing all claims, now {percent(self.chance)}."
        return (
            f"Of the next {count(sum(self.allocation))} give {', '.join(parts)}: every claim is then backed with a "
            f"chance of {percent(self.chance)} (spread evenly: {percent(self.chance_even)})."
        )


@takes(samples="samples")
def next_specimens(
    samples: Sequence[Sample],
    claims: float | Claim | Sequence[float | Claim],
    basis: str | Basis | None = None,
    *,
    budget: int,
    family: str | Family = "weibull",
    cost: Sequence[float] | None = None,
    rng: int | np.random.Generator = 0,
    n_jobs: int = 1,
    progress: bool | None = None,
) -> NextSpecimens:
    """Spread the next specimens over groups so that the chance of backing all their claims is largest.

    Each group's chance against its further specimens comes from worlds of its own confidence law, as in `more_samples`;
    groups are independent, so that chances multiply. Every allocation within the budget is weighed.

    Parameters
    ----------
    samples : sequence of Sample
        Groups with breaks in hand, at least 2.
    claims : float, Claim or a sequence of them
        Strength in kN for all groups, or one for each.
    basis : str or Basis, optional
        Content and confidence; default that of each Claim, else "B-basis".
    budget : int
        Further specimens in all, 1 to 40; with ``cost`` the money to spend, in the unit of ``cost``.
    family : str or Family
        "weibull" (default), "normal" or "lognormal".
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
        If a group has fewer than 2 different loads at break.
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
    settled = [strength_claim(c, basis) for c in each]
    jobs = [
        (sample, strength, found, get_family(family).name, most, seed)
        for sample, (strength, found, _), most, seed in zip(
            groups, settled, room, seeds(as_rng(rng), len(groups)), strict=True
        )
    ]
    answers = run(_curve, jobs, n_jobs=n_jobs, progress=progress, label="which next")
    curves = [[s for s, _ in curve] for curve, _ in answers]
    best = best_allocation(curves, prices, float(money))
    even = even_allocation(prices, room, float(money))
    chosen = [answer[0][m] for answer, m in zip(answers, best, strict=True)]
    chance = float(np.prod([s for s, _ in chosen]))
    error = chance * math.sqrt(sum((e / s) ** 2 for s, e in chosen if s > 0))
    return NextSpecimens(
        groups=tuple(s.label or f"group {i + 1}" for i, s in enumerate(groups)),
        allocation=best,
        chance=chance,
        mc_error=error,
        chance_even=float(np.prod([c[m] for c, m in zip(curves, even, strict=True)])),
        chance_now=float(np.prod([c[0] for c in curves])),
        cost=float(np.dot(best, prices)),
        table=_table(groups, settled, answers, best),
        notes=_notes(groups, answers),
    )


def _curve(
    sample: Sample, strength: float, basis: Basis, family: str, most: int, seed: np.random.SeedSequence
) -> tuple[list[tuple[float, float]], float]:
    """Chance with its error for 0 to ``most`` further specimens, and the ceiling."""
    law = get_family(family)
    known = confidence_law(sample, law)
    first, *rest = seed.spawn(5)
    edge = float(law.transform(strength))
    worlds = draw_worlds(known, law, edge, basis.fraction_below, np.random.default_rng(first))
    held = sample.n_held / sample.n
    trials = trials_in(worlds, sample, edge, basis, held, rest)
    return [trials.chance(m, CURVE) for m in range(most + 1)], known.confidence_that(strength, basis.fraction_below)


def best_allocation(curves: Sequence[Sequence[float]], prices: Sequence[float], budget: float) -> tuple[int, ...]:
    """Allocation with the largest product of chances within the budget; of equals the cheapest.

    Groups are added one by one; an allocation that costs no less and promises no more than another is dropped.
    """
    front: list[tuple[float, float, tuple[int, ...]]] = [(0.0, 1.0, ())]
    for curve, price in zip(curves, prices, strict=True):
        grown = [
            (spent + m * price, chance * s, (*given, m))
            for spent, chance, given in front
            for m, s in enumerate(curve)
            if spent + m * price <= budget + 1e-9
        ]
        grown.sort(key=lambda x: (x[0], -x[1]))
        front, top = [], -1.0
        for entry in grown:
            if entry[1] > top:
                front.append(entry)
                top = entry[1]
    return max(front, key=lambda x: (x[1], -x[0]))[2]


def even_allocation(prices: Sequence[float], room: Sequence[int], budget: float) -> tuple[int, ...]:
    """Specimens in turn to each group while the budget lasts."""
    given = [0] * len(prices)
    left, moved = budget, True
    while moved:
        moved = False
        for i, price in enumerate(prices):
            if price <= left + 1e-9 and given[i] < room[i]:
                given[i] += 1
                left -= price
                moved = True
    return tuple(given)


def _table(
    groups: Sequence[Sample],
    settled: Sequence[tuple[float, Basis, Claim]],
    answers: Sequence[tuple[list[tuple[float, float]], float]],
    best: tuple[int, ...],
) -> pd.DataFrame:
    import pandas as pd

    rows = [
        {
            "group": sample.label,
            "claim": str(claim),
            "n_now": sample.n,
            "ceiling": ceiling,
            "next": m,
            "chance": curve[m][0],
            "backed_now": curve[0][0] == 1.0,
        }
        for sample, (_, _, claim), (curve, ceiling), m in zip(groups, settled, answers, best, strict=True)
    ]
    return pd.DataFrame(rows)


def _notes(groups: Sequence[Sample], answers: Sequence[tuple[list[tuple[float, float]], float]]) -> tuple[str, ...]:
    out = ["Every claim is judged once, after all further specimens; a group that is backed already is left alone."]
    weak = [s.label for s, (_, ceiling) in zip(groups, answers, strict=True) if ceiling < 0.5]
    if weak:
        out.append(f"More likely false than true at present, testing will probably not help: {'; '.join(weak)}.")
    return tuple(out)
