"""Panels and the run explorer on houses of few circuits, coarse readings and odd names."""

import numpy as np
import pytest
from playwright.sync_api import expect

from .pages import RED, SCREENSHOTS, run_notebook, write_notebook
from .test_trace_viewer_houses import stored

pytestmark = [pytest.mark.browser, pytest.mark.slow, pytest.mark.study]

NAME = "odd_panels"
MARKUP = '<img src=x onerror="window.hit = 1"> & "oven"'
BEGIN = (
    "import homeenergy as he\n"
    "from homeenergy.show import compare_panel, idle_panel, run_explorer\n"
    'odd = lambda name: he.open_house("../odd_panels/" + name)'
)
HOUSES = ("quarter_hours", "one_circuit", "no_runs")
PANELS = ("compare_panel({})", "idle_panel({})", 'run_explorer({}, "load")')


@pytest.fixture(scope="module")
def opened(lab, browser, place):
    folder, rng = place / "odd_panels", np.random.default_rng(2)
    quarters = {name: 5 + 900 * (rng.random(20 * 96) < 0.1) for name in ("load", "oven", "lamp")}
    stored(folder / "quarter_hours", quarters, period_s=900, appliances={"oven": MARKUP})
    minutes = 2 + 150 * (np.arange(10 * 1440) % 97 < 30)
    stored(folder / "one_circuit", {"load": minutes}, period_s=60)
    stored(folder / "no_runs", {"load": np.full(1440, 7.0)}, period_s=60)
    codes = [panel.format(f'odd("{name}")') for name in HOUSES for panel in PANELS]
    write_notebook(NAME, [BEGIN, *codes], folder=lab.folder / "notebooks")
    with run_notebook(NAME, lab=lab, browser=browser, folder=lab.folder / "notebooks") as shown:
        yield shown


@pytest.mark.parametrize("house", HOUSES)
@pytest.mark.parametrize("panel", PANELS)
def test_it_shows_an_answer_or_says_what_is_missing(opened, house, panel):
    code = panel.format(f'odd("{house}")')
    (source,) = [cell for cell in opened.code_cells if cell.source == code]
    cell = opened.shown(source)
    cell.scroll_into_view_if_needed()
    # A house with one circuit, or without runs, has nothing to compare: that is said.
    shown = "[role=status]:visible, .he-viewer[data-ready], [role=alert]:visible"
    expect(cell.locator(shown).first).to_be_visible()
    SCREENSHOTS.mkdir(exist_ok=True)
    cell.screenshot(path=SCREENSHOTS / f"odd_{panel.split('(')[0]}_{house}.png")
    assert opened.page.locator(RED).all_text_contents() == []


def test_names_are_shown_as_they_are_written(opened):
    assert opened.page.evaluate("window.hit") is None
    assert opened.complaints == []
