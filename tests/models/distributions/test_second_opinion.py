"""The second opinion: agreement, disagreement shown, and the guard around the other libraries."""

import subprocess
import sys
import warnings

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
from matplotlib import pyplot as plt

from lowtail import LowtailWarning, NoAnswerError, Sample
from lowtail.checks import second_opinion
from lowtail.models.distributions import second_opinion as module
from lowtail.models.distributions.families import name_of
from lowtail.models.distributions.second_opinion import guarded

# 20 rupture strengths, Bury (1999) Example 17.2 (NIST public data library, WEIBBURY.DAT, public domain)
BURY = [
    62.3,
    42.0,
    47.3,
    54.8,
    48.5,
    61.3,
    43.1,
    55.6,
    51.3,
    46.3,
    61.8,
    66.1,
    53.5,
    40.7,
    46.0,
    54.0,
    57.0,
    57.0,
    45.1,
    59.1,
]


@pytest.mark.parametrize("family", ["weibull", "normal", "lognormal"])
@pytest.mark.parametrize("held", [0, 3])
@pytest.mark.parametrize("unit", [1.0, 224.8])
def test_libraries_agree(family: str, held: int, unit: float) -> None:
    load = np.array([24.1, 26.3, 25.2, 27.0, 23.2, 25.8]) * unit
    broke = np.arange(6) % 2 == 0 if held else np.ones(6, dtype=bool)
    opinion = second_opinion(Sample(load, broke, label="ring"), family)
    assert opinion.agrees and opinion.digits >= 4
    difference = opinion.table.set_index("library")["difference"]
    assert difference["scipy"] < 1e-6  # searched to 1e-10
    assert difference["reliability"] < 1e-4  # its simplex stops at 1e-4 by default
    answered = opinion.table.set_index("library")["difference"].notna()
    assert answered["reliability"] and answered["scipy"]
    assert answered["statsmodels"] == (family != "weibull" and not held)
    assert f"ring: the {name_of(family)} fit agrees with reliability" in str(opinion)
    if not answered["statsmodels"]:
        assert any("statsmodels gives no answer" in note for note in opinion.notes)


def test_published_fit() -> None:
    opinion = second_opinion(Sample(BURY))
    shape = 1 / opinion.table.set_index("library")["spread"]
    # shape by maximum likelihood 8.1176 (own code on the published data, 7 digits)
    assert shape.dropna().to_numpy() == pytest.approx(8.1176, abs=5e-5)
    assert len(opinion.to_frame()) == 1 and "table" not in opinion.to_frame()


def test_disagreement_is_shown(monkeypatch: pytest.MonkeyPatch) -> None:
    def astray(failed: object, held: object, law: object) -> tuple[float, float, str]:
        return 0.01, 0.05, "9.9"

    monkeypatch.setitem(module._LIBRARIES, "scipy", astray)
    with pytest.warns(
        LowtailWarning, match=r"Group 'cord': other libraries fit the Weibull distribution differently\. .*scipy 9\.9"
    ):
        opinion = second_opinion(Sample([24.1, 26.3, 25.2, 27.0, 23.2], label="cord"))
    assert not opinion.agrees and opinion.digits <= 2
    assert "DISAGREE" in str(opinion) and "scipy 9.9 differs by" in str(opinion)


def test_library_that_fails_is_shown(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(failed: object, held: object, law: object) -> tuple[float, float, str]:
        raise RuntimeError("search lost")

    for name in list(module._LIBRARIES):
        monkeypatch.setitem(module._LIBRARIES, name, broken)
    opinion = second_opinion(Sample([24.1, 26.3, 25.2]))
    assert not opinion.agrees and opinion.digits == 0 and np.isnan(opinion.largest_difference)
    words = "no other library could fit the Weibull distribution. reliability gives no answer: search lost."
    assert words in str(opinion)


def test_no_fit_of_our_own() -> None:
    with pytest.raises(NoAnswerError, match="no Weibull distribution can be fitted"):
        second_opinion(Sample([24.1, 24.1]))


def test_guard_restores_everything(capsys: pytest.CaptureFixture[str]) -> None:
    figure = plt.figure()
    plt.figure()
    plt.figure(figure.number)
    numbers, before = plt.get_fignums(), dict(mpl.rcParams)
    errors, filters = np.geterr(), list(warnings.filters)
    width, rows = pd.get_option("display.width"), pd.get_option("display.max_rows")
    np.random.seed(3)
    expected = np.random.RandomState(3).random()
    with guarded():
        print("noise")
        print("noise", file=sys.stderr)
        np.seterr(all="ignore")
        warnings.filterwarnings("ignore", message="never seen")
        pd.set_option("display.width", 999, "display.max_rows", 7)
        mpl.rcParams["lines.linewidth"] = 77
        plt.figure()
        np.random.random(10)
    assert capsys.readouterr() == ("", "")
    assert np.geterr() == errors and list(warnings.filters) == filters
    assert (pd.get_option("display.width"), pd.get_option("display.max_rows")) == (width, rows)
    assert dict(mpl.rcParams) == before
    assert plt.get_fignums() == numbers and plt.gcf().number == figure.number
    assert np.random.random() == expected
    plt.close("all")


def test_guard_restores_after_an_error() -> None:
    width = pd.get_option("display.width")
    with pytest.raises(ZeroDivisionError), guarded():
        pd.set_option("display.width", 999)
        raise ZeroDivisionError
    assert pd.get_option("display.width") == width


def test_first_import_changes_nothing_in_a_fresh_process() -> None:
    code = """
import sys, warnings, numpy as np, pandas as pd
import lowtail as lt
before = (np.geterr(), pd.get_option("display.width"), pd.get_option("display.max_columns"))
from lowtail.models.distributions.second_opinion import second_opinion
import lowtail.models.distributions.fit, scipy.stats, statsmodels.api
filters = list(warnings.filters)
assert "reliability" not in sys.modules
opinion = second_opinion(lt.Sample([24.1, 25.3, 22.8, 26.0]))
assert "reliability" in sys.modules and opinion.agrees
assert before == (np.geterr(), pd.get_option("display.width"), pd.get_option("display.max_columns"))
assert filters == list(warnings.filters)
"""
    import lowtail

    root = str(__import__("pathlib").Path(lowtail.__file__).parents[1])
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, env={"PYTHONPATH": root, "PATH": ""}
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout == ""
