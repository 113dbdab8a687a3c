"""Catalogues: every language has every text of a subject, with the same figures in braces."""

import ast
import string
from pathlib import Path

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
    assert translated("a year", "nl") == "per jaar"
    assert translated("a year", "nl-BE") == "per jaar"
    assert translated("a year", "en-US") == "a year"
    assert translated("no such text", "de") == "no such text"
    assert translated("a year", "xx") == "a year"


@pytest.mark.parametrize("path", SUBJECTS, ids=lambda p: f"{p.parent.name}/{p.stem}")
def test_a_translation_keeps_the_figures_of_its_text(path):
    for english, text in entries(path).items():
        assert text, english
        assert fields(text) == fields(english), english


@pytest.mark.parametrize("subject", sorted({path.name for path in SUBJECTS}))
def test_languages_of_a_subject_have_the_same_texts(subject):
    there = [entries(path).keys() for path in SUBJECTS if path.name == subject]
    assert all(one == there[0] for one in there)


ROOT = FOLDER.parent
CLIENT = [
    *(ROOT / "findings" / "saving").glob("*.py"),
    *(ROOT / "show" / "writeup").glob("client*.py"),
    ROOT / "show" / "writeup" / "wording.py",
    ROOT / "show" / "writeup" / "basis.py",
    *(ROOT / "show" / "document").glob("*.py"),
]


def literals(node):
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return [node.value]
    if isinstance(node, ast.IfExp):
        return literals(node.body) + literals(node.orelse)
    return []


def said_in(path: Path):
    """Texts that a module gives to `say`, `translated` or `Said`, where they stand in the call."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if not isinstance(node, ast.Call):
            continue
        name = getattr(node.func, "attr", getattr(node.func, "id", ""))
        if name in ("say", "translated") and node.args:
            yield from literals(node.args[0])
        if name == "Said":
            yield from (t for k in node.keywords if k.arg == "text" for t in literals(k.value))


def test_every_text_of_the_client_is_translated():
    known = entries(FOLDER / "de" / "writeup.po") | entries(FOLDER / "de" / "technical.po")
    texts = {text for path in CLIENT for text in said_in(path)}
    assert len(texts) > 120
    only_figures = {text for text in texts if not text.strip("{}").replace("_", "").strip()}
    bare = {"{measure}", "{line}", "{what}"}
    assert texts - known.keys() - only_figures - bare == set()
