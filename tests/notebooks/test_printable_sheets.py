"""Teaching notebooks become sheets to print, by the command that they state."""

import re
import shlex
import subprocess
import sys
from pathlib import Path

import nbformat
import pytest

ROOT = Path(__file__).parents[2]
TEACHING = sorted((ROOT / "notebooks").glob("teach_*.ipynb"))


def test_there_are_teaching_notebooks():
    assert len(TEACHING) >= 3


@pytest.mark.parametrize("path", TEACHING, ids=lambda path: path.name)
def test_has_goals_questions_an_exercise_and_a_safety_box(path):
    cells = nbformat.read(path, as_version=4).cells
    text = "\n".join(cell.source for cell in cells if cell.cell_type == "markdown")
    assert "When you have worked through this you can" in text
    assert text.count("<details>") == text.count("</details>") >= 4
    assert "xercise" in text
    assert "> **Safety.**" in text
    for caution in (
        "qualified people",
        "fused",
        "never open the secondary",
        "licensed electrician",
    ):
        assert caution in text.lower()
    moved = [k for k, cell in enumerate(cells) if "\nsliders(" in "\n" + cell.source]
    assert moved
    for k in moved:
        assert "screen_only" in cells[k].metadata.tags
        pictures = [o for o in cells[k - 1].outputs if "image/png" in o.get("data", {})]
        assert pictures, "a picture that stays must stand before each slider"


# One in the tests that guard a change: what else is asked of all of them is above.
SHEETS = [TEACHING[0], *(pytest.param(path, marks=pytest.mark.study) for path in TEACHING[1:])]


@pytest.mark.slow
@pytest.mark.parametrize("path", SHEETS, ids=lambda path: path.name)
def test_the_command_makes_a_sheet(path, tmp_path):
    text = "\n".join(cell.source for cell in nbformat.read(path, as_version=4).cells)
    command = re.search(r"^jupyter nbconvert --to html .*$", text, re.MULTILINE)[0]
    words = shlex.split(command)
    assert words[-1] == path.name
    run = [sys.executable, "-m", "nbconvert", *words[2:-1], "--output-dir", str(tmp_path), path]
    subprocess.run(run, check=True, capture_output=True)
    page = (tmp_path / path.with_suffix(".html").name).read_text(encoding="utf-8")
    assert page.count("<img") >= 4
    folded = re.findall(r"<details>(.*?)</details>", page, re.DOTALL)
    assert len(folded) >= 4
    for piece in folded:
        assert len(re.findall(r"<p>.{20,}</p>", piece, re.DOTALL)) == 1, "an answer lies open"
    assert "widget-view" not in page.split("<body", 1)[1]
    assert "import homeenergy" not in page
    assert not re.search(r"""(src|href)=["']https?://""", page), "it would fetch something"
