"""The studies are scripts, run by hand; only the tests beside them are collected, and may load a script by its name."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest

HERE = Path(__file__).parent
collect_ignore = [p.name for p in HERE.glob("*.py") if not p.name.startswith(("test_", "conftest"))]


@pytest.fixture(scope="session")
def study():
    """Load a study's script: ``study("coverage")``."""

    def load(name):
        spec = importlib.util.spec_from_file_location(f"truth_{name}", HERE / f"{name}.py")
        module = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
        return module

    return load
