"""The `homeenergy` command."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from homeenergy.cli import answers, documents, logs, notebooks, record
from homeenergy.cli.frame import OWN_FAULT, own_fault, say
from homeenergy.version import __version__

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)


def main() -> None:
    """Run the command, without a traceback whatever happens."""
    try:
        app()
    except Exception as error:
        if not isinstance(error, BrokenPipeError):
            say(own_fault(error), err=True)
            raise SystemExit(OWN_FAULT) from None
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

    \b
    Its folder may also hold, as CSV (more in homeenergy new --help):
      outdoor.csv (time,celsius), bench.csv (circuit,reference_w,clamp_w),
      meter_readings.csv (time,kwh)

    Work inside a panel belongs to a licensed electrician.
    """


# In the order in which a person needs them, which is that of the help.
app.command()(logs.describe)
app.command()(logs.new)
app.command("import")(logs.import_)
app.command()(record.record)
app.command()(record.simulate)
app.command()(answers.findings)
app.command()(answers.compare)
app.command()(logs.quality)
app.command()(answers.check)
app.command()(documents.writeup)
app.command()(answers.survey)
app.command()(notebooks.view)
app.command()(documents.lesson)
app.command()(notebooks.lab)
