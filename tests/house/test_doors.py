"""What stands at the door of a public function when something of the wrong kind is put in: words, never a traceback."""

import inspect

import numpy as np
import pandas as pd
import pytest

import lowtail as lt
from lowtail._checks import takes
from lowtail.errors import InputError, LowtailError

SAMPLES = [lt.Sample([21.0, 23.5, 22.2, 24.1]), lt.Sample([19.0, 20.5, 21.2, 18.1])]
LOG = lt.check_breaks(
    pd.DataFrame(
        {
            "specimen": list("ABCDEF"),
            "item": "sling",
            "method": ["slow pull"] * 3 + ["shock"] * 3,
            "load [kN]": [21.0, 23.5, 22.2, 19.0, 20.5, 21.2],
            "outcome": "broke",
        }
    )
)
WRONG = {
    "nothing": None,
    "a number": 3,
    "a word": "x",
    "a log": LOG,
    "a sample": SAMPLES[0],
    "an empty list": [],
    "some samples": SAMPLES,
    "another table": pd.DataFrame({"a": [1]}),
    "numbers": [21.0, 23.5, 22.2],
}
DOORS = ("sample", "reference", "other", "samples", "log", "log_or_table", "log_or_samples", "tests", "drops", "table")


def doors():
    for name in sorted(lt._HOME):
        function = getattr(lt, name)
        if inspect.isfunction(function):
            first = next(iter(inspect.signature(function).parameters), None)
            if first in DOORS:
                yield name, first


@pytest.mark.parametrize(("name", "door"), list(doors()))
def test_what_is_of_the_wrong_kind_is_met_by_words(name, door):
    function = getattr(lt, name)
    needed = [p for p in inspect.signature(function).parameters.values() if p.default is p.empty and p.kind < 4]
    others = {"claim": 18.0, "basis": "B-basis", "other": SAMPLES[1], "claims": 18.0, "budget": 2, "every": 2}
    others |= {"test": "Welch", "path": "nowhere/page.html", "at": [2.0]}
    rest = {p.name: others.get(p.name, 1.0) for p in needed[1:]}
    met = 0
    for value in WRONG.values():
        try:
            function(value, **rest)
        except LowtailError:
            met += 1
    assert met >= 4  # of nine things no door takes more than five


def test_the_words_name_the_function_the_argument_what_it_got_and_what_to_do():
    with pytest.raises(InputError) as caught:
        lt.low_bound([21.0, 23.5, 22.2], "B-basis")
    said = str(caught.value)
    assert said == (
        "low_bound: `sample` must be one Sample, got a list of 3. Make one with lt.Sample(load, broke), or take one "
        "from lt.split(log)."
    )
    with pytest.raises(InputError, match=r"strength_table: `log` must be a BreakLog .* got a Sample\. Read one with"):
        lt.strength_table(SAMPLES[0])
    with pytest.raises(InputError, match=r"pooling: `samples` must be a list of Samples or one Sample, got a BreakLog"):
        lt.pooling(LOG)


def test_a_checked_function_keeps_its_name_its_words_and_its_signature():
    @takes(sample="sample", share="number")
    def mine(sample, share=0.5):
        """Say so."""
        return share

    assert (mine.__name__, mine.__doc__, list(inspect.signature(mine).parameters)) == (
        "mine",
        "Say so.",
        ["sample", "share"],
    )
    assert mine(SAMPLES[0]) == 0.5 and mine(sample=SAMPLES[0], share=np.float64(0.2)) == 0.2
    for bad in ("x", True, None):
        with pytest.raises(InputError, match="mine: `share` must be a number"):
            mine(SAMPLES[0], share=bad)
