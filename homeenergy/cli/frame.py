"""What every command does: arguments, imports first, progress, plain errors."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from homeenergy.errors import HouseError
from homeenergy.files import write_text

if TYPE_CHECKING:
    from homeenergy.findings import Findings
    from homeenergy.readings import House
    from homeenergy.readings.store.importing import ImportReport

BAD_DATA, INTERRUPTED = 1, 130  # 2, for a command that is used wrongly, comes from typer
NARROWEST, WIDEST = 60, 160

Folder = Annotated[
    Path, typer.Argument(metavar="FOLDER", help="The house's folder, with its house.toml.")
]


def bring_in(folder: Path, *, rebuild: bool = False, verify: bool = False) -> ImportReport:
    """Bring the store up to date with the logs, and give the report."""
    from homeenergy.readings import import_logs

    try:
        with progress_bar("looking at the logs") as step:
            return import_logs(folder, progress=step, rebuild=rebuild, verify=verify)
    except KeyboardInterrupt:
        typer.echo("Stopped. The store is consistent; run the command again to continue.", err=True)
        raise typer.Exit(INTERRUPTED) from None


def find(folder: Path) -> tuple[Findings, House]:
    """Import what is new, and find what each appliance uses."""
    from homeenergy.findings import house_findings
    from homeenergy.readings import open_house

    bring_in(folder)
    house = open_house(folder)
    with progress_bar("finding runs") as step:
        return house_findings(house, progress=step), house


def give(text: str, where: str) -> None:
    """Print a text where `where` is -, else write it to that file."""
    if where == "-":
        typer.echo(text)
        return
    write_text(where, text + "\n")
    typer.echo(f"Wrote {where}", err=True)


def width() -> int:
    """Columns to print a table in."""
    return min(max(shutil.get_terminal_size((100, 24)).columns, NARROWEST), WIDEST)


@contextmanager
def plain_errors() -> Iterator[None]:
    """Say in one message what went wrong, and end with the exit code for it."""
    try:
        yield
    except HouseError as error:
        typer.echo(f"homeenergy: {error}", err=True)
        raise typer.Exit(BAD_DATA) from None
    except BrokenPipeError:
        raise
    except OSError as error:
        place = f"{error.filename}: " if error.filename else ""
        typer.echo(f"homeenergy: {place}{error.strerror or error}", err=True)
        raise typer.Exit(BAD_DATA) from None
    except KeyboardInterrupt:
        typer.echo("Stopped.", err=True)
        raise typer.Exit(INTERRUPTED) from None


@contextmanager
def progress_bar(text: str) -> Iterator[Callable[[float, float, str], None]]:
    """Show a bar on a terminal that a person looks at, and nothing anywhere else."""
    if not sys.stderr.isatty():
        yield lambda *_: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = TextColumn("{task.description:<28}"), BarColumn(), TimeElapsedColumn()
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(text, total=None)

        def step(done: float, total: float, what: str) -> None:
            bar.update(task, completed=done, total=total, description=what[:28])

        yield step
