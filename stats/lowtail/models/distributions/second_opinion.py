"""A second opinion: the same fit by general-purpose libraries, and how many digits agree.

The libraries run inside a guard, since importing and calling them changes settings of the whole process: pandas
options, numpy's error state, warning filters, matplotlib settings and figures, and what is printed.
"""

from __future__ import annotations

import contextlib
import io
import warnings
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lowtail._shared.checks import door
from lowtail._shared.record import Record
from lowtail._shared.sample import Sample, SampleLike, as_sample
from lowtail.errors import InputError, LowtailWarning
from lowtail.models.distributions.families import Family, get_family, name_of
from lowtail.models.distributions.fit import Fit, fit

__all__ = ["SecondOpinion", "guarded", "second_opinion"]

Array = NDArray[np.float64]
LARGEST_DIFFERENCE = 1e-3
LIBRARIES = ("reliability", "scipy", "statsmodels")

_SAID = 6  # digits a sentence speaks of: what lies beyond differs from one processor to the next


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SecondOpinion(Record):
    """The fit of lowtail beside the same fit by other libraries.

    Attributes
    ----------
    group, family : str
    n, n_broken : int
    digits : int
        Digits in which every library that answered agrees with lowtail (0: none, or no library answered).
    largest_difference : float
        Largest difference in the spread (relative) and in the strengths at 1 % and 50 % (over the strength at 50 %);
        NaN where no library answered.
    agrees : bool
        True where at least one library answered and no difference exceeds 0.001.
    table : DataFrame
        One row a library: library, version, location, spread, strength_1, strength_50 (kN), difference, remark.
    notes : tuple of str
        Who disagrees and who could not answer, and why.
    """

    group: str
    family: str
    n: int
    n_broken: int
    digits: int
    largest_difference: float
    agrees: bool
    table: pd.DataFrame
    notes: tuple[str, ...]

    def __str__(self) -> str:
        who = f"{self.group}: " if self.group else ""
        answered = self.table.loc[self.table["difference"].notna() & (self.table["library"] != "lowtail"), "library"]
        if answered.empty:
            return f"{who}no other library could fit the {name_of(self.family)} distribution. {' '.join(self.notes)}"
        names = " and ".join([", ".join(answered[:-1]), answered.iloc[-1]] if len(answered) > 1 else answered)
        if self.agrees:
            return (
                f"{who}the {name_of(self.family)} fit agrees with {names} to at least {min(self.digits, _SAID)} digits."
            )
        return (
            f"{who}THE {name_of(self.family)} FITS DISAGREE: {names} differ from lowtail by up to "
            f"{self.largest_difference:.2g} (relative). {' '.join(self.notes)}"
        )


def _options(node: Any, prefix: str = "") -> dict[str, Any]:
    found: dict[str, Any] = {}
    for name in dir(node):
        value = getattr(node, name)
        if type(value) is type(node):
            found.update(_options(value, f"{prefix}{name}."))
        else:
            found[prefix + name] = value
    return found


@contextlib.contextmanager
def guarded() -> Iterator[None]:
    """Restore on exit what a library may change for the whole process, and swallow what it prints.

    Covers every pandas option, numpy's error state and legacy random state, the warning filters, matplotlib's settings,
    open figures and current figure, standard output and standard error.
    """
    import pandas as pd
    from matplotlib import pyplot as plt
    from matplotlib import rc_context

    with contextlib.ExitStack() as stack:
        stack.enter_context(warnings.catch_warnings())
        warnings.simplefilter("ignore")
        before = _options(pd.options)
        figures, current = plt.get_fignums(), (plt.gcf().number if plt.get_fignums() else None)
        random_state = np.random.get_state()  # noqa: NPY002 - the state belongs to the caller
        stack.enter_context(rc_context())
        stack.enter_context(np.errstate())
        stack.enter_context(contextlib.redirect_stdout(io.StringIO()))
        stack.enter_context(contextlib.redirect_stderr(io.StringIO()))
        try:
            yield
        finally:
            for number in set(plt.get_fignums()) - set(figures):
                plt.close(number)
            if current is not None:
                plt.figure(current)
            np.random.set_state(random_state)  # noqa: NPY002
            for name, value in _options(pd.options).items():
                if value is not before.get(name) and value != before.get(name):
                    pd.set_option(name, before[name])


# Each library answers (location, spread) of y on loads divided by their median, with its version.


def _by_reliability(failed: Array, held: Array, law: Family) -> tuple[float, float, str]:
    import reliability
    from reliability import Fitters

    fitter = {"weibull": "Fit_Weibull_2P", "normal": "Fit_Normal_2P", "lognormal": "Fit_Lognormal_2P"}[law.name]
    quiet = {"show_probability_plot": False, "print_results": False}
    # its default optimiser at times stops short: keep whichever of two reaches the higher likelihood
    fits = [
        getattr(Fitters, fitter)(
            failures=failed.tolist(), right_censored=held.tolist() or None, optimizer=optimizer, **quiet
        )
        for optimizer in (None, "nelder-mead")
    ]
    best = max(fits, key=lambda f: float(f.loglik))
    if law.name == "weibull":
        return float(np.log(best.alpha)), 1 / float(best.beta), _version(reliability)
    return float(best.mu), float(best.sigma), _version(reliability)


def _by_scipy(failed: Array, held: Array, law: Family) -> tuple[float, float, str]:
    import scipy
    from scipy import optimize, stats

    def search(func: Callable[..., float], x0: Any, args: Any = (), disp: int = 0) -> Any:
        return optimize.fmin(func, x0, args=args, disp=0, xtol=1e-10, ftol=1e-13, maxiter=4000, maxfun=8000)

    weibull, lognormal, normal = _as_any(stats.weibull_min), _as_any(stats.lognorm), _as_any(stats.norm)
    data = stats.CensoredData(uncensored=failed, right=held)
    if law.name == "weibull":
        shape, _, scale = weibull.fit(data, floc=0, optimizer=search)
        return float(np.log(scale)), 1 / float(shape), _version(scipy)
    if law.name == "lognormal":
        spread, _, scale = lognormal.fit(data, floc=0, optimizer=search)
        return float(np.log(scale)), float(spread), _version(scipy)
    options = {"optimizer": search} if held.size else {}
    location, spread = normal.fit(data, **options)
    return float(location), float(spread), _version(scipy)


def _by_statsmodels(failed: Array, held: Array, law: Family) -> tuple[float, float, str]:
    import statsmodels
    import statsmodels.api as sm

    if law.name == "weibull":
        raise ValueError("it has no Weibull fit of a single sample")
    if held.size:
        raise ValueError("its normal theory takes no specimens that held")
    y = law.transform(failed)
    result = sm.OLS(y, np.ones_like(y)).fit()
    return float(result.params[0]), float(np.sqrt(result.ssr / y.size)), _version(statsmodels)


def _as_any(thing: Any) -> Any:
    return thing


def _version(module: Any) -> str:
    from importlib.metadata import version

    return version(module.__name__)


_LIBRARIES: dict[str, Callable[[Array, Array, Family], tuple[float, float, str]]] = {
    "reliability": _by_reliability,
    "scipy": _by_scipy,
    "statsmodels": _by_statsmodels,
}


def _strengths(law: Family, location: float, spread: float, unit: float) -> Array:
    return np.asarray(law.inverse(location + spread * law.quantile(np.array([0.01, 0.50]))) * unit)


def _row(library: str, answer: tuple[float, float, str], law: Family, ours: Fit, unit: float) -> dict[str, object]:
    location, spread, version = answer
    strength = _strengths(law, location, spread, unit)
    own = _strengths(law, ours.location, ours.spread, 1.0)
    on_y = location + np.log(unit) if law.on_log else location * unit
    spread_y = spread if law.on_log else spread * unit
    difference = np.array([spread_y / ours.spread - 1, *((strength - own) / own[1])])
    return {
        "library": library,
        "version": version,
        "location": on_y,
        "spread": spread_y,
        "strength_1": strength[0],
        "strength_50": strength[1],
        "difference": float(np.abs(difference).max()),
        "remark": "",
    }


@door
def second_opinion(
    sample: SampleLike, family: str | Family = "weibull", *, libraries: Sequence[str] = LIBRARIES
) -> SecondOpinion:
    """Fit the sample again by `reliability`, scipy and, for complete normal and lognormal samples, statsmodels.

    The loads are divided by their median first, since the searches of these libraries depend on the unit. Every
    library runs inside `guarded`; nothing it changes outlives the call. A difference beyond 0.001 is warned of and kept
    on the record; so is a library that cannot answer.

    Parameters
    ----------
    sample : Sample or array_like
        Loads in kN; specimens that held are right-censored.
    family : str or Family
        "weibull", "normal" or "lognormal".
    libraries : sequence of {"reliability", "scipy", "statsmodels"}
        Whom to ask.

    Returns
    -------
    SecondOpinion

    Raises
    ------
    InputError
        If a library is not one of these.
    NoAnswerError
        If lowtail itself has no fit: no specimen broke, or every break is tied with the largest load.

    Warns
    -----
    LowtailWarning
        If a library differs by more than 0.001.

    See Also
    --------
    fit : the fit that is checked.

    Examples
    --------
    >>> opinion = second_opinion(Sample([24.1, 25.3, 22.8, 26.0, 23.9], label="steel oval"), "normal")
    >>> opinion.agrees, opinion.digits >= 5
    (True, True)
    """
    sample = as_sample(sample)
    import pandas as pd

    for name in libraries:
        if name not in _LIBRARIES:
            raise InputError(f"`libraries` must be among {', '.join(map(repr, LIBRARIES))}, got {name!r}.")
    law = get_family(family)
    ours = fit(sample, law)
    unit = float(np.median(sample.load))
    failed, held = sample.load[sample.broke] / unit, sample.load[~sample.broke] / unit
    shift = np.log(unit) if law.on_log else 0.0
    own = ((ours.location - shift, ours.spread) if law.on_log else (ours.location / unit, ours.spread / unit)) + (
        _own_version(),
    )
    rows = [_row("lowtail", own, law, ours, unit)]
    notes: list[str] = []
    for name in libraries:
        ask = _LIBRARIES[name]
        try:
            with guarded():
                answer = ask(failed, held, law)
            row = _row(name, answer, law, ours, unit)
        except Exception as error:  # whatever a library raises is its answer, and is shown
            reason = f"{name} gives no answer: {str(error).strip() or type(error).__name__}."
            empty = dict.fromkeys(("location", "spread", "strength_1", "strength_50", "difference"), float("nan"))
            row = {"library": name, "version": "", **empty, "remark": reason}
            notes.append(reason)
        rows.append(row)
    table = pd.DataFrame(rows)
    return _judge(sample, law, table, notes)


def _own_version() -> str:
    import lowtail

    return lowtail.__version__


def _judge(sample: Sample, law: Family, table: pd.DataFrame, notes: list[str]) -> SecondOpinion:
    others = table[table["library"] != "lowtail"].dropna(subset="difference")
    worst = float(others["difference"].max()) if len(others) else float("nan")
    agrees = bool(worst <= LARGEST_DIFFERENCE)
    digits = 0 if not len(others) else int(np.clip(np.floor(-np.log10(max(worst, 1e-15))), 0, 15))
    for row in others[others["difference"] > LARGEST_DIFFERENCE].itertuples():
        notes.append(f"{row.library} {row.version} differs by {row.difference:.2g}.")
    if len(others) and not agrees:
        message = (
            f"{sample.who}: other libraries fit the {name_of(law.name)} distribution differently. {' '.join(notes)}"
        )
        warnings.warn(message, LowtailWarning, stacklevel=3)
    return SecondOpinion(
        group=sample.label,
        family=law.name,
        n=sample.n,
        n_broken=sample.n_broken,
        digits=digits,
        largest_difference=worst,
        agrees=agrees,
        table=table,
        notes=tuple(notes),
    )
