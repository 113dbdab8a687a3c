"""The `homeenergy` command."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from homeenergy import __version__
from homeenergy.errors import HouseError

if TYPE_CHECKING:
    from homeenergy.findings import Findings
    from homeenergy.readings import House

BAD_DATA, INTERRUPTED = 1, 130  # 2, for a command that is used wrongly, comes from typer
# JupyterLab would ask the network for newer versions of itself, for news and for extensions.
NO_LOOKING_UP = (
    "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate",
    "--LabApp.news_url=None",
    "--LabApp.extension_manager=readonly",
)
NARROWEST, WIDEST = 60, 160

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)

Folder = Annotated[
    Path, typer.Argument(metavar="FOLDER", help="The house's folder, with its house.toml.")
]


def main() -> None:
    """Run the command, without a traceback when a pipe is closed early."""
    try:
        app()
    except BrokenPipeError:
        sys.stderr.close()  # else the interpreter complains once more on its way out
        raise SystemExit(0) from None


def _show_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"homeenergy {__version__}")
        raise typer.Exit()


@app.callback()
def _root(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_show_version, is_eager=True, help="Print the version."),
    ] = False,
) -> None:
    """What each electrical appliance in a house really uses, from logs of its circuits.

    Everything is worked out on this computer; no reading leaves it.

    \b
    Start with your own logs:   homeenergy new my_house --from logs/*.csv
    See what appliances use:    homeenergy findings my_house

    Work inside a panel belongs to a licensed electrician.
    """


@app.command()
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

    What cannot be told from the files is said in remarks; nothing is written.

    \b
    Example:  homeenergy describe logs/2026-10-*.csv
    """
    with _plain_errors():
        from homeenergy.readings import describe as describe_logs

        typer.echo(describe_logs(files, timezone=timezone).toml().rstrip("\n"))


@app.command()
def new(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Folder to make; it must not hold a house yet.")
    ],
    more: Annotated[list[Path] | None, typer.Argument(metavar="[FILE]...", hidden=True)] = None,
    *,
    logs: Annotated[
        list[Path],
        typer.Option("--from", metavar="FILE...", help="Log files to look at, one or more."),
    ],
    timezone: Annotated[
        str | None,
        typer.Option(
            metavar="ZONE",
            help="Where the house stands, as in Europe/Berlin. Default: as this computer.",
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
    with _plain_errors():
        from homeenergy.readings import new_house

        zone = timezone or _own_zone()
        made = new_house(folder, logs=[*logs, *(more or [])], timezone=zone, name=name)
        typer.echo(f"Wrote {made}")
        if timezone is None:
            typer.echo(f"Time zone: {zone}, as on this computer. Correct it if the house is not.")
        typer.echo(f"Read it through and correct it, then run: homeenergy findings {folder}")


@app.command("import")
def import_(
    folder: Folder,
    rebuild: Annotated[
        bool,
        typer.Option("--rebuild", help="Write every month again from the logs that are there."),
    ] = False,
) -> None:
    """Bring the store of a house up to date with its logs.

    Only what is new is read. It may be stopped at any time and run again.

    \b
    Example:  homeenergy import my_house
    """
    with _plain_errors():
        typer.echo(str(_import(folder, rebuild=rebuild)))


@app.command()
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
    with _plain_errors():
        found, house = _find(folder)
        if json_file is not None:
            from homeenergy.show.records import findings_record

            record = findings_record(found)
            _give(json.dumps(record, indent=2, ensure_ascii=False, allow_nan=False), json_file)
        if csv_file is not None:
            _give(found.to_frame().to_csv(index=False).rstrip("\n"), csv_file)
        if html is not None:
            from homeenergy.show import findings_page

            with _progress("drawing the page"):
                page = findings_page(found, house)
            _give(page, str(html))
        if "-" not in (json_file, csv_file):
            from homeenergy.show.table import findings_lines

            typer.echo("\n".join(findings_lines(found, width=_width())))


@app.command()
def quality(folder: Folder) -> None:
    """Tell how good the readings are: holes, repeats, lone spikes.

    New logs are imported first.

    \b
    Example:  homeenergy quality my_house
    """
    with _plain_errors():
        from homeenergy.readings import open_house
        from homeenergy.show.quality_table import quality_lines

        _import(folder)
        lines = quality_lines(open_house(folder).quality(), width=_width())
        typer.echo("\n".join(lines))


@app.command()
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
    with _plain_errors():
        from homeenergy.readings import open_house
        from homeenergy.show.check_table import check_lines
        from homeenergy.trust import check_house

        _import(folder)
        found = check_house(
            open_house(folder), reference_accuracy=reference_accuracy, step_kwh=meter_step
        )
        if json_file is not None:
            records = found.to_frame().to_dict("records")
            _give(json.dumps(records, indent=2, ensure_ascii=False), json_file)
        if json_file != "-":
            typer.echo("\n".join(check_lines(found, width=_width())))
    if found.contradicts:
        raise typer.Exit(BAD_DATA)


@app.command()
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
    with _plain_errors():
        root = _notebook_root(folder)
        command = [sys.executable, "-m", "jupyterlab", "notebooks/start_here.ipynb"]
        command += [*NO_LOOKING_UP, *([] if browser else ["--no-browser"]), *(options or [])]
        try:
            result = subprocess.run(command, cwd=root)
        except KeyboardInterrupt:
            raise typer.Exit(0) from None
        raise typer.Exit(result.returncode)


def _own_zone() -> str:
    """Region that this computer's clock is set to."""
    named = os.environ.get("TZ", "").lstrip(":")
    parts = Path("/etc/localtime").resolve().parts
    region = named or "/".join(parts[parts.index("zoneinfo") + 1 :] if "zoneinfo" in parts else ())
    if "/" not in region or region.startswith("Etc/"):
        raise HouseError(
            "it cannot be told where the house stands",
            fix="Give its time zone, for example --timezone Europe/Berlin.",
        )
    return region


def _notebook_root(folder: Path) -> Path:
    """Folder that holds notebooks/ and sample_data/ side by side."""
    package = Path(__file__).resolve().parent
    if (package.parent / "notebooks" / "start_here.ipynb").is_file():
        return package.parent
    shipped = package / "shipped"
    if not shipped.is_dir():
        raise HouseError(
            "this installation came without the notebooks",
            fix="Install it from a copy of the project, or from its wheel.",
        )
    for name in ("notebooks", "sample_data"):
        if not (folder / name).exists():
            shutil.copytree(shipped / name, folder / name)
    return folder


def _import(folder: Path, *, rebuild: bool = False) -> object:
    from homeenergy.readings import import_logs

    try:
        with _progress("looking at the logs") as step:
            return import_logs(folder, progress=step, rebuild=rebuild)
    except KeyboardInterrupt:
        typer.echo("Stopped. What the store holds is whole; run it again to go on.", err=True)
        raise typer.Exit(INTERRUPTED) from None


def _find(folder: Path) -> tuple[Findings, House]:
    from homeenergy.findings import house_findings
    from homeenergy.readings import open_house

    _import(folder)
    house = open_house(folder)
    with _progress("finding runs") as step:
        return house_findings(house, progress=step), house


def _give(text: str, where: str) -> None:
    if where == "-":
        typer.echo(text)
        return
    Path(where).write_text(text + "\n", encoding="utf-8")
    typer.echo(f"Wrote {where}", err=True)


def _width() -> int:
    return min(max(shutil.get_terminal_size((100, 24)).columns, NARROWEST), WIDEST)


@contextmanager
def _plain_errors() -> Iterator[None]:
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
def _progress(text: str) -> Iterator[Callable[[float, float, str], None]]:
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


if __name__ == "__main__":
    main()
