"""The commands that open something in a browser: the notebooks, and a page to look at traces."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import webbrowser
from collections.abc import Mapping
from importlib.util import find_spec
from pathlib import Path
from typing import Annotated

import typer

from homeenergy.cli.frame import Folder, bring_in, plain_errors, progress_bar, say
from homeenergy.errors import HouseError
from homeenergy.files import write_text

# JupyterLab would ask the network for newer versions of itself, for news and for extensions.
LAB_OPTIONS = (
    "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate",
    "--LabApp.news_url=None",
    "--LabApp.extension_manager=readonly",
    # So that the button next to the choice of a house can run the notebook again.
    "--LabApp.expose_app_in_browser=True",
)
PACKAGE = Path(__file__).resolve().parent.parent
# Still it would ask whether news are wanted: a setting, whose default this folder holds.
SETTINGS = PACKAGE / "cli" / "jupyter_settings"


def lab(
    words: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[HOUSE] [-- OPTION...]",
            help="The folder of the house that all notebooks are about from now on, and options "
            "for JupyterLab, as in: -- --port 9000",
        ),
    ] = None,
    *,
    folder: Annotated[
        Path, typer.Option(metavar="FOLDER", help="Where to copy notebooks and sample houses to.")
    ] = Path("homeenergy_notebooks"),
    browser: Annotated[bool, typer.Option(help="Open a browser window.")] = True,
) -> None:
    """Open the notebooks in JupyterLab.

    Without a house they are about the one that was chosen last, at first an invented one; each has
    a list at its top to choose another. In a copy of the project its own notebooks are opened;
    elsewhere they are copied first, and what is there already is left alone.

    \b
    Example:  homeenergy lab my_house
    """
    with plain_errors():
        from homeenergy.show.my_house.chosen import choose_house

        if find_spec("jupyterlab") is None:
            raise HouseError(
                "JupyterLab is not installed",
                fix="Install the extra: pip install 'homeenergy[lab]', or -e '.[lab]' in a copy "
                "of the project.",
            )
        root = notebook_root(folder)
        options = list(words or [])
        if options and not options[0].startswith("-"):
            chosen = choose_house(options.pop(0), notebooks=root / "notebooks")
            say(f"The notebooks are now about the house in {chosen}.", err=True)
        command = [sys.executable, "-m", "jupyterlab", "notebooks/1_start_here.ipynb"]
        command += [*LAB_OPTIONS, *([] if browser else ["--no-browser"]), *options]
        try:
            result = subprocess.run(command, cwd=root, env=with_settings(os.environ))
        except KeyboardInterrupt:
            raise typer.Exit(0) from None
        raise typer.Exit(result.returncode)


def with_settings(environment: Mapping[str, str]) -> dict[str, str]:
    """Environment in which JupyterLab also reads our defaults; what a person has set stays."""
    others = environment.get("JUPYTER_CONFIG_PATH")
    path = os.pathsep.join([str(SETTINGS), *([others] if others else [])])
    return {**environment, "JUPYTER_CONFIG_PATH": path}


def notebook_root(folder: Path) -> Path:
    """Folder that holds notebooks/, and sample_data/ and shared/ that they read, side by side."""
    if (PACKAGE.parent / "notebooks" / "1_start_here.ipynb").is_file():
        return PACKAGE.parent
    shipped = PACKAGE / "shipped"
    if not shipped.is_dir():
        raise HouseError(
            "this installation came without the notebooks",
            fix="Install it from a copy of the project, or from its wheel.",
        )
    for name in ("notebooks", "sample_data", "shared"):
        if not (folder / name).exists():
            shutil.copytree(shipped / name, folder / name)
    return folder


def view(
    folder: Folder,
    page: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE.html", help="Write a page that needs no program behind it, and end."
        ),
    ] = None,
    points: Annotated[
        int, typer.Option(min=100, max=20_000, help="Stretches of time that such a page holds.")
    ] = 3000,
    port: Annotated[
        int, typer.Option(min=0, max=65_535, help="Where to listen. Default: any free one.")
    ] = 0,
    browser: Annotated[bool, typer.Option(help="Open a browser window.")] = True,
) -> None:
    """Look at the traces in a browser, without a notebook.

    New logs are imported first. The page is for this computer and this user only: its address
    holds a token. Decisions about runs are written to run_decisions.csv in the folder.

    \b
    Example:  homeenergy view my_house
    To keep:  homeenergy view my_house --page my_house.html
    """
    with plain_errors():
        from homeenergy.readings import open_house
        from homeenergy.show.viewer.answers import Answers
        from homeenergy.show.viewer.page import page_without_kernel, serve

        bring_in(folder)
        house = open_house(folder)
        with progress_bar("summing up minutes and hours") as step:
            house.overview.prepare(progress=step)
        if page is not None:
            write_text(page, page_without_kernel(Answers(house), points=points))
            say(f"Wrote {page}", err=True)
            return
        # Also in the background of a shell, which lets its programs ignore Ctrl-C.
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, signal.default_int_handler)
        server, address = serve(Answers(house), port=port)
        say(f"Open {address}\nTo end: Ctrl+C")
        if browser:
            webbrowser.open(address)
        with server:
            try:
                server.serve_forever()
            except KeyboardInterrupt:
                say("Stopped.", err=True)
