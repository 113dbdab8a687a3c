"""Questions that a panel asks of a house, and their answers."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Hashable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from html import escape
from typing import Any

from ipywidgets import HTML, VBox
from matplotlib.figure import Figure

from homeenergy.show.panels.house_panel import warning
from homeenergy.show.panels.widgets import Step, Stopped, in_background, runner, sentence

Row = tuple[str, ...]
# Works where the page may not write to the clipboard by itself, and without asking the person.
COPY = (
    "const box = this.closest('.code-to-copy'), area = box.querySelector('textarea');"
    "area.focus(); area.select();"
    "const done = document.execCommand('copy');"
    "box.querySelector('[role=status]').textContent = "
    "done ? 'Copied.' : 'Not copied: press Ctrl+C.';"
)
LEFT = "text-align: left; vertical-align: top; padding: 1px 12px 1px 2px"
MOST_KEPT = 200  # answers, so that going back and forth takes no time
LINE = 110  # letters of the sentence above the picture shown where no kernel runs


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
        Makes the figure for where no kernel runs.
    marks : callable
        Takes the words and makes the figure that the browser draws.
    """

    sentence: str
    heads: Row
    rows: tuple[Row, ...]
    notes: tuple[str, ...]
    code: str
    result: Any
    draw: Callable[[], Figure]
    marks: Callable[[str], str]
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


def figure_of(draw: Callable[[Any], Any], *, size_in: tuple[float, float]) -> Figure:
    """Give a figure with one axes, drawn by a function that takes it; no window knows of it."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=size_in, layout="constrained")
    draw(figure.add_subplot())
    return figure


def joined(parts: Sequence[str]) -> str:
    """Write a list of names: "a, b and c"."""
    return " and ".join([", ".join(parts[:-1]), parts[-1]] if len(parts) > 1 else parts)


class Asking:
    """Answers states of a panel, and shows the answers.

    Attributes
    ----------
    state : hashable
        What was asked last.
    answer : Answer or None
        Its answer; None while it is worked out, and where there is none.
    children : list
        What shows it, to be put below the controls.
    """

    def __init__(
        self,
        update: Callable[[Any], Answer],
        *,
        slow: Callable[[Any], bool] = lambda _: False,
        what: str = "Answering",
    ) -> None:
        self.update, self.slow, self.what = update, slow, what
        self.state: Hashable = None
        self.answer: Answer | None = None
        self.kept: dict[Hashable, Answer] = {}
        self.busy = VBox()
        self.message, self.sentence, self.picture = HTML(), HTML(), HTML()
        self.table, self.notes, self.code = HTML(), HTML(), HTML(layout={"max_width": "860px"})
        self.children = [
            self.busy,
            self.message,
            self.sentence,
            self.picture,
            self.table,
            self.notes,
            self.code,
        ]
        self._quiet = False
        self._run = runner()

    def ask(self, state: Hashable) -> None:
        """Answer this; what takes long is worked out in a thread."""
        self.state = state
        self.busy.children = []
        if state not in self.kept and self.slow(state):
            in_background(
                lambda step: self._work(state, step),
                within=self.busy,
                done=lambda answer: self._done(state, answer),
                failed=lambda why: self._failed(state, why),
                what=self.what,
            )
            return
        try:
            answer = self.kept[state] if state in self.kept else self.update(state)
        except (ValueError, OSError) as error:
            self.say(sentence(error))
        else:
            self._done(state, answer)

    def _work(self, state: Hashable, step: Step) -> Answer:
        try:
            step(0, 1, "reading")
            answer = self.update(state)
            step(1, 1, "drawing")
        except Stopped:
            raise ValueError("Stopped. Choose again to go on.") from None
        return answer

    def _done(self, state: Hashable, answer: Answer) -> None:
        if len(self.kept) >= MOST_KEPT:
            self.kept.clear()
        self.kept[state] = answer
        if state == self.state:
            self.show(answer)

    def _failed(self, state: Hashable, why: str) -> None:
        if state == self.state:
            self.say(why)

    def show(self, answer: Answer) -> None:
        """Show an answer."""
        picture = answer.marks(answer.words)  # first, so that all changes at once
        self.answer = answer
        self.busy.children = []
        self.message.value = ""
        self.sentence.value = sentence_html(answer)
        self.picture.value = picture
        self.table.value = table_html(answer)
        self.notes.value = notes_html(answer)
        self.code.value = code_html(answer)

    def say(self, why: str) -> None:
        """Say why there is no answer, and show none."""
        self.answer = None
        self.busy.children = []
        for box in (self.sentence, self.picture, self.table, self.notes, self.code):
            box.value = ""
        self.message.value = warning(why)

    def still(self) -> Figure:
        """Give the figure with the sentence above it, for where no kernel runs."""
        if self.answer is None:
            return Figure(figsize=(1, 1))
        figure = self.answer.draw()
        text = textwrap.fill(self.answer.sentence, LINE)
        width, height = figure.get_size_inches()
        figure.set_size_inches(width, height + 0.2 * (text.count("\n") + 2))
        figure.suptitle(text, x=0.01, ha="left", fontsize=10)
        return figure

    def words(self) -> str:
        """Say what the figure shows."""
        return "" if self.answer is None else self.answer.words

    @contextmanager
    def silently(self) -> Iterator[None]:
        """Change controls without their asking anything."""
        before, self._quiet = self._quiet, True
        try:
            yield
        finally:
            self._quiet = before

    def changes(self, control: Any, act: Callable[[], None]) -> None:
        """Do something when a person has changed a control; what goes wrong is one sentence."""

        def changed(_: Any) -> None:
            if self._quiet:
                return
            try:
                act()
            except (ValueError, OSError) as error:
                self.say(sentence(error))

        control.observe(lambda change: self._run(changed, change), names="value")
