"""Notebooks in JupyterLab, in a browser: cells run, sliders move pictures, answers unfold."""

import ast
import re
from dataclasses import dataclass, field
from pathlib import Path

import nbformat
import pytest
from playwright.sync_api import TimeoutError

pytestmark = [pytest.mark.browser, pytest.mark.slow]

ROOT = Path(__file__).parents[2]
SCREENSHOTS = Path(__file__).parent / "screenshots"
NAMES = ("start_here", "teach_power_factor", "teach_duty_cycle", "teach_clamps")
OPEN_MS, RUN_MS, REDRAW_MS = 90_000, 120_000, 30_000
# What the page may complain of: a pattern, and why it is no fault of a notebook. None so far.
NOT_OURS: dict[str, str] = {}

# Tracebacks and warnings alike.
RED = '[data-mime-type="application/vnd.jupyter.stderr"]'
# Ends with the first error, or when every cell of code bears the number of its run.
FINISHED = """red => document.querySelector(red)
  || [...document.querySelectorAll('.jp-CodeCell .jp-InputPrompt')]
    .every(prompt => /^\\[\\d+\\]:/.test(prompt.textContent))"""
# What a picture shows.
PIXELS = """image => {
  const canvas = document.createElement('canvas');
  canvas.width = image.naturalWidth;
  canvas.height = image.naturalHeight;
  canvas.getContext('2d').drawImage(image, 0, 0);
  return canvas.toDataURL();
}"""
# Drawing again puts a new picture in place of the old one, so it is looked up each time.
PICTURE = ".widget-html img"
SHOWS = f"""([cell, pixels, same]) => {{
  const image = cell.querySelector('{PICTURE}');
  return image && image.complete && image.naturalWidth > 0
    && (({PIXELS})(image) === pixels) === same;
}}"""


@dataclass
class Opened:
    """A notebook in a page, after all its cells were run."""

    page: object
    source: nbformat.NotebookNode
    complaints: list[str] = field(default_factory=list)
    elsewhere: list[str] = field(default_factory=list)

    @property
    def code_cells(self):
        return [cell for cell in self.source.cells if cell.cell_type == "code"]

    def shown(self, cell):
        """Cell of the page that shows this cell of the file."""
        return self.page.locator(".jp-Notebook .jp-Cell").nth(self.source.cells.index(cell))


@pytest.fixture(scope="module", params=NAMES)
def opened(request, lab, browser):
    file = f"{request.param}.ipynb"
    page = browser.new_page()
    page.set_default_timeout(REDRAW_MS)
    notebook = Opened(page, nbformat.read(ROOT / "notebooks" / file, as_version=4))
    listen(notebook, own=lab.url)
    # A workspace for each, or JupyterLab would open again what was open before.
    place = f"lab/workspaces/{request.param}/tree/notebooks/{file}"
    page.goto(f"{lab.url}/{place}?token={lab.token}", timeout=OPEN_MS)
    # The status bar; the round mark says idle before there is a kernel.
    idle = page.locator("#jp-main-statusbar").get_by_text(re.compile(r"\| Idle$"))
    idle.wait_for(timeout=OPEN_MS)
    page.get_by_role("menuitem", name="Run", exact=True).click()
    page.get_by_role("menuitem", name="Run All Cells", exact=True).click()
    wait_for_the_last_cell(notebook, name=request.param)
    yield notebook
    page.close()
    for session in lab.ask("sessions"):
        lab.ask(f"sessions/{session['id']}", method="DELETE")
    assert lab.ask("kernels") == []


def wait_for_the_last_cell(notebook, *, name):
    """Return when all cells have run, or one failed; else say how far it came."""
    page = notebook.page
    try:
        page.wait_for_function(FINISHED, arg=RED, timeout=RUN_MS)
    except TimeoutError:
        SCREENSHOTS.mkdir(exist_ok=True)
        page.screenshot(path=SCREENSHOTS / f"{name}_unfinished.png")
        prompts = page.locator(".jp-CodeCell .jp-InputPrompt").all_text_contents()
        pytest.fail(f"not finished after {RUN_MS / 1000:.0f} s: {prompts}, {notebook.complaints}")


def listen(notebook, *, own):
    """Note what the page complains of, and whom but its own server it asks."""

    def note(text):
        if not any(re.search(pattern, text) for pattern in NOT_OURS):
            notebook.complaints.append(text)

    def asked(address):
        if not address.startswith((own, own.replace("http", "ws", 1), "data:", "blob:")):
            notebook.elsewhere.append(address)

    page = notebook.page
    page.on("console", lambda said: note(said.text) if said.type == "error" else None)
    page.on("pageerror", lambda error: note(str(error)))
    page.on("request", lambda request: asked(request.url))
    page.on("websocket", lambda socket: asked(socket.url))


def slider_ranges(cell):
    """Label and (least, greatest, step, first) of each slider that a cell makes."""
    lines = [line for line in cell.source.splitlines() if not line.startswith("%")]
    return {
        keyword.arg.replace("_", " "): ast.literal_eval(keyword.value)
        for node in ast.walk(ast.parse("\n".join(lines)))
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "sliders"
        for keyword in node.keywords
    }


def cells_with_sliders(notebook):
    found = [cell for cell in notebook.code_cells if slider_ranges(cell)]
    if not found:
        assert notebook.page.get_by_role("slider").count() == 0
        pytest.skip("this notebook has no slider")
    return found


def wait_for_picture(shown, pixels, *, same):
    """Return when the cell's picture is this one again (same), or has become another."""
    shown.page.wait_for_function(
        SHOWS, arg=[shown.element_handle(), pixels, same], timeout=REDRAW_MS
    )


def take_picture(where, request, what):
    SCREENSHOTS.mkdir(exist_ok=True)
    name = request.node.callspec.params["opened"]
    where.screenshot(path=SCREENSHOTS / f"{name}_{what}.png")


def test_every_cell_runs_and_none_shows_an_error(opened):
    page = opened.page
    assert page.locator(RED).all_text_contents() == []
    prompts = page.locator(".jp-CodeCell .jp-InputPrompt").all_text_contents()
    assert prompts == [f"[{k}]:" for k in range(1, len(opened.code_cells) + 1)]


def test_every_output_of_the_file_is_on_the_page(opened, request):
    for cell in opened.code_cells:
        shown = opened.shown(cell)
        kept = [output for output in cell.outputs if "image/png" in output.get("data", {})]
        pictures = shown.locator(".jp-RenderedImage img")
        assert pictures.count() == len(kept), cell.source
        for picture in pictures.all():
            picture.scroll_into_view_if_needed()
            assert picture.evaluate("image => image.decode().then(() => image.naturalWidth)") > 300
        tables = [output for output in cell.outputs if "text/html" in output.get("data", {})]
        assert shown.locator(".jp-RenderedHTML").count() == len(tables), cell.source
    shown = opened.page.locator(".jp-RenderedImage img").last
    shown.scroll_into_view_if_needed()
    take_picture(opened.page, request, "last_figure")


def test_pictures_of_the_text_have_words_for_those_who_do_not_see_them(opened):
    pictures = opened.page.locator(".jp-MarkdownCell img, .jp-RenderedMarkdown img")
    assert all(picture.get_attribute("alt") for picture in pictures.all())
    for cell in opened.code_cells:
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
            before = image.evaluate(PIXELS)
            assert float(handle.get_attribute("aria-valuenow")) == pytest.approx(first)
            assert float(readout.text_content()) == pytest.approx(first)
            handle.focus()
            handle.press("ArrowRight")
            wait_for_picture(shown, before, same=False)
            assert float(readout.text_content()) == pytest.approx(first + step)
            assert f"{label} {first + step:g}" in image.get_attribute("alt")
            handle.press("ArrowLeft")
            wait_for_picture(shown, before, same=True)
            assert float(readout.text_content()) == pytest.approx(first)
            assert f"{label} {first:g}" in image.get_attribute("alt")


def test_dragging_a_slider_draws_its_figure_again(opened, request):
    mouse = opened.page.mouse
    for number, cell in enumerate(cells_with_sliders(opened), start=1):
        shown = opened.shown(cell)
        image = shown.locator(PICTURE)
        for label, (least, greatest, step, first) in slider_ranges(cell).items():
            row = shown.locator(".widget-slider", has_text=label)
            row.scroll_into_view_if_needed()
            before = image.evaluate(PIXELS)
            row.get_by_role("slider").hover()
            mouse.down()
            track = row.locator(".noUi-base").bounding_box()
            mouse.move(track["x"] + 0.8 * track["width"], track["y"], steps=4)
            mouse.up()
            wait_for_picture(shown, before, same=False)
            value = float(row.locator(".widget-readout").text_content())
            assert value == pytest.approx(least + 0.8 * (greatest - least), abs=1.01 * step)
            assert value != pytest.approx(first)
            assert f"{label} {value:g}" in image.get_attribute("alt")
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


# Stands last, after everything that could make the page complain.
def test_the_page_complains_of_nothing_and_asks_nobody_else(opened):
    assert opened.complaints == []
    assert opened.elsewhere == []
