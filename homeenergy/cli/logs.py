"""Commands that bring logs in: describe, new, import, quality."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from homeenergy.cli.frame import BAD_DATA, Folder, bring_in, plain_errors, say, width
from homeenergy.errors import HouseError


def describe(
    files: Annotated[
        list[Path] | None,
        typer.Argument(metavar="FILE...", help="Log files, or folders of them."),
    ] = None,
    timezone: Annotated[
        str | None,
        typer.Option(metavar="ZONE", help="Zone of times without an offset, as in Europe/Berlin."),
    ] = None,
    source: Annotated[
        str | None,
        typer.Option(
            metavar="ADDRESS",
            help="In place of files: listen to mqtt://HOST, mqtts://HOST, tcp://HOST:PORT, "
            "unix:PATH, serial:PATH, file:PATH or modbus://HOST, and propose a [[source]].",
        ),
    ] = None,
    seconds: Annotated[
        float, typer.Option(min=0.1, max=86_400, help="How long to listen to a source.")
    ] = 60.0,
    name: Annotated[str, typer.Option(metavar="NAME", help="Name of the source.")] = "recorded",
    user: Annotated[str | None, typer.Option(help="To log in to a source with.")] = None,
    password_variable: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="Environment variable that holds the password."),
    ] = None,
    certificates: Annotated[
        str | None, typer.Option(metavar="FILE", help="Authority of the source's certificate.")
    ] = None,
    baud: Annotated[int, typer.Option(help="Speed of a serial line.")] = 9600,
) -> None:
    """Print how house.toml would describe log files or a source.

    There is a [[log]] block for each way in which files are written. What they do not show is
    said in remarks; nothing is written.

    \b
    Example:  homeenergy describe logs/2026-10-*.csv
    Example:  homeenergy describe --source mqtt://192.168.1.20 --seconds 300
    """
    if (source is None) == (not files):
        raise typer.BadParameter("give either files or --source ADDRESS")
    with plain_errors():
        if source is not None:
            from homeenergy.record.propose import propose_source

            options = {"user": user, "password_variable": password_variable}
            options |= {"certificates": certificates}
            proposed = propose_source(
                source, seconds=seconds, name=name, options={**options, "baud": baud}
            )
            say(proposed.toml().rstrip("\n"))
            return
        from homeenergy.readings.logs.gather import describe_any

        for number, one in enumerate(describe_any(files or [], timezone=timezone)):
            say("\n" * bool(number) + one.toml().rstrip("\n"))


def new(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Folder to make; it must not hold a house yet.")
    ],
    more: Annotated[list[Path] | None, typer.Argument(metavar="[FILE]...", hidden=True)] = None,
    *,
    logs: Annotated[
        list[Path],
        typer.Option(
            "--from",
            metavar="FILE...",
            help="Folders or files: CSV or other text, spreadsheets, JSON, Parquet, gzipped or in "
            "a .zip; one for all circuits or one for each.",
        ),
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
    link: Annotated[
        bool,
        typer.Option(
            "--link", help="Link to the logs in place of copying them, so that they stay in place."
        ),
    ] = False,
    yes: Annotated[
        bool, typer.Option("--yes", help="Ask nothing, and take every proposal.")
    ] = False,
) -> None:
    """Make a folder for a house, with a house.toml to correct by hand.

    The logs are copied into its folder logs (sheets, JSON and archives as CSV); the originals stay
    as they are. Save later exports there too. What was understood is printed, a line for each
    circuit, the doubtful ones first. At a terminal it asks what the logs do not say: units, time
    zone, mains, supply and legs; Enter skips a question.

    \b
    Example:  homeenergy new my_house --timezone Europe/Berlin --from my_exports

    \b
    Further files that the folder may hold:
      outdoor.csv         time,celsius (or fahrenheit)     outdoor temperature
      bench.csv           circuit,reference_w,clamp_w      clamps against a reference meter
      meter_readings.csv  time,kwh                         what the utility meter showed

    Say in house.toml which circuit feeds what. If that means opening the panel, leave it to a
    licensed electrician: parts of it stay live with the main breaker off.
    """
    with plain_errors():
        from homeenergy.readings.logs.new_house import begin_house, understood

        asked = _ask if not yes and sys.stdin.isatty() and sys.stdout.isatty() else None
        zone = timezone or (_ask_zone() if asked else _own_zone())
        given = [*logs, *(more or [])]
        made = begin_house(folder, logs=given, timezone=zone, name=name, link=link, ask=asked)
        say("\n".join(understood(made)))
        where = f"{made.copied_bytes / 1e6:,.1f} MB of logs were copied into {folder / 'logs'}"
        linked = f"{folder / 'logs'} has links to the logs, which must stay where they are"
        say(f"\nWrote {made.path}. {linked if link else where}.")
        if timezone is None and asked is None:
            say(f"Time zone: {zone}, as on this computer. Correct it if the house is not.")
        say(f"Read it through and correct it, then run: homeenergy findings {folder}")


def _ask(question: str, answers: Sequence[str]) -> str:
    """Ask at the terminal, until it is clear which answer is meant; Enter takes the first."""
    say(question)
    for number, answer in enumerate(answers, start=1):
        say(f"  {number}  {answer}{'   (Enter)' if number == 1 else ''}")
    said = typer.prompt(
        "",
        default="1",
        show_default=False,
        prompt_suffix="> ",
        value_proc=lambda text: chosen(text, answers),
    )
    return str(said)


def chosen(text: str, answers: Sequence[str]) -> str:
    """Answer that is meant by its number, or by a word that no other holds, such as kW."""
    word = text.strip().casefold()
    if word.isdecimal() and 1 <= int(word) <= len(answers):
        return answers[int(word) - 1]
    named = [one for one in answers if word in (one.casefold(), *one.casefold().split())]
    if len(named) != 1:
        raise typer.BadParameter(f"Answer with a number from 1 to {len(answers)}, or Enter.")
    return named[0]


def _ask_zone() -> str:
    """Ask for the time zone of the house; Enter takes that of this computer."""
    try:
        own = _own_zone()
    except HouseError:
        own = None
    proposal = f" (Enter: {own}, as on this computer)" if own else ""
    said = typer.prompt(
        f"Time zone of the house, such as Europe/Berlin{proposal}",
        default=own,
        show_default=False,
        prompt_suffix="> ",
        value_proc=_region,
    )
    return str(said)


def _region(text: str) -> str:
    from homeenergy.house.zones import read_region

    try:
        read_region(text.strip())
    except ValueError as error:
        raise typer.BadParameter(str(error)) from None
    return text.strip()


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
        _say_implausible(folder)
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
        _say_implausible(folder)


def _say_implausible(folder: Path) -> None:
    """List the readings that cannot be, and what to do about each."""
    from homeenergy.readings import open_house
    from homeenergy.show.terminal import implausible_lines
    from homeenergy.trust.plausible import implausible_readings

    house = open_house(folder)
    if house.has_store and (found := implausible_readings(house)):
        say("\n".join(implausible_lines(found, width=width())))


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
