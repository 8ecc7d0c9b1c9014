"""The cautions that the data earned, and the methods with their sources."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from lowtail._shared.caution import CAUTION, UNRELATED
from lowtail._shared.guard import Trouble
from lowtail._shared.sample import Sample
from lowtail.claims.basis import Basis
from lowtail.claims.strength.governing import NAMES
from lowtail.claims.strength.table import StrengthTable, column_of
from lowtail.logs.breaks.log import BreakLog
from lowtail.report import phrases
from lowtail.report.tables.blocks import Bullets, Prose, Section

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["cautions_section", "earned_cautions", "methods_section"]

_FEW = 5
_UNCHECKED = (
    "This page did not ask whether the breaks contradict the distribution, whether one specimen or one batch "
    "carries the "
    "answer, "
    "or whether strength falls with age. Write it with its checks before relying on it."
)


def cautions_section(
    log: BreakLog,
    samples: Sequence[Sample],
    table: StrengthTable,
    *,
    checked: bool = True,
    troubles: Sequence[Trouble] = (),
) -> Section:
    """What every such page must say, and what these data in particular have earned."""
    standing: tuple[str, ...] = (
        "Only the specimens listed were tested. Other batches, sizes, wear, age, temperature, wetness and ways of "
        "rigging were not, unless the table says so.",
        "A lower bound holds for the population the specimens were drawn from. Specimens picked because they looked "
        "sound, or looked worn, speak for nothing but their like.",
        "A confidence of 95 % is wrong in up to 1 series in 20, and a page with many groups may well hold one that is.",
    )
    if not checked:
        standing = (_UNCHECKED, *standing)
    return Section(
        "cautions",
        "Cautions",
        (Prose(CAUTION, "warn"), Bullets((*map(str, troubles), *earned_cautions(log, samples, table), *standing))),
    )


def earned_cautions(log: BreakLog, samples: Sequence[Sample], table: StrengthTable) -> list[str]:
    """Cautions that follow from this log: each names its number."""
    found = [*_on_numbers(samples, table), *_on_the_log(log)]
    return found


def _on_numbers(samples: Sequence[Sample], table: StrengthTable) -> list[str]:
    found = []
    few = [s for s in samples if s.n < _FEW]
    if few:
        found.append(
            f"{phrases.count(len(few), 'group')} of {len(samples)} {'has' if len(few) == 1 else 'have'} fewer than "
            f"{_FEW} "
            "specimens: their bounds say more about the number of tests than about the gear."
        )
    held = [s for s in samples if s.n_held]
    if held:
        found.append(
            f"In {phrases.count(len(held), 'group')} {sum(s.n_held for s in held)} specimens held. They count as 'at "
            f"least this strong'; leaving them out, or counting them as breaks, would be wrong. {UNRELATED}"
        )
    none = [column_of(b) for b in table.asked.bases if table[column_of(b)].isna().any()]
    if none:
        without = table.loc[table[none[0]].isna(), "group"].tolist()
        found.append(
            f"No bound can be given for {phrases.join([str(g) for g in without])}: see the remarks in the table."
        )
    spread = _disagreement(table)
    if spread:
        found.append(spread)
    return found


def _disagreement(table: StrengthTable, worth: float = 0.05) -> str:
    """Name the groups whose bound depends on the distribution assumed."""
    for basis in sorted(table.asked.bases, key=lambda name: name != table.asked.rating_basis):
        own = table[column_of(basis, "Weibull")].to_numpy(dtype=float)
        low = table[column_of(basis, "these batches")].to_numpy(dtype=float)
        with np.errstate(divide="ignore", invalid="ignore"):
            gap = (own - low) / own
        apart = int((gap > worth).sum())
        if apart:
            worst = int(np.nanargmax(gap))
            return (
                f"The {basis} bound depends on the distribution in {phrases.count(apart, 'group')} (by more than "
                f"{phrases.percent(worth)}), most in {table['group'].iloc[worst]}: {phrases.force_low(own[worst])} if "
                f"strength is Weibull, {phrases.force_low(low[worst])} with fewer assumptions. So few breaks cannot "
                "tell; the lower governs."
            )
    return ""


def _on_the_log(log: BreakLog) -> list[str]:
    used = log.table[log.table["used"]]
    found = []
    slipped = int(used["slipped"].sum())
    if slipped:
        found.append(
            f"{phrases.count(slipped, 'specimen')} slipped. Where the log does not say what a slip means, the bound is "
            "the lower of both readings: a failure at that load, or a load held. If slipping is how the thing fails in "
            "use, the log should say so."
        )
    if log.n_set_aside:
        found.append(
            f"{phrases.count(log.n_set_aside, 'row')} took no part, for the reasons listed. Whoever sets rows aside "
            f"after "
            "seeing the load can make anything look strong: the reasons must be physical."
        )
    batches = {b for b in used["batch"] if b}
    if not batches:
        found.append("No purchase batches are recorded: if all specimens came from one, the page speaks for that one.")
    elif len(batches) == 1:
        found.append(f"All specimens come from one batch ({next(iter(batches))}): the page speaks for that batch only.")
    sites = used.loc[used["broke"] & (used["failure_site"] != ""), ["item", "orientation", "failure_site"]]
    mixed = sites.groupby(["item", "orientation"])["failure_site"].nunique()
    if (mixed > 1).any():
        names = [", ".join(str(k) for k in key if k) for key in mixed[mixed > 1].index]
        found.append(
            f"Breaks at more than one site stand together in {phrases.join(names)}. One strength distribution for "
            "two ways of "
            "breaking can be too bold: where each site has breaks enough, look at them apart."
        )
    found += _on_recorders(used)
    warnings = int((log.findings["level"] == "warning").sum())
    if warnings:
        found.append(f"The reader of the log raised {phrases.count(warnings, 'doubt')}: see its findings.")
    return found


def _on_recorders(used: pd.DataFrame) -> list[str]:
    shock = used[used["method"] == "shock"]
    if shock.empty:
        return []
    rates = shock["sample_rate_hz"].dropna()
    if rates.empty:
        return [
            "No sampling rate is recorded for the shock tests: a peak sampled at 1 kHz can read 3 to 13 % low where "
            "the "
            "part breaks while the load still rises, so a small loss under shock may be a loss of the recorder."
        ]
    if rates.min() < 5000:
        return [
            f"Shock peaks were sampled at down to {rates.min():g} a second. A peak that is over between two samples "
            f"reads "
            "low, most where the part breaks while the load still rises; part of a loss under shock may be the "
            "recorder's."
        ]
    return []


def methods_section(bases: Sequence[Basis], *, family: str, compared: bool, planned: bool) -> Section:
    """How the numbers were made, and where each method stands written."""
    items = [
        "Specimens that held count as right-censored: their strength is at least the load they held.",
        "Lower bounds: joint confidence distribution of location and scale of the Weibull and the normal "
        "distribution, by "
        "numerical integration; exact for complete series of that distribution and for tests stopped at a fixed number "
        "of breaks. Where specimens held below the highest break the bound is checked by simulated series under the "
        "same limits, and lowered where it covers less than it says (Lawless, Statistical Models and Methods for "
        "Lifetime Data, 2nd ed.).",
        "The cautious bound assumes far less of the distribution: an order statistic where n carries one, else two "
        "order statistics by Hanson and Koopmans (1964); what held below the lowest break takes no part in it.",
        *(
            [f"Beside them: the {NAMES.get(family, family)} distribution."]
            if family not in ("weibull", "normal")
            else []
        ),
        "Points on probability paper: median ranks, adjusted for specimens that held (Johnson 1964).",
        "mean - 3 s is printed with the share it demonstrates at 95 % confidence for this number of specimens, by the "
        "noncentral t distribution.",
        *(f"{basis.name}: {basis.content}; {basis.source}." for basis in bases),
    ]
    if compared:
        items.append(
            "Comparisons: ratio of typical strengths with its interval on log loads (half Behrens-Fisher, half its "
            "counterpart for Weibull loads; the two Weibull confidence distributions where specimens held; what is "
            "kept of the "
            "reference strength by the farther of the normal and the Weibull limit), p values adjusted by Holm's "
            "method, "
            "and intervals that cover together by Bonferroni's."
        )
    if planned:
        items.append(
            "How many more: populations are drawn from the confidence distribution of the specimens in hand, further "
            "tests are simulated in each, and the share of populations in which the claim is then backed is counted."
        )
    return Section("methods", "Methods and sources", (Bullets(tuple(items)),))
