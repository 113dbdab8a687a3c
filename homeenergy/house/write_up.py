"""Who a write-up is by and for: the table [write_up] of house.toml."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from homeenergy.house.fields import Fields

PAPERS: tuple[Literal["a4", "letter"], ...] = ("a4", "letter")


@dataclass(frozen=True, slots=True, kw_only=True)
class WriteUpDetails:
    """What the first page of a write-up says; every part may be absent.

    `image` is a PNG or JPEG; `paper` None is chosen by the zone of the house.
    """

    title: str = ""
    author: str = ""
    client: str = ""
    site: str = ""
    image: Path | None = None
    paper: Literal["a4", "letter"] | None = None


def read_write_up(table: Fields) -> WriteUpDetails:
    """Read and check [write_up]; names are kept as they were typed."""
    table.only(("title", "author", "client", "site", "image", "paper"))
    image = None
    if table.has("image"):
        image = table.path.parent / table.text("image")
        if image.suffix.lower() not in (".png", ".jpg", ".jpeg"):
            raise table.refuse("image", f"must be a PNG or JPEG, got {image.name!r}")
        if not image.is_file():
            raise table.refuse("image", f"names a file that is not there: {image}")
    return WriteUpDetails(
        title=table.text("title", ""),
        author=table.text("author", ""),
        client=table.text("client", ""),
        site=table.text("site", ""),
        image=image,
        paper=table.choice("paper", PAPERS, none=True),
    )
