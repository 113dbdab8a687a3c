"""The panels that compare, and that tell idle from use, without a browser."""

import datetime
import html
import math
import os
import re
import shutil
import threading
import time
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from homeenergy.errors import HouseError
from homeenergy.findings import compare, house_findings, idle_or_use, switching_off
from homeenergy.readings import open_house
from homeenergy.show import compare_panel, idle_panel
from homeenergy.show.figures.comparison import plot_differences
from homeenergy.show.panels import house_panel
from homeenergy.show.panels import house_panel as known_module
from homeenergy.show.panels.compare import QUESTIONS, CompareState, first_state, update
from homeenergy.show.panels.house_panel import known_house, programmes_of
from homeenergy.show.panels.idle import ALL, IdleState
from homeenergy.show.panels.idle import update as idle_update
from homeenergy.show.panels.marks import Scale, comparison_marks, scale_of
from tests.findings.small_house import made_house, switched

WAIT_S = 600  # only where something hangs
DAYS = 21
OUTDOOR = "time,celsius\n" + "".join(
    f"2026-03-{day:02d}T{hour:02d}:00Z,{day % 9 + hour / 4}\n"
    for day in range(2, 23)
    for hour in range(24)
)


def laundry(days=DAYS):
    """One long wash on even days, one short on odd ones; the machine draws 2 W between them."""
    rng = np.random.default_rng(5)
    watts = np.full(days * 1440, 2.0)
    for day in range(days):
        minutes, draw = (90, 800.0) if day % 2 == 0 else (40, 400.0)
        at = day * 1440 + 600 + int(rng.integers(60))
        watts[at : at + minutes] = draw * rng.normal(1, 0.004)
    return watts


def circuits():
    kettle = switched(DAYS, (7, 19), on_w=2000.0, lasts_h=0.1, rest_w=1.0)
    fridge = switched(DAYS, range(0, 24, 2), on_w=90.0, lasts_h=0.7, rest_w=1.0)
    return {"washer": laundry(), "kettle": kettle, "fridge": fridge}


@pytest.fixture(scope="module")
def house(tmp_path_factory):
    named = '[[programme]]\ncircuit = "washer"\nname = "Quick"\nminutes = 40\nkwh = 0.27'
    settings = {
        "washer": 'appliance = "Washing machine"\nkind = "batch"',
        "kettle": 'kind = "manual"\n[circuit.clamp]\nuncertainty = 0.02',
        "fridge": 'appliance = "Refrigerator"\nkind = "thermostatic"\n' + named,
    }
    folder = tmp_path_factory.mktemp("houses") / "mill"
    made = made_house(folder, circuits(), tariff=("EUR", 0.3), circuits=settings)
    (folder / "outdoor.csv").write_text(OUTDOOR, encoding="utf-8")
    return made


@pytest.fixture(scope="module")
def known(house):
    return known_house(house)


@pytest.fixture
def lone(tmp_path):
    """A house of one circuit that never runs."""
    return made_house(tmp_path / "mill", {"box": np.full(DAYS * 1440, 2.0)})


def words(widget):
    return html.unescape(re.sub("<[^>]+>", " ", widget.value)).strip()


def code_in(panel):
    area = re.search("<textarea[^>]*>(.*)</textarea>", panel.asking.code.value, re.DOTALL)
    return html.unescape(area[1])


def wait_for(condition):
    end = time.monotonic() + WAIT_S
    while not condition():
        assert time.monotonic() < end, "not done in time"
        time.sleep(0.02)


def state_of(known, what, **other):
    state = replace(first_state(known), what=what, **other)
    return replace(state, per="day") if what == "appliances" and "per" not in other else state


STATES = [
    ("programmes", {}),
    ("programmes", {"per": "load", "weekly": 3.5}),
    ("appliances", {}),
    ("appliances", {"per": "use", "weekly": 4.0}),
    ("weekend", {}),
    ("weekdays", {}),
    ("hours", {}),
    ("change", {}),
    ("change", {"at": datetime.date(2026, 3, 12), "weather": False}),
    ("change", {"a": "kettle", "at": datetime.date(2026, 3, 12)}),
]


def test_it_begins_with_the_two_programmes_of_a_machine(known):
    state = first_state(known)
    assert (state.what, state.a) == ("programmes", "washer")
    assert state.programme_b == "Quick"
    answer = update(known, state)
    long_kwh = programmes_of(known, "washer").runs(state.programme_a)
    energy = known.findings["washer"].cycles.table["energy_wh"].to_numpy() / 1000
    difference = energy[long_kwh].mean() - energy[~long_kwh].mean()
    assert answer.result.difference.value == pytest.approx(difference, rel=1e-9)
    assert 0.9 < difference < 1.0
    assert answer.result.differs
    assert answer.sentence == answer.result.sentence


@pytest.mark.parametrize(("what", "other"), STATES)
def test_the_code_gives_the_same_numbers(known, what, other):
    answer = update(known, state_of(known, what, **other))
    names = {}
    exec(answer.code, names)
    assert answer.code.splitlines()[-1] == "found"
    pd.testing.assert_frame_equal(names["found"].to_frame(), answer.result.to_frame())


@pytest.mark.parametrize(("what", "other"), STATES)
def test_every_answer_has_sentence_table_figure_and_words(known, what, other):
    answer = update(known, state_of(known, what, **other))
    assert answer.sentence.endswith(".")
    assert {len(row) for row in answer.rows} == {len(answer.heads)}
    assert answer.sentence in answer.words
    for row in answer.rows:
        assert row[0] in answer.words
    (ax, *_) = answer.draw().axes
    assert "kWh" in ax.get_xlabel() + ax.get_ylabel()


def test_given_runs_a_week_are_in_the_worth(known):
    seen, given = (
        update(known, state_of(known, "programmes", weekly=weekly)).result for weekly in (None, 3.5)
    )
    assert given.cost_per_year.value / seen.cost_per_year.value == pytest.approx(3.5 / seen.weekly)
    assert "at 3.5 runs a week" in given.sentence


def test_the_clamp_is_in_the_answer_of_a_change(known):
    answer = update(known, state_of(known, "change", a="kettle", at=datetime.date(2026, 3, 12)))
    level = answer.result.before_kwh
    assert level.systematic == pytest.approx(0.02 * level.value, rel=1e-6)


def test_temperatures_count_only_if_asked_for(known):
    at = {"at": datetime.date(2026, 3, 12)}
    for weather in (True, False):
        found = update(known, state_of(known, "change", weather=weather, **at)).result
        assert (found.balance is None) == (not weather) or found.days["celsius"].notna().all()
    assert "read_outdoor" not in update(known, state_of(known, "change", weather=False, **at)).code


def test_with_itself_too_few_runs_and_one_programme_are_said(known):
    state = first_state(known)
    with pytest.raises(HouseError, match="with itself"):
        update(known, replace(state, programme_b=state.programme_a))
    with pytest.raises(HouseError, match="with itself"):
        update(known, replace(state, what="appliances", per="day", b=state.a))
    with pytest.raises(HouseError, match="one programme"):
        update(known, replace(state, a="kettle"))


def test_fewer_than_three_runs_are_said(tmp_path):
    watts = {"washer": laundry(2), "kettle": circuits()["kettle"][: 2 * 1440]}
    known = known_house(made_house(tmp_path / "mill", watts))
    state = CompareState(a="washer", b="kettle")
    with pytest.raises(HouseError, match="of 2 runs are complete"):
        update(known, state)
    with pytest.raises(HouseError, match="at least 3"):
        update(known, replace(state, what="appliances", per="run"))


def test_differences_that_are_shown_have_another_mark(known):
    found = update(known, state_of(known, "hours")).result
    ax = plot_differences(found)
    faces = [line.get_markerfacecolor() for line in ax.lines if line.get_marker() == "D"]
    assert [face != "white" for face in faces] == [one.differs for one in found.all]
    assert 0 < len(found.differing) < 24
    assert f"{len(found.differing)} of 24" in ax.get_title(loc="left")


def test_of_many_hours_that_differ_the_furthest_are_named(known):
    found = update(known, state_of(known, "hours")).result
    text = found.sentence
    if len(found.differing) > 7:
        assert text.count(" kWh ") == 3
        assert f"and {len(found.differing) - 3} others" in text
        greatest = max(found.differing, key=lambda one: abs(one.difference.value))
        assert greatest.name_a in text


def test_picking_changes_the_answer(house):
    panel = compare_panel(house).panel
    first = words(panel.asking.sentence)
    assert first.startswith("Washing machine")
    assert panel.programme_a.layout.display is None
    assert panel.b.layout.display == "none"
    panel.what.value = "appliances"
    assert panel.programme_a.layout.display == "none"
    assert panel.b.layout.display is None
    assert panel.weekly.layout.display == "none"
    assert " per day " in words(panel.asking.sentence)
    picture = panel.asking.picture.value
    panel.per.value = "use"
    assert panel.weekly.layout.display is None
    assert panel.asking.picture.value != picture
    panel.what.value = "programmes"
    panel.per.value = "run"
    assert words(panel.asking.sentence) == first
    for what in QUESTIONS.values():
        panel.what.value = what
        assert words(panel.asking.sentence) or words(panel.asking.message)
        assert "Traceback" not in panel.asking.message.value


def test_the_code_on_the_page_runs(house):
    panel = compare_panel(house).panel
    panel.weekly.value = "3,5"
    names = {}
    exec(code_in(panel), names)
    assert names["found"].sentence == words(panel.asking.sentence)


def test_what_goes_wrong_is_one_sentence_and_nothing_else_is_shown(house):
    panel = compare_panel(house).panel
    panel.weekly.value = "often"
    assert words(panel.asking.message).startswith("'often' is not a number of runs a week")
    assert "role='alert'" in panel.asking.message.value
    assert panel.asking.picture.value == panel.asking.code.value == ""
    panel.weekly.value = ""
    assert panel.asking.message.value == ""
    panel.programme_b.value = panel.programme_a.value
    assert "with itself. Name two" in words(panel.asking.message)
    panel.a.value = "kettle"
    assert "one programme" in words(panel.asking.message)
    panel.a.value = "washer"
    assert words(panel.asking.sentence).startswith("Washing machine")


def test_one_circuit_that_never_runs(lone):
    panel = compare_panel(lone).panel
    assert panel.what.value == "weekend"
    assert "no significant difference" in words(panel.asking.sentence)
    panel.what.value = "programmes"
    assert "0 of 0 runs" in words(panel.asking.message)
    panel.what.value = "appliances"
    assert "with itself" in words(panel.asking.message)
    idle = idle_panel(lone).panel
    assert len(idle.appliance.options) == 1
    assert words(idle.asking.sentence) or words(idle.asking.message)


def test_findings_that_are_given_are_not_worked_out_again(house, monkeypatch):
    findings = house_findings(house, circuits=["washer", "kettle"])
    monkeypatch.setattr(known_module, "house_findings", None)
    panel = compare_panel(house, findings=findings).panel
    assert {name for _, name in panel.a.options} == {"washer", "kettle"}


def test_a_house_without_a_store_offers_to_import(house, tmp_path):
    shutil.copytree(house.path, tmp_path / "mill", ignore=shutil.ignore_patterns("store"))
    for make in (compare_panel, idle_panel):
        shutil.rmtree(tmp_path / "mill" / "store", ignore_errors=True)
        frame = make(open_house(tmp_path / "mill"))
        text, button = frame.children[0].children
        assert "Nothing has been imported" in text.value
        button.click()
        wait_for(lambda frame=frame: hasattr(frame, "panel"))
        assert words(frame.panel.asking.sentence)


def test_a_file_that_cannot_be_used_is_one_sentence_and_may_be_mended(house, tmp_path):
    shutil.copytree(house.path, tmp_path / "mill")
    path = tmp_path / "mill" / "outdoor.csv"
    path.write_text("time,celsius\nyesterday,3\n", encoding="utf-8")
    frame = compare_panel(open_house(tmp_path / "mill"))
    said, again = frame.children
    assert "outdoor.csv" in said.value
    path.unlink()
    again.click()
    assert frame.panel.weather.disabled


def test_a_large_house_is_worked_out_beside_the_notebook_and_can_be_stopped(house, monkeypatch):
    monkeypatch.setattr(house_panel, "AT_ONCE_SAMPLES", 0)
    begun, go_on = threading.Event(), threading.Event()
    plain = known_module.house_findings

    def slow(*given, **options):
        begun.set()
        go_on.wait(WAIT_S)
        return plain(*given, **options)

    monkeypatch.setattr(known_module, "house_findings", slow)
    frame = compare_panel(house)
    (row,) = frame.children
    _, stop, _ = row.children
    assert begun.wait(WAIT_S)
    stop.click()
    go_on.set()
    wait_for(lambda: len(frame.children) == 2)
    assert "Stopped before all appliances" in frame.children[0].value
    assert not hasattr(frame, "panel")
    frame.children[1].click()
    wait_for(lambda: hasattr(frame, "panel"))
    assert words(frame.panel.asking.sentence).startswith("Washing machine")


def test_idle_code_gives_the_same_numbers(known):
    for circuit in (ALL, *known.findings):
        for off_h in (24.0, 10.0):
            answer = idle_update(known, IdleState(circuit=circuit, off_h_per_day=off_h))
            names = {}
            exec(answer.code, names)
            pairs = zip(names["found"], answer.result, strict=True)
            for ours, theirs in pairs:
                pd.testing.assert_frame_equal(ours.to_frame(), theirs.to_frame())


def test_idle_of_one_says_both_and_what_to_beware_of(known):
    answer = idle_update(known, IdleState(circuit="washer", off_h_per_day=10.0))
    by_hand = switching_off(idle_or_use(known.findings["washer"]), off_h_per_day=10)
    assert answer.sentence == f"{by_hand.idle_use.sentence} {by_hand.sentence}"
    assert answer.cautions == by_hand.cautions
    assert any("licensed electrician" in text for text in answer.cautions)
    fridge = idle_update(known, IdleState(circuit="fridge"))
    assert "has to stay on: food spoils" in fridge.sentence


def test_idle_of_all_counts_only_what_may_be_off(known):
    answer = idle_update(known, IdleState())
    assert len(answer.rows) == 3
    assert "Of 3 appliances" in answer.sentence
    assert " 2 may be switched off whenever nobody uses them: together" in answer.sentence
    saved = sum(each.kwh_per_year.value for each in answer.result if each.kwh_per_year)
    assert re.search(r"would save (?:at most )?([\d.]+) kWh", answer.sentence)
    assert saved > 0


def test_idle_controls_change_the_answer(house):
    panel = idle_panel(house).panel
    everything = words(panel.asking.sentence)
    panel.off.value = 12.0
    assert "for 12 h a day" in words(panel.asking.sentence)
    panel.appliance.value = "washer"
    assert words(panel.asking.sentence).startswith("Washing machine idles")
    assert "Before switching anything off" in words(panel.asking.notes)
    panel.appliance.value, panel.off.value = ALL, 24.0
    assert words(panel.asking.sentence) == everything


def test_a_clamp_that_sits_backwards_is_left_out_of_all(tmp_path):
    watts = circuits()
    watts["kettle"] = -watts["kettle"]
    known = known_house(made_house(tmp_path / "mill", watts))
    answer = idle_update(known, IdleState())
    assert len(answer.rows) == 2
    (note,) = answer.notes
    assert note == "Left out: the energy of kettle (kettle) is below zero."
    with pytest.raises(HouseError, match="below zero"):
        idle_update(known, IdleState(circuit="kettle"))


def test_where_no_kernel_runs_a_picture_with_words_stands(house):
    for make, text in ((compare_panel, "Washing machine"), (idle_panel, "Of 3 appliances")):
        bundle, metadata = make(house)._repr_mimebundle_()
        assert len(bundle["image/png"]) > 1000
        assert text in metadata["image/png"]["alt"]


def test_names_are_escaped(tmp_path):
    settings = {"washer": "appliance = '<b>\"W\" & co</b>'"}
    house = made_house(tmp_path / "mill", {"washer": laundry()}, circuits=settings)
    panel = compare_panel(house).panel
    for box in (panel.asking.sentence, panel.asking.table, panel.asking.picture, panel.asking.code):
        assert "<b>" not in box.value
    names = {}
    exec(code_in(panel), names)
    assert os.fspath(names["house"].path) == os.fspath(house.path)


def test_marks_stand_where_their_values_are():
    found = compare([2.0, 2.2, 1.8, 2.0], [1.0, 1.1, 0.9, 1.0], names=("<cotton>", "quick"))
    drawn = comparison_marks(found, 'Figure. "two"')
    assert "&lt;cotton&gt;" in drawn
    assert 'aria-label="Figure. &quot;two&quot;"' in drawn
    dots = [float(at) for at in re.findall(r'he-dot he-\w+" style="left:([\d.]+)%', drawn)]
    ticks = [float(at) for at in re.findall(r'he-marks-at" style="left:([\d.]+)%', drawn)]
    written = [float(text) for text in re.findall(r'he-marks-at" style="[^"]+">([\d.-]+)<', drawn)]
    each = (ticks[-1] - ticks[0]) / (written[-1] - written[0])
    for dot, value in zip(
        dots, (found.a.value, found.b.value, found.difference.value), strict=True
    ):
        assert dot == pytest.approx(ticks[0] + (value - written[0]) * each, abs=0.02)
    begin, width = re.findall(r'he-within he-first" style="left:([\d.]+)%;width:([\d.]+)%', drawn)[
        0
    ]
    assert float(begin) == pytest.approx(ticks[0] + (found.a.low - written[0]) * each, abs=0.02)
    assert float(width) == pytest.approx((found.a.high - found.a.low) * each, abs=0.02)
    assert all(0 <= at <= 100 for at in [*dots, *ticks])


@pytest.mark.parametrize(
    ("low", "high", "ticks"),
    [
        (0.0, 1.0, [0.0, 0.2, 0.4, 0.6, 0.8, 1.0]),
        (-3.0, 12.0, [0.0, 5.0, 10.0]),
        (0.0, 0.034, [0.0, 0.01, 0.02, 0.03]),
    ],
)
def test_ticks_are_round(low, high, ticks):
    assert Scale(low=low, high=high).ticks() == ticks


def test_a_scale_holds_all_that_is_finite_and_zero():
    assert scale_of([2.0, math.inf, math.nan]).low == 0
    assert scale_of([]).high > scale_of([]).low
    below = scale_of([-2.0, -1.0])
    assert below.low < -2
    assert below.high == 0
