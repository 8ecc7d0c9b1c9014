"""The bases on which a low percentile is stated: content, confidence, kind, and where the custom comes from."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from scipy import special

from lowtail._shared.checks import check_fraction, door
from lowtail.errors import InputError
from lowtail.models.bounds.tolerance import prediction_factor, tolerance_factor

__all__ = ["BASES", "Basis", "as_bases", "check_fraction", "get_basis"]

KINDS = ("tolerance", "mean minus ks", "prediction")


@door
@dataclass(frozen=True, slots=True)
class Basis:
    """A way to state a low-percentile strength.

    Attributes
    ----------
    name : str
        Name in arguments and reports.
    fraction_below : float
        "tolerance": fraction of the population that may be weaker. "prediction": chance that one further specimen is
        weaker. Between 0 and 1; NaN for "mean minus ks", which has no content of its own.
    confidence : float
        "tolerance": one-sided confidence of the statement, between 0 and 1; NaN for the other kinds, which carry none.
    kind : str
        "tolerance": a lower confidence bound of the percentile; "mean minus ks": mean less a multiple of the standard
        deviation, a habit whose real content depends on n; "prediction": a lower limit for one further specimen.
    source : str
        Where the custom is laid down.
    multiplier : float
        "mean minus ks": how many standard deviations, greater than 0; NaN for the other kinds.
    sampling : tuple of int
        Specimens and batches that the handbook's sampling rules ask for; empty where there are none.

    See Also
    --------
    BASES : the bases known by name.
    lower_bound : the bound on a basis.

    Examples
    --------
    >>> print(Basis("1 %, 90 %", 0.01, 0.90))
    1 %, 90 % (99 % stronger, 90 % confidence)
    >>> print(Basis("mean - 2 s", kind="mean minus ks", multiplier=2))
    mean - 2 s (a habit without content or confidence of its own)
    """

    name: str
    fraction_below: float = math.nan
    confidence: float = math.nan
    kind: str = "tolerance"
    source: str = "stated by the user"
    multiplier: float = math.nan
    sampling: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise InputError(f"`kind` must be one of {', '.join(map(repr, KINDS))}, got {self.kind!r}.")
        has = {
            "fraction_below": self.kind != "mean minus ks",
            "confidence": self.kind == "tolerance",
            "multiplier": self.kind == "mean minus ks",
        }
        for name, wanted in has.items():
            value = getattr(self, name)
            if not wanted:
                if not (isinstance(value, (int, float)) and math.isnan(value)):
                    raise InputError(
                        f"Basis {self.name!r}: a basis of the kind {self.kind!r} has no `{name}` of its own, got "
                        f"{value!r}. Leave it out."
                    )
            elif name == "multiplier":
                if not (isinstance(value, (int, float)) and math.isfinite(value) and value > 0):
                    raise InputError(f"Basis {self.name!r}: `multiplier` must be greater than 0, got {value!r}.")
            else:
                check_fraction(value, name)

    @property
    def tolerance(self) -> bool:
        """Whether the basis has a content and a confidence."""
        return self.kind == "tolerance"

    @property
    def content(self) -> str:
        """The statement in words, e.g. "99 % stronger, 95 % confidence"; other kinds say that they have none."""
        if self.kind == "tolerance":
            return f"{100 * (1 - self.fraction_below):g} % stronger, {100 * self.confidence:g} % confidence"
        if self.kind == "prediction":
            return f"one further specimen is weaker with a chance of {100 * self.fraction_below:g} %; no confidence"
        return "a habit without content or confidence of its own"

    @property
    def percentile(self) -> str:
        """The percentile in words, e.g. "10th percentile"."""
        percent = 100 * self.fraction_below
        whole = round(percent)
        if abs(percent - whole) > 1e-9:
            return f"{percent:g} % point"
        ending = {1: "st", 2: "nd", 3: "rd"}.get(whole % 10, "th") if whole // 10 != 1 else "th"
        return f"{whole}{ending} percentile"

    def factor(self, n: float) -> float:
        """Factor k of ``mean - k s`` for n specimens under the normal distribution (n may be infinite)."""
        if self.kind == "mean minus ks":
            return self.multiplier
        if not math.isfinite(n):
            return float(-special.ndtri(self.fraction_below))
        if self.kind == "prediction":
            return prediction_factor(int(n), self.fraction_below)
        return tolerance_factor(int(n), self.fraction_below, self.confidence)

    def sampling_note(self, n: int, batches: int) -> str:
        """What is missing from the handbook's sampling rules, or an empty text."""
        if not self.sampling or (n >= self.sampling[0] and batches >= self.sampling[1]):
            return ""
        return (
            f"Content and confidence of {'an' if self.name[:1] in 'AEIOU' else 'a'} {self.name}; the handbook's "
            "sampling rules (many specimens, several batches) are not met."
        )

    def __str__(self) -> str:
        return f"{self.name} ({self.content})"


# The levels and the sampling rules are typed from memory; tests/outside holds the factors that follow from them.
_HANDBOOK = "MIL-HDBK-17-1F, section 8, now CMH-17-1"

BASES: dict[str, Basis] = {
    b.name: b
    for b in (
        Basis("A-basis", 0.01, 0.95, source=_HANDBOOK, sampling=(75, 10)),
        Basis("B-basis", 0.10, 0.95, source=_HANDBOOK, sampling=(30, 5)),
        Basis("5 % characteristic, 75 %", 0.05, 0.75, source="level as in EN 14358: 5 % at 75 %"),
        Basis(
            "5 % characteristic, 90 %",
            0.05,
            0.90,
            source="level as in the assessment of fasteners in concrete, EAD 330232: 5 % at 90 %",
        ),
        Basis("5 %, 95 %", 0.05, 0.95, source="common practice, no source"),
        Basis("mean - 3 s", kind="mean minus ks", source="common practice, no source", multiplier=3.0),
        Basis(
            "EN 1990 prediction",
            0.05,
            kind="prediction",
            source="EN 1990 Annex D, table D1, unknown scatter: t(0.95, n - 1) sqrt(1 + 1/n)",
        ),
    )
}


def _plain(name: str) -> str:
    """A name without what people leave out or write otherwise: case, dashes, spaces, "basis"."""
    return "".join(c for c in name.lower().removesuffix("basis") if c.isalnum() or c in "%.")


def get_basis(basis: str | Basis) -> Basis:
    """Look up a basis by name ("B-basis", "B", "b basis"); a Basis passes through.

    Raises
    ------
    InputError
        If the name is not in `BASES`.
    """
    if isinstance(basis, Basis):
        return basis
    if isinstance(basis, str):
        wanted = _plain(basis.strip())
        for name, found in BASES.items():
            if wanted and _plain(name) == wanted:
                return found
    raise InputError(
        f"`basis` must be one of {', '.join(map(repr, BASES))}, or a Basis(name, fraction_below, confidence); "
        f"got {basis!r}."
    )


def as_bases(bases: str | Basis | Iterable[str | Basis]) -> tuple[Basis, ...]:
    """Turn a name, a Basis or several of them into a tuple of Basis."""
    many = (bases,) if isinstance(bases, (str, Basis)) else tuple(bases)
    if not many:
        raise InputError("`bases` must name at least one basis, got none.")
    return tuple(get_basis(b) for b in many)
