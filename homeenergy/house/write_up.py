"""The [write_up] table of house.toml: how a document about the house looks and is worded."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from homeenergy.catalogue import languages
from homeenergy.house.schema import Fields, Key

PICTURES = (b"\x89PNG", b"\xff\xd8\xff")  # how a PNG and a JPEG begin


def _image(fields: Fields, name: str) -> Path:
    return _checked(fields, name, fields.text(name) or "")


def _images(fields: Fields, name: str) -> tuple[Path, ...]:
    found = fields.get(name, list)
    if not all(isinstance(one, str) and one for one in found):
        raise fields.refuse(name, "must be a list of paths", fix=fields.show(name))
    return tuple(_checked(fields, name, one) for one in found)


def _checked(fields: Fields, name: str, text: str) -> Path:
    image = fields.path.parent / text
    if image.suffix.lower() not in (".png", ".jpg", ".jpeg"):
        raise fields.refuse(
            name, f"must be a PNG or JPEG, got {image.name!r}", fix=fields.show(name)
        )
    if not image.resolve().is_relative_to(fields.path.parent.resolve()):
        raise fields.refuse(
            name, "must stay inside the house's folder", fix="Put the picture into the folder."
        )
    if not image.is_file():
        raise fields.refuse(
            name,
            f"names a file that does not exist: {image}",
            fix="The path begins at the folder of house.toml.",
        )
    with image.open("rb") as file:
        if not file.read(8).startswith(PICTURES):
            raise fields.refuse(name, f"is no PNG or JPEG, though its name says so: {image}")
    return image


def _picture(what: str, example: str) -> Key:
    return Key(
        help=what,
        kind="the path of a PNG or JPEG, from this folder",
        example=example,
        read=_image,
        write=str,
    )


def _own_words(part: str) -> Key:
    return Key(help=f"own words at the beginning of {part}", example="As we saw on site, ...")


@dataclass(frozen=True, slots=True, kw_only=True)
class WriteUpDetails:
    """What a write-up says of itself, and in its author's own words; every part may be absent.

    Pictures are PNG or JPEG; `paper` None is chosen by the zone of the house.
    """

    title: Annotated[str, Key(help="of the write-up", example="Where the energy goes")] = ""
    author: Annotated[str, Key(help="who wrote it", example="A. Writer")] = ""
    client: Annotated[str, Key(help="for whom", example="The owners")] = ""
    site: Annotated[str, Key(help="where the house is", example="12 Orchard Road")] = ""
    image: Annotated[Path | None, _picture("picture on the first page", "house.jpg")] = None
    logo: Annotated[Path | None, _picture("small picture below the title", "logo.png")] = None
    photos: Annotated[
        tuple[Path, ...],
        Key(
            help="further pictures, called by the names of their files",
            kind="a list of paths of PNG or JPEG files, from this folder",
            example=["photos/panel.jpg"],
            read=_images,
            write=lambda paths: [str(path) for path in paths],
        ),
    ] = ()
    benchmark: Annotated[
        str,
        Key(
            help="file of other houses, from this folder, that `homeenergy survey` wrote",
            example="street.json",
        ),
    ] = ""
    cover: Annotated[
        bool, Key(help="whether a page with title, logo and picture comes first", example=True)
    ] = False
    colour: Annotated[
        str,
        Key(
            help="of headings and bars",
            example="#0072B2",
            check=lambda text: re.fullmatch("#[0-9A-Fa-f]{6}", text) is not None,
            must='be a colour such as "#0072B2"',
        ),
    ] = ""
    contact: Annotated[str, Key(help="how to reach the author", example="a.writer@example.org")] = (
        ""
    )
    reference: Annotated[str, Key(help="number of the job or the report", example="2026-017")] = ""
    sign_off: Annotated[
        str, Key(help="last words, above the author's name", example="Checked on site on 1 March.")
    ] = ""
    paper: Annotated[
        Literal["a4", "letter"] | None,
        Key(help="size of its pages; left out, by the time zone", example="a4"),
    ] = None
    language: Annotated[
        str | None,
        Key(
            help="of the client's edition and its numbers; left out, English by the time zone",
            example="de",
            check=lambda name: name.split("-")[0] in languages(),
            must=f"be one of en-US, en-GB, {', '.join(x for x in languages() if x != 'en')}",
        ),
    ] = None
    least_saving: Annotated[
        float | None,
        Key(
            help="what an action must save in a year to be advised, in the tariff's currency; left "
            "out, 1 % of the bill",
            example=20,
            check=lambda least: least >= 0,
            must="be 0 or more",
        ),
    ] = None
    interest: Annotated[
        float,
        Key(
            help="of a year, after inflation, for net present values",
            example=0.03,
            check=lambda share: 0 <= share < 1,
            must="be a share such as 0.03 for 3 %",
        ),
    ] = 0.03
    words_summary: Annotated[str, _own_words("page one")] = ""
    words_loads: Annotated[str, _own_words("the loads that matter")] = ""
    words_bill: Annotated[str, _own_words("the bill")] = ""
    words_trust: Annotated[str, _own_words("how far to trust it")] = ""
    words_actions: Annotated[str, _own_words("what to do")] = ""
    words_assumptions: Annotated[str, _own_words("what was assumed")] = ""
