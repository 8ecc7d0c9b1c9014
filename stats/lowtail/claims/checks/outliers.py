"""Does one specimen stand apart from its group, and how much depends on it? Nothing is ever removed here."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lowtail._shared.checks import door
from lowtail._shared.numbers import p_text
from lowtail._shared.parallel import DRAWS, Seed, as_rng
from lowtail._shared.record import Record
from lowtail._shared.resolution import SAME
from lowtail._shared.sample import Sample, SampleLike, as_sample
from lowtail.claims.basis import Basis, check_fraction, get_basis
from lowtail.errors import InputError, NoAnswerError
from lowtail.models.confidence.many import low_many
from lowtail.models.distributions.families import Family, get_family, name_of
from lowtail.models.distributions.goodness import different_breaks, rounded, simulate_like, tie_step
from lowtail.models.distributions.residuals import (
    grain_of,
    many_outlier_level,
    normed_residual_critical,
    normed_residual_p,
    normed_residual_steps,
    residual_detectable,
    smallest_tail_many,
)
from lowtail.models.regression.batch_tests import simulated_p

__all__ = ["Outliers", "influence", "outliers"]

Array = NDArray[np.float64]

_DIFFERENT = 2  # loads at break that a screen needs
_MOST_SPECIMENS, _MOST_STEPS = 2000, 10  # that a screen takes, and that it looks for where nothing is said

KEEP = (
    "Nothing is removed: set a specimen aside only for a physical reason, on record, found without looking at its load."
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outliers(Record):
    """The specimen farthest from its group, whether it is a possible outlier, and the bound without each one.

    Attributes
    ----------
    group, family, n, n_broken
        The sample, and the distribution against which it is judged.
    method : str
        "maximum normed residual" (exact; every specimen broke, normal or lognormal) or "simulated tail" (any family,
        survivors allowed).
    specimen : str
        Name (or position) of the farthest break.
    load_kN, residual : float
        Its load and its distance from the mean, in standard deviations (spreads, for the simulated tail).
    critical, p_value : float
        Limit of the residual at ``false_alarm`` (NaN for the simulated tail), and the chance of one this far.
    false_alarm : float
        Share of sound samples that would raise an alarm.
    number : int
        How many possible outliers there are by the many-outlier procedure.
    flagged : tuple of str
        Their names.
    detectable : float
        Distance in standard deviations at which a single single outlier would be found 8 times in 10 (NaN where only
        simulated tails are available).
    weibull_alarm : float
        Share of sound samples of a Weibull distribution that this normal screen would flag (NaN elsewhere).
    steps : DataFrame
        One row a step of the many-outlier procedure.
    influence : DataFrame
        The bound with and without each specimen; see `influence`.
    notes : tuple of str
    """

    group: str
    family: str
    method: str
    n: int
    n_broken: int
    specimen: str
    load_kN: float
    residual: float
    critical: float
    p_value: float
    false_alarm: float
    number: int
    flagged: tuple[str, ...]
    detectable: float
    weibull_alarm: float
    steps: pd.DataFrame
    influence: pd.DataFrame
    notes: tuple[str, ...]

    def __str__(self) -> str:
        place = f"{self.load_kN:.4g} kN, {self.residual:.3g} standard deviations from the middle of its group"
        if self.number > 1:
            head = (
                f"{self.number} possible outliers ({', '.join(self.flagged)}); the farthest is {self.specimen} "
                f"({place})"
            )
        elif self.number:
            head = f"Specimen {self.specimen} is a possible outlier ({place}; {p_text(self.p_value)})"
        else:
            head = f"No possible outlier among {self.n_broken} breaks: the farthest is {self.specimen} ({place}; "
            head += f"{p_text(self.p_value)})"
        seen = (
            f"; at n = {self.n} a single outlier must lie {self.detectable:.2g} standard deviations away to be found 8 "
            "times in 10"
            if np.isfinite(self.detectable)
            else ""
        )
        return f"{head}{seen}. It stays in unless a physical reason is on record."


@door
def outliers(
    sample: SampleLike,
    family: str | Family = "normal",
    *,
    most: int | None = None,
    false_alarm: float = 0.05,
    basis: str | Basis = "B-basis",
    bound_family: str | Family = "weibull",
    size: int = DRAWS,
    rng: Seed = 0,
) -> Outliers:
    """Screen a sample for specimens that stand apart; never removes one.

    Every specimen broke, ``family`` normal or lognormal: the maximum normed residual with n - 1 degrees of freedom and
    its two-sided critical value, repeated ``most`` times by the generalised many-outlier procedure. That procedure's
    published limits alarm too often in small samples (9.4 % instead of 5 % at n = 5 with two steps); the limits used
    here are calibrated, for the step in which the loads stand too; the published ones stand beside them in ``steps``.
    Where all loads but one are equal, the scatter within that step is added: no p-value is 0.
    With survivors, or for the Weibull distribution: the smallest two-sided tail of a break under the distribution
    fitted with the survivors, its p-value by simulation of sound samples that break and hold in the same order; one
    step only.

    Parameters
    ----------
    sample : Sample or array_like
        3 to 2,000 specimens, loads in kN.
    family : {"normal", "lognormal", "weibull"}
        Distribution of a sound sample. A sound Weibull sample has a longer low tail than the normal screen expects:
        ``weibull_alarm`` says how often it would be flagged.
    most : int, optional
        Largest number of outliers looked for, 1 to n - 2. Default n // 4, at least 1 and at most 10 (1 for the
        simulated tail).
    false_alarm : float
        Between 0 and 1; default 0.05.
    basis : str or Basis
        Bound for the influence table.
    bound_family : {"weibull", "normal", "lognormal"}
        Distribution of that bound.
    size : int
        Simulated samples for the simulated tail, at least 200.
    rng : int or Generator

    Returns
    -------
    Outliers

    Raises
    ------
    InputError
        If ``most``, ``size`` or ``false_alarm`` is out of range, or there are more than 2,000 specimens.
    NoAnswerError
        If there are fewer than 3 specimens, fewer than 2 different breaks, or the distribution cannot be fitted.

    See Also
    --------
    checks.influence : how much the bound depends on each specimen.
    checks.failure_modes : two kinds of failure.
    checks.goodness_of_fit : is the distribution contradicted.

    References
    ----------
    Grubbs (1950); Rosner (1983) Technometrics 25:165-172; MIL-HDBK-17-1F section 8.3.3 (all from memory).

    Examples
    --------
    >>> print(outliers(Sample([24.1, 25.3, 24.8, 26.0, 15.2], label="oval")))
    Specimen 5 is a possible outlier (15.2 kN, 1.77 standard deviations from the middle of its group; p = 0.0081); at n
    = 5 a single outlier must lie 8.2 standard deviations away to be found 8 times in 10. It stays in unless a physical
    reason is on record.
    """
    sample = as_sample(sample)
    law = get_family(family)
    check_fraction(false_alarm, "false_alarm")
    exact = sample.n_censored == 0 and law.name != "weibull"
    if sample.n < 3 or sample.different < _DIFFERENT:
        raise NoAnswerError(
            f"{sample.who}: a screen for outliers needs at least 3 specimens and 2 different loads at break, got "
            f"{sample.n} specimens and {sample.n_broken} breaks. Test more specimens."
        )
    _check_size(sample)
    count = (max(1, min(sample.n // 4, sample.n - 2, _MOST_STEPS)) if exact else 1) if most is None else most
    if not 1 <= count <= (sample.n - 2 if exact else 1):
        limit = f"n - 2 = {sample.n - 2}" if exact else "1, because specimens held or the distribution is not normal"
        raise InputError(f"{sample.who}: `most` must lie between 1 and {limit}, got {most!r}.")
    if size < 200:
        raise InputError(f"`size` must be at least 200 simulated samples, got {size!r}.")
    steps = (
        _exact_steps(sample, law, count, false_alarm) if exact else _tail(sample, law, false_alarm, size, as_rng(rng))
    )
    far = steps.iloc[0]
    number = int(steps.loc[steps["stands_out"], "step"].max()) if steps["stands_out"].any() else 0
    alarm = _weibull_alarm(sample.n, law, false_alarm) if exact else float("nan")
    return Outliers(
        group=sample.label,
        family=law.name,
        method="maximum normed residual" if exact else "simulated tail",
        n=sample.n,
        n_broken=sample.n_broken,
        specimen=str(far["specimen"]),
        load_kN=float(far["load_kN"]),
        residual=float(far["residual"]),
        critical=float(far["critical_published"]),
        p_value=float(far["p_value"]),
        false_alarm=false_alarm,
        number=number,
        flagged=tuple(steps["specimen"].head(number)),
        detectable=residual_detectable(sample.n, false_alarm) if exact else float("nan"),
        weibull_alarm=alarm,
        steps=steps,
        influence=influence(sample, basis, family=bound_family),
        notes=_notes(law, alarm, exact),
    )


def _check_size(sample: Sample) -> None:
    if sample.n > _MOST_SPECIMENS:
        raise InputError(
            f"{sample.who}: a screen takes at most {_MOST_SPECIMENS:,} specimens one by one, got {sample.n:,}. Screen "
            "it batch by batch."
        )


def _notes(law: Family, alarm: float, exact: bool) -> tuple[str, ...]:
    if exact:
        return (
            f"A sound sample of a Weibull distribution would be flagged here in {100 * alarm:.0f} % of cases, "
            "because its low "
            "tail is longer.",
            KEEP,
        )
    return (f"Judged against the fitted {name_of(law.name)} distribution by simulation.", KEEP)


def _name(sample: Sample, position: int) -> str:
    return sample.specimen[position] if sample.specimen else str(position + 1)


def _exact_steps(sample: Sample, law: Family, most: int, false_alarm: float) -> pd.DataFrame:
    y, step = law.transform(sample.load), _step_on(sample, law)
    who, how = normed_residual_steps(y, most, step)
    level = many_outlier_level(sample.n, most, false_alarm, float(grain_of(y, step)[0]))
    left = sample.n - np.arange(most)
    p = normed_residual_p(how[0], left)
    return pd.DataFrame(
        {
            "step": np.arange(1, most + 1),
            "specimen": [_name(sample, i) for i in who[0]],
            "load_kN": sample.load[who[0]],
            "residual": how[0],
            "critical_published": [normed_residual_critical(int(m), false_alarm) for m in left],
            "critical": [normed_residual_critical(int(m), level) for m in left],
            "p_value": p,
            "stands_out": p <= level,
        }
    )


def _step_on(sample: Sample, law: Family) -> float:
    """Recording step of the loads on the scale of the distribution; where equal loads show none, their smallest gap."""
    step, gaps = sample.step, np.diff(np.sort(sample.load))
    if not step and sample.different < sample.n:
        step = float(gaps[gaps > SAME * sample.load.max()].min())
    return step / (float(np.median(sample.load)) if law.on_log else 1.0)


def _weibull_alarm(n: int, law: Family, false_alarm: float) -> float:
    """Share of sound Weibull samples that the normal screen flags; on the load scale taken at small scatter."""
    y = np.log(np.random.default_rng(1).standard_exponential((min(20_000, 8_000_000 // n), n)))
    how = normed_residual_steps(y, 1)[1]
    return float((how[:, 0] > normed_residual_critical(n, false_alarm)).mean())


def _tail(sample: Sample, law: Family, false_alarm: float, size: int, rng: np.random.Generator) -> pd.DataFrame:
    seen, spot, distance = smallest_tail_many(sample.load[None], sample.broke[None], law)
    if not np.isfinite(seen[0]):
        raise NoAnswerError(
            f"{sample.who}: the {name_of(law.name)} distribution has no best fit here, so no specimen can be judged "
            "by it."
        )
    load, broke = simulate_like(sample, law, size, rng)
    load = rounded(load, tie_step(sample))
    drawn = -smallest_tail_many(load, broke, law)[0][different_breaks(load, broke) >= _DIFFERENT]
    p = simulated_p(-float(seen[0]), drawn)
    return pd.DataFrame(
        {
            "step": [1],
            "specimen": [_name(sample, int(spot[0]))],
            "load_kN": [sample.load[spot[0]]],
            "residual": distance,
            "critical_published": [np.nan],
            "critical": [np.nan],
            "p_value": [p],
            "stands_out": [p <= false_alarm],
        }
    )


@door
def influence(sample: SampleLike, basis: str | Basis = "B-basis", *, family: str | Family = "weibull") -> pd.DataFrame:
    """Lower bound with all specimens and without each one in turn: how much the answer depends on a single specimen.

    Parameters
    ----------
    sample : Sample or array_like
    basis : str or Basis
        Fraction below and confidence of the bound.
    family : {"weibull", "normal", "lognormal"}

    Returns
    -------
    DataFrame
        One row a specimen: ``specimen``, ``load_kN``, ``broke``, ``low`` (with all, kN), ``low_without`` (kN; NaN where
        the rest carries no bound), ``change`` (``low_without - low``, kN), largest change first. Loads as written,
        whatever their step.

    Raises
    ------
    InputError
        If there are more than 2,000 specimens.

    See Also
    --------
    checks.outliers : is a specimen a possible outlier.
    checks.sensitivity : how much the bound depends on the distribution.

    Examples
    --------
    >>> import lowtail as lt
    >>> answer = lt.checks.influence([24.1, 25.3, 24.8, 26.0, 21.2])
    >>> float(answer["load_kN"][0]), bool(answer["change"][0] > 0)
    (21.2, True)
    """
    sample = as_sample(sample)
    which = get_basis(basis)
    _check_size(sample)
    n = sample.n
    load = np.tile(sample.load, (n + 1, 1)).astype(float)
    load[np.arange(n), np.arange(n)] = np.nan
    lows = low_many(load, np.tile(sample.broke, (n + 1, 1)), family, which.fraction_below, which.confidence)
    table = pd.DataFrame(
        {
            "specimen": [_name(sample, i) for i in range(n)],
            "load_kN": sample.load,
            "broke": sample.broke,
            "low": lows[-1],
            "low_without": lows[:-1],
            "change": lows[:-1] - lows[-1],
        }
    )
    order = table["change"].abs().sort_values(ascending=False, na_position="last", kind="stable").index
    return table.loc[order].reset_index(drop=True)
