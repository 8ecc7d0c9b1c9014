"""The bases on which a low strength is stated: content, confidence, kind, and where the custom comes from."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from lowtail._checks import check_fraction, door
from lowtail.errors import InputError

__all__ = ["BASES", "Basis", "as_bases", "check_fraction", "get_basis"]

KINDS = ("tolerance", "mean minus spreads", "prediction")


@door
@dataclass(frozen=True, slots=True)
class Basis:
    """A way to state a low strength.

    Attributes
    ----------
    name : str
        Name in arguments and reports.
    fraction_below : float
        Fraction of the population that may be weaker, between 0 and 1.
    confidence : float
        One-sided confidence of the statement, between 0 and 1. For the kinds that carry no confidence ("mean minus
        spreads", "prediction") it is the confidence at which the content is reported beside the number.
    kind : str
        "tolerance": a lower confidence bound of the percentile; "mean minus spreads": mean - 3 s, a habit whose real
        content depends on n; "prediction": a lower limit for one further specimen.
    source : str
        Where the custom is laid down.
    """

    name: str
    fraction_below: float
    confidence: float
    kind: str = "tolerance"
    source: str = "stated by the user"

    def __post_init__(self) -> None:
        check_fraction(self.fraction_below, "fraction_below")
        check_fraction(self.confidence, "confidence")
        if self.kind not in KINDS:
            raise InputError(f"`kind` must be one of {', '.join(map(repr, KINDS))}, got {self.kind!r}.")

    @property
    def content(self) -> str:
        """The statement in words, e.g. "99 % stronger, 95 % confidence"."""
        return f"{100 * (1 - self.fraction_below):g} % stronger, {100 * self.confidence:g} % confidence"

    def __str__(self) -> str:
        return f"{self.name} ({self.content})"


BASES: dict[str, Basis] = {
    b.name: b
    for b in (
        Basis("A-basis", 0.01, 0.95, source="MIL-HDBK-17-1F, section 8 (from memory)"),
        Basis("B-basis", 0.10, 0.95, source="MIL-HDBK-17-1F, section 8 (from memory)"),
        Basis(
            "5 % characteristic, 75 %",
            0.05,
            0.75,
            source="EN 14358 and ISO 12491: 5 % fractile at 75 % confidence (from memory)",
        ),
        Basis(
            "5 % characteristic, 90 %",
            0.05,
            0.90,
            source="assessment of anchors: 5 % fractile at 90 % confidence (from memory)",
        ),
        Basis("5 %, 95 %", 0.05, 0.95, source="common practice, no source"),
        Basis("mean - 3 s", 0.00135, 0.95, "mean minus spreads", "common practice, no source"),
        Basis(
            "EN 1990 prediction",
            0.05,
            0.95,
            "prediction",
            "EN 1990 Annex D, table D1, unknown scatter: t(0.95, n - 1) sqrt(1 + 1/n) (from memory)",
        ),
    )
}


def get_basis(basis: str | Basis) -> Basis:
    """Look up a basis by name; a Basis passes through.

    Raises
    ------
    InputError
        If the name is not in `BASES`.
    """
    if isinstance(basis, Basis):
        return basis
    if isinstance(basis, str):
        for name, found in BASES.items():
            if name.lower() == basis.strip().lower():
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
