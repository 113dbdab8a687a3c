"""What every command does: arguments, imports first, progress, plain errors."""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
import traceback
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from click import ClickException

from homeenergy.errors import HouseError, HouseWarning
from homeenergy.files import write_text
from homeenergy.words import printable

if TYPE_CHECKING:
    from homeenergy.readings.store.importing import ImportReport

# 2, for a command that is used wrongly, comes from typer.
BAD_DATA, OWN_FAULT, INTERRUPTED = 1, 3, 130
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
        say("Stopped. The store is consistent; run the command again to continue.", err=True)
        raise typer.Exit(INTERRUPTED) from None


def refuse_language(language: str | None) -> None:
    """Refuse a language that no catalogue has."""
    from homeenergy.catalogue import languages

    if language is not None and language.split("-")[0] not in languages():
        raise typer.BadParameter(
            f"--language must be one of {', '.join(languages())}, got {language!r}"
        )


def say(text: str, *, err: bool = False) -> None:
    """Print a text; what a terminal would obey in it is shown."""
    typer.echo(printable(text), err=err)


def give(text: str, where: str) -> None:
    """Print a text where `where` is -, else write it to that file."""
    if where == "-":
        say(text)
        return
    write_text(where, printable(text) + "\n")
    say(f"Wrote {where}", err=True)


def width() -> int:
    """Columns to print a table in."""
    return min(max(shutil.get_terminal_size((100, 24)).columns, NARROWEST), WIDEST)


@contextmanager
def plain_errors() -> Iterator[None]:
    """Say in one message what went wrong, and end with the exit code for it."""
    with warnings.catch_warnings():
        if not sys.warnoptions:
            warnings.showwarning = _show_warning
        try:
            yield
        except HouseError as error:
            say(f"homeenergy: {error}", err=True)
            raise typer.Exit(BAD_DATA) from None
        except (BrokenPipeError, typer.Exit, typer.Abort, ClickException):
            raise
        except OSError as error:
            place = f"{error.filename}: " if error.filename else ""
            say(f"homeenergy: {place}{error.strerror or error}", err=True)
            raise typer.Exit(BAD_DATA) from None
        except KeyboardInterrupt:
            say("Stopped.", err=True)
            raise typer.Exit(INTERRUPTED) from None
        except Exception as error:
            say(own_fault(error), err=True)
            raise typer.Exit(OWN_FAULT) from None


def own_fault(error: Exception) -> str:
    """Say in one line that the program is at fault, and keep what its makers need to know."""
    first = (str(error).splitlines() or [""])[0][:200]
    text = f"homeenergy: a fault of this program: {type(error).__name__}: {first}."
    try:
        handle, path = tempfile.mkstemp(prefix="homeenergy-fault-", suffix=".log")
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write("".join(traceback.format_exception(error)))
    except OSError:
        return f"{text} No details could be written."
    return f"{text} The details are in {path}."


def _show_warning(message: Warning | str, *_: object, **__: object) -> None:
    """Show what a person should know, in one line; what only a programmer should, not at all."""
    if isinstance(message, HouseWarning):
        say(f"homeenergy: {message}", err=True)


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
