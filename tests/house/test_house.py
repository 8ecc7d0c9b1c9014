"""Rules of the house: public names, lazy loading, words, layout."""

from __future__ import annotations

import ast
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
