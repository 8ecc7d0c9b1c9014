"""Fitted distributions: right-censored maximum likelihood, one sample or a batch."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lowtail._shared.checks import door
from lowtail._shared.record import Record
from lowtail._shared.sample import Sample, SampleLike, as_sample
from lowtail.errors import InputError, NoAnswerError
from lowtail.models.distributions.between_fit import fit_between
from lowtail.models.distributions.families import Family, get_family, name_of
from lowtail.models.distributions.likelihood import OK, STATUS_TEXT, log_likelihood, maximise, prepare

__all__ = ["Fit", "FitMany", "fit", "fit_many"]

Array = NDArray[np.float64]

_CHUNK = 60_000  # elements of a batch worked on at once: what a core's cache holds


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit(Record):
    """A strength distribution fitted by right-censored maximum likelihood.

    Attributes
    ----------
    group, family : str
        Label of the sample; name of the distribution.
    location, spread : float
        Of ``y``: the load in kN (normal) or its natural logarithm (lognormal, Weibull).
    loglik : float
        Log-likelihood of the loads in kN at the maximum.
    n, n_broken : int
        Specimens, and how many of them broke.
    shape_known : bool
        True where the spread was given by the caller and not fitted.
    """

    group: str
    family: str
    location: float
    spread: float
    loglik: float
    n: int
    n_broken: int
    shape_known: bool = False

    @property
    def shape(self) -> float:
        """Weibull shape, 1 / spread."""
        self._only("weibull", "shape")
        return 1 / self.spread

    @property
    def scale(self) -> float:
        """Weibull scale in kN: the load below which 63.2 % break."""
        self._only("weibull", "scale")
        return float(np.exp(self.location))

    @property
    def mean(self) -> float:
        """Location of a normal (kN) or lognormal (of ln load) distribution."""
        self._not_weibull("mean")
        return self.location

    @property
    def std(self) -> float:
        """Spread of a normal (kN) or lognormal (of ln load) distribution; maximum likelihood, divisor n."""
        self._not_weibull("std")
        return self.spread

    def _only(self, family: str, name: str) -> None:
        if self.family != family:
            raise InputError(
                f"`{name}` belongs to the {name_of(family)} distribution; "
                f"this is a {name_of(self.family)} fit. Use .mean and .std."
            )

    def _not_weibull(self, name: str) -> None:
        if self.family == "weibull":
            raise InputError(f"`{name}` belongs to the normal families; a Weibull fit has .shape and .scale.")

    def strength_below(self, fraction: float | Array) -> float | Array:
        """Strength in kN below which a fraction of the population breaks (0 < fraction < 1)."""
        law = get_family(self.family)
        p = np.asarray(fraction, dtype=float)
        if not ((p > 0) & (p < 1)).all():
            raise InputError(f"`fraction` must lie between 0 and 1 (ends excluded), got {fraction!r}.")
        out = law.inverse(self.location + law.quantile(float(p) if p.ndim == 0 else p) * self.spread)
        return float(out) if p.ndim == 0 else np.asarray(out)

    def fraction_below(self, load: float | Array) -> float | Array:
        """Fraction of the population weaker than a load in kN (greater than 0)."""
        law = get_family(self.family)
        x = np.asarray(load, dtype=float)
        if not (x > 0).all():
            raise InputError(f"`load` must be greater than 0 kN, got {load!r}.")
        out = law.standard.cdf((law.transform(x) - self.location) / self.spread)
        return float(out) if x.ndim == 0 else np.asarray(out)

    def __str__(self) -> str:
        who = f"{self.group}: " if self.group else ""
        if self.family == "weibull":
            what = f"Weibull with shape {self.shape:.3g} and scale {self.scale:.4g} kN"
        elif self.family == "normal":
            what = f"normal with mean {self.location:.4g} kN and standard deviation {self.spread:.3g} kN"
        else:
            what = f"lognormal with median {np.exp(self.location):.4g} kN and log spread {self.spread:.3g}"
        known = " (spread given, not fitted)" if self.shape_known else ""
        return f"{who}{what}{known}, fitted to {self.n} specimens of which {self.n_broken} broke."


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FitMany:
    """Fits of a batch: arrays of shape (B,), NaN where there is no fit; ``reason(i)`` then says why."""

    location: Array
    spread: Array
    loglik: Array
    n: NDArray[np.int64]
    n_broken: NDArray[np.int64]
    status: NDArray[np.int8]

    def reason(self, row: int) -> str:
        """Why row ``row`` has no fit; empty where it has one."""
        return STATUS_TEXT[int(self.status[row])]


@door
def fit_many(load: ArrayLike, broke: ArrayLike | None = None, family: str | Family = "weibull") -> FitMany:
    """Fit a batch of samples at once.

    Parameters
    ----------
    load : array_like, shape (B, n)
        Loads in kN (or any one unit), greater than 0; NaN pads shorter samples.
    broke : array_like of bool, shape (B, n), optional
        True where the specimen broke, False where it held. Default: all broke.
    family : str or Family

    Returns
    -------
    FitMany
        NaN with a reason where no maximum exists: no specimen broke, or every break is tied with the largest load.

    See Also
    --------
    fit : one sample.
    many.lower_bound : lower bounds of a batch.

    Examples
    --------
    >>> many = fit_many([[20.1, 22.4, 23.0, np.nan], [18.0, 18.0, 18.0, 18.0]])
    >>> many.n.tolist(), many.reason(1)
    ([3, 4], 'every break is tied with the largest load')
    """
    law = get_family(family)
    x = np.atleast_2d(np.asarray(load, dtype=np.float64))
    flags = None if broke is None else np.atleast_2d(np.asarray(broke, dtype=bool))
    rows = x.shape[0] if x.ndim != 2 or x.size <= 2 * _CHUNK else max(1, _CHUNK // x.shape[1])
    parts = []
    for i in range(0, max(x.shape[0], 1), max(rows, 1)):
        s = prepare(x[i : i + rows], None if flags is None else flags[i : i + rows], law)
        parts.append((*maximise(s, law), s.n, s.r))
    location, spread, loglik, status, n, r = (np.concatenate(each) for each in zip(*parts, strict=True))
    return FitMany(location=location, spread=spread, loglik=loglik, n=n, n_broken=r, status=status)


@door
def fit(sample: SampleLike, family: str | Family = "weibull", *, shape: float | None = None) -> Fit:
    """Fit one strength distribution by right-censored maximum likelihood.

    Parameters
    ----------
    sample : Sample or array_like
        Loads in kN; specimens that held are right-censored, breaks between two loads interval-censored.
    family : str or Family
        "weibull", "normal" or "lognormal".
    shape : float, optional
        Known Weibull shape (greater than 0), from earlier series; only the scale is then fitted.

    Returns
    -------
    Fit

    Raises
    ------
    NoAnswerError
        If no specimen broke, or every break is tied with the largest load, so that the likelihood has no maximum.
    InputError
        If ``shape`` is given for another distribution than the Weibull, or is not positive.

    See Also
    --------
    lower_bound : what may be claimed from the sample.
    plot.probability : the fit on probability paper.
    checks.goodness_of_fit : is the distribution contradicted.
    many.fit : many samples at once.

    References
    ----------
    Lawless, Statistical Models and Methods for Lifetime Data, 2nd ed., chapters 4 and 5 (from memory).

    Examples
    --------
    >>> distribution = fit(Sample([24.1, 25.3, 22.8, 26.0, 23.9]))
    >>> round(distribution.shape, 1), round(distribution.scale, 2)
    (24.4, 24.96)
    """
    sample = as_sample(sample)
    law = get_family(family)
    if shape is not None:
        return _fit_known_shape(sample, law, shape)
    if sample.n_between:
        return _record(sample, law, *fit_between(sample, law))
    location, spread, loglik, status = maximise(prepare(sample.load, sample.broke, law), law)
    if status[0] != OK:
        raise NoAnswerError(
            f"{sample.who}: no {name_of(law.name)} distribution can be fitted, since {STATUS_TEXT[int(status[0])]} "
            f"({sample.n_broken} of {sample.n} broke). Test on until loads at break differ, or give `shape=` from an "
            "earlier series."
        )
    return _record(sample, law, float(location[0]), float(spread[0]), float(loglik[0]))


def _record(sample: Sample, law: Family, location: float, spread: float, loglik: float) -> Fit:
    return Fit(
        group=sample.label,
        family=law.name,
        location=location,
        spread=spread,
        loglik=loglik,
        n=sample.n,
        n_broken=sample.n_broken,
    )


def _fit_known_shape(sample: Sample, law: Family, shape: float) -> Fit:
    if law.name != "weibull":
        raise InputError(f"`shape` belongs to the weibull distribution, got family {law.name!r}.")
    if not (np.isfinite(shape) and shape > 0):
        raise InputError(f"`shape` must be a finite number greater than 0, got {shape!r}.")
    if sample.n_broken == 0:
        raise NoAnswerError(
            f"{sample.who}: none of {sample.n} specimens broke, so even with a known shape no scale can be fitted; "
            "a lower bound can: see lower_bound(..., shape=...)."
        )
    s = prepare(sample.load, sample.broke, law)
    k = float(shape) * s.scale[0]
    top = s.z.max()
    location = top + (np.log(np.exp(k * (s.z[0] - top)).sum()) - np.log(s.r[0])) / k
    loglik = log_likelihood(s, law, np.array([location]), np.array([1 / k]))
    return Fit(
        group=sample.label,
        family=law.name,
        location=float(s.centre[0] + s.scale[0] * location),
        spread=1 / float(shape),
        loglik=float(loglik[0]),
        n=sample.n,
        n_broken=sample.n_broken,
        shape_known=True,
    )
