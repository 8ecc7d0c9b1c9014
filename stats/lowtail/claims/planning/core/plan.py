"""Claims and plans: what a series of tests is meant to show, and how many specimens that takes.

A `Claim` says what is to be shown; every planner answers with one frozen `Plan`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from lowtail._shared import numbers as _numbers
from lowtail._shared.checks import door
from lowtail._shared.record import Record
from lowtail.claims.basis import Basis, check_fraction, get_basis
from lowtail.errors import InputError

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Claim", "Plan"]


@door
@dataclass(frozen=True, slots=True, kw_only=True)
class Claim(Record):
    """What a series of tests is meant to show: exactly one of ``strength``, ``keeps``, ``same_within``, ``within``.

    Parameters
    ----------
    strength : float, optional
        Strength in kN that the lower bound of ``basis`` must reach, greater than 0.
    keeps : float, optional
        The other arm keeps at least this share of the reference's typical strength, between 0 and 1
        ("shock keeps 90 % of slow pull": 0.9).
    same_within : float, optional
        The typical strengths of two arms agree within this factor, between 0 and 1: 0.9 means a ratio between
        0.9 and 1/0.9.
    within : float, optional
        The low strength of ``basis`` is known to within this share, between 0 and 1 (0.05: to within 5 %).
    basis : str or Basis
        Content and confidence of the low strength (`BASES`).
    confidence : float
        Confidence of a comparison (``keeps``, ``same_within``), one-sided.

    Raises
    ------
    InputError
        If none or several of the four are given, or a value lies outside its range.

    See Also
    --------
    plan.new_series : how many for a claim.
    plan.more_samples : how many more for a claim.

    Examples
    --------
    >>> print(Claim(strength=22, basis="A-basis"))
    at least 22 kN on A-basis (99 % stronger, 95 % confidence)
    >>> print(Claim(keeps=0.9))
    the other arm keeps at least 90 % of the reference's typical strength (95 % confidence)
    """

    strength: float | None = None
    keeps: float | None = None
    same_within: float | None = None
    within: float | None = None
    basis: str | Basis = "B-basis"
    confidence: float = 0.95

    def __post_init__(self) -> None:
        given = [f for f in ("strength", "keeps", "same_within", "within") if getattr(self, f) is not None]
        if len(given) != 1:
            raise InputError(
                "A Claim needs exactly one of `strength`, `keeps`, `same_within`, `within`, "
                f"got {', '.join(given) if given else 'none'}. Make one Claim for each statement."
            )
        put = object.__setattr__
        if given == ["strength"]:
            put(self, "strength", positive(self.strength, "strength", "a strength in kN"))
        else:
            put(self, given[0], check_fraction(getattr(self, given[0]), given[0]))
        put(self, "basis", get_basis(self.basis))
        put(self, "confidence", check_fraction(self.confidence, "confidence"))

    @property
    def kind(self) -> str:
        """One of "strength", "comparison", "precision"."""
        if self.strength is not None:
            return "strength"
        return "precision" if self.within is not None else "comparison"

    def __str__(self) -> str:
        if self.strength is not None:
            return f"at least {self.strength:.4g} kN on {self.basis}"
        if self.within is not None:
            low = get_basis(self.basis).fraction_below
            return f"the {100 * low:g} % strength to within {100 * self.within:g} %"
        level = f"({100 * self.confidence:g} % confidence)"
        if self.keeps is not None:
            return f"the other arm keeps at least {100 * self.keeps:g} % of the reference's typical strength {level}"
        return f"the typical strengths of the two arms agree within a factor {self.same_within or 0:g} {level}"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plan(Record):
    """How many specimens a claim takes, with the chance of success against their number.

    Attributes
    ----------
    unit : str
        What is counted: "specimen" or "batch".
    per_batch : int
        Specimens of each further batch; 0 where specimens are counted.
    question : str
        Which planner answered: "bound", "more samples", "comparison", "precision", "batches", "looks", "zero failure".
    claim : str
        What is to be shown, in words.
    group : str
        Name of the group, where data were in hand.
    family, basis : str
        Distribution of the simulated populations and basis; empty where they play no part.
    n : int or None
        Specimens needed (in each arm, for a comparison: in the reference arm; for data in hand: how many *more*).
        None where ``max_n`` is not enough. With ``unit`` "batch" the number of batches.
    arms : tuple of int
        Specimens by arm, reference first; one entry for a single series, one a batch where batches are counted.
    n_now : int
        Specimens in hand already, 0 for a new series.
    assurance : float
        Chance of success asked for.
    chance : float
        Chance of success with ``n`` specimens (with ``max_n`` where ``n`` is None); for a zero-failure plan the
        confidence that ``n`` survivors demonstrate.
    chance_before : float
        The same with one specimen, batch or look fewer (below the assurance); NaN where there is no smaller series.
    mc_error : float
        Monte-Carlo standard error of ``chance``; 0 where it is computed without simulation.
    ceiling : float
        Highest attainable chance: the share of simulated populations in which an endless series reaches the claim.
    curve : DataFrame
        Columns n, chance, mc_error.
    cost : float
        Cost of the plan, NaN where no cost was given.
    sentence : str
        The answer in one plain sentence.
    assumptions, changes, notes : tuple of str
        What the answer rests on; what would change it and by how much; what the reader must know.
    """

    question: str
    claim: str
    n: int | None
    arms: tuple[int, ...]
    assurance: float
    chance: float
    chance_before: float
    mc_error: float
    ceiling: float
    curve: pd.DataFrame
    sentence: str
    group: str = ""
    family: str = ""
    basis: str = ""
    unit: str = "specimen"
    per_batch: int = 0
    n_now: int = 0
    cost: float = math.nan
    assumptions: tuple[str, ...] = ()
    changes: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def unusable(self) -> str:
        """Why there is no number, or an empty text."""
        if self.n is not None:
            return ""
        many = "batches" if self.unit == "batch" else "specimens"
        return f"no number of {many} up to the largest allowed reaches the chance asked for."

    def __str__(self) -> str:
        return self.sentence


def positive(value: object, name: str, what: str) -> float:
    """Return ``value`` as a finite float greater than 0, or say what ``name`` must be."""
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError) as exc:
        raise InputError(f"`{name}` must be {what}, finite and greater than 0, got {value!r}.") from exc
    if not (math.isfinite(number) and number > 0):
        raise InputError(f"`{name}` must be {what}, finite and greater than 0, got {number:g}.")
    return number


MOST_CV = 2.0  # where loads are compared as logs; common practice, no source


def check_cv(cv: object, *, on_log: bool = False) -> float:
    """Return a coefficient of variation as a fraction between 0 and 1, or up to 2 where loads are compared as logs."""
    number = positive(cv, "cv", "a coefficient of variation (scatter / mean)")
    if on_log and number > MOST_CV:
        raise InputError(
            f"`cv` must be a fraction, at most {MOST_CV:g} (200 %), got {number:g}: no plan is made for loads that "
            "scatter more than twice their mean, and a percentage is more likely meant. 6 % is 0.06."
        )
    if not on_log and number >= 1:
        raise InputError(f"`cv` must be a fraction below 1, got {number:g}. 6 % is 0.06.")
    return number


def check_assurance(value: object, name: str = "assurance") -> float:
    """Return an assurance or power between 0.5 and 0.99."""
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError) as exc:
        raise InputError(f"`{name}` must be a number between 0.5 and 0.99, got {value!r}.") from exc
    if not 0.5 <= number <= 0.99:
        why = " No series of tests is certain to succeed." if number >= 1 else ""
        raise InputError(f"`{name}` must lie between 0.5 and 0.99, got {number:g}.{why}")
    return number


def check_whole(value: object, name: str, least: int) -> int:
    """Return a whole number of at least ``least``."""
    if isinstance(value, bool) or not (isinstance(value, (int, float)) or hasattr(value, "__index__")):
        raise InputError(f"`{name}` must be a whole number of at least {least}, got {value!r}.")
    number = float(value)
    if not number.is_integer() or number < least:
        raise InputError(f"`{name}` must be a whole number of at least {least}, got {number:g}.")
    return int(number)


def check_share(value: object, name: str) -> float:
    """Return a share from 0 (included) to 1 (excluded)."""
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError) as exc:
        raise InputError(f"`{name}` must be a share from 0 up to (not including) 1, got {value!r}.") from exc
    if not 0 <= number < 1:
        raise InputError(f"`{name}` must be a share from 0 up to (not including) 1, got {number:g}.")
    return number


def strength_claim(claim: float | Claim, basis: str | Basis | None) -> tuple[float, Basis, Claim]:
    """Resolve a strength in kN, or a Claim of a strength, and its basis."""
    if isinstance(claim, Claim):
        if claim.strength is None:
            raise InputError(
                f"`claim` must be a strength in kN or Claim(strength=...), got a {claim.kind} claim. For a comparison "
                "use `plan.comparison`, for a precision `plan.precision`."
            )
        found = get_basis(claim.basis if basis is None else basis)
        return claim.strength, found, Claim(strength=claim.strength, basis=found)
    found = get_basis("B-basis" if basis is None else basis)
    strength = positive(claim, "claim", "a strength in kN")
    return strength, found, Claim(strength=strength, basis=found)


def smallest_n(chance: Callable[[int], float], target: float, least: int, most: int) -> int | None:
    """Smallest n from ``least`` to ``most`` with ``chance(n) >= target`` and ``chance(n - 1) < target``.

    Doubles, halves, and then walks down as long as one specimen fewer still reaches the target.
    """
    low, high = least - 1, least
    while chance(high) < target:
        if high >= most:
            return None
        low, high = high, min(most, max(high + 1, 2 * high))
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if chance(middle) >= target else (middle, high)
    while high > least and chance(high - 1) >= target:
        high -= 1
    return high


def settle(n: int | None, chance: Callable[[int], float], target: float, least: int, most: int) -> int | None:
    """Correct an ``n`` found with a quick, rough chance by the full one, so that it holds at n and not at n - 1."""
    found = most if n is None else n
    while chance(found) < target:
        if found >= most:
            return None
        found += 1
    while found > least and chance(found - 1) >= target:
        found -= 1
    return found


def curve_points(n: int | None, least: int, most: int, size: int = 40) -> list[int]:
    """Numbers of specimens for a curve: from ``least`` past ``n``, with n - 1, n and n + 1 among them."""
    last = most if n is None else min(most, max(n + 5, math.ceil(1.6 * n)))
    step = max(1, math.ceil((last - least) / size))
    points = {*range(least, last + 1, step), last}
    if n is not None:
        points |= {k for k in (n - 1, n, n + 1) if least <= k <= most}
    return sorted(points)


def make_curve(rows: Sequence[tuple[int, float, float]]) -> pd.DataFrame:
    """Curve table from (n, chance, mc_error) rows."""
    import pandas as pd

    frame = pd.DataFrame(list(rows), columns=["n", "chance", "mc_error"])
    return frame.astype({"n": int, "chance": float, "mc_error": float})


def count(n: int, what: str = "specimen") -> str:
    """Return e.g. "1 specimen" or "5 specimens"."""
    return f"{n} {what}" if n == 1 else f"{n} {what}s"


def percent(chance: float) -> str:
    """Chance in whole percent, cut down; never a bare 0 or 100: `lowtail._shared.numbers.chance`."""
    return _numbers.chance(chance)
