"""Lessons as data: their texts, read from `texts/`, with the values of an edition put in."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from typing import Any

from homeenergy.show.lesson.clamps import clamp_tasks, clamp_values
from homeenergy.show.lesson.duty_cycle import duty_cycle_tasks, duty_cycle_values
from homeenergy.show.lesson.parts import (
    VARIANTS,
    Choice,
    Control,
    Draw,
    Edition,
    Lesson,
    Question,
    Say,
    Slip,
    Step,
    Values,
)
from homeenergy.show.lesson.power_factor import power_factor_tasks, power_factor_values

TEXTS = Path(__file__).parent / "texts"
# Values of the steps of each lesson, and of one variant of its tasks.
LESSONS: dict[str, tuple[Callable[[Edition], Values], Callable[[Edition, Draw], Values]]] = {
    "power_factor": (power_factor_values, power_factor_tasks),
    "duty_cycle": (duty_cycle_values, duty_cycle_tasks),
    "what_a_clamp_reads": (clamp_values, clamp_tasks),
}
# Keys whose texts are said in the language of the page; all others are names.
SAID = {"title", "question", "goals", "apparatus", "limits", "sources", "text", "observe"}
SAID |= {"explain", "why", "says", "label", "options"}


@cache
def raw_lesson(name: str) -> dict[str, Any]:
    """Read what `texts/` holds of a lesson, before values are put in."""
    return tomllib.loads((TEXTS / f"{name}.toml").read_text(encoding="utf-8"))


def texts_of(node: Any, *, said: bool = False) -> Iterator[str]:
    """Give every text of a lesson that is said, in its order: what a catalogue has to hold."""
    if isinstance(node, dict):
        for key, inner in node.items():
            # The first of a pair of options is its name.
            inner = [text for _, text in inner] if key == "options" else inner
            yield from texts_of(inner, said=key in SAID)
    elif isinstance(node, list):
        for inner in node:
            yield from texts_of(inner, said=said)
    elif isinstance(node, str) and said:
        yield node


def make_lesson(name: str, edition: Edition, *, say: Say, seed: int = 0) -> Lesson:
    """Give a lesson in one edition, in the language that `say` speaks.

    Parameters
    ----------
    name : str
        A key of `LESSONS`.
    edition : Edition
    say : callable
        From `speaker`.
    seed : int
        Another seed gives other numbers in the tasks.
    """
    raw, (of_steps, of_tasks) = raw_lesson(name), LESSONS[name]
    values = of_steps(edition)
    fill = _Filler(values, say)
    tasks = [
        _Filler(of_tasks(edition, Draw(seat, seed=seed)), say) for seat in range(1, VARIANTS + 1)
    ]
    return Lesson(
        name=name,
        title=fill.text(raw["title"]),
        question=fill.text(raw["question"]),
        goals=fill.texts(raw["goals"]),
        steps=tuple(_step(step, fill) for step in raw["step"]),
        variants=tuple(tuple(_question(one, seat) for one in raw["task"]) for seat in tasks),
        apparatus=fill.texts(raw["apparatus"]),
        limits=fill.texts(raw["limits"]),
        sources=fill.texts(raw["sources"]),
        edition=edition,
    )


class _Filler:
    """Puts values into texts, and gives the number that a name or a number means."""

    def __init__(self, values: Values, say: Say) -> None:
        self.values, self.say = values, say

    def text(self, text: str) -> str:
        return self.say(text, **self.values)

    def texts(self, texts: list[str]) -> tuple[str, ...]:
        return tuple(map(self.text, texts))

    def number(self, given: float | str) -> float:
        return float(self.values[given] if isinstance(given, str) else given)


def _step(raw: dict[str, Any], fill: _Filler) -> Step:
    return Step(
        name=raw["name"],
        title=fill.text(raw["title"]),
        text=fill.text(raw["text"]),
        predict=_question(raw["predict"], fill),
        figure=raw["figure"],
        given=raw.get("given", {}),
        controls=tuple(_control(one, fill) for one in raw["controls"]),
        observe=fill.text(raw["observe"]),
        explain=fill.text(raw["explain"]),
        then=tuple(_question(one, fill) for one in raw.get("then", ())),
        minutes=raw["minutes"],
    )


def _question(raw: dict[str, Any], fill: _Filler) -> Question:
    return Question(
        name=raw["name"],
        text=fill.text(raw["text"]),
        why=fill.text(raw["why"]),
        answer=fill.number(raw.get("answer", math.nan)),
        unit=str(fill.values["currency"]) if raw.get("unit") == "currency" else raw.get("unit", ""),
        within=raw.get("within", 0.03),
        slips=tuple(
            Slip(fill.number(one["value"]), fill.text(one["says"])) for one in raw.get("slips", ())
        ),
        choices=tuple(
            Choice(fill.text(one["text"]), fill.text(one["says"]), right=one.get("right", False))
            for one in raw.get("choices", ())
        ),
        level=raw.get("level", 1),
    )


def _control(raw: dict[str, Any], fill: _Filler) -> Control:
    return Control(
        name=raw["name"],
        label=fill.text(raw["label"]),
        unit=raw.get("unit", ""),
        **{key: fill.number(raw.get(key, 0)) for key in ("low", "high", "start")},
        step=raw.get("step", 1),
        digits=raw.get("digits", 0),
        options=tuple((value, fill.text(text)) for value, text in raw.get("options", ())),
    )
