"""The commands that write documents: about a house, and lessons for a class."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, cast

import typer

from homeenergy.cli.frame import (
    BAD_DATA,
    bring_in,
    own_fault,
    plain_errors,
    progress_bar,
    refuse_language,
    say,
)
from homeenergy.errors import HouseError

if TYPE_CHECKING:
    from homeenergy.show.document.blocks import Paper
    from homeenergy.show.writeup import WriteUp


def writeup(
    folders: Annotated[
        list[Path],
        typer.Argument(metavar="FOLDER...", help="The house's folder; or those of many houses."),
    ],
    out: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="FILE",
            help="What to write: .html, .pdf, .docx or .xlsx; may be repeated. Of many houses with "
            "{house} in its name, which stands for each folder's.",
        ),
    ] = None,
    check: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Check whether this document still matches the folder."),
    ] = None,
    paper: Annotated[
        str | None,
        typer.Option(metavar="a4|letter", help="Default: as usual in the house's country."),
    ] = None,
    since: Annotated[
        datetime | None,
        typer.Option(
            formats=["%Y-%m-%d"],
            metavar="YYYY-MM-DD",
            help="Compare before and after this day instead of writing up the whole log.",
        ),
    ] = None,
    before: Annotated[
        Path | None,
        typer.Option(metavar="FOLDER", help="Compare with an earlier log of the same house."),
    ] = None,
    technical: Annotated[
        bool,
        typer.Option(
            "--technical", help="Write all there is: methods, settings, every appliance and clamp."
        ),
    ] = False,
    language: Annotated[
        str | None,
        typer.Option(
            metavar="LANGUAGE", help="en-US, en-GB, de, nl or fr. Default: as house.toml says."
        ),
    ] = None,
    date: Annotated[
        datetime | None,
        typer.Option(
            formats=["%Y-%m-%d"], metavar="YYYY-MM-DD", help="Date of the document. Default: today"
        ),
    ] = None,
) -> None:
    """Write a document for a client: the year, its bill, what to do.

    With --technical it holds all there is, for colleagues. Lists of runs are in .xlsx alone. New
    logs are imported first. Author, client, site, language and more come from [write_up] in
    house.toml. With --check nothing is written, and the exit code is 1 if something has changed.
    Of many houses, one that fails is named and the others go on; what is up to date is left as it
    is, so that a batch may be stopped and resumed.

    \b
    Example:  homeenergy writeup my_house --out report.pdf --out report.xlsx
    Many:     homeenergy writeup houses/* --out 'reports/{house}.pdf'
    A change: homeenergy writeup my_house --since 2026-03-01 --out visit.pdf
    """
    if (out is None) == (check is None):
        raise typer.BadParameter("give either --out FILE or --check FILE")
    if paper not in (None, "a4", "letter"):
        raise typer.BadParameter(f"--paper must be a4 or letter, got {paper!r}")
    refuse_language(language)
    for path in out or []:
        if path.suffix.lower() not in ENDINGS:
            raise typer.BadParameter(f"--out must end in one of {', '.join(ENDINGS)}, got {path}")
        if len(folders) > 1 and HOUSE not in str(path):
            raise typer.BadParameter(f"of many houses, --out needs {HOUSE} in its name, got {path}")
    if len(folders) > 1 and (check is not None or before is not None):
        raise typer.BadParameter("--check and --before take one house at a time")
    options: dict[str, Any] = {
        "paper": paper,
        "since": since,
        "before": before,
        "date": date,
        "language": language,
        "technical": technical,
    }
    if len(folders) > 1:
        _batch(folders, out or [], options)
        return
    folder = folders[0]
    with plain_errors():
        bring_in(folder)
        if before is not None:
            bring_in(before)
        if check is not None:
            _check(check, folder, before, language)
            return
        document = _made(folder, **options)
        _say_held_out(document.record, folder)
        for path in out or []:
            say(f"Wrote {_saved(document, _named(path, folder))}", err=True)


HOUSE = "{house}"
ENDINGS = (".html", ".pdf", ".docx", ".xlsx")


def _named(path: Path, folder: Path) -> Path:
    """The file of one house."""
    return Path(str(path).replace(HOUSE, folder.resolve().name))


def _say_held_out(record: Mapping[str, Any], folder: Path) -> None:
    """Name circuits without figures, so that no document is sent on unread."""
    held = record.get("held_out", ())
    if held:
        say(
            f"{folder}: held out of all figures, as the document says first: {', '.join(held)}",
            err=True,
        )


def _saved(document: WriteUp, path: Path) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    return document.save(path)


def _batch(folders: list[Path], out: list[Path], options: dict[str, Any]) -> None:
    """Write documents of many houses, one after the other; exit code 1 if one failed."""
    from homeenergy.readings import import_logs
    from homeenergy.show.document.files import read_record

    names = [folder.resolve().name for folder in folders]
    twice = {name for name in names if names.count(name) > 1}
    if twice:
        raise typer.BadParameter(
            f"two folders are called {sorted(twice)[0]}: their files would be one"
        )
    failed = kept = 0
    with plain_errors():
        for number, folder in enumerate(folders, start=1):
            files = [_named(path, folder) for path in out]
            try:
                if not (folder / "house.toml").is_file():
                    raise HouseError("holds no house.toml", path=folder)
                import_logs(folder)
                if all(_up_to_date(path, folder, options) for path in files):
                    kept += 1
                    _say_held_out(read_record(files[0]), folder)
                    continue
                document = _made(folder, **options)
                _say_held_out(document.record, folder)
                for path in files:
                    written = _saved(document, path)
                    say(f"Wrote {written} ({number} of {len(folders)})", err=True)
            except (HouseError, OSError) as error:
                failed += 1
                say(f"homeenergy: {folder}: {error}", err=True)
            except Exception as error:  # a house that nobody foresaw must not stop the others
                failed += 1
                say(f"{folder}: {own_fault(error)}", err=True)
        done = len(folders) - failed - kept
        say(
            f"{done} written, {kept} up to date, {failed} failed, of {len(folders)} houses.",
            err=True,
        )
    if failed:
        raise typer.Exit(BAD_DATA)


def _up_to_date(path: Path, folder: Path, options: dict[str, Any]) -> bool:
    """Whether a document is there, of this edition, and matches its folder."""
    from homeenergy.show.document.files import read_record
    from homeenergy.show.writeup import differences

    if not path.is_file():
        return False
    try:
        record = read_record(path)
        same = record.get("made") == _made_with(options)
        return same and not differences(path, folder)
    except HouseError:
        return False


def _made_with(options: dict[str, Any]) -> dict[str, str]:
    """What a document was asked for, as its record holds it; but for its date."""
    return {name: str(value) for name, value in options.items() if name != "date"}


EDITIONS = {
    "client": "client's edition",
    "technical": "technical file",
    "visit": "before and after",
}


def _check(document: Path, folder: Path, before: Path | None, language: str | None) -> None:
    from homeenergy.readings import open_house
    from homeenergy.show.document.files import read_record, was_altered
    from homeenergy.show.writeup import differences
    from homeenergy.show.writeup.wording import Wording

    record = read_record(document)
    words = Wording(language=language or open_house(folder).schedule.write_up.language or "en")
    found = differences(document, folder, before=before, words=words)
    if was_altered(document):
        altered = (
            "the document is not as it was written: somebody changed it, or a part of it is missing"
        )
        found.insert(0, words.say(altered))
    edition = record.get("edition", "document")
    matches = words.say(
        "{file} ({edition}) matches {folder}",
        file=document,
        edition=words.say(EDITIONS.get(edition, edition)),
        folder=folder,
    )
    say("\n".join(found) or matches)
    if found:
        raise typer.Exit(BAD_DATA)


def _made(
    folder: Path,
    *,
    paper: str | None,
    since: datetime | None,
    before: Path | None,
    date: datetime | None,
    language: str | None,
    technical: bool,
) -> WriteUp:
    from homeenergy.readings import open_house
    from homeenergy.show.writeup import visit_up, write_up

    sheet = cast("Paper | None", paper)
    written = None if date is None else date.date()
    asked = _made_with(
        {
            "paper": paper,
            "since": since,
            "before": before,
            "language": language,
            "technical": technical,
        }
    )
    if since is not None or before is not None:
        found = visit_up(
            open_house(folder),
            since=None if since is None else since.date(),
            before=None if before is None else open_house(before),
            written=written,
            paper=sheet,
            language=language,
        )
        return replace(found, record={**found.record, "made": asked})
    with progress_bar("finding runs") as step:
        found = write_up(
            folder,
            edition="technical" if technical else "client",
            written=written,
            paper=sheet,
            language=language,
            progress=step,
        )
    return replace(found, record={**found.record, "made": asked})


def lesson(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Where to write the pages; made if need be.")
    ],
    edition: Annotated[
        str,
        typer.Option(
            metavar="120|230",
            help="Mains of the class: 120 V at 60 Hz on split phase, or 230 V at 50 Hz.",
        ),
    ] = "120",
    language: Annotated[
        str, typer.Option(metavar="CODE", help="Language of the pages and sheets: en or de.")
    ] = "en",
    seed: Annotated[
        int, typer.Option(metavar="N", help="Another number gives other numbers in the tasks.")
    ] = 0,
) -> None:
    """Write lessons for a class: pages that run in any browser, offline.

    Each page is one file: copy it to a stick or a school's server. A class predicts, observes and
    explains; nothing that a pupil types leaves the page. Next to each page are, as PDF, a plan of
    45 minutes, a sheet for each seat and the key; these need the extra `writeup`.

    \b
    Example:  homeenergy lesson my_class --edition 230
    """
    if edition not in ("120", "230"):
        raise typer.BadParameter(f"--edition must be 120 or 230, got {edition!r}")
    with plain_errors():
        from homeenergy.show.lesson.language import LANGUAGES
        from homeenergy.show.lesson.page import write_lessons
        from homeenergy.show.lesson.sheets import write_sheets

        if language not in LANGUAGES:
            raise HouseError(
                f"there is no lesson in the language {language!r}",
                fix=f"Give one of {', '.join(LANGUAGES)}.",
            )
        for path in write_lessons(folder, edition=edition, language=language, seed=seed):
            say(f"Wrote {path}", err=True)
        if find_spec("typst") is None or find_spec("pypandoc") is None:
            say("Plan, sheets and key need: pip install 'homeenergy[writeup]'", err=True)
            return
        for path in write_sheets(folder, edition=edition, language=language, seed=seed):
            say(f"Wrote {path}", err=True)
