"""The words of a plan with data in hand: its sentence, what it rests on, what would change it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lowtail._shared import numbers as _numbers
from lowtail._shared.sample import Sample
from lowtail.claims.planning.core.judge import EVERY, GOVERNING, QUICK_SAMPLES, StrengthAim, early
from lowtail.claims.planning.core.plan import count
from lowtail.claims.planning.core.trials import Answer
from lowtail.claims.strength.answer import floor3
from lowtail.claims.strength.governing import NAMES
from lowtail.claims.strength.judging import Judged

__all__ = ["Told", "assumptions", "changes", "counted", "notes", "sentence", "shows"]

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What a plan's words need.

    ``size`` is the number of specimens of each further batch, 0 where specimens are counted; ``judged`` the verdict on
    the specimens in hand (None: judged by one distribution alone); ``estimate`` the best estimate of the strength that
    the basis bounds, kN (NaN: it bounds none); ``low`` the bound of the specimens in hand.
    """

    sample: Sample
    aim: StrengthAim
    target: float
    most: int
    ceiling: float
    survivors: float
    estimate: float
    low: float
    judged: Judged | None = None
    size: int = 0


def counted(number: int, size: int, more: bool = True) -> str:
    """Return e.g. "4 more batches of 3" or "5 more specimens"."""
    ahead = "more " if more else ""
    if not size:
        return count(number, f"{ahead}specimen")
    return f"{number} {ahead}{'batch' if number == 1 else 'batches'} of {size}"


def shows(aim: StrengthAim, size: int = 0) -> str:
    """Return what is to be shown, e.g. "22 kN on B-basis (90 % stronger, 95 % confidence)"."""
    return f"{aim.strength:.4g} kN on {aim.basis}{' for a batch yet to come' if size else ''}"


def held_words(survivors: float) -> str:
    """What is assumed of survivors of a fresh series, in words."""
    if survivors == 0:
        return "All specimens break."
    return f"{100 * survivors:.3g} % of the specimens hold; the rig's strength scatters like the specimens'."


def held_further(survivors: float) -> str:
    """What is assumed of survivors among further specimens, in words."""
    return (
        "All further specimens break." if survivors == 0 else f"{100 * survivors:.3g} % of the further specimens hold."
    )


def judged_by(aim: StrengthAim) -> str:
    """Who judges a simulated series, in words."""
    if not aim.basis.tolerance:
        return f"mean and s of all specimens together, by '{aim.basis.name}'"
    if aim.judge != GOVERNING:
        return f"the bound of the {NAMES[aim.family.name]} distribution alone"
    return "the bound that governs: the lowest of the Weibull, the normal and the cautious bound"


def judged_words(held: float, in_hand: bool) -> tuple[str, ...]:
    """How simulated series with survivors are judged, in words; ``in_hand``: specimens in hand held early."""
    if in_hand:
        return (
            "Specimens in hand held at low loads: populations and series are calibrated for that by simulation (one "
            f"series in {EVERY} by {QUICK_SAMPLES} samples, the others moved as these are).",
        )
    if held == 0:
        return ()
    return (
        "Series are judged by the confidence distribution; the check for specimens that held early would lower the "
        "chance by at most 1 point (own simulation, 5 to 30 specimens, 20 to 60 % held).",
    )


def sentence(told: Told, answer: Answer) -> str:
    """The answer in one plain sentence."""
    who = f"{told.sample.label}: " if told.sample.label else ""
    return f"{who}{_already(told) if answer.n == 0 else _ahead(told, answer)}"


def _already(told: Told) -> str:
    hand = f"the {count(told.sample.n)} in hand"
    if told.judged is None:
        by = f"by the {NAMES[told.aim.family.name]} distribution alone" if told.aim.basis.tolerance else "as it stands"
        return f"{hand} already reach {shows(told.aim)} {by}."
    verdict = told.judged.sentence.rstrip(".")
    if told.judged.verdict.below:
        return (
            f"the {told.aim.basis.name} bound of {hand}, {floor3(told.low)} kN, already reaches "
            f"{told.aim.strength:.4g} kN, but the verdict stays '{verdict}'."
        )
    return f"already shown by {hand}: {verdict}."


def _ahead(told: Told, answer: Answer) -> str:
    what, chance = shows(told.aim, told.size), _numbers.chance(answer.chance)
    verb = "demonstrate" if told.aim.basis.tolerance else "reach"
    one = f"{verb}s" if told.aim.basis.tolerance else f"{verb}es"
    if answer.n is not None:
        return f"{counted(answer.n, told.size)} {one if answer.n == 1 else verb} {what} with a chance of {chance}."
    most, top = counted(told.most, told.size), _numbers.chance(told.ceiling)
    what_number = "number of further batches" if told.size else "number of further specimens"
    if told.estimate < told.aim.strength:
        return (
            f"testing more will probably not help: the best estimate of the {told.aim.basis.percentile}, "
            f"{told.estimate:.4g} kN, lies below the claim of {told.aim.strength:.4g} kN. The highest attainable "
            f"chance is {top}; {most} {verb} it with a chance of {chance}."
        )
    if told.ceiling < told.target:
        return (
            f"no {what_number} {one} {what} with a chance of {_numbers.chance(told.target)}: the highest attainable "
            f"chance is {top}; {most} give {chance}."
        )
    return f"up to {most} {verb} {what} with a chance of only {chance}."


def assumptions(told: Told) -> tuple[str, ...]:
    """What the plan rests on."""
    name, hand = NAMES[told.aim.family.name], count(told.sample.n)
    if told.size:
        first = (
            f"Simulated populations of batches: {name} scatter within batches, normal scatter between them, both as "
            f"uncertain as the {hand} in hand leave them."
        )
        second = f"Further batches of {told.size} come at random from the same production, tested the same way."
    else:
        first = (
            f"Simulated populations: {name} distribution, location and scale as uncertain as the {hand} in hand leave "
            "them."
        )
        second = "The further specimens come from the same population, tested the same way."
    by = "the bound that governs, for a batch yet to come" if told.size else judged_by(told.aim)
    return (
        first,
        second,
        held_further(told.survivors),
        f"The number is fixed in advance and the claim is judged once, at the end, on all specimens together, by {by}.",
        *_early_words(told),
    )


def _early_words(told: Told) -> tuple[str, ...]:
    """How specimens that held early are taken account of; nothing where batches are counted or a habit is planned."""
    if told.size or not told.aim.basis.tolerance:
        return ()
    y = np.asarray(told.aim.family.transform(told.sample.load))
    return judged_words(told.survivors, early(y, told.sample.broke))


def changes(spread: Array, won: Flags, last: int, size: int) -> tuple[str, ...]:
    """Chance with the same number if the true scatter is in the lowest or the highest quartile of what is simulated."""
    if last == 0:
        return ()
    low, high = np.quantile(spread, (0.25, 0.75))
    low_scatter, high_scatter = (_numbers.chance(float(won[rows].mean())) for rows in (spread <= low, spread >= high))
    return (
        f"If the true scatter is in the lowest quartile of the simulated populations: {low_scatter}; in the "
        f"highest: {high_scatter} ({counted(last, size)}).",
    )


def notes(told: Told, answer: Answer) -> tuple[str, ...]:
    """What the reader must know."""
    out = ["A chance, never a promise: it moves with every further break."]
    if answer.n == 0:
        out.append(
            f"An endless series would reach the claim in {_numbers.chance(told.ceiling)} of simulated populations."
        )
    else:
        out.append(
            f"The highest attainable chance is {_numbers.chance(told.ceiling)}: the share of simulated populations in "
            "which an endless series would reach the claim."
        )
    if told.judged is not None and told.judged.verdict.below and answer.n != 0:
        out.append(f"The bound may reach the claim, but the verdict stays '{told.judged.sentence}'.")
    later = [(m, chance) for m, chance, _ in answer.rows if m > answer.last]
    if answer.n is not None and later:
        m, chance = min(later, key=lambda row: row[1])
        what, lowest = counted(m, told.size), _numbers.chance(chance)
        if answer.n == 0:
            out.append(f"Testing on can lose what is shown now: with {what} the chance to keep it is {lowest}.")
        elif chance < told.target:
            out.append(f"More is not always better: with {what} the chance is {lowest}.")
    if told.size and told.survivors:
        out.append(
            "A batch of which none breaks leaves no bound for a batch yet to come: such series count as not shown. "
            "Break at least one of each."
        )
    if told.judged is not None and not told.size and told.sample.batch is not None:
        out.append(
            "For these batches only: a batch yet to come needs two or more named batches that carry their scatter."
        )
    return tuple(out)
