"""Every notebook runs from top to bottom, with warnings of lowtail allowed and errors not."""

import os
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

import lowtail

TOP = Path(__file__).parents[2]
NOTEBOOKS = sorted((TOP / "notebooks").glob("*.ipynb"))


def test_there_are_notebooks():
    assert [p.name for p in NOTEBOOKS][:2] == ["01_first_series.ipynb", "02_report_figures.ipynb"]


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
@pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.filterwarnings("ignore::RuntimeWarning:zmq", "ignore::ResourceWarning", "ignore::UserWarning:zmq")
def test_notebook_runs(path, monkeypatch):
    source = str(Path(lowtail.__file__).parents[1])
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([source, os.environ.get("PYTHONPATH", "")]).rstrip(os.pathsep))
    monkeypatch.setenv("MPLBACKEND", "module://matplotlib_inline.backend_inline")
    notebook = nbformat.read(path, as_version=4)
    client = NotebookClient(
        notebook, timeout=600, kernel_name="python3", resources={"metadata": {"path": str(path.parent)}}
    )
    client.execute()
    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    assert code and all(cell.execution_count for cell in code)


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_notebook_holds_its_outputs_and_no_path_of_a_machine(path):
    notebook = nbformat.read(path, as_version=4)
    nbformat.validate(notebook)
    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    assert any(cell.outputs for cell in code)
    text = path.read_text(encoding="utf-8")
    assert "/home/" not in text and "/tmp/" not in text and "Traceback" not in text
    assert notebook.cells[0].cell_type == "markdown" and "nvented" in text
