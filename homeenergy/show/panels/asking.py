"""A question answered in a notebook: what is asked, and the answer below its controls."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Hashable, Iterator
from contextlib import contextmanager
from typing import Any

from ipywidgets import HTML, VBox
from matplotlib.figure import Figure

from homeenergy.show.panels.answer import (
    Answer,
    code_html,
    notes_html,
    picture_html,
    sentence_html,
    table_html,
)
from homeenergy.show.panels.house_panel import warning
from homeenergy.show.panels.threads import Step, Stopped, in_background, runner, sentence

MOST_KEPT = 200  # answers, so that going back and forth takes no time
LINE = 110  # letters of the sentence above the picture shown where no kernel runs


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
        picture = picture_html(answer.draw(), answer.words)  # first, so that all changes at once
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
