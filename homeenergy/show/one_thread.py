"""Do in one thread what a notebook's page sets off in several."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from typing import Any


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
