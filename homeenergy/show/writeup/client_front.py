"""The outside of the client's edition: for whom, by whom, cover, photos, last words."""

from __future__ import annotations

from datetime import date

import pandas as pd

from homeenergy.show.document.blocks import Block, Facts, Heading, Picture, Prose
from homeenergy.show.writeup.client import Told


def front_facts(told: Told, written: date) -> tuple[Block, ...]:
    """For whom, by whom, when measured: few lines; with a cover, on a page of its own."""
    words, details = told.words, told.basis.house.schedule.write_up
    basis = told.basis
    start = basis.local(basis.findings.start)
    end = basis.local(basis.findings.end - pd.Timedelta(seconds=1))  # midnight ends a day
    measured = words.say("{start} to {end}", start=words.day(start), end=words.day(end))
    by = (details.author, details.contact, words.day(written))
    rows = (
        (words.say("For"), ", ".join(x for x in (details.client, details.site) if x)),
        (words.say("By" if details.author else "Written"), ", ".join(x for x in by if x)),
        (words.say("Measured"), measured),
        (words.say("Reference"), details.reference),
    )
    facts = Facts(rows=tuple(row for row in rows if row[1]))
    site = details.site or basis.house.name
    logo, image = (
        ()
        if path is None
        else (
            Picture(
                image=path.read_bytes(),
                alternative=words.say(text, site=site),
                width_share=share,
            ),
        )
        for path, text, share in (
            (details.logo, "Logo.", 0.2),
            (details.image, "Picture of {site}.", 0.9 if details.cover else 0.4),
        )
    )
    if not details.cover:
        return (*logo, facts, *image)
    return (*logo, facts, *image, Heading(text=words.say("At a glance"), new_page=True))


def photo_blocks(told: Told) -> tuple[Block, ...]:
    """Photos, called by the names of their files."""
    details, words = told.basis.house.schedule.write_up, told.words
    if not details.photos:
        return ()
    pictures = tuple(
        Picture(
            image=path.read_bytes(),
            caption=path.stem.replace("_", " "),
            alternative=words.say("Photo: {name}.", name=path.stem.replace("_", " ")),
            width_share=0.7,
        )
        for path in details.photos
    )
    return (Heading(text=words.say("Photos")), *pictures)


def signed_blocks(told: Told) -> tuple[Block, ...]:
    """Last words and the author's name."""
    details = told.basis.house.schedule.write_up
    if not details.sign_off:
        return ()
    rows = [text for text in (details.author, details.contact) if text]
    return (Prose(text="\n\n".join([details.sign_off, *rows])),)
