"""Notebooks opened in JupyterLab pages, with all their cells run."""

import re
import shutil
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import nbformat
import pytest
from playwright.sync_api import TimeoutError, expect

from homeenergy.readings import open_house

ROOT = Path(__file__).parents[2]
SCREENSHOTS = Path(__file__).parent / "screenshots"
# Nothing waits as long but where something hangs.
OPEN_MS, RUN_MS, REDRAW_MS = 240_000, 600_000, 120_000
POLL_MS = 20
# What the page may complain of: a pattern, and why it is no fault of a notebook.
NOT_OURS = {
    r"404 \(Not Found\).*/lsp/status": "JupyterLab asks its server for helpers with code that are "
    "not installed",
}

# Tracebacks and warnings alike.
RED = '[data-mime-type="application/vnd.jupyter.stderr"]'
# Ends with the first error, or when every cell of code bears the number of its run; one whose code
# is hidden shows none.
FINISHED = """red => document.querySelector(red)
  || [...document.querySelectorAll('.jp-CodeCell .jp-InputPrompt')]
    .every(prompt => /^(\\[\\d+\\]:|$)/.test(prompt.textContent))"""


expect.set_options(timeout=REDRAW_MS)

MESSAGE_ID = re.compile(rb'"msg_id": ?"([^"]+)"')
IDLE = re.compile(rb'"execution_state": ?"idle"')


@dataclass
class Traffic:
    """What a page asked of kernels, and which of that they have dealt with, by message."""

    asked: set[bytes] = field(default_factory=set)
    done: set[bytes] = field(default_factory=set)

    def sent(self, frame):
        frame = frame if isinstance(frame, bytes) else frame.encode()
        if b"comm_msg" in frame and (found := MESSAGE_ID.search(frame)):
            self.asked.add(found[1])

    def received(self, frame):
        frame = frame if isinstance(frame, bytes) else frame.encode()
        if IDLE.search(frame):
            self.done.update(MESSAGE_ID.findall(frame))


TRAFFIC: dict[object, Traffic] = {}


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


def eventually(page, holds, what="this"):
    """Return when a condition holds that the page does not show, a file for instance."""
    for _ in range(REDRAW_MS // POLL_MS):
        if holds():
            return
        page.wait_for_timeout(POLL_MS)
    pytest.fail(f"{what} did not come")


def settle(page):
    """Return when the kernel has dealt with all that the page has sent it, however busy it is."""
    traffic = TRAFFIC[page]
    assert traffic.asked, "the page has sent nothing that could be waited for"
    page.evaluate(DRAWN)
    eventually(page, lambda: traffic.asked <= traffic.done, "an answer of the kernel")
    page.evaluate(DRAWN)


# A viewer is drawn, and knows what is looked at as closely as the screen can show it.
VIEWED = """root => {
  const viewer = (root ?? document).querySelector('.he-viewer[data-ready]')?.viewer;
  return viewer && !viewer.moving && !viewer.dirty && !viewer.asking && !viewer.wanting().length
    && (!viewer.panes.length || viewer.panes.some(pane => pane.u));
}"""
# A page sends what a control says when it draws its next frame, at the latest.
DRAWN = "() => new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))"


def names_using(request, fixture):
    """Names of the tests of a module that ask for a fixture: each gets a cell of its own."""
    return [
        item.originalname
        for item in request.session.items
        if item.path == request.path and fixture in item.fixturenames
    ]


def copy_house(folder, *, circuits=("*",)):
    """Copy house.toml of the orchard house, and of its store the circuits that fit a pattern.

    What a viewer sums up first is summed up once, before all copies.
    """
    sample = ROOT / "sample_data" / "orchard_house"
    open_house(sample).overview.prepare()
    folder.mkdir(parents=True)
    shutil.copy(sample / "house.toml", folder)
    for pattern in circuits:
        for stored in (sample / "store").glob(pattern):
            if stored.is_dir():
                shutil.copytree(stored, folder / "store" / stored.name)


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
    del TRAFFIC[page]
    for session in lab.ask("sessions"):
        lab.ask(f"sessions/{session['id']}", method="DELETE")
    assert lab.ask("kernels") == []


def wait_for_the_last_cell(notebook, *, name):
    """Return when all cells have run, or one failed; else say how far it came."""
    page = notebook.page
    try:
        page.wait_for_function(FINISHED, arg=RED, timeout=RUN_MS, polling=250)
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

    def said(message):
        if message.type == "error":
            note(f"{message.text} ({message.location.get('url', '')})")

    page.on("console", said)
    page.on("pageerror", lambda error: note(str(error)))
    page.on("request", lambda request: asked(request.url))
    traffic = TRAFFIC[page] = Traffic()

    def connected(socket):
        asked(socket.url)
        socket.on("framesent", traffic.sent)
        socket.on("framereceived", traffic.received)

    page.on("websocket", connected)
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


LEFT_THE_FIGURE = "() => !document.activeElement.className.includes('canvas')"


def walk(page, *, most):
    """Press the Tab key so often; give what is reached, and whether its focus is to be seen."""
    reached = []
    for _ in range(most):
        page.keyboard.press("Tab")
        if reached and "canvas" in reached[-1][0]:
            # The kernel sends the focus on from a figure.
            page.wait_for_function(LEFT_THE_FIGURE)
        page.evaluate(DRAWN)
        reached.append(tuple(page.evaluate(FOCUS)))
    return reached
