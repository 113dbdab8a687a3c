"""What a lesson says, in one language: fixed text with numbers as people there write them."""

from __future__ import annotations

from homeenergy.catalogue import translated
from homeenergy.show.lesson.parts import Say

DECIMAL_MARK = {"en": ".", "de": ","}
LANGUAGES = tuple(DECIMAL_MARK)


class _Number(float):
    """A number that is formatted with the decimal mark of a language."""

    mark = "."

    def __format__(self, spec: str) -> str:
        """Write it as the language does, with a true minus sign."""
        return super().__format__(spec).replace(".", self.mark).replace("-", "\N{MINUS SIGN}")


def speaker(language: str = "en") -> Say:
    """Give the function that says a fixed text in a language, numbers put into it.

    Parameters
    ----------
    language : str
        One of `LANGUAGES`.

    Raises
    ------
    ValueError
        For another language.
    """
    if language not in LANGUAGES:
        raise ValueError(f"language must be one of {', '.join(LANGUAGES)}, got {language!r}")
    number = type("Number", (_Number,), {"mark": DECIMAL_MARK[language]})

    def say(text: str, **values: object) -> str:
        shown = {k: number(v) if isinstance(v, int | float) else v for k, v in values.items()}
        return translated(text, language).format(**shown)

    return say
