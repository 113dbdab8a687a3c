"""Modbus TCP and RTU (Modbus application protocol 1.1b3): registers are read, never written."""

from __future__ import annotations

import logging
import struct
import time
from collections.abc import Sequence

from pymodbus.client import ModbusSerialClient, ModbusTcpClient
from pymodbus.exceptions import ModbusException

from homeenergy.house.sources import Place, path_of
from homeenergy.record.link import Link, host_and_port, now_ms

# As `struct` calls them, and their registers of 16 bits.
NUMBERS = {
    "int16": ("h", 1),
    "uint16": ("H", 1),
    "int32": ("i", 2),
    "uint32": ("I", 2),
    "int64": ("q", 4),
    "uint64": ("Q", 4),
    "float32": ("f", 2),
    "float64": ("d", 4),
}
_ANSWER_S = 3.0
Client = ModbusTcpClient | ModbusSerialClient


def decode(words: Sequence[int], place: Place) -> float:
    """Number that registers hold, the high one first unless the place says otherwise."""
    order = words[::-1] if place.low_word_first else words
    form, count = NUMBERS[place.number]
    (value,) = struct.unpack(f">{form}", struct.pack(f">{count}H", *order))
    return float(value)


def poll_registers(link: Link) -> bool:
    """Read the registers of a source again and again; False where the meter does not answer."""
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL)
    source = link.source
    client = _client(link)
    if not client.connect():
        raise ConnectionError("nothing answers at its address")
    try:
        due = time.monotonic()
        while not link.stop.is_set():
            values: dict[str, float] = {}
            for circuit, place in link.reader.places.items():
                value = _read(client, place)
                if value is None:
                    link.reader.bad["unknown register"] += 1
                else:
                    values[circuit] = value
            link.found()
            link.put(link.reader.registers(values, now_ms()))
            due = max(due + source.every_s, time.monotonic())
            link.stop.wait(due - time.monotonic())
    finally:
        client.close()
    return True


def _client(link: Link) -> Client:
    source = link.source
    if "/" not in source.address:
        host, port = host_and_port(source.address, port=502)
        return ModbusTcpClient(host, port=port, timeout=_ANSWER_S, retries=1)
    bits, parity, stops = source.framing
    return ModbusSerialClient(
        str(path_of(source, link.folder)),
        baudrate=source.baud,
        bytesize=int(bits),
        parity=parity,
        stopbits=int(stops),
        timeout=_ANSWER_S,
        retries=1,
    )


def _read(client: Client, place: Place) -> float | None:
    """Value of a register; None where the meter has none of that number."""
    ask = client.read_holding_registers if place.table == "holding" else client.read_input_registers
    try:
        answer = ask(place.register or 0, count=NUMBERS[place.number][1], device_id=place.station)
    except ModbusException as error:
        raise ConnectionError(str(error)) from None
    return None if answer.isError() else decode(answer.registers, place)
