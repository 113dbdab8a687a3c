"""Figures and sentences in the language and number format of a reader."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date
from functools import cached_property

from babel import Locale
from babel.dates import format_date, format_skeleton
from babel.numbers import format_currency, format_decimal, format_percent

from homeenergy.catalogue import filled, translated
from homeenergy.findings.saving.advice import Said
from homeenergy.house.zones import country_of
from homeenergy.stats.estimate import Estimate, decimals

NONE_FOR_SMALL = frozenset({"JPY", "KRW", "ISK", "CLP", "VND"})  # ISO 4217: no hundredth
# Signs that stand before the amount in English text; other currencies are named by their code.
SIGNS = {"USD": "$", "EUR": "€", "GBP": "£", "JPY": "¥", "CNY": "CN¥", "INR": "₹"}
MINUS = "\u2212"
LONG_MIN = 180  # from which on a time is given in hours
# Ends of names of figures, the unit that is written, and decimals below ten, from ten on.
UNITS = {
    "kwh": ("kWh", 2, 0),
    "w": ("W", 1, 0),
    "h": ("h", 1, 1),
    "min": ("min", 0, 0),
    "years": ("", 1, 1),
    "kg": ("kg", 1, 0),
    "kw": ("kW", 2, 1),
}


@dataclass(frozen=True, kw_only=True, eq=False)
class Wording:
    """How a document writes: its language, and the currency of the house.

    Attributes
    ----------
    language : str
        Such as "en-US", "de".
    currency : str or None
        As in ISO 4217.
    """

    language: str
    currency: str | None = None

    @cached_property
    def locale(self) -> Locale:
        """What babel knows of the language."""
        return Locale.parse(self.language, sep="-")

    def say(self, text: str, **values: object) -> str:
        """A fixed English text in the language, its braces filled: see `Said`."""
        return self.said(Said(text=text, figures=values))

    def said(self, sentence: Said) -> str:
        """A sentence with its figures."""
        written = {name: self.value(name, value) for name, value in sentence.figures.items()}
        return filled(translated(sentence.text, self.language), written, self.language)

    def value(self, name: str, value: object) -> str:
        """One value; the end of its name says what it is."""
        if isinstance(value, Estimate):
            return self.estimate(value)
        if isinstance(value, date):
            return self.day(value)
        if isinstance(value, Said):
            return self.said(value)
        if isinstance(value, bool) or not isinstance(value, int | float):
            return str(value)
        end = name.rpartition("_")[2]
        if not math.isfinite(value):
            return translated("not known", self.language)
        if end == "share":
            return self.percent(float(value))
        if end == "money":
            return self.amount(float(value))
        if end == "min" and value >= LONG_MIN:
            end, value = "h", value / 60
        if end in UNITS:
            unit, small, large = UNITS[end]
            if end == "years" and value == round(value):
                small = large = 0
            number = self.number(float(value), small if abs(value) < 10 else large)
            return f"{number}\u00a0{unit}".strip("\u00a0")
        return self.number(float(value), 0 if value == round(value) else 1)

    def number(self, value: float, places: int) -> str:
        """A number with so many decimals, and its thousands marked."""
        zeros = "." + "0" * places if places else ""
        rounded = round(value, places) + 0.0
        text = str(format_decimal(rounded, format=f"#,##0{zeros}", locale=self.locale))
        return text.replace("-", MINUS)

    def percent(self, share: float) -> str:
        """A fraction as a percentage, whole from one per cent on."""
        places = 0 if abs(share) >= 0.0095 else 1
        zeros = "." + "0" * places if places else ""
        pattern = self.locale.percent_formats[None].pattern.replace("##0", f"##0{zeros}")
        return str(format_percent(share, format=pattern, locale=self.locale))

    def amount(
        self, value: float, *, currency: str | None = None, places: int | None = None
    ) -> str:
        """An amount of money: whole from ten on, or with as many `places` as are asked for."""
        code = currency or self.currency
        assert code is not None
        if not math.isfinite(value):
            return translated("not known", self.language)
        if places is None:
            places = 0 if abs(value) >= 9.995 or code in NONE_FOR_SMALL else 2
        pattern = self.locale.currency_formats["standard"].pattern
        pattern = pattern.replace("0.00", "0" + ("." + "0" * places if places else ""))
        rounded = round(value, places) + 0.0
        text = format_currency(
            rounded, code, format=pattern, locale=self.locale, currency_digits=False
        )
        return str(text).replace("-", MINUS)

    def estimate(self, found: Estimate | None) -> str:
        """An estimate with its interval: "$168 (112 to 223)"."""
        if found is None or (found.resolved and not math.isfinite(found.value)):
            return translated("not known", self.language)
        if not found.resolved:
            return self.say("at most {bound}", bound=self.alone(found, found.high))
        value = self.alone(found, found.value)
        ends = self.interval(found)
        return f"{value} ({ends})" if ends else value

    def alone(self, found: Estimate, value: float | None = None) -> str:
        """The value of an estimate, or another as precise, with its unit."""
        number = found.value if value is None else value
        places = self._places(found)
        if self._is_money(found):
            return self.amount(number, currency=found.unit, places=places)
        return f"{self.number(number, places)}\u00a0{found.unit}".strip("\u00a0")

    def interval(self, found: Estimate) -> str:
        """Both ends of an interval, without units; empty where there is none to tell."""
        if not found.resolved or not (math.isfinite(found.low) and math.isfinite(found.high)):
            return ""
        places = self._places(found)
        low, high = self.number(found.low, places), self.number(found.high, places)
        return "" if low == high else self.say("{low} to {high}", low=low, high=high)

    def day(self, day: date) -> str:
        """A date so that nobody can mix up day and month."""
        return self._first(str(format_date(day, format="long", locale=self.locale)))

    def short_day(self, day: date) -> str:
        """Day and month for an axis."""
        return self._first(str(format_skeleton("MMMd", day, locale=self.locale)))

    def short_month(self, day: date) -> str:
        """Month and year, for a table."""
        return str(format_skeleton("yMMM", day, locale=self.locale))

    def _first(self, day: str) -> str:
        """In French the first of a month is "1er"; babel writes 1."""
        first = self.locale.language == "fr" and day.startswith("1 ")
        return f"1er{day[1:]}" if first else day

    def _is_money(self, found: Estimate) -> bool:
        return len(found.unit) == 3 and found.unit.isupper()

    def _places(self, found: Estimate) -> int:
        """Decimals: whole numbers from ten on, else two digits of half the interval."""
        ends = [abs(x) for x in (found.value, found.low, found.high) if math.isfinite(x)]
        large = max(ends, default=0.0)
        if self._is_money(found):
            return 0 if large >= 9.995 or found.unit in NONE_FOR_SMALL else 2
        if large >= 30:
            return 0
        if not (math.isfinite(found.low) and math.isfinite(found.high)):
            return 0 if large >= 10 else 2
        return min(decimals(found.low, found.high, value=found.value, unit=found.unit), 2)


def usual_language(timezone: str) -> str:
    """English as it is written where a house stands: British outside of the United States."""
    return "en-US" if country_of(timezone) == "US" else "en-GB"
