"""A lesson on paper: the teacher's plan, a sheet for each seat and the key, from one source."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from datetime import date
from pathlib import Path
from typing import cast

from homeenergy.show.document.blocks import (
    Block,
    Bullets,
    Document,
    Heading,
    Note,
    Paper,
    Prose,
    Table,
    Together,
)
from homeenergy.show.document.files import write_document
from homeenergy.show.lesson.language import speaker
from homeenergy.show.lesson.lesson import LESSONS, make_lesson
from homeenergy.show.lesson.page import safety
from homeenergy.show.lesson.parts import (
    BEGIN_MIN,
    CLOSE_MIN,
    EDITIONS,
    TASKS_MIN,
    Lesson,
    Question,
    Say,
)

LINE = "_" * 18
BOX = "\N{BALLOT BOX}"


def write_sheets(
    folder: str | Path,
    *,
    edition: str = "120",
    language: str = "en",
    seed: int = 0,
    written: date | None = None,
) -> list[Path]:
    """Write plan, sheets and key of all lessons as PDF.

    Parameters
    ----------
    folder : path
        Made where it does not exist; files of the same names are replaced.
    edition, language, seed
        As for `write_lessons`: the same give the same tasks as the pages.
    written : date, optional
        That of the documents. Default: today.

    Returns
    -------
    list of Path

    Raises
    ------
    HouseError
        Where the libraries for documents are not installed.
    """
    say, folder = speaker(language), Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for name in LESSONS:
        lesson = make_lesson(name, EDITIONS[edition], say=say, seed=seed)
        made = {"plan": plan_blocks, "sheets": sheet_blocks, "key": key_blocks}
        for kind, blocks_of in made.items():
            document = Document(
                title=lesson.title,
                blocks=tuple(blocks_of(lesson, say)),
                written=written or date.today(),
                language=language,
                paper=cast(Paper, lesson.edition.paper),
            )
            paths.append(write_document(document, folder / f"{name}_{kind}.pdf"))
    return paths


def answer_text(question: Question, say: Say) -> str:
    """Give the answer as a key prints it: three digits and the unit, or the right choice."""
    if question.choices:
        return next(choice.text for choice in question.choices if choice.right)
    return value_text(question.answer, question.unit, say)


def value_text(value: float, unit: str, say: Say) -> str:
    """Write a value with three digits, fewer where it is exact with fewer, and its unit."""
    digits = max(0, 2 - math.floor(math.log10(abs(value)))) if value else 0
    # Zeros at the end of what is exact say nothing.
    exact = (d for d in range(digits) if math.isclose(value, round(value, d), rel_tol=1e-9))
    shown = say(f"{{value:.{next(exact, digits)}f}}", value=value)
    return shown if unit == "1" else f"{shown} {unit}"


def plan_blocks(lesson: Lesson, say: Say) -> Sequence[Block]:
    """Give the plan of 45 minutes: goals, parts, apparatus, mistakes, limits, sources."""
    rows = [(say("Begin: the question, safety, seats"), say("together"), BEGIN_MIN)]
    way = say("predict alone, observe in pairs, explain together")
    rows += [(f"{k}. {step.title}", way, step.minutes) for k, step in enumerate(lesson.steps, 1)]
    rows += [
        (say("Tasks, at the level of each pupil"), say("alone; neighbours differ"), TASKS_MIN),
        (say("Close: save or print; the question again"), say("together"), CLOSE_MIN),
    ]
    mistakes = [
        f"({number}) {wrong} \N{RIGHTWARDS ARROW} {says}"
        for number, question in _asked_in(lesson)
        for wrong, says in _mistakes(question, say)
    ]
    return (
        Prose(text=lesson.question),
        Heading(text=say("What pupils can do afterwards")),
        Bullets(items=lesson.goals),
        Heading(text=say("45 minutes")),
        Table(
            head=(say("Part"), say("How"), say("Minutes")),
            rows=tuple((part, how, f"{minutes}") for part, how, minutes in rows),
            numeric=frozenset({2}),
        ),
        Heading(text=say("To demonstrate, with what is safe")),
        Note(about=say("Safety"), text=safety(say)),
        Bullets(items=lesson.apparatus),
        Heading(text=say("What the pages say to common mistakes")),
        Bullets(items=tuple(mistakes)),
        Heading(text=say("Limits of the models")),
        Bullets(items=lesson.limits),
        Heading(text=say("Sources")),
        Bullets(items=lesson.sources),
    )


def _asked_in(lesson: Lesson) -> Iterator[tuple[int, Question]]:
    """Give the questions of the steps, each with the number of its step."""
    for number, step in enumerate(lesson.steps, start=1):
        yield from ((number, question) for question in (step.predict, *step.then))


def _mistakes(question: Question, say: Say) -> Iterator[tuple[str, str]]:
    """Give wrong answers that are foreseen, and what is said to each."""
    for slip in question.slips:
        yield value_text(slip.value, question.unit, say), slip.says
    for choice in question.choices:
        if not choice.right:
            yield choice.text, choice.says


def sheet_blocks(lesson: Lesson, say: Say) -> Sequence[Block]:
    """Give a page for each seat: predictions to make, what was observed, tasks to solve."""
    blocks: list[Block] = []
    for seat, tasks in enumerate(lesson.variants, start=1):
        head = say("Seat {seat:.0f}: predict, observe, explain", seat=seat)
        answer = say("answer")
        blocks += [
            Heading(text=head, new_page=seat > 1),
            Prose(text=f"{say('Name')}: {LINE}{LINE}   {say('Date')}: {LINE}"),
            Bullets(
                mark="1.",
                items=tuple(
                    _asked(f"{step.title}. {step.text}", step.predict, say) for step in lesson.steps
                ),
            ),
            Heading(text=say("Tasks, with unit"), level=2),
            Bullets(
                mark="1.",
                items=tuple(f"{_leveled(task, say)} {answer}: {LINE}" for task in tasks),
            ),
        ]
    return blocks


def _asked(text: str, question: Question, say: Say) -> tuple[Prose]:
    """Give a prediction to make: boxes to tick or a line to write on, and one for what was seen."""
    boxes = [f"{BOX} {choice.text}" for choice in question.choices]
    wanted = "   ".join(boxes or [f"{say('prediction')}: {LINE}"])
    return (Prose(text=f"{text} {question.text}\n\n{wanted}   {say('observed')}: {LINE}"),)


def _leveled(task: Question, say: Say) -> str:
    return f"({say('level {level:.0f}', level=task.level)}) {task.text}"


def key_blocks(lesson: Lesson, say: Say) -> Sequence[Block]:
    """Give the key: answers of the steps with the reason, and of the tasks by seat."""
    seats = [f"{seat}" for seat in range(1, len(lesson.variants) + 1)]
    by_task = zip(*lesson.variants, strict=True)
    return (
        Heading(text=say("Key to the steps")),
        Table(
            head=(say("Question"), say("Answer"), say("Why")),
            rows=tuple(
                (f"({k}) {q.text}", answer_text(q, say), q.why) for k, q in _asked_in(lesson)
            ),
        ),
        Heading(text=say("Key to the tasks, by seat")),
        Table(
            head=(say("Task"), *seats),
            rows=tuple(
                (f"{k}", *(answer_text(task, say) for task in tasks))
                for k, tasks in enumerate(by_task, start=1)
            ),
        ),
        Together(
            blocks=(
                Heading(text=say("How seat 1 is worked out"), level=2),
                Bullets(mark="1.", items=tuple(task.why for task in lesson.variants[0])),
            )
        ),
    )
