"""The families of strength distributions, as data.

Every family is a location-scale distribution of ``y``, with ``y = load`` (normal) or ``y = ln(load)`` (lognormal,
Weibull). The engines hold the inner integrals of these three; another is refused (`get_family`), until the places that
DEVELOPERS.md lists know it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from lowtail.errors import InputError

__all__ = ["FAMILIES", "LOGNORMAL", "NORMAL", "WEIBULL", "Family", "get_family", "log_sd_of", "name_of"]

Array = NDArray[np.float64]


def same(x: Any) -> Any:
    """Return the argument: the transform of a distribution fitted on the load itself."""
    return x


@dataclass(frozen=True, slots=True)
class Family:
    """A location-scale distribution of the (transformed) load.

    Attributes
    ----------
    name : str
        Name used in arguments and reports.
    standard : scipy.stats distribution
        Distribution of ``(y - location) / spread``.
    transform, inverse : callable
        Load to ``y`` and back.
    """

    name: str
    standard: Any
    transform: Callable[[Any], Any]
    inverse: Callable[[Any], Any]

    def __reduce__(self) -> tuple[Any, ...]:
        """Pickle one of the three by its name, so that a worker gets the very same; scipy's copies are not equal."""
        if self is FAMILIES.get(self.name):
            return get_family, (self.name,)
        return Family, (self.name, self.standard, self.transform, self.inverse)

    @property
    def on_log(self) -> bool:
        """True where the distribution is fitted on the logarithm of the load."""
        return self.transform is not same

    def quantile(self, fraction_below: float | Array) -> Any:
        """Standard quantile at a fraction below, e.g. -1.645 for the normal at 0.05."""
        if isinstance(fraction_below, float):
            return _quantile(self.name, fraction_below)
        return self.standard.ppf(fraction_below)


NORMAL = Family("normal", stats.norm, same, same)
LOGNORMAL = Family("lognormal", stats.norm, np.log, np.exp)
WEIBULL = Family("weibull", stats.gumbel_l, np.log, np.exp)  # smallest extreme of log load

FAMILIES: dict[str, Family] = {f.name: f for f in (WEIBULL, NORMAL, LOGNORMAL)}


@lru_cache(maxsize=1024)
def _quantile(name: str, fraction_below: float) -> float:
    return float(FAMILIES[name].standard.ppf(fraction_below))


def get_family(family: str | Family) -> Family:
    """Look up a family by name; one of the three passes through, and no other.

    Raises
    ------
    InputError
        If it is not one of "weibull", "normal", "lognormal".
    """
    if isinstance(family, Family):
        if family == FAMILIES.get(family.name):
            return family
        raise InputError(
            f"`family` must be one of {', '.join(map(repr, FAMILIES))} with its own law, "
            f"got {family.name!r} of another: no engine integrates it, and "
            "the answer would be that of one of the three. Name one of the three."
        )
    if isinstance(family, str) and family.lower() in FAMILIES:
        return FAMILIES[family.lower()]
    raise InputError(f"`family` must be one of {', '.join(map(repr, FAMILIES))}, got {family!r}.")


def name_of(family: str) -> str:
    """Name of a family in a sentence: Weibull is a proper noun.

    Examples
    --------
    >>> name_of("weibull"), name_of("normal")
    ('Weibull', 'normal')
    """
    return "Weibull" if family == "weibull" else family


def log_sd_of(cv: float) -> float:
    """Standard deviation of ln load of a lognormal load with this coefficient of variation, exactly.

    Examples
    --------
    >>> round(log_sd_of(0.2), 6)
    0.198042
    """
    return math.sqrt(math.log1p(cv * cv))
