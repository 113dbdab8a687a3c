"""Times, names, units and numbers however an export spells them."""

import json
from zoneinfo import ZoneInfo

import numpy as np
import openpyxl
import pandas as pd
import pytest

from homeenergy.errors import HouseError
from tests.readings.test_any_folder import (
    FRAME,
    STAMPS,
    STEP_S,
    TRUTH,
    ZONE,
    close,
    columns,
    house_frame,
    long,
    through,
    wide,
    write,
)

UTC = FRAME.index.tz_localize(ZONE).tz_convert("UTC")


def stamped(zone, pattern, start="2026-10-24"):
    """A log across a clock change of a zone, and its truth."""
    frame = house_frame()
    first = pd.Timestamp(start, tz=zone).tz_convert("UTC")
    local = pd.date_range(first, periods=len(frame), freq=f"{STEP_S}s").tz_convert(zone)
    return wide(list(frame), columns(frame), stamps=local.strftime(pattern))


@pytest.mark.parametrize(
    "pattern", ["%Y%m%dT%H%M%SZ", "%Y%m%dT%H%M%S.000Z", "%Y%m%d %H%M%S+0000", "%Y%m%dT%H%MZ"]
)
def test_stamps_without_marks_in_utc(tmp_path, pattern):
    lines = wide(list(FRAME), columns(), stamps=UTC.strftime(pattern))
    found = through(tmp_path, write(tmp_path, "a.csv", lines))
    close(found.kwh)
    assert found.house.trace("fridge").start == UTC[0]


@pytest.mark.parametrize(
    ("zone", "pattern"),
    [
        ("Europe/Berlin", "%Y-%m-%d %H:%M:%S %Z"),
        ("Europe/Berlin", "%d.%m.%Y %H:%M %Z"),
        ("Europe/Berlin", "%Y-%m-%dT%H:%M:%S%z[Europe/Berlin]"),
        ("Europe/Berlin", "%Y-%m-%d %H:%M:%S Europe/Berlin"),
        ("Europe/London", "%d/%m/%Y %H:%M:%S %Z"),
        ("America/New_York", "%m/%d/%Y %I:%M %p %Z"),
    ],
)
def test_zones_by_name_across_a_clock_change(tmp_path, zone, pattern):
    start = "2026-10-31" if zone.startswith("America") else "2026-10-24"
    given = write(tmp_path, "a.csv", stamped(zone, pattern, start))
    found = through(tmp_path, given, zone=zone)
    close(found.kwh)
    assert found.house.trace("fridge").start == pd.Timestamp(start, tz=zone)


def test_a_short_name_that_the_zone_of_the_house_does_not_use(tmp_path):
    """Of North America RFC 5322 says what they are; of others the region must be stated."""
    winter = UTC.tz_convert(ZoneInfo("Etc/GMT+5")).strftime("%Y-%m-%d %H:%M:%S EST")
    lines = wide(list(FRAME), columns(), stamps=winter)
    found = through(tmp_path, write(tmp_path, "a.csv", lines))
    assert found.house.trace("fridge").start == UTC[0]
    other = tmp_path / "other"
    lines = stamped("Europe/Berlin", "%Y-%m-%d %H:%M:%S %Z")
    with pytest.raises(HouseError, match=r"'CEST', which is no name of a time in America/Denver"):
        through(other, write(other, "a.csv", lines))


@pytest.mark.parametrize(
    ("pattern", "dotted"),
    [
        ("%Y-%m-%d %H:%M:%S,000", False),
        ("%d.%m.%Y %H.%M.%S", False),
        ("%d.%m.%Y %H.%M", False),
        ("%d/%m/%Y %I:%M:%S %p", True),
    ],
)
def test_other_marks_in_a_time_of_day(tmp_path, pattern, dotted):
    stamps = FRAME.index.strftime(pattern)
    if dotted:
        stamps = [s.replace("AM", "a.m.").replace("PM", "p. m.") for s in stamps]
    lines = wide(list(FRAME), columns(), stamps=stamps, sep=";")
    close(through(tmp_path, write(tmp_path, "a.csv", lines)).kwh)


def test_year_month_day_hour_and_minute_in_columns_each(tmp_path):
    stamps = [f"{t:%Y},{t.month},{t.day},{t.hour},{t.minute}" for t in FRAME.index]
    lines = wide(list(FRAME), columns(), stamps=stamps, time="Year,Month,Day,Hour,Minute")
    close(through(tmp_path, write(tmp_path, "a.csv", lines)).kwh)


@pytest.mark.parametrize("ruled", [False, True])
def test_a_table_with_bars_around_it(tmp_path, ruled):
    lines = [f"| {line} |" for line in wide(list(FRAME), columns(), sep=" | ")]
    rule = "+" + "+".join(["--------"] * 5) + "+"
    lines = [rule, lines[0], rule, *lines[1:], rule] if ruled else lines
    close(through(tmp_path, write(tmp_path, "a.txt", lines)).kwh)


def test_heads_of_several_lines(tmp_path):
    heads = [f'"{name}\n[W]"' for name in FRAME]
    lines = wide(heads, columns(), time='"Time\n(local)"')
    close(through(tmp_path, write(tmp_path, "a.csv", lines)).kwh)
    book = openpyxl.Workbook()
    book.active.append(["Time", *(f"{name}\n[W]" for name in FRAME)])
    for stamp, row in zip(FRAME.index, FRAME.to_numpy().tolist(), strict=True):
        book.active.append([stamp.to_pydatetime(), *row])
    (tmp_path / "sheet" / "in").mkdir(parents=True)
    book.save(tmp_path / "sheet" / "in" / "a.xlsx")
    close(through(tmp_path / "sheet", tmp_path / "sheet" / "in").kwh)


def test_rows_that_end_with_a_delimiter_more_than_their_head(tmp_path):
    first, *rows = wide(list(FRAME), columns(), sep=";")
    lines = [first, *(f"{row};" for row in rows)]
    close(through(tmp_path, write(tmp_path, "a.csv", lines)).kwh)


def test_spellings_of_a_circuit_in_a_long_log(tmp_path):
    first, *rows = long()
    half = len(rows) // 2
    rows[half:] = [row.replace(",Fridge,", ",FRIDGE ,") for row in rows[half:]]
    found = through(tmp_path, write(tmp_path, "a.csv", [first, *rows]))
    close(found.kwh)
    assert "differ in capitals or blanks alone" in found.text


def test_spellings_of_heads_from_one_file_to_the_next(tmp_path):
    names = list(FRAME)
    for number, spelled in enumerate([names, [n.upper() for n in names], [f"{n} " for n in names]]):
        part = slice(number * 480, (number + 1) * 480)
        some = [column[part] for column in columns()]
        lines = wide([*spelled], some, stamps=STAMPS[part])
        write(tmp_path, f"{number + 1}.csv", lines)
    close(through(tmp_path, tmp_path / "in").kwh)


@pytest.mark.parametrize("layout", ["wide", "long"])
def test_circuits_that_read_at_the_same_time_stay_two_and_are_asked_about(tmp_path, layout):
    frame = FRAME.rename(columns={"Oven": "FRIDGE "})
    lines = wide(list(frame), columns(frame)) if layout == "wide" else long(frame)
    found = through(tmp_path, write(tmp_path, "a.csv", lines))
    close(sorted(found.kwh.values()), sorted([*TRUTH.values()]))
    assert {"fridge", "fridge_2"} <= set(found.made.doubts)


def test_volts_among_the_units_of_a_long_log(tmp_path):
    """V is the symbol of a quantity as well as a unit; W and kW are units."""
    lines = ["time;name;value;unit"]
    for stamp, row in zip(STAMPS, FRAME.to_numpy(), strict=True):
        for name, watts in zip(FRAME, row, strict=True):
            kilo = name in ("Oven", "Dryer")
            value, unit = (watts / 1000, "kW") if kilo else (watts, "W")
            lines.append(f"{stamp};{name};{value:.10g};{unit}")
        lines += [f"{stamp};Supply;231.5;V", f"{stamp};Cellar;17.5;°C"]
    close(through(tmp_path, write(tmp_path, "a.csv", lines)).kwh)


@pytest.mark.parametrize("share", [0.5, 0.45])
def test_legs_in_a_column_of_their_own_are_refused_even_where_they_are_equal(tmp_path, share):
    lines = ["time,name,phase,watts"]
    for stamp, row in zip(STAMPS, FRAME.to_numpy(), strict=True):
        for name, watts in zip(FRAME, row, strict=True):
            both = {"L1": share, "L2": 1 - share} if name == "Oven" else {"L1": 1.0}
            lines += [f"{stamp},{name},{leg},{watts * part:.10g}" for leg, part in both.items()]
    with pytest.raises(HouseError, match=r"'phase' tells several readings(.|\n)*export their sum"):
        through(tmp_path, write(tmp_path, "a.csv", lines))


@pytest.mark.parametrize(
    ("name", "scale"), [("{}_kW", 1e-3), ("{} - power (kW)", 1e-3), ("{} Wh", STEP_S / 3600)]
)
def test_the_name_of_a_file_says_the_unit(tmp_path, name, scale):
    for circuit in FRAME:
        rows = [
            f"{stamp},{watts * scale:.10g}"
            for stamp, watts in zip(STAMPS, FRAME[circuit], strict=True)
        ]
        write(tmp_path, f"{name.format(circuit)}.csv", ["time,value", *rows])
    close(through(tmp_path, tmp_path / "in").kwh)


def test_pulses_are_no_watts(tmp_path):
    lines = wide([f"{name} pulses" for name in FRAME], [np.round(c) for c in columns()])
    with pytest.raises(HouseError, match="'Fridge pulses' is no power"):
        through(tmp_path, write(tmp_path, "a.csv", lines))


def test_cells_that_are_filled_on_change_while_others_change_in_every_row(tmp_path):
    """The oven has two levels, and its cell is empty while it stays at one."""
    frame = FRAME.copy()
    for name in ("Fridge", "Heat pump"):  # another value in each row
        frame[name] = np.round(frame[name] + np.arange(len(frame)) * 1e-3, 3)
    frame["Router"] = 9 + np.arange(len(frame)) % 7 * 0.1
    on_change = frame.where(frame.diff() != 0)
    lines = ["time," + ",".join(frame)]
    for stamp, row in zip(STAMPS, on_change.to_numpy(), strict=True):
        lines.append(",".join([stamp, *("" if np.isnan(v) else f"{v:.10g}" for v in row)]))
    expected = {name: frame[name].sum() * STEP_S / 3.6e6 for name in frame}
    close(through(tmp_path, write(tmp_path, "a.csv", lines)).kwh, expected)


RECORDS = [
    (int(instant.timestamp()), dict(zip(FRAME, row, strict=True)))
    for instant, row in zip(UTC, FRAME.to_numpy().tolist(), strict=True)
]


@pytest.mark.parametrize(
    "text",
    [
        "\n".join(
            json.dumps({"ts": at, "channels": [{"name": n, "w": w} for n, w in some.items()]})
            for at, some in RECORDS
        ),
        json.dumps({"time": [at for at, _ in RECORDS], **{n: FRAME[n].tolist() for n in FRAME}}),
        json.dumps(
            [
                {"name": n, "unit": "W", "data": [[at, some[n]] for at, some in RECORDS]}
                for n in FRAME
            ]
        ),
        json.dumps([["ts", *FRAME], *([at, *some.values()] for at, some in RECORDS)]),
        json.dumps({"columns": ["ts", *FRAME], "data": [[a, *s.values()] for a, s in RECORDS]}),
        json.dumps({n: [{"ts": at, "w": some[n]} for at, some in RECORDS] for n in FRAME}),
        json.dumps({n: [[at, some[n]] for at, some in RECORDS] for n in FRAME}),
        json.dumps({n: {str(at): some[n] for at, some in RECORDS} for n in FRAME}),
        json.dumps({str(at): some for at, some in RECORDS}),
        json.dumps(
            [[{"ts": at, **some} for at, some in part] for part in (RECORDS[:50], RECORDS[50:])]
        ),
        json.dumps(
            {
                "times": [at for at, _ in RECORDS],
                "circuits": [{"name": n, "watts": FRAME[n].tolist()} for n in FRAME],
            }
        ),
        json.dumps(
            {
                "times": [at for at, _ in RECORDS],
                "names": list(FRAME),
                "watts": FRAME.to_numpy().tolist(),
            }
        ),
        json.dumps(
            [
                {
                    "name": n,
                    "columns": ["t", "w"],
                    "values": [[at, some[n]] for at, some in RECORDS],
                }
                for n in FRAME
            ]
        ),
    ],
    ids=[
        "a list in each record",
        "a list for each column",
        "pairs of each circuit",
        "rows below heads",
        "heads beside rows",
        "records by name",
        "pairs by name",
        "readings by name and time",
        "records by time",
        "lists of records",
        "times beside records",
        "times and names beside a table",
        "heads in each record",
    ],
)
def test_lists_in_json(tmp_path, text):
    close(through(tmp_path, write(tmp_path, "a.json", text)).kwh)


@pytest.mark.parametrize("words", [("GOOD", "BAD"), ("valid", "invalid"), ("OK", "Error")])
@pytest.mark.parametrize("layout", ["wide", "long"])
def test_readings_that_a_column_calls_bad_are_left_out(tmp_path, words, layout):
    rng = np.random.default_rng(3)
    bad = rng.random(len(FRAME)) < 0.02
    bad[:20] = False
    wrong = FRAME.copy()
    wrong.loc[bad] += 5000.0
    lines = wide(list(FRAME), columns(wrong)) if layout == "wide" else long(wrong)
    each = 1 if layout == "wide" else len(FRAME.columns)
    said = [words[int(is_bad)] for is_bad in bad for _ in range(each)]
    lines = [f"{line},{word}" for line, word in zip(lines, ["quality", *said], strict=True)]
    found = through(tmp_path, write(tmp_path, "a.csv", lines))
    assert f"only rows with '{words[0]}' in column 'quality' are read" in found.text
    for name, circuit in zip(FRAME, ("fridge", "oven", "heat_pump", "dryer"), strict=True):
        trace = found.house.trace(circuit)
        assert np.nanmax(trace.watts) <= FRAME[name].max() + 1e-3
        assert found.kwh[name] == pytest.approx(TRUTH[name], abs=0.5)  # a value is held across


@pytest.mark.parametrize("codes", [("G", "B"), ("192", "4")])
def test_a_quality_in_unknown_words_is_said(tmp_path, codes):
    said = ["quality", *(codes[at % 50 == 49] for at in range(len(FRAME)))]
    lines = [f"{a},{b}" for a, b in zip(wide(list(FRAME), columns()), said, strict=True)]
    found = through(tmp_path, write(tmp_path, "a.csv", lines))
    close(found.kwh)
    told = next(line for line in found.text.splitlines() if "all are read alike" in line)
    assert f"'{codes[0]}' in 1412, '{codes[1]}' in 28 of 1440 rows" in told


def test_the_number_of_a_channel_is_not_its_reading(tmp_path):
    """The channels of two panels; panel A is none of amps."""
    lines = ["time,device,channel,watts"]
    places = {"Fridge": "Panel A,1", "Oven": "Panel A,2", "Dryer": "Panel B,1"}
    for stamp, row in zip(STAMPS, FRAME[list(places)].to_numpy(), strict=True):
        lines += [f"{stamp},{at},{w:.10g}" for at, w in zip(places.values(), row, strict=True)]
    with pytest.raises(HouseError, match="column 'channel' tells several readings of a circuit"):
        through(tmp_path, write(tmp_path, "a.csv", lines))
    other = tmp_path / "other"
    lines = [line.replace(",1,", ",") for line in lines if ",2," not in line]
    lines[0] = "time,device,watts"
    found = through(other, write(other, "a.csv", lines))
    close(found.kwh, {"Panel A": TRUTH["Fridge"], "Panel B": TRUTH["Dryer"]})


@pytest.mark.parametrize("unit", ["kWh/h", "kWh per hour"])
def test_energy_per_hour_is_power(tmp_path, unit):
    lines = wide([f"{name} ({unit})" for name in FRAME], [c / 1000 for c in columns()])
    close(through(tmp_path, write(tmp_path, "a.csv", lines)).kwh)


def test_a_file_for_each_circuit_of_which_those_on_change_hold(tmp_path):
    for name in FRAME:
        moved = FRAME[name][FRAME[name].diff() != 0]
        rows = [f"{stamp:%Y-%m-%d %H:%M:%S},{watts:.10g}" for stamp, watts in moved.items()]
        write(tmp_path, f"{name}.csv", ["time,watts", *rows])
    found = through(tmp_path, tmp_path / "in")
    assert found.kwh["Oven"] == pytest.approx(TRUTH["Oven"], rel=2e-3)
