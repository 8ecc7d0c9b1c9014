"""What a reader must know beside a bound: specimens held early, loads between two steps, uncertain loads."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from lowtail._shared.numbers import percent_up
from lowtail._shared.sample import Sample
from lowtail.models.distributions.between_law import fine_steps

__all__ = ["EARLY", "TOO_HIGH", "held_note", "load_notes", "lowered_words"]

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


def load_notes(sample: Sample, what: str, common: str) -> list[str]:
    """Every sentence that holds for this sample; ``common`` as in `make_low`."""
    notes = (between_note(sample, what, common), uncertainty_note(sample, what), common_note(sample, what, common))
    return [note for note in notes if note]


def between_note(sample: Sample, what: str, common: str) -> str:
    """How breaks between two loads were taken; empty where every load at break is known."""
    if not sample.n_between:
        return ""
    many = f"{sample.n_between} of {sample.n_broken} specimens broke between two loads"
    if common == "averaged" and fine_steps(sample):
        return f"{many}: taken as such (interval terms in the likelihood)."
    wide = "" if common != "averaged" else ", with steps wider than the scatter of their middles"
    return f"{many}{wide}: the {what} is the lowest over all loads at which they can have broken."


def uncertainty_note(sample: Sample, what: str) -> str:
    """What an uncertainty of its own at each load does: it stands in the scatter already."""
    if not sample.uncertainty.any():
        return ""
    error = float(np.sqrt(np.mean(sample.uncertainty[sample.broke] ** 2))) if sample.n_broken else 0.0
    stated = f"Load uncertainty of each specimen by itself {error:.2g} kN (k = 1)"
    if sample.n_broken < 2:
        return f"{stated}: not in the {what}."
    scatter = float(np.std(sample.middle[sample.broke], ddof=1))
    if error > scatter:
        return (
            f"{stated} is more than the scatter of the loads ({scatter:.2g} kN), in which it should show. If the loads "
            f"have it in common, give it as `common_uncertainty`; as stated it leaves the {what} as it is."
        )
    share = percent_up((error / scatter) ** 2)
    return f"{stated}: part of the scatter already, up to {share} of its variance; the {what} is left as it is."


def common_note(sample: Sample, what: str, common: str) -> str:
    """What the uncertainty that all loads have in common did to an answer."""
    if not sample.common_uncertainty or common == "said":
        return ""
    stated = f"Load uncertainty in common {100 * sample.common_uncertainty:.3g} % (k = 1), which no scatter shows"
    if not common:
        return f"{stated}: not in this number."
    how = "averaged over it" if common == "averaged" else "by the reach of that error alone, added to its own"
    return f"{stated}: the {what} is lowered for it ({how})."
