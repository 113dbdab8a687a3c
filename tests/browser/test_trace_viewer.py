"""The trace viewer in a browser: what mouse, keys and buttons change on the page."""

import re

import pandas as pd
import pytest
from playwright.sync_api import expect

from homeenergy.readings import open_house
from homeenergy.show import span_table

from .pages import (
    RED,
    SCREENSHOTS,
    copy_house,
    names_using,
    press,
    run_notebook,
    settle,
    walk,
    write_notebook,
)

pytestmark = [pytest.mark.browser, pytest.mark.slow]

NAME = "view_traces"
BEGIN = (
    "import homeenergy as he\n"
    "from homeenergy.show import trace_viewer\n"
    'view = lambda house: trace_viewer(he.open_house("../viewed/" + house))'
)
# The figure is drawn on the first canvas; the second, above it, takes the mouse.
PIXELS = "canvas => canvas.toDataURL()"
OTHER = f"([canvas, before]) => ({PIXELS})(canvas) !== before"
DAY = "Tue 27 Oct 2026 00:00 to Wed 28 Oct 2026 00:00 (24 h)"


@pytest.fixture(scope="module")
def houses(request, place):
    """Folder of houses, one for each test that works on a cell, called after the test."""
    for name in names_using(request, "cell"):
        copy_house(place / "viewed" / name)
    return place / "viewed"


@pytest.fixture(scope="module")
def opened(lab, browser, houses):
    folder = lab.folder / "notebooks"
    names = sorted(path.name for path in houses.iterdir())
    write_notebook(NAME, [BEGIN, *(f'view("{name}")' for name in names)], folder=folder)
    with run_notebook(NAME, lab=lab, browser=browser, folder=folder) as notebook:
        yield notebook


@pytest.fixture
def cell(opened, request):
    """Cell of the page that holds the viewer of this test's house, looking at one day."""
    (source,) = [c for c in opened.code_cells if f'"{request.node.originalname}"' in c.source]
    shown = opened.shown(source)
    shown.scroll_into_view_if_needed()
    shown.locator("canvas").first.wait_for()
    press(shown, "Whole log")
    wait_for_words(shown, "(21 days)")
    shown.locator("input[type=date]").fill("2026-10-27")
    wait_for_words(shown, DAY)
    return shown


def words(cell):
    return cell.locator("details", has_text="The figure in words").first


def wait_for_words(cell, text):
    expect(words(cell)).to_contain_text(text)


def redrawn(cell, act):
    """Do something, and wait until the figure is another."""
    canvas = cell.locator("canvas").first
    before = canvas.evaluate(PIXELS)
    act()
    cell.page.wait_for_function(OTHER, arg=[canvas.element_handle(), before])


def at(cell, x, y=0.4):
    """Place on the page of a share of the figure's width and height."""
    canvas = cell.locator("canvas").nth(1)
    canvas.scroll_into_view_if_needed()
    box = canvas.bounding_box()
    return box["x"] + x * box["width"], box["y"] + y * box["height"]


def write(cell, label, text):
    """Write into a field, and let the kernel have it before anything else is done."""
    field = cell.get_by_label(label, exact=True)
    field.fill(text)
    field.press("Enter")
    settle(cell.page)


def let_dragging(cell, what):
    """Choose what dragging does; a kernel may take what different controls send in any order."""
    cell.get_by_label("Dragging").select_option(what)
    settle(cell.page)


def take_picture(cell, what):
    SCREENSHOTS.mkdir(exist_ok=True)
    cell.screenshot(path=SCREENSHOTS / f"trace_viewer_{what}.png")


def test_a_day_is_drawn_and_told_in_words(cell):
    text = words(cell).text_content()
    assert "Refrigerator: mean" in text
    assert "Pottery kiln" in text
    colours = cell.locator("canvas").first.evaluate(
        """canvas => {
          const data = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height);
          return new Set(new Uint32Array(data.data.buffer)).size;
        }"""
    )
    assert colours > 20
    take_picture(cell, "day")


def test_the_wheel_looks_closer_down_to_seconds(cell):
    page = cell.page
    page.mouse.move(*at(cell, 0.5))
    settle(page)
    redrawn(cell, lambda: page.mouse.wheel(0, -100))
    for _ in range(40):
        page.mouse.wheel(0, -100)
        settle(page)
    expect(words(cell)).to_contain_text(re.compile(r"\(1\d(\.\d+)? s\)"))
    take_picture(cell, "seconds")
    press(cell, "Whole log")
    wait_for_words(cell, "(21 days)")
    press(cell, "Back")
    expect(words(cell)).not_to_contain_text("(21 days)")


def test_dragging_measures_what_lies_between(cell, houses, request):
    page = cell.page
    page.mouse.move(*at(cell, 0.4))
    page.mouse.down()
    page.mouse.move(*at(cell, 0.5), steps=4)
    page.mouse.move(*at(cell, 0.6), steps=4)
    page.mouse.up()
    table = cell.locator("table")
    table.wait_for()
    take_picture(cell, "measured")
    fields = (cell.get_by_label("From", exact=True), cell.get_by_label("To", exact=True))
    start, end = (field.input_value() for field in fields)
    hours = (pd.Timestamp(end) - pd.Timestamp(start)) / pd.Timedelta(hours=1)
    # A fifth of the figure; the axis is seven tenths of it.
    assert 5 < hours < 9
    house = open_house(houses / request.node.originalname)
    (row,) = span_table(house, ["heat_pump"], start=start, end=end).rows
    shown = table.locator("tr", has_text="Heat pump").locator("td").all_text_contents()
    assert float(shown[0].replace(",", "")) == pytest.approx(row.energy_kwh, rel=0.002)
    assert float(shown[2].replace(",", "")) == pytest.approx(row.mean_w, rel=0.002)
    press(cell, "Clear")
    expect(table).to_have_count(0)


def test_dragging_moves_where_it_is_told_to(cell):
    page = cell.page
    let_dragging(cell, "moves")
    page.mouse.move(*at(cell, 0.6))
    page.mouse.down()
    for x in (0.57, 0.54, 0.5):
        page.mouse.move(*at(cell, x))
        settle(page)
    page.mouse.up()
    # A tenth of the figure, of which the axis is seven tenths.
    moved = re.compile(r"from Tue 27 Oct 2026 03:\d\d to Wed 28 Oct 2026 03:\d\d \(24 h\)")
    expect(words(cell)).to_contain_text(moved)


def test_dragging_a_rectangle_looks_closer(cell):
    page = cell.page
    let_dragging(cell, "zooms in")
    page.mouse.move(*at(cell, 0.4, 0.3))
    page.mouse.down()
    page.mouse.move(*at(cell, 0.5, 0.5), steps=4)
    page.mouse.move(*at(cell, 0.6, 0.7), steps=4)
    take_picture(cell, "rectangle")
    redrawn(cell, page.mouse.up)
    expect(words(cell)).to_contain_text(re.compile(r"\(6\.\d+ h\)"))
    assert words(cell).text_content().count(": mean") == 6
    press(cell, "Back")
    wait_for_words(cell, DAY)


def test_the_tab_key_reaches_every_control_and_the_figure(cell):
    cell.get_by_label("Find").focus()
    boxes = cell.get_by_role("checkbox").count()
    reached = walk(cell.page, most=36 + boxes)
    last = 1 + [name for name, _ in reached].index("Keys")
    reached = reached[:last]  # then comes the next cell
    names = [name for name, _ in reached]
    order = [
        *("Order", "Show all listed", "Show none", "Earlier", "Later", "Closer", "Wider"),
        *("Whole log", "Back", "Step through", "Previous run", "Next run", "Highest power"),
        *("Dragging", "Arrange", "From", "To", "Measure", "Clear", "Folder", "Save picture"),
        *("Save readings", "The figure in words", "Keys"),
    ]
    assert [name for name in names if name in order] == order
    assert sum("(L" in name for name in names) == boxes - 2
    figure = names.index(next(name for name in names if "jupyter-matplotlib" in name))
    assert (names[figure - 1], names[figure + 1]) == ("Wheel zooms", "From")
    assert [name for name, seen in reached if not seen] == []
    cell.locator(".jupyter-matplotlib-canvas-div").focus()
    cell.page.keyboard.press("Shift+Tab")
    expect(cell.get_by_label("Wheel zooms")).to_be_focused()


def test_keys_alone_do_all_of_it(cell):
    page = cell.page
    cells = page.locator(".jp-Notebook .jp-Cell").count()
    cell.locator(".jupyter-matplotlib-canvas-div").focus()
    redrawn(cell, lambda: page.keyboard.press("ArrowRight"))
    wait_for_words(cell, "Tue 27 Oct 2026 12:00 to Wed 28 Oct 2026 12:00")
    redrawn(cell, lambda: page.keyboard.press("+"))
    wait_for_words(cell, "(12 h)")
    page.keyboard.press("n")
    expect(cell.locator("[role=status]").first).to_contain_text(
        re.compile(r"Refrigerator: run \d+ of \d+")
    )
    redrawn(cell, lambda: page.keyboard.press("."))
    cell.get_by_label("From", exact=True).fill("2026-10-27 13:00")
    cell.get_by_label("From", exact=True).press("Tab")
    page.keyboard.type("2026-10-27 15:30")
    page.keyboard.press("Tab")
    settle(page)
    page.keyboard.press("Enter")
    expect(cell.locator("caption")).to_have_text("Tue 27 Oct 2026 13:00 to 15:30 (2.5 h)")
    cell.locator(".jupyter-matplotlib-canvas-div").focus()
    page.keyboard.press("Escape")
    expect(cell.locator("table")).to_have_count(0)
    # None of these keys was taken for one of the notebook's own.
    assert page.locator(".jp-Notebook .jp-Cell").count() == cells


def test_circuits_are_found_ticked_and_marked(cell):
    search = cell.get_by_label("Find")
    search.fill("dish")
    box = cell.get_by_role("checkbox", name="Dishwasher (L2)")
    expect(cell.get_by_role("checkbox", name="Refrigerator (L1)")).to_have_count(0)
    box.focus()
    redrawn(cell, lambda: box.press("Space"))
    wait_for_words(cell, "Dishwasher: mean")
    search.fill("")
    redrawn(cell, lambda: cell.get_by_label("Mark runs").check())
    expect(words(cell)).to_contain_text(re.compile("Dishwasher: [^.]*, 2 runs"))
    take_picture(cell, "runs")
    redrawn(cell, lambda: cell.get_by_label("Arrange").select_option("one scale"))
    take_picture(cell, "one_scale")
    redrawn(cell, lambda: cell.get_by_label("Arrange").select_option("stacked"))
    redrawn(cell, lambda: cell.get_by_label("Mark runs").uncheck())


def test_picture_and_readings_are_saved(cell, lab):
    folder = lab.folder / "notebooks" / "kept"
    write(cell, "Folder", "kept")
    status = cell.locator("[role=status]").first
    press(cell, "Save picture")
    expect(status).to_contain_text("Saved kept")
    (picture,) = folder.glob("*.png")
    assert picture.stat().st_size > 20_000
    write(cell, "From", "2026-10-27 13:00")
    write(cell, "To", "2026-10-27 14:00")
    press(cell, "Measure")
    expect(cell.locator("caption")).to_contain_text("to 14:00:00 (1 h)")
    press(cell, "Save readings")
    expect(status).to_contain_text("a row for each 1 s")
    (readings,) = folder.glob("*.csv")
    assert len(pd.read_csv(readings)) == 3600
    press(cell, "Clear")


def test_what_goes_wrong_is_one_sentence(cell, opened):
    write(cell, "From", "noon")
    press(cell, "Measure")
    expect(cell.get_by_role("alert")).to_have_text(
        "'noon' is not a time; write it for example as 2026-10-27 14:00"
    )
    assert opened.page.locator(RED).all_text_contents() == []
    press(cell, "Whole log")
    expect(cell.get_by_role("alert")).to_have_count(0)


# Stands last, after everything that could make the page complain.
def test_the_page_complains_of_nothing_and_asks_nobody_else(opened):
    assert opened.complaints == []
    assert opened.elsewhere == []
