"""What earlier series say about the spread: a prior for the shape, with a width of its own.

Every series gives a density of ``t = ln(1 / spread)`` free of its location. The series' true values of t are taken as
normal about a middle m with a standard deviation between series; both are averaged over what the series leave open
(flat weight), so that a few series give a wide prior. The width returned is that of ln(shape) for one further series.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from lowtail._checks import door
from lowtail.errors import InputError, NoAnswerError
from lowtail.models.families import Family, get_family
from lowtail.models.likelihood import prepare
from lowtail.models.quadrature import SMOOTH
from lowtail.models.search import SpreadPrior, build
from lowtail.records.sample import Sample

__all__ = ["spread_prior"]

Array = NDArray[np.float64]

_LEAST_SERIES = 3
_WIDEST = 1.5  # largest standard deviation of ln k between series that is considered


def _predictive(series: Sequence[tuple[Array, Array]]) -> tuple[float, float]:
    """Middle and width of ln k for one further series of the same kind."""
    means = np.array([w @ t for t, w in series])
    errors = np.sqrt([w @ (t - m) ** 2 for (t, w), m in zip(series, means, strict=True)])
    reach = 6 * (float(errors.max()) / np.sqrt(len(series)) + float(np.ptp(means)) / len(series) + 0.05)
    middle = means.mean() + np.linspace(-reach, reach, 121)[:, None]
    between = np.linspace(0.01, _WIDEST, 60)[None, :]
    log_weight = np.zeros((121, 60))
    for t, w in series:
        gap = (t[None, None, :] - middle[:, :, None]) / between[:, :, None]
        log_weight += np.log(np.maximum(np.exp(-0.5 * gap**2) @ w / between, 1e-300))
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    centre = float((weight * middle).sum())
    return centre, float(np.sqrt((weight * ((middle - centre) ** 2 + between**2)).sum()))


@door
def spread_prior(
    samples: Sequence[Sample], family: str | Family = "weibull", *, source: str = "earlier series"
) -> SpreadPrior:
    """Prior of the spread from earlier series of the same kind of part.

    Parameters
    ----------
    samples : sequence of Sample
        At least 3 earlier series, e.g. ``split(read_breaks("past.csv"))``; series with fewer than 2 different breaks
        say nothing about the spread and are refused by name.
    family : str or Family
        "weibull" or "lognormal".
    source : str
        Where the series come from; printed with every result.

    Returns
    -------
    SpreadPrior
        For ``confidence_law(..., prior=)`` and ``low_bound(..., prior=)``.

    Raises
    ------
    NoAnswerError
        If there are fewer than 3 series, or one of them says nothing about the spread.

    Notes
    -----
    A shape one width below the middle still keeps the bound near its confidence; two widths below it does not (61 to 90
    % coverage for 95 % in our simulations): choose series that were at least as scattered as the part in hand.

    Examples
    --------
    >>> past = [Sample([20.1, 21.4, 22.3]), Sample([9.5, 10.3, 10.1, 9.9]), Sample([30.2, 28.1, 31.0])]
    >>> prior = spread_prior(past)
    >>> 15 < prior.shape < 40, prior.width > 0.2
    (True, True)
    """
    law = get_family(family)
    if not law.on_log:
        raise InputError(
            "A spread prior holds for the weibull and lognormal distributions; the spread of the normal is in kN."
        )
    silent = [s.label or f"number {i + 1}" for i, s in enumerate(samples) if np.unique(s.load[s.broke]).size < 2]
    if silent:
        raise NoAnswerError(
            f"Series {silent[0]!r} has fewer than 2 different breaks and says nothing about the spread."
        )
    if len(samples) < _LEAST_SERIES:
        raise NoAnswerError(f"A spread prior needs at least {_LEAST_SERIES} earlier series, got {len(samples)}.")
    series = []
    for sample in samples:
        scaled = prepare(sample.load, sample.broke, law)
        nodes = build(law, [scaled], 1.0, 0.5, grid=SMOOTH)
        series.append((np.log(nodes.k[0] / scaled.scale[0]), nodes.weight[0]))
    middle, width = _predictive(series)
    return SpreadPrior(shape=float(np.exp(middle)), width=width, source=f"{source} ({len(samples)} series)")
