"""Lessons: every answer of every variant, reckoned once more by hand; what a lesson is made of."""

import ast
import cmath
import inspect
import math
import re
from collections.abc import Iterator
from datetime import date
from functools import cache

import numpy as np
import pandas as pd
import pytest
from babel.messages.pofile import read_po
from pypdf import PdfReader
from typer.testing import CliRunner

from homeenergy import cli
from homeenergy.catalogue import FOLDER
from homeenergy.cli import documents
from homeenergy.readings import coarser_trace, open_house
from homeenergy.show.document.blocks import Bullets, Note, Table
from homeenergy.show.lesson import page, sheets
from homeenergy.show.lesson.clamps import pump_log
from homeenergy.show.lesson.duty_cycle import run_and_rest_s
from homeenergy.show.lesson.language import LANGUAGES, speaker
from homeenergy.show.lesson.lesson import LESSONS, make_lesson, raw_lesson, texts_of
from homeenergy.show.lesson.page import lesson_page, write_lessons
from homeenergy.show.lesson.parts import EDITIONS, VARIANTS
from homeenergy.show.lesson.sheets import key_blocks, plan_blocks, write_sheets
from homeenergy.simulate import CabinetModel, run_cabinet

from ..browser.pages import copy_house

ALL = [(name, edition) for name in LESSONS for edition in EDITIONS]


@cache
def lesson(name, edition="120", language="en"):
    return make_lesson(name, EDITIONS[edition], say=speaker(language))


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
        # 3.5 W leak in for a degree, 120 W move 180 W, between 2.5 and 5.5 degrees, 8 Wh a degree.
        "duty_cycle": {
            "thermostat_day": 120 * 3.5 * 18 / 180 * 24 / 1000,
            "thermostat_run": 60 * 8 / 3.5 * math.log((180 / 3.5 - 16.5) / (180 / 3.5 - 19.5)),
            "room_warm": 120 * 3.5 * 30 / 180 * 24 / 1000,
            "room_balance": 180 / 3.5 + 4,
            "room_stuck": 180 / 3.5 + 2.5,
            "seal_share": 7 * 18 / 180,
            "standby_year": 8 * 21 * 365 / 1000,
        },
        "what_a_clamp_reads": {
            "cable_both": 0,
            "watts_real": v * 5 * math.cos(math.radians(53)),
            "turns_reads": 16,
            "turns_limit": 25,
            "turns_multiplier": 0.5,
            # Half of the volts between the two: 240 V / 2, or 230 V x root 3 / 2.
            "between_one": 120 * 19 if edition == "120" else 230 * math.sqrt(3) / 2 * 10,
            "between_same": 0,
            "between_multiplier": 2,
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


@pytest.mark.parametrize("edition", EDITIONS)
def test_tasks_on_duty_cycle_follow_from_the_numbers_in_their_text(edition):
    for day, share, room, never, standby in lesson("duty_cycle", edition).variants:
        w, percent = numbers(day.text)
        assert day.answer == pytest.approx(w * percent / 100 * 24 / 1000)
        kwh, h, w = numbers(share.text)
        assert share.answer == pytest.approx(kwh * 1000 / h / w)
        inside, percent, kitchen, cellar = numbers(room.text)
        per_degree = percent / 100 / (kitchen - inside)
        assert room.answer == pytest.approx(per_degree * (cellar - inside))
        assert never.answer == pytest.approx(inside + 1 / per_degree)
        n, w, h, price = numbers(standby.text)
        assert standby.answer == pytest.approx(n * w * h * 365 / 1000 * price)
        assert standby.unit == EDITIONS[edition].currency


@pytest.mark.parametrize("edition", EDITIONS)
def test_tasks_on_clamps_follow_from_the_numbers_in_their_text(edition):
    for turns, same, opposite, between, phase in lesson("what_a_clamp_reads", edition).variants:
        n, reading = numbers(turns.text)
        assert turns.answer == pytest.approx(reading / n)
        a, b = numbers(same.text.replace("L1", ""))
        assert same.answer == pytest.approx(a + b)
        (angle,) = numbers(opposite.text.replace("L2", ""))
        assert angle == {"120": 180, "230": 120}[edition]
        assert opposite.answer == pytest.approx(abs(a + cmath.rect(b, math.radians(angle))))
        w, _, h = numbers(between.text.replace("L1", "").replace("L2", ""))
        assert between.answer == pytest.approx(w * h / 2000)
        shift, w, factor = numbers(phase.text)
        seen = math.acos(factor) - math.radians(shift)
        assert phase.answer == pytest.approx(w / factor * math.cos(seen))


def test_the_pump_is_that_of_the_sample_house(tmp_path):
    log = pump_log()
    copy_house(tmp_path / "house", circuits=("well_pump", "mains_l1", "mains_l2"))
    house = open_house(tmp_path / "house")
    start = pd.Timestamp(log["start"])
    for name in ("well_pump", "mains_l1", "mains_l2"):
        watts = house.trace(name, start, start + pd.Timedelta(180, "s")).watts
        np.testing.assert_array_equal(np.round(watts), log[name])
    steps = {q.name: q.answer for q in questions(lesson("what_a_clamp_reads"))}
    settled = np.median(log["mains_l1"][80:160]) - np.median(log["mains_l1"][:60])
    assert steps["pump_l1"] == pytest.approx(settled, rel=0.02)
    assert steps["pump_step"] == pytest.approx(2 * settled, rel=0.05)


def test_a_run_and_a_rest_in_closed_form_are_those_of_the_model():
    """The edges of two simulated days in steps of a second, by which a run may overshoot."""
    for room_c in (10.0, 22.0, 34.0, 50.0):
        watts = run_cabinet(room_c, hours_h=48, period_s=1).trace.watts
        edges = np.flatnonzero(np.diff(watts)) + 1
        spans = np.diff(edges)
        rests, runs = spans[::2], spans[1::2]
        run_s, rest_s = run_and_rest_s(CabinetModel(), room_c=room_c)
        assert run_s == pytest.approx(runs.mean(), rel=2e-3)
        assert rest_s == pytest.approx(rests.mean(), rel=2e-3)
    assert run_and_rest_s(CabinetModel(), room_c=54.0)[0] == math.inf
    assert run_cabinet(54.0, hours_h=48).trace.watts.min() == 120
    assert run_cabinet(53.8, hours_h=96).trace.watts.min() == 0


def test_means_of_slow_loggers_keep_the_energy():
    found = {q.name: q.answer for q in questions(lesson("duty_cycle"))}
    trace = run_cabinet(22.0, hours_h=12, period_s=1).trace
    hour = coarser_trace(trace, period_s=3600).watts
    # The inrush adds 880 W for a second, once or twice an hour.
    assert found["periods_highest"] == pytest.approx(hour.max(), abs=2.01 * 880 / 3600)
    assert found["periods_highest"] > hour.max()


def test_the_motor_is_that_of_the_book():
    """Kuphaldt, Lessons In Electric Circuits, volume II, chapter 11: 1.41 A, 0.705, 22.1 uF."""
    answers = {q.name: q.answer for q in questions(lesson("power_factor"))}
    assert answers["motor_factor"] == pytest.approx(0.7052320, rel=1e-6)
    assert answers["capacitor_least"] == pytest.approx(22.1045, rel=1e-5)
    assert answers["capacitor_amps"] == pytest.approx(0.994716, rel=2e-5)


def said_texts():
    """Every text that a lesson says: those of `texts/`, and those in calls of `say`."""
    for name in LESSONS:
        yield from texts_of(raw_lesson(name))
    for module in (page, sheets):
        for node in ast.walk(ast.parse(inspect.getsource(module))):
            saying = isinstance(node, ast.Call) and getattr(node.func, "id", "") == "say"
            if saying and isinstance(node.args[0], ast.Constant):
                yield node.args[0].value


@pytest.mark.parametrize("language", LANGUAGES[1:])
def test_every_text_is_in_the_catalogue_of_each_language(language):
    with (FOLDER / language / "lesson.po").open("rb") as file:
        catalogue = {entry.id: entry.string for entry in read_po(file) if entry.id}
    texts = set(said_texts())
    assert len(texts) > 450
    assert texts - catalogue.keys() == set()
    assert catalogue.keys() - texts == set(), "no longer said"
    for text in texts:
        # The same values, with as many digits.
        wanted, found = (
            sorted(set(re.findall(r"\{.*?\}|%.", one))) for one in (text, catalogue[text])
        )
        assert [one for one in wanted if one[0] == "{"] == [one for one in found if one[0] == "{"]
        if len(re.findall(r"[a-z]{3,}", re.sub(r"\{.*?\}", "", text))) > 3:
            assert catalogue[text] != text


def test_a_german_lesson_is_in_german_with_its_decimal_comma():
    found = lesson("power_factor", "230", "de")
    assert found.title.startswith("Leistungsfaktor")
    assert "0,74 A" in found.question
    for question in questions(found):
        for text in (question.text, question.why):
            assert not re.search(r"\d\.\d", text), text
            assert not re.search(r"\b(the|of|watts|and)\b", text), text


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
        assert different >= len(mine) - 1
    assert {task.level for task in found.variants[0]} == {1, 2, 3}


@pytest.mark.parametrize("name", LESSONS)
def test_a_lesson_takes_45_minutes(name):
    """With three to begin, five for tasks and two to close."""
    assert sum(step.minutes for step in lesson(name).steps) == 35


@pytest.mark.parametrize(("name", "edition"), ALL)
@pytest.mark.parametrize("language", LANGUAGES)
def test_a_page_is_one_small_file_that_asks_nobody(name, edition, language):
    text = lesson_page(lesson(name, edition, language), speaker(language), language=language)
    assert len(text.encode()) < 3_000_000
    assert "default-src 'none'" in text
    assert not re.search(r"""(src|href)=["'](?!data:)""", text.split("<script>")[0])
    assert "Permission is hereby granted" in text, "the charting library's licence"
    assert "NaN" not in text.split("showLesson(")[-1]


def test_what_cannot_be_written_is_refused(tmp_path):
    with pytest.raises(ValueError, match="edition must be one of 120, 230, got '110'"):
        write_lessons(tmp_path, edition="110")
    with pytest.raises(ValueError, match=r"language must be one of en.*, got 'tlh'"):
        write_lessons(tmp_path, language="tlh")
    done = CliRunner().invoke(cli.app, ["lesson", str(tmp_path), "--edition", "110"])
    assert done.exit_code == 2
    assert "120 or 230" in done.output


def test_the_command_writes_the_pages(tmp_path, monkeypatch):
    monkeypatch.setattr(documents, "find_spec", {}.get)
    done = CliRunner().invoke(cli.app, ["lesson", str(tmp_path / "class"), "--edition", "230"])
    assert done.exit_code == 0, done.output
    for name in LESSONS:
        assert f"Wrote {tmp_path / 'class' / name}.html" in done.output
        assert "homeenergy[writeup]" in done.output
        assert "230.0" in (tmp_path / "class" / f"{name}.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(("name", "edition"), ALL)
@pytest.mark.parametrize("language", LANGUAGES)
def test_the_key_has_the_answer_of_each_seat_to_three_digits(name, edition, language):
    found, say = lesson(name, edition, language), speaker(language)
    steps, tasks = (b for b in key_blocks(found, say) if isinstance(b, Table))
    asked = [q for step in found.steps for q in (step.predict, *step.then)]
    for row, question in zip(steps.rows, asked, strict=True):
        assert row[0].endswith(f") {question.text}")
        if question.choices:
            assert {c.text: c.right for c in question.choices}[row[1]]
        else:
            assert read_off(row[1]) == pytest.approx(question.answer, rel=5e-3, abs=1e-9)
    for row, by_seat in zip(tasks.rows, zip(*found.variants, strict=True), strict=True):
        for cell, task in zip(row[1:], by_seat, strict=True):
            assert read_off(cell) == pytest.approx(task.answer, rel=5e-3)
            assert cell.endswith(task.unit if task.unit != "1" else cell)


def read_off(cell):
    return float(cell.split()[0].replace(",", ".").replace("\N{MINUS SIGN}", "-"))


@pytest.mark.parametrize("name", LESSONS)
def test_the_plan_says_the_minutes_what_is_safe_and_the_mistakes(name):
    blocks = plan_blocks(lesson(name), speaker())
    (minutes,) = [b for b in blocks if isinstance(b, Table)]
    assert sum(int(row[2]) for row in minutes.rows) == 45
    (caution,) = [b for b in blocks if isinstance(b, Note)]
    for words in ("nothing live is opened", "Never open the secondary", "licensed electrician"):
        assert words in caution.text
    said = "\n".join(i for b in blocks if isinstance(b, Bullets) for i in b.items)
    assert "Not in class" in said or "nothing is opened" in said
    # Each mistake with the number of its step and the wrong answer, without which it says little.
    for number, step in enumerate(lesson(name).steps, start=1):
        for question in (step.predict, *step.then):
            for slip in question.slips:
                (told,) = [
                    i for i in said.split("\n") if i.endswith(f"\N{RIGHTWARDS ARROW} {slip.says}")
                ]
                assert told.startswith(f"({number}) ")
                wrong = read_off(told.partition(") ")[2])
                assert wrong == pytest.approx(slip.value, rel=5e-3)


def test_the_mistakes_that_a_class_makes_are_named():
    says = "\n".join(
        part.says
        for name in LESSONS
        for q in questions(lesson(name))
        for part in q.slips + q.choices
    )
    for words in (
        "Current is not used up",
        "Watts and volt-amperes are the same only where",
        "does not waste the energy on the bill",
        "Standby is not nothing",
        "A clamp measures amps",
    ):
        assert words in says


CASES = [(edition, "en") for edition in EDITIONS]
CASES += [pytest.param(e, one, marks=pytest.mark.study) for e in EDITIONS for one in LANGUAGES[1:]]


@pytest.mark.slow
@pytest.mark.parametrize(("edition", "language"), CASES)
def test_each_seat_has_one_page_and_the_key_one(edition, language, tmp_path):
    written = date(2026, 9, 1)
    paths = write_sheets(tmp_path, edition=edition, language=language, written=written)
    pages = {path.stem: PdfReader(path).pages for path in paths}
    assert len(pages) == 3 * len(LESSONS)
    for name in LESSONS:
        found = lesson(name, edition, language)
        assert len(pages[f"{name}_sheets"]) == VARIANTS
        assert len(pages[f"{name}_key"]) == 1
        assert len(pages[f"{name}_plan"]) <= 2
        for sheet, tasks in zip(pages[f"{name}_sheets"], found.variants, strict=True):
            flat = re.sub(r"\s+", "", sheet.extract_text())
            for task in tasks:
                assert re.sub(r"\s+", "", task.text) in flat
