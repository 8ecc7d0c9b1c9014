"""What earlier series say about the scatter: a predictive for one further series, see `spread_predictive`."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from lowtail._shared.checks import door
from lowtail._shared.sample import Sample
from lowtail.errors import InputError, NoAnswerError
from lowtail.models.confidence.predictive import from_groups
from lowtail.models.confidence.search import ScalePrior
from lowtail.models.distributions.families import Family, get_family
from lowtail.models.distributions.likelihood import prepare
from lowtail.models.distributions.rounded import at_lower_edge

__all__ = ["scale_prior"]

_LEAST_SERIES = 3


@door
def scale_prior(
    samples: Sequence[Sample], family: str | Family = "weibull", *, source: str = "earlier series"
) -> ScalePrior:
    """Scatter to be expected of a further series, from earlier series of the same kind of part.

    Parameters
    ----------
    samples : sequence of Sample
        At least 3 earlier series, e.g. ``read_breaks("past.csv").samples``; series with fewer than 2 different breaks
        say nothing about the scatter and are refused by name.
    family : str or Family
        "weibull" or "lognormal".
    source : str
        Where the series come from; printed with every result.

    Returns
    -------
    ScalePrior
        For ``lower_bound(..., prior=)``, ``confidence_that(..., prior=)`` and ``weak_link(..., known=)``.

    Raises
    ------
    NoAnswerError
        If there are fewer than 3 series, or one of them says nothing about the scatter.

    See Also
    --------
    lower_bound : takes it as `prior`.
    confidence_that : takes it as `prior`.
    parts.weak_link : takes it as `known`.

    Notes
    -----
    `lower_bound` with this prior answers exactly as with the same series as ``siblings=``: same predictive, same floor,
    same conflict rule. What it covers where the part in hand is unlike the series stands in
    ``tests/truth/borrowed_scatter.csv``.

    Examples
    --------
    >>> past = [Sample([20.1, 21.4, 22.3]), Sample([9.5, 10.3, 10.1, 9.9]), Sample([30.2, 28.1, 31.0])]
    >>> prior = scale_prior(past)
    >>> 15 < prior.shape < 40, prior.width > 0.2
    (True, True)
    """
    law = get_family(family)
    if not law.on_log:
        raise InputError(
            "A scale prior holds for the weibull and lognormal distributions; the scatter of the normal is in kN."
        )
    silent = [s.label or f"number {i + 1}" for i, s in enumerate(samples) if s.different < 2]
    if silent:
        raise NoAnswerError(
            f"Series {silent[0]!r} has fewer than 2 different breaks and says nothing about the scatter."
        )
    if len(samples) < _LEAST_SERIES:
        raise NoAnswerError(f"A scale prior needs at least {_LEAST_SERIES} earlier series, got {len(samples)}.")
    lent = from_groups([prepare(s.load, s.broke, law) for s in map(at_lower_edge, samples)], law)
    return ScalePrior(
        shape=float(np.exp(lent.middle[0])),
        width=float(lent.width[0]),
        source=f"{source} ({len(samples)} series)",
        family=law.name,
        mixture=lent,
    )
