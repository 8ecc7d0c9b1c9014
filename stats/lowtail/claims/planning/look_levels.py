"""At which confidence each look is judged, so that all of them pass a false claim no more often than stated."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import special

from lowtail._shared.checks import door
from lowtail._shared.parallel import as_rng
from lowtail.claims.basis import Basis, get_basis
from lowtail.claims.planning.core.claim import check_whole
from lowtail.claims.planning.core.judge import normal_factor_confidence
from lowtail.claims.planning.core.simulate import standard_series
from lowtail.models.distributions.families import Family, get_family
from lowtail.models.series.normal_pivot import normal_confidence
from lowtail.models.series.weibull_pivot import weibull_confidence

__all__ = ["SERIES", "alone", "edge_confidence", "look_confidence", "look_levels"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

SERIES = 6400  # simulated populations, stratified; twice as many at the edge of the claim
FEW = 20  # simulated successes below which a level is set by its part of the error alone


def look_levels(at_edge: Array, sizes: NDArray[np.intp], confidence: float, boundary: str) -> Array:
    """Confidence to ask at each look, so that series at the edge of the claim succeed no more often than stated.

    "equal" asks one confidence at all looks. "early strict" spends the error 1 - confidence by the share t of the
    specimens tested, as 2 - 2 normal((z at half the error) / sqrt(t)): hardly any at first, most at the end.
    """
    error = 1 - confidence
    looks = at_edge.shape[1]
    if looks == 1:
        return np.array([confidence])
    if boundary == "equal":
        return np.full(looks, max(confidence, float(np.quantile(at_edge.max(axis=1), confidence))))
    spend = 2 * special.ndtr(special.ndtri(error / 2) / np.sqrt(sizes / sizes[-1]))
    levels = np.ones(looks)
    running = np.ones(at_edge.shape[0], dtype=bool)
    for j in range(looks):
        part = spend[j] - (spend[j - 1] if j else 0.0)
        levels[j] = 1 - part  # no more than this part can succeed here, whatever came before
        wanted = int(np.floor(spend[j] * running.size)) - int((~running).sum())
        left = np.sort(at_edge[running, j])
        if FEW <= wanted < left.size:
            levels[j] = min(levels[j], max(confidence, float(left[left.size - wanted])))
        running &= at_edge[:, j] < levels[j]
    return levels


@door
def look_confidence(
    family: str | Family, basis: str | Basis, n_now: int, every: int, looks: int, *, rng: int = 0
) -> tuple[float, float]:
    """Confidence to ask at each look so that the total error is that of the basis, and the total error without it.

    Looks at ``n_now`` specimens and after every ``every`` further ones, ``looks`` times; every specimen breaks.

    See Also
    --------
    plan.looks : the plan made with it.

    Examples
    --------
    >>> import lowtail as lt
    >>> each, without = lt.plan.look_confidence("normal", "B-basis", 5, 5, 2)
    >>> each > 0.95, without > 0.05
    (True, True)
    """
    law, found = get_family(family), get_basis(basis)
    check_whole(n_now, "n_now", 2), check_whole(every, "every", 1), check_whole(looks, "looks", 1)
    as_rng(rng)
    at_edge = [edge_confidence(law, n_now + every * j, 0.0, found, rng) for j in range(looks + 1)]
    seen = np.column_stack(at_edge)
    level = look_levels(seen, n_now + every * np.arange(looks + 1), found.confidence, "equal")[0]
    return float(level), float((seen.max(axis=1) >= found.confidence).mean())


@lru_cache(maxsize=64)
def edge_confidence(family: Family, n: int, held: float, basis: Basis, seed: int) -> Array:
    """Confidence in fresh series of n whose true percentile lies exactly at the claim; longer ones continue shorter."""
    z, fresh = standard_series(family, n, 2 * SERIES, held, np.random.SeedSequence(seed))
    return alone(z, fresh, float(family.quantile(basis.fraction_below)), family, basis)


def alone(y: Array, flags: Flags | None, claim: float, family: Family, basis: Basis) -> Array:
    """Confidence by one distribution that the percentile is at least the claim."""
    if family.name == "weibull":
        return weibull_confidence(y, flags, claim, basis.fraction_below)
    if flags is not None:
        return normal_confidence(
            y, flags, claim, basis.fraction_below, (1 + 2 * basis.confidence) / 3, (1 - basis.confidence) / 3
        )
    return normal_factor_confidence(y, claim, basis.fraction_below)
