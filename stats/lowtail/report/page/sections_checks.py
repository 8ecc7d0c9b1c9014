"""What to ask before quoting a number, on the page and in the terminal: what calls for a look, then the rest."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from lowtail.claims.group_checks import FALSE_ALARM, MOST_GROUPS, GroupChecks
from lowtail.glossary import spoken
from lowtail.report import phrases
from lowtail.report.figures.retention import retention as plot_retention
from lowtail.report.figures.weak_link import weak_link as plot_weak_link
from lowtail.report.tables.blocks import Block, Bullets, Draw, Fold, Picture, Prose, Section
from lowtail.report.tables.text import shorten

__all__ = ["NOT_ASKED", "check_lines", "checks_section", "standing_out"]

INTRO = (
    "Before a number is quoted: do the breaks contradict the distribution, does one specimen carry the answer, are "
    "there two "
    "failure modes, may the batches be taken together, which part fails first, does strength fall with age. Each check "
    "says how much it could have missed; with 10 or fewer specimens every one misses much. None changes a number above."
)
MISSED = (
    "With 15 specimens or fewer these checks would miss most weak minorities: where a tenth of the pieces are 30 % "
    "weaker, one of them (goodness of fit, outliers, gap) warns in about 14, 35 and 44 % of samples of 5, 10 and 15, "
    "and in 9, 13 and 18 % of sound ones."
)
NOT_ASKED = (
    f"The checks before quoting were not asked: the log has more than {MOST_GROUPS} groups. Ask with --checks, or of "
    "fewer groups."
)


def standing_out(checked: Sequence[GroupChecks]) -> tuple[str, ...]:
    """The answers at which a reader should stop, each with its group."""
    return tuple(f"{c.group}: {_short(str(s), c.group)}" for c in checked for s in c.checks if s.stands_out)


def _short(sentence: str, group: str) -> str:
    """The sentence without the group's name, where it stands beside it."""
    return sentence.replace(f": {group}: ", ": ", 1) if group else sentence


def _by_chance(checked: Sequence[GroupChecks]) -> str:
    """How many alarms as many tests give in sound groups."""
    tests = sum(s.is_test for c in checked for s in c.checks)
    expected = max(1, round(FALSE_ALARM * tests))
    return (
        f"{phrases.count(tests, 'test')} with {100 * FALSE_ALARM:.0f} % false alarms each: were every group sound, "
        f"about {expected} would be raised by chance. p-values are simulated, good to about 0.01 near 0.05."
    )


def checks_section(checked: Sequence[GroupChecks]) -> Section:
    """The section of the page: what calls for a look first, then a fold a group."""
    blocks: list[Block] = [Prose(INTRO)]
    worries = standing_out(checked)
    if worries:
        blocks += [Prose("What to look at first", "head"), Bullets(worries), Prose(_by_chance(checked), "small")]
    else:
        blocks.append(Prose(f"No check warns. {MISSED}"))
    for one in checked:
        inner: list[Block] = [Bullets(tuple(_short(s, one.group) for s in one.sentences))] if one.sentences else []
        inner += _pictures(one)
        if one.refused:
            inner += [Prose("Not answered:", "small"), Bullets(one.refused)]
        blocks.append(Fold(shorten(one.group or "all specimens"), tuple(inner)))
    return Section("checks", "Checks before quoting", tuple(blocks))


def _pictures(one: GroupChecks) -> list[Block]:
    blocks: list[Block] = []
    if one.weak_link is not None:
        blocks.append(
            Picture(
                Draw(plot_weak_link, (one.weak_link,)),
                f"Share broken against load for each part of {one.group} and for the assembly.",
                f"{shorten(one.group)}: its parts and the assembly. {one.weak_link.notes[0]}",
            )
        )
    if one.retention is not None and np.isfinite(one.retention.low):
        blocks.append(
            Picture(
                Draw(plot_retention, (one.retention,)),
                f"Strength of {one.group} against {one.retention.covariate}, with the lower bound.",
                f"{shorten(one.group)}: strength against {spoken(one.retention.covariate)[0]}. "
                f"Tested: {one.retention.tested}.",
            )
        )
    return blocks


def check_lines(checked: Sequence[GroupChecks], *, every: bool) -> list[str]:
    """The same for a terminal: what calls for a look, and with ``every`` each question of each group."""
    worries = standing_out(checked)
    lines = ["Checks before quoting; none changes a number."]
    lines += [f"  look at - {w}" for w in worries] or [f"  No check warns. {MISSED}"]
    if worries:
        lines.append(f"  {_by_chance(checked)}")
    if every:
        for one in checked:
            lines += ["", one.group or "all specimens"]
            lines += [f"  {_short(s, one.group)}" for s in one.sentences]
            lines += [f"  not answered - {s}" for s in one.refused]
    return lines
