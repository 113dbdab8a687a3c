"""Commands that answer: findings, check, compare, survey."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from homeenergy.cli.frame import (
    BAD_DATA,
    Folder,
    bring_in,
    give,
    plain_errors,
    progress_bar,
    refuse_language,
    say,
    width,
)
from homeenergy.words import without_formulas

if TYPE_CHECKING:
    from homeenergy.readings import House


def compare(
    folder: Folder,
    a: Annotated[
        str, typer.Argument(metavar="A", help="A circuit, or circuit:programme, as in washer:1.")
    ],
    b: Annotated[
        str,
        typer.Argument(
            metavar="B",
            help="What to compare it with. Left out: the programmes of A are listed.",
            show_default=False,
        ),
    ] = "",
    per: Annotated[
        Literal["run", "load", "use", "day"] | None,
        typer.Option(help="Default: day for circuits, run for programmes."),
    ] = None,
    weekly: Annotated[
        float | None,
        typer.Option(min=0.1, help="Runs a week, for the cost in a year. Default: as logged."),
    ] = None,
    json_file: Annotated[
        str | None,
        typer.Option("--json", metavar="FILE", help="Write all figures as JSON; - prints them."),
    ] = None,
) -> None:
    """Say which circuit or programme uses more, and how sure that is.

    New logs are imported first. With A alone, its programmes are listed, each with what it uses;
    they are numbered in the order in which they were first seen.

    \b
    Example:  homeenergy compare my_house washer:1 washer:2
    """
    with plain_errors():
        from homeenergy.errors import HouseError
        from homeenergy.findings.comparison.circuits import compare_named
        from homeenergy.findings.loads.programmes import named_programme_uses
        from homeenergy.readings import open_house
        from homeenergy.show.document.findings import comparison_record
        from homeenergy.show.terminal import comparison_table, programme_lines

        if not b and (":" in a or per is not None or weekly is not None):
            raise HouseError(
                f"nothing is named to compare {a!r} with",
                fix="Name a second one, as in `homeenergy compare my_house washer:1 washer:2`.",
            )
        bring_in(folder)
        house = open_house(folder)
        if b:
            compared = compare_named(house, a=a, b=b, per=per, weekly=weekly)
            record: object = comparison_record(compared)
            lines = comparison_table(compared, width=width())
        else:
            uses = named_programme_uses(house, a)
            record = json.loads(uses.to_frame().to_json(orient="records"))
            lines = programme_lines(uses, circuit=a, width=width())
        if json_file is not None:
            give(json.dumps(record, indent=2, ensure_ascii=False, allow_nan=False), json_file)
        if json_file != "-":
            say("\n".join(lines))


def survey(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="The folder that holds the houses' folders.")
    ],
    out: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="FILE",
            help="The table, .parquet, or a document, .xlsx or .html; may be repeated. Default: "
            "FOLDER/survey.parquet",
        ),
    ] = None,
    workers: Annotated[
        int | None, typer.Option(min=1, help="Houses at a time. Default: one for each core.")
    ] = None,
    benchmark: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="Write what is usual, for write_up.benchmark of a house."
        ),
    ] = None,
    climate: Annotated[
        str, typer.Option(metavar="WORDS", help="Where and when, for --benchmark.")
    ] = "",
    language: Annotated[
        str | None,
        typer.Option(
            metavar="LANGUAGE",
            help="Of documents: en-US, en-GB, de, nl or fr. Default: as the houses' house.toml "
            "say, if all say the same.",
        ),
    ] = None,
) -> None:
    """Compare many houses: appliances, what is unusual, where to look.

    Each house is imported and analysed independently; one that fails is reported and the others
    continue. It may be stopped at any time and resumed. The exit code is 1 if a house failed.

    \b
    Example:  homeenergy survey houses --out houses.xlsx --out houses.html
    """
    files = out or [folder / "survey.parquet"]
    wrong = [path.name for path in files if path.suffix not in (".parquet", ".xlsx", ".html")]
    if wrong:
        raise typer.BadParameter(f"--out must end in .parquet, .xlsx or .html, got {wrong[0]}")
    refuse_language(language)
    with plain_errors():
        from homeenergy.files import replacing
        from homeenergy.findings.many import find_houses, survey_houses
        from homeenergy.show.terminal import survey_lines

        with progress_bar("looking for houses") as step:
            found = survey_houses(
                find_houses(folder),
                workers=workers,
                keep=files[0].with_suffix(".houses"),
                progress=step,
            )
        for path in files:
            if path.suffix != ".parquet":
                from homeenergy.show.document.files import write_document
                from homeenergy.show.writeup.survey import survey_document

                write_document(survey_document(found, language=language), path)
            elif len(found.table):
                with replacing(path) as temporary:
                    found.table.to_parquet(temporary, index=False)
            else:
                continue
            say(f"Wrote {path}", err=True)
        if benchmark is not None:
            from homeenergy.findings.benchmark import write_benchmark

            say(f"Wrote {write_benchmark(found, benchmark, climate=climate)}", err=True)
        say("\n".join(survey_lines(found, width=width())))
    if len(found.failures):
        raise typer.Exit(BAD_DATA)


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
    """Show what each appliance uses: per run, per day and while idle.

    New logs are imported first.

    \b
    Example:  homeenergy findings my_house --html findings.html
    """
    if json_file == "-" and csv_file == "-":
        raise typer.BadParameter("only one of --json and --csv can be printed; name a file")
    with plain_errors():
        from homeenergy.findings import house_findings
        from homeenergy.readings import open_house

        bring_in(folder)
        house = open_house(folder)
        written = html or json_file or csv_file
        if house.switched and not (written or any(map(house.has_readings, house.circuits))):
            say("\n".join(_states(house)))  # its logs say only when loads are on
            return
        with progress_bar("finding runs") as step:
            found = house_findings(house, progress=step)
        if json_file is not None:
            from homeenergy.show.document.findings import findings_record

            record = findings_record(found)
            give(json.dumps(record, indent=2, ensure_ascii=False, allow_nan=False), json_file)
        if csv_file is not None:
            table = without_formulas(found.to_frame())
            give(table.to_csv(index=False).rstrip("\n"), csv_file)
        if html is not None:
            from homeenergy.show import findings_page

            with progress_bar("drawing the page"):
                page = findings_page(found, house)
            give(page, str(html))
        if "-" not in (json_file, csv_file):
            from homeenergy.show.terminal import findings_lines

            say("\n".join(findings_lines(found, width=width())))
            if house.switched:
                say("\n".join(_states(house)))


def _states(house: House) -> list[str]:
    from homeenergy.readings.states import house_states
    from homeenergy.show.terminal import states_lines

    return states_lines(house_states(house), width=width())


def check(
    folder: Folder,
    reference_accuracy: Annotated[
        float,
        typer.Option(
            min=0, max=0.5, help="Accuracy of the reference meter of bench.csv; 0.01 is 1 %."
        ),
    ] = 0.01,
    meter_step: Annotated[
        float, typer.Option(min=0.001, help="Last digit that the utility meter shows, in kWh.")
    ] = 1.0,
    walk: Annotated[
        bool,
        typer.Option("--walk", help="Plan what to switch on to settle what the log does not tell."),
    ] = False,
    json_file: Annotated[
        str | None,
        typer.Option("--json", metavar="FILE", help="Write the list as JSON; - prints it."),
    ] = None,
) -> None:
    """List what does not match house.toml: clamps, legs, meter.

    New logs are imported first. The exit code is 1 if something contradicts house.toml, or if
    there are readings that cannot be. With --walk, what is to be switched is kept in walk.csv of
    the folder, and the next check with --walk says what it has settled.

    \b
    Example:  homeenergy check my_house
    """
    with plain_errors():
        from homeenergy.readings import open_house
        from homeenergy.show.terminal import check_lines, walk_lines
        from homeenergy.trust import check_house
        from homeenergy.trust.panel.walk import plan_walk, save_walk

        bring_in(folder)
        house = open_house(folder)
        found = check_house(house, reference_accuracy=reference_accuracy, step_kwh=meter_step)
        if json_file is not None:
            records = found.to_frame().to_dict("records")
            give(json.dumps(records, indent=2, ensure_ascii=False), json_file)
        if json_file != "-":
            say("\n".join(check_lines(found, width=width())))
        if walk:
            plan = plan_walk(house, found.balance)
            save_walk(house, plan)
            say("\n" + "\n".join(walk_lines(plan, width=width())), err=json_file == "-")
    if found.contradicts:
        raise typer.Exit(BAD_DATA)
