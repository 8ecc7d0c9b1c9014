"""What a series of tests is meant to show, and the checks of what a planner is given."""

from __future__ import annotations

import math
from dataclasses import dataclass

from lowtail._shared.checks import door
from lowtail._shared.record import Record
from lowtail._shared.sample import Sample
from lowtail.claims.basis import Basis, check_fraction, get_basis
from lowtail.errors import InputError, NoAnswerError

__all__ = ["Claim", "check_assurance", "check_cv", "check_in_hand", "check_share", "check_whole", "positive"]


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


MOST_IN_HAND = 5000  # specimens from which a plan goes on


def check_in_hand(sample: Sample) -> None:
    """Refuse to plan on from so many specimens that it takes minutes and a few more change little."""
    if sample.n > MOST_IN_HAND:
        raise NoAnswerError(
            f"{sample.who}: planning on takes at most {MOST_IN_HAND:,} specimens in hand, got {sample.n:,}. A few more "
            "hardly move its bound; for a new series use `plan.new_series`."
        )
