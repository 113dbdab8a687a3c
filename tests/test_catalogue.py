"""Catalogues: every language has every text of a subject, with the same figures in braces."""

import ast
import re
import string
from datetime import date
from itertools import product
from pathlib import Path

import pytest
from babel.messages.pofile import read_po

from homeenergy.catalogue import FOLDER, all_translations, languages, translated
from homeenergy.show.writeup.rewording import Rewording
from homeenergy.show.writeup.wording import Wording

SUBJECTS = sorted(path for path in FOLDER.glob("*/*.po") if not path.parent.name.startswith("en"))


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


def spelled(node):
    """Texts that an expression makes, each figure in it as 12."""
    if isinstance(node, ast.IfExp):
        return spelled(node.body) + spelled(node.orelse)
    if isinstance(node, ast.JoinedStr):
        parts = (literals(one) or spelled(getattr(one, "value", None)) for one in node.values)
        return ["".join(some) for some in product(*(part or ["12"] for part in parts))]
    return literals(node)


# Put together from parts that mean nothing alone; each as a reader sees it.
PUT_TOGETHER = (
    "12 readings above 3,680 W, more than its breaker and supply can carry, the first 5,000 W at "
    "2026-01-12 10:49",
    "1 reading above 3,680 W, more than its breaker and supply can carry, the first 5,000 W at "
    "2026-01-12 10:49",
    "12 readings with an error code of a logger, the first 65,535 W at 2026-01-12 10:49",
    "all 8 circuits read 0 W for 3.5 h, though something draws nearly always",
    "1,055 readings in 25 short gaps are missing, mostly while it draws: by the readings next to "
    "them about 1.3 kWh, 11 % of its energy, are in no figure",
    "all 8 circuits read 0 W for 3.5 h, 3 times, 8.1 h in all, though one of them draws nearly "
    "always, and the mains draw meanwhile",
    "If the power was cut, nothing: these hours count in kWh a day. If the logger writes 0 where "
    "it has no reading, take these rows out of the logs.",
    "These hours count in kWh a day. If what logs them writes 0 where it has no reading, take "
    "these rows out of the logs.",
    "the whole house never draws more than 8.1 W, as if kW had been read as W",
    "none of them ever draws more than 8.1 W, as if kW had been read as W",
    "on 12 days they read about 1000 times what they read on others, as where a unit was changed "
    "(kW for W) (from 2026-01-12 on)",
    "See whether its clamp takes one leg of two, or both of one, and `homeenergy check`.",
    "Correct its unit or multiplier in house.toml.",
    "Its conductors may run through one clamp and cancel, or its unit is wrong: see "
    "`homeenergy check` before a multiplier is changed.",
    "3 instants are logged twice with different values",
    "up to 3 instants of each are logged twice with different values",
)
# What is no sentence yet: parts of those above, or a part with words is to be put in.
PARTS = {
    "the whole house never draws",
    "none of them ever draws",
    "See whether its clamp takes one leg of two, or both of one",
    "Correct",
    "12 readings 1212, the first 12 at 12",
    "12 reading 1212, the first 12 at 12",
    "all 12 circuits read 12 W for 12 h12, though 12",
    "12 12 where it has no reading, take these rows out of the logs.",
    "12 more than 12 W, as if kW had been read as W",
    "12 are logged twice with different values",
    "up to 12 of each are logged twice with different values",
}


@pytest.mark.parametrize("language", ["de", "fr", "nl"])
def test_what_is_said_of_readings_that_cannot_be_is_translated(language):
    texts = set(PUT_TOGETHER)
    for path in [*(ROOT / "trust").glob("plausible*.py"), ROOT / "trust" / "all_at_nothing.py"]:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Implausible":
                keys = (k for k in node.keywords if k.arg in ("what", "do"))
                texts |= {text for k in keys for text in spelled(k.value)}
    assert len(texts) > 50
    said = Rewording(words=Wording(language=language), names=frozenset())
    for text in texts - PARTS:
        said(text)
    assert said.unknown == []


def test_french_elides_and_counts_the_first_of_a_month():
    words = Wording(language="fr")
    text = "Power of {name} on {day}, and its energy day by day: {per_day} a day."
    said = words.say(text, name="Aspirateur", day=date(2026, 3, 1), per_day="2 kWh")
    assert said.startswith("Puissance d'Aspirateur le 1er mars 2026, ")
    assert words.say(text, name="Évier", day=date(2026, 3, 11), per_day="2 kWh").startswith(
        "Puissance d'Évier le 11 mars 2026, "
    )
    assert words.say(text, name="Four", day=date(2026, 3, 1), per_day="").startswith(
        "Puissance de Four"
    )


def test_no_line_of_french_begins_with_its_mark():
    texts = all_translations("fr").values()
    assert sum("\xa0:" in text for text in texts) > 50
    assert not [text for text in texts if re.search(r" [;:?!»]|« ", text)]


def test_english_of_two_countries_differs_where_they_do():
    at = "Switched off at the outlet for a night, the log still shows a draw, or the use that "
    text = f"{at}follows takes more."
    assert "outlet" in translated(text, "en-US")
    assert "socket" in translated(text, "en-GB")
    assert translated("Standing charge", "en-US") == "Fixed charge"
    assert translated("Standing charge", "en-GB") == "Standing charge"
    english = [FOLDER / "en-GB" / "writeup.po", FOLDER / "en-US" / "writeup.po"]
    of_german = entries(FOLDER / "de" / "writeup.po").keys()
    assert all(entries(path).keys() <= of_german for path in english)
    assert all(fields(a) == fields(b) for path in english for a, b in entries(path).items())
