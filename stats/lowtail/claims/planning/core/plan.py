"""The answer of every planner: how many specimens, with the chance of success against their number."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from lowtail._shared import numbers as _numbers
from lowtail._shared.record import Record

__all__ = ["Plan", "count", "make_curve", "percent"]


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
