"""The trace viewer on houses that are not as one expects, and for people without a mouse."""

import re
import shutil
import subprocess
import tarfile

import numpy as np
import pandas as pd
import pytest
from playwright.sync_api import expect

from homeenergy.readings import open_house
from homeenergy.readings.store.store import MonthInfo, Store
from homeenergy.show.viewer.answers import Answers
from tests.record.houses import Recording, write_house

from .test_trace_viewer import opened, served, settle, take_picture, view

pytestmark = [pytest.mark.browser, pytest.mark.slow]

START = pd.Timestamp("2025-01-01", tz="UTC")
NS = 1_000_000_000
DAY_S = 86_400
VIEWER = "document.querySelector('.he-viewer').viewer"
AXE = "axe-core@4.14.1"


def stored(folder, traces, *, period_s=1, appliances=None, toml=""):
    """A house whose store holds these watts from START on."""
    lines = ['name = "Odd house"', 'timezone = "UTC"', toml]
    store = Store(folder / "store")
    for name, watts in traces.items():
        label = (appliances or {}).get(name, name)
        lines.append(f"[[circuit]]\nname = '{name}'\nappliance = '{label}'")
        if watts is None:
            continue
        begins = START
        while begins < START + pd.Timedelta(len(watts) * period_s, "s"):
            ends = begins + pd.offsets.MonthBegin()
            part = [int((at - START).total_seconds()) // period_s for at in (begins, ends)]
            here = np.ascontiguousarray(watts[slice(*part)], dtype="f4")
            info = MonthInfo(
                circuit=name,
                month=f"{begins:%Y-%m}",
                first_slot=begins.value // NS // period_s,
                samples=here.size,
                period_ns=period_s * NS,
                signature="made",
            )
            store.write(info, here)
            begins = ends
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "house.toml").write_text("\n".join(lines), encoding="utf-8")
    return open_house(folder)


@pytest.mark.parametrize("days", [31, pytest.param(365, marks=pytest.mark.study)])
def test_a_spike_of_one_second_is_seen_at_every_zoom(tmp_path, browser, days):
    n = days * DAY_S
    watts = np.random.default_rng(1).normal(5, 0.3, n).round(1)
    of_day = np.arange(n) % DAY_S
    watts[(of_day > 30_000) & (of_day < 33_600)] += 800
    spike = days // 2 * DAY_S + 30_001  # with which the use of that day begins
    watts[spike] = 3000
    house = stored(tmp_path, {"load": watts})
    t = START.timestamp() + spike
    # In its column of pixels the colour of the line reaches up to the spike's height.
    seen = f"""t => {{
      const viewer = {VIEWER};
      const {{ u, range }} = viewer.panes[0];
      const {{ left, top, width, height }} = u.bbox;
      const x = left + (width * (t - viewer.view[0])) / (viewer.view[1] - viewer.view[0]);
      const y = top + height * (1 - (0.9 * 3000 - range[0]) / (range[1] - range[0]));
      const near = u.ctx.getImageData(Math.floor(x) - 2, Math.round(y), 5, 1).data;
      const [r, g, b] = [1, 3, 5].map(k => parseInt(viewer.colour('load').slice(k, k + 2), 16));
      return [0, 4, 8, 12, 16].some(k =>
        Math.abs(near[k] - r) + Math.abs(near[k + 1] - g) + Math.abs(near[k + 2] - b) < 40);
    }}"""
    with served(Answers(house)) as address, opened(browser, address) as page:
        assert page.evaluate(seen, t)
        assert not page.evaluate(seen, t + days // 4 * DAY_S)  # a use without a spike
        levels = 0
        width = days * DAY_S
        while width > 60:
            width /= 1.7
            share = 0.37
            page.evaluate(
                f"([a, b]) => {VIEWER}.go(a, b)", [t - share * width, t + (1 - share) * width]
            )
            assert page.evaluate(
                f"() => new Promise(requestAnimationFrame).then(() => ({seen})({t}))"
            )
            settle(page)
            assert page.evaluate(seen, t), width
            levels += 1
        assert levels > 15
        page.evaluate(f"{VIEWER}.whole()")
        settle(page)
        take_picture(page, f"spike_in_{days}_days")


def test_loads_of_one_circuit_are_laid_on_one_another_in_its_lane(tmp_path, browser):
    """A freezer of 90 W and a lamp of 40 W: together they are what the circuit draws."""
    n = 6 * DAY_S // 10
    at = np.arange(n)
    freezer = np.where(at % 360 < 120, 90.0, 0.0)
    evening = at % 8640 - 6500 - 130 * (at // 8640)
    lamp = np.where((evening >= 0) & (evening < 1000 + 180 * (at // 8640)), 40.0, 0.0)
    stored(tmp_path, {"cellar": freezer + lamp}, period_s=10)
    text = (tmp_path / "house.toml").read_text() + "\nloads = 2\n"
    (tmp_path / "house.toml").write_text(text)
    house = open_house(tmp_path)
    layers = f"""() => {{
      const {{ stack, columns }} = {VIEWER}.panes[0];
      const difference = stack.above.map((watts, c) => Math.abs(watts - columns[0].mean[c]));
      const loads = stack.layers.map(({{ lane }}) => lane.name);
      return [{VIEWER}.panes.length, loads, Math.max(...difference)];
    }}"""
    with served(Answers(house)) as address, opened(browser, address) as page:
        page.evaluate(f"{VIEWER}.whole()")
        settle(page)
        # The loads are asked for after the circuit.
        page.wait_for_function(f"() => ({layers})()[2] < 1")
        assert page.evaluate(layers)[:2] == [1, ["cellar_1", "cellar_2"]]
        page.get_by_label("Arrange").select_option("stack")
        settle(page)
        assert page.evaluate(f"{VIEWER}.panes[0].names") == ["cellar_1", "cellar_2"]
        take_picture(page, "loads_of_one_circuit")


def test_nothing_is_drawn_before_the_first_reading(tmp_path, browser):
    house = stored(tmp_path, {"oven": np.full(600, 2000.0)})
    known = f"""() => {{
      const viewer = {VIEWER};
      const [t0, t1] = viewer.view;
      const {{ mean }} = viewer.panes[0].columns[0];
      const begins = mean.findIndex(watts => watts === watts);
      const ends = mean.findLastIndex(watts => watts === watts) + 1;
      return [begins, ends].map(c => t0 + (c / mean.length) * (t1 - t0) - viewer.log[0]);
    }}"""
    with served(Answers(house)) as address, opened(browser, address) as page:
        page.get_by_role("button", name="Wider").click()
        settle(page)
        assert view(page)[0] < START.timestamp()
        assert page.evaluate(known) == pytest.approx([0, 600], abs=1)


def test_a_gap_makes_nothing_else_faint_in_a_saved_picture(tmp_path, browser):
    gap = np.where(np.arange(600) % 300 < 100, np.nan, 900.0)
    house = stored(tmp_path / "odd", {"oven": gap, "lamp": np.full(600, 40.0)})
    with served(Answers(house)) as address, opened(browser, address) as page:
        with page.expect_download() as download:
            page.get_by_role("button", name="SVG").click()
        download.value.save_as(tmp_path / "saved.svg")
    text = (tmp_path / "saved.svg").read_text()
    swatches, grid = (
        re.findall(rf'd="M[^"]*{shape}z" fill="[^"]*" fill-opacity="([^"]*)"', text)
        for shape in ("h9v9h-9", r"h\d+v1h-\d+")
    )
    assert swatches == ["1", "1"]
    assert set(grid) == {"1"}


def test_a_roof_that_feeds_back(tmp_path, browser):
    roof = np.sin(np.arange(DAY_S) / 9000) * 3000 - 1000
    house = stored(tmp_path, {"roof": roof})
    with served(Answers(house)) as address, opened(browser, address) as page:
        for how in ("stack", "chart", "same", "lanes"):
            page.get_by_label("Arrange").select_option(how)
            settle(page)
        words = page.locator("details", has_text="The figure in words").first
        expect(words).to_contain_text("mean -")
        take_picture(page, "feeds_back")


def test_what_is_fed_in_is_stacked_below_zero(tmp_path, browser):
    t = np.arange(DAY_S)
    roof, oven = np.minimum(-3000 * np.sin(t / DAY_S * np.pi), -1), 900.0 * (t % 9000 < 900)
    mains = roof + oven + 200
    house = stored(tmp_path, {"mains": mains, "roof": roof, "oven": oven})
    toml = house.path / "house.toml"
    text = toml.read_text().replace("name = 'mains'", "name = 'mains'\nrole = 'mains'")
    toml.write_text(text)
    house = open_house(house.path)
    with served(Answers(house)) as address, opened(browser, address) as page:
        page.get_by_role("button", name="Show listed").click()
        page.get_by_label("Arrange").select_option("stack")
        settle(page)
        above, below, supply = page.evaluate(
            f"(({{ stack }}) => [stack.above, stack.below, stack.supply].map(one => [...one]))"
            f"({VIEWER}.panes[0])"
        )
        assert min(below) == pytest.approx(-3000, rel=0.01)
        assert np.allclose(np.add(above, below), supply, atol=1)
        take_picture(page, "fed_in")


@pytest.mark.parametrize(
    ("zone", "day", "hours"),
    [
        ("America/Denver", "2025-03-09", 23),
        ("America/Denver", "2025-11-02", 25),
        ("Europe/Amsterdam", "2025-06-01", 24),
        # There the clock skips midnight: the day begins at one.
        ("Africa/Cairo", "2025-04-25", 23),
        ("Australia/Lord_Howe", "2025-04-06", 24.5),
    ],
)
def test_the_clock_is_that_of_the_house(tmp_path, browser, zone, day, hours):
    house = stored(tmp_path, {"oven": np.full(365 * 96, 5.0)}, period_s=900)
    toml = house.path / "house.toml"
    toml.write_text(toml.read_text().replace('"UTC"', f'"{zone}"'))
    house = open_house(house.path)
    with served(Answers(house)) as address, opened(browser, address) as page:
        page.get_by_label("Day to look at").fill(day)
        settle(page)
        t0, t1 = view(page)
        assert (t1 - t0) / 3600 == hours
        expect(page.locator(".he-when")).to_contain_text(f"({hours:g} h)")
        instants = np.arange(t0 - DAY_S, t1 + DAY_S, 1700.0)
        stamps = page.evaluate(f"at => at.map(t => {VIEWER}.clock.stamp(t, false))", list(instants))
        for at, stamp in zip(instants, stamps, strict=True):
            local = pd.Timestamp(int(at), unit="s", tz=zone)
            assert stamp.startswith(f"{local:%a} {local.day} {local:%b %Y %H:%M}")
        ticks = page.evaluate(
            f"{VIEWER}.clock.ticks({t0}, {t1}, 30).map(one => [one.at, one.text])"
        )
        steps = np.diff([at for at, _ in ticks])
        assert set(steps) == {3600.0}
        for at, text in ticks:
            local = pd.Timestamp(int(at), unit="s", tz=zone)
            assert text in (f"{local:%H:%M}", f"{local:%a} {local.day} {local:%b}")
        take_picture(page, f"clock_{day}")


def test_names_with_markup_are_text(tmp_path, browser):
    name = '<img src=x onerror="window.hit = 1"> & "oven"'
    house = stored(tmp_path, {"oven": np.full(DAY_S, 900.0)}, appliances={"oven": name})
    with served(Answers(house)) as address, opened(browser, address) as page:
        assert page.locator(".he-label").first.text_content().startswith(name)
        page.get_by_label("Runs", exact=True).check()
        page.get_by_label("Dragging").select_option("measures")
        box = page.locator(".he-pane .u-over").bounding_box()
        page.mouse.move(box["x"] + 50, box["y"] + 30)
        page.mouse.down()
        page.mouse.move(box["x"] + 250, box["y"] + 30, steps=4)
        page.mouse.up()
        expect(page.locator(".he-table")).to_contain_text(name)
        with page.expect_download() as saved:
            page.get_by_role("button", name="SVG").click()
        saved.value.save_as(tmp_path / "view.svg")
        assert "<img" not in (tmp_path / "view.svg").read_text(encoding="utf-8")
        assert page.evaluate("window.hit") is None
        assert page.locator("img").count() == 0


def test_readings_that_come_meanwhile_are_seen(tmp_path, browser):
    watts = np.full(2 * DAY_S, 100.0)
    house = stored(tmp_path / "house", {"oven": watts[:DAY_S]})
    with served(Answers(house)) as address, opened(browser, address) as page:
        before = page.evaluate(f"{VIEWER}.log")
        stored(tmp_path / "house", {"oven": watts})
        page.get_by_role("button", name="Closer").click()
        for _ in range(3):
            page.get_by_role("button", name="Closer").click()
            settle(page)
        after = page.evaluate(f"{VIEWER}.log")
        assert after[1] - before[1] == DAY_S
        page.get_by_role("button", name="Whole log").click()
        settle(page)
        words = page.locator("details", has_text="The figure in words").first
        expect(words).to_contain_text("(2 days)")


SOURCE = 'kind = "file"\naddress = "meter.txt"\n[source.circuits]\nfridge = 1\noven = 2\n'


def test_watts_of_now_are_shown_while_a_recorder_writes(tmp_path, browser):
    folder = write_house(tmp_path / "live", SOURCE)
    text = (folder / "house.toml").read_text(encoding="utf-8")
    named = text.replace('name = "oven"\n', 'name = "oven"\nappliance = "<i>Oven"\n', 1)
    (folder / "house.toml").write_text(named, encoding="utf-8")
    meter = folder / "meter.txt"
    meter.touch()

    def send(watts):
        with meter.open("a") as file:
            file.write(f"{watts},20\n")

    with served(Answers(open_house(folder))) as address, opened(browser, address) as page:
        now = page.locator(".he-now")
        expect(now).to_be_hidden()
        with Recording(folder, sync_every_s=0.1) as running:
            expect(now).to_be_visible()
            # What comes before it listens is not heard.
            running.until(lambda: send(1) or running.readings)
            for watts in (95, 1450):
                send(watts)
                row = now.locator(".he-nowrow", has_text="fridge")
                expect(row.locator("b")).to_have_text(f"{watts:,} W")
            expect(now.locator(".he-nowrow", has_text="<i>Oven").locator("b")).to_have_text("20 W")
            assert "V" in row.locator("path").get_attribute("d")
            take_picture(page, "watts_now")
        expect(now).to_be_hidden()


def screen(page, width, height, *, closer=1, fingers=False):
    """A screen of another size, with fingers, or looked at through the browser's zoom."""
    devtools = page.context.new_cdp_session(page)
    size = {"width": width // closer, "height": height // closer, "deviceScaleFactor": closer}
    devtools.send("Emulation.setDeviceMetricsOverride", {**size, "mobile": fingers})
    devtools.send("Emulation.setTouchEmulationEnabled", {"enabled": fingers})
    page.wait_for_function(f"() => {VIEWER}.lastWidth === {VIEWER}.parts.stage.clientWidth")
    settle(page)
    return devtools


def test_fingers_move_and_pinch(tmp_path, browser):
    house = stored(tmp_path, {"oven": np.full(4 * DAY_S, 900.0)})
    with served(Answers(house)) as address, opened(browser, address) as page:
        devtools = screen(page, 390, 844, fingers=True)
        page.get_by_role("button", name="Closer").click()
        settle(page)
        page.locator(".he-pane").scroll_into_view_if_needed()
        box = page.locator(".he-pane .u-over").bounding_box()

        def touch(kind, *xs):
            at = [{"x": box["x"] + x, "y": box["y"] + 40, "id": k} for k, x in enumerate(xs)]
            devtools.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": at})

        a, b = view(page)
        width = page.evaluate(f"{VIEWER}.width")
        touch("touchStart", 200)
        for x in range(195, 139, -5):
            touch("touchMove", x)
        touch("touchEnd")
        settle(page)
        assert view(page)[0] - a == pytest.approx(60 / width * (b - a), rel=0.02)
        a, b = view(page)
        touch("touchStart", 150)
        touch("touchStart", 150, 250)
        for more in range(5, 55, 5):
            touch("touchMove", 150 - more, 250 + more)
        touch("touchEnd")
        settle(page)
        assert view(page)[1] - view(page)[0] == pytest.approx((b - a) / 2, rel=0.02)
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
        take_picture(page, "touched")


@pytest.mark.parametrize(("width", "closer"), [(1400, 2), (1280, 4)])
def test_looked_at_through_a_zoom_nothing_is_cut_off(tmp_path, browser, width, closer):
    """Twice as large, and as large as Success Criterion 1.4.10 of WCAG 2.2 asks (320 px wide)."""
    house = stored(tmp_path, {"oven": np.full(DAY_S, 900.0), "lamp": np.full(DAY_S, 40.0)})
    with served(Answers(house)) as address, opened(browser, address) as page:
        screen(page, width, 900, closer=closer)
        page.evaluate(f"{VIEWER}.select(...{VIEWER}.view)")
        expect(page.locator(".he-table table")).to_be_visible()
        assert page.evaluate("document.documentElement.scrollWidth") <= width // closer
        parts = "button, select, input, .he-pane canvas"
        outside = f"""most => [...document.querySelectorAll('{parts}')]
          .filter(one => one.checkVisibility() && one.getBoundingClientRect().right > most + 1)
          .map(one => one.outerHTML.slice(0, 80))"""
        assert page.evaluate(outside, width // closer) == []
        take_picture(page, f"zoomed_{closer}")


@pytest.mark.parametrize("scheme", ["light", pytest.param("dark", marks=pytest.mark.study)])
def test_nothing_is_found_that_keeps_people_out(tmp_path, browser, scheme):
    """Rules of the Web Content Accessibility Guidelines that a program can check."""
    npm = shutil.which("npm")
    if npm is None:
        pytest.skip("no npm on this machine")
    done = subprocess.run([npm, "pack", AXE], cwd=tmp_path, capture_output=True, text=True)
    if done.returncode:
        pytest.skip(f"the checks cannot be had: {done.stderr[-200:]}")
    (packed,) = tmp_path.glob("*.tgz")
    with tarfile.open(packed) as archive:
        checks = archive.extractfile("package/axe.min.js").read().decode()
    watts = 900.0 * (np.arange(DAY_S) % 9000 < 900)
    watts[40_000:44_000] = np.nan
    house = stored(tmp_path / "house", {"oven": watts, "lamp": watts / 20})
    with served(Answers(house)) as address, opened(browser, address) as page:
        page.emulate_media(color_scheme=scheme)
        page.get_by_label("Runs", exact=True).check()
        page.wait_for_function(f"() => {VIEWER}.runs.size === 2")
        page.locator(".he-stage").focus()
        for key in ("n", ".", "m", ".", ".", "m"):
            page.keyboard.press(key)
            page.wait_for_timeout(200)
        expect(page.locator(".he-table table")).to_be_visible()
        for summary in page.locator("summary").all():
            if not summary.evaluate("one => one.parentElement.open"):
                summary.click()
        page.evaluate(checks)
        found = page.evaluate("axe.run().then(found => found.violations)")
        told = [(one["id"], [node["html"][:150] for node in one["nodes"]]) for one in found]
        assert told == []
        take_picture(page, f"accessible_{scheme}")
