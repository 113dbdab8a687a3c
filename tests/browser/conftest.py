"""JupyterLab as `homeenergy lab` starts it, and a Chromium to look at it."""

import json
import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import nbformat
import psutil
import pytest
from playwright.sync_api import sync_playwright

from homeenergy.cli.notebooks import LAB_OPTIONS, with_settings

from . import BROWSERS, found_browser

ROOT = Path(__file__).parents[2]
START_S, STOP_S = 300, 120
NEEDED = "HOMEENERGY_NEEDS_BROWSER"
QUIET = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


@dataclass(frozen=True)
class Lab:
    """A running JupyterLab."""

    url: str
    folder: Path
    token: str = "only-for-this-test"

    def ask(self, path: str, *, method: str = "GET"):
        request = urllib.request.Request(
            f"{self.url}/api/{path}",
            method=method,
            headers={"Authorization": f"token {self.token}"},
        )
        with urllib.request.urlopen(request, timeout=STOP_S) as answer:
            text = answer.read()
        return json.loads(text) if text else None


@dataclass
class Shared:
    """What files of tests share while they follow one another: a folder, a server, a browser."""

    things: dict[str, Any] = field(default_factory=dict)
    ends: ExitStack = field(default_factory=ExitStack)

    def get(self, name: str, start: Callable[[], AbstractContextManager[Any]]) -> Any:
        if name not in self.things:
            self.things[name] = self.ends.enter_context(start())
        return self.things[name]

    def end(self) -> None:
        self.things.clear()
        self.ends.close()


SHARED = Shared()


@pytest.hookimpl(wrapper=True)
def pytest_runtest_teardown(item, nextitem):
    """End what is shared with the last of these files: its loop would be in the way of others."""
    found = yield
    if nextitem is None or Path(__file__).parent not in nextitem.path.parents:
        SHARED.end()
    return found


@pytest.fixture(scope="module")
def chromium():
    """Path of the browser. Without one the tests are skipped, but never where one must be."""
    if found := found_browser():
        return found
    reason = f"no browser: none of {', '.join(BROWSERS)} is on the PATH"
    if os.environ.get(NEEDED):
        pytest.fail(f"{reason}, and {NEEDED} is set")
    pytest.skip(reason)


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """Folder with notebooks that show nothing yet and with houses that have no store."""
    return SHARED.get("place", lambda: new_place(tmp_path_factory.mktemp("lab")))


@contextmanager
def new_place(folder: Path) -> Iterator[Path]:
    keep_out = shutil.ignore_patterns("store", ".ipynb_checkpoints")
    for name in ("notebooks", "sample_data", "shared"):
        shutil.copytree(ROOT / name, folder / name, ignore=keep_out)
    for path in (folder / "notebooks").glob("*.ipynb"):
        notebook = nbformat.read(path, as_version=4)
        for cell in notebook.cells:
            if cell.cell_type == "code":
                cell.outputs, cell.execution_count = [], None
        nbformat.write(notebook, path)
    yield folder
    # Servers, kernels and browsers all name this folder in their command line.
    _, alive = psutil.wait_procs(processes_of(folder), timeout=STOP_S)
    left = [process.info["cmdline"] for process in alive]
    for process in alive:
        process.kill()
    assert not left, f"still running: {left}"


def processes_of(folder):
    """Processes, other than this one, whose command line names the folder."""
    return [
        process
        for process in psutil.process_iter(["cmdline"])
        if any(str(folder) in word for word in process.info["cmdline"] or ())
        and process.pid != os.getpid()
    ]


@pytest.fixture(scope="module")
def lab(chromium, place):
    return SHARED.get("lab", lambda: new_lab(place))


@contextmanager
def new_lab(place: Path) -> Iterator[Lab]:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    running = Lab(url=f"http://127.0.0.1:{port}", folder=place)
    own = {
        f"JUPYTER{name}_DIR": str(place / "jupyter" / name.strip("_").lower())
        for name in ("_CONFIG", "_DATA", "_RUNTIME", "LAB_SETTINGS", "LAB_WORKSPACES")
    }
    own["IPYTHONDIR"] = str(place / "ipython")
    options = (
        "--no-browser",
        "--allow-root",
        f"--ServerApp.root_dir={place}",
        "--ServerApp.ip=127.0.0.1",
        f"--ServerApp.port={port}",
        "--ServerApp.port_retries=0",
        f"--IdentityProvider.token={running.token}",
    )
    command = [sys.executable, "-m", "jupyterlab", *LAB_OPTIONS, *options]
    with (place / "server.log").open("w", encoding="utf-8") as log:
        server = subprocess.Popen(
            command, cwd=place, env=with_settings({**os.environ, **own}), stdout=log, stderr=log
        )
        try:
            wait_for_answer(running, server=server)
            yield running
        finally:
            server.terminate()
            try:
                server.wait(STOP_S)
            except subprocess.TimeoutExpired:
                server.kill()
                raise


def wait_for_answer(lab, *, server):
    """Return when the server answers."""
    end = time.monotonic() + START_S
    while time.monotonic() < end:
        try:
            lab.ask("status")
            return
        except (urllib.error.URLError, ConnectionError, TimeoutError):
            if server.poll() is not None:
                break
            time.sleep(0.1)
    log = (lab.folder / "server.log").read_text(encoding="utf-8")
    pytest.fail(f"JupyterLab did not start:\n{log[-3000:]}")


@pytest.fixture(scope="module")
def browser(chromium, place):
    return SHARED.get("browser", lambda: new_browser(chromium, place))


@contextmanager
def new_browser(chromium: str, place: Path) -> Iterator[Any]:
    with sync_playwright() as playwright:
        context = playwright.chromium.launch_persistent_context(
            place / "profile",
            executable_path=chromium,
            headless=True,
            args=[*QUIET],
            viewport={"width": 1300, "height": 1000},
        )
        yield context
        context.close()
