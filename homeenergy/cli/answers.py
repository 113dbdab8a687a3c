"""Commands that answer: findings, check."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from homeenergy.cli.frame import (
    BAD_DATA,
    Folder,
    bring_in,
    find,
    give,
    plain_errors,
    progress_bar,
    width,
)


def findings(
    folder: Folder,
    html: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write a page with figures as well.")
    ] = None,
    json_file: Annotated[
        str | None,
        typer.Option("--json", metavar="FILE", help="Write all figures as JSON; - prints them."),
    ] = None,
    csv_file: Annotated[
        str | None,
        typer.Option("--csv", metavar="FILE", help="Write the table as CSV; - prints it."),
    ] = None,
) -> None:
    """Tell what each appliance uses: per run, per day and while idle.

    New logs are imported first.

    \b
    Example:  homeenergy findings my_house --html findings.html
    """
    if json_file == "-" and csv_file == "-":
        raise typer.BadParameter("only one of --json and --csv can be printed; name a file")
    with plain_errors():
        found, house = find(folder)
        if json_file is not None:
            from homeenergy.show.document.records import findings_record

            record = findings_record(found)
            give(json.dumps(record, indent=2, ensure_ascii=False, allow_nan=False), json_file)
        if csv_file is not None:
            give(found.to_frame().to_csv(index=False).rstrip("\n"), csv_file)
        if html is not None:
            from homeenergy.show import findings_page

            with progress_bar("drawing the page"):
                page = findings_page(found, house)
            give(page, str(html))
        if "-" not in (json_file, csv_file):
            from homeenergy.show.terminal import findings_lines

            typer.echo("\n".join(findings_lines(found, width=width())))


def check(
    folder: Folder,
    reference_accuracy: Annotated[
        float,
        typer.Option(min=0, max=0.5, help="Of the reference meter of bench.csv; 0.01 is 1 %."),
    ] = 0.01,
    meter_step: Annotated[
        float, typer.Option(min=0.001, help="Last digit that the utility meter shows, in kWh.")
    ] = 1.0,
    json_file: Annotated[
        str | None,
        typer.Option("--json", metavar="FILE", help="Write the list as JSON; - prints it."),
    ] = None,
) -> None:
    """Tell what contradicts house.toml: clamps, legs, utility meter.

    New logs are imported first. The exit code is 1 if something contradicts house.toml.

    \b
    Example:  homeenergy check my_house
    """
    with plain_errors():
        from homeenergy.readings import open_house
        from homeenergy.show.terminal import check_lines
        from homeenergy.trust import check_house

        bring_in(folder)
        found = check_house(
            open_house(folder), reference_accuracy=reference_accuracy, step_kwh=meter_step
        )
        if json_file is not None:
            records = found.to_frame().to_dict("records")
            give(json.dumps(records, indent=2, ensure_ascii=False), json_file)
        if json_file != "-":
            typer.echo("\n".join(check_lines(found, width=width())))
    if found.contradicts:
        raise typer.Exit(BAD_DATA)
