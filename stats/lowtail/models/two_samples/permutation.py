"""Exact permutation of two arms: every arrangement where there are few, seeded draws where there are many.

Only arrays. A statistic is a function of the arrangements: it gets the positions given to the second arm and returns
one value an arrangement; the first row is always the arrangement that was observed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from itertools import chain, combinations
from math import comb
from typing import Any, Literal, get_args

import numpy as np
from numpy.typing import NDArray

from lowtail._shared.parallel import as_rng
from lowtail.errors import InputError

__all__ = [
    "ALTERNATIVES",
    "FULL_ENUMERATION",
    "Alternative",
    "Permuted",
    "arrangements",
    "check_alternative",
    "draws_for",
    "permute",
    "welch_of",
]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

FULL_ENUMERATION = 200_000  # above this many arrangements, draw at random
DRAWS = 49_999  # random arrangements drawn beyond full enumeration, up to 1,000 specimens
_FEWEST, _ROOM, _BLOCK = 999, 50_000_000, 10_000_000  # arrangements, places in all of them, and in those of one block
Alternative = Literal["two-sided", "less", "greater"]
ALTERNATIVES: tuple[str, ...] = get_args(Alternative)
_SAME = 1e-9  # two statistics closer than this, relative to the largest, are tied


@dataclass(frozen=True, slots=True)
class Permuted:
    """Outcome of a permutation test: the observed statistic, p, and the smallest p these loads can reach."""

    statistic: float
    p_value: float
    smallest_p: float
    arrangements: int
    exact: bool


def check_alternative(alternative: str) -> str:
    """Return the alternative, or raise InputError where it is not one of the three words."""
    if alternative not in ALTERNATIVES:
        raise InputError(f"`alternative` must be one of {', '.join(map(repr, ALTERNATIVES))}, got {alternative!r}.")
    return alternative


@lru_cache(maxsize=4)
def _every(n: int, chosen: int) -> Index:
    count = comb(n, chosen)
    flat = np.fromiter(chain.from_iterable(combinations(range(n), chosen)), dtype=np.intp, count=count * chosen)
    out = flat.reshape(count, chosen)
    out.flags.writeable = False
    return out


def arrangements(n: int, chosen: int, rng: Any = 0) -> tuple[Index, bool]:
    """Positions given to the second arm, shape (A, chosen), and whether these are all arrangements.

    With at most `FULL_ENUMERATION` arrangements all of them are listed; beyond, the observed one (the last ``chosen``
    positions) and `draws_for` seeded random ones.
    """
    if comb(n, chosen) <= FULL_ENUMERATION:
        return _every(n, chosen), True
    return np.concatenate(list(_random(n, chosen, rng))), False


def draws_for(n: int) -> int:
    """Random arrangements of ``n`` specimens: 49,999; from 1,001 specimens on fewer, 999 at least, so that it ends."""
    return min(DRAWS, max(_FEWEST, _ROOM // n))


def _random(n: int, chosen: int, rng: Any) -> Iterator[Index]:
    """The arrangement observed, then seeded random ones, block by block."""
    generator, left = as_rng(rng), draws_for(n)
    yield np.arange(n - chosen, n, dtype=np.intp)[None, :]
    while left > 0:
        size = min(left, max(1, _BLOCK // n))
        yield np.argpartition(generator.random((size, n)), chosen - 1, axis=1)[:, :chosen].astype(np.intp)
        left -= size


def permute(
    n_first: int, n_second: int, statistic: Callable[[Index], Array], *, alternative: str = "two-sided", rng: Any = 0
) -> Permuted:
    """Run a permutation test of two arms held in one array, the first arm's ``n_first`` values leading.

    Parameters
    ----------
    n_first, n_second : int
        Specimens in the two arms, at least 1 each.
    statistic : callable
        Takes positions of shape (A, n_second) and returns shape (A,); large where the second arm is larger.
    alternative : {"two-sided", "less", "greater"}
        "less": the second arm is lower.
    rng : int or Generator
        Seed of the random arrangements, used beyond full enumeration only.

    Notes
    -----
    The p value is the share of arrangements at least as extreme as the observed one, itself counted, ties counted in
    full. With random arrangements this is (1 + count) / (1 + draws), which never falls below the exact level on
    average (Phipson and Smyth 2010, Statistical Applications in Genetics and Molecular Biology 9, article 39; from
    memory).
    """
    check_alternative(alternative)
    n = n_first + n_second
    exact = comb(n, n_second) <= FULL_ENUMERATION
    blocks = [_every(n, n_second)] if exact else _random(n, n_second, rng)
    values = np.concatenate([statistic(index) for index in blocks])
    observed = float(values[-1 if exact else 0])  # combinations end with the last positions: the second arm as observed
    sign = {"two-sided": 0.0, "less": -1.0, "greater": 1.0}[alternative]
    extreme = np.abs(values) if sign == 0 else sign * values
    mine = abs(observed) if sign == 0 else sign * observed
    finite = np.abs(values[np.isfinite(values)])
    slack = _SAME * (finite.max() if finite.size else 0.0)
    top = extreme.max()
    count = len(values)
    return Permuted(
        statistic=observed,
        p_value=float(np.count_nonzero(extreme >= mine - slack) / count),
        smallest_p=float(np.count_nonzero(extreme >= top - slack) / count) if exact else 1.0 / count,
        arrangements=comb(n_first + n_second, n_second),
        exact=exact,
    )


def welch_of(y: Array, n_second: int) -> Callable[[Index], Array]:
    """Welch's statistic (second minus first, over its standard error) for every arrangement of ``y``."""
    z = y - y.mean()
    scale = np.abs(z).max()
    z = z / scale if scale > 0 else z
    n, n_first = len(z), len(z) - n_second
    total, squares = z.sum(), (z * z).sum()

    def statistic(index: Index) -> Array:
        chosen = z[index]
        second = chosen.sum(axis=1)
        within_second = (chosen * chosen).sum(axis=1) - second**2 / n_second
        first = total - second
        within_first = squares - (chosen * chosen).sum(axis=1) - first**2 / n_first
        tiny = 1e-12 * n
        within_first = np.where(within_first < tiny, 0.0, within_first)
        within_second = np.where(within_second < tiny, 0.0, within_second)
        difference = second / n_second - first / n_first
        difference = np.where(np.abs(difference) < 1e-12, 0.0, difference)
        variance = within_first / (n_first * max(n_first - 1, 1)) + within_second / (n_second * max(n_second - 1, 1))
        with np.errstate(divide="ignore", invalid="ignore"):
            t = difference / np.sqrt(variance)
        return np.where(difference == 0, 0.0, t)

    return statistic
