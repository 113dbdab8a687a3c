"""A finished English document in another language, sentence by sentence.

Verdicts, remarks and concerns are written in English where they are found. A catalogue holds each
such sentence once, its changing parts in braces; here a finished sentence is found in it again, its
parts are reworded in the same way, and numbers, dates and amounts get the form of the language.
What no catalogue holds stays English, and is kept in a list, so that nothing passes for translated.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cache
from typing import Any

from babel.dates import format_date
from babel.numbers import format_decimal
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.text import Text
from matplotlib.ticker import Formatter

from homeenergy.catalogue import all_translations, filled
from homeenergy.findings.appliance.record import ApplianceFinding
from homeenergy.house.kinds import KINDS
from homeenergy.house.schedule import appliance_names
from homeenergy.readings.house import House
from homeenergy.show.document.blocks import (
    Block,
    Bullets,
    Cell,
    Facts,
    Heading,
    Note,
    Picture,
    Prose,
    Table,
    Together,
)
from homeenergy.show.writeup.wording import SIGNS, Wording

FIELD = re.compile(r"\{(\w+)\}")
SENTENCE_END = re.compile(r"(?<=[.!?]) (?=\S)")
MOST_SENTENCES = 8  # that a text of the catalogue holds
JOINTS = ("; ", ": ", ", ", " / ", " and ", " or ")
LEAP_YEAR = 2000  # any, for a day without its year
MONTHS = "January February March April May June July August September October November December"
DATE = re.compile(rf"\b(\d{{1,2}}) ({'|'.join(MONTHS.split())}) (\d{{4}})\b")
SHORT_DATE = re.compile(rf"\b(?:(\d\d?) )?({'|'.join(m[:3] for m in MONTHS.split())})\b")
WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
WEEKDAY = re.compile(rf"\b({'|'.join(WEEKDAYS)})\b")
CODES = "|".join(sorted(("AUD", "CAD", "CHF", "DKK", "NOK", "NZD", "SEK", *SIGNS)))
SIGN = "|".join(re.escape(sign) for sign in SIGNS.values())
NUMBER = r"\d{1,3}(?:,\d{3})+(?:\.\d+)?|\d+(?:\.\d+)?"
MONEY = re.compile(rf"(-?)(?:({SIGN})|({CODES}) )({NUMBER})(?![\d.])")
PLAIN_NUMBER = re.compile(r"(?<![\w.:,/])(\d{1,3}(?:,\d{3})+(?:\.\d+)?|\d+\.\d+)(?![\d:/]|[.,]\d)")
INTERVAL = re.compile(r"(?<=\d) to (?=[-+−]?\d)")
PER_CENT = re.compile(r"(?<=\d) ?%")
# Letters that are no words of a language: units, currencies, legs, identifiers.
NO_WORDS = re.compile(
    rf"\b(?:kWh|Wh|kW|VA|kVA|W|Hz|V|A|K|h|min|s|d|kg|L[123]|N|p|x|R2|CV|RMSE|NMBE|FSU|JCGM|C|B|{CODES})\b"
)
FILE = re.compile(r"\b[\w/*.-]+\.[a-z]\w{1,7}\b")
BRACKET = re.compile(r" \(")
LETTERS = re.compile(r"[^\W\d_]{2,}|[^\W\d_]")


class UnknownTextError(ValueError):
    """A text that the catalogue of a language does not hold."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Template:
    """A text of the catalogue whose parts in braces change."""

    begin: str
    end: str
    pattern: re.Pattern[str]
    translation: str
    weight: int


@dataclass(frozen=True, kw_only=True, eq=False)
class Rewording:
    """Give finished English texts in the language of a reader.

    Attributes
    ----------
    words : Wording
        The language, and how it writes numbers.
    names : set of str
        Texts that stay as they are: names of circuits, appliances and people.
    unknown : list of str
        Texts that stayed English so far, as the catalogue lacks them.
    """

    words: Wording
    names: frozenset[str]
    unknown: list[str] = field(default_factory=list)
    _known: dict[str, str | None] = field(default_factory=dict)

    def __call__(self, text: str) -> str:
        """The text reworded; as it is, and noted, where that cannot be done."""
        try:
            return self._paragraphs(text)
        except UnknownTextError as error:
            self.unknown.append(str(error))
            return text

    def parts(self, parts: Mapping[str, tuple[Block, ...]]) -> dict[str, tuple[Block, ...]]:
        """Parts of a document; at the beginning, that some of it is English, where that is so."""
        found = {name: self.blocks(blocks) for name, blocks in parts.items()}
        if self.unknown:
            first = next(iter(found))
            note = self.words.say("Some sentences are in English: no catalogue translates them.")
            found[first] = (Prose(text=note), *found[first])
        return found

    def blocks(self, blocks: Iterable[Block]) -> tuple[Block, ...]:
        """Blocks with every text reworded; what is drawn in pictures, `axes_reworded` does."""
        return tuple(replace(block, **_changes(block, self)) for block in blocks)

    def _paragraphs(self, text: str) -> str:
        return "\n\n".join(self._sentences(one) for one in text.split("\n\n"))

    def _sentences(self, text: str) -> str:
        """The longest runs of sentences that the catalogue holds, from the first on."""
        if text in self.names or not text.strip():
            return text
        pieces = SENTENCE_END.split(text)
        said: list[str] = []
        at = 0
        while at < len(pieces):
            for stop in range(min(len(pieces), at + MOST_SENTENCES), at, -1):
                try:
                    said.append(self._value(" ".join(pieces[at:stop])))
                except UnknownTextError:
                    if stop == at + 1:
                        raise
                    continue
                at = stop
                break
        return " ".join(said)

    def _value(self, text: str) -> str:
        """One sentence, or a part of one."""
        if text in self.names:
            return text
        if text not in self._known:
            try:
                self._known[text] = self._found(text)
            except UnknownTextError:
                self._known[text] = None
        found = self._known[text]
        if found is None:
            raise UnknownTextError(text)
        return found

    def _found(self, text: str) -> str:
        fixed, templates = _templates(self.words.language)
        if text in fixed:
            return fixed[text]
        plain = self._figures(text)
        if plain is not None:
            return plain
        for one in templates:
            if not (text.startswith(one.begin) and text.endswith(one.end)):
                continue
            match = one.pattern.fullmatch(text)
            if match is None:
                continue
            try:
                parts = {name: self._value(part) for name, part in match.groupdict().items()}
            except UnknownTextError:
                continue
            return filled(one.translation, parts, self.words.language)
        return self._joined(text)

    def _figures(self, text: str) -> str | None:
        """Numbers, dates and amounts as the language writes them; None where words are left."""
        left = text
        for pattern in (DATE, SHORT_DATE, WEEKDAY, FILE, NO_WORDS):
            left = pattern.sub("", left)
        if LETTERS.search(INTERVAL.sub("", left)):
            return None
        text = INTERVAL.sub(f" {self._to()} ", text)
        text = DATE.sub(self._date, text)
        text = SHORT_DATE.sub(self._date, text)
        text = WEEKDAY.sub(self._weekday, text)
        text = MONEY.sub(self._money, text)
        text = PLAIN_NUMBER.sub(lambda match: self._number(match[1]), text)
        pattern = self.words.locale.percent_formats[None].pattern
        return PER_CENT.sub(pattern.lstrip("#,0"), text)

    def _to(self) -> str:
        return self.words.say("{low} to {high}", low="", high="").strip()

    def _number(self, text: str) -> str:
        places = len(text.partition(".")[2])
        zeros = "." + "0" * places if places else ""
        grouped = "#,##0" if "," in text else "0"
        value = float(text.replace(",", ""))
        return str(format_decimal(value, format=f"{grouped}{zeros}", locale=self.words.locale))

    def _money(self, match: re.Match[str]) -> str:
        minus, sign, code, number = match.groups()
        currency = code or next(name for name, known in SIGNS.items() if known == sign)
        value = float(number.replace(",", "")) * (-1 if minus else 1)
        places = len(number.partition(".")[2])
        return self.words.amount(value, currency=currency, places=places)

    def _date(self, match: re.Match[str]) -> str:
        """A date such as 3 March 2026, or 03 Mar or Mar alone as on an axis."""
        day, month, *years = match.groups()
        number = next(i for i, m in enumerate(MONTHS.split(), 1) if m.startswith(month))
        at = date(int(years[0]) if years else LEAP_YEAR, number, int(day or 1))
        if day is None:
            return str(format_date(at, format="MMM", locale=self.words.locale))
        return self.words.day(at) if years else self.words.short_day(at)

    def _weekday(self, match: re.Match[str]) -> str:
        monday = date(2001, 1, 1)
        day = monday.replace(day=1 + WEEKDAYS.index(match[1]))
        return str(format_date(day, format="EEE", locale=self.words.locale))

    def _joined(self, text: str) -> str:
        """Parts that signs or "and" hold together, each by itself."""
        if text.startswith("(") and text.endswith(")"):
            return f"({self._value(text[1:-1])})"
        for at in [one.start() for one in BRACKET.finditer(text)] if text.endswith(")") else []:
            try:
                return f"{self._value(text[:at])} ({self._value(text[at + 2 : -1])})"
            except UnknownTextError:
                continue
        for joint in JOINTS:
            head, found, tail = text.partition(joint)
            if not found or not head or not tail:
                continue
            try:
                first, second = self._value(head), self._value(tail)
            except UnknownTextError:
                continue
            fixed, _ = _templates(self.words.language)
            return f"{first}{fixed.get(joint, joint)}{second}"
        if text.endswith(".") and len(text) > 1:
            return f"{self._value(text[:-1])}."
        raise UnknownTextError(text)


def rewording(
    words: Wording,
    house: House,
    *,
    findings: Iterable[ApplianceFinding] = (),
    also: Iterable[str] = (),
) -> Rewording | None:
    """What rewords a document about a house; None where it stays English.

    Parameters
    ----------
    words : Wording
    house : House
        Its names stay as they are.
    findings : iterable of ApplianceFinding
        Whose settings are named.
    also : iterable of str
        Further texts that stay.
    """
    if words.language.startswith("en"):
        return None
    details = house.schedule.write_up
    names = {house.name, str(house.timezone), *KINDS, *also}
    names |= {details.client, details.site, details.author, details.contact, details.reference}
    names |= {", ".join(x for x in (details.author, details.contact) if x)}
    for one in house.schedule.circuits:
        names |= {one.name, one.appliance, one.part_of or ""}
    names |= {text for one in findings for text in (one.circuit, one.appliance)}
    names |= set(appliance_names(house.circuits).values())
    names |= {named.name for named in house.schedule.programmes}
    names |= {one.do for one in house.schedule.measures}
    return Rewording(words=words, names=frozenset(names - {""}))


@cache
def _templates(language: str) -> tuple[Mapping[str, str], tuple[_Template, ...]]:
    """Texts without changing parts, and those with them, the most telling first."""
    fixed: dict[str, str] = {}
    templates: list[_Template] = []
    for text, translation in all_translations(language).items():
        pieces = FIELD.split(text)
        if len(pieces) == 1:
            fixed[text] = translation
            continue
        weight = sum(len(piece) for piece in pieces[::2])
        if not (pieces[0] or pieces[-1] or LETTERS.search("".join(pieces[::2]))):
            continue
        seen: set[str] = set()
        pattern = ""
        for i, piece in enumerate(pieces):
            if not i % 2:
                pattern += re.escape(piece)
            elif piece in seen:
                pattern += f"(?P={piece})"
            else:
                seen.add(piece)
                pattern += f"(?P<{piece}>.+?)"
        templates.append(
            _Template(
                begin=pieces[0],
                end=pieces[-1],
                pattern=re.compile(pattern, re.DOTALL),
                translation=translation,
                weight=weight,
            )
        )
    return fixed, tuple(sorted(templates, key=lambda one: -one.weight))


def _changes(block: Block, said: Rewording) -> dict[str, Any]:
    """The texts of one block, reworded."""

    def cell(one: str | Cell) -> str | Cell:
        if isinstance(one, Cell):
            return replace(one, text=said(one.text), interval=said(one.interval))
        return said(one)

    match block:
        case Heading() | Prose():
            return {"text": said(block.text)}
        case Note():
            return {"text": said(block.text), "about": said(block.about)}
        case Facts():
            return {"rows": tuple((said(what), said(value)) for what, value in block.rows)}
        case Bullets():
            return {
                "items": tuple(
                    said(item) if isinstance(item, str) else said.blocks(item)
                    for item in block.items
                )
            }
        case Picture():
            return {"caption": said(block.caption), "alternative": said(block.alternative)}
        case Table():
            return {
                "head": tuple(map(said, block.head)),
                "units": tuple(map(said, block.units)),
                "rows": tuple(tuple(map(cell, row)) for row in block.rows),
                "caption": said(block.caption),
                "sheet": said(block.sheet),
            }
        case Together():
            return {"blocks": said.blocks(block.blocks)}
        case _:
            return {}


class _Said(Formatter):
    """Labels of an axis, reworded."""

    def __init__(self, inner: Formatter, reword: Callable[[str], str]) -> None:
        self.inner, self.reword = inner, reword

    def __call__(self, x: float, pos: int | None = None) -> str:
        return self.reword(self.inner(x, pos))

    def format_ticks(self, values: list[float]) -> list[str]:
        return [self.reword(text) for text in self.inner.format_ticks(values)]

    def get_offset(self) -> str:
        return self.reword(self.inner.get_offset())

    def set_locs(self, locs: list[float]) -> None:
        self.inner.set_locs(locs)

    def set_axis(self, axis: Any) -> None:
        super().set_axis(axis)
        self.inner.set_axis(axis)


def axes_reworded(figure: Figure, reword: Callable[[str], str]) -> None:
    """Reword what is written in a figure that was drawn in English."""
    for text in figure.findobj(Text):
        if isinstance(text, Text) and text.get_text().strip():
            text.set_text(reword(text.get_text()))
    for ax in figure.axes:
        for axis in (ax.xaxis, ax.yaxis) if isinstance(ax, Axes) else ():
            axis.set_major_formatter(_Said(axis.get_major_formatter(), reword))
