"""The public face: about thirty names and eight namespaces, which editors and type checkers see as they are."""

import ast
import importlib.util
import inspect
import subprocess
import sys
from pathlib import Path
from typing import Literal, get_args, get_origin, get_type_hints

import numpy as np
import pandas as pd
import pytest

import lowtail as lt
from lowtail._shared import choices
from lowtail.claims.comparison.named_tests import TESTS

TOP = Path(__file__).parents[2]
SPACES = lt._NAMESPACES
LOG = lt.read_breaks(TOP / "data" / "park_breaks.csv")


def public():
    """Every public thing by the name a user writes."""
    for name in lt.__all__:
        if name not in SPACES:
            yield f"lt.{name}", getattr(lt, name)
    for space in SPACES:
        for name in getattr(lt, space).__all__:
            yield f"lt.{space}.{name}", getattr(getattr(lt, space), name)


FUNCTIONS = [(n, f) for n, f in public() if inspect.isfunction(f)]


def test_the_stub_is_the_face():
    spec = importlib.util.spec_from_file_location("stub", Path(__file__).with_name("stub.py"))
    stub = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(stub)
    assert stub.PLACE.read_text(encoding="utf-8") == stub.stub(), "run: python tests/house/stub.py"


def test_each_namespace_lists_what_it_imports():
    for space in SPACES:
        module = getattr(lt, space)
        tree = ast.parse(Path(module.__file__).read_text(encoding="utf-8"))
        imported = [a.asname or a.name for n in ast.walk(tree) if isinstance(n, ast.ImportFrom) for a in n.names]
        assert sorted(imported) == sorted(module.__all__) == dir(module)


def test_no_name_stands_in_two_places():
    names = [n.rpartition(".")[2] for n, _ in public()]
    again = {n for n in names if names.count(n) > 1}
    assert again <= {  # a verb and its twin for other data: one word a job, told apart by the namespace
        "batches",
        "comparison",
        "confidence_that",
        "fit",
        "lower_bound",
        "retention",
        "strength_table",
        "weak_link",
    }


@pytest.mark.parametrize("wrong", ["low_bund", "lower_bond", "goodnes_of_fit", "new_serie"])
def test_a_misspelt_name_gets_a_suggestion(wrong):
    with pytest.raises(AttributeError, match=r"Did you mean lt\."):
        getattr(lt, wrong)


def test_an_unknown_name_gets_none():
    with pytest.raises(AttributeError, match=r"has no attribute 'xyzzyx'$"):
        lt.xyzzyx  # noqa: B018


def test_importing_it_loads_no_heavy_library():
    code = "import sys, lowtail; print([m for m in ('numpy', 'pandas', 'scipy', 'matplotlib') if m in sys.modules])"
    out = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=TOP, env={"PYTHONPATH": "stats"}
    )
    assert out.stdout.strip() == "[]"


@pytest.mark.parametrize(("name", "function"), FUNCTIONS, ids=[n for n, _ in FUNCTIONS])
def test_type_hints_resolve(name, function):
    hints = get_type_hints(function)
    assert "return" in hints


def test_a_type_checker_sees_signatures_and_refuses_names_that_are_not_there(tmp_path):
    good = tmp_path / "good.py"
    good.write_text(
        "import lowtail as lt\n"
        "bound: lt.LowerBound = lt.lower_bound([24.1, 25.3, 22.8], 'B-basis')\n"
        "plan: lt.plan.Plan = lt.plan.new_series(18, mean=24, cv=0.06)\n"
    )
    bad = tmp_path / "bad.py"
    bad.write_text("import lowtail as lt\nlt.no_such_name\nlt.lower_bound(3, nonsense=4)\n")
    mypy = pytest.importorskip("mypy.api")
    argv = ["--config-file", str(TOP / "pyproject.toml"), "--no-incremental", "--follow-imports", "silent"]
    out, err, status = mypy.run([*argv, str(good)])
    assert status == 0, out + err
    out, err, status = mypy.run([*argv, str(bad)])
    assert "no_such_name" in out and "nonsense" in out


def test_a_log_gives_its_samples_by_label():
    label = "sewn sling, straight, shock"
    assert LOG[label].n == LOG.samples[label].n == 6
    assert next(iter(LOG.samples)) == next(iter(LOG._ipython_key_completions_()))
    shock = LOG.samples.where(method="shock")
    assert shock and all(s.group["method"] == "shock" for s in shock.values())
    both = LOG.samples.where(method=["shock", "slow pull"], item="sewn sling")
    assert {s.group["item"] for s in both.values()} == {"sewn sling"}
    assert sum(s.n for s in LOG.samples.values()) == LOG.n_used
    assert LOG.samples.to_frame()["n"].sum() == LOG.n_used
    assert LOG.samples.get("none") is None and "none" not in LOG.samples


def test_a_misspelt_group_gets_a_suggestion():
    with pytest.raises(KeyError, match="Did you mean 'sewn sling, straight, shock'"):
        LOG["sewn sling, strait, shock"]
    with pytest.raises(lt.NoSuchGroupError, match=r"found by its label, a word, got 0"):
        LOG[0]
    with pytest.raises(lt.InputError, match=r"no method 'shok'\. Did you mean 'shock'"):
        LOG.samples.where(method="shok")
    with pytest.raises(lt.InputError, match="'mehtod', which groups nothing here"):
        LOG.samples.where(mehtod="shock")


def test_two_groups_that_read_alike_keep_labels_of_their_own():
    rows = [("a, b", "", 20.0), ("a, b", "", 21.0), ("a", "b", 30.0), ("a", "b", 31.0)]
    table = pd.DataFrame(rows, columns=["item", "orientation", "load [kN]"])
    table["specimen"], table["outcome"], table["method"] = list("pqrs"), "broke", ""
    samples = lt.check_breaks(table).samples
    assert len(samples) == 2 and [s.n for s in samples.values()] == [2, 2]


def test_functions_of_several_samples_take_the_samples_of_a_log():
    sling = LOG.samples.where(item="sewn sling", method="slow pull")
    given, listed = lt.checks.equal_scale(sling), lt.checks.equal_scale(list(sling.values()))
    assert given.p_value == listed.p_value


LOADS = [24.1, 25.3, 22.8, 26.0, 23.9]


@pytest.mark.parametrize(
    "loads", [LOADS, tuple(LOADS), np.array(LOADS), pd.Series(LOADS)], ids=lambda v: type(v).__name__
)
def test_loads_are_taken_where_a_sample_is(loads):
    sample = lt.Sample(LOADS)
    assert lt.lower_bound(loads).low == lt.lower_bound(sample).low
    assert lt.governing(loads).low == lt.governing(sample).low
    assert lt.confidence_that(loads, 20, 0.1).confidence == lt.confidence_that(sample, 20, 0.1).confidence
    assert lt.fit(loads).shape == lt.fit(sample).shape
    assert lt.compare(loads, np.array(LOADS) * 0.9).ratio == pytest.approx(0.9, abs=1e-12)


def test_a_stranger_called_sample_is_refused():
    """The door asks for the class itself, not for its name."""
    stranger = type("Sample", (), {"load": np.array(LOADS), "n": 5})()
    with pytest.raises(lt.InputError, match="must be one Sample"):
        lt.lower_bound(stranger)
    with pytest.raises(lt.InputError, match="must be"):
        lt.strength_table(type("BreakLog", (), {})())


@pytest.mark.parametrize("name", ["B-basis", "B", "b", "B basis", "b-basis", "B_basis"])
def test_a_basis_is_found_by_any_of_its_spellings(name):
    assert lt.lower_bound(LOADS, name).basis == "B-basis"


def test_rng_takes_what_numpy_takes():
    def p(rng):
        return lt.checks.goodness_of_fit(LOADS, size=400, rng=rng).p_value

    root = np.random.SeedSequence(7)
    assert p(7) == p(np.int64(7)) == p(root) == p(root)
    assert 0 <= p(None) <= 1 and 0 <= p(np.random.default_rng(1)) <= 1
    with pytest.raises(lt.InputError, match="SeedSequence"):
        p("7")


def sections(thing):
    """The sections of a numpydoc docstring by heading."""
    lines = inspect.getdoc(thing).splitlines()
    heads = [i for i, line in enumerate(lines[1:]) if set(line) == {"-"} and len(line) == len(lines[i])]
    ends = [*heads[1:], len(lines)]
    return {lines[i]: lines[i + 2 : end] for i, end in zip(heads, ends, strict=True)}


CONSTRUCTED = ("lt.Basis", "lt.Sample", "lt.ScalePrior", "lt.plan.Claim", "lt.trace.LoadCell")
DOCUMENTED = FUNCTIONS + [(n, f) for n, f in public() if n in CONSTRUCTED]
NAMES = {n.removeprefix("lt.") for n, _ in public()}


@pytest.mark.parametrize(("name", "thing"), DOCUMENTED, ids=[n for n, _ in DOCUMENTED])
def test_each_public_docstring_has_an_example_and_names_its_neighbours(name, thing):
    parts = sections(thing)
    assert any(line.startswith(">>> ") for line in parts["Examples"])
    entries = [line for line in parts["See Also"] if line]
    assert 1 <= len(entries) <= 4
    for entry in entries:
        neighbour, colon, what = entry.partition(" : ")
        assert neighbour in NAMES and neighbour != name.removeprefix("lt.")
        assert colon and what.endswith(".")


CHOICES = [
    (f"{n}({p})", f, p, k)
    for n, f in FUNCTIONS
    for p, hint in get_type_hints(f).items()
    if (k := [h for h in (hint, *get_args(hint)) if get_origin(h) is Literal])
]


@pytest.mark.parametrize(("function", "argument", "kinds"), [c[1:] for c in CHOICES], ids=[c[0] for c in CHOICES])
def test_a_choice_of_the_wrong_kind_is_refused_with_all_that_it_can_be(function, argument, kinds):
    with pytest.raises(lt.InputError, match=f"`{argument}` must be") as caught:
        function(**{argument: 3j})
    assert all(repr(word) in str(caught.value) for word in get_args(kinds[0]))


def test_the_arguments_that_are_choices_say_so():
    """A word that a docstring lists in braces stands in the signature as a Literal, families and tests aside."""
    asked = {c[2] for c in CHOICES}
    assert {"alternative", "axis", "boundary", "decimal", "goal", "judge", "link", "method", "repeats"} <= asked
    assert {"rule", "slips", "spread", "time_unit", "units"} <= asked


@pytest.mark.parametrize(("name", "thing"), [pair for pair in public() if callable(pair[1])])
def test_every_type_that_is_named_can_be_looked_up(name, thing):
    hints = get_type_hints(thing)
    for argument in ("family", "low_family", "test"):
        if inspect.isfunction(thing):
            assert hints.get(argument) is not str, f"{name}({argument}=) is a choice: give it a Literal"


def test_the_words_that_are_typed_are_those_that_are_known():
    assert get_args(choices.NamedTest) == tuple(TESTS)
    assert set(get_args(choices.FamilyName)) == set(lt.FAMILIES)
    assert set(get_args(choices.FamilyOrAuto)) == {"auto", *lt.FAMILIES}
    assert set(get_args(choices.PositiveFamily)) == {n for n, f in lt.FAMILIES.items() if f.transform is np.log}
