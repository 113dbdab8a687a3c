"""Pages of the lessons in a browser: numbers, order, tasks that are solved, no network."""

import itertools
import shutil
import subprocess
import tarfile
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from playwright.sync_api import expect

from homeenergy.show.lesson.clamps import BETWEEN_A, between
from homeenergy.show.lesson.duty_cycle import logged_watts, run_and_rest_s
from homeenergy.show.lesson.language import speaker
from homeenergy.show.lesson.lesson import LESSONS, make_lesson
from homeenergy.show.lesson.page import write_lessons
from homeenergy.show.lesson.parts import EDITIONS
from homeenergy.show.lesson.power_factor import (
    FIFTH_DEG,
    SUPPLY_FARAD,
    SUPPLY_W,
    least_current_farad,
)
from homeenergy.simulate import (
    CabinetModel,
    ClampCase,
    Conductor,
    capacitor_amps,
    dimmer_amps,
    heater_amps,
    motor_amps,
    rectifier_amps,
    run_cabinet,
)

from .pages import SCREENSHOTS

pytestmark = [pytest.mark.browser, pytest.mark.slow]

AXE = "axe-core@4.14.1"
THREE_DIGITS = 5e-4
SIZES = {"wide": (1366, 768), "upright": (768, 1024), "hand": (390, 844)}


@pytest.fixture(scope="module")
def folders(tmp_path_factory):
    """A folder of pages for each edition."""
    places = {edition: tmp_path_factory.mktemp(edition) for edition in EDITIONS}
    for edition, place in places.items():
        write_lessons(place, edition=edition)
    places["de"] = tmp_path_factory.mktemp("de")
    write_lessons(places["de"], edition="230", language="de")
    return places


@pytest.fixture
def show(browser, folders):
    """Open a page from a file with the network off; it must complain of nothing and ask nobody."""
    opened = []

    def open_page(name, *, edition="120", size="wide", scheme="light"):
        page = browser.new_page()
        page.set_default_timeout(30_000)
        width, height = SIZES[size]
        page.set_viewport_size({"width": width, "height": height})
        page.emulate_media(color_scheme=scheme)
        network = page.context.new_cdp_session(page)
        network.send("Network.enable")
        limits = {"latency": 0, "downloadThroughput": -1, "uploadThroughput": -1}
        network.send("Network.emulateNetworkConditions", {"offline": True, **limits})
        said, asked = [], []
        page.on("console", lambda one: said.append(one.text) if one.type != "log" else None)
        page.on("pageerror", lambda error: said.append(str(error)))
        page.on("request", lambda one: asked.append(one.url))
        address = (folders[edition] / f"{name}.html").as_uri()
        page.goto(address)
        opened.append((page, said, asked, address))
        return page

    yield open_page
    for page, said, asked, address in opened:
        assert said == []
        assert {url for url in asked if not url.startswith(("data:", "blob:"))} == {address}
        page.close()


def take_picture(page, what):
    page.wait_for_timeout(200)
    SCREENSHOTS.mkdir(exist_ok=True)
    page.screenshot(path=SCREENSHOTS / f"lesson_{what}.png", full_page=True)


def steps_of(page):
    return page.evaluate("lesson.data?.steps ?? []")


def predict(page, step):
    """Make some prediction, which unlocks the control of a step."""
    form = page.locator(f"#step-{step['name']} form.predict")
    if step["predict"]["choices"]:
        form.locator("input").first.check()
    else:
        form.locator("input").fill(f"1 {step['predict']['unit'].removeprefix('1')}")
    form.get_by_role("button").click()


# Sets a slider as a hand does and gives what is read below the figure, for each value in turn.
SCAN = """async ([step, control, values]) => {
  const part = document.getElementById(`step-${step}`), read = [];
  const slider = part.querySelector(`[data-control="${control}"]`);
  const number = row => parseFloat(row.querySelector("dd").textContent.replace("\u2212", "-"));
  for (const value of values) {
    slider.value = value;
    slider.dispatchEvent(new Event("input"));
    await new Promise(done => requestAnimationFrame(() => setTimeout(done)));
    read.push(Object.fromEntries([...part.querySelectorAll(".read > div")]
      .map(row => [row.querySelector("dt").textContent, number(row)])));
  }
  return read;
}"""


def scan(page, step, control, values, reading):
    """Move a control through values; give what one reading was at each."""
    values = [round(float(value), 6) for value in values]
    rows = page.evaluate(SCAN, [step["name"], control, values])
    return {value: row[reading] for value, row in zip(values, rows, strict=True)}


def readings(page, step):
    """What stands below the figure, by name."""
    rows = page.locator(f"#step-{step['name']} .read > div").all_inner_texts()
    pairs = [row.split("\n") for row in rows]
    return {name: float(text.split()[0].replace("\u2212", "-")) for name, text in pairs}


def type_answer(page, question, text):
    """Type an answer to a question that is shown, and give what the page says to it."""
    form = page.locator("form", has=page.get_by_text(question["text"], exact=False))
    form.locator("input").fill(text)
    form.get_by_role("button").click()
    return form.locator(".said").inner_text()


def whole_range(control, *, points=12):
    """Values of a control over its whole range, or its options."""
    if control["options"]:
        return [name for name, _ in control["options"]]
    return [float(x) for x in np.linspace(control["low"], control["high"], points)]


def compared(found, expected):
    for name, value in expected.items():
        assert found[name] == pytest.approx(value, rel=THREE_DIGITS, abs=1e-6), name


def bench_of_the_library(edition, load, chosen):
    """Powers of what the controls are set to, and the capacitor for the least current."""
    harmonics = ((5, chosen.get("fifth", 0) / 100, FIFTH_DEG),)
    mains = edition.mains(harmonics=harmonics)
    kind = chosen.get("load", load)
    if kind == "heater":
        amps = heater_amps(mains, ohm=chosen["ohm"])
    elif kind == "dimmer":
        mains = mains.later(0.5 / mains.sample_rate_hz)
        amps = dimmer_amps(mains, ohm=edition.lamp_ohm, cut_deg=chosen["cut"])
    else:
        henry = chosen.get("milli", 1000 * edition.motor_h) / 1000
        motor = motor_amps(mains, ohm=edition.motor_ohm, henry=henry)
        supply = rectifier_amps(mains, load_w=SUPPLY_W, farad=SUPPLY_FARAD)
        amps = {"motor": motor, "supply": supply, "both": motor + supply}[kind]
    both = amps + capacitor_amps(mains, farad=chosen.get("micro", 0) * 1e-6)
    return edition.measured(mains, both), least_current_farad(mains, amps)


# One edition guards a change; the code is the same for the other.
IN_TURN = ["120", pytest.param("230", marks=pytest.mark.study)]


@pytest.mark.parametrize("edition", IN_TURN)
def test_powers_are_the_librarys_over_the_whole_range_of_each_control(show, edition):
    page = show("power_factor", edition=edition)
    checked = 0
    for step in steps_of(page):
        load = step["given"]["load"]
        # A cut is at a sample of the library's waves: there it is compared at whole samples only.
        points = 5 if len(step["controls"]) > 1 else 25
        ranges = [whole_range(control, points=points) for control in step["controls"]]
        for values in itertools.product(*ranges):
            chosen = {c["name"]: v for c, v in zip(step["controls"], values, strict=True)}
            if load == "dimmer":
                chosen["cut"] = round(chosen["cut"] / 180 * 2048) / 2048 * 180
            found = page.evaluate("([load, set]) => lesson.bench(load, set)", [load, chosen])
            power, farad = bench_of_the_library(EDITIONS[edition], load, chosen)
            compared(
                found,
                {
                    "volts_v": power.volts_v,
                    "amps_a": power.amps_a,
                    "real_w": power.real_w,
                    "apparent_va": power.apparent_va,
                    "power_factor": power.power_factor,
                },
            )
            if "micro" in chosen:
                least = page.evaluate("([load, set]) => lesson.least(load, set)", [load, chosen])
                assert least == pytest.approx(farad, rel=THREE_DIGITS, abs=1e-9)
            checked += 1
    assert checked > 150


def test_runs_and_rests_are_the_models_over_the_whole_range_of_each_control(show):
    page = show("duty_cycle")
    duty = "([set, room]) => lesson.dutyCycle(set, room)"
    rooms = [({}, room) for room in np.arange(10.0, 60.1, 1.25)]
    leaks = [({"leak_w_per_k": leak}, 22.0) for leak in np.arange(2.0, 8.01, 0.25)]
    for changed, room_c in rooms + leaks:
        room_c = float(room_c)
        model = CabinetModel(**changed)
        run_s, rest_s = run_and_rest_s(model, room_c=room_c)
        expected = {
            "share": model.duty_cycle(room_c),
            "kwh": model.kwh_per_day(room_c),
            "run_s": run_s,
            "rest_s": rest_s,
        }
        compared(page.evaluate(duty, [changed, room_c]), expected)


def test_the_simulated_cabinet_is_the_librarys_sample_by_sample(show):
    page = show("duty_cycle")
    run = "([set, room]) => lesson.runCabinet(set, room, 6, 20)"
    rooms = [({}, room) for room in (10.0, 22.0, 37.5, 53.0, 54.5, 60.0)]
    leaks = [({"leak_w_per_k": leak}, 22.0) for leak in (2.0, 3.5, 5.3, 8.0)]
    for changed, room_c in rooms + leaks:
        found = page.evaluate(run, [changed, room_c])
        model = CabinetModel(**changed)
        record = run_cabinet(room_c, hours_h=6, period_s=20, model=model)
        np.testing.assert_allclose(found["inside"], record.inside_c, rtol=1e-9)
        np.testing.assert_array_equal(found["on"], record.trace.watts > 0)
    for samples in (1, 60, 900, 3600):
        means = page.evaluate("n => lesson.logged(n, 1000)", samples)
        np.testing.assert_allclose(means, logged_watts().reshape(-1, samples).mean(axis=1))


@pytest.mark.parametrize("edition", EDITIONS)
def test_readings_of_clamps_are_those_of_the_librarys_conductors(show, edition):
    page, mains = show("what_a_clamp_reads", edition=edition), EDITIONS[edition]
    reads = "([which, set, by]) => lesson.clampReads(which, set, by)"
    for amps in np.linspace(0.5, 15, 7):
        line = Conductor(label="line", amps_a=float(amps))
        neutral = Conductor(label="neutral", amps_a=float(amps), forward=False)
        rounds = {"line": (line,), "neutral": (neutral,), "cable": (line, neutral)}
        for through, conductors in rounds.items():
            found = page.evaluate(reads, ["cable", {"through": through, "amps": float(amps)}, 1])
            case = ClampCase(title=through, conductors=conductors)
            expected = {"reads_a": case.reads_a, "reads_w": case.reads_w(volts_v=mains.volts_v)}
            compared(found, expected)
    amps_a = BETWEEN_A[edition]
    first, second = between(mains, amps_a), between(mains, amps_a, second=True)
    turned = replace(second, forward=True)
    rounds = {"one": (first,), "other": (second,), "same": (first, second)}
    for through, conductors in {**rounds, "turned": (first, turned)}.items():
        for multiplier in (0.5, 1, 1.5, 2):
            found = page.evaluate(reads, ["between", {"through": through}, multiplier])
            case = ClampCase(title=through, conductors=conductors)
            expected = {
                "reads_a": case.reads_a,
                "reads_w": multiplier * case.reads_w(volts_v=mains.volts_v),
            }
            compared(found, expected)
    for turns in range(1, 6):
        wound = {"amps": 8, "lag": 0, "forward": True, "passes": turns, "inside": True}
        case = ClampCase(title="", conductors=(Conductor(label="", amps_a=8, passes=turns),))
        compared(page.evaluate(reads, [[wound], {}, 1]), {"reads_a": case.reads_a})


@pytest.mark.parametrize("edition", IN_TURN)
def test_a_lagging_current_has_the_librarys_watts(show, edition):
    page, mains = show("what_a_clamp_reads", edition=edition), EDITIONS[edition].mains()
    for lag in np.linspace(0, 85, 18):
        found = page.evaluate(
            "lag => lesson.bench('lagging', { amps: 5, lag })", round(float(lag), 3)
        )
        turn = 2 * np.pi * mains.frequency_hz * mains.times_s
        amps = 5 * np.sqrt(2) * np.sin(turn - np.radians(round(float(lag), 3)))
        power = EDITIONS[edition].measured(mains, amps)
        expected = {"real_w": power.real_w, "amps_a": 5, "power_factor": power.power_factor}
        compared(found, {**expected, "lag_deg": round(float(lag), 3)})


@pytest.mark.parametrize("edition", IN_TURN)
def test_tasks_on_clamps_are_solved_with_what_the_page_shows(show, edition):
    page = show("what_a_clamp_reads", edition=edition)
    steps = {step["name"]: step for step in steps_of(page)}
    for step in steps.values():
        predict(page, step)

    def chosen(name, option):
        page.locator(f"#step-{name} select").first.select_option(option)
        page.wait_for_timeout(60)
        return readings(page, steps[name])

    def solved(name, k, text):
        page.locator(f"#step-{name} .compare").click()
        assert type_answer(page, steps[name]["then"][k], text).startswith("✓")

    solved("cable", 0, f"{chosen('cable', 'cable')['clamp reads']} A")
    watts = scan(page, steps["watts"], "lag", [53], "mean power")[53]
    solved("watts", 0, f"{watts} W")
    scan(page, steps["turns"], "turns", [2], "sum in the window")
    sums = scan(page, steps["turns"], "amps", np.arange(0, 50.1, 0.5), "sum in the window")
    reads = scan(page, steps["turns"], "amps", np.arange(0, 50.1, 0.5), "clamp reads")
    solved("turns", 0, f"{max(amps for amps in reads if not np.isnan(reads[amps]))} A")
    solved("turns", 1, f"{8 / sums[8.0]}")
    truth, shown = chosen("between", "one")["load draws"], {}
    for multiplier in (0.5, 1, 1.5, 2):
        shown |= scan(page, steps["between"], "multiplier", [multiplier], "logger shows")
    right = min(shown, key=lambda one: abs(shown[one] - truth))
    assert shown[right] == pytest.approx(truth, rel=1e-3)
    solved("between", 1, f"{right}")
    solved("between", 0, f"{chosen('between', 'same')['logger shows']} W")
    levels = []
    for mark in (20, 100):
        for name in ("pump, with its multiplier", "mains L1"):
            levels.append(scan(page, steps["pump"], "before", [mark], name)[mark])
    solved("pump", 0, f"{levels[2] - levels[0]} W")
    solved("pump", 1, f"{levels[3] - levels[1]} W")


def test_the_room_in_which_it_never_rests_is_found_with_the_slider(show):
    page = show("duty_cycle")
    step = next(one for one in steps_of(page) if one["name"] == "room")
    predict(page, step)
    rooms = np.round(np.arange(53, 57, 0.1), 1)
    share = scan(page, step, "room", rooms, "duty cycle by heat balance")
    runs = scan(page, step, "room", rooms, "a run lasts")
    page.locator("#step-room .compare").click()
    always = min(room for room in share if share[room] == 100)
    assert type_answer(page, step["then"][0], f"{always:.1f} °C").startswith("✓")
    stuck = min(room for room in runs if np.isnan(runs[room]))
    assert type_answer(page, step["then"][1], f"{stuck:.1f} °C").startswith("✓")
    assert stuck < always
    said = type_answer(page, step["then"][0], f"{stuck:.1f} °C")
    assert "There it stops resting" in said


def test_what_a_slow_logger_shows_is_read_off(show):
    page = show("duty_cycle")
    step = next(one for one in steps_of(page) if one["name"] == "periods")
    predict(page, step)
    energy = []
    for period in ("1", "60", "900", "3600"):
        page.locator("#step-periods select").first.select_option(period)
        page.wait_for_timeout(60)
        energy.append(readings(page, step)["energy"])
    assert energy == [energy[0]] * 4
    page.locator("#step-periods .compare").click()
    highest = readings(page, step)["highest reading"]
    assert type_answer(page, step["then"][0], f"{highest} W").startswith("✓")


@pytest.mark.parametrize("name", LESSONS)
def test_predict_comes_before_observe_and_explain(show, name):
    page = show(name)
    for step in steps_of(page):
        part = page.locator(f"#step-{step['name']}")
        first = part.locator(".controls input, .controls select").first
        observe = part.locator(".observe")
        expect(first).to_be_disabled()
        expect(observe).to_be_hidden()
        part.locator("form.predict").get_by_role("button").click()
        expect(part.locator("form.predict .said")).not_to_be_empty()
        expect(first).to_be_disabled()
        predict(page, step)
        expect(first).to_be_enabled()
        expect(observe).to_be_visible()
        expect(part.locator(".compare")).to_be_disabled()
        expect(part.locator(".explain")).to_be_hidden()
        before = part.locator(".read").inner_text()
        expect(first).to_be_focused()
        first.press("ArrowRight" if first.get_attribute("type") == "range" else "ArrowDown")
        expect(part.locator(".compare")).to_be_enabled()
        assert part.locator(".read").inner_text() != before
        part.locator(".compare").click()
        expect(part.locator(".explain")).to_be_visible()
        expect(part.locator(".verdict")).to_contain_text(step["predict"]["why"])


def test_the_figure_moves_while_a_slider_is_dragged_and_its_scales_stay(show):
    page = show("power_factor")
    step = next(one for one in steps_of(page) if one["name"] == "capacitor")
    predict(page, step)
    slider = page.locator("#step-capacitor input[type=range]")
    slider.scroll_into_view_if_needed()
    box = slider.bounding_box()
    y = box["y"] + box["height"] / 2
    page.mouse.move(box["x"] + 8, y)
    page.mouse.down()
    seen = []
    for share in (0.2, 0.3, 0.6, 0.95):
        page.mouse.move(box["x"] + share * box["width"], y)
        page.wait_for_timeout(60)
        figures = page.locator("#step-capacitor .figure [role=img]").all()
        axes = page.locator("#step-capacitor canvas").first
        seen.append((readings(page, step)["amps, rms"], figures[0].get_attribute("aria-label")))
        assert axes.is_visible()
    page.mouse.up()
    amps = [a for a, _ in seen]
    assert len(set(amps)) == 4
    assert amps[1] < amps[0] < amps[2] < amps[3]
    assert "lags by" in seen[0][1]
    assert "leads by" in seen[3][1]


def fingers(page):
    """Give a function that sends a touch of this kind, at a point or lifted."""
    session = page.context.new_cdp_session(page)
    session.send("Emulation.setTouchEmulationEnabled", {"enabled": True})

    def touch(kind, *at):
        points = [dict(zip("xy", at, strict=True))] if at else []
        session.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})
        page.wait_for_timeout(40)

    return touch


def test_a_finger_drags_a_slider_and_scrolls_over_it(show):
    page = show("power_factor", size="hand")
    step = next(one for one in steps_of(page) if one["name"] == "distorted")
    predict(page, step)
    slider = page.locator("#step-distorted [data-control=micro]")
    # As far down as the last chart: the slider is still in sight.
    page.locator("#step-distorted canvas").last.evaluate("e => e.scrollIntoView({block: 'end'})")
    page.wait_for_timeout(100)
    box, touch = slider.bounding_box(), fingers(page)
    assert 0 < box["y"] < SIZES["hand"][1] / 3
    across = [box["x"] + share * box["width"] for share in (0.2, 0.4, 0.6, 0.8)]
    middle = box["y"] + box["height"] / 2
    touch("touchStart", across[0], middle)
    amps = []
    for x in across:
        touch("touchMove", x, middle)
        amps.append(readings(page, step)["amps, rms"])
    touch("touchEnd")
    assert amps == sorted(set(amps))
    value, scrolled = slider.input_value(), page.evaluate("scrollY")
    touch("touchStart", across[1], middle)
    for by in range(0, 160, 20):
        touch("touchMove", across[1], middle + by)
    touch("touchEnd")
    page.wait_for_timeout(300)
    assert page.evaluate("scrollY") < scrolled
    assert slider.input_value() == value


def test_figures_fit_on_paper_and_are_drawn_for_light(show):
    page = show("power_factor", scheme="dark")
    predict(page, steps_of(page)[0])
    look = "[document.querySelector('canvas').width, getComputedStyle(document.body).color]"
    screen = page.evaluate(look)
    between_margins = (210 - 2 * 15) / 25.4 * 96
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    width, ink = page.evaluate(look)
    assert 600 < width < between_margins < screen[0]
    assert ink == "rgb(28, 28, 28)"
    page.evaluate("dispatchEvent(new Event('afterprint'))")
    assert page.evaluate(look) == screen


def test_the_capacitor_for_the_least_current_is_found_with_the_slider(show):
    for edition in EDITIONS:
        page = show("power_factor", edition=edition)
        step = next(one for one in steps_of(page) if one["name"] == "capacitor")
        predict(page, step)
        (control,) = step["controls"]
        micros = np.linspace(control["low"], control["high"], 81)
        amps = scan(page, step, "micro", micros, "amps, rms")
        best = min(amps, key=amps.get)
        assert amps[best] < amps[0.0]
        assert amps[best] < amps[max(amps)]
        page.locator("#step-capacitor .compare").click()
        assert type_answer(page, step["then"][0], f"{best:.1f} uF").startswith("✓")
        assert type_answer(page, step["then"][1], f"{1000 * amps[best]:.0f} mA").startswith("✓")


def test_harmonics_keep_the_power_factor_down_and_move_the_best_capacitor(show):
    page = show("power_factor")
    step = next(one for one in steps_of(page) if one["name"] == "distorted")
    predict(page, step)
    load = page.locator("#step-distorted select")

    load.select_option("both")
    micros = np.arange(10, 30, 0.4)
    factors = scan(page, step, "micro", micros, "power factor")
    page.locator("#step-distorted .compare").click()
    assert type_answer(page, step["then"][0], f"{max(factors.values()):.3f}").startswith("✓")
    load.select_option("motor")
    scan(page, step, "fifth", [6], "amps, rms")
    amps = scan(page, step, "micro", micros, "amps, rms")
    best = min(amps, key=amps.get)
    assert type_answer(page, step["then"][1], f"{best:.1f} µF").startswith("✓")


@pytest.mark.parametrize("name", LESSONS)
@pytest.mark.parametrize("edition", EDITIONS)
def test_every_question_takes_its_answer_and_knows_its_slips(show, name, edition):
    """Each number of the key, typed with its unit, is right; each known slip gets its own words."""
    page = show(name, edition=edition)
    found = make_lesson(name, EDITIONS[edition], say=speaker())
    asked = [q for step in found.steps for q in (step.predict, *step.then)]
    asked += [task for tasks in found.variants for task in tasks]
    check = "([question, text]) => lesson.check(question, text)"
    for question in asked:
        if question.choices:
            continue
        unit = question.unit.removeprefix("1")
        data = question.to_data()
        said = page.evaluate(check, [data, f"{question.answer:.4g} {unit}"])
        assert said["verdict"] == "right", question
        for slip in question.slips:
            said = page.evaluate(check, [data, f"{slip.value:.5g} {unit}"])
            assert said["says"] == slip.says, question
        off = page.evaluate(check, [data, f"{1.1234 * question.answer or 1:.5g} {unit}"])
        assert off["verdict"] in ("off", "slip")
        if unit:
            assert page.evaluate(check, [data, f"{question.answer:.5g}"])["verdict"] == "again"


@pytest.mark.parametrize("name", LESSONS)
def test_a_german_class_types_commas_and_reads_german(show, name):
    page = show(name, edition="de", size="hand")
    assert page.evaluate("document.documentElement.lang") == "de"
    for step in steps_of(page):
        predict(page, step)
        for k, question in enumerate(step["then"]):
            part = page.locator(f"#step-{step['name']}")
            control = part.locator(".controls input, .controls select").first
            control.press("ArrowRight" if control.get_attribute("type") == "range" else "ArrowDown")
            part.locator(".compare").click()
            form = part.locator("form.then").nth(k)
            typed = f"{question['answer']:.4g} {question['unit'].removeprefix('1')}"
            form.locator("input").fill(typed.replace(".", ","))
            form.get_by_role("button").click()
            expect(form.locator(".said")).to_contain_text("Richtig.")
    shown = page.locator("main").inner_text()
    for english in ("Predict", "Check", " the ", " watts", " is "):
        assert english not in shown.replace("Department of", "")
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    take_picture(page, f"{name}_german")


@pytest.mark.parametrize(
    ("typed", "value", "of"),
    [
        ("1.41 A", 1.41, "A"),
        ("1,41A", 1.41, "A"),
        ("1410 mA", 1.41, "A"),
        ("1,410 mA", 1.41, "A"),
        ("1 410 mA", 1.41, "A"),
        ("22 uF", 22e-6, "F"),
        ("22.1 μF", 22.1e-6, "F"),
        ("0,0221 mF", 22.1e-6, "F"),
        ("-5 w", -5, "W"),
        ("\u22125 W", -5, "W"),
        ("1.2e3 W", 1200, "W"),
        ("70.5 %", 0.705, "1"),
        ("0.705", 0.705, "1"),
        ("$ 4.50", 4.5, "money"),
        ("131.9 °F", 55.5, "°C"),
        ("1.234,5 W", 1234.5, "W"),
    ],
)
def test_numbers_are_read_as_people_write_them(show, typed, value, of):
    found = show("power_factor").evaluate("text => lesson.parse(text)", typed)
    assert found["of"] == of
    assert found["value"] == pytest.approx(value)


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ("", "Type a number with its unit."),
        ("much", "Type a number with its unit."),
        ("1.2.3 W", "Type a number with its unit."),
        ("360", "The unit is missing."),
        ("360 VA", "Watts and volt-amperes are not the same"),
        ("360 A", "That is the unit of another quantity."),
        ("360 furlongs", "“furlongs” is no unit that this page knows."),
        ("0.36 W", "the power of ten is not"),
        ("-360 W", "the sign is not"),
        ("300 W", "Too little."),
        ("0.36 kW", "Right."),
    ],
)
def test_an_answer_is_told_what_is_wrong_with_it(show, typed, says):
    page = show("power_factor")
    check = "text => lesson.check(lesson.data.steps[0].predict, text).says"
    assert says in page.evaluate(check, typed)


def test_answers_are_saved_as_a_file_and_kept_nowhere_else(show, tmp_path):
    page = show("power_factor")
    page.get_by_label("Your name").fill("Ada / 7b")
    page.get_by_label("Seat").select_option("3")
    step = steps_of(page)[0]
    predict(page, step)
    task = page.evaluate("lesson.data.variants[2][0]")
    said = type_answer(page, task, f"{task['answer']:.5g} {task['unit']}")
    assert said.startswith("✓ Right.")
    with page.expect_download() as download:
        page.get_by_role("button", name="Save my answers").click()
    assert download.value.suggested_filename == "power_factor_Ada_7b.txt"
    text = (tmp_path / "answers.txt").resolve()
    download.value.save_as(text)
    saved = text.read_text(encoding="utf-8")
    for piece in ("Ada / 7b", "Seat: 3", step["predict"]["text"], "prediction: 1 W", task["text"]):
        assert piece in saved
    stored = "[localStorage.length, sessionStorage.length, document.cookie]"
    assert page.evaluate(stored) == [0, 0, ""]


def write_times(start, seconds, form):
    """Instants as loggers write them."""
    if form == "epoch ms":
        return [str(1000 * (int(start.timestamp()) + s)) for s in seconds]
    return [(start + timedelta(seconds=s)).strftime(form) for s in seconds]


FORMS = {
    "iso": ("%Y-%m-%dT%H:%M:%SZ", ",", "time,current A,power W,factor", "."),
    "german": ("%d.%m.%Y %H:%M:%S", ";", "Zeit;Strom A;Leistung W;Faktor", ","),
    "two columns": ("%d/%m/%Y,%H:%M:%S", ",", "date,clock,amps,power W,factor", "."),
    "american": ("%m/%d/%Y %I:%M:%S %p", "\t", "Time\tAmps\tPower (kW)\tFactor", "."),
    "epoch": ("epoch ms", ";", "t;a;watts;pf", ","),
    "title first": ("%Y-%m-%d %H:%M:%S", ",", "Meter 7,,,\n\ntime,current,power,pf", "."),
}


@pytest.mark.parametrize("form", FORMS)
def test_a_log_of_known_energy_is_read_in_any_of_its_forms(show, form):
    page = show("own_data")
    times, separator, head, mark = FORMS[form]
    trace = run_cabinet(22.0, hours_h=30, period_s=60).trace
    watts = trace.watts.astype(float) + 1.5
    # An hour is missing: it is a gap, and it is not counted.
    kept = [k for k in range(watts.size) if not 600 <= k < 660]
    start = datetime(2026, 11, 20, 22, tzinfo=UTC)
    by = 1000 if "kW" in head else 1
    rows = [
        separator.join([at, f"{watts[k] / 230:.2f}", f"{watts[k] / by:.4f}", "0.98"])
        for at, k in zip(write_times(start, [60 * k for k in kept], times), kept, strict=True)
    ]
    text = "\r\n".join([head, *rows])
    text = text if mark == "." else text.replace(".", ",").replace("20,11,", "20.11.")
    if mark == ",":
        for day in (20, 21, 22):
            text = text.replace(f"{day},11,2026", f"{day}.11.2026")
    options = {"mark": mark, "dayFirst": form != "american"}
    found = page.evaluate("([text, how]) => lesson.read(text, how)", [text, options])
    assert found["dropped"] == 0
    assert found["gaps"] == 1
    assert found["usual_s"] == 60
    assert found["hours"] == pytest.approx(29)
    assert found["kwh"] == pytest.approx(watts[kept].sum() / 60_000, rel=1e-4)
    assert found["share"] == pytest.approx(np.mean(watts[kept] > 10), abs=1e-9)
    assert found["standby_w"] == pytest.approx(1.5)
    assert found["running_w"] == pytest.approx(121.5)


UGLY_HEADS = {  # what a heading says, and the watts that a cell of "120,500" then means
    "Leistung [W]": 120.5,
    "power_kw": 120_500.0,
    "activePowerKw": 120_500.0,
    "PowerkW": 120_500.0,
    "deskW": 120.5,
    "P": 120.5,
    "value": 120.5,
}


@pytest.mark.parametrize("edition", ["120", "de"])
def test_units_of_heads_and_marks_of_numbers_are_never_guessed_by_a_thousand(show, edition):
    page = show("own_data", edition=edition)
    read = "text => lesson.read(text, {})"
    for head, watts in UGLY_HEADS.items():
        for separator, mark in ((";", ","), (";", "."), ("\t", ".")):
            cells = [f"2026-03-02 00:{k:02d}{separator}120{mark}500" for k in range(9)]
            text = "\n".join([f"time{separator}{head}", *cells])
            found = page.evaluate(read, text)
            assert found["watts"] == pytest.approx([watts] * 9), (head, separator, mark)
    cells = [f'2026-03-02 00:{k:02d},"120,500"' for k in range(9)]
    assert page.evaluate(read, "\n".join(["time,power", *cells]))["watts"] == [120.5] * 9
    # A cell of its own unit counts by that; true marks of thousands stay such.
    text = "time;power\n2026-03-02 00:00;2,5 W\n2026-03-02 00:01;1.200,5 W\n2026-03-02 00:02;0,3 kW"
    assert page.evaluate(read, text)["watts"] == pytest.approx([2.5, 1200.5, 300])


def test_what_is_headed_as_another_quantity_is_not_taken_for_watts(show):
    page = show("own_data")
    read = "text => lesson.read(text, {})"
    for head in ("energy kWh", "Wh", "voltage", "Strom A", "power factor", "Scheinleistung VA"):
        lines = [f"2026-03-02 00:{k:02d},{230 + k},7" for k in range(9)]
        found = page.evaluate(read, "\n".join([f"time,{head},P", *lines]))
        assert found["watts"] == [7] * 9, head
        alone = "\n".join([f"time,{head}", *(line.removesuffix(",7") for line in lines)])
        assert page.evaluate(read, alone) == {"problem": "no_power"}, head


def test_lines_that_are_not_as_the_others_do_not_change_the_numbers(show):
    page = show("own_data")
    read = "text => lesson.read(text, {})"
    lines = [f"2026-03-02 00:{k:02d}:00,{k}" for k in range(30)]
    plain = page.evaluate(read, "\n".join(["time,power", *lines]))
    assert plain["watts"] == list(range(30))
    newest_first = page.evaluate(read, "\n".join(["time,power", *lines[::-1]]))
    assert newest_first == plain
    summed = page.evaluate(read, "\n".join(["time,power", *lines, "Total,435", ",", " "]))
    assert summed == {**plain, "dropped": 2}
    offline = page.evaluate(read, "\n".join(["time,power", *lines, "2026-03-02 00:30:00,n/a"]))
    assert offline == {**plain, "dropped": 1}
    numbered = [f"{k},{line}" for k, line in enumerate(lines)]
    assert page.evaluate(read, "\n".join([",time,power", *numbered])) == plain
    # A decimal comma between cells that commas part.
    torn = "\n".join(["time,power", *(f"{line},5" for line in lines)])
    assert page.evaluate(read, torn) == {"problem": "ragged"}


def test_a_file_is_dropped_into_the_page_and_stays_there(show, tmp_path):
    page = show("own_data", edition="230")
    lines = [f"{1_790_000_000 + 60 * k};{120.5 if k % 10 < 4 else 2}" for k in range(1440)]
    log = tmp_path / "fridge.csv"
    log.write_text("\n".join(["time;power [W]", *lines]), encoding="utf-8")
    page.get_by_label("or choose the file").set_input_files(log)
    expect(page.locator("#problem")).to_contain_text("Predict first")
    expect(page.locator("#results")).to_be_hidden()
    page.get_by_label("How much energy").fill("2 W")
    page.get_by_role("button", name="That is my prediction").click()
    expect(page.locator("#guessed")).to_contain_text("kWh")
    page.get_by_label("How much energy").fill("900 Wh")
    page.get_by_role("button", name="That is my prediction").click()
    expect(page.locator("#results")).to_be_visible()
    kwh = (0.4 * 120.5 + 0.6 * 2) * 24 / 1000
    expect(page.locator("#compared")).to_have_text(
        f"You predicted: 900 Wh. The log has, a day: {kwh:.3f} kWh."
    )
    read = page.locator("#read")
    for words in (f"{kwh:.3f} kWh", "40.0 %", "2.00 W", "120.5 W", f"{kwh * 0.3:.2f} EUR"):
        expect(read).to_contain_text(words)
    page.get_by_label("price of a kWh").fill("0.5")
    expect(read).to_contain_text(f"{kwh * 365 * 0.5:.2f} EUR")
    dropped = """text => {
      const data = new DataTransfer();
      data.items.add(new File([text], "log.csv"));
      document.getElementById("zone").dispatchEvent(new DragEvent("drop", { dataTransfer: data }));
    }"""
    page.evaluate(
        dropped, "time,power\n" + "\n".join(f"2026-01-01 00:{k:02d},60" for k in range(60))
    )
    expect(read).to_contain_text("0.060 kWh")
    page.evaluate(dropped, "name,colour\nkettle,red")
    expect(page.locator("#problem")).to_contain_text("No column of instants")


# Of the sizes and themes one in the tests that guard a change.
LOOKS = [("hand", "dark")]
LOOKS += [
    pytest.param(size, scheme, marks=pytest.mark.study)
    for size in SIZES
    for scheme in ("light", "dark")
    if (size, scheme) not in LOOKS
]


@pytest.mark.parametrize("name", LESSONS)
@pytest.mark.parametrize(("size", "scheme"), LOOKS)
def test_nothing_is_cut_off_and_fingers_find_the_controls(show, name, scheme, size):
    page = show(name, size=size, scheme=scheme, edition="230" if scheme == "dark" else "120")
    for step in steps_of(page):
        predict(page, step)
        select = page.locator(f"#step-{step['name']} .controls select")
        if select.count():
            select.first.press("ArrowDown")
        else:
            page.locator(f"#step-{step['name']} input[type=range]").first.press("ArrowRight")
        page.locator(f"#step-{step['name']} .compare").click()
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    for box in page.locator("button:visible, input[type=range]:visible, select:visible").all():
        assert box.bounding_box()["height"] >= 44
    paper = page.evaluate("getComputedStyle(document.body).backgroundColor")
    assert paper == {"light": "rgb(255, 255, 255)", "dark": "rgb(21, 21, 21)"}[scheme]
    take_picture(page, f"{name}_{size}_{scheme}")


@pytest.fixture(scope="module")
def axe(tmp_path_factory):
    """Rules of the Web Content Accessibility Guidelines that a program can check."""
    npm = shutil.which("npm")
    if npm is None:
        pytest.skip("no npm on this machine")
    place = tmp_path_factory.mktemp("axe")
    done = subprocess.run([npm, "pack", AXE], cwd=place, capture_output=True, text=True)
    if done.returncode:
        pytest.skip(f"the checks cannot be had: {done.stderr[-200:]}")
    (packed,) = place.glob("*.tgz")
    with tarfile.open(packed) as archive:
        return archive.extractfile("package/axe.min.js").read().decode()


@pytest.mark.parametrize("name", [*LESSONS, "own_data"])
@pytest.mark.parametrize("scheme", ["light", pytest.param("dark", marks=pytest.mark.study)])
def test_nothing_is_found_that_keeps_people_out(show, axe, name, scheme):
    page = show(name, scheme=scheme)
    for moment in ("before", "after"):
        if moment == "after":
            for step in steps_of(page):
                predict(page, step)
            if name == "own_data":
                page.get_by_label("How much energy").fill("1 kWh")
                page.get_by_role("button", name="That is my prediction").click()
                page.get_by_role("button", name="Show a made example").click()
                take_picture(page, f"own_data_{scheme}")
        page.evaluate(axe)
        found = page.evaluate("axe.run().then(found => found.violations)")
        told = [(one["id"], [node["html"][:150] for node in one["nodes"]]) for one in found]
        assert told == [], moment
