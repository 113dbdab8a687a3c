"""Notebooks in JupyterLab, in a browser: cells run, sliders move pictures, answers unfold."""

import ast
import re

import pytest
from playwright.sync_api import TimeoutError, expect

from .pages import RED, REDRAW_MS, ROOT, SCREENSHOTS, TRAFFIC, run_notebook

pytestmark = [pytest.mark.browser, pytest.mark.slow]

NAMES = sorted(path.stem for path in (ROOT / "notebooks").glob("*.ipynb"))
# The first that people open, and the one with most sliders. What the others show has tests of its
# own: the viewer in test_trace_viewer.py, runs in test_run_explorer.py, panels in
# test_question_panels.py, findings, documents and imports outside of the browser.
OFTEN = ("1_start_here", "teach_power_factor")
WIDGET = "application/vnd.jupyter.widget-view+json"
FIGURE = ".jp-RenderedHTML img"
# Drawing again puts a new picture in place of the old one, so it is looked up each time. The same
# figure has the same bytes.
PICTURE = ".widget-html img"
SHOWS = f"""([cell, bytes, same]) => {{
  const image = cell.querySelector('{PICTURE}');
  return image && image.complete && image.naturalWidth > 0 && (image.src === bytes) === same;
}}"""


@pytest.fixture(
    scope="module",
    params=[pytest.param(n, marks=() if n in OFTEN else pytest.mark.study) for n in NAMES],
)
def opened(request, lab, browser):
    with run_notebook(request.param, lab=lab, browser=browser) as notebook:
        yield notebook


def slider_ranges(cell):
    """Label and (least, greatest, step, first) of each slider that a cell makes."""
    lines = [line for line in cell.source.splitlines() if not line.startswith("%")]
    found = {}
    for node in ast.walk(ast.parse("\n".join(lines))):
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "sliders":
            given = {word.arg: ast.literal_eval(word.value) for word in node.keywords}
            labels = given.pop("labels")
            found |= {labels[name]: given[name] for name in given}
    return found


def cells_with_sliders(notebook):
    found = [cell for cell in notebook.code_cells if slider_ranges(cell)]
    if not found:
        # The sliders of these panels have tests of their own.
        panels = ("run_explorer(", "idle_panel(")
        explored = any(name in cell.source for cell in notebook.code_cells for name in panels)
        assert explored == (notebook.page.get_by_role("slider").count() > 0)
        pytest.skip("this notebook has no slider")
    return found


def picture_in(shown):
    """The picture of a cell, as the bytes that it is drawn from, once it is there."""
    image = shown.locator(PICTURE)
    image.evaluate("image => image.decode()")
    return image.get_attribute("src")


def expect_words(image, label, value):
    """The words of a picture give the value of a slider."""
    expect(image).to_have_attribute("alt", re.compile(re.escape(f"{label} {value:g}")))


def wait_for_picture(shown, picture, *, same):
    """Return when the cell's picture is this one again (same), or has become another."""
    try:
        shown.page.wait_for_function(
            SHOWS, arg=[shown.element_handle(), picture, same], timeout=REDRAW_MS
        )
    except TimeoutError:
        SCREENSHOTS.mkdir(exist_ok=True)
        shown.page.screenshot(path=SCREENSHOTS / "not_drawn.png")
        traffic = TRAFFIC[shown.page]
        pytest.fail(
            f"the picture did not {'come back' if same else 'change'}: sliders at "
            f"{shown.locator('.widget-readout').all_text_contents()}, picture of "
            f"{shown.locator(PICTURE).get_attribute('alt')!r}, "
            f"{len(traffic.asked - traffic.done)} of {len(traffic.asked)} messages not dealt with"
        )


def take_picture(where, request, what):
    SCREENSHOTS.mkdir(exist_ok=True)
    name = request.node.callspec.params["opened"]
    where.screenshot(path=SCREENSHOTS / f"{name}_{what}.png")


def test_every_cell_runs_and_none_shows_an_error(opened):
    page = opened.page
    assert page.locator(RED).all_text_contents() == []
    prompts = page.locator(".jp-CodeCell .jp-InputPrompt").all_text_contents()
    hidden = ["source_hidden" in cell.metadata.get("jupyter", {}) for cell in opened.code_cells]
    numbered = [(f"[{k}]:", "")[unseen] for k, unseen in enumerate(hidden, start=1)]
    assert prompts == numbered


def test_jupyterlab_asks_nothing_of_its_own(opened, request):
    assert opened.page.locator("#jp-main-statusbar .jp-Notification-Status").count() == 1
    told = opened.page.locator(".Toastify__toast").all_text_contents()
    take_picture(opened.page, request, "first_sight")
    assert told == []


def test_every_output_of_the_file_is_on_the_page(opened, request):
    for cell in opened.code_cells:
        shown = opened.shown(cell)
        kept = [output.get("data", {}) for output in cell.outputs]
        kept = [data for data in kept if WIDGET not in data]
        pictures = shown.locator(FIGURE)
        assert pictures.count() == sum(map(pictures_in, kept)), cell.source
        for picture in pictures.all():
            if picture.evaluate("image => Boolean(image.closest('[data-still]'))"):
                assert not picture.is_visible()  # it stands in for a viewer that is not running
            else:
                picture.scroll_into_view_if_needed()
            assert picture.evaluate("image => image.decode().then(() => image.naturalWidth)") > 300
        # A bar of work that took long is empty when it is done.
        html = sum("image/png" in data or bool(data.get("text/html")) for data in kept)
        assert shown.locator(".jp-RenderedHTML:not(:empty)").count() == html, cell.source
    figures = opened.page.locator(f"{FIGURE}:visible")
    if figures.count():
        figures.last.scroll_into_view_if_needed()
        take_picture(opened.page, request, "last_figure")


def pictures_in(data):
    """How many pictures an output shows: HTML may hold several, and goes before a PNG."""
    html = data.get("text/html")
    return int("image/png" in data) if html is None else html.count("<img")


def test_pictures_have_words_for_those_who_do_not_see_them(opened):
    pictures = opened.page.locator(".jp-MarkdownCell img, .jp-RenderedMarkdown img")
    assert all(picture.get_attribute("alt") for picture in pictures.all())
    for cell in opened.code_cells:
        for picture in opened.shown(cell).locator(f"{FIGURE}, .jp-RenderedImage img").all():
            words = picture.get_attribute("alt") or ""
            # Those of a write-up have captions as well.
            assert words.startswith("Figure. ") or "document.part(" in cell.source, cell.source
            assert len(words) > 40, words
        if ranges := slider_ranges(cell):
            label, (_, _, _, first) = next(iter(ranges.items()))
            said = opened.shown(cell).get_by_role("img", name=f"{label} {first:g}")
            assert said.count() == 1


def test_arrow_keys_on_a_slider_draw_its_figure_again(opened, request):
    for cell in cells_with_sliders(opened):
        shown = opened.shown(cell)
        image = shown.locator(PICTURE)
        assert shown.get_by_role("slider").count() == len(slider_ranges(cell))
        for label, (_, _, step, first) in slider_ranges(cell).items():
            row = shown.locator(".widget-slider", has_text=label)
            handle, readout = row.get_by_role("slider"), row.locator(".widget-readout")
            row.scroll_into_view_if_needed()
            before = picture_in(shown)
            assert float(handle.get_attribute("aria-valuenow")) == pytest.approx(first)
            assert float(readout.text_content()) == pytest.approx(first)
            handle.focus()
            handle.press("ArrowRight")
            wait_for_picture(shown, before, same=False)
            assert float(readout.text_content()) == pytest.approx(first + step)
            expect_words(image, label, first + step)
            handle.press("ArrowLeft")
            wait_for_picture(shown, before, same=True)
            assert float(readout.text_content()) == pytest.approx(first)
            expect_words(image, label, first)


def test_the_tab_key_goes_from_slider_to_slider(opened):
    for cell in cells_with_sliders(opened):
        handles = opened.shown(cell).get_by_role("slider")
        handles.first.focus()
        for handle in handles.all()[1:]:
            for _ in range(3):  # past the number beside the slider, which can be typed
                opened.page.keyboard.press("Tab")
                if handle.evaluate("handle => handle === document.activeElement"):
                    break
            else:
                pytest.fail(f"the tab key does not reach {handle}")


def test_dragging_a_slider_draws_its_figure_again(opened, request):
    mouse = opened.page.mouse
    for number, cell in enumerate(cells_with_sliders(opened), start=1):
        shown = opened.shown(cell)
        image = shown.locator(PICTURE)
        for label, (least, greatest, step, first) in slider_ranges(cell).items():
            row = shown.locator(".widget-slider", has_text=label)
            row.scroll_into_view_if_needed()
            before = picture_in(shown)
            row.get_by_role("slider").hover()
            mouse.down()
            track = row.locator(".noUi-base").bounding_box()
            mouse.move(track["x"] + 0.8 * track["width"], track["y"], steps=4)
            mouse.up()
            wait_for_picture(shown, before, same=False)
            value = float(row.locator(".widget-readout").text_content())
            assert value == pytest.approx(least + 0.8 * (greatest - least), abs=1.01 * step)
            assert value != pytest.approx(first)
            expect_words(image, label, value)
        take_picture(shown, request, f"slider_{number}")


def test_answers_are_folded_until_they_are_asked_for(opened, request):
    questions = opened.page.locator(".jp-MarkdownCell details")
    assert questions.count() == sum(cell.source.count("<details>") for cell in opened.source.cells)
    if not questions.count():
        pytest.skip("this notebook asks nothing")
    for question in questions.all():
        answer = question.locator("p").first
        question.scroll_into_view_if_needed()
        assert not answer.is_visible()
        question.locator("summary").click()
        answer.wait_for(state="visible")
    take_picture(opened.page, request, "answer")


def test_the_sample_houses_stay_as_they_were(opened, lab):
    given = [path for path in (ROOT / "sample_data").rglob("*") if path.is_file()]
    given = [path for path in given if "store" not in path.parts]
    assert len(given) > 20
    for path in given:
        assert (lab.folder / path.relative_to(ROOT)).read_bytes() == path.read_bytes(), path


# Stands last, after everything that could make the page complain.
def test_the_page_complains_of_nothing_and_asks_nobody_else(opened):
    assert opened.complaints == []
    assert opened.elsewhere == []
