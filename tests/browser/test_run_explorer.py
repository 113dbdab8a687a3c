"""The run explorer in a browser: sliders, keys and buttons change runs, the page and the file."""

import re
from itertools import groupby

import pytest
from playwright.sync_api import expect

from .pages import (
    RED,
    SCREENSHOTS,
    copy_house,
    eventually,
    names_using,
    press,
    run_notebook,
    settle,
    walk,
    write_notebook,
)

pytestmark = [pytest.mark.browser, pytest.mark.slow]

NAME = "explore_runs"
BEGIN = (
    "import homeenergy as he\n"
    "from homeenergy.show import run_explorer\n"
    'explore = lambda house: run_explorer(he.open_house("../explored/" + house), "dishwasher")'
)


@pytest.fixture(scope="module")
def houses(request, place):
    """Folder of houses, one for each test that works on a cell, called after the test."""
    for name in names_using(request, "cell"):
        copy_house(place / "explored" / name, circuits=["dishwasher"])
    return place / "explored"


@pytest.fixture(scope="module")
def opened(lab, browser, houses):
    folder = lab.folder / "notebooks"
    names = sorted(path.name for path in houses.iterdir())
    write_notebook(NAME, [BEGIN, *(f'explore("{name}")' for name in names)], folder=folder)
    with run_notebook(NAME, lab=lab, browser=browser, folder=folder) as shown:
        yield shown


@pytest.fixture
def cell(opened, request):
    """Cell of the page with the house of this test."""
    (source,) = [c for c in opened.code_cells if f'"{request.node.originalname}"' in c.source]
    shown = opened.shown(source)
    shown.scroll_into_view_if_needed()
    shown.locator(".he-viewer[data-ready]").wait_for()
    return shown


@pytest.fixture
def decided(houses, request):
    """Lines of the file of this test's house that decide something."""
    path = houses / request.node.originalname / "run_decisions.csv"

    def read():
        lines = path.read_text(encoding="utf-8").splitlines() if path.exists() else []
        return [line for line in lines if line.startswith("dishwasher")]

    return read


VIEWER = "cell.querySelector('.he-viewer').viewer"


def words(cell):
    """What the viewer's figure says in words."""
    return cell.evaluate(f"cell => {VIEWER}.parts.said.textContent")


def wait_for_words(cell, pattern):
    """Return when the words of the figure hold the pattern."""
    cell.page.wait_for_function(
        f"([cell, pattern]) => new RegExp(pattern).test({VIEWER}.parts.said.textContent)",
        arg=[cell.element_handle(), pattern],
    )


def redrawn(cell, act):
    """Do something, and return when the viewer has drawn again."""
    before = cell.evaluate(f"cell => {VIEWER}.frames")
    act()
    cell.page.wait_for_function(
        f"([cell, before]) => {VIEWER}.frames > before", arg=[cell.element_handle(), before]
    )


def row(cell, label):
    return cell.locator(".widget-inline-hbox", has_text=label)


def test_it_opens_with_runs_and_words(opened, cell):
    assert opened.page.locator(RED).all_text_contents() == []
    cell.locator(".he-viewer[data-ready]").wait_for()
    wait_for_words(cell, r"^Power from .*Dishwasher: mean .*\b2 runs\b")
    expect(cell.get_by_role("slider")).to_have_count(5)
    expect(cell.get_by_role("button", name="Split", exact=True)).to_be_enabled()
    SCREENSHOTS.mkdir(exist_ok=True)
    cell.scroll_into_view_if_needed()
    cell.screenshot(path=SCREENSHOTS / "run_explorer_first.png")


def test_arrow_keys_on_a_slider_change_the_runs(cell, decided):
    handle = row(cell, "It lasts while above").get_by_role("slider")
    readout = row(cell, "It lasts while above").locator(".widget-readout")
    as_found = re.compile("as found$")
    expect(readout).to_have_text(as_found)
    handle.focus()
    for _ in range(12):
        redrawn(cell, lambda: handle.press("ArrowRight"))  # its level is drawn
    wait_for_words(cell, r"\b4 runs?\b")
    cell.get_by_text("with these sliders").wait_for()
    expect(readout).not_to_have_text(as_found)
    expect(cell.get_by_role("button", name="Split", exact=True)).to_be_disabled()
    assert decided() == []
    cell.screenshot(path=SCREENSHOTS / "run_explorer_moved.png")
    press(cell, "Back to what was found")
    wait_for_words(cell, r"\b2 runs?\b")
    expect(readout).to_have_text(as_found)


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
    settle(cell.page)
    assert row(cell, "Split it at").locator(".widget-readout").text_content() < before
    button = cell.get_by_role("button", name="Split", exact=True)
    button.focus()
    redrawn(cell, lambda: button.press("Enter"))
    wait_for_words(cell, r"\b3 runs?\b")
    (line,) = decided()
    assert line.startswith("dishwasher,split,2026-10-19T")
    cell.screenshot(path=SCREENSHOTS / "run_explorer_split.png")
    press(cell, "Undo: delete the line")
    wait_for_words(cell, r"\b2 runs?\b")
    assert decided() == []


def test_a_run_is_discarded_named_and_looked_at_closely(cell, decided):
    cell.get_by_label("Call it").fill("long wash")
    settle(cell.page)
    press(cell, "Save the name")
    cell.get_by_text("Saved: ").first.wait_for()
    assert (
        "long\xa0wash"
        in cell.get_by_role("combobox", name="Run", exact=True)
        .locator("option")
        .first.text_content()
    )
    redrawn(cell, lambda: press(cell, "Look closer"))
    redrawn(
        cell, lambda: cell.get_by_role("combobox", name="Run", exact=True).select_option(index=1)
    )
    press(cell, "Discard")
    eventually(cell.page, lambda: len(decided()) == 2, "a second line")
    assert [line.split(",")[1] for line in decided()] == ["relabel", "discard"]
    cell.screenshot(path=SCREENSHOTS / "run_explorer_by_hand.png")
    for left in (1, 0):
        cell.get_by_text("Undone").or_(cell.get_by_text("Saved: ")).first.wait_for()
        press(cell, "Undo: delete the line")
        eventually(cell.page, lambda left=left: len(decided()) == left, f"a file of {left} lines")
        settle(cell.page)
    wait_for_words(cell, r"\b1 runs?\b")  # in view


def test_the_tab_key_reaches_every_control_in_order(cell):
    cell.get_by_label("Appliance", exact=True).focus()
    reached = walk(cell.page, most=45)
    # A slider and the value beside it are two stops with one name.
    names = [name for (name, _), _ in groupby(reached)]
    order = [
        *("Show", "Earlier", "Later", "Busiest day", "Kind of appliance"),
        *("A run must reach", "It lasts while above", "Idle level", "Longest pause inside it"),
        *("Run", "Look closer", "Merge with the next", "Discard"),
        *("Split it at", "Split", "Call it", "Save the name"),
    ]
    # The walk is long enough to begin anew.
    assert [name for name in names if name in order][: len(order)] == order
    assert [name for name, seen in reached if not seen] == []


def test_enter_and_space_press_buttons(cell):
    for key, button in (("Enter", "Later"), ("Space", "Earlier")):
        before = words(cell)
        cell.get_by_role("button", name=button, exact=True).focus()
        cell.page.keyboard.press(key)
        cell.page.wait_for_function(
            f"([cell, before]) => {VIEWER}.parts.said.textContent !== before",
            arg=[cell.element_handle(), before],
        )


def test_what_goes_wrong_is_one_sentence(cell, opened, decided):
    cell.get_by_label("Call it").fill(" ")
    settle(cell.page)
    press(cell, "Save the name")
    expect(cell.get_by_role("alert")).to_have_text("write a name for the run first")
    assert decided() == []
    assert opened.page.locator(RED).all_text_contents() == []


# Stands last, after everything that could make the page complain.
def test_the_page_complains_of_nothing_and_asks_nobody_else(opened):
    assert opened.complaints == []
    assert opened.elsewhere == []
