"""True coverage of the lower bound, by simulation: n, survivors, distributions of the held loads, families, bases,
confidence.

Run ``python tests/truth/coverage.py`` from the top folder (about 15 minutes on 2 cores); it writes ``coverage.csv``
beside this file and ``coverage.png``. Every cell has a seed of its own, so the table does not depend on the number of
workers. A bound covers when the confidence found at the true percentile does not exceed the nominal one: one
evaluation of the confidence distribution a sample gives the coverage at every confidence. The distribution is taken as
it is, without the calibration for specimens held early, which never raises a bound: for that see ``early_holds.py``.
"""

from __future__ import annotations

import argparse
import csv
from pathlib import Path

import numpy as np

from lowtail._shared.parallel import run, seeds
from lowtail.many import confidence_that as confidence_many
from lowtail.models.bounds.likelihood_bounds import large_sample_many
from lowtail.models.distributions.families import get_family

HERE = Path(__file__).parent
SIZES = (3, 4, 5, 7, 10, 15, 30)
HELD = (0.0, 0.2, 0.4, 0.6)
LAWS = ("type II", "same", "twice", "half", "normal", "fixed")
FRACTIONS = (0.01, 0.05, 0.10)
CONFIDENCES = (0.75, 0.90, 0.95)
FIELDS = (
    "family", "n", "held", "law", "fraction_below", "confidence", "repetitions", "answered", "coverage", "error",
    "large_sample",
)  # fmt: skip


def held_loads(family, law, share, size, rng):
    """Loads (in spreads, on the y axis) at which another part gives way; ``share`` of specimens then hold."""
    standard = family.standard
    width = {"same": 1.0, "twice": 2.0, "half": 0.5, "normal": 1.0, "fixed": 0.0}[law]
    make = np.random.default_rng(1234)
    other = standard if law != "normal" else get_family("normal").standard
    strength = standard.rvs(size=400_000, random_state=make)
    loads = width * other.rvs(size=400_000, random_state=make)
    shift = np.quantile(strength - loads, 1 - share)
    return shift + width * other.rvs(size=size, random_state=rng)


def cell(family_name, n, share, law, repetitions, seed):
    """One cell: coverage at every content and confidence."""
    family = get_family(family_name)
    rng = np.random.default_rng(seed)
    strength = family.standard.rvs(size=(repetitions, n), random_state=rng)
    if law == "type II":  # the series is stopped after a set number of breaks
        limit = np.sort(strength, axis=1)[:, max(round((1 - share) * n), 2) - 1, None]
    elif share:
        limit = held_loads(family, law, share, (repetitions, n), rng)
    else:
        limit = np.full((repetitions, n), np.inf)
    y, broke = np.minimum(strength, limit), strength <= limit
    load, log_family = np.exp(y), "lognormal" if family_name == "normal" else family_name
    rows = []
    for fraction in FRACTIONS:
        true = float(np.exp(family.quantile(fraction)))
        shown = confidence_many(load, broke, log_family, true, fraction, calibrated=False)
        kept = np.isfinite(shown)
        for confidence in CONFIDENCES:
            hit = (shown[kept] <= confidence).mean()
            usual = (large_sample_many(load[kept], broke[kept], log_family, fraction, confidence) <= true).mean()
            error = np.sqrt(confidence * (1 - confidence) / kept.sum())
            rows.append(
                (
                    family_name,
                    n,
                    share,
                    law if share else "none",
                    fraction,
                    confidence,
                    repetitions,
                    int(kept.sum()),
                    round(float(hit), 5),
                    round(float(error), 5),
                    round(float(usual), 5),
                )
            )
    return rows


def cells(quick):
    """The grid; the normal distribution with survivors costs most and has fewer repetitions and sizes."""
    for family in ("weibull", "normal"):
        for n in SIZES:
            for share in HELD:
                for law in LAWS if share else ("none",):
                    slow = family == "normal" and share > 0
                    if slow and law != "type II" and n not in (3, 5, 10, 15):
                        continue
                    full = (4_000 if law == "type II" else 1_500) if slow else 20_000
                    yield family, n, share, law, (300 if quick else full)


def study(family, jobs=-1, quick=False, progress=None):
    """Every cell of one family, in order."""
    todo = list(cells(quick))
    tasks = [(*one, seed) for one, seed in zip(todo, seeds(20240, len(todo)), strict=True) if one[0] == family]
    rows = run(cell, tasks, n_jobs=jobs, progress=progress, label=f"coverage, {family}")
    return [row for each in rows for row in each]


def draw(rows, path):
    """The figure: what 95 % really means, ours beside the usual large-sample bound."""
    import matplotlib.pyplot as plt

    from lowtail.report.style import quiet

    with quiet():
        fig, axes = plt.subplots(1, 2, figsize=(8, 3.4), sharey=True)
        for ax, family in zip(axes, ("weibull", "normal"), strict=True):
            pick = [r for r in rows if r[0] == family and r[4] == 0.01 and r[5] == 0.95]
            for share, marker, colour in ((0.0, "o", "#17456b"), (0.4, "s", "#c4661f")):
                law = "none" if share == 0 else "same"
                line = [r for r in pick if r[2] == share and r[3] == law]
                n = [r[1] for r in line]
                ax.plot(n, [100 * r[8] for r in line], marker=marker, color=colour, label=f"lowtail, {share:.0%} held")
                ax.plot(n, [100 * r[10] for r in line], marker=marker, ls="--", mfc="white", color=colour,
                        label=f"large-sample bound, {share:.0%} held")  # fmt: skip
            ax.axhline(95, lw=0.8, color="black")
            ax.set(xscale="log", ylim=(55, 100), title=family, xlabel="specimens")
            ax.set_xticks(SIZES, [str(n) for n in SIZES])
            ax.minorticks_off()
        axes[0].set_ylabel("true coverage of a '95 %' bound\non the 1 % strength [%]")
        axes[1].legend(fontsize=7, loc="lower right")
        fig.tight_layout()
        fig.savefig(path, dpi=150, metadata={"Software": None})


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--jobs", type=int, default=-1)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--out", type=Path, default=HERE)
    options = parser.parse_args()
    rows = []
    for family in ("weibull", "normal"):
        rows += study(family, options.jobs, options.quick, progress=True)
        with (options.out / "coverage.csv").open("w", newline="") as file:
            writer = csv.writer(file, lineterminator="\n")
            writer.writerow(FIELDS)
            writer.writerows(rows)
    draw(rows, options.out / "coverage.png")


def redraw():
    """The figure again, from the committed table."""
    with (HERE / "coverage.csv").open() as file:
        table = list(csv.reader(file))[1:]
    draw([(r[0], int(r[1]), float(r[2]), r[3], *map(float, r[4:])) for r in table], HERE / "coverage.png")


if __name__ == "__main__":
    main()
