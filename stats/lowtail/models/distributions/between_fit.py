"""Maximum likelihood where some breaks lie between two loads."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from lowtail._shared.sample import Sample
from lowtail.errors import NoAnswerError
from lowtail.models.distributions.between import log_density
from lowtail.models.distributions.between_law import as_between
from lowtail.models.distributions.families import Family, name_of

__all__ = ["fit_between"]

Array = NDArray[np.float64]

_SHARPEST = 12.0  # ln(scatter of the middles / spread) from which the likelihood rises without end
_TOLERANCE = 1e-12


def fit_between(sample: Sample, family: Family) -> tuple[float, float, float]:
    """Location, spread (on the ``y`` axis) and log-likelihood at its maximum.

    The log-likelihood is that of the loads in kN: the density of a known break, the probability of an interval.

    Raises
    ------
    NoAnswerError
        If the breaks may all have happened at one load, so that the likelihood bounds no spread from below.
    """
    b = as_between(sample, family)

    def worse(at: Array) -> float:
        k, location = np.exp(at[1]), at[0]
        return -float(log_density(b, family, np.array([[k]]), np.array([[[location]]]))[0, 0, 0])

    refusal = NoAnswerError(
        f"{sample.who}: no {name_of(family.name)} distribution can be fitted, since all breaks may have happened at "
        f"one load or one step ({sample.n_between} of {sample.n_broken} broke between two loads), with any scatter "
        "down to none. Record the loads in finer steps; a lower bound can be given: lower_bound."
    )
    if sample.n_broken < 2 or b.same[0]:
        raise refusal
    found = optimize.minimize(
        worse, [0.0, 0.2], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": _TOLERANCE, "maxiter": 4000}
    )
    location, log_k = (float(v) for v in found.x)
    if not found.success or log_k > _SHARPEST or not np.isfinite(found.fun) or _flat(worse, found.x):
        raise refusal
    known = b.exact[0]
    loglik = -float(found.fun) - float(b.count[0, known].sum()) * float(np.log(b.scale[0]))
    if family.on_log:  # density of the load, not of its logarithm
        y = b.centre[0] + b.scale[0] * b.low[0, known]
        loglik -= float((b.count[0, known] * y).sum())
    return float(b.centre[0] + b.scale[0] * location), float(b.scale[0] * np.exp(-log_k)), loglik


def _flat(worse: Callable[[Array], float], at: Array) -> bool:
    """Whether a scatter of a tenth fits as well: the likelihood has no top of its own."""
    sharper = optimize.minimize_scalar(
        lambda x: worse(np.array([x, at[1] + 2.3])), bounds=(at[0] - 2, at[0] + 2), method="bounded"
    )
    return bool(sharper.fun <= worse(at) + 1e-6)
