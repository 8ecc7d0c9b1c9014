"""How many more for every group of a log at once: one row a group."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from lowtail._checks import door
from lowtail._parallel import as_rng, run
from lowtail.claims.basis import Basis
from lowtail.claims.planning.more_samples import more_samples
from lowtail.claims.planning.plan import Claim, Plan, strength_claim
from lowtail.errors import InputError, NoAnswerError
from lowtail.models.families import Family, get_family
from lowtail.records.sample import Sample

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["plan_table"]


@door
def plan_table(
    samples: Sequence[Sample],
    claims: float | Claim | Sequence[float | Claim],
    basis: str | Basis | None = None,
    *,
    assurance: float = 0.8,
    family: str | Family = "weibull",
    max_n: int = 60,
    rng: int | np.random.Generator = 0,
    n_jobs: int = 1,
    progress: bool | None = None,
) -> pd.DataFrame:
    """Run `more_samples` for every group and gather the answers.

    Parameters
    ----------
    samples : sequence of Sample
        Groups, e.g. from `split`.
    claims : float, Claim or a sequence of them
        Strength in kN for all groups, or one for each.
    basis, assurance, family, max_n, rng
        As in `more_samples`; every group uses the same seed, so that its row does not depend on the others.
    n_jobs, progress : int, bool
        Worker processes and progress bar; answers do not depend on them.

    Returns
    -------
    DataFrame
        One row a group in the order given: group, claim, n_now, n (further specimens; missing where ``max_n`` is not
        enough or there is no answer), chance, mc_error, ceiling, sentence (the reason, where there is no answer).

    Raises
    ------
    InputError
        If an argument is out of range or the numbers of groups and claims differ.

    Examples
    --------
    >>> groups = [Sample([24.1, 25.3, 22.8, 26.0, 23.9], label="a"), Sample([24.0, 25.0], [True, False], label="b")]
    >>> plan_table(groups, 19, family="normal")["n"].isna().tolist()
    [False, True]
    """
    import pandas as pd

    groups = list(samples)
    each = [claims] * len(groups) if isinstance(claims, (int, float, Claim)) else list(claims)
    if not groups or len(each) != len(groups):
        raise InputError(f"`claims` must have one entry for each of {len(groups)} groups, got {len(each)}.")
    seed = int(as_rng(rng).integers(2**31))
    name = get_family(family).name
    jobs = [(s, c, basis, assurance, name, max_n, seed) for s, c in zip(groups, each, strict=True)]
    answers = run(_one, jobs, n_jobs=n_jobs, progress=progress, label="plans")
    rows = [
        {
            "group": sample.label,
            "claim": str(strength_claim(claim, basis)[2]),
            "n_now": sample.n,
            "n": answer.n if isinstance(answer, Plan) else None,
            "chance": answer.chance if isinstance(answer, Plan) else np.nan,
            "mc_error": answer.mc_error if isinstance(answer, Plan) else np.nan,
            "ceiling": answer.ceiling if isinstance(answer, Plan) else np.nan,
            "sentence": str(answer),
        }
        for sample, claim, answer in zip(groups, each, answers, strict=True)
    ]
    return pd.DataFrame(rows).astype({"n": "Int64"})


def _one(
    sample: Sample,
    claim: float | Claim,
    basis: str | Basis | None,
    assurance: float,
    family: str,
    max_n: int,
    seed: int,
) -> Plan | str:
    try:
        return more_samples(sample, claim, basis, assurance=assurance, family=family, max_n=max_n, rng=seed)
    except NoAnswerError as error:
        return str(error)
