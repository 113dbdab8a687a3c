"""A lesson's texts as cells of a teaching notebook: the same order and tasks as on its page.

A cell with a part of a lesson in its metadata, as ``{"lesson": "power_factor: motor, predict"}``,
holds what this file makes of that part; `python -m homeenergy.show.lesson` writes it anew.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from html import escape
from pathlib import Path

from homeenergy.files import write_text
from homeenergy.show.lesson.language import speaker
from homeenergy.show.lesson.lesson import LESSONS, make_lesson
from homeenergy.show.lesson.parts import EDITIONS, Lesson, Question, Step
from homeenergy.show.lesson.sheets import answer_text

NOTEBOOKS = {
    "power_factor": "teach_power_factor",
    "duty_cycle": "teach_duty_cycle",
    "what_a_clamp_reads": "teach_clamps",
}
SAY = speaker("en")
LEVELS = ("level 1", "level 2", "level 3")


def cell_text(part: str) -> str:
    """Give the Markdown of a part of a lesson in the edition of 120 V.

    Parameters
    ----------
    part : str
        The lesson, a colon, and one of: `opening`; `STEP, predict`; `STEP, explain`; `tasks`;
        `sources`.

    Raises
    ------
    KeyError
        If there is no such part.
    """
    name, _, rest = part.partition(": ")
    lesson = make_lesson(name, EDITIONS["120"], say=SAY)
    plain = {"opening": _opening, "tasks": _tasks, "sources": _sources}
    if rest in plain:
        return plain[rest](lesson)
    steps = {step.name: (number, step) for number, step in enumerate(lesson.steps, start=1)}
    which, _, half = rest.partition(", ")
    number, step = steps[which]
    return {"predict": _predict, "explain": _explain}[half](number, step)


def write_notebooks(folder: str | Path) -> list[Path]:
    """Put the texts of the lessons anew into the cells that name them; outputs stay.

    Parameters
    ----------
    folder : path
        That of the notebooks.

    Returns
    -------
    list of Path
    """
    paths = []
    for name in LESSONS:
        path = Path(folder) / f"{NOTEBOOKS[name]}.ipynb"
        notebook = json.loads(path.read_text(encoding="utf-8"))
        for cell in notebook["cells"]:
            if "lesson" in cell["metadata"]:
                cell["source"] = cell_text(cell["metadata"]["lesson"]).splitlines(keepends=True)
        write_text(path, json.dumps(notebook, indent=1, ensure_ascii=False) + "\n")
        paths.append(path)
    return paths


def _opening(lesson: Lesson) -> str:
    goals = "\n".join(f"{k}. {goal};" for k, goal in enumerate(lesson.goals, start=1))
    return (
        f"# {lesson.title}\n\n**The question.** {lesson.question}\n\n"
        f"**After this lesson you can**\n\n{goals[:-1]}.\n\n"
        "It takes 45 minutes. Predict before you run a cell, then observe, then unfold the "
        "explanation. Nothing leaves this computer.\n\n"
        "The same lesson for a class, as a page that runs in any browser and moves while you drag, "
        "with sheets and a key on paper: `homeenergy lesson my_class`."
    )


def _predict(number: int, step: Step) -> str:
    choices = "".join(f"\n- {choice.text}" for choice in step.predict.choices)
    return f"## {number}. {step.title}\n\n{step.text}\n\n**Predict.** {step.predict.text}" + (
        f"\n{choices}" if choices else ""
    )


def _explain(number: int, step: Step) -> str:
    told = f"{answer_text(step.predict, SAY)}. {step.predict.why} {step.explain}"
    return "\n\n".join(
        [
            f"**Observe.** {step.observe}",
            _folded(f"Explain {number}.", "Unfold when you have looked.", told),
            *(_answered(question) for question in step.then),
        ]
    )


def _tasks(lesson: Lesson) -> str:
    return "## Tasks\n\n" + "\n\n".join(
        _answered(task, LEVELS[task.level - 1]) for task in lesson.variants[0]
    )


def _answered(question: Question, level: str = "") -> str:
    head = f"Question ({level})." if level else "Question."
    return _folded(head, question.text, f"{answer_text(question, SAY)}. {question.why}")


def _folded(head: str, text: str, answer: str) -> str:
    return (
        f"<details>\n<summary><b>{escape(head)}</b> {escape(text)}</summary>\n"
        f"<p>{escape(answer, quote=False)}</p>\n</details>"
    )


def _sources(lesson: Lesson) -> str:
    def listed(texts: Sequence[str]) -> str:
        return "\n".join(f"- {text}" for text in texts)

    return (
        f"## Limits of the models, and sources\n\n{listed(lesson.limits)}\n\nSources:\n\n"
        f"{listed(lesson.sources)}"
    )
