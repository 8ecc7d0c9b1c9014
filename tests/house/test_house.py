"""Rules of the house: public names, lazy loading, words, layout."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import lowtail as lt

TOP = Path(__file__).parents[2]
PACKAGE = TOP / "stats" / "lowtail"


@pytest.mark.parametrize("name", lt.__all__)
def test_every_public_name_resolves_and_is_documented(name):
    thing = getattr(lt, name)
    if callable(thing):
        assert thing.__doc__, name


def test_unknown_name():
    with pytest.raises(AttributeError, match="no attribute 'guess'"):
        _ = lt.guess


def test_import_is_light():
    """Importing the package loads none of the heavy libraries."""
    code = "import sys, lowtail; print([m for m in ('numpy', 'scipy', 'pandas', 'matplotlib') if m in sys.modules])"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=TOP / "stats")
    assert out.stdout.strip() == "[]"


def test_stats_holds_the_package_only():
    assert [p.name for p in (TOP / "stats").iterdir() if not p.name.startswith(("__", "."))] == ["lowtail"]


def test_no_bare_asserts_in_the_package():
    for path in PACKAGE.rglob("*.py"):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        assert not [n.lineno for n in ast.walk(tree) if isinstance(n, ast.Assert)], path


def test_errors_have_one_root():
    for name in ("InputError", "TableError", "NoAnswerError", "MissingExtraError"):
        assert issubclass(getattr(lt, name), lt.LowtailError)


def test_answers_do_not_depend_on_workers():
    from lowtail._shared.parallel import run, seeds

    tasks = [(seed,) for seed in seeds(3, 6)]
    assert (
        run(np.random.default_rng, tasks, n_jobs=1)[3].normal()
        == run(np.random.default_rng, tasks, n_jobs=2)[3].normal()
    )


def test_bad_seed_is_refused():
    from lowtail._shared.parallel import as_rng

    with pytest.raises(lt.InputError, match="`rng` must be"):
        as_rng("seven")


def _imports(path):
    """Modules of lowtail that a module imports anywhere in it, inside functions and for types too."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("lowtail"):
            for name in node.names:
                yield f"{node.module}.{name.name}"
                yield node.module


def _graph():
    modules = {
        ".".join(p.relative_to(PACKAGE.parent).with_suffix("").parts).removesuffix(".__init__"): p
        for p in PACKAGE.rglob("*.py")
    }
    return {m: {d for d in _imports(p) if d in modules and d != m} for m, p in modules.items()}


def test_there_is_no_circle_of_imports():
    """Modules that import each other, directly or round about; the package itself, which loads lazily, left out."""
    graph = {m: d - {"lowtail"} for m, d in _graph().items() if m != "lowtail"}
    done, left = set(), dict(graph)
    while left:
        ready = [m for m, needs in left.items() if needs <= done]
        assert ready, f"a circle among {sorted(left)[:12]}"
        done |= set(ready)
        for module in ready:
            del left[module]


def test_no_folder_is_crowded_and_no_wing_holds_most_of_the_house():
    lines = {p: len(p.read_text(encoding="utf-8").splitlines()) for p in PACKAGE.rglob("*.py")}
    for folder in {p.parent for p in lines}:
        assert sum(p.parent == folder for p in lines) <= 15, folder.name
    wings = [f for f in PACKAGE.iterdir() if f.is_dir() and f.name != "__pycache__"]
    for wing in wings:
        assert sum(n for p, n in lines.items() if wing in p.parents) <= 0.4 * sum(lines.values()), wing.name


def test_tests_read_nothing_outside_the_repository():
    """Every path that a test builds from its own place stays below the top."""
    for path in (TOP / "tests").rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        deep = len(path.relative_to(TOP).parts) - 1
        for level in re.findall(r"__file__\)\.parents\[(\d)\]", text):
            assert int(level) <= deep, path
        assert f"parents[{deep}].parent" not in text and "../" + "shared" not in text, path
