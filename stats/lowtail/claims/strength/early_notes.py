"""What a reader must know where specimens held at low loads: sentences for every answer with a lower bound."""

from __future__ import annotations

from collections.abc import Callable

__all__ = ["EARLY", "TOO_HIGH", "held_note", "lowered_words"]

EARLY = "Some specimens held at low loads"
TOO_HIGH = "Specimens that held at low loads make the usual"


def lowered_words(unit: str, write: Callable[[float], str], plain: float, low: float) -> str:
    """The number before and after, in words; empty where it stands."""
    if low >= plain:
        return ""
    before, after = write(plain), write(low)
    if before == after:  # the digits that are shown do not tell them apart
        return f"too high; lowered, but not in the digits shown ({after} {unit}),"
    return f"too high ({before} {unit}); lowered to {after} {unit}"


def held_note(what: str, lowered: str, samples: int) -> str:
    """One sentence on a bound (or a confidence) that was checked by simulation."""
    if lowered:
        return f"{TOO_HIGH} {what} {lowered} by simulation ({samples:,} samples, fixed seed)."
    return f"{EARLY}; checked by simulation, the {what} stands."
