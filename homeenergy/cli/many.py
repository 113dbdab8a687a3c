"""The command for many houses."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from homeenergy.cli.frame import BAD_DATA, plain_errors, progress_bar, width


def survey(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="The folder that holds the houses' folders.")
    ],
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="The table of all houses, Parquet. Default: FOLDER/survey.parquet"
        ),
    ] = None,
    workers: Annotated[
        int | None, typer.Option(min=1, help="Houses at a time. Default: one for each core.")
    ] = None,
) -> None:
    """Compare many houses: appliances, what is unusual, where to look.

    Each house is imported and worked on by itself; one that fails is reported and the others go
    on. It may be stopped at any time and run again to go on. The exit code is 1 if a house failed.

    \b
    Example:  homeenergy survey houses
    """
    with plain_errors():
        from homeenergy.findings.many.survey import find_houses, survey_houses
        from homeenergy.show.terminal import survey_lines

        out = out or folder / "survey.parquet"
        with progress_bar("looking for houses") as step:
            found = survey_houses(
                find_houses(folder),
                workers=workers,
                keep=out.with_suffix(".houses"),
                progress=step,
            )
        if len(found.table):
            found.table.to_parquet(out, index=False)
            typer.echo(f"Wrote {out}", err=True)
        typer.echo("\n".join(survey_lines(found, width=width())))
    if len(found.failures):
        raise typer.Exit(BAD_DATA)
