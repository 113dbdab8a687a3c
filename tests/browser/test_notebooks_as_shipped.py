"""Notebooks as they come, before anything is run: figures stand there, and have words."""

import shutil

import pytest

from .pages import OPEN_MS, REDRAW_MS, ROOT, listen_to

pytestmark = [pytest.mark.browser, pytest.mark.slow]

# The first that people open; the others in the studies.
NAMES = ("1_start_here",)
MORE = ("4_can_i_trust_it", "teach_power_factor", "teach_duty_cycle", "teach_clamps")
FIGURE = ".jp-RenderedHTML img"


@pytest.fixture(
    scope="module", params=[*NAMES, *(pytest.param(name, marks=pytest.mark.study) for name in MORE)]
)
def unrun(request, lab, browser):
    folder = lab.folder / "as_shipped"
    folder.mkdir(exist_ok=True)
    shutil.copy(ROOT / "notebooks" / f"{request.param}.ipynb", folder)
    page = browser.new_page()
    page.set_default_timeout(REDRAW_MS)
    notebook = listen_to(page, folder / f"{request.param}.ipynb", own=lab.url)
    place = f"lab/workspaces/shipped_{request.param}/tree/as_shipped/{request.param}.ipynb"
    page.goto(f"{lab.url}/{place}?token={lab.token}", timeout=OPEN_MS)
    page.locator(".jp-Notebook .jp-Cell").first.wait_for(timeout=OPEN_MS)
    yield notebook
    page.close()
    for session in lab.ask("sessions"):
        lab.ask(f"sessions/{session['id']}", method="DELETE")


def test_figures_have_words_where_nothing_was_run(unrun):
    with_figure = [
        cell
        for cell in unrun.code_cells
        if any("image/png" in output.get("data", {}) for output in cell.outputs)
    ]
    assert with_figure
    for cell in with_figure:
        pictures = unrun.shown(cell).locator(FIGURE)
        pictures.first.scroll_into_view_if_needed()
        for picture in pictures.all():
            picture.scroll_into_view_if_needed()
            assert picture.evaluate("image => image.decode().then(() => image.naturalWidth)") > 300
            words = picture.get_attribute("alt")
            assert words.startswith("Figure. "), cell.source
            assert len(words) > 40, words
    assert unrun.page.locator(".jp-RenderedImage img").count() == 0
    assert unrun.complaints == []
    assert unrun.elsewhere == []
