"""How many more for every group of a log at once: one row a group."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from lowtail._shared.checks import door
from lowtail._shared.guard import Trouble, attempt
from lowtail._shared.parallel import Seed, as_rng, run
from lowtail.claims.basis import Basis
from lowtail.claims.planning.core.judge import GOVERNING, Judge, check_judge
from lowtail.claims.planning.core.plan import Claim, Plan, check_assurance, check_whole, strength_claim
from lowtail.claims.planning.more_samples import more_samples
from lowtail.errors import InputError
from lowtail.logs.sample import Sample
from lowtail.models.distributions.families import Family, get_family

__all__ = ["table"]


@door
def table(
    samples: Sequence[Sample],
    claims: float | Claim | Sequence[float | Claim],
    basis: str | Basis | None = None,
    *,
    assurance: float = 0.8,
    family: str | Family = "weibull",
    judge: Judge = GOVERNING,
    max_n: int = 60,
    rng: Seed = 0,
    n_jobs: int = 1,
    progress: bool | None = None,
) -> pd.DataFrame:
    """Run `more_samples` for every group and gather the answers.

    Parameters
    ----------
    samples : sequence of Sample
        Groups, e.g. the ``samples`` of a log.
    claims : float, Claim or a sequence of them
        Strength in kN for all groups, or one for each.
    basis, assurance, family, judge, max_n, rng
        As in `more_samples`; every group uses the same seed, so that its row does not depend on the others.
    n_jobs, progress : int, bool
        Worker processes and progress bar; answers do not depend on them.

    Returns
    -------
    DataFrame
        One row a group in the order given: group, claim, n_now, n (further specimens or batches; missing where
        ``max_n`` is not enough or there is no answer), unit (what ``n`` counts), chance, mc_error, ceiling (the highest
        attainable chance), sentence (the reason, where there is no answer). A group that cannot be planned keeps its
        row, whatever the reason.

    Raises
    ------
    InputError
        If an argument is out of range or the numbers of groups and claims differ.

    See Also
    --------
    plan.more_samples : one group.
    plan.next_specimens : spread a budget over groups.

    Examples
    --------
    >>> groups = [Sample([24.1, 25.3, 22.8, 26.0, 23.9], label="a"), Sample([24.0, 25.0], [True, False], label="b")]
    >>> table(groups, 17)["n"].isna().tolist()
    [False, True]
    """
    import pandas as pd

    groups = list(samples)
    each = [claims] * len(groups) if isinstance(claims, (int, float, Claim)) else list(claims)
    if not groups or len(each) != len(groups):
        raise InputError(f"`claims` must have one entry for each of {len(groups)} groups, got {len(each)}.")
    settled = [strength_claim(one, basis) for one in each]
    check_assurance(assurance), check_whole(max_n, "max_n", 1)
    seed = int(as_rng(rng).integers(2**31))
    name, by = get_family(family).name, check_judge(judge)
    jobs = [(s, c, basis, assurance, name, by, max_n, seed) for s, c in zip(groups, each, strict=True)]
    answers = run(_one, jobs, n_jobs=n_jobs, progress=progress, label="plans")
    rows = []
    for sample, (_, _, stated), answer in zip(groups, settled, answers, strict=True):
        plan = answer if isinstance(answer, Plan) else None
        rows.append(
            {
                "group": sample.label,
                "claim": str(stated),
                "n_now": sample.n,
                "n": plan.n if plan else None,
                "unit": plan.unit if plan else "",
                "chance": plan.chance if plan else np.nan,
                "mc_error": plan.mc_error if plan else np.nan,
                "ceiling": plan.ceiling if plan else np.nan,
                "sentence": str(answer),
            }
        )
    return pd.DataFrame(rows).astype({"n": "Int64"})


def _one(
    sample: Sample,
    claim: float | Claim,
    basis: str | Basis | None,
    assurance: float,
    family: str,
    judge: Judge,
    max_n: int,
    seed: int,
) -> Plan | Trouble:
    return attempt(
        lambda: more_samples(
            sample, claim, basis, assurance=assurance, family=family, judge=judge, max_n=max_n, rng=seed
        ),
        who=sample.label,
    )
