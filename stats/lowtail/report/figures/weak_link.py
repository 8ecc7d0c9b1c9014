"""The parts of an assembly and the assembly itself: chance of a break against load, and which part fails first."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from scipy import special

from lowtail._shared.checks import door
from lowtail.claims.parts.weak_link import WeakLink
from lowtail.models.distributions.families import get_family
from lowtail.report import phrases, style

__all__ = ["weak_link"]

_DASHES = ("-", (0, (5, 2)), (0, (1.5, 1.5)), (0, (6, 2, 1.5, 2)), (0, (3, 1)))


@door
def weak_link(answer: WeakLink, ax: Axes | None = None) -> Axes:
    """Draw the fraction broken against load for each component and for the whole assembly.

    The thick line is the assembly, always above every component's line. The tick is the assembly's lower bound, drawn
    at its fraction below. The legend names the share of assemblies in which each component fails first.

    Parameters
    ----------
    answer : WeakLink
    ax : matplotlib Axes, optional

    Returns
    -------
    matplotlib Axes

    Raises
    ------
    InputError
        If ``answer`` is not a WeakLink.

    See Also
    --------
    parts.weak_link : the answer drawn.
    plot.save : write the figure.

    Examples
    --------
    >>> import matplotlib; matplotlib.use("Agg")
    >>> import lowtail as lt
    >>> tests = {"sling": lt.Sample([21.0, 22.4, 23.1, 20.2, 22.0]), "fuse": lt.Sample([24.0, 24.4, 23.8, 24.1])}
    >>> axes = lt.plot.weak_link(lt.parts.weak_link(tests, size=1000))
    >>> axes.get_ylabel()
    'broken at this load'
    """
    law = get_family(answer.family)
    left = min(answer.strength_below(0.002), answer.low if answer.low > 0 else np.inf)
    right = float(law.inverse(float((answer.location + law.quantile(0.97) * answer.spread).max())))
    load = np.linspace(max(0.97 * left, 1e-3), right, 300)
    first = answer.components["goes_first"].to_numpy()
    with style.quiet():
        ax = style.new_axes(ax, 6.2, 4.0)
        ax.grid(True, axis="both")
        for j, name in enumerate(answer.names):
            look = style.LOOKS[j % len(style.LOOKS)]
            z = (law.transform(load) - answer.location[j]) / answer.spread[j]
            one = np.exp(np.minimum(z, 50.0)) if law.name == "weibull" else -special.log_ndtr(-z)
            many = f"{int(answer.count[j])} x " if answer.count[j] > 1 else ""
            ax.plot(
                load, -np.expm1(-answer.count[j] * one), color=look.colour, linestyle=_DASHES[j % len(_DASHES)],
                gid="component", label=f"{many}{name}: fails first in {phrases.percent(round(float(first[j]), 2))}",
            )  # fmt: skip
        whole = [answer.fraction_weaker(float(x)) for x in load]
        ax.plot(load, whole, color=style.INK, linewidth=2.4, gid="assembly", label=_whole(answer))
        if answer.low > 0:
            ax.plot(
                [answer.low], [answer.fraction_below], linestyle="none", gid="low",
                label=f"lower bound, {100 * answer.confidence:g} % confidence", **style.bound(),
            )  # fmt: skip
        ax.set_ylim(0, 1.03)
        ax.set_xlim(load[0], load[-1])
        ax.yaxis.set_major_formatter(lambda value, _position: phrases.percent(round(value, 6)))
        ax.set_xlabel("load [kN]")
        ax.set_ylabel("broken at this load")
        ax.set_title(style.wrap_title(answer.group or "weak link", 60))
        ax.legend(loc="upper left", bbox_to_anchor=(0.0, -0.15), ncols=2, borderaxespad=0.2)
    return ax


def _whole(answer: WeakLink) -> str:
    return "specimen and rig together" if answer.of_rig else answer.assembly or "assembly"
