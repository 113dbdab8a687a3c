"""Write a log's layout as a [[log]] block of house.toml."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Sequence

from homeenergy.house import LogColumn, LogLayout


def toml_value(value: object) -> str:
    """Write a text, number, flag or list as TOML."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(toml_value(item) for item in value) + "]"
    if isinstance(value, float):
        return f"{value:g}" if value == round(value, 6) else repr(value)
    if isinstance(value, int):
        return str(value)
    return json.dumps(str(value), ensure_ascii=False)


def toml_key(key: str) -> str:
    """Write a key, quoted where it must be."""
    plain = key.replace("_", "").replace("-", "").isalnum() and key.isascii()
    return key if plain else json.dumps(key, ensure_ascii=False)


def layout_toml(layout: LogLayout, *, remarks: Sequence[str] = ()) -> str:
    """Write a layout as a [[log]] block.

    Parameters
    ----------
    layout : LogLayout
    remarks : sequence of str
        Become comments above the block.

    Returns
    -------
    str
        TOML that `read_schedule` reads back as the same layout.
    """
    quantity, unit = _commonest(layout)
    lines = [f"# {remark}" for remark in remarks] + ["[[log]]"]
    for name, default, comment in _SETTINGS:
        value = getattr(layout, name)
        if value is None or (value == default and name not in _ALWAYS):
            continue
        if layout.format == "parquet" and name in _CSV_ONLY:
            continue
        lines.append(_line(name, value, comment))
    lines.append(_line("quantity", quantity, "power, energy (of a row's period), energy_counter"))
    lines.append(_line("unit", unit, "W or kW; Wh or kWh"))
    lines += ["", "[log.columns]              # circuit = how the log calls it"]
    for circuit, column in layout.columns.items():
        lines.append(f"{toml_key(circuit)} = {_column(column, quantity, unit)}")
    return "\n".join(lines) + "\n"


_ALWAYS = (
    "files",
    "format",
    "layout",
    "time_columns",
    "time_format",
    "time_zone",
    "time_marks",
    "delimiter",
)
_CSV_ONLY = (
    "delimiter",
    "decimal",
    "thousands",
    "encoding",
    "header",
    "lines_above_header",
    "lines_below_header",
    "missing",
)
_SETTINGS = (
    ("files", None, "which files, from this folder"),
    ("format", "csv", "csv (also .gz) or parquet"),
    ("layout", "wide", "wide: a column a circuit; long: a row a circuit"),
    ("delimiter", ",", ""),
    ("decimal", ".", ""),
    ("thousands", "", "between the thousands of numbers"),
    ("encoding", "utf-8", ""),
    ("header", True, "without one, columns are numbered from 1"),
    ("lines_above_header", 0, ""),
    ("lines_below_header", 0, "such as a line of units"),
    ("missing", (), "texts that stand for a missing value"),
    ("time_columns", None, "two are joined: date, time of day"),
    ("time_format", "iso", 'iso, epoch_s, epoch_ms or a pattern: "%d.%m.%Y %H:%M"'),
    ("time_zone", "UTC", "of times that carry no offset from UTC"),
    ("time_marks", "start", "the start or the end of a row's period"),
    ("period_s", None, ""),
    ("hold_s", None, "longest step across which a value is held"),
    ("circuit_column", None, ""),
    ("value_column", None, ""),
)


def _line(name: str, value: object, comment: str) -> str:
    text = f"{name} = {toml_value(value)}"
    return f"{text:<30} # {comment}" if comment else text


def _commonest(layout: LogLayout) -> tuple[str, str]:
    pairs = Counter(
        (column.quantity, column.unit)
        for column in layout.columns.values()
        if column.quantity != "volts_and_amps"
    )
    return pairs.most_common(1)[0][0] if pairs else ("power", "W")


def _column(column: LogColumn, quantity: str, unit: str) -> str:
    if column.quantity == "volts_and_amps":
        volts, amps = (toml_value(name) for name in column.names)
        factor = toml_value(column.power_factor)
        return f"{{ volts = {volts}, amps = {amps}, power_factor = {factor} }}"
    name = toml_value(column.names[0])
    extra = []
    if (column.quantity, column.unit) != (quantity, unit):
        extra += [f'quantity = "{column.quantity}"', f'unit = "{column.unit}"']
    if column.rolls_over_at is not None:
        extra.append(f"rolls_over_at = {toml_value(float(column.rolls_over_at))}")
    return f"{{ column = {name}, {', '.join(extra)} }}" if extra else name
