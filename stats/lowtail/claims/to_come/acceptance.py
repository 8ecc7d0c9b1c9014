"""Is a new lot accepted: its lowest specimen and its mean against what an earlier series leaves open."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from lowtail._shared.checks import check_fraction, door
from lowtail._shared.numbers import nearest, percent_up
from lowtail._shared.parallel import Seed, as_rng
from lowtail._shared.record import Record
from lowtail._shared.sample import Sample, SampleLike, SlipsMean, as_sample
from lowtail.claims.comparison.compare import compare
from lowtail.claims.strength.governing import batch_names, treatments
from lowtail.claims.strength.notes import EARLY
from lowtail.claims.to_come.prediction import next_batch_of
from lowtail.errors import InputError, NoAnswerError
from lowtail.models.confidence.distribution import confidence_distribution
from lowtail.models.distributions.families import Family, get_family, name_of
from lowtail.models.distributions.rounded import coarse_note
from lowtail.models.prediction.lots import Lots, draw_lots

__all__ = ["LotAcceptance", "accept_batch"]

Judgement = Literal["accepted", "not accepted"]
_SIZE = 100_000  # lots drawn
_STRENGTHS = 20_000_000  # and strengths in all, for large lots
_LEAST_SIZE = 20_000
_WIDER = 1.5
NEXT_BATCH = "a batch yet to come"
AVERAGED = (
    "Chances of acceptance are averages over what the series leaves open; simulated, they were up to 7 points higher."
)
REJECTIONS = (0.001, 0.5)


@dataclass(frozen=True, slots=True, kw_only=True)
class LotAcceptance(Record):
    """Whether a new lot is accepted by its lowest specimen and its mean, and what that shows.

    Attributes
    ----------
    group, lot : str
        The earlier (qualified) series, and the new lot.
    n_qualified, n_broken_qualified, n_batches : int
        Specimens of the series, how many broke, and its named batches (0: not recorded for every specimen).
    n, n_broken : int
        Specimens of the lot, and how many broke. One that held counts with its load: it is at least that strong.
    verdict : str
        "accepted" or "not accepted".
    failed : str
        "lowest", "mean", "lowest and mean", or "" where accepted.
    lowest_load, lowest_limit, mean_load, mean_limit : float
        Of the lot, and the least accepted, kN. The mean is the geometric one (normal distribution: the plain one).
    false_rejection : float
        Chance that a lot as good as the series is not accepted, both statistics together, over series and lots.
    weaker_by, accepted_weaker, accepted_wider : float
        Share by which a lot is weaker, and the chance that such a lot is accepted; the same for a lot with the same
        location (Weibull: the same scale) whose scatter is half as large again. Averages over what the series leaves
        open.
    population : str
        What the limits are for: "a batch yet to come" or "further specimens of the same batch or batches".
    family : str
    margin, ratio, ratio_low, ratio_high : float
        Lot over series, typical strengths, with the two-sided 95 % interval of `compare`; NaN where it has no answer.
    keeps_margin, equivalence : str
        What `compare` says on the margin: "shown", "not shown" or "fails the margin" of keeping at least the margin,
        and "shown" or "not shown" of a ratio between the margin and its inverse; "" without an answer.
    notes : tuple of str
    """

    group: str
    lot: str
    n_qualified: int
    n_broken_qualified: int
    n_batches: int
    n: int
    n_broken: int
    verdict: Judgement
    failed: str
    lowest_load: float
    lowest_limit: float
    mean_load: float
    mean_limit: float
    false_rejection: float
    weaker_by: float
    accepted_weaker: float
    accepted_wider: float
    population: str
    family: str
    margin: float
    ratio: float
    ratio_low: float
    ratio_high: float
    keeps_margin: str
    equivalence: str
    notes: tuple[str, ...] = ()

    def __str__(self) -> str:
        return f"{self._who()}{self.verdict}: {self._why()}. {self._means()}{self._beside()}"

    def _who(self) -> str:
        lot = f"lot '{self.lot}'" if self.lot and self.lot != self.group else "the new lot"
        return f"{self.group}: {lot} is " if self.group else f"{lot[:1].upper()}{lot[1:]} is "

    def _why(self) -> str:
        parts = []
        for name, value, limit in (
            ("lowest", self.lowest_load, self.lowest_limit),
            ("mean", self.mean_load, self.mean_limit),
        ):
            short = value < limit
            shown, least = _told(value, limit)
            parts.append(f"its {name} ({shown} kN) is {'' if short else 'not '}below the limit of {least} kN")
        return " and ".join(parts)

    def _means(self) -> str:
        chance = _chance(self.accepted_weaker)
        weak = f"a lot {100 * self.weaker_by:g} % weaker would be accepted with a chance of {chance}"
        share = f"{'up to ' if self.population == NEXT_BATCH else ''}{100 * self.false_rejection:g} %"
        good = f"{share} of lots as good as the {self.n_qualified} specimens in hand are not"
        if self.verdict == "accepted":
            return f"This does not show that it is as good: {weak}. By these limits {good} accepted."
        return f"By these limits {good} accepted either, and {weak}."

    def _beside(self) -> str:
        if not self.keeps_margin:
            return ""
        share = f"{100 * self.margin:g} % of the earlier strength"
        said = {
            "shown": f"that it keeps at least {share} is shown",
            "not shown": f"that it keeps at least {share} is not shown",
            "fails the margin": f"it keeps less than {share}",
        }[self.keeps_margin]
        return (
            f" Compared: ratio {nearest(self.ratio)} ({nearest(self.ratio_low)} to {nearest(self.ratio_high)}, 95 %); "
            f"{said}."
        )


def _told(value: float, limit: float) -> tuple[str, str]:
    """Both in as many figures as it takes to show which is the larger, at least three."""
    shown, least = nearest(value), nearest(limit)
    for figures in range(4, 9):
        numbers = [float(text.replace(",", "")) for text in (shown, least)]
        if (numbers[0] < numbers[1]) == (value < limit):
            break
        shown, least = nearest(value, figures), nearest(limit, figures)
    return shown, least


def _chance(share: float) -> str:
    """A chance of a wrong acceptance: whole per cent, raised."""
    return percent_up(min(max(share, 0.001), 1.0))


@door
def accept_batch(
    qualified: SampleLike,
    new: SampleLike,
    *,
    false_rejection: float = 0.05,
    weaker: float = 0.10,
    margin: float = 0.90,
    family: str | Family = "weibull",
    slips: SlipsMean | None = None,
    rng: Seed = 0,
) -> LotAcceptance:
    """Acceptance of a new lot against an earlier series, by its lowest specimen and its mean together.

    Both limits stand at one level each, so that lots as good as the series fall below either with the probability
    ``false_rejection``. The limits carry what the series leaves open (limits for further specimens, not those of known
    parameters), from 100,000 drawn lots. The error rate, over series and lots, is exact for a complete lot and a
    complete series (or one stopped after a set number of breaks) if strength follows the distribution
    (``tests/truth/lot_acceptance.csv``); over batches it is approximate. A lot accepted is not shown to be as good.

    Parameters
    ----------
    qualified : Sample or array_like
        The earlier series, kN; at least 2 different loads at break. With two or more named batches the limits are those
        of a batch yet to come, else of further specimens of the same batch or batches.
    new : Sample or array_like
        Specimens of the new lot, kN; survivors and slips count with their loads.
    false_rejection : float
        0.001 to 0.5.
    weaker : float
        Between 0 and 1: how much weaker the lot is whose chance of acceptance is stated.
    margin : float
        Between 0 and 1: share of the earlier strength to be kept, for the comparison beside the verdict.
    family : str or Family
    slips : str, optional
        What a slip in the series means, "failure" or "held". Default: what it says, else the reading with the higher
        limits.
    rng : seed
        Of the drawn lots; fixed by default.

    Returns
    -------
    LotAcceptance

    Raises
    ------
    NoAnswerError
        If the series carries no distribution of strength; the message says what is missing.
    InputError
        If an argument is out of range, the lot names several batches, or its batch is one of the series.

    See Also
    --------
    compare : the two compared, with a margin.
    prediction : what the next specimens hold.
    checks.pooling : do batches in hand differ.

    References
    ----------
    Vangel (2002) Technometrics 44:242-249; MIL-HDBK-17-1F section 8.4 (both from memory): mean and lowest of a lot,
    parameters known.

    Examples
    --------
    >>> qualified = Sample([24.1, 25.3, 22.8, 26.0, 23.9, 25.1, 24.4, 23.2], label="steel oval")
    >>> answer = accept_batch(qualified, [23.1, 24.9, 22.5])
    >>> answer.verdict, answer.accepted_weaker > 0.1
    ('accepted', True)
    """
    qualified, new = as_sample(qualified), as_sample(new)
    alpha = _between(false_rejection, "false_rejection", *REJECTIONS)
    weak, keep = check_fraction(weaker, "weaker"), check_fraction(margin, "margin")
    law = get_family(family)
    _check_lot(qualified, new)
    seed = int(as_rng(rng).integers(2**63))
    found = [_limits(each, new, law, alpha, seed, how) for how, each in treatments(qualified, slips).items()]
    limits = max(found, key=lambda one: (one.fails(new, law) != "", one.mean))
    y = np.asarray(law.transform(new.lower))
    failed = limits.fails(new, law)
    compared, notes = _compared(qualified, new, keep)

    def kn(value: float) -> float:
        return max(0.0, float(law.inverse(value)))

    return LotAcceptance(
        group=qualified.label,
        lot=new.label,
        n_qualified=qualified.n,
        n_broken_qualified=qualified.n_broken,
        n_batches=len(batch_names(qualified)),
        n=new.n,
        n_broken=new.n_broken,
        verdict="not accepted" if failed else "accepted",
        failed=failed,
        lowest_load=kn(float(y.min())),
        lowest_limit=kn(limits.lowest),
        mean_load=kn(float(y.mean())),
        mean_limit=kn(limits.mean),
        false_rejection=alpha,
        weaker_by=weak,
        accepted_weaker=limits.accepted(law, weaker=weak),
        accepted_wider=limits.accepted(law, wider=_WIDER),
        population=limits.population,
        family=law.name,
        margin=keep,
        **compared,
        notes=(*limits.notes, *_lot_notes(new, failed), *notes),
    )


@dataclass(frozen=True, slots=True)
class _Limits:
    """Limits on the y axis by one reading of the series, and the lots they were drawn from."""

    lowest: float
    mean: float
    lots: Lots
    population: str
    notes: tuple[str, ...]

    def fails(self, new: Sample, law: Family) -> str:
        """Which statistics of the lot lie below their limits."""
        y = np.asarray(law.transform(new.lower))
        parts = (("lowest", y.min() < self.lowest), ("mean", y.mean() < self.mean))
        return " and ".join(name for name, short in parts if short)

    def accepted(self, law: Family, *, weaker: float = 0.0, wider: float = 1.0) -> float:
        """Chance of acceptance of a weaker or wider scattered lot."""
        return self.lots.accepted((self.lowest, self.mean), weaker=weaker, wider=wider, log=law.on_log)


def _between(value: float, name: str, least: float, most: float) -> float:
    if not least <= value <= most:
        raise InputError(f"`{name}` must lie between {least:g} and {most:g}, got {value!r}.")
    return float(value)


def _check_lot(qualified: Sample, new: Sample) -> None:
    lots = batch_names(new)
    if len(lots) > 1:
        raise InputError(
            f"{new.who}: a lot is one batch, but these specimens name {len(lots)} ({', '.join(lots[:4])}). Judge each "
            "on its own."
        )
    if lots and lots[0] in {str(b) for b in (() if qualified.batch is None else qualified.batch)}:
        raise InputError(
            f"{new.who}: batch '{lots[0]}' is also one of the earlier series; a lot is judged against others. Leave it "
            "out of the series."
        )


def _limits(series: Sample, new: Sample, law: Family, rejection: float, seed: int, how: str) -> _Limits:
    """Limits by one reading of the slips of the series."""
    rng = np.random.default_rng(seed)
    size = max(_LEAST_SIZE, min(_SIZE, _STRENGTHS // new.n))
    notes = [f"Limits by the {name_of(law.name)} distribution.", AVERAGED]
    if series.n_slipped:
        notes.append(f"{series.n_slipped} of {series.n} specimens of the series slipped; slips as {how}.")
    location, spread, population = None, None, "further specimens of the same batch or batches"
    if len(batch_names(series)) > 1:
        try:
            location, spread = next_batch_of(series, law).draws(size, rng)
            population = NEXT_BATCH
            notes.append(
                "Limits for a batch yet to come; over batches the error rate is approximate, and seldom reached."
            )
        except NoAnswerError as reason:
            notes.append(f"Scatter between batches is not in the limits: {reason}")
    if location is None or spread is None:
        found = confidence_distribution(series, law)
        location, spread = found.draws(size, rng)
        if len(batch_names(series)) < 2:
            notes.append(
                "Scatter between batches is not in the limits (fewer than 2 batches named): if batches differ, good "
                "lots are rejected more often than stated."
            )
        if found.held_early:
            notes.append(f"{EARLY} in the series: the error rate is not exact.")
    if coarse_note(series):
        notes.append("The series is recorded in wide steps and taken as written: the error rate is not exact.")
    if series.n_between:
        notes.append(f"{series.n_between} specimens of the series broke between two loads: taken as such.")
    lots = draw_lots(law, location, spread, new.n, rng)
    lowest, mean, _ = lots.limits(rejection)
    return _Limits(lowest, mean, lots, population, tuple(notes))


def _lot_notes(new: Sample, failed: str) -> list[str]:
    """What survivors and uncertain loads of the lot do to the verdict."""
    notes = []
    if new.n_held:
        more = ""
        if failed:
            more = " The verdict may hang on them: test them on until they break."
        notes.append(
            f"{new.n_held} of {new.n} specimens of the lot held and count with their loads, at which they had not "
            f"failed: lots are then accepted less often than stated.{more}"
        )
    if new.n_between:
        notes.append(f"{new.n_between} specimens of the lot broke between two loads and count with the lower one.")
    if new.common_uncertainty:
        notes.append(
            f"The lot's loads have an uncertainty of {100 * new.common_uncertainty:.3g} % in common (k = 1), which is "
            "not in the verdict."
        )
    return notes


def _compared(qualified: Sample, new: Sample, margin: float) -> tuple[dict[str, Any], list[str]]:
    """The two compared, with the margin; empty words and a note where `compare` has no answer."""
    try:
        found = compare(qualified, new, margin=margin)
    except (NoAnswerError, InputError) as reason:
        nothing: dict[str, Any] = dict.fromkeys(("ratio", "ratio_low", "ratio_high"), math.nan)
        return nothing | {"keeps_margin": "", "equivalence": ""}, [f"Not compared: {reason}"]
    notes = []
    if len(batch_names(qualified)) > 1:
        notes.append("The comparison is with the specimens in hand; scatter between batches is not in it.")
    return {
        "ratio": found.ratio,
        "ratio_low": found.ratio_low,
        "ratio_high": found.ratio_high,
        "keeps_margin": str(found.verdict),
        "equivalence": str(found.equivalence),
    }, notes
