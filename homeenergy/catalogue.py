"""Fixed texts in the language of a reader, from catalogues that anybody can extend.

A catalogue is a gettext file, `homeenergy/catalogues/LANGUAGE/SUBJECT.po`: the English text as
`msgid`, the translation as `msgstr`. All subjects of a language are read together, so that whoever
adds a subject adds a file of their own. A new language is a new folder.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from unicodedata import normalize

FOLDER = Path(__file__).parent / "catalogues"


def languages() -> tuple[str, ...]:
    """Languages that fixed texts are written in: "de", "en", "fr"."""
    return tuple(sorted({path.name.split("-")[0] for path in FOLDER.iterdir() if path.is_dir()}))


def translated(text: str, language: str) -> str:
    """Give a fixed English text in another language.

    Parameters
    ----------
    text : str
        As the code has it, its figures still in braces: "{kwh} a year". Fill it in afterwards, so
        that a translation may put them in another order.
    language : str
        Such as "de" or "de-AT"; what the second does not say, the first does.

    Returns
    -------
    str
        The English text where no catalogue translates it.

    Examples
    --------
    >>> from homeenergy.catalogue import translated
    >>> translated("a year", "de"), translated("a year", "en-GB")
    ('im Jahr', 'a year')
    """
    for name in (language, language.split("-")[0]):
        found = _catalogue(name).get(text)
        if found:
            return found
    return text


def filled(text: str, values: Mapping[str, str], language: str) -> str:
    """Fill the braces of a text that was translated.

    In French, "de" and "que" lose their e before a name that begins with a vowel.

    Examples
    --------
    >>> from homeenergy.catalogue import filled
    >>> filled("Puissance de {name}", {"name": "Aspirateur"}, "fr")
    "Puissance d'Aspirateur"
    """
    if language.startswith("fr"):
        text = _BEFORE_NAME.sub(lambda found: _elided(found, values), text)
    return text.format(**values)


_BEFORE_NAME = re.compile(r"\b([Dd]|[Qq]u)e (?=\{(\w+)\})")


def _elided(found: re.Match[str], values: Mapping[str, str]) -> str:
    first = normalize("NFD", values[found[2]][:1]).lower()[:1]  # without its accent
    return f"{found[1]}'" if first and first in "aeiouœæ" else found[0]


def all_translations(language: str) -> Mapping[str, str]:
    """All texts that the catalogues of a language hold, see `translated`."""
    return {**_catalogue(language.split("-")[0]), **_catalogue(language)}


def _kept_together(text: str, language: str) -> str:
    """A text whose marks begin no line: in French a blank stands before them."""
    if not language.startswith("fr"):
        return text
    return re.sub(r" ([;:?!»])", "\u00a0\\1", text).replace("« ", "«\u00a0")


@cache
def _catalogue(language: str) -> Mapping[str, str]:
    """All texts of a language; none where it has no folder."""
    folder = FOLDER / language
    paths = sorted(folder.glob("*.po")) if folder.is_dir() else []
    if not paths:
        return {}
    from babel.messages.pofile import read_po

    found: dict[str, str] = {}
    for path in paths:
        with path.open("rb") as file:
            entries = read_po(file, abort_invalid=True)
        for entry in entries:
            if entry.id and isinstance(entry.id, str) and not entry.fuzzy:
                found[entry.id] = _kept_together(str(entry.string), language)
    return found
