"""Lessons: every answer of every variant, reckoned once more by hand; what a lesson is made of."""

import math
import re
from collections.abc import Iterator
from functools import cache

import pytest
from typer.testing import CliRunner

from homeenergy import cli
from homeenergy.show.lesson.language import LANGUAGES, speaker
from homeenergy.show.lesson.lesson import LESSONS, make_lesson
from homeenergy.show.lesson.page import lesson_page, write_lessons
from homeenergy.show.lesson.parts import EDITIONS, VARIANTS

ALL = [(name, edition) for name in LESSONS for edition in EDITIONS]


@cache
def lesson(name, edition="120", language="en"):
    return make_lesson(name, EDITIONS[edition], speaker(language))


def questions(found) -> Iterator:
    """Those of the steps, then those of all variants."""
    for step in found.steps:
        yield from (step.predict, *step.then)
    for tasks in found.variants:
        yield from tasks


def numbers(text):
    """Numbers of a text in the order in which they stand, with what follows them at once."""
    return [float(one) for one in re.findall(r"\d+(?:\.\d+)?", text)]


def by_hand(name, edition):
    """Answers of the steps of a lesson, from closed forms, not from the library's samples."""
    mains = EDITIONS[edition]
    v, turn = mains.volts_v, 2 * math.pi * mains.frequency_hz
    r, x = mains.motor_ohm, turn * mains.motor_h
    z = math.hypot(r, x)
    # With harmonics: the susceptance of each order, weighted as in the mean square of the current.
    shares = {1: 1.0, 5: 0.06}
    wanted = sum(h * s**2 * h * x / (r**2 + (h * x) ** 2) for h, s in shares.items())
    return {
        "power_factor": {
            "heater_mean": v**2 / mains.heater_ohm,
            "motor_factor": r / z,
            "capacitor_least": 1e6 * x / z**2 / turn,
            "capacitor_amps": v * r / z**2,
            "distorted_least": 1e6 * wanted / sum((h * s) ** 2 for h, s in shares.items()) / turn,
            "dimmer_factor": math.sqrt(0.5),
        },
    }[name]


@pytest.mark.parametrize(("name", "edition"), ALL)
def test_answers_of_the_steps_are_those_by_hand(name, edition):
    expected = by_hand(name, edition)
    found = {q.name: q.answer for q in questions(lesson(name, edition)) if not q.choices}
    for question, answer in expected.items():
        assert found[question] == pytest.approx(answer, rel=1e-6), question


@pytest.mark.parametrize("edition", EDITIONS)
def test_tasks_on_power_factor_follow_from_the_numbers_in_their_text(edition):
    hertz = EDITIONS[edition].frequency_hz
    for watts, amps, capacitor, wire in lesson("power_factor", edition).variants:
        a, v, factor = numbers(watts.text)
        assert watts.answer == pytest.approx(a * v * factor)
        w, v, low = numbers(amps.text)
        assert amps.answer == pytest.approx(w / (v * low))
        var = math.sqrt((w / low) ** 2 - w**2)
        assert capacitor.answer == pytest.approx(1e6 * var / (2 * math.pi * hertz * v**2))
        w, v, factor, ohm = numbers(wire.text)
        saved_w = ohm * ((w / v / factor) ** 2 - (w / v) ** 2)
        assert wire.answer == pytest.approx(saved_w)


def test_the_motor_is_that_of_the_book():
    """Kuphaldt, Lessons In Electric Circuits, volume II, chapter 11: 1.41 A, 0.705, 22.1 uF."""
    answers = {q.name: q.answer for q in questions(lesson("power_factor"))}
    assert answers["motor_factor"] == pytest.approx(0.7052320, rel=1e-6)
    assert answers["capacitor_least"] == pytest.approx(22.1045, rel=1e-5)
    assert answers["capacitor_amps"] == pytest.approx(0.994716, rel=2e-5)


@pytest.mark.parametrize(("name", "edition"), ALL)
def test_a_slip_is_no_right_answer_and_says_something_of_its_own(name, edition):
    for question in questions(lesson(name, edition)):
        assert question.text
        assert question.why
        if question.choices:
            assert sum(choice.right for choice in question.choices) == 1
            says = [choice.says for choice in question.choices]
        else:
            assert math.isfinite(question.answer)
            assert question.unit
            says = [slip.says for slip in question.slips]
            for slip in question.slips:
                far = abs(slip.value - question.answer)
                assert far > question.within * abs(question.answer), (question.name, slip)
        assert len(set(says)) == len(says)


@pytest.mark.parametrize(("name", "edition"), ALL)
def test_neighbours_have_different_tasks_at_three_levels(name, edition):
    found = lesson(name, edition)
    assert len(found.variants) == VARIANTS
    for mine, next_to_me in zip(found.variants, found.variants[1:], strict=False):
        different = sum(a.answer != b.answer for a, b in zip(mine, next_to_me, strict=True))
        assert different >= len(mine) / 2
    assert {task.level for task in found.variants[0]} == {1, 2, 3}


@pytest.mark.parametrize(("name", "edition"), ALL)
@pytest.mark.parametrize("language", LANGUAGES)
def test_a_page_is_one_small_file_that_asks_nobody(name, edition, language):
    page = lesson_page(lesson(name, edition, language), speaker(language), language=language)
    assert len(page.encode()) < 3_000_000
    assert "default-src 'none'" in page
    assert not re.search(r"""(src|href)=["'](?!data:)""", page.split("<script>")[0])
    assert "Permission is hereby granted" in page, "the charting library's licence"
    assert "nan" not in re.findall(r"[a-z]+", page.split("showLesson(")[-1].lower())


def test_what_cannot_be_written_is_refused(tmp_path):
    with pytest.raises(ValueError, match="edition must be one of 120, 230, got '110'"):
        write_lessons(tmp_path, edition="110")
    with pytest.raises(ValueError, match=r"language must be one of en.*, got 'tlh'"):
        write_lessons(tmp_path, language="tlh")
    done = CliRunner().invoke(cli.app, ["lesson", str(tmp_path), "--edition", "110"])
    assert done.exit_code == 2
    assert "120 or 230" in done.output


def test_the_command_writes_the_pages(tmp_path):
    done = CliRunner().invoke(cli.app, ["lesson", str(tmp_path / "class"), "--edition", "230"])
    assert done.exit_code == 0, done.output
    for name in LESSONS:
        assert f"Wrote {tmp_path / 'class' / name}.html" in done.output
        assert "230 V" in (tmp_path / "class" / f"{name}.html").read_text(encoding="utf-8")
