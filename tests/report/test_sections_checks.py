"""The checks on the page: asked where the log has the columns, refused in words elsewhere."""

from __future__ import annotations

import pandas as pd
import pytest

from lowtail import check_breaks
from lowtail.claims.group_checks import asked, check_groups
from lowtail.report.page.sections_checks import check_lines, checks_section, standing_out
from lowtail.report.tables.blocks import Bullets, Fold, Picture, Prose

ROWS = pd.DataFrame(
    {
        "specimen": [f"S{i}" for i in range(9)] + ["T0", "T1"],
        "item": ["sling"] * 9 + ["oval"] * 2,
        "load": [25.1, 24.4, 24.9, 23.2, 23.8, 22.1, 22.6, 12.0, 26.0, 20.0, 21.0],
        "unit": "kN",
        "outcome": ["broke"] * 8 + ["other part broke"] + ["broke"] * 2,
        "failed_part": [""] * 8 + ["fuse"] + [""] * 2,
        "assembly": [""] * 8 + ["belay anchor"] + [""] * 2,
        "failure_site": [""] * 11,
        "batch": [*"PPPPQQQQQ", "", ""],
        "age_years": [1, 1, 2, 4, 4, 7, 7, 9, 9, 3, 3],
    }
)


def test_every_check_is_asked_or_refused_in_words() -> None:
    sling, oval = check_groups(check_breaks(ROWS), by=["item"], rng=1)
    names = [s.split(":")[0] for s in sling.sentences]
    assert names == [
        "Choice of distribution",
        "Second opinion",
        "Distribution",
        "Outliers",
        "Failure modes",
        "Batches",
        "Age",
    ]
    assert [r.split(":")[0] for r in sling.refused] == ["Weak link"]
    assert "'fuse' broke in 1 of 9 tests" in sling.refused[0]
    assert sling.retention is not None and sling.weak_link is None
    assert "agrees with" in sling.sentences[1]
    assert [s.split(":")[0] for s in oval.sentences] == ["Choice of distribution", "Second opinion"] and len(
        oval.refused
    ) == 3


def test_a_fuse_of_the_rig_is_no_weak_link_of_the_gear() -> None:
    fuse = ROWS.assign(
        outcome=["broke"] * 6 + ["other part broke"] * 3 + ["broke"] * 2, failed_part=[""] * 6 + ["fuse"] * 3 + [""] * 2
    )
    rig = check_groups(check_breaks(fuse.drop(columns="assembly")), by=["item"], rng=1)[0]
    assert not any(c.question == "Weak link" for c in rig.checks) and rig.weak_link is None
    named = fuse.assign(
        assembly=[""] * 6 + ["belay anchor"] * 3 + [""] * 2, failed_part=[""] * 6 + ["ring"] * 3 + [""] * 2
    )
    real = check_groups(check_breaks(named), by=["item"], rng=1)[0]
    assert real.weak_link is not None and real.weak_link.assembly == "belay anchor"


def test_the_section_names_what_stands_out_and_folds_the_rest() -> None:
    checked = check_groups(check_breaks(ROWS), by=["item"], rng=1)
    section = checks_section(checked)
    lead = [b for b in section.blocks if isinstance(b, Prose) and b.kind == "head"]
    assert [b.text for b in lead] == ["What to look at first"]
    assert any("contradict" in item for b in section.blocks if isinstance(b, Bullets) for item in b.items)
    folds = [b for b in section.blocks if isinstance(b, Fold)]
    assert [f.summary for f in folds] == ["sling", "oval"]
    assert sum(isinstance(b, Picture) for b in folds[0].blocks) == 1
    small = [b.text for b in section.blocks if isinstance(b, Prose) and b.kind == "small"]
    # tests of sling: distribution, outliers, failure modes (a gap), batches, age; oval has too few breaks for any
    assert small[0].startswith("5 tests with 5 % false alarms each: were every group sound, about 1 would")


def test_the_terminal_says_the_same_in_lines() -> None:
    checked = check_groups(check_breaks(ROWS), by=["item"], rng=1)
    short, full = (check_lines(checked, every=every) for every in (False, True))
    assert full[: len(short)] == short
    assert [line for line in short if "look at - " in line] == [f"  look at - {w}" for w in standing_out(checked)]
    rest = full[len(short) :]
    assert rest.count("sling") == rest.count("oval") == 1
    assert sum(line.startswith("  not answered - ") for line in rest) == sum(len(c.refused) for c in checked) == 4
    assert sum(line.startswith("  ") for line in rest) == sum(len(c.checks) for c in checked)
    assert not any(": sling: " in line for line in rest), "the name stands above, not in every line"


def test_checks_are_asked_by_default_of_few_groups_only() -> None:
    few = check_breaks(ROWS)
    many = check_breaks(
        pd.concat([ROWS.head(2).assign(item=f"item {i}", specimen=[f"{i}a", f"{i}b"]) for i in range(61)])
    )
    assert asked(None, few, ["item"]) and not asked(None, many, ["item"])
    assert asked(True, many, ["item"]) and not asked(False, few, ["item"])


@pytest.mark.slow
def test_workers_change_nothing() -> None:
    log = check_breaks(ROWS.head(5))
    one = check_groups(log, by=["item"], rng=3)
    two = check_groups(log, by=["item"], rng=3, n_jobs=2)
    assert [c.sentences for c in one] == [c.sentences for c in two]
