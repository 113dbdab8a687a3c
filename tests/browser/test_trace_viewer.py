"""The trace viewer in a browser: what mouse, fingers, keys and buttons change on the page."""

import re
import shutil
import threading
import xml.etree.ElementTree as ET
from contextlib import contextmanager

import numpy as np
import pandas as pd
import pytest
from playwright.sync_api import expect

from homeenergy.readings import open_house
from homeenergy.show import span_table
from homeenergy.show.viewer.answers import Answers
from homeenergy.show.viewer.page import page_without_kernel, serve
from homeenergy.show.viewer.trace_viewer import WAIT_MS

from .pages import (
    OPEN_MS,
    RED,
    REDRAW_MS,
    ROOT,
    SCREENSHOTS,
    VIEWED,
    copy_house,
    run_notebook,
    write_notebook,
)

pytestmark = [pytest.mark.browser, pytest.mark.slow]

DAY = "2026-10-27"
DAY_WORDS = "Tue 27 Oct 2026 00:00 to Wed 28 Oct 2026 00:00 (24 h)"
NAME = "view_traces"


@pytest.fixture(scope="module")
def house(place):
    copy_house(place / "looked_at")
    shutil.copy(ROOT / "sample_data" / "orchard_house" / "outdoor.csv", place / "looked_at")
    return open_house(place / "looked_at")


@contextmanager
def served(answers):
    """Address of a house's page, as `homeenergy view` serves it."""
    server, address = serve(answers)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield address
    finally:
        server.shutdown()
        server.server_close()


@contextmanager
def opened(browser, address):
    """Open a page; it must complain of nothing and ask nobody else."""
    page = browser.new_page()
    page.set_default_timeout(REDRAW_MS)
    said, elsewhere = [], []
    own = address.split("?")[0]
    page.on("console", lambda one: said.append(one.text) if one.type == "error" else None)
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on(
        "request",
        lambda one: (
            None if one.url.startswith((own, "data:", "blob:")) else elsewhere.append(one.url)
        ),
    )
    page.goto(address, timeout=OPEN_MS)
    settle(page)
    try:
        yield page
        assert said == []
        assert elsewhere == []
    finally:
        page.close()


@pytest.fixture
def page(house, browser):
    """The page of the orchard house, looking at one day of six circuits."""
    with (
        served(Answers(house, start=DAY, end="2026-10-28")) as address,
        opened(browser, address) as page,
    ):
        expect(page.locator(".he-when")).to_have_text(DAY_WORDS)
        yield page


def settle(page):
    page.wait_for_function(VIEWED)


def at(page, x, lane=0):
    """Place on the page of a share of the width of the lanes, in the middle of a lane."""
    pane = page.locator(".he-pane .u-over").nth(lane)
    pane.scroll_into_view_if_needed()
    box = pane.bounding_box()
    return box["x"] + x * box["width"], box["y"] + box["height"] / 2


def view(page):
    return page.evaluate("document.querySelector('.he-viewer').viewer.view")


def drag(page, start, end, key=None):
    if key:
        page.keyboard.down(key)
    page.mouse.move(*start)
    page.mouse.down()
    page.mouse.move(*end, steps=6)
    page.mouse.up()
    if key:
        page.keyboard.up(key)
    settle(page)


def take_picture(page, what):
    SCREENSHOTS.mkdir(exist_ok=True)
    page.screenshot(path=SCREENSHOTS / f"trace_viewer_{what}.png", full_page=True)


def colours(page, lane=0):
    return (
        page.locator(".he-pane canvas")
        .nth(lane)
        .evaluate(
            """canvas => {
          const data = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height);
          return new Set(new Uint32Array(data.data.buffer)).size;
        }"""
        )
    )


def test_a_day_is_drawn_and_told_in_words(page):
    assert page.locator(".he-pane").count() == 6
    assert colours(page) > 5
    page.get_by_text("The figure in words").click()
    words = page.locator("details", has_text="The figure in words")
    expect(words).to_contain_text("Refrigerator: mean ")
    expect(words).to_contain_text("Pottery kiln: mean ")
    take_picture(page, "day")


@pytest.mark.parametrize(
    ("start", "end"),
    [(DAY, "2026-10-28"), ("2026-10-26 05:17", "2026-10-29 20:03"), ("2026-10-20", "2026-10-27")],
)
def test_the_words_give_the_mean_of_what_is_in_view(page, house, start, end):
    low, high = (house.instant_ns(at) / 1e9 for at in (start, end))
    page.evaluate(f"document.querySelector('.he-viewer').viewer.go({low}, {high})")
    settle(page)
    words = page.locator("details", has_text="The figure in words").locator("p").text_content()
    said = re.findall(r"([^.:]+): mean (-?[\d,]+) W, highest ([\d,.]+) W", words)
    assert len(said) == 6
    rows = {row.appliance: row for row in span_table(house, start=start, end=end).rows}
    for name, mean_w, highest_w in said:
        row = rows[name.strip()]
        assert float(mean_w.replace(",", "")) == pytest.approx(row.mean_w, rel=0.01, abs=0.6)
        assert float(highest_w.replace(",", "")) == pytest.approx(row.highest_w, abs=0.06)


def test_the_wheel_looks_closer_at_what_is_under_the_pointer(page):
    x, y = at(page, 0.25)
    t0, t1 = view(page)
    fixed = t0 + 0.25 * (t1 - t0)
    page.mouse.move(x, y)
    for _ in range(3):
        page.mouse.wheel(0, -100)
        page.wait_for_timeout(30)
    settle(page)
    a, b = view(page)
    assert (t1 - t0) / (b - a) == pytest.approx(1.3**3, rel=1e-6)
    assert a + 0.25 * (b - a) == pytest.approx(fixed, abs=(b - a) / 400)
    for _ in range(40):
        page.mouse.wheel(0, -300)
    settle(page)
    a, b = view(page)
    assert b - a == pytest.approx(10)  # samples of one second
    page.get_by_label("Wheel zooms").uncheck()
    page.mouse.move(x, y)
    page.mouse.wheel(0, 300)
    assert view(page) == [a, b]


def test_dragging_moves_and_a_double_click_goes_back(page):
    t0, t1 = view(page)
    drag(page, at(page, 0.6), at(page, 0.35))
    a, b = view(page)
    assert a - t0 == pytest.approx(0.25 * (t1 - t0), rel=0.01)
    assert b - a == pytest.approx(t1 - t0)
    page.mouse.dblclick(*at(page, 0.5))
    settle(page)
    assert view(page) == [t0, t1]


def test_a_box_looks_closer_and_a_tall_one_limits_the_scale(page):
    t0, t1 = view(page)
    scale = "document.querySelector('.he-viewer').viewer.panes[0].range"
    before = page.evaluate(scale)
    drag(page, at(page, 0.25), at(page, 0.5), key="Control")
    a, b = view(page)
    assert (a - t0) / (t1 - t0) == pytest.approx(0.25, abs=0.01)
    assert (b - t0) / (t1 - t0) == pytest.approx(0.5, abs=0.01)
    x, y = at(page, 0.25)
    drag(page, (x, y + 5), (x + 200, y + 35), key="Control")
    low, high = page.evaluate(scale)
    assert 0 <= low < high < before[1]
    page.get_by_role("button", name="Back").click()
    settle(page)
    assert view(page) == [a, b]
    page.get_by_label("Dragging").select_option("zooms")
    drag(page, at(page, 0.5), at(page, 0.75))
    assert view(page)[1] - view(page)[0] == pytest.approx((b - a) / 4, rel=0.03)
    page.get_by_role("button", name="Whole log").click()
    settle(page)
    expect(page.locator(".he-when")).to_contain_text("(21 days)")


def test_shift_and_dragging_measures_what_lies_between(page, house):
    drag(page, at(page, 0.25), at(page, 0.75), key="Shift")
    t0, t1 = page.evaluate("document.querySelector('.he-viewer').viewer.selection")
    names = page.evaluate("document.querySelector('.he-viewer').viewer.shown")
    expect(page.locator(".he-table table")).to_contain_text("sum of these loads")
    start, end = (pd.Timestamp(round(at * 1e9), unit="ns", tz="UTC") for at in (t0, t1))
    expected = span_table(house, names, start=start, end=end)
    rows = page.locator(".he-table tr").all()
    found = [[cell.strip() for cell in row.locator("th, td").all_text_contents()] for row in rows]
    assert found == expected.cells()
    take_picture(page, "measured")
    page.get_by_role("button", name="Clear").click()
    assert page.locator(".he-table table").count() == 0


def test_the_pointer_reads_each_lane_down_to_single_samples(page, house):
    page.get_by_label("Day to look at").fill(DAY)
    for _ in range(9):
        page.get_by_role("button", name="Closer").click()
    settle(page)
    for share in (0.2, 0.51, 0.8):
        page.mouse.move(*at(page, share, lane=1))
        t = page.evaluate("document.querySelector('.he-viewer').viewer.pointer")
        start = pd.Timestamp(int(t), unit="s", tz="UTC")
        for lane, name in enumerate(("fridge", "freezer")):
            watts = float(house.trace(name, start, start + pd.Timedelta(1, "s")).watts[0])
            shown = page.locator(".he-value").nth(lane).text_content()
            assert float(shown.removesuffix(" W").replace(",", "")) == pytest.approx(watts, abs=0.5)
    local = start.tz_convert(house.timezone)
    expect(page.locator(".he-reading")).to_have_text(
        f"{local:%a} {local.day} {local:%b %Y %H:%M:%S}"
    )
    assert page.locator(".he-cross").is_visible()
    page.mouse.move(5, 5)
    expect(page.locator(".he-cross")).to_be_hidden()


def test_the_strip_shows_and_moves_the_window(page):
    t0, t1 = view(page)
    strip = page.locator(".he-strip").bounding_box()
    window = page.locator(".he-window").bounding_box()
    assert window["width"] < strip["width"] / 10
    page.mouse.click(strip["x"] + 0.8 * strip["width"], strip["y"] + 20)
    settle(page)
    a, b = view(page)
    assert b - a == pytest.approx(t1 - t0)
    assert a > t0 + 5 * 86_400
    assert page.locator(".he-window").bounding_box()["x"] > window["x"] + 100


def test_keys_alone_do_all_of_it(page, house):
    stage, message = page.locator(".he-stage"), page.locator(".he-message")
    stage.focus()
    t0, t1 = view(page)
    page.keyboard.press("ArrowRight")
    assert view(page)[0] == pytest.approx(t0 + (t1 - t0) / 2)
    page.keyboard.press("Backspace")
    assert view(page) == [t0, t1]
    page.keyboard.press("+")
    assert view(page)[1] - view(page)[0] == pytest.approx((t1 - t0) / 2)
    page.keyboard.press("Home")
    expect(page.locator(".he-when")).to_contain_text("(21 days)")
    page.keyboard.press("ArrowDown")
    expect(message).to_have_text("In hand: Chest freezer")
    page.keyboard.press("h")
    expect(message).to_contain_text("Chest freezer, peak 1 of the 20 highest: ")
    settle(page)
    page.keyboard.press(".")
    expect(message).to_contain_text("Chest freezer ")
    page.keyboard.press("m")
    for _ in range(5):
        page.keyboard.press(".")
    page.keyboard.press("m")
    expect(page.locator(".he-table table")).to_be_visible()
    page.keyboard.press("n")
    expect(page.locator(".he-card h2")).to_contain_text("Chest freezer, run ")
    first = page.locator(".he-card h2").text_content()
    page.keyboard.press("n")
    expect(page.locator(".he-card h2")).not_to_have_text(first)
    page.keyboard.press("Escape")
    assert page.locator(".he-card *").count() == 0
    assert page.locator(".he-table table").count() == 0


def test_circuits_are_found_ticked_shown_alone_and_keep_their_colour(page):
    colour = "document.querySelector('.he-viewer').viewer.colour('kiln')"
    before = page.evaluate(colour)
    page.get_by_label("Find circuits").fill("kil")
    assert page.locator(".he-list li").count() == 1
    page.get_by_role("button", name="Only Pottery kiln").click()
    settle(page)
    assert page.locator(".he-pane").count() == 1
    assert page.evaluate(colour) == before
    page.get_by_role("button", name="Only Pottery kiln").click()
    assert page.locator(".he-pane").count() == 6
    page.get_by_label("Find circuits").fill("")
    page.get_by_label("Television", exact=True).check()
    page.get_by_label("Outdoor temperature", exact=True).check()
    settle(page)
    assert page.locator(".he-pane").count() == 8
    assert page.evaluate(colour) == before
    page.mouse.move(*at(page, 0.5, lane=7))
    expect(page.locator(".he-value").nth(7)).to_contain_text("°C")
    page.get_by_label("Order").select_option("leg")
    legs = page.locator(".he-leg").all_text_contents()
    assert sorted(legs) == ["L1", "L1, L2", "L2", "no leg"]
    page.get_by_role("button", name="Show none").click()
    expect(page.get_by_text("No circuit is chosen.")).to_be_visible()
    page.get_by_role("button", name="Show listed").click()
    settle(page)
    assert page.locator(".he-pane").count() == 15
    take_picture(page, "all")


def test_every_scale_can_be_read_however_low_its_lane(page):
    """As low as lanes are where 12 or more are shown."""
    found = page.evaluate("""() => {
      const viewer = document.querySelector('.he-viewer').viewer;
      const lanes = viewer.panes.filter(one => one.visible);
      lanes.forEach(one => (one.height = 46));
      viewer.draw();
      return lanes.map(one => one.ticks.length);
    }""")
    assert len(found) > 1
    assert min(found) >= 2


def test_circuits_on_one_another_add_up_to_the_mains(page, house):
    page.get_by_role("button", name="Show listed").click()
    page.get_by_label("Arrange").select_option("stack")
    settle(page)
    layers, supply = page.evaluate(
        """() => {
          const { stack } = document.querySelector('.he-viewer').viewer.panes[0];
          return [stack.layers.map(one => [...one.mean]), [...stack.supply]];
        }"""
    )
    total, supply = np.sum(layers, axis=0, dtype=float), np.array(supply, dtype=float)
    loads = total - np.array(layers[-1], dtype=float)
    assert np.allclose(total, np.maximum(supply, loads), atol=0.5)
    mains_wh = sum(house.trace(c, DAY, "2026-10-28").sure().energy_wh for c in house.mains)
    assert supply.mean() * 24 == pytest.approx(mains_wh, rel=0.01)
    expect(page.locator(".he-legend")).to_contain_text("unmeasured: mains less all circuits")
    take_picture(page, "stacked")
    page.get_by_label("Arrange").select_option("chart")
    settle(page)
    page.mouse.move(*at(page, 0.5))
    expect(page.locator(".he-reading")).to_contain_text("Dishwasher: ")
    take_picture(page, "one_chart")
    page.get_by_label("Arrange").select_option("same")
    settle(page)
    ranges = page.evaluate(
        "document.querySelector('.he-viewer').viewer.panes.map(p => p.range + p.unit)"
    )
    assert len(set(ranges)) == 2  # watts, and the temperature


def test_a_run_is_opened_by_a_click_and_decided_about(page, house):
    page.get_by_role("button", name="Only Water heater").click()
    page.get_by_label("Runs", exact=True).check()
    page.wait_for_function(
        "() => document.querySelector('.he-viewer').viewer.runs.has('water_heater')"
    )
    start, end, _ = page.evaluate(
        "document.querySelector('.he-viewer').viewer.runs.get('water_heater').find(r => r[0] > "
        "document.querySelector('.he-viewer').viewer.view[0])"
    )
    t0, t1 = view(page)
    before = page.evaluate(
        "document.querySelector('.he-viewer').viewer.runs.get('water_heater').length"
    )
    page.mouse.click(*at(page, ((start + end) / 2 - t0) / (t1 - t0)))
    card = page.locator(".he-card")
    expect(card.locator("h2")).to_contain_text("Water heater, run ")
    for what in ("energy", "cost", "programme", "USD", "kWh"):
        expect(card).to_contain_text(what)
    take_picture(page, "run")
    card.get_by_role("button", name="Not a run").click()
    expect(card).to_contain_text("discard the run of 2026-10-27")
    decided = house.path / "run_decisions.csv"
    assert "water_heater,discard,2026-10-27T" in decided.read_text()
    count = "document.querySelector('.he-viewer').viewer.runs.get('water_heater').length"
    assert page.evaluate(count) == before - 1
    card.get_by_role("button", name="Undo the last decision").click()
    expect(card).to_contain_text("undone: ")
    assert page.evaluate(count) == before
    assert "water_heater" not in decided.read_text()


def test_pictures_and_readings_are_saved(page, house, tmp_path):
    saved = {}
    for kind in ("PNG", "SVG", "CSV"):
        with page.expect_download() as waiting:
            page.get_by_role("button", name=kind).click()
        saved[kind] = tmp_path / waiting.value.suggested_filename
        waiting.value.save_as(saved[kind])
        assert saved[kind].name.startswith("orchard_house_2026-10-27")
    assert saved["PNG"].read_bytes().startswith(b"\x89PNG")
    assert saved["PNG"].stat().st_size > 20_000
    texts = [one.text for one in ET.parse(saved["SVG"]).iter("{http://www.w3.org/2000/svg}text")]
    assert "least to greatest reading; line: mean" in texts  # of the legend
    assert "Refrigerator" in texts
    assert f"Orchard house, {DAY_WORDS}" in texts
    table = pd.read_csv(saved["CSV"])
    assert len(table) == 86_400
    kwh = table["fridge_w"].sum() / 3.6e6
    assert kwh == pytest.approx(
        house.trace("fridge", DAY, "2026-10-28").sure().energy_wh / 1000, rel=1e-4
    )


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [1400, 1000, 390])
def test_it_follows_the_width_and_the_theme(page, width, scheme):
    page.emulate_media(color_scheme=scheme)
    page.set_viewport_size({"width": width, "height": 900})
    settle(page)
    page.wait_for_timeout(200)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    lanes = page.locator(".he-pane canvas").first.bounding_box()
    assert lanes["x"] + lanes["width"] > 0.94 * width
    paper = page.locator(".he-viewer").evaluate("one => getComputedStyle(one).backgroundColor")
    assert paper == {"light": "rgb(255, 255, 255)", "dark": "rgb(20, 20, 20)"}[scheme]
    take_picture(page, f"{width}_{scheme}")


def test_a_page_without_a_kernel_shows_the_whole_log(house, browser, tmp_path):
    path = tmp_path / "house.html"
    path.write_text(page_without_kernel(Answers(house), points=800), encoding="utf-8")
    with opened(browser, path.as_uri()) as page:
        assert page.locator(".he-pane").count() == 6
        assert colours(page) > 5
        page.mouse.move(*at(page, 0.5))
        for _ in range(12):
            page.mouse.wheel(0, -100)
            page.wait_for_timeout(30)
        expect(page.locator(".he-message")).to_contain_text("Saved page: not finer than ")
        page.get_by_label("Runs", exact=True).check()
        page.wait_for_function("() => document.querySelector('.he-viewer').viewer.runs.size === 6")
        page.get_by_label("Dragging").select_option("measures")
        drag(page, at(page, 0.2), at(page, 0.6))
        expect(page.locator(".he-message")).to_contain_text("it has no kernel to ask")


def test_in_a_notebook_it_lives_and_a_saved_one_opens_again(lab, browser, place):
    copy_house(place / "viewed" / "saved", circuits=("fridge", "kiln"))
    code = (
        "import homeenergy as he\nfrom homeenergy.show import trace_viewer\n"
        'trace_viewer(he.open_house("../viewed/saved"))'
    )
    folder = lab.folder / "notebooks"
    write_notebook(NAME, [code], folder=folder)
    with run_notebook(NAME, lab=lab, browser=browser, folder=folder) as notebook:
        page = notebook.page
        page.wait_for_function(VIEWED)
        page.wait_for_timeout(WAIT_MS + 500)  # by then a copy without a viewer would come to life
        assert page.locator(".he-viewer").count() == 1
        assert page.locator(".jp-OutputArea img").count() == 1
        expect(page.locator(".jp-OutputArea img")).to_be_hidden()
        x, y = at(page, 0.5)
        page.mouse.move(x, y)
        for _ in range(10):
            page.mouse.wheel(0, -200)
        page.wait_for_function(VIEWED)
        samples = "document.querySelector('.he-viewer').viewer.lanes.get('fridge').detail.samples"
        assert page.evaluate(samples) < 60
        # Keys mean what they mean to the viewer, and not to the notebook around it.
        page.locator(".he-stage").focus()
        for key in (".", "m", ".", "m"):
            page.keyboard.press(key)
        expect(page.locator(".he-table table")).to_be_visible()
        page.keyboard.press("n")
        expect(page.locator(".he-card h2")).to_contain_text("Refrigerator, run ")
        assert page.locator(".jp-CodeCell").count() == 1
        page.get_by_role("button", name="CSV").scroll_into_view_if_needed()
        with page.expect_download() as saved:
            page.get_by_role("button", name="CSV").click()
        assert saved.value.suggested_filename.startswith("orchard_house_2026-")
        page.screenshot(path=SCREENSHOTS / "trace_viewer_lab.png")
        assert page.locator(RED).count() == 0
        page.keyboard.press("Control+s")
        page.wait_for_timeout(2000)
        assert notebook.complaints == []
        assert notebook.elsewhere == []
    again = browser.new_page()
    again.set_default_timeout(REDRAW_MS)
    again.goto(f"{lab.url}/lab/workspaces/again/tree/notebooks/{NAME}.ipynb?token={lab.token}")
    again.wait_for_function(VIEWED)
    again.screenshot(path=SCREENSHOTS / "trace_viewer_reopened.png")
    expect(again.get_by_text("model not found")).to_be_hidden()
    assert again.locator(".he-pane").count() == 2
    again.close()
    for session in lab.ask("sessions"):
        lab.ask(f"sessions/{session['id']}", method="DELETE")
