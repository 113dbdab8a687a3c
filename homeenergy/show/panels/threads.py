"""Long work in a thread: a bar, a button that stops it, and one sentence."""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Callable
from html import escape
from typing import Any, TypeVar

from ipywidgets import VBox


def runner() -> Callable[..., None]:
    """Give a function ``run(function, *arguments)`` that calls others in the thread of now.

    A kernel may handle the messages of each widget in a thread of its own, while matplotlib can
    draw in one at a time only. From another thread the call is handed to the loop that runs in the
    thread in which `runner` was called; where none ran, as in a script, it is made at once.
    """
    home = threading.get_ident()
    try:
        loop = asyncio.get_running_loop()
    except RuntimeError:
        loop = None

    def run(function: Callable[..., Any], *arguments: Any) -> None:
        if loop is None or threading.get_ident() == home:
            function(*arguments)
        else:
            loop.call_soon_threadsafe(function, *arguments)

    return run


def debounced(act: Callable[[], None], *, wait_s: float) -> Callable[[], None]:
    """Give a function that calls `act` once, `wait_s` after it was last called itself.

    Where no loop runs, as in a plain script, `act` is called at once.
    """
    waiting: asyncio.TimerHandle | None = None

    def ask() -> None:
        nonlocal waiting
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:
            act()
            return
        if waiting is not None:
            waiting.cancel()
        waiting = loop.call_later(wait_s, act)

    return ask


Found = TypeVar("Found")
Step = Callable[[float, float, str], None]
LEAST_WAIT_S = 0.1  # between two changes of the bar


class Stopped(KeyboardInterrupt):
    """The person stopped the work. No `except Exception` takes it for a fault."""


def in_background(
    work: Callable[[Step], Found],
    *,
    within: VBox,
    done: Callable[[Found], None],
    failed: Callable[[str], None],
    what: str,
) -> None:
    """Do long work in a thread, with a bar that shows how far it is and a button that stops it.

    Parameters
    ----------
    work : callable
        Takes a function ``step(done, total, text)`` and calls it often. It raises `Stopped` once
        the person has pressed the button, so the work must leave things whole when it ends there.
    within : ipywidgets.VBox
        What it holds is replaced by the bar. `done` and `failed` put in what comes then.
    done, failed : callable
        Called, in the notebook's own thread where there is a loop, with the result, or with one
        sentence about what went wrong or that it was stopped.
    what : str
        What is being done.

    Notes
    -----
    The thread never keeps the kernel alive.
    """
    from ipywidgets import HTML, Button, FloatProgress, HBox

    bar = FloatProgress(min=0, max=1, value=0, layout={"width": "240px"})
    text = HTML(escape(what))
    button = Button(description="Stop", tooltip=f"Stop: {what}", icon="stop")
    stop = threading.Event()
    button.on_click(lambda _: stop.set())
    call = runner()
    shown_s = 0.0

    def step(finished: float, total: float, said: str) -> None:
        nonlocal shown_s
        if stop.is_set():
            raise Stopped
        if time.monotonic() - shown_s >= LEAST_WAIT_S:
            shown_s = time.monotonic()
            bar.value = finished / total if total else 0.0
            text.value = f"{escape(what)}: {escape(said)}"

    def run() -> None:
        try:
            result = work(step)
        except KeyboardInterrupt:
            call(failed, f"{what}: stopped. What was done so far is kept.")
        except Exception as error:
            call(failed, sentence(error))
        else:
            call(done, result)

    within.children = [HBox([bar, button, text])]
    threading.Thread(target=run, daemon=True, name=what).start()


def sentence(error: BaseException) -> str:
    """Say in one readable sentence what went wrong."""
    lines = [line.strip() for line in str(error).splitlines() if line.strip()]
    ended = [line if line[-1] in ".:;,!?" else f"{line}." for line in lines[:-1]]
    text = " ".join(" ".join([*ended, *lines[-1:]]).split())
    return text or f"this did not work ({type(error).__name__})"
