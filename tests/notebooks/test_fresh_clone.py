"""Every notebook runs where nothing has been imported yet, and leaves the samples as they were."""

import shutil
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

ROOT = Path(__file__).parents[2]
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))


@pytest.mark.slow
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.name)
def test_runs_without_a_store(path, tmp_path):
    shutil.copytree(
        ROOT / "sample_data", tmp_path / "sample_data", ignore=shutil.ignore_patterns("store")
    )
    folder = tmp_path / "notebooks"
    folder.mkdir()
    notebook = nbformat.read(path, as_version=4)
    client = NotebookClient(notebook, timeout=120, resources={"metadata": {"path": str(folder)}})
    client.execute()
    for given in sorted((ROOT / "sample_data").rglob("*")):
        if given.is_file() and "store" not in given.parts:
            left = tmp_path / "sample_data" / given.relative_to(ROOT / "sample_data")
            assert left.read_bytes() == given.read_bytes(), f"{path.name} changed {left.name}"
