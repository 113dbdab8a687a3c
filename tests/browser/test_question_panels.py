"""The panels that compare and that tell idle from use, in a browser."""

import pytest
from playwright.sync_api import expect

from .pages import RED, SCREENSHOTS, names_using, run_notebook, write_notebook

pytestmark = [pytest.mark.browser, pytest.mark.slow]

NAME = "ask_questions"
BEGIN = (
    "import homeenergy as he\n"
    "from homeenergy.show import compare_panel, idle_panel\n"
    'report = he.import_logs("../sample_data/orchard_house")\n'
    'house = he.open_house("../sample_data/orchard_house")\n'
    "findings = he.house_findings(house)"
)


FIGURE = ".he-marks:visible"  # drawn by the browser
PANELS = {"comparing": "compare_panel", "idling": "idle_panel"}


@pytest.fixture(scope="module")
def opened(request, lab, browser):
    folder = lab.folder / "notebooks"
    codes = [
        f"{panel}(house, findings=findings)  # {test}"
        for fixture, panel in PANELS.items()
        for test in names_using(request, fixture)
    ]
    write_notebook(NAME, [BEGIN, *codes], folder=folder)
    with run_notebook(NAME, lab=lab, browser=browser, folder=folder) as shown:
        browser.grant_permissions(["clipboard-read", "clipboard-write"], origin=lab.url)
        yield shown


@pytest.fixture
def comparing(opened, request):
    return with_picture(opened, request)


@pytest.fixture
def idling(opened, request):
    return with_picture(opened, request)


def with_picture(opened, request):
    """Cell of the page with the panel of this test; panels write nothing into the house."""
    test = f"# {request.node.originalname}"
    (source,) = [cell for cell in opened.code_cells if cell.source.endswith(test)]
    shown = opened.shown(source)
    shown.scroll_into_view_if_needed()
    shown.locator(FIGURE).first.wait_for()
    return shown


def said(cell):
    return cell.locator("p[role=status]")


def picked(cell, label, choice):
    cell.get_by_label(label, exact=True).locator("visible=true").select_option(choice)


def keep_picture(cell, name):
    SCREENSHOTS.mkdir(exist_ok=True)
    cell.scroll_into_view_if_needed()
    cell.screenshot(path=SCREENSHOTS / f"{name}.png")


def test_it_opens_with_an_answer(opened, comparing):
    assert opened.page.locator(RED).all_text_contents() == []
    expect(said(comparing)).to_contain_text("Dishwasher")
    assert "kWh per run" in comparing.locator(FIGURE).get_attribute("aria-label")
    assert comparing.get_by_role("row").count() == 6
    keep_picture(comparing, "compare_panel_first")


def test_picking_changes_sentence_table_and_figure(comparing):
    words = comparing.locator(FIGURE).get_attribute("aria-label")
    picked(comparing, "Compare", "Two appliances")
    expect(said(comparing)).to_contain_text("per day")
    expect(comparing.locator(FIGURE)).not_to_have_attribute("aria-label", words)
    assert comparing.locator("img:visible, canvas:visible").count() == 0
    picked(comparing, "Appliance", "Refrigerator")
    picked(comparing, "with", "Chest freezer")
    expect(said(comparing)).to_contain_text("Refrigerator")
    expect(said(comparing)).to_contain_text("Chest freezer")
    keep_picture(comparing, "compare_panel_appliances")
    for question, part in (
        ("Hours of the day", "24 comparisons"),
        ("Days of the week", "comparisons, corrected"),
        ("Before a day with after it", "a day"),
    ):
        picked(comparing, "Compare", question)
        expect(said(comparing)).to_contain_text(part)
        keep_picture(comparing, f"compare_panel_{question.split()[0].lower()}")


def test_a_day_that_is_given_and_one_too_early(comparing):
    picked(comparing, "Compare", "Before a day with after it")
    comparing.locator("input[type=date]").fill("2026-10-28")
    expect(said(comparing)).to_contain_text("28 October 2026")
    comparing.locator("input[type=date]").fill("2026-10-18")
    expect(comparing.get_by_role("alert")).to_contain_text("each side needs at least 5")
    assert comparing.locator(FIGURE).count() == 0
    keep_picture(comparing, "compare_panel_alert")
    comparing.locator("input[type=date]").fill("")


def test_runs_a_week_are_taken_when_the_field_is_left(comparing):
    picked(comparing, "Compare", "Two programmes of one appliance")
    picked(comparing, "Appliance", "Dishwasher")
    field = comparing.get_by_role("textbox", name="Runs a week")
    field.fill("2,5")
    field.press("Tab")
    expect(said(comparing)).to_contain_text("at 2.5 runs a week")


def test_the_code_can_be_copied_and_gives_the_same(comparing, opened, lab, monkeypatch):
    page = opened.page
    comparing.get_by_role("button", name="Copy", exact=True).click()
    expect(comparing.get_by_text("Copied.", exact=True)).to_be_visible()
    copied = page.evaluate("navigator.clipboard.readText()")
    assert copied == comparing.locator("textarea").input_value()
    keep_picture(comparing, "compare_panel_copied")
    monkeypatch.chdir(lab.folder / "notebooks")
    names = {}
    exec(copied, names)
    assert names["found"].sentence == said(comparing).text_content()


def test_the_tab_key_reaches_every_control_and_the_code(comparing):
    page = comparing.page
    picked(comparing, "Compare", "Two programmes of one appliance")
    expect(said(comparing)).to_contain_text("per run")
    comparing.get_by_label("Compare", exact=True).focus()
    reached = []
    for _ in range(9):
        reached.append(page.evaluate("document.activeElement.tagName"))
        page.keyboard.press("Tab")
    # Question, appliance, two programmes, per; runs a week; code; the button that copies it.
    assert reached[:8] == ["SELECT"] * 5 + ["INPUT", "TEXTAREA", "BUTTON"]


def test_arrow_keys_change_the_question(comparing):
    picked(comparing, "Compare", "Two programmes of one appliance")
    question = comparing.get_by_label("Compare", exact=True)
    question.focus()
    question.press("ArrowDown")
    expect(said(comparing)).to_contain_text("per day")
    question.press("ArrowUp")
    expect(said(comparing)).to_contain_text("per run")


def test_idling_of_all_and_of_one(idling):
    expect(said(idling)).to_contain_text("Of 12 appliances")
    assert "share waiting" in idling.locator(FIGURE).get_attribute("aria-label")
    keep_picture(idling, "idle_panel_all")
    picked(idling, "Appliance", "Range with oven")
    expect(said(idling)).to_contain_text("Range with oven idles")
    expect(idling.get_by_text("licensed electrician")).to_be_visible()
    handle = idling.get_by_role("slider")
    handle.focus()
    for _ in range(12):
        handle.press("ArrowLeft")
    expect(said(idling)).to_contain_text("off for 12.0 h a day")
    keep_picture(idling, "idle_panel_one")
    idling.get_by_role("button", name="Copy", exact=True).press("Enter")
    expect(idling.get_by_text("Copied.", exact=True)).to_be_visible()
    assert "off_h_per_day=12.0" in idling.page.evaluate("navigator.clipboard.readText()")
    picked(idling, "Appliance", "Refrigerator")
    expect(said(idling)).to_contain_text("has to stay on: food spoils")


def test_figures_fit_a_narrow_page_and_follow_the_theme(opened, idling):
    page = opened.page
    figure = idling.locator(FIGURE)
    look = "e => [e.scrollWidth <= e.clientWidth, getComputedStyle(e).backgroundColor]"
    lab = "document.body.dataset.jpThemeLight"
    assert figure.evaluate(look) == [True, "rgb(255, 255, 255)"]
    figure.evaluate("e => { e.style.width = '330px' }")
    page.evaluate(f"{lab} = 'false'")
    assert figure.evaluate(look) == [True, "rgb(20, 20, 20)"]
    heads = figure.locator(".he-head").all()
    assert not any(head.is_visible() for head in heads)
    keep_picture(idling, "idle_panel_narrow_dark")
    page.evaluate(f"{lab} = 'true'")


# Stands last, after everything that could make the page complain.
def test_the_page_complains_of_nothing_and_asks_nobody_else(opened):
    assert opened.complaints == []
    assert opened.elsewhere == []
