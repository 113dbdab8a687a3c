"""Names of months and days of the week in the languages of logs, in plain English."""

from __future__ import annotations

import re

# English first: short and long, as %b and %B.
MONTHS = tuple(
    names.split()
    for names in (
        "jan january januar jänner januari janvier janv enero ene gennaio gen",
        "feb february februar februari février fevrier févr fév febrero febbraio",
        "mar march märz maerz mär mrz maart mrt mars marzo",
        "apr april avril avr abril abr aprile",
        "may may mai mei mayo maggio mag",
        "jun june juni juin junio giugno giu",
        "jul july juli juillet juil julio luglio lug",
        "aug august augustus août aout agosto ago",
        "sep september sept septembre septiembre settembre set",
        "oct october oktober okt octobre octubre ottobre ott",
        "nov november novembre noviembre",
        "dec december dezember dez décembre decembre déc diciembre dic dicembre",
    )
)
_WEEKDAYS = (
    "mon tue wed thu fri sat sun monday tuesday wednesday thursday friday saturday sunday "
    "mo di mi do fr sa so montag dienstag mittwoch donnerstag freitag samstag sonnabend sonntag "
    "ma wo vr za zo maandag dinsdag woensdag donderdag vrijdag zaterdag zondag "
    "lu me je ve lun mar mer jeu ven sam dim lundi mardi mercredi jeudi vendredi samedi dimanche "
    "mié jue vie sáb dom lunes martes miércoles jueves viernes sábado domingo "
    "gio sab lunedì martedì mercoledì giovedì venerdì sabato domenica"
)
_NUMBER = {name: at for at, names in enumerate(MONTHS) for name in names}
_ANY_MONTH = (
    r"(?<![^\W_])(?:" + "|".join(sorted(_NUMBER, key=len, reverse=True)) + r")(?![^\W_])\.?"
)
_MONTH = re.compile(_ANY_MONTH, re.IGNORECASE)
_OTHER = {name for names in MONTHS for name in names[2:]} - {short for short, *_ in MONTHS}
FOREIGN = f"(?i){'|'.join(sorted(_OTHER))}"  # what a text holds that names another's month
_WEEKDAY = re.compile(
    rf"^(?:{'|'.join(sorted(_WEEKDAYS.split(), key=len, reverse=True))})[.,]*\s+(?=\d)",
    re.IGNORECASE,
)
_NUMERIC_DATE = re.compile(r"\d{1,4}([-./])\d{1,2}\1\d{1,4}")
_OF = re.compile(r"(?<=\s)(?:de|del|di)\s+", re.IGNORECASE)
_HOURS = re.compile(r"(?<=[\sT])(\d{1,2})\s?h\s?(\d{2})(?:\s?(?:m|min)\s?(\d{2})\s?s?)?$")


def names_foreign_month(text: str) -> bool:
    """Whether a month is named in a text that is not one in English."""
    return any(found[0].rstrip(".").casefold() in _OTHER for found in _MONTH.finditer(text))


def short_months(text: str) -> str:
    """A text with the months that it names in English, by three letters: 5. Mar 2026."""
    if not _MONTH.search(text):
        return text
    return _MONTH.sub(_short, _OF.sub("", text))


def _short(found: re.Match[str]) -> str:
    return MONTHS[_NUMBER[found[0].rstrip(".").casefold()]][0].capitalize()


def plain_words(text: str) -> str:
    """A stamp with its hours and minutes between colons, and without a day of the week.

    "Mo 14.09.2026 06h30" is "14.09.2026 06:30". The day of the week stays before an English month,
    where %a reads it.
    """
    text = _HOURS.sub(lambda found: ":".join(part for part in found.groups() if part), text)
    rest = _WEEKDAY.sub("", text)
    return rest if _NUMERIC_DATE.match(rest) or names_foreign_month(rest) else text
