"""Public names of the package and of its rooms, with what each takes."""

from __future__ import annotations

import dataclasses
import inspect
from collections.abc import Collection
from importlib import import_module
from typing import Any

ROOMS = ("house", "readings", "waveform", "simulate", "trust", "cycles", "findings", "show")
NOTE = "A room may lose a name: delete its line. Those of homeenergy itself stay."


def public_names() -> dict[str, Any]:
    """By room, name to its signature; of a dataclass, its fields."""
    rooms = {"homeenergy": import_module("homeenergy")}
    rooms |= {f"homeenergy.{room}": import_module(f"homeenergy.{room}") for room in ROOMS}
    named = {
        room: {name: described(getattr(module, name)) for name in module.__all__}
        for room, module in rooms.items()
    }
    return {"note": NOTE, **named}


def described(thing: Any) -> str:
    if dataclasses.is_dataclass(thing):
        return ", ".join(f"{field.name}: {field.type}" for field in dataclasses.fields(thing))
    if inspect.isclass(thing) or inspect.isfunction(thing):
        return str(_named_defaults(inspect.signature(thing)))
    return str(list(thing)) if isinstance(thing, Collection) else repr(thing)


def _named_defaults(signature: inspect.Signature) -> inspect.Signature:
    """The same with a default that is a dataclass given as the name of its class."""
    return signature.replace(
        parameters=[
            one.replace(default=type(one.default).__name__) if _is_result(one.default) else one
            for one in signature.parameters.values()
        ]
    )


def _is_result(thing: Any) -> bool:
    return dataclasses.is_dataclass(thing) and not inspect.isclass(thing)
