"""Do what many quick changes ask for once, when they have ended."""

from __future__ import annotations

import asyncio
from collections.abc import Callable


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
