"""Do the breaks contradict a distribution, and could so few at all? A test, never a choice of distribution."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lowtail._shared.checks import door
from lowtail._shared.numbers import p_text, times_in_ten
from lowtail._shared.parallel import DRAWS, Seed, as_rng
from lowtail._shared.record import Record
from lowtail._shared.sample import Sample, SampleLike, as_sample
from lowtail.claims.basis import check_fraction
from lowtail.errors import InputError, NoAnswerError
from lowtail.models.distributions.empirical import draw_held
from lowtail.models.distributions.families import FAMILIES, Family, get_family, name_of
from lowtail.models.distributions.fit import fit_many
from lowtail.models.distributions.goodness import (
    anderson_darling_many,
    different_breaks,
    handbook_significance,
    null_samples,
    rounded,
    simulate_like,
    tie_step,
    weak_minority,
)

__all__ = ["GoodnessOfFit", "goodness_of_fit"]

Array = NDArray[np.float64]

_DIFFERENT = 3  # loads at break that a test needs


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GoodnessOfFit(Record):
    """Anderson-Darling tests of the strength distributions, each with the power it has here.

    Attributes
    ----------
    group, n, n_broken
        The sample.
    family : str
        First distribution asked for, the one the sentence speaks of.
    statistic, p_value, power : float
        Of that distribution: A2, its simulated p-value, and the chance that the test would notice the weak minority.
    false_alarm : float
        Share of sound samples that would be rejected.
    weak_share, weak_loss : float
        The alternative the power is for: this share of the specimens, weaker by this fraction.
    table : DataFrame
        One row a distribution: ``family``, ``statistic``, ``critical``, ``p_value``, ``handbook_p`` (NaN where the
        handbook's formula is not defined), ``power_weak_minority``, ``other_family``, ``power_other_family``,
        ``simulated``.
    notes : tuple of str
    """

    group: str
    n: int
    n_broken: int
    family: str
    statistic: float
    p_value: float
    power: float
    false_alarm: float
    weak_share: float
    weak_loss: float
    table: pd.DataFrame
    notes: tuple[str, ...]

    @property
    def contradicted(self) -> tuple[str, ...]:
        """Distributions rejected at ``false_alarm``."""
        return tuple(self.table.loc[self.table["p_value"] <= self.false_alarm, "family"])

    def __str__(self) -> str:
        found = zip(self.table["family"], self.table["p_value"], strict=True)
        p = ", ".join(f"{name_of(family)} {p_text(float(value))}" for family, value in found)
        against = ", ".join(self.contradicted)
        head = (
            f"The breaks contradict: {against} ({p})"
            if against
            else f"The breaks reject none of the distributions tested ({p})"
        )
        return (
            f"{head}; at n = {self.n} the {name_of(self.family)} test would miss a {100 * self.weak_share:.0f} % "
            f"minority that is {100 * self.weak_loss:.0f} % weaker {times_in_ten(1 - self.power)}. This does not "
            "choose a distribution."
        )


@door
def goodness_of_fit(
    sample: SampleLike,
    *,
    families: Sequence[str | Family] = tuple(FAMILIES),
    false_alarm: float = 0.05,
    weak_share: float = 0.10,
    weak_loss: float = 0.30,
    size: int = DRAWS,
    rng: Seed = 0,
) -> GoodnessOfFit:
    """Anderson-Darling test of each distribution with its parameters estimated, valid at any n and with survivors.

    The p-value is simulated: samples of the fitted distribution, refitted each. Without survivors it is exact up to
    simulation error, whatever the parameters. With survivors, simulated specimens break and hold in the order seen
    (`simulate_like`): exact where the risk of being held keeps in proportion to that of breaking, 4 to 6 % false
    alarms at n = 5 to 10 elsewhere. Where breaks tie, simulated loads are rounded to the step in which the loads are
    recorded, for ties alone raise A2 (unrounded, a step of a quarter spread gives 6 to 8 % false alarms instead of
    5 %). The power printed beside is for a named alternative at the fitted scatter: a weak minority, and (for the
    Weibull) a lognormal distribution or (for the others) a Weibull distribution. With 10 or fewer specimens this test
    catches blunders only; not being contradicted says nothing for a distribution. Never use it to choose.

    Parameters
    ----------
    sample : Sample or array_like
    At least 4 specimens with 3 different loads at break, kN.
    families : sequence of {"weibull", "normal", "lognormal"}
    The first one is spoken of in the sentence.
    false_alarm : float
    Share of sound samples rejected, between 0 and 1.
    weak_share, weak_loss : float
    The named alternative: ``weak_share`` of the specimens is weaker by the fraction ``weak_loss``; between 0 and 1.
    size : int
    Simulated samples, at least 400.
    rng : int or Generator

    Returns
    -------
    GoodnessOfFit

    Raises
    ------
    InputError
    If an argument is out of range.
    NoAnswerError
    If the sample has too few specimens or breaks.

    See Also
    --------
    checks.sensitivity : how much the bound depends on the distribution.
    plot.probability : the same by eye.
    checks.outliers : a single specimen that lies apart.

    References
    ----------
    Stephens (1974), J. Am. Stat. Assoc. 69:730-737; MIL-HDBK-17-1F section 8.3.4 (both from memory).

    Examples
    --------
    >>> answer = goodness_of_fit(Sample([24.1, 25.3, 24.8, 26.0, 22.2]), families=["weibull"])
    >>> answer.p_value > 0.3
    True
    """
    sample = as_sample(sample)
    for name, value in (("false_alarm", false_alarm), ("weak_share", weak_share), ("weak_loss", weak_loss)):
        check_fraction(value, name)
    laws = [get_family(f) for f in families]
    if not laws:
        raise InputError("`families` must name at least one distribution, got none.")
    if size < 400:
        raise InputError(f"`size` must be at least 400 simulated samples, got {size!r}.")
    different = sample.different
    if sample.n < 4 or different < _DIFFERENT:
        raise NoAnswerError(
            f"{sample.who}: a test of the distribution needs at least 4 specimens and 3 different loads at break, got "
            f"{sample.n} specimens and {different} different breaks. Test more specimens."
        )
    rows = [_one_law(sample, law, false_alarm, (weak_share, weak_loss), size, as_rng(rng)) for law in laws]
    first = rows[0]
    return GoodnessOfFit(
        group=sample.label,
        n=sample.n,
        n_broken=sample.n_broken,
        family=laws[0].name,
        statistic=float(first["statistic"]),
        p_value=float(first["p_value"]),
        power=float(first["power_weak_minority"]),
        false_alarm=false_alarm,
        weak_share=weak_share,
        weak_loss=weak_loss,
        table=pd.DataFrame(rows),
        notes=_notes(sample, rows),
    )


def _one_law(
    sample: Sample, law: Family, false_alarm: float, minority: tuple[float, float], size: int, rng: np.random.Generator
) -> dict[str, Any]:
    seen = float(anderson_darling_many(sample.load[None], sample.broke[None], law)[0])
    fits = fit_many(sample.load[None], sample.broke[None], law)
    location, spread = float(fits.location[0]), float(fits.spread[0])
    if not np.isfinite(seen):
        raise NoAnswerError(
            f"{sample.who}: the {name_of(law.name)} distribution has no best fit here, so it cannot be tested."
        )
    shape, step = (size, sample.n), tie_step(sample)
    where = (location, spread)

    def held() -> Array | None:
        return draw_held(sample.load, sample.broke, shape, rng) if sample.n_censored else None

    def statistic(drawn: tuple[Array, NDArray[np.bool_]]) -> Array:
        """A2 of the samples that would be tested at all, as recorded."""
        load = rounded(drawn[0], step)
        found = anderson_darling_many(load, drawn[1], law)
        return found[np.isfinite(found) & (different_breaks(load, drawn[1]) >= _DIFFERENT)]

    if sample.n_censored or step or law.on_log:
        kept = statistic(simulate_like(sample, law, size, rng))
    else:  # with neither survivors nor ties A2 does not depend on the parameters: keep normal loads well above 0
        kept = statistic(null_samples(law, 1000.0, 1.0, shape, rng, None))
    critical = float(np.quantile(kept, 1 - false_alarm, method="higher"))
    limit = critical
    if sample.n_censored:  # power over the orders of breaks and holds that might have come
        limit = float(np.quantile(statistic(null_samples(law, *where, shape, rng, held())), 1 - false_alarm))
    share, loss = minority
    weak = weak_minority(law, *where, shape, rng, held(), share=share, loss=loss)
    other = get_family("lognormal" if law.name == "weibull" else "weibull")
    twin = fit_many(sample.load[None], sample.broke[None], other)
    strange = null_samples(other, float(twin.location[0]), float(twin.spread[0]), shape, rng, held())
    return {
        "family": law.name,
        "statistic": seen,
        "critical": critical,
        "p_value": (1 + int((kept >= seen - 1e-12).sum())) / (1 + kept.size),
        "handbook_p": handbook_significance(seen, sample.n, law) if sample.n_censored == 0 else float("nan"),
        "power_weak_minority": _share_above(statistic(weak), limit),
        "other_family": other.name,
        "power_other_family": _share_above(statistic(strange), limit),
        "simulated": int(kept.size),
    }


def _share_above(statistic: Array, critical: float) -> float:
    return float((statistic > critical).mean())


def _notes(sample: Sample, rows: Sequence[dict[str, Any]]) -> tuple[str, ...]:
    notes = []
    if sample.n_censored:
        notes.append(
            f"{sample.n_censored} of {sample.n} specimens held: the statistic follows the Kaplan-Meier staircase, the "
            "handbook's significance formula does not apply."
        )
    elif sample.n < 6:
        notes.append("The handbook's significance formula is not defined below n = 6 and is left out.")
    if step := tie_step(sample):
        notes.append(
            f"Breaks tie; loads stand in steps of {step:g} kN, and the simulated samples are rounded likewise."
        )
    if all(r["power_weak_minority"] < 0.5 for r in rows):
        notes.append(
            "More often than not this test would miss the weak minority named: a pass is no support for a distribution."
        )
    return tuple(notes)
