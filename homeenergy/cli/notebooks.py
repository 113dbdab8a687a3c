"""The command that opens the notebooks."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated

import typer

from homeenergy.cli.frame import plain_errors
from homeenergy.errors import HouseError

# JupyterLab would ask the network for newer versions of itself, for news and for extensions.
NO_LOOKING_UP = (
    "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate",
    "--LabApp.news_url=None",
    "--LabApp.extension_manager=readonly",
)
PACKAGE = Path(__file__).resolve().parent.parent
# Still it would ask whether news are wanted: a setting, whose default this folder holds.
SETTINGS = PACKAGE / "cli" / "jupyter_settings"


def lab(
    options: Annotated[
        list[str] | None,
        typer.Argument(metavar="[-- OPTION...]", help="For JupyterLab, as in: -- --port 9000"),
    ] = None,
    *,
    folder: Annotated[
        Path, typer.Option(metavar="FOLDER", help="Where to copy notebooks and sample houses to.")
    ] = Path("homeenergy_notebooks"),
    browser: Annotated[bool, typer.Option(help="Open a browser window.")] = True,
) -> None:
    """Open the notebooks in JupyterLab.

    In a copy of the project its own notebooks are opened; elsewhere they are copied first, and
    what is there already is left alone.

    \b
    Example:  homeenergy lab
    """
    with plain_errors():
        root = notebook_root(folder)
        command = [sys.executable, "-m", "jupyterlab", "notebooks/start_here.ipynb"]
        command += [*NO_LOOKING_UP, *([] if browser else ["--no-browser"]), *(options or [])]
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
    if (PACKAGE.parent / "notebooks" / "start_here.ipynb").is_file():
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
