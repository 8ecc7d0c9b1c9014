"""How many more specimens, or batches, a claim takes, given the breaks in hand."""

from __future__ import annotations

import math

from lowtail._shared.checks import door
from lowtail._shared.parallel import Seed, as_rng
from lowtail._shared.sample import SampleLike, as_sample
from lowtail.claims.basis import Basis
from lowtail.claims.planning.core.ahead import Ahead, Wanted, look_ahead, none_broke
from lowtail.claims.planning.core.claim import Claim, check_assurance, check_share, check_whole, positive
from lowtail.claims.planning.core.judge import GOVERNING, Judge, StrengthAim
from lowtail.claims.planning.core.plan import Plan
from lowtail.errors import InputError
from lowtail.models.distributions.families import Family

__all__ = ["more_samples", "worse_plan"]

MOST = 200


@door
def more_samples(
    sample: SampleLike,
    claim: float | Claim,
    basis: str | Basis | None = None,
    *,
    assurance: float = 0.8,
    family: str | Family = "weibull",
    judge: Judge = GOVERNING,
    max_n: int = 60,
    per_batch: int | None = None,
    survivors: float | None = None,
    cost: float | None = None,
    rng: Seed = 0,
    n_jobs: int = 1,
) -> Plan:
    """How many more specimens, or batches, until the bound that judges all of them together reaches the claim.

    The population is not taken as known: populations are drawn from the confidence distribution of the data in hand,
    further specimens are tested in each, and the pooled series is judged by the rule of `governing`: the lowest of the
    Weibull, the normal and the cautious bound. The chance is the share of simulated populations in which it reaches
    the claim.

    With two or more named batches the rule judges by the bound for a batch yet to come. Then the plan counts further
    batches, in populations drawn from the confidence distribution of the scatter between and within batches.

    Slips whose meaning is not stated are planned both ways, as failures and as loads held; the worse plan stands.

    Parameters
    ----------
    sample : Sample or array_like
        Breaks in hand, loads in kN, with survivors, slips and batches.
    claim : float or Claim
        Strength in kN, or ``Claim(strength=...)``.
    basis : str or Basis, optional
        Content and confidence; default that of the Claim, else "B-basis".
    assurance : float
        Chance of success asked for, 0.5 to 0.99.
    family : str or Family
        Distribution of the simulated populations: "weibull" (default), "normal" or "lognormal".
    judge : str
        "governing" (default): the rule that judges real series. "one distribution": the bound of ``family`` alone, for
        these specimens only, whatever batches are named; such a plan does not answer for the verdict.
    max_n : int
        Largest number of further specimens considered, at most 200.
    per_batch : int, optional
        Specimens of each further batch; default about as many as the batches in hand have.
    survivors : float, optional
        Share of the further specimens expected to hold; default the share in hand.
    cost : float, optional
        Cost of one specimen, greater than 0.
    rng : int or Generator
        Seed.
    n_jobs : int
        Worker processes; the answer does not depend on it.

    Returns
    -------
    Plan
        ``n`` is the number of *further* specimens or batches, see ``unit`` (0: shown already; None: ``max_n``
        specimens do not reach the assurance), ``ceiling`` the highest attainable chance, ``curve`` the chance against
        the number. The chance need not rise with the number: the cautious bound rests on other specimens at other n.

    Raises
    ------
    InputError
        If an argument is out of range.
    NoAnswerError
        If the sample carries no bound, so that there is nothing to plan from.

    See Also
    --------
    plan.new_series : before any specimen is tested.
    plan.next_specimens : which group to test next.
    plan.looks : stop at the first success.
    plot.plan : the chance against the number.

    References
    ----------
    O'Hagan, Stevens and Campbell (2005) Pharmaceutical Statistics 4:187-201, assurance (from memory).

    Examples
    --------
    >>> plan = more_samples([24.1, 25.3, 22.8, 26.0, 23.9], 18.0, "B-basis")
    >>> plan.n, plan.unit
    (13, 'specimen')
    """
    sample = as_sample(sample)
    wanted = Wanted(
        aim=StrengthAim.of(claim, basis, family, judge),
        target=check_assurance(assurance),
        most=_check_most(max_n),
        per_batch=None if per_batch is None else check_whole(per_batch, "per_batch", 1),
        survivors=None if survivors is None else check_share(survivors, "survivors"),
        price=None if cost is None else positive(cost, "cost", "the cost of one specimen"),
        n_jobs=n_jobs,
    )
    shown = none_broke(sample, wanted)
    return worse_plan(look_ahead(sample, wanted, int(as_rng(rng).integers(2**31)))) if shown is None else shown


def worse_plan(readings: list[Ahead]) -> Plan:
    """The plan of the worse reading: batches before specimens, then the larger number, then the lower chance."""
    plans = [each.plan() for each in readings]
    return max(plans, key=lambda p: (p.unit == "batch", math.inf if p.n is None else p.n, -p.chance))


def _check_most(max_n: object) -> int:
    most = check_whole(max_n, "max_n", 1)
    if most > MOST:
        raise InputError(
            f"`max_n` must be at most {MOST} further specimens, got {most}. For a large new series: `plan.new_series`."
        )
    return most
