"""Houses that are not as one expects, in a browser: what is missing, long or wrong is told."""

import re
import shutil
import time

import numpy as np
import psutil
import pytest
from playwright.sync_api import expect

from tests.findings.small_house import made_house, switched

from .conftest import ROOT, STOP_S, processes_of
from .pages import RED, SCREENSHOTS, eventually, press, run_notebook, write_notebook

pytestmark = [pytest.mark.browser, pytest.mark.slow]

NAME = "unusual_houses"
HOUSES = {
    "not_imported": "trace_viewer",
    "long": "trace_viewer",
    "broken": "run_explorer",
    "forty": "trace_viewer",
    "still": "run_explorer",
    "away": "trace_viewer",
    "narrow": "trace_viewer",
    "closed": "trace_viewer",
}
BEGIN = (
    "import homeenergy as he\n"
    "from homeenergy.show import run_explorer, trace_viewer\n"
    'open_house = lambda name: he.open_house("../unusual/" + name)'
)


def forty_circuits(folder):
    kinds = ("kettle", "lamp", "pump", "heater")
    names = [f"{kinds[number % 4]}_{number + 1}" for number in range(40)]
    watts = {
        name: switched(7, (k % 12, 12 + k % 11), on_w=100.0 + 50 * k, lasts_h=0.5, rest_w=1.0)
        for k, name in enumerate(names)
    }
    made_house(folder, watts)
    text = (folder / "house.toml").read_text(encoding="utf-8")
    for k, name in enumerate(names):
        line = f'name = "{name}"\n'
        text = text.replace(line, f'{line}legs = ["L{k % 2 + 1}"]\n')
    supply = '\n[supply]\nsystem = "split-phase"\n'
    (folder / "house.toml").write_text(text + supply, encoding="utf-8")


@pytest.fixture(scope="module")
def houses(place):
    """Folder of houses, of which some have no store."""
    folder = place / "unusual"
    keep_out = shutil.ignore_patterns("store")
    samples = {"not_imported": "canal_flat", "long": "orchard_house", "closed": "orchard_house"}
    for name, sample in samples.items():
        shutil.copytree(ROOT / "sample_data" / sample, folder / name, ignore=keep_out)
    forty_circuits(folder / "forty")
    made_house(folder / "still", {"clock": np.full(3 * 1440, 4.0)})
    away = switched(9, (6, 18), on_w=900.0, lasts_h=1.0)
    away[2 * 1440 : 7 * 1440] = np.nan
    for name in ("away", "narrow"):
        made_house(folder / name, {"heater": away})
    made_house(folder / "broken", {"heater": switched(2, (6,), on_w=900.0, lasts_h=1.0)})
    shutil.rmtree(folder / "broken" / "store")
    log = folder / "broken" / "logs" / "log.csv"
    lines = log.read_text(encoding="utf-8").splitlines()
    lines[41] = lines[41].split(",")[0] + ",much"
    log.write_text("\n".join(lines), encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def opened(lab, browser, houses):
    folder = lab.folder / "notebooks"
    codes = [BEGIN, *(f'{make}(open_house("{name}"))' for name, make in HOUSES.items())]
    write_notebook(NAME, codes, folder=folder)
    with run_notebook(NAME, lab=lab, browser=browser, folder=folder) as shown:
        yield shown


def cell_of(opened, name):
    shown = opened.shown(opened.code_cells[1 + list(HOUSES).index(name)])
    shown.scroll_into_view_if_needed()
    return shown


def words(cell):
    return cell.locator("details", has_text="The figure in words").first


def take_picture(cell, what):
    SCREENSHOTS.mkdir(exist_ok=True)
    cell.screenshot(path=SCREENSHOTS / f"unusual_{what}.png")


def files_of(folder):
    return {path: path.stat().st_size for path in folder.rglob("*") if path.is_file()}


def test_a_house_without_a_store_is_imported_at_the_press_of_a_button(opened):
    cell = cell_of(opened, "not_imported")
    expect(cell.get_by_text("Nothing has been imported for Canal flat yet.")).to_be_visible()
    take_picture(cell, "offers_to_import")
    button = cell.get_by_role("button", name="Import the logs now")
    button.focus()
    button.press("Enter")
    cell.locator(".he-pane canvas").first.wait_for()
    expect(words(cell)).to_contain_text("(90 days)")
    expect(words(cell)).to_contain_text("mean")
    assert cell.get_by_role("progressbar").count() == 0


def test_the_stop_button_stops_an_import(opened, houses):
    cell = cell_of(opened, "long")
    press(cell, "Import the logs now")
    expect(cell.get_by_text(re.compile("Importing: reading"))).to_be_visible()
    # At once: on a busy machine an import may end while a picture is taken.
    cell.get_by_title("Stop: Importing").click()
    expect(cell.get_by_role("alert")).to_have_text(
        "Importing: stopped. What was done so far is kept."
    )
    before = files_of(houses / "long")
    time.sleep(3)  # in which an import that went on would write
    assert files_of(houses / "long") == before
    assert not [path for path in before if path.name == "2026-11.parquet"]
    expect(cell.get_by_role("button", name="Import the logs now")).to_be_visible()


def test_a_fault_in_a_log_is_one_sentence_that_says_where(opened):
    cell = cell_of(opened, "broken")
    press(cell, "Import the logs now")
    alert = cell.get_by_role("alert")
    expect(alert).to_contain_text("log.csv")
    take_picture(cell, "fault")
    said = alert.text_content()
    assert "'much'" in said
    assert "42" in said
    assert "Traceback" not in said
    assert "\n" not in said.strip()
    assert opened.page.locator(RED).all_text_contents() == []


def test_forty_circuits_fit_on_the_page_and_are_found(opened):
    cell = cell_of(opened, "forty")
    boxes = cell.locator(".he-list input[type=checkbox]")
    expect(boxes).to_have_count(40)
    cell.get_by_label("Find circuits").fill("heater 36")
    expect(boxes).to_have_count(1)
    press(cell, "Show none")
    expect(words(cell)).not_to_contain_text("mean")
    boxes.first.focus()
    boxes.first.press("Space")
    expect(words(cell)).to_contain_text("mean")
    cell.get_by_label("Find circuits").fill("")
    expect(boxes).to_have_count(40)
    press(cell, "Show listed")
    expect(words(cell)).to_contain_text("heater_40: mean")
    expect(words(cell)).not_to_contain_text("being read")
    assert words(cell).text_content().count(": mean") == 40
    assert cell.locator(".he-pane").count() == 40
    take_picture(cell, "forty")
    output = cell.locator(".jp-OutputArea-output").first
    assert output.evaluate("output => output.scrollWidth - output.clientWidth") <= 1


def test_in_a_narrow_window_the_figure_follows(opened):
    cell, page = cell_of(opened, "narrow"), opened.page
    cell.locator(".he-pane canvas").first.wait_for()
    size = page.viewport_size
    page.set_viewport_size({"width": 1000, "height": 700})
    inside = """cell => {
      const output = cell.querySelector('.jp-OutputArea-output').getBoundingClientRect();
      const lane = cell.querySelector('.he-pane canvas').getBoundingClientRect();
      return lane.width > 200 && lane.right <= output.right + 1;
    }"""
    eventually(page, lambda: cell.evaluate(inside), "a figure as wide as its cell")
    take_picture(cell, "narrow")
    page.set_viewport_size(size)


def test_an_appliance_that_never_runs_is_told(opened):
    cell = cell_of(opened, "still")
    cell.locator(".he-pane canvas").first.wait_for()
    assert "0 runs shaded" in cell.locator("img").first.get_attribute("alt")
    assert cell.get_by_role("button", name="Split", exact=True).is_disabled()
    take_picture(cell, "still")


def test_a_day_without_readings_is_told(opened):
    cell = cell_of(opened, "away")
    cell.locator(".he-pane canvas").first.wait_for()
    cell.locator("input[type=date]").fill("2026-03-06")
    expect(words(cell)).to_contain_text("Fri 6 Mar 2026 00:00")
    expect(words(cell)).to_contain_text("heater: no readings here")
    take_picture(cell, "away")


def test_the_page_complains_of_nothing_and_asks_nobody_else(opened):
    assert opened.complaints == []
    assert opened.elsewhere == []


# Stands last, for it ends the kernel.
def test_closing_the_notebook_ends_long_work_and_leaves_no_process(opened, lab):
    cell, page = cell_of(opened, "closed"), opened.page
    kernels = [one for one in processes_of(lab.folder) if is_kernel(one)]
    assert len(kernels) == 1
    press(cell, "Import the logs now")
    expect(cell.get_by_text(re.compile("Importing: reading"))).to_be_visible()
    page.get_by_role("menuitem", name="File", exact=True).click()
    page.get_by_role("menuitem", name=re.compile("^Close and Shut Down Notebook")).click()
    page.get_by_role("dialog").get_by_role("button", name="OK").click()
    _, alive = psutil.wait_procs(kernels, timeout=STOP_S)
    assert alive == []
    end = time.monotonic() + STOP_S
    while lab.ask("kernels"):
        assert time.monotonic() < end, "the server still lists a kernel"
        time.sleep(0.1)
    assert not [one for one in processes_of(lab.folder) if is_kernel(one)]


def is_kernel(process):
    return "ipykernel_launcher" in process.info["cmdline"]
