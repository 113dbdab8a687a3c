"""Teaching notebooks become sheets to print, by the command that they state."""

import re
import shlex
import subprocess
import sys
from pathlib import Path

import nbformat
import pytest

from homeenergy.show.lesson.language import speaker
from homeenergy.show.lesson.lesson import make_lesson, raw_lesson
from homeenergy.show.lesson.notebook import cell_text
from homeenergy.show.lesson.parts import EDITIONS

ROOT = Path(__file__).parents[2]
TEACHING = sorted((ROOT / "notebooks").glob("teach_*.ipynb"))


def test_there_are_teaching_notebooks():
    assert len(TEACHING) >= 3


@pytest.mark.parametrize("path", TEACHING, ids=lambda path: path.name)
def test_texts_are_those_of_the_lesson_and_its_pages(path):
    """One source: a cell that names a part of a lesson holds what that part is made into."""
    cells = nbformat.read(path, as_version=4).cells
    named = {cell.metadata["lesson"]: cell.source for cell in cells if "lesson" in cell.metadata}
    (name,) = {part.partition(": ")[0] for part in named}
    steps = [step["name"] for step in raw_lesson(name)["step"]]
    halves = [f"{step}, {half}" for step in steps for half in ("predict", "explain")]
    order = ["opening", *halves, "tasks", "sources"]
    assert list(named) == [f"{name}: {part}" for part in order]
    for part, text in named.items():
        assert text == cell_text(part), f"{part}: run python -m homeenergy.show.lesson"


@pytest.mark.parametrize("path", TEACHING, ids=lambda path: path.name)
def test_the_answer_is_folded_until_a_prediction_was_made(path):
    cells = nbformat.read(path, as_version=4).cells
    lesson = make_lesson(
        cells[0].metadata["lesson"].partition(": ")[0], EDITIONS["120"], say=speaker()
    )
    seen = ""
    for cell in cells:
        if cell.cell_type == "markdown":
            seen += re.sub(r"<details>.*?</details>", "", cell.source, flags=re.DOTALL)
    for step in lesson.steps:
        assert step.predict.text in seen
        assert step.predict.why not in seen
        assert step.explain not in seen


@pytest.mark.parametrize("path", TEACHING, ids=lambda path: path.name)
def test_has_goals_questions_an_exercise_and_a_safety_box(path):
    cells = nbformat.read(path, as_version=4).cells
    text = "\n".join(cell.source for cell in cells if cell.cell_type == "markdown")
    assert "After this lesson you can" in text
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
        assert len(re.findall(r"<p>.{10,}</p>", piece, re.DOTALL)) == 1, "an answer lies open"
    assert "widget-view" not in page.split("<body", 1)[1]
    assert "import homeenergy" not in page
    assert not re.search(r"""(src|href)=["']https?://""", page), "it would fetch something"
