"""The command that compares two circuits, or two programmes."""

from __future__ import annotations

import json
from typing import Annotated, Literal

import typer

from homeenergy.cli.frame import Folder, bring_in, give, plain_errors, width


def compare(
    folder: Folder,
    a: Annotated[
        str, typer.Argument(metavar="A", help="A circuit, or circuit:programme, as in washer:1.")
    ],
    b: Annotated[
        str, typer.Argument(metavar="B", help="What to compare it with.", show_default=False)
    ] = "",
    per: Annotated[
        Literal["run", "load", "use", "day"] | None,
        typer.Option(help="Default: day for circuits, run for programmes."),
    ] = None,
    weekly: Annotated[
        float | None,
        typer.Option(min=0.1, help="Runs a week, for the cost in a year. Default: as seen."),
    ] = None,
    json_file: Annotated[
        str | None,
        typer.Option("--json", metavar="FILE", help="Write all figures as JSON; - prints them."),
    ] = None,
) -> None:
    """Tell which circuit or programme uses more, and how sure that is.

    New logs are imported first. Programmes are numbered in the order in which they were first
    seen; washer:? in place of A and B lists those of the washer.

    \b
    Example:  homeenergy compare my_house washer:1 washer:2
    """
    with plain_errors():
        from homeenergy.errors import HouseError
        from homeenergy.findings.comparison.asked import compare_named
        from homeenergy.readings import open_house
        from homeenergy.show.document.records import comparison_record
        from homeenergy.show.terminal import comparison_table

        if not b and not a.endswith(":?"):
            raise HouseError(
                f"nothing is named to compare {a!r} with",
                fix="Name a second one, as in `homeenergy compare my_house washer:1 washer:2`.",
            )
        bring_in(folder)
        found = compare_named(open_house(folder), a=a, b=b or a, per=per, weekly=weekly)
        if json_file is not None:
            record = comparison_record(found)
            give(json.dumps(record, indent=2, ensure_ascii=False, allow_nan=False), json_file)
        if json_file != "-":
            typer.echo("\n".join(comparison_table(found, width=width())))
