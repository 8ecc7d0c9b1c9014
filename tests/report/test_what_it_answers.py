"""Which questions a log can answer, and tables as a reader should see them."""

import pandas as pd
import pytest

from lowtail import InputError, check_breaks, rating_check, report_table, strength_table, what_it_answers
from lowtail.checks import can_answer
from lowtail.report import phrases


def make(loads, **more):
    return check_breaks(
        pd.DataFrame(
            {
                "specimen": [f"S{i}" for i in range(len(loads))],
                "item": "sling",
                "load [kN]": loads,
                "outcome": "broke",
                **more,
            }
        )
    )


def test_a_log_with_breaks_can_answer_and_says_which_call():
    choices = what_it_answers(make([21.0, 22.5, 23.1], method="slow pull", **{"rated [kN]": 18.0}))
    answers = choices.to_frame().set_index("question")["can"]
    assert answers["How strong is each group, at least?"]
    assert answers["Do the data back the ratings?"]
    assert not answers["Does shock loading weaken it?"]
    assert not answers["May the batches be pooled?"]
    assert "lt.strength_table(log)" in str(choices)
    assert "<table>" in choices._repr_html_()


def test_every_call_named_is_a_public_name():
    import lowtail as lt

    for question in what_it_answers(make([21.0, 22.5, 23.1])).questions:
        home = lt
        for name in question.call.split("(")[0].removeprefix("lt.").split("."):
            assert name in home.__all__
            home = getattr(home, name)


@pytest.mark.parametrize(
    ("loads", "outcome", "possible"),
    [
        ([21.0, 22.0], "broke", True),
        ([21.0, 21.0], "broke", False),
        ([21.0, 22.0], "held", False),
        ([21.0], "broke", False),
    ],
)
def test_whether_a_log_can_carry_an_answer(loads, outcome, possible):
    log = make(loads)
    log = make(loads, outcome=outcome) if outcome == "held" else log
    found = can_answer(log)
    assert found.possible is possible
    assert found.sentence.startswith("Yes" if possible else "No")


def test_names_from_a_log_are_escaped_in_jupyter():
    log = make([21.0, 22.5, 23.1], method="<b>slow</b>")
    assert "<b>slow</b>" not in what_it_answers(log)._repr_html_()
    assert "<b>slow</b>" not in report_table(strength_table(log))._repr_html_()


def test_bounds_are_shown_cut_down():
    table = strength_table(make([21.0, 22.5, 23.1, 22.2], **{"rated [kN]": 18.0}), bases=("B-basis",))
    shown = report_table(table)
    texts = [cell.text for cell in shown.rows[0]]
    assert phrases.down(table["B-basis [kN]"].iloc[0]) in texts
    assert "lower bound that governs: 90 % stronger, 95 % confidence" in {h.hint for h in shown.headings}
    assert phrases.down(table["B-basis [kN]"].iloc[0]) in str(shown)


def test_ratings_are_shown_with_their_verdict():
    shown = report_table(rating_check(make([21.0, 22.5, 23.1, 22.2], **{"rated [kN]": 21.5})))
    assert "broke below its rating: 1 of 4 under 21.5 kN" in str(shown).replace("\n", " ") or "1 of 4" in str(shown)


def test_another_table_or_unit_is_refused():
    with pytest.raises(
        InputError,
        match=r"must be a StrengthTable, a RatingTable or a ComparisonTable, got a Data",
    ):
        report_table(pd.DataFrame({"x": [1]}))
    with pytest.raises(InputError, match="`units` must be"):
        report_table(strength_table(make([21.0, 22.5, 23.1])), units="stone")
