"""Notebooks opened in JupyterLab pages, with all their cells run."""

import re
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import nbformat
import pytest
from playwright.sync_api import TimeoutError

ROOT = Path(__file__).parents[2]
SCREENSHOTS = Path(__file__).parent / "screenshots"
OPEN_MS, RUN_MS, REDRAW_MS = 90_000, 120_000, 30_000
# What the page may complain of: a pattern, and why it is no fault of a notebook. None so far.
NOT_OURS: dict[str, str] = {}

# Tracebacks and warnings alike.
RED = '[data-mime-type="application/vnd.jupyter.stderr"]'
# Ends with the first error, or when every cell of code bears the number of its run.
FINISHED = """red => document.querySelector(red)
  || [...document.querySelectorAll('.jp-CodeCell .jp-InputPrompt')]
    .every(prompt => /^\\[\\d+\\]:/.test(prompt.textContent))"""


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


def write_notebook(name, codes, *, folder):
    """Write a notebook with these cells of code."""
    cells = [nbformat.v4.new_code_cell(code) for code in codes]
    kernel = {"name": "python3", "display_name": "Python 3", "language": "python"}
    notebook = nbformat.v4.new_notebook(cells=cells, metadata={"kernelspec": kernel})
    nbformat.write(notebook, folder / f"{name}.ipynb")


def press(cell, name):
    """Press the button with this name."""
    cell.get_by_role("button", name=name, exact=True).click()


@contextmanager
def run_notebook(name, *, lab, browser, folder=ROOT / "notebooks"):
    """Open a notebook, run all its cells, and leave no kernel behind.

    `folder` holds the file as it is in the lab's own folder of notebooks.
    """
    file = f"{name}.ipynb"
    page = browser.new_page()
    page.set_default_timeout(REDRAW_MS)
    notebook = listen_to(page, folder / file, own=lab.url)
    # A workspace for each, or JupyterLab would open again what was open before.
    place = f"lab/workspaces/{name}/tree/notebooks/{file}"
    page.goto(f"{lab.url}/{place}?token={lab.token}", timeout=OPEN_MS)
    # The status bar; the round mark says idle before there is a kernel.
    idle = page.locator("#jp-main-statusbar").get_by_text(re.compile(r"\| Idle$"))
    idle.wait_for(timeout=OPEN_MS)
    page.get_by_role("menuitem", name="Run", exact=True).click()
    page.get_by_role("menuitem", name="Run All Cells", exact=True).click()
    wait_for_the_last_cell(notebook, name=name)
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


def listen_to(page, path, *, own):
    """Give the notebook of a page; note what the page complains of, and whom else it asks."""
    notebook = Opened(page, nbformat.read(path, as_version=4))

    def note(text):
        if not any(re.search(pattern, text) for pattern in NOT_OURS):
            notebook.complaints.append(text)

    def asked(address):
        if not address.startswith((own, own.replace("http", "ws", 1), "data:", "blob:")):
            notebook.elsewhere.append(address)

    page.on("console", lambda said: note(said.text) if said.type == "error" else None)
    page.on("pageerror", lambda error: note(str(error)))
    page.on("request", lambda request: asked(request.url))
    page.on("websocket", lambda socket: asked(socket.url))
    return notebook


# What has the focus: its text, label or help, and whether anything shows that it has.
FOCUS = """() => {
  const at = document.activeElement;
  const label = at.labels && at.labels.length ? at.labels[0].textContent : '';
  const row = at.closest('.widget-inline-hbox, .jupyter-widgets');
  const named = row ? row.querySelector('.widget-label, label') : null;
  const name = at.tagName === 'BUTTON' || at.tagName === 'SUMMARY' ? at.textContent : '';
  const told = (name || label || (named ? named.textContent : '') || at.className).trim();
  // The parts of a date are reached one after the other, and the browser marks them itself.
  if (at.type === 'date') return [told, true];
  at.blur();
  const plain = getComputedStyle(at);
  const shown = ['outlineStyle', 'outlineWidth', 'boxShadow', 'borderColor', 'backgroundColor'];
  const without = Object.fromEntries(shown.map(one => [one, plain[one]]));
  at.focus();
  const with_ = getComputedStyle(at);
  return [told, shown.some(one => with_[one] !== without[one])];
}"""


def walk(page, *, most):
    """Press the Tab key so often; give what is reached, and whether its focus is to be seen."""
    reached = []
    for _ in range(most):
        page.keyboard.press("Tab")
        page.wait_for_timeout(300 if reached and "canvas" in reached[-1][0] else 30)
        reached.append(tuple(page.evaluate(FOCUS)))
    return reached
