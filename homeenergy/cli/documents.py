"""The command that writes a document about a house."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from homeenergy.cli.frame import BAD_DATA, Folder, bring_in, plain_errors, progress_bar


def writeup(
    folder: Folder,
    out: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="FILE", help="What to write: .html, .pdf, .docx or .xlsx; may be repeated."
        ),
    ] = None,
    check: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Tell whether this document still matches the folder."),
    ] = None,
    paper: Annotated[
        str | None, typer.Option(metavar="a4|letter", help="Default: as usual where it stands.")
    ] = None,
    date: Annotated[
        datetime | None,
        typer.Option(formats=["%Y-%m-%d"], metavar="YYYY-MM-DD", help="Of writing. Default: today"),
    ] = None,
) -> None:
    """Write up what was measured, how far to trust it, what each appliance uses, what to change.

    New logs are imported first. Author, client, site and an image come from [write_up] in
    house.toml. With --check nothing is written, and the exit code is 1 if something has changed.

    \b
    Example:  homeenergy writeup my_house --out report.pdf --out report.xlsx
    """
    if (out is None) == (check is None):
        raise typer.BadParameter("give either --out FILE or --check FILE")
    if paper not in (None, "a4", "letter"):
        raise typer.BadParameter(f"--paper must be a4 or letter, got {paper!r}")
    with plain_errors():
        from homeenergy.show.writeup import differences, write_up

        bring_in(folder)
        if check is not None:
            found = differences(check, folder)
            typer.echo("\n".join(found) or f"{check} matches {folder}")
            if found:
                raise typer.Exit(BAD_DATA)
            return
        with progress_bar("finding runs") as step:
            document = write_up(folder, written=date and date.date(), paper=paper, progress=step)  # type: ignore[arg-type]
        for path in out or []:
            typer.echo(f"Wrote {document.save(path)}", err=True)
