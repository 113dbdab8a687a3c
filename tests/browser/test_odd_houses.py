"""Logs with next to nothing, too much or something else in them, in JupyterLab and in the page."""

import json
import threading
from contextlib import ExitStack
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import pytest
from playwright.sync_api import expect

from homeenergy.readings import import_logs, open_house
from homeenergy.show.viewer.answers import Answers
from homeenergy.show.viewer.page import page_without_kernel, whole_page

from .pages import RED, VIEWED, run_notebook, write_notebook
from .test_trace_viewer import opened, served, take_picture
from .test_trace_viewer_houses import DAY_S, START, stored

pytestmark = [pytest.mark.browser, pytest.mark.slow]

MARKUP = '<img src=x onerror="window.hit = 1"> & "oven"'
NAME = "odd_houses"
IN_LAB = ("one_sample", "all_missing", "no_readings", "markup", "two_hundred", "filled", "others")
BEGIN = (
    "import homeenergy as he\nfrom homeenergy.show import trace_viewer\n"
    'look = lambda name: trace_viewer(he.open_house("../odd/" + name))'
)
VOLTS = """name = "Mill house"
timezone = "UTC"
[[circuit]]
name = "oven"
[[circuit]]
name = "boiler"
appliance = "Boiler flue"
[[log]]
files = "logs/*.csv"
[log.columns]
oven = "oven"
boiler = { column = "flue", quantity = "temperature", unit = "C" }
volts_l1 = { column = "V", quantity = "other", unit = "V" }
"""


def with_volts(folder):
    """A house that logs watts, volts and the temperature of a flue, with a utility meter."""
    times = pd.date_range(START.tz_convert(None), periods=2880, freq="60s")
    at = np.arange(2880)
    table = pd.DataFrame(
        {
            "time": times.strftime("%Y-%m-%dT%H:%M:%SZ"),
            "oven": np.where(at % 360 < 30, 2000, 5),
            "flue": 20 + 60 * (at % 240 < 40),
            "V": np.round(230 + 5 * np.sin(at / 200), 1),
        }
    )
    (folder / "logs").mkdir(parents=True)
    table.to_csv(folder / "logs" / "log.csv", index=False)
    (folder / "house.toml").write_text(VOLTS)
    readings = "time,kwh\n2025-01-01T06:00,100\n2025-01-01T18:00,103\n2025-01-02T18:00,115\n"
    (folder / "meter_readings.csv").write_text(readings)
    import_logs(folder)


@pytest.fixture(scope="module")
def houses(place):
    folder = place / "odd"
    stored(folder / "one_sample", {"oven": np.full(1, 5.0)})
    stored(folder / "all_missing", {"oven": np.full(600, np.nan)})
    stored(folder / "no_readings", {"oven": None, "lamp": None})
    stored(folder / "markup", {"oven": np.full(DAY_S, 900.0)}, appliances={"oven": MARKUP})
    day = 300 * (np.arange(1440) % 97 < 20)
    many = {f"load_{k:03d}": day * (k + 1) / 50 for k in range(200)}
    stored(folder / "two_hundred", many, period_s=60)
    stored(folder / "filled", {"oven": np.full(DAY_S, 100.0)})
    with_volts(folder / "others")
    return folder


@pytest.fixture(scope="module")
def notebook(lab, browser, houses):
    folder = lab.folder / "notebooks"
    write_notebook(NAME, [BEGIN, *(f'look("{name}")' for name in IN_LAB)], folder=folder)
    with run_notebook(NAME, lab=lab, browser=browser, folder=folder) as shown:
        yield shown


@dataclass
class Shown:
    """A viewer on a page: what holds it, and the page itself."""

    root: Any
    page: Any

    def ask(self, code, *given):
        found = f"([viewer, ...given]) => ({code})(viewer, ...given)"
        handle = self.root.locator(".he-viewer").evaluate_handle("el => el.viewer")
        return self.page.evaluate(found, [handle, *given])

    def settle(self):
        self.page.wait_for_function(VIEWED, arg=self.root.element_handle())

    def press(self, name):
        self.root.get_by_role("button", name=name, exact=True).click()
        self.settle()

    @property
    def words(self):
        return self.root.locator("details", has_text="The figure in words").first


@pytest.fixture(params=["page", pytest.param("lab", marks=pytest.mark.study)])
def look_at(request, houses, browser):
    """Open the viewer of a house: in the page of the shell, or in a cell of JupyterLab."""
    if request.param == "page":
        with ExitStack() as stack:

            def open_page(name):
                address = stack.enter_context(served(Answers(open_house(houses / name))))
                page = stack.enter_context(opened(browser, address))
                return Shown(page.locator("main"), page)

            yield open_page
        return
    notebook = request.getfixturevalue("notebook")

    def find_cell(name):
        cell = notebook.shown(notebook.code_cells[1 + IN_LAB.index(name)])
        cell.scroll_into_view_if_needed()
        return Shown(cell, notebook.page)

    yield find_cell
    assert notebook.complaints == []
    assert notebook.elsewhere == []
    assert notebook.page.locator(RED).count() == 0


@pytest.mark.parametrize(
    ("name", "told"), [("one_sample", "mean 5 W"), ("all_missing", "no readings here")]
)
def test_next_to_nothing(look_at, name, told):
    shown = look_at(name)
    shown.settle()
    for button in ("Closer", "Wider", "Earlier", "Whole log", "Back", "Show listed"):
        shown.press(button)
    shown.root.get_by_label("Runs", exact=True).check()
    for how in ("stack", "chart", "same", "lanes"):
        shown.root.get_by_label("Arrange").select_option(how)
        shown.settle()
    low, high = shown.ask("viewer => viewer.view")
    assert high > low
    expect(shown.words).to_contain_text(told)


def test_no_readings(look_at):
    shown = look_at("no_readings")
    if shown.root.locator(".he-viewer").count():
        shown.settle()
        shown.press("Show listed")
        expect(shown.words).to_contain_text("oven: no readings here")
    else:  # a notebook offers to import
        expect(shown.root.get_by_text("Nothing has been imported")).to_be_visible()
        shown.root.get_by_role("button", name="Import the logs now").click()
        expect(shown.root.get_by_role("alert")).to_contain_text("does not describe the logs")


def test_a_name_with_markup(look_at):
    shown = look_at("markup")
    shown.settle()
    assert shown.root.locator(".he-label").first.text_content().startswith(MARKUP)
    expect(shown.words).to_contain_text(MARKUP)
    shown.root.get_by_label("Runs", exact=True).check()
    shown.ask("viewer => viewer.select(...viewer.view)")
    expect(shown.root.locator(".he-table")).to_contain_text(MARKUP)
    assert shown.page.evaluate("window.hit") is None
    assert shown.root.locator(".he-viewer img").count() == 0


def test_two_hundred_circuits(look_at):
    shown = look_at("two_hundred")
    shown.settle()
    assert shown.root.locator(".he-list li").count() == 200
    shown.press("Show listed")
    assert shown.root.locator(".he-pane").count() == 200
    # Only what is in sight has a chart.
    assert shown.root.locator(".he-pane canvas").count() < 60
    # While one moves, lanes are drawn in fewer columns, in which no peak is lost.
    drawn = shown.ask(
        """async viewer => {
          const seen = viewer.panes.find(pane => pane.visible);
          const peak = () => seen.columns[0].high.reduce((a, b) => Math.max(a, b));
          const still = [seen.columns[0].high.length, peak()];
          viewer.go(...viewer.view);
          viewer.moving = true;
          viewer.panes.forEach(pane => (pane.visible = viewer.panes.indexOf(pane) < 40));
          viewer.draw();
          const moving = [seen.columns[0].high.length, peak()];
          return [still, moving];
        }"""
    )
    (columns, peak), (moving, peak_moving) = drawn
    assert moving == pytest.approx(max(columns / 2, 16_000 / 40), abs=1)
    assert moving < columns
    assert peak_moving == peak
    last = shown.root.locator(".he-pane").nth(199)
    last.scroll_into_view_if_needed()
    expect(last.locator("canvas")).to_have_count(1)
    expect(shown.words).to_contain_text("load_199: mean ")
    shown.root.get_by_label("Find circuits").fill("load 137")
    assert shown.root.locator(".he-list li").count() == 1


def test_a_store_that_is_filled_meanwhile(look_at, houses):
    """Months are written again and again while the viewer reads them: no answer is an error."""
    stored(houses / "filled", {"oven": np.full(DAY_S, 100.0)})
    shown = look_at("filled")
    shown.settle()
    done = threading.Event()
    written = []

    def fill():
        # Answers that are never older than the store would be asked for again without end.
        while not done.wait(0.05) or len(written) < 12:
            hours = min(len(written) + 1, 24)
            stored(houses / "filled", {"oven": np.full(DAY_S + hours * 3600, 100.0)})
            written.append(hours)

    filler = threading.Thread(target=fill)
    filler.start()
    try:
        for _ in range(6):
            for button in ("Closer", "Later", "Whole log"):
                shown.press(button)
                assert shown.root.locator(".he-bad").count() == 0
    finally:
        done.set()
        filler.join()
    stored(houses / "filled", {"oven": np.full(2 * DAY_S, 100.0)})
    shown.press("Whole log")
    viewer = shown.root.locator(".he-viewer").element_handle()
    grown = """([{ viewer }, seconds]) =>
      viewer.log[1] - viewer.log[0] === seconds && viewer.view[1] === viewer.log[1]"""
    shown.page.wait_for_function(grown, arg=[viewer, 2 * DAY_S])
    shown.settle()
    expect(shown.words).to_contain_text("oven: mean 100 W")


def test_other_quantities_have_lanes_of_their_own(look_at):
    shown = look_at("others")
    shown.settle()
    assert shown.root.locator(".he-pane").count() == 1
    check_others(shown)
    with shown.page.expect_download() as waiting:
        shown.root.get_by_role("button", name="CSV").click()
    table = pd.read_csv(waiting.value.path())
    others = ["boiler_°C", "volts_l1_V", "utility_meter_w"]
    assert list(table.columns) == ["time", "oven_w", *others]
    assert table["volts_l1_V"].max() == 235
    shown.ask("viewer => viewer.select(...viewer.view)")
    rows = shown.root.locator(".he-table tr")
    expect(rows).to_have_count(2)  # a heading, and the only circuit: volts add up to nothing


def test_a_saved_page_has_them_as_well(browser, houses, tmp_path):
    path = tmp_path / "house.html"
    path.write_text(page_without_kernel(Answers(open_house(houses / "others"))), encoding="utf-8")
    with opened(browser, path.as_uri()) as page:
        check_others(Shown(page.locator("main"), page))
        take_picture(page, "other_quantities")


def check_others(shown):
    """Watts, volts, the flue and the meter are drawn over one time, each with its own scale."""
    shown.press("Show listed")
    assert shown.root.locator(".he-pane").count() == 4
    of_meter = "Utility meter, mean between readings: mean "
    of_volts = ("volts l1: mean 2", "highest 235.0 V")
    for told in ("oven: mean 171 W", "Boiler flue: mean 30.0 °C", *of_volts, of_meter):
        expect(shown.words).to_contain_text(told)
    measured = shown.ask(
        """viewer => viewer.panes.map(pane => {
          viewer.measure(pane, 1000);
          return [pane.names[0], pane.unit, ...pane.extent];
        })"""
    )
    units = {name: unit for name, unit, *_ in measured}
    assert units == {"oven": "W", "boiler": "°C", "volts_l1": "V", "utility meter": "W"}
    extents = {name: (low, high) for name, _, low, high in measured}
    assert extents["volts_l1"] == pytest.approx((225, 235), abs=0.1)
    assert extents["boiler"] == (20, 80)
    assert extents["utility meter"] == pytest.approx((0, 500), abs=0.1)
    scales = "viewer => viewer.panes.filter(pane => pane.u).map(({ u }) => u.scales.x.min)"
    assert set(shown.ask(scales)) == {shown.ask("viewer => viewer.view[0]")}
    for how in ("stack", "chart", "same", "lanes"):
        shown.root.get_by_label("Arrange").select_option(how)
        shown.settle()
        together = how in ("stack", "chart")
        assert shown.root.locator(".he-pane").count() == 4
        assert shown.ask("viewer => viewer.panes.filter(pane => pane.together).length") == together


# A widget's channel that loses whatever is sent for the first time, and each third answer.
LOSSY = """(ask => {
  const sent = new Map();
  let hear, answers = 0;
  window.lost = 0;
  return viaWidget({
    on: (_, heard) => (hear = heard),
    send: question => {
      const times = (sent.get(question.id) ?? 0) + 1;
      sent.set(question.id, times);
      if (times === 1) return window.lost++;
      ask(question).then(({ said, buffers }) => {
        if (++answers % 3) hear(said, buffers);
        else window.lost++;
      });
    },
  }, { againMs: 20 });
})(viaHttp(TOKEN))"""


def test_what_is_lost_on_the_way_is_asked_again(houses, browser):
    answers = Answers(open_house(houses / "markup"))
    with served(answers) as address:
        link = LOSSY.replace("TOKEN", json.dumps(address.split("token=")[1]))
        page = browser.new_page()
        page.route(address, lambda route: route.fulfill(body=whole_page("lossy", link)))
        page.goto(address)
        shown = Shown(page.locator("main"), page)
        shown.settle()
        for _ in range(9):
            shown.press("Closer")
        assert shown.ask("viewer => viewer.lanes.get('oven').detail.samples") == 1
        assert page.evaluate("window.lost") > 5
        shown.root.get_by_label("Runs", exact=True).check()
        page.wait_for_function("() => document.querySelector('.he-viewer').viewer.runs.size === 1")
        page.close()


def test_a_view_that_was_left_for_another_is_not_the_last_that_is_asked_for(houses, browser):
    answers = Answers(open_house(houses / "markup"))
    with served(answers) as address, opened(browser, address) as page:
        shown = Shown(page.locator("main"), page)
        shown.settle()
        # The first of these questions fails after one has gone on.
        shown.ask(
            """viewer => {
              const link = viewer.link;
              viewer.link = async question => {
                viewer.link = link;
                await new Promise(done => (viewer.fail = done));
                throw new Error("lost");
              };
              const asks = viewer.askWindow.bind(viewer);
              viewer.tried = 0;
              viewer.askWindow = () => (viewer.tried++, asks());
              viewer.go(viewer.log[0], viewer.log[0] + 600);
            }"""
        )
        page.wait_for_function("() => document.querySelector('.he-viewer').viewer.fail")
        shown.ask("viewer => viewer.go(viewer.log[0] + 3000, viewer.log[0] + 3300)")
        # It would be asked for now, but the first question is still under way.
        page.wait_for_function("() => document.querySelector('.he-viewer').viewer.tried > 1")
        shown.ask("viewer => viewer.fail()")
        shown.settle()
        samples = shown.ask("viewer => viewer.lanes.get('oven').detail.samples")
        assert samples == 1
