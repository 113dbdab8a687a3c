"""A notebook runs where nothing has been imported yet, and leaves the samples as they were.

That all of them run is seen in the browser, or by nbval; here it is the one that people open first,
and that every notebook which opens a sample house imports it before.
"""

import ast
import shutil
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

ROOT = Path(__file__).parents[2]
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))
FIRST = [ROOT / "notebooks" / "1_start_here.ipynb"]


@pytest.mark.study  # in the browser, too, it runs without a store and leaves the samples alone
@pytest.mark.parametrize("path", FIRST, ids=lambda path: path.name)
def test_runs_without_a_store(path, tmp_path):
    shutil.copytree(
        ROOT / "sample_data", tmp_path / "sample_data", ignore=shutil.ignore_patterns("store")
    )
    folder = tmp_path / "notebooks"
    folder.mkdir()
    notebook = nbformat.read(path, as_version=4)
    client = NotebookClient(notebook, timeout=600, resources={"metadata": {"path": str(folder)}})
    client.execute()
    for given in sorted((ROOT / "sample_data").rglob("*")):
        if given.is_file() and "store" not in given.parts:
            left = tmp_path / "sample_data" / given.relative_to(ROOT / "sample_data")
            assert left.read_bytes() == given.read_bytes(), f"{path.name} changed {left.name}"


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.name)
def test_a_sample_house_is_imported_before_it_is_opened(path):
    cells = nbformat.read(path, as_version=4).cells
    code = "\n".join(cell.source for cell in cells if cell.cell_type == "code")
    opened = [code.find(call) for call in ("open_house(", "write_up(f") if call in code]
    if opened:
        before = code[: min(opened) + 1]
        assert "import_logs(" in before or "my_house(" in before


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.name)
def test_every_name_that_a_notebook_imports_is_there(path):
    cells = nbformat.read(path, as_version=4).cells
    lines = "\n".join(cell.source for cell in cells if cell.cell_type == "code").splitlines()
    tree = ast.parse("\n".join(line for line in lines if not line.startswith("%")))
    imports = [node for node in ast.walk(tree) if isinstance(node, ast.Import | ast.ImportFrom)]
    assert imports
    for node in imports:
        exec(ast.unparse(node), {})
