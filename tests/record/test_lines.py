"""What sources send: columns, patterns, JSON, telegrams, pulses; and all that is no reading."""

import random
from pathlib import Path

import numpy as np
import pytest
from pymodbus.framer.rtu import FramerRTU

from homeenergy.errors import HouseError
from homeenergy.house.toml_file import house_toml, read_schedule
from homeenergy.record.lines import METER, Reader, instant_of
from homeenergy.record.telegram import block_check, crc16, read_telegram, take_telegram

from .houses import write_house

NOW = 1_764_400_000_000

# Of public examples of IEC 62056-21 lines with OBIS codes of IEC 62056-61 (seen at network
# operators): with and without medium and channel, in kWh and whole Wh, of an earlier bill.
SEEN = """\
1-0:1.8.0(00006678.394*kWh)
1.8.1(000441879*Wh)
1-1:1.8.0*1(1000.0*kWh)
""".replace("\n", "\r\n")

# Each of these lines is unverified: written down as in "Dutch Smart Meter Requirements, P1
# Companion Standard", version 5.0.2, section 6.12 (Netbeheer Nederland), the text of which was not
# at hand. The identification is invented, so the CRC is not that of any example.
UNVERIFIED = """\
1-3:0.2.8(50)
0-0:1.0.0(101209113020W)
0-0:96.1.1(4B384547303034303436333935353037)
1-0:1.8.1(123456.789*kWh)
1-0:1.8.2(123456.789*kWh)
1-0:2.8.1(123456.789*kWh)
0-0:96.14.0(0002)
1-0:1.7.0(01.193*kW)
1-0:2.7.0(00.000*kW)
1-0:99.97.0(2)(0-0:96.7.19)(101208152415W)(0000000240*s)(101208151004W)(0000000301*s)
1-0:32.7.0(220.1*V)
1-0:31.7.0(001*A)
1-0:61.7.0(03.333*kW)
0-1:24.2.1(101209112500W)(12785.123*m3)
""".replace("\n", "\r\n")


def pushed(data: str = UNVERIFIED) -> bytes:
    body = f"/AAA5METER\r\n\r\n{data}!".encode()
    return body + f"{crc16(body):04X}\r\n".encode()


def read_out(data: str) -> bytes:
    """A readout with a block check character, as IEC 62056-21 sends it when asked."""
    body = f"{data}!\r\n\x03".encode()
    return b"/AAA5METER\r\n\x02" + body + bytes([block_check(body)])


def reader(folder: Path, source: str, **options) -> Reader:
    (one,) = read_schedule(write_house(folder, source)).sources
    return Reader(one, **options)


def test_crc_has_its_published_value_and_that_of_another_program():
    # The check value of CRC-16/ARC over "123456789" in the catalogues of CRCs.
    assert crc16(b"123456789") == 0xBB3D
    # Modbus has the same polynomial from another beginning, of which the exclusive or with the
    # check of as many zeros frees it; pymodbus has the low byte first.
    rng = random.Random(20)
    for size in (1, 2, 17, 900):
        data = rng.randbytes(size)
        other = FramerRTU.compute_CRC(data) ^ FramerRTU.compute_CRC(bytes(size))
        assert crc16(data) == other >> 8 | (other & 0xFF) << 8


def test_block_check_makes_the_count_of_ones_even_in_each_column():
    """Longitudinal parity as ISO 1155 defines it: counted bit by bit, with the check itself."""
    rng = random.Random(21)
    for size in (1, 2, 17, 900):
        data = rng.randbytes(size) + b"\x03"
        whole = np.frombuffer(data + bytes([block_check(data)]), np.uint8)
        assert (np.unpackbits(whole[:, None], axis=1).sum(axis=0) % 2 == 0).all()
    # Messages of IEC 62056-21 with their block check characters: the break message
    # ends with "q" (unverified), an empty password message with "`" (unverified).
    assert block_check(b"B0\x03") == ord("q")
    assert block_check(b"P0\x02()\x03") == ord("`")


def test_lines_that_were_seen_are_read():
    found = read_telegram(pushed(SEEN)).registers
    assert found == {"1-0:1.8.0": 6_678_394.0, "1.8.1": 441_879.0, "1-1:1.8.0*1": 1_000_000.0}


def test_unverified_lines_are_read():
    telegram = read_telegram(pushed())
    assert telegram.checked
    found = telegram.registers
    assert found["1-0:1.8.1"] == 123_456_789  # Wh; unverified, as are those below
    assert (found["1-0:1.7.0"], found["1-0:61.7.0"], found["1-0:32.7.0"]) == (1193, 3333, 220.1)
    assert "0-0:1.0.0" not in found  # a time is no number


def test_what_an_earlier_bill_was_made_of_is_not_the_register_of_now():
    for lines in ("1.8.0*1(9*kWh)\n1.8.0(10*kWh)\n", "1.8.0*01(9*kWh)\n1.8.0*255(10*kWh)\n"):
        assert read_telegram(pushed(lines)).registers["1.8.0"] == 10_000


def test_a_register_without_a_unit_needs_a_scale(tmp_path):
    source = 'kind = "input"\nlines = "telegram"\n[source.circuits]\nfridge = "1.8.0"\n'
    one = reader(tmp_path, source + 'oven = { field = "1.8.1", scale = 1000 }\n')
    assert one.feed(pushed("1.8.0(7)\r\n1.8.1(2.5)\r\n"), NOW) == [("oven", 2500.0, NOW)]
    assert one.bad == {"a register without a unit; state its scale": 1}


TELEGRAM = """
kind = "input"
lines = "telegram"
meter = { field = ["1-0:1.8.1", "1-0:1.8.2"] }
[source.circuits]
fridge = { field = "1-0:1.7.0", minus = "1-0:2.7.0" }
oven = "61.7.0"
"""


def test_telegrams_in_pieces_with_garbage_between(tmp_path):
    one = reader(tmp_path, TELEGRAM)
    damaged = pushed().replace(b"01.193", b"91.193")
    stream = b"\xff\x00noise" + pushed() + damaged + pushed()[:200] + pushed()
    found = []
    for at in range(0, len(stream), 37):
        found += one.feed(stream[at : at + 37], NOW)
    watts = [("fridge", 1193.0, NOW), ("oven", 3333.0, NOW), (METER, 246_913_578.0, NOW)]
    assert found == 2 * watts
    assert one.bad == {"wrong checksum": 1}
    assert one.unchecked == 0


def test_a_telegram_among_many_ends_of_others(tmp_path):
    one = reader(tmp_path, TELEGRAM)
    found = one.feed(pushed() + 5000 * b"\n!" + pushed(), NOW)
    assert [name for name, _, _ in found] == 2 * ["fridge", "oven", METER]


def test_readouts_with_a_block_check_character(tmp_path):
    one = reader(tmp_path, TELEGRAM.replace("61.7.0", "9.9.9"))
    data = "1.8.1(000123.5*kWh)\r\n1.8.2(000000.5*kWh)\r\n1.7.0(0.5*kW)\r\n2.7.0(0.7*kW)\r\n"
    damaged = bytearray(read_out(data))
    damaged[-1] ^= 1
    found = one.feed(bytes(damaged), NOW)
    assert (found, one.bad) == ([], {"wrong checksum": 1})
    found = one.feed(read_out(data), NOW)
    assert found == [("fridge", pytest.approx(-200.0), NOW), (METER, 124_000.0, NOW)]
    assert one.bad == {"wrong checksum": 1, "unknown register": 1}


def test_any_bit_that_flips_is_found():
    for whole in (pushed("1-0:1.7.0(01.193*kW)\r\n"), read_out("1.7.0(01.193*kW)\r\n")):
        begin = whole.index(b"1.193")
        for bit in range(8 * 5):
            changed = bytearray(whole)
            changed[begin + bit // 8] ^= 1 << bit % 8
            taken = take_telegram(changed)
            with pytest.raises(ValueError, match=r"check|CRC"):
                read_telegram(taken or bytes(changed))


def test_columns_patterns_and_json(tmp_path):
    names = "[source.circuits]\nfridge = {}\noven = {}\n"
    wide = reader(tmp_path, 'kind = "input"\ndelimiter = ";"\n' + names.format(1, 3))
    assert wide.feed(b"90.5;x;1200\r\n91;;\n", NOW) == [
        ("fridge", 90.5, NOW),
        ("oven", 1200.0, NOW),
        ("fridge", 91.0, NOW),
    ]
    assert wide.bad == {"empty": 1}
    json = reader(
        tmp_path,
        'kind = "input"\nlines = "json"\ntime_field = "at"\n'
        + names.format('"panel.0.w"', '{ field = ["a", "b"], minus = "c", scale = 2 }'),
    )
    line = b'{"at": "2025-11-29T08:06:40+01:00", "panel": [{"w": 7}], "a": 1, "b": 2, "c": 0.5}\n'
    assert json.feed(line, 0) == [("fridge", 7.0, NOW), ("oven", 5.0, NOW)]
    assert json.feed(b'{"at": "yesterday"}\n[1\n{"panel": 3}\n', 0) == []
    assert json.bad == {"no time": 1, "broken JSON": 1, "no such field": 1}
    named = reader(
        tmp_path,
        'kind = "input"\nlines = "pattern"\nname_field = "n"\nvalue_field = "v"\n'
        "pattern = '(?P<n>[a-z]+)=(?P<v>.+)'\n" + names.format('"a"', '"b"'),
    )
    assert named.feed(b"b=3\nc=4\nhello\na=on\n", NOW) == [("oven", 3.0, NOW)]
    assert named.bad == {
        "a name that is no circuit's": 1,
        "does not match the pattern": 1,
        "no number": 1,
    }


def test_on_and_off_only_where_the_log_says_so(tmp_path):
    source = 'kind = "input"\n[source.circuits]\nfridge = 1\noven = 2\n'
    one = reader(tmp_path, source, states=frozenset({"fridge"}))
    assert [v for _, v, _ in one.feed(b"on,5\nOFF,6\ntrue,7\n0,8\n0.5,9\n", NOW)] == [
        *(1, 5, 0, 6, 1, 7, 0, 8),
        9,
    ]
    assert one.bad == {"neither on nor off": 1}


def test_pulses_go_on_from_what_was_counted(tmp_path):
    source = 'kind = "input"\nlines = "pulses"\n[source.circuits]\nfridge = 800\n'
    one = reader(tmp_path, source, counted={"fridge": 100.0})
    assert [v for _, v, _ in one.feed(b".\n.\n", NOW)] == [101.25, 102.5]


def test_a_line_without_end_is_dropped(tmp_path):
    one = reader(tmp_path, 'kind = "input"\n[source.circuits]\nfridge = 1\n')
    assert one.feed(b"9" * 70_000, NOW) == []
    assert one.rest_bytes == 0
    assert one.bad == {"a line without end": 1}


@pytest.mark.parametrize("text", ["", "nan", "1e99", None, "-5", "25-01-01"])
def test_times_that_cannot_be(text):
    with pytest.raises(ValueError, match="time"):
        instant_of(text, "epoch_s")


BASE = 'kind = "socket"\naddress = "127.0.0.1:5000"\n'


@pytest.mark.parametrize(
    ("source", "words"),
    [
        ('kind = "input"\naddress = "x"\n[source.circuits]\nfridge = 1\n', "address"),
        ('kind = "socket"\n[source.circuits]\nfridge = 1\n', "address` is missing"),
        (BASE + "[source.circuits]\nfrige = 1\n", "Did you mean `fridge`"),
        (BASE + '[source.circuits]\nfridge = "x"\n', "the number of a column"),
        (BASE + 'password = "x"\n[source.circuits]\nfridge = 1\n', "password_variable"),
        (BASE + 'lines = "pattern"\n[source.circuits]\nfridge = "x"\n', "pattern"),
        (
            BASE + 'lines = "pattern"\npattern = "(?P<w>.)"\n[source.circuits]\nfridge = "x"\n',
            "not a named group",
        ),
        (BASE.replace("socket", "mqtt") + '[source.circuits]\nfridge = "a/#"\n', "one topic"),
        (BASE.replace("socket", "modbus") + "[source.circuits]\nfridge = 70000\n", "at most 65535"),
        (BASE + "[source.circuits]\n", "is empty"),
        (
            BASE + '[source.circuits]\nfridge = 1\n[[source]]\nname = "b"\nkind = "input"\n'
            "[source.circuits]\nfridge = 1\n",
            "the source `pipe` holds as well",
        ),
    ],
)
def test_sources_that_cannot_be_meant(tmp_path, source, words):
    with pytest.raises(HouseError, match=words):
        read_schedule(write_house(tmp_path, source))


def test_sources_are_written_as_they_are_read(tmp_path):
    source = (
        'kind = "mqtt"\naddress = "127.0.0.1:8883"\ntls = true\nuser = "me"\n'
        'meter = { topic = "m", scale = 0.001 }\n[source.circuits]\nfridge = "house/fridge"\n'
        'oven = { topic = "oven", field = ["a.b", "c"], minus = "d" }\n'
    )
    schedule = read_schedule(write_house(tmp_path, source))
    for comments in ("none", "short", "all"):
        (tmp_path / "house.toml").write_text(house_toml(schedule, comments=comments))
        assert read_schedule(tmp_path) == schedule


def test_a_decimal_comma_is_read_where_the_source_has_one(tmp_path):
    found = reader(
        tmp_path,
        'kind = "input"\ndelimiter = ";"\ndecimal = ","\n[source.circuits]\nfridge = 1\noven = 2\n',
    )
    assert found.feed(b"90,5;-2\n1.234,5;7\n", NOW) == [
        ("fridge", 90.5, NOW),
        ("oven", -2.0, NOW),
        ("oven", 7.0, NOW),
    ]
    assert found.bad == {"no number with a decimal comma": 1}
