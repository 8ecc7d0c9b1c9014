"""Probability plot: the breaks against the fitted strength distribution, with the confidence band of the low tail."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from lowtail._shared.checks import door
from lowtail._shared.sample import Sample
from lowtail.errors import NoAnswerError
from lowtail.models.confidence.distribution import confidence_distribution
from lowtail.models.distributions.empirical import plotting_positions
from lowtail.models.distributions.families import Family, get_family
from lowtail.models.distributions.fit import Fit, fit
from lowtail.report import phrases, style

__all__ = ["probability"]

_TICKS = (0.01, 0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.99)
_LINE = np.concatenate([np.geomspace(0.005, 0.1, 20), np.linspace(0.12, 0.98, 30)])
_KNOTS = np.array([0.005, 0.02, 0.07, 0.2, 0.4, 0.65, 0.85, 0.98])  # the band is computed here and drawn smoothly


@door
def probability(
    fit_or_sample: Fit | Sample,
    ax: Axes | None = None,
    *,
    family: str | Family = "weibull",
    confidence: float = 0.95,
    fractions: tuple[float, ...] = (0.01, 0.10),
    lbf: bool = True,
) -> Axes:
    """Draw breaks at their plotting positions, the fitted distribution and its confidence band on probability paper.

    On this paper the fitted distribution is a straight line. The left edge of the band is the one-sided lower bound of
    each low strength at ``confidence``; the right edge is the upper one. Specimens that held have no plotting position:
    they stand as open markers with an arrow along the top edge, and push the other positions.

    Parameters
    ----------
    fit_or_sample : Fit or Sample
        A fitted distribution (drawn without specimens or band where it carries no sample), or the sample itself.
    ax : matplotlib Axes, optional
    family : {"weibull", "normal", "lognormal"}
        Distribution to fit when a sample is given.
    confidence : float
        One-sided confidence of each edge of the band, between 0.5 and 1.
    fractions : tuple of float
        Fractions below whose lower bound is marked by a tick.
    lbf : bool
        Add a pound-force scale along the top.

    Returns
    -------
    matplotlib Axes

    Raises
    ------
    InputError
        If something else than a Fit or a Sample is given.
    NoAnswerError
        If fewer than two different loads at break leave nothing to fit.

    See Also
    --------
    fit : the line.
    checks.plotting_positions : the points.
    checks.goodness_of_fit : the test.
    plot.save : write the figure.

    Examples
    --------
    >>> import matplotlib; matplotlib.use("Agg")
    >>> import lowtail as lt
    >>> axes = lt.plot.probability(lt.Sample([24.1, 25.3, 22.8, 26.0, 23.9]))
    >>> axes.get_xlabel()
    'load [kN]'
    """
    sample = fit_or_sample if isinstance(fit_or_sample, Sample) else None
    law = fit(fit_or_sample, family) if isinstance(fit_or_sample, Sample) else fit_or_sample
    chosen = get_family(law.family)
    band = None if sample is None else _band(sample, chosen, confidence)
    with style.quiet():
        own = ax is None
        ax = style.new_axes(ax, 4.9, 4.7)
        _paper(ax, chosen, law, sample, band)
        height = chosen.quantile(_LINE)
        ax.plot(
            law.strength_below(_LINE),
            height,
            color=style.INK,
            gid="estimate",
            label="fitted distribution",
            zorder=2.5,
        )
        if sample is not None and band is not None:
            label = f"{phrases.percent(2 * confidence - 1)} band ({phrases.percent(confidence)} each side)"
            ax.fill_betweenx(
                height, band[:, 0], band[:, 1], color=style.BAND, linewidth=0, label=label, zorder=1, gid="band"
            )
            bound_law = confidence_distribution(sample, chosen)
            lows = [bound_law.low(p, confidence) for p in fractions]
            label = f"lower bounds at {phrases.join([phrases.percent(p) for p in fractions])}"
            ax.plot(
                lows, chosen.quantile(np.array(fractions)), linestyle="none", gid="low", zorder=4, label=label,
                **style.bound(),
            )  # fmt: skip
        if sample is not None:
            _specimens(ax, sample, chosen)
        name = f"{law_name(chosen)}{f': {sample.label}' if sample is not None and sample.label else ''}"
        ax.set_title(style.wrap_title(name, 44))
        if lbf:
            style.second_axis(ax)
        ax.legend(loc="upper center", bbox_to_anchor=(0.5, -0.15), ncols=2, handlelength=1.6, borderaxespad=0.2)
        if own:
            style.fixed_layout(ax, left=0.75, right=0.15, top=0.95 if lbf else 0.5, bottom=1.15)
    return ax


def law_name(family: Family) -> str:
    """Name of a distribution as a heading writes it."""
    return {
        "weibull": "Weibull distribution",
        "normal": "Normal distribution",
        "lognormal": "Lognormal distribution",
    }.get(family.name, family.name)


def _band(sample: Sample, family: Family, confidence: float) -> NDArray[np.float64] | None:
    """Limits of the low percentile at each fraction of the line, shape (m, 2); None where the data carry none."""
    try:
        law = confidence_distribution(sample, family)
    except NoAnswerError:
        return None
    edges = np.array([law.interval(float(p), 2 * confidence - 1) for p in _KNOTS])
    smooth = PchipInterpolator(family.quantile(_KNOTS), family.transform(edges), axis=0)
    return np.asarray(family.inverse(smooth(family.quantile(_LINE))))


def _paper(ax: Axes, family: Family, law: Fit, sample: Sample | None, band: NDArray[np.float64] | None) -> None:
    """Lay out probability paper: quantiles up the side in percent, load along the bottom."""
    from matplotlib.ticker import FixedLocator, NullFormatter, NullLocator

    loads = [float(law.strength_below(0.005)), float(law.strength_below(0.98))]
    if sample is not None:
        loads += [float(sample.load.min()), float(sample.load.max()) * (1.06 if sample.n_censored else 1.0)]
    low, high = min(loads), max(loads)
    if band is not None:
        low = max(min(low, float(band[0, 0])), 0.35 * low)
        high = min(max(high, float(band[-1, 1])), 1.25 * high)
    span = high - low
    if family.on_log:
        ax.set_xscale("log")
    ax.set_xlim(max(low - 0.04 * span, 0.02 * high), high + 0.06 * span)
    left, right = ax.get_xlim()
    ax.xaxis.set_major_locator(FixedLocator(style.nice_ticks(left, right)))
    ax.xaxis.set_minor_locator(NullLocator())
    ax.xaxis.set_minor_formatter(NullFormatter())
    ax.xaxis.set_major_formatter(lambda value, _position: f"{value:g}")
    ax.set_yticks([float(family.quantile(p)) for p in _TICKS], [phrases.percent(p) for p in _TICKS])
    ax.set_ylim(float(family.quantile(0.004)), float(family.quantile(0.995)))
    ax.grid(True, axis="both")
    ax.set_xlabel("load [kN]")
    ax.set_ylabel("share of the population weaker than this")


def _specimens(ax: Axes, sample: Sample, family: Family) -> None:
    look = style.look(family.name)
    places = plotting_positions(sample.load, sample.broke)
    points: dict[str, Any] = {"linestyle": "none", "zorder": 3}
    if sample.n_broken:
        ax.plot(places.load, family.quantile(places.fraction_below), label="broke", **style.broke(look), **points)
    if sample.n_censored:
        held = np.sort(sample.load[~sample.broke & ~sample.slipped])
        level = np.full(held.size, float(family.quantile(0.988)))
        ax.plot(held, level, **style.arrow(look), **points)
        ax.plot(held, level, label="held (at least this)", **style.held(look), **points)
    if sample.n_slipped:
        slid = np.sort(sample.load[sample.slipped])
        level = np.full(slid.size, float(family.quantile(0.988)))
        ax.plot(slid, level, label="slipped", **style.slipped(look), **points)
