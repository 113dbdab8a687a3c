"""An answer on a page: sentence, table, figure, what to know of it, and the code that made it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape
from io import BytesIO
from typing import Any

from matplotlib.figure import Figure

from homeenergy.show.figures.alternative import image_html

Row = tuple[str, ...]
DOTS_PER_INCH = 90
# Works where the page may not write to the clipboard by itself, and without asking the person.
COPY = (
    "const box = this.closest('.code-to-copy'), area = box.querySelector('textarea');"
    "area.focus(); area.select();"
    "const done = document.execCommand('copy');"
    "box.querySelector('[role=status]').textContent = "
    "done ? 'Copied.' : 'Not copied: press Ctrl+C.';"
)
LEFT = "text-align: left; vertical-align: top; padding: 1px 12px 1px 2px"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Answer:
    """What a panel shows for one question.

    Attributes
    ----------
    sentence : str
    heads, rows : tuple
        The table, as text; the first cell of a row names it.
    notes, cautions : tuple of str
        How it was obtained and what a reader must know; what to beware of before acting on it.
    code : str
        Python that gives the same, with `found` as `result`.
    result : object
        What the library gave.
    draw : callable
        Makes the figure.
    """

    sentence: str
    heads: Row
    rows: tuple[Row, ...]
    notes: tuple[str, ...]
    code: str
    result: Any
    draw: Callable[[], Figure]
    cautions: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """What the figure shows, for those who do not see it."""
        told = []
        for name, *cells in self.rows:
            pairs = zip(self.heads[1:], cells, strict=True)
            told.append(f"{name}: {', '.join(f'{head} {cell}' for head, cell in pairs if cell)}")
        return " ".join(["Figure.", self.sentence, *(f"{one}." for one in told)])


def sentence_html(answer: Answer) -> str:
    """Write the sentence so that it is read out when it changes."""
    return f"<p role='status' style='font-size: 1.1em'>{escape(answer.sentence)}</p>"


def table_html(answer: Answer) -> str:
    """Write the table."""
    heads = "".join(
        f"<th scope='col' style='{LEFT}'>{escape(h)}</th>" if h else "<td></td>"
        for h in answer.heads
    )
    rows = "".join(
        f"<tr><th scope='row' style='{LEFT}; max-width: 22em; white-space: normal'>"
        f"{escape(name)}</th>"
        + "".join(f"<td style='{LEFT}'>{escape(cell)}</td>" for cell in cells)
        + "</tr>"
        for name, *cells in answer.rows
    )
    return f"<table><thead><tr>{heads}</tr></thead><tbody>{rows}</tbody></table>"


def notes_html(answer: Answer) -> str:
    """Write cautions as a list, then the notes."""
    parts = [f"<p>{escape(note)}</p>" for note in answer.notes]
    if answer.cautions:
        items = "".join(f"<li>{escape(one)}</li>" for one in answer.cautions)
        parts.insert(0, f"<p><b>Before switching anything off</b></p><ul>{items}</ul>")
    return "".join(parts)


def code_html(answer: Answer) -> str:
    """Write the code where it can be selected, with a button that copies it."""
    lines = answer.code.count("\n") + 1
    return (
        "<div class='code-to-copy'><label>Copy as code<br>"
        f"<textarea readonly rows='{lines}' spellcheck='false' wrap='off' style='width: 100%; "
        "box-sizing: border-box; font-family: monospace; white-space: pre; overflow-x: auto'>"
        f"{escape(answer.code)}</textarea></label><br>"
        '<button type="button" class="jupyter-button" style="width: auto; padding: 0 10px" '
        f'onclick="{escape(COPY)}">Copy</button> <span role="status"></span></div>'
    )


def picture_html(figure: Figure, words: str) -> str:
    """Write a figure as an image of a page, cut to what is drawn."""
    data = BytesIO()
    figure.savefig(data, format="png", dpi=DOTS_PER_INCH, bbox_inches="tight")
    return image_html(words, png=data.getvalue())


def figure_of(draw: Callable[[Any], Any], *, size_in: tuple[float, float]) -> Figure:
    """Give a figure with one axes, drawn by a function that takes it; no window knows of it."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=size_in, layout="constrained")
    draw(figure.add_subplot())
    return figure


def joined(parts: Sequence[str]) -> str:
    """Write a list of names: "a, b and c"."""
    return " and ".join([", ".join(parts[:-1]), parts[-1]] if len(parts) > 1 else parts)
