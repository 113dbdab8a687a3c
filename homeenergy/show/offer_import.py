"""What panels of a notebook show for a house of which nothing has been imported."""

from __future__ import annotations

from collections.abc import Callable
from html import escape
from typing import TYPE_CHECKING

from homeenergy.readings.house import House
from homeenergy.readings.importing import import_logs
from homeenergy.show.background import in_background
from homeenergy.show.one_thread import runner

if TYPE_CHECKING:
    from ipywidgets import VBox


def offer_import(house: House, *, then: Callable[[], None]) -> VBox:
    """Say that nothing has been imported, with a button that does it and calls `then`."""
    from ipywidgets import HTML, Button, VBox

    run = runner()
    button = Button(description="Import the logs now", layout={"width": "max-content"})
    text = HTML(f"Nothing has been imported for {escape(house.name)} yet.")
    box = VBox([text, button])

    def failed(why: str) -> None:
        text.value = warning(why)
        box.children = [text, button]

    def begin() -> None:
        in_background(
            lambda step: import_logs(house.path, progress=step),
            within=box,
            done=lambda _: then(),
            failed=failed,
            what="Importing",
        )

    button.on_click(lambda _: run(begin))
    return box


def warning(text: str) -> str:
    """Write a sentence so that it is seen, and read out at once."""
    return f"<b role='alert'>{escape(text)}</b>"
