"""Borrowed scatter in a table: who lends to whom, and the columns of a group. A borrowed bound never governs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from lowtail._shared.numbers import percent_down
from lowtail._shared.sample import Sample, SlipsMean
from lowtail.claims.basis import Basis
from lowtail.claims.strength.answer import LowerBound, floor3
from lowtail.claims.strength.borrowed import BorrowedScatter, borrow
from lowtail.claims.strength.governing import treatments
from lowtail.errors import InputError, LowtailError
from lowtail.models.distributions.families import LOGNORMAL, WEIBULL, Family

__all__ = ["ALL", "BORROWED", "CONFLICT_P", "borrowed_columns", "families_of", "lending_family"]

ALL = "all"  # every group of the table lends to every other
BORROWED = "borrowed scatter"
CONFLICT_P = "borrowed scatter, conflict p"


def lending_family(family: Family) -> Family:
    """The distribution under which a table borrows: the lognormal where asked for, else the Weibull."""
    return LOGNORMAL if family.name == LOGNORMAL.name else WEIBULL


def families_of(
    samples: Sequence[Sample], grouping: Sequence[str], borrow_by: Sequence[str] | str | None
) -> dict[str, list[Sample]]:
    """Groups that may lend to each other: those alike in the columns ``borrow_by``, or all; by the group's label."""
    if borrow_by is None:
        return {}
    columns = (borrow_by,) if isinstance(borrow_by, str) else tuple(borrow_by)
    if columns == (ALL,):
        return {s.label: list(samples) for s in samples}
    missing = [c for c in columns if c not in grouping]
    if missing:
        raise InputError(
            f"`borrow` names {missing[0]!r}, which is not among the grouping columns {list(grouping)}. Name one of "
            f"them, or {ALL!r} for scatter borrowed from all groups."
        )
    families: dict[tuple[str, ...], list[Sample]] = {}
    for sample in samples:
        families.setdefault(tuple(sample.group[c] for c in columns), []).append(sample)
    return {s.label: families[tuple(s.group[c] for c in columns)] for s in samples}


def _readings(sample: Sample, siblings: Sequence[Sample], slips: SlipsMean | None) -> list[tuple[Sample, list[Sample]]]:
    """The group and its siblings under each reading of their slips; one where there are none, or all are stated."""
    out = {}
    for meaning in ("failure", "held"):
        read = []
        for one in (sample, *siblings):
            ways = treatments(one, slips)
            read.append(ways.get(meaning, next(iter(ways.values()))))
        out[tuple(tuple(one.broke) for one in read)] = (read[0], read[1:])
    return list(out.values())


def borrowed_columns(
    sample: Sample,
    bases: Sequence[Basis],
    family: Family,
    siblings: Sequence[Sample] | None,
    slips: SlipsMean | None = None,
) -> tuple[Mapping[str, float], dict[str, Any]]:
    """Borrowed bound of one group on every basis (NaN where it has none), and the columns on what it rests on.

    Where it is not stated what a slip means, the lower of both readings. Both are empty where nothing is to be
    borrowed (``siblings`` None).
    """
    if siblings is None:
        return {}, {}
    nothing = {b.name: float("nan") for b in bases}
    try:
        readings = [borrow(own, family, kin) for own, kin in _readings(sample, siblings, slips)]
        lows = {b.name: min(((found.low(b), found) for found in readings), key=lambda pair: pair[0].low) for b in bases}
    except LowtailError as reason:
        return nothing, {BORROWED: f"none: {reason}", CONFLICT_P: float("nan")}
    return {name: low.low for name, (low, _) in lows.items()}, {
        BORROWED: _rests_on(lows, both=len(readings) > 1),
        CONFLICT_P: min(found.conflict_p for _, found in lows.values()),
    }


def _rests_on(lows: Mapping[str, tuple[LowerBound, BorrowedScatter]], *, both: bool) -> str:
    """What the bounds of a row rest on, in words; bases of one confidence are promised together."""
    said = dict.fromkeys(note for _, found in lows.values() for note in found.notes)
    if both:
        said["It is not stated what a slip means: the lower of both readings stands."] = None
    by: dict[tuple[str, float], list[LowerBound]] = {}
    for low, _ in lows.values():
        by.setdefault((low.promise, low.confidence), []).append(low)
    for (promise, confidence), some in by.items():
        own = ", ".join(f"{floor3(low.own)} kN ({low.basis})" for low in some)
        said[f"{promise} Own bound at {percent_down(confidence)}: {own}.".strip()] = None
    return " ".join(said)
