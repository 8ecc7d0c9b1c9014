"""A few figures held to a picture, on the pinned matplotlib only: what the tests on artists cannot see.

After a change that is meant: ``python tests/report/test_baselines.py``, then look at every picture it rewrote.
"""

import re
import sys
from pathlib import Path

import matplotlib
import matplotlib.pyplot as plt
import pytest
from matplotlib.testing.compare import compare_images

import lowtail as lt

TOP = Path(__file__).parents[2]
BASELINES = Path(__file__).parent / "expected" / "figures"
PINNED = re.search(r"(?m)^matplotlib==(\S+)", (TOP / ".ci" / "constraints.txt").read_text())
# root-mean-square difference of grey levels (0 to 255): a moved label gives 5 and more, another machine under 0.5
TOLERANCE = 1.5


def slow_and_shock():
    samples = list(lt.read_breaks(TOP / "data" / "park_breaks.csv").samples.values())
    named = {s.label: s for s in samples}
    return named["steel oval connector, major axis, slow pull"], named["steel oval connector, major axis, shock"]


def breaks():
    return lt.plot.breaks(lt.read_breaks(TOP / "data" / "park_breaks.csv"))


def probability():
    return lt.plot.probability(slow_and_shock()[0])


def comparison():
    return lt.plot.comparison(lt.compare(*slow_and_shock(), family="lognormal", margin=0.9))


def plan():
    return lt.plot.plan(lt.plan.new_series(18, "B-basis", mean=25, cv=0.08, family="normal"))


def trace():
    return lt.plot.trace(lt.trace.read_trace(sorted((TOP / "data" / "traces").glob("*.csv"))[0]))


FIGURES = {f.__name__: f for f in (breaks, probability, comparison, plan, trace)}


def draw(name, path):
    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        matplotlib.use("Agg")
        axes = FIGURES[name]()
        axes.figure.savefig(path, dpi=60, metadata={"Software": None})
        plt.close("all")


@pytest.mark.skipif(
    PINNED is None or matplotlib.__version__ != PINNED[1], reason="pictures are held on the pinned matplotlib only"
)
@pytest.mark.parametrize("name", FIGURES)
def test_figure_looks_as_it_did(name, tmp_path):
    draw(name, tmp_path / f"{name}.png")
    difference = compare_images(str(BASELINES / f"{name}.png"), str(tmp_path / f"{name}.png"), TOLERANCE)
    assert difference is None, difference


if __name__ == "__main__":
    BASELINES.mkdir(parents=True, exist_ok=True)
    for which in sys.argv[1:] or FIGURES:
        draw(which, BASELINES / f"{which}.png")
