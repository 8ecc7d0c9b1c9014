"""The plan curve: the chance of backing a claim against the number of specimens."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from lowtail._shared.checks import door
from lowtail.claims.planning.core.plan import Plan
from lowtail.errors import InputError
from lowtail.report import phrases, style

__all__ = ["plan"]


@door
def plan(plan: Plan, ax: Axes | None = None) -> Axes:
    """Draw the chance of success against the number of specimens, with the assurance asked for and the answer.

    The dotted line is the highest attainable chance: the share of simulated populations in which an endless series
    would reach the claim. Where it lies under the chance asked for, testing more will probably not help.

    Parameters
    ----------
    plan : Plan
    ax : matplotlib Axes, optional

    Returns
    -------
    matplotlib Axes

    Raises
    ------
    InputError
        If ``plan`` is not a Plan, or its curve is empty.

    See Also
    --------
    plan.new_series : a plan for a new series.
    plan.more_samples : a plan with specimens in hand.
    plot.save : write the figure.

    Examples
    --------
    >>> import matplotlib; matplotlib.use("Agg")
    >>> import lowtail as lt
    >>> axes = lt.plot.plan(lt.plan.zero_failure(0.90))
    >>> axes.get_xlabel()
    'specimens'
    """
    if plan.curve.empty:
        raise InputError("`plan` has an empty curve: there is nothing to draw.")
    n = plan.curve["n"].to_numpy(dtype=float)
    chance = plan.curve["chance"].to_numpy(dtype=float)
    error = plan.curve["mc_error"].fillna(0).to_numpy(dtype=float)
    look = style.LOOKS[0]
    with style.quiet():
        own = ax is None
        ax = style.new_axes(ax, 5.6, 3.5)
        ax.grid(True, axis="both")
        if (error > 0).any():
            ax.fill_between(
                n, chance - 2 * error, chance + 2 * error, color=style.BAND, linewidth=0, label="2 simulation errors"
            )
        ax.plot(
            n, chance, color=look.colour, marker=look.marker, markersize=3.5, gid="chance", label="chance of success"
        )
        ax.axhline(
            plan.assurance, gid="assurance", label=f"asked for: {phrases.percent(plan.assurance)}", **style.rating()
        )
        if np.isfinite(plan.ceiling) and plan.ceiling < 0.995:
            ax.axhline(plan.ceiling, color=style.MUTED, linestyle=":", gid="ceiling", label="highest attainable")
        ax.set_ylim(0, 1.06)
        room = 0.25 * np.ptp(n) if plan.n is not None and plan.n > n.min() + 0.75 * np.ptp(n) else 0.0
        ax.set_xlim(max(n.min() - 0.5, -0.5), n.max() + 0.5 + room)
        _answer(ax, plan)
        ax.yaxis.set_major_formatter(lambda value, _position: phrases.percent(round(value, 6)))
        ax.xaxis.set_major_locator(MaxNLocator(integer=True))
        ax.set_xlabel(_axis(plan))
        ax.set_ylabel("chance that the claim is shown")
        ax.set_title(style.wrap_title(f"{plan.group}: {plan.claim}" if plan.group else plan.claim, 60))
        ax.legend(loc="upper left", bbox_to_anchor=(0.0, -0.19), ncols=2, borderaxespad=0.2)
        if own:
            style.fixed_layout(ax, left=0.75, right=0.2, top=0.5, bottom=1.05)
    return ax


def _axis(plan: Plan) -> str:
    if plan.unit == "batch":
        return f"further batches of {plan.per_batch}"
    return "further specimens" if plan.n_now else "specimens"


def _answer(ax: Axes, plan: Plan) -> None:
    """Mark the smallest number that reaches the assurance; its words stand where there is no curve: right, under it."""
    if plan.n is None:
        return
    ax.plot(
        [plan.n], [plan.chance], marker="o", markersize=10, markerfacecolor="none", markeredgecolor=style.INK,
        markeredgewidth=1.6, linestyle="none", gid="answer",
    )  # fmt: skip
    ax.annotate(
        f"{plan.n} more" if plan.n_now else phrases.count(plan.n, "specimen"),
        (plan.n, min(plan.chance, plan.assurance)), xytext=(6, -5), textcoords="offset points", ha="left", va="top",
        fontweight="bold",
    )  # fmt: skip
