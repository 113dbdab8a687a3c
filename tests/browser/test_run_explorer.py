"""The run explorer in a browser: sliders, keys and buttons change runs, the page and the file."""

import re
from itertools import groupby

import pytest
from playwright.sync_api import expect

from .pages import RED, REDRAW_MS, SCREENSHOTS, press, run_notebook, walk, write_notebook

pytestmark = [pytest.mark.browser, pytest.mark.slow, pytest.mark.alone]

NAME = "explore_runs"
CODE = (
    "import homeenergy as he\n"
    "from homeenergy.show import run_explorer\n"
    'report = he.import_logs("../sample_data/orchard_house")\n'
    'house = he.open_house("../sample_data/orchard_house")',
    'run_explorer(house, "dishwasher")',
)


@pytest.fixture(scope="module")
def opened(lab, browser):
    folder = lab.folder / "notebooks"
    write_notebook(NAME, CODE, folder=folder)
    with run_notebook(NAME, lab=lab, browser=browser, folder=folder) as shown:
        yield shown


@pytest.fixture(scope="module")
def cell(opened):
    shown = opened.shown(opened.code_cells[1])
    shown.locator("img").first.wait_for(timeout=REDRAW_MS)
    return shown


@pytest.fixture
def decided(lab):
    """Lines of the file that decide something."""
    path = lab.folder / "sample_data" / "orchard_house" / "run_decisions.csv"

    def read():
        lines = path.read_text(encoding="utf-8").splitlines() if path.exists() else []
        return [line for line in lines if line.startswith("dishwasher")]

    return read


def words(cell):
    return cell.locator("img").first.get_attribute("alt")


def wait_for_words(cell, pattern):
    """Return when the picture's alternative text holds the pattern."""
    cell.page.wait_for_function(
        "([cell, pattern]) => new RegExp(pattern).test(cell.querySelector('img').alt)",
        arg=[cell.element_handle(), pattern],
        timeout=REDRAW_MS,
    )


def row(cell, label):
    return cell.locator(".widget-inline-hbox", has_text=label)


def test_it_opens_with_runs_and_words(opened, cell):
    assert opened.page.locator(RED).all_text_contents() == []
    assert "Dishwasher, power over local time" in words(cell)
    assert "2 runs shaded" in words(cell)
    assert cell.get_by_role("slider").count() == 5
    assert cell.get_by_role("button", name="Split", exact=True).is_enabled()
    SCREENSHOTS.mkdir(exist_ok=True)
    cell.scroll_into_view_if_needed()
    cell.screenshot(path=SCREENSHOTS / "run_explorer_first.png")


def test_arrow_keys_on_a_slider_change_the_runs(cell, decided):
    handle = row(cell, "It lasts while above").get_by_role("slider")
    readout = row(cell, "It lasts while above").locator(".widget-readout")
    assert readout.text_content().endswith("as found")
    handle.focus()
    for _ in range(12):
        handle.press("ArrowRight")
    wait_for_words(cell, r"\b4 runs shaded")
    cell.get_by_text("with these sliders").wait_for()
    assert not readout.text_content().endswith("as found")
    assert cell.get_by_role("button", name="Split", exact=True).is_disabled()
    assert decided() == []
    cell.screenshot(path=SCREENSHOTS / "run_explorer_moved.png")
    press(cell, "Back to what was found")
    wait_for_words(cell, r"\b2 runs shaded")
    assert readout.text_content().endswith("as found")


def test_dragging_a_slider_and_applying_it_saves_it_for_all_days(cell, decided):
    mouse = cell.page.mouse
    slider = row(cell, "Longest pause inside it")
    slider.scroll_into_view_if_needed()
    slider.get_by_role("slider").hover()
    mouse.down()
    track = slider.locator(".noUi-base").bounding_box()
    mouse.move(track["x"] + 0.1 * track["width"], track["y"], steps=10)
    mouse.up()
    cell.get_by_text("with these sliders").wait_for()
    press(cell, "Apply to all days")
    cell.get_by_text("Saved, and in force for all 21 days").wait_for()
    (line,) = decided()
    assert re.fullmatch(r"dishwasher,setting,,,pause_s=[\d.]+,", line)
    cell.screenshot(path=SCREENSHOTS / "run_explorer_applied.png")
    press(cell, "Undo: delete the line")
    cell.get_by_text("Undone: setting pause_s").wait_for()
    assert decided() == []


def test_a_run_is_split_and_the_line_deleted_again(cell, decided):
    handle = row(cell, "Split it at").get_by_role("slider")
    before = row(cell, "Split it at").locator(".widget-readout").text_content()
    handle.focus()
    handle.press("ArrowLeft")
    picture = cell.locator("img").first.get_attribute("src")
    assert row(cell, "Split it at").locator(".widget-readout").text_content() < before
    button = cell.get_by_role("button", name="Split", exact=True)
    button.focus()
    button.press("Enter")
    wait_for_words(cell, r"\b3 runs shaded")
    assert cell.locator("img").first.get_attribute("src") != picture
    (line,) = decided()
    assert line.startswith("dishwasher,split,2026-10-19T")
    cell.screenshot(path=SCREENSHOTS / "run_explorer_split.png")
    press(cell, "Undo: delete the line")
    wait_for_words(cell, r"\b2 runs shaded")
    assert decided() == []


def test_a_run_is_discarded_named_and_looked_at_closely(cell, decided):
    cell.get_by_label("Call it").fill("long wash")
    press(cell, "Save the name")
    wait_for_words(cell, "long wash")
    cell.get_by_label("Look closely at it").check()
    cell.get_by_label("Run", exact=True).select_option(index=1)
    press(cell, "Discard")
    wait_for_words(cell, r"\b1 run shaded")
    assert [line.split(",")[1] for line in decided()] == ["relabel", "discard"]
    cell.screenshot(path=SCREENSHOTS / "run_explorer_by_hand.png")
    for left in (1, 0):
        press(cell, "Undo: delete the line")
        cell.page.wait_for_timeout(500)
        assert len(decided()) == left
    wait_for_words(cell, r"\b2 runs shaded")


def test_the_tab_key_reaches_every_control_in_order(cell):
    cell.get_by_label("Appliance", exact=True).focus()
    reached = walk(cell.page, most=32)
    # A slider and the value beside it are two stops with one name.
    names = [name for (name, _), _ in groupby(reached)]
    order = [
        *("Show", "Earlier", "Later", "Busiest day", "Kind of appliance"),
        *("A run must reach", "It lasts while above", "Idle level", "Longest pause inside it"),
        *("Run", "Look closely at it", "Merge with the next", "Discard"),
        *("Split it at", "Split", "Call it", "Save the name"),
    ]
    assert [name for name in names if name in order] == order
    assert [name for name, seen in reached if not seen] == []


def test_enter_and_space_press_buttons(cell):
    for key, button in (("Enter", "Later"), ("Space", "Earlier")):
        before = words(cell)
        cell.get_by_role("button", name=button, exact=True).focus()
        cell.page.keyboard.press(key)
        cell.page.wait_for_function(
            "([cell, before]) => cell.querySelector('img').alt !== before",
            arg=[cell.element_handle(), before],
            timeout=REDRAW_MS,
        )


def test_what_goes_wrong_is_one_sentence(cell, opened, decided):
    cell.get_by_label("Call it").fill(" ")
    press(cell, "Save the name")
    expect(cell.get_by_role("alert")).to_have_text("write a name for the run first")
    assert decided() == []
    assert opened.page.locator(RED).all_text_contents() == []


# Stands last, after everything that could make the page complain.
def test_the_page_complains_of_nothing_and_asks_nobody_else(opened):
    assert opened.complaints == []
    assert opened.elsewhere == []
