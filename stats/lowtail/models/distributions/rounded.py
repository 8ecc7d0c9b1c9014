"""Loads rounded to a step that is coarse against their scatter, put where no bound gains by the rounding.

A bound that is exact for the loads themselves is not for loads rounded to steps as wide as their scatter: ties make the
scatter look smaller than it is, and a run of equal loads may stand above the percentile that it hides. Where the step
is coarse, loads that share one reading are spread evenly over the interval that the reading stands for, its two edges
included, and a reading that stands alone is put at the lower edge of its interval. Coverage with and without that:
``tests/truth/rounded_loads.csv``. Loads in finer steps stay exactly as they are.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lowtail._shared.resolution import different_loads, shown_step
from lowtail._shared.sample import Sample
from lowtail.errors import NoAnswerError

__all__ = [
    "COARSE",
    "WIDE",
    "at_lower_edge",
    "coarse_note",
    "coarse_step",
    "half_step",
    "on_design",
    "placed_words",
    "spread_readings",
]

Array = NDArray[np.float64]

WIDE = 2.0  # standard deviations of the breaks as written: a wider step may carry their mean away from the true one
COARSE = 0.25  # of a standard deviation of the breaks: a wider step is coarse


def coarse_step(loads: ArrayLike, step: float) -> bool:
    """Whether a recording step is coarse against the scatter of loads at break: more than a quarter of their deviation.

    Parameters
    ----------
    loads : array_like, shape (n,)
        Loads at break.
    step : float
        In the unit of the loads; 0: not rounded, never coarse.

    Examples
    --------
    >>> coarse_step([25, 25, 26], 1.0), coarse_step([25.1, 24.2, 26.3], 0.1)
    (True, False)
    """
    values = np.asarray(loads, dtype=float)
    return bool(step > 0 and values.size > 1 and step > COARSE * values.std(ddof=1))


def spread_readings(loads: ArrayLike, step: float) -> Array:
    """Loads rounded to ``step`` at the places that no bound gains by.

    Readings alike are spread evenly from the lower to the upper edge of their interval, one alone goes to its lower
    edge; nothing goes below a hundredth of a step.

    Examples
    --------
    >>> spread_readings([25, 26, 25, 27, 25], 1.0).tolist()
    [24.5, 25.5, 25.0, 26.5, 25.5]
    """
    values = np.asarray(loads, dtype=float)
    order = np.argsort(values, kind="stable")
    ordered = values[order]
    new = np.append(True, np.diff(ordered) > 0.5 * step)
    first = np.flatnonzero(new)
    count = np.diff(np.append(first, values.size))
    place = np.arange(values.size) - np.repeat(first, count)
    share = place / np.repeat(np.maximum(count - 1, 1), count)
    out = np.empty_like(values)
    out[order] = np.maximum(ordered + step * (share - 0.5), 0.01 * step)
    return out


def at_lower_edge(sample: Sample, *, by_batch: bool = False) -> Sample:
    """The sample as a bound must take it: itself, or placed by `spread_readings` where its step is coarse.

    Loads held at or above the highest break, where the tests may have been stopped by that break, stay at least at it;
    loads held below it go to the lower edge of their interval. The sample returned is marked as not rounded
    (``resolution`` 0), so that nothing is placed twice. Samples with fewer than 2 different loads at break stay as they
    are: they carry no bound. ``by_batch``: readings alike are spread batch by batch, if some batch has 2 different
    loads at break: scatter within batches is not made of nothing. Batch bounds of placed loads are not studied.
    """
    if sample.n_between:
        return sample
    step, broke = sample.step, sample.broke
    if sample.n_broken < 2 or not coarse_step(sample.load[broke], step) or sample.different < 2:
        return sample
    batch = np.zeros(sample.n, dtype=np.intp)
    if by_batch and sample.batch is not None:
        batch = np.unique(sample.batch.astype(str), return_inverse=True)[1]
    members = [np.flatnonzero(broke & (batch == each)) for each in range(int(batch.max()) + 1)]
    if max(different_loads(sample.load[who], step) for who in members) < 2:
        return sample
    load = np.maximum(sample.load - 0.5 * step, 0.01 * step)
    for who in members:
        load[who] = spread_readings(sample.load[who], step)
    passed = ~broke & (sample.load >= sample.load[broke].max())
    load[passed] = np.maximum(load[passed], load[broke].max())
    return sample.with_loads(load, resolution=0.0)


def coarse_note(sample: Sample) -> str:
    """What was done with the loads of a sample recorded in a coarse step, or an empty text."""
    return "" if at_lower_edge(sample) is sample else placed_words(sample.step)


def placed_words(step: float) -> str:
    """What is done with loads recorded in a coarse step, kN."""
    return (
        f"The loads are recorded in steps of {step:.3g} kN, coarse against their scatter: equal readings are "
        "spread over the interval they stand for, single ones taken at its lower edge."
    )


def on_design(load: Array, broke: NDArray[np.bool_], design: Array, who: str) -> tuple[Array, float]:
    """Loads as a regression's bound must take them, and the step if it is coarse against the scatter about the line.

    As `at_lower_edge`, among the specimens of one setting; the step is that of all loads. Loads in finer steps come
    back as they are, with a step of 0. Coverage with and without:
    ``tests/truth/rounded_trend.csv``.

    Parameters
    ----------
    load, broke : ndarray, shape (n,)
    design : ndarray, shape (n, d)
    who : str
        For the message.

    Raises
    ------
    NoAnswerError
        If the line leaves the breaks no scatter.
    """
    step, breaks = shown_step(load), load[broke]
    rank = int(np.linalg.matrix_rank(design[broke])) if breaks.size else 0
    if not step or breaks.size <= rank:
        return load, 0.0
    rest = breaks - design[broke] @ np.linalg.lstsq(design[broke], breaks, rcond=None)[0]
    scatter = float(np.sqrt(rest @ rest / (breaks.size - rank)))
    if scatter >= step / COARSE:
        return load, 0.0
    if scatter < 0.1 * step:
        raise NoAnswerError(
            f"{who}: to within the {step:.3g} kN in which loads are recorded, all breaks lie on one line, so that "
            "their scatter cannot be estimated. Record the loads in finer steps, or break more specimens."
        )
    out = np.maximum(load - 0.5 * step, 0.01 * step)
    setting = np.unique(design, axis=0, return_inverse=True)[1].ravel()
    for each in range(int(setting.max()) + 1):
        ours = np.flatnonzero(broke & (setting == each))
        if ours.size:
            out[ours] = spread_readings(load[ours], step)
            passed = ~broke & (setting == each) & (load >= load[ours].max())
            out[passed] = np.maximum(out[passed], out[ours].max())
    return out, step


def half_step(sample: Sample) -> float:
    """How far the mean ln load of a sample may lie from that of the loads behind it: 0 unless its step is wide.

    Up to `WIDE` standard deviations of the loads as written the roundings nearly cancel in a mean, and a comparison
    keeps its level (``tests/truth/rounded_compare.csv``). Beyond it nearly all loads of an arm show one or two readings
    and lie on the same side of them; half a step is the most that a mean can then be off.
    """
    if sample.n_between:
        return 0.0
    breaks = sample.load[sample.broke]
    if breaks.size < 2 or not sample.step > WIDE * breaks.std(ddof=1):
        return 0.0
    return float(-np.log1p(-min(0.5 * sample.step / breaks.min(), 0.99)))
