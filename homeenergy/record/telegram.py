"""Meter telegrams of IEC 62056-21: data lines with OBIS codes (IEC 62056-61), and their checks.

A telegram begins with "/" and an identification, and its data end with "!". Where the data begin
with STX, an ETX and a block check character follow (IEC 62056-21, 6.3; the sum of ISO 1155). Four
hexadecimal digits after the "!" are a CRC-16 of all from "/" to "!", as telegrams have that a meter
pushes by itself to a port for its customer. Telegrams with neither are taken, and counted.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import dataclass

STX, ETX = b"\x02", b"\x03"
LONGEST = 65_536  # bytes of a telegram; own choice
_AFTER = 8  # bytes after the "!" in which a telegram ends
UNITS = {"kw": 1000.0, "kwh": 1000.0, "kva": 1000.0, "kvar": 1000.0, "mwh": 1e6}  # in any case
_BEGIN = re.compile(rb"/[A-Za-z]{3}[0-9A-Z]")
_LINE = re.compile(
    r"(?:(\d+)-(\d+):)?([0-9A-FCLP]+\.[0-9A-FCLP]+(?:\.\d+)?)(?:\*(\d+))?\(([^()]*)\)"
)
_NOW = (None, "255")  # the group F of what a register holds now; others are of earlier bills
_NUMBER = re.compile(r"([-+]?\d+(?:\.\d+)?)(?:\*(\w+))?")


@dataclass(frozen=True, slots=True, kw_only=True)
class Telegram:
    """The registers of a telegram.

    `registers` has values in W, Wh, V and A by OBIS code, as in "1-0:1.7.0" or "1.7.0"; what an
    earlier bill was made of keeps its number, as in "1.8.0*1". Those `without_unit` are as they
    were sent. `checked` says whether a checksum was there, and right.
    """

    registers: dict[str, float]
    without_unit: frozenset[str]
    checked: bool


class WrongChecksumError(ValueError):
    """A telegram that was damaged on its way."""


def block_check(data: bytes) -> int:
    """Block check character: exclusive or of all bytes after STX, with ETX (ISO 1155)."""
    check = 0
    for byte in data:
        check ^= byte
    return check


def crc16(data: bytes) -> int:
    """CRC-16 with the polynomial x^16 + x^15 + x^2 + 1, low bit first, starting at 0."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ 0xA001 if crc & 1 else crc >> 1
    return crc


def take_telegram(buffer: bytearray) -> bytes | None:
    """Take the first whole telegram out of what was received; None where none is whole yet.

    What is before its "/" goes, and so does what is longer than any telegram.
    """
    begins: list[int] = []
    while not begins:
        end = buffer.find(b"\n!") + 1
        if not end:
            if len(buffer) > LONGEST:
                buffer.clear()
            return None
        begins = [found.start() for found in _BEGIN.finditer(buffer, 0, end)]
        if not begins:
            del buffer[: end + 1]
    # The last: one before it was cut off on its way.
    del buffer[: begins[-1]]
    end -= begins[-1]
    after = buffer[end + 1 : end + 1 + _AFTER]
    mark = after.find(ETX if buffer.find(STX, 0, end) >= 0 else b"\n")
    more = 1 if after[mark : mark + 1] == ETX else 0  # the block check character
    if mark < 0 or mark + more >= len(after):
        if len(after) < _AFTER:
            return None
        mark, more = -1, 0
    stop = end + 1 + mark + 1 + more
    found = bytes(buffer[:stop])
    del buffer[:stop]
    return found


def read_telegram(data: bytes) -> Telegram:
    """Read a whole telegram, from "/" to its checksum.

    Raises
    ------
    WrongChecksumError
        If it has one that does not match.
    """
    end = data.rindex(b"!")
    begin = data.find(STX)
    tail = data[end + 1 :].strip(b"\r\n")
    checked = False
    if begin >= 0:
        etx = data.find(ETX, end)
        if etx < 0 or etx + 1 >= len(data):
            raise WrongChecksumError("the block check character is missing")
        if block_check(data[begin + 1 : etx + 1]) != data[etx + 1]:
            raise WrongChecksumError("the block check character does not match")
        checked = True
    elif tail:
        if not re.fullmatch(rb"[0-9A-Fa-f]{4}", tail) or int(tail, 16) != crc16(data[: end + 1]):
            raise WrongChecksumError("the CRC does not match")
        checked = True
    registers: dict[str, float] = {}
    without_unit: set[str] = set()
    for line in data[:end].decode("ascii", "replace").splitlines()[1:]:
        found = _LINE.match(line.strip("\x02\r "))
        number = _NUMBER.fullmatch(found[5]) if found else None
        if found and number:
            unit = number[2] or ""
            code = found[3] if found[1] is None else f"{found[1]}-{found[2]}:{found[3]}"
            code += "" if found[4] in _NOW else f"*{found[4]}"
            registers.setdefault(code, float(number[1]) * UNITS.get(unit.lower(), 1.0))
            without_unit |= set() if unit else {code}
    return Telegram(registers=registers, without_unit=frozenset(without_unit), checked=checked)


def register_of(registers: Collection[str], code: str) -> str | None:
    """The register that an OBIS code means; without medium and channel it is the one of any."""
    if code in registers:
        return code
    if ":" in code:
        plain = code.partition(":")[2]
        return plain if plain in registers else None
    found = [name for name in registers if name.partition(":")[2] == code]
    return found[0] if len(found) == 1 else None
