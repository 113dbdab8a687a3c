"""Commands that bring logs in: describe, new, import, quality."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from homeenergy.cli.frame import BAD_DATA, Folder, bring_in, plain_errors, say, width
from homeenergy.errors import HouseError


def describe(
    files: Annotated[
        list[Path], typer.Argument(metavar="FILE...", help="Log files with the same layout.")
    ],
    timezone: Annotated[
        str | None,
        typer.Option(metavar="ZONE", help="Zone of times without an offset, as in Europe/Berlin."),
    ] = None,
) -> None:
    """Look at log files and print how house.toml would describe them.

    What the files do not show is said in remarks; nothing is written.

    \b
    Example:  homeenergy describe logs/2026-10-*.csv
    """
    with plain_errors():
        from homeenergy.readings import describe as describe_logs

        typer.echo(describe_logs(files, timezone=timezone).toml().rstrip("\n"))


def new(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Folder to make; it must not hold a house yet.")
    ],
    more: Annotated[list[Path] | None, typer.Argument(metavar="[FILE]...", hidden=True)] = None,
    *,
    logs: Annotated[
        list[Path],
        typer.Option("--from", metavar="FILE...", help="One or more log files to look at."),
    ],
    timezone: Annotated[
        str | None,
        typer.Option(
            metavar="ZONE",
            help="Time zone of the house, such as Europe/Berlin. Default: that of this computer.",
        ),
    ] = None,
    name: Annotated[
        str | None, typer.Option(metavar="NAME", help="Name of the house. Default: the folder's.")
    ] = (None),
) -> None:
    """Make a folder for a house, with a house.toml to correct by hand.

    \b
    Example:  homeenergy new my_house --timezone Europe/Berlin --from logs/*.csv

    Say in house.toml which circuit feeds what. If that means opening the panel, leave it to a
    licensed electrician: parts of it stay live with the main breaker off.
    """
    with plain_errors():
        from homeenergy.readings import new_house

        zone = timezone or _own_zone()
        made = new_house(folder, logs=[*logs, *(more or [])], timezone=zone, name=name)
        typer.echo(f"Wrote {made}")
        if timezone is None:
            typer.echo(f"Time zone: {zone}, as on this computer. Correct it if the house is not.")
        typer.echo(f"Read it through and correct it, then run: homeenergy findings {folder}")


def import_(
    folder: Folder,
    rebuild: Annotated[
        bool,
        typer.Option("--rebuild", help="Write every month again from the logs that are there."),
    ] = False,
    verify: Annotated[
        bool,
        typer.Option("--verify", help="Check all that is stored; mend what the disk has damaged."),
    ] = False,
) -> None:
    """Bring the store of a house up to date with its logs.

    Only what is new is read. It may be stopped at any time and run again. What logs that were
    moved away gave stays in the store, unless --rebuild is given.

    \b
    Example:  homeenergy import my_house
    """
    with plain_errors():
        report = bring_in(folder, rebuild=rebuild, verify=verify)
        say(str(report))
    if report.lost:
        raise typer.Exit(BAD_DATA)


def quality(folder: Folder) -> None:
    """Report data quality: gaps, repeated readings, isolated spikes.

    New logs are imported first.

    \b
    Example:  homeenergy quality my_house
    """
    with plain_errors():
        from homeenergy.readings import open_house
        from homeenergy.show.terminal import quality_lines

        bring_in(folder)
        lines = quality_lines(open_house(folder).quality(), width=width())
        say("\n".join(lines))


def _own_zone() -> str:
    """Region that this computer's clock is set to."""
    named = os.environ.get("TZ", "").lstrip(":")
    parts = Path("/etc/localtime").resolve().parts
    region = named or "/".join(parts[parts.index("zoneinfo") + 1 :] if "zoneinfo" in parts else ())
    if "/" not in region or region.startswith("Etc/"):
        raise HouseError(
            "the time zone of the house is not known",
            fix="Give its time zone, for example --timezone Europe/Berlin.",
        )
    return region
