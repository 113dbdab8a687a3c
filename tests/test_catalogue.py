"""Catalogues: every language has every text of a subject, with the same figures in braces."""

import string

import pytest
from babel.messages.pofile import read_po

from homeenergy.catalogue import FOLDER, languages, translated

SUBJECTS = sorted(path for path in FOLDER.glob("*/*.po") if path.parent.name != "en")


def entries(path):
    with path.open("rb") as file:
        return {e.id: str(e.string) for e in read_po(file, abort_invalid=True) if e.id}


def fields(text):
    return {name for _, name, _, _ in string.Formatter().parse(text) if name is not None}


def test_a_text_is_translated_or_stays_english():
    assert {"de", "en", "fr", "nl"} <= set(languages())
    assert translated("page", "nl") == "pagina"
    assert translated("page", "nl-BE") == "pagina"
    assert translated("page", "en-US") == "page"
    assert translated("no such text", "de") == "no such text"
    assert translated("page", "xx") == "page"


@pytest.mark.parametrize("path", SUBJECTS, ids=lambda p: f"{p.parent.name}/{p.stem}")
def test_a_translation_keeps_the_figures_of_its_text(path):
    for english, text in entries(path).items():
        assert text, english
        assert fields(text) == fields(english), english


@pytest.mark.parametrize("subject", sorted({path.name for path in SUBJECTS}))
def test_languages_of_a_subject_have_the_same_texts(subject):
    there = [entries(path).keys() for path in SUBJECTS if path.name == subject]
    assert all(one == there[0] for one in there)
