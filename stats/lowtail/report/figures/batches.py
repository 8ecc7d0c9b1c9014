"""One group, batch by batch, with the bound that takes the batches together and the one over batches to come."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes

from lowtail._shared.checks import door
from lowtail._shared.sample import Sample
from lowtail.claims.basis import Basis, get_basis
from lowtail.claims.strength.batches import batch_bound
from lowtail.claims.strength.lower_bound import lower_bound
from lowtail.errors import InputError, NoAnswerError
from lowtail.models.distributions.families import Family, get_family
from lowtail.report import phrases, style
from lowtail.report.figures.breaks import breaks as plot_breaks

__all__ = ["batches"]


@door
def batches(
    sample: Sample, ax: Axes | None = None, *, basis: str | Basis = "B-basis", family: str | Family = "weibull"
) -> Axes:
    """Draw every specimen of one group by batch, with both lower bounds where the data carry them.

    Parameters
    ----------
    sample : Sample
        With its ``batch`` filled and at least 2 batches.
    ax : matplotlib Axes, optional
    basis, family
        Of the two bounds: batches taken together (solid), and over batches to come (dashed).

    Raises
    ------
    InputError
        If the sample names fewer than 2 batches.

    See Also
    --------
    batch_bound : the bound over batches.
    checks.pooling : do the batches differ.

    Examples
    --------
    >>> import matplotlib; matplotlib.use("Agg")
    >>> axes = batches(Sample([24.1, 25.3, 22.8, 23.9, 21.8, 22.4], batch=list("PPPQQQ")))
    >>> [t.get_text() for t in axes.get_yticklabels()]
    ['batch P', 'batch Q']
    """
    names = [] if sample.batch is None else list(dict.fromkeys(str(b) for b in sample.batch))
    if len(names) < 2:
        raise InputError(f"{sample.who}: a figure of batches needs at least 2 named batches, got {len(names)}.")
    wanted, law = get_basis(basis), get_family(family)
    label = np.array([str(b) for b in sample.batch]) if sample.batch is not None else np.array([])
    parts = [
        Sample(sample.load[label == name], sample.broke[label == name], label=f"batch {name or 'not named'}")
        for name in names
    ]
    ax = plot_breaks(parts, ax)
    bounds: list[tuple[float, str, str]] = []
    try:
        bounds.append((lower_bound(sample, wanted, family=law).low, "batches taken together", "-"))
        over = batch_bound(sample, wanted.fraction_below, wanted.confidence, law)
        bounds.append((over.low, "over batches to come", "--"))
    except NoAnswerError:
        pass  # the specimens are drawn all the same; the table and its notes say why there is no bound
    with style.quiet():
        for low, words, line in bounds:
            name = f"{wanted.name}, {words}: {phrases.down(low)} kN"
            ax.axvline(low, color=style.INK, linestyle=line, linewidth=1.3, label=name, gid="bound")
        if bounds:
            ax.figure.legend(*ax.get_legend_handles_labels(), loc="outside lower center", frameon=False, fontsize=8)
    return ax
