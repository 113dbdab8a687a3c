"""Public names of the package and of its rooms, with what each takes."""

from __future__ import annotations

import dataclasses
import inspect
import re
from collections.abc import Collection
from importlib import import_module
from typing import Any, get_type_hints

from homeenergy.house.schema import keys_of

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
        plain = _without_keys(thing)
        fields = dataclasses.fields(thing)
        return ", ".join(f"{one.name}: {plain.get(one.name, one.type)}" for one in fields)
    if inspect.isclass(thing) or inspect.isfunction(thing):
        return str(_named_defaults(inspect.signature(thing)))
    return str(list(thing)) if isinstance(thing, Collection) else repr(thing)


def _without_keys(thing: Any) -> dict[str, str]:
    """Types of the attributes that declare a key of house.toml."""
    if inspect.getmodule(thing).__name__.partition(".house.")[0] != "homeenergy":
        return {}
    known = {one.attribute for one in keys_of(thing).values()}
    hints = get_type_hints(thing, globalns=vars(inspect.getmodule(thing)))
    found = {name: inspect.formatannotation(hints[name]) for name in known}
    return {
        name: re.sub(r"\b[a-z_]+(\.[a-z_]+)*\.(?=[A-Za-z])", "", text)
        for name, text in found.items()
    }


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
