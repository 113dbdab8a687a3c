"""Any layout of a log gives the same trace; what cannot be read is refused with its place."""

import gzip

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from homeenergy.errors import HouseError
from homeenergy.readings import import_logs, open_house

from .folders import WIDE, frame, iso_csv, make_house, store_bytes

WHOLE = frame("2026-03-01 12:00", 300)
FORMATS = {
    "iso": lambda t: t.strftime("%Y-%m-%dT%H:%M:%S"),
    "iso ": lambda t: t.strftime("%Y-%m-%d %H:%M:%S+00:00"),
    "epoch_s": lambda t: str(t.value // 10**9),
    "epoch_ms": lambda t: str(t.value // 10**6),
    "epoch_us": lambda t: str(t.value // 10**3),
    "epoch_ns": lambda t: str(t.value),
    "%d.%m.%Y %H:%M:%S": lambda t: t.strftime("%d.%m.%Y %H:%M:%S"),
    "%m/%d/%y %I:%M:%S %p": lambda t: t.strftime("%m/%d/%y %I:%M:%S %p"),
    "%Y%m%d%H%M%S": lambda t: t.strftime("%Y%m%d%H%M%S"),
    "%Y-%m-%d %H:%M:%S%z": lambda t: t.strftime("%Y-%m-%d %H:%M:%S%z"),
}


def write(table, *, delimiter, decimal, time_format, long, header, packed, encoding, two):
    """A log and its [[log]] block, written without the code under test."""
    stamps = [FORMATS[time_format](t.as_unit("ns")) for t in table.index]
    if two:
        stamps = [s.replace(" ", delimiter) for s in stamps]
    times = ["Tag", "Uhr"] if two else ["time"]
    if long:
        head = [*times, "who", "watts"]
        rows = [
            [stamp, name, f"{row[name]:.1f}".replace(".", decimal)]
            for stamp, (_, row) in zip(stamps, table.iterrows(), strict=True)
            for name in table.columns
        ]
    else:
        head = [*times, *table.columns]
        rows = [
            [stamp, *(f"{value:.1f}".replace(".", decimal) for value in row)]
            for stamp, row in zip(stamps, table.to_numpy(), strict=True)
        ]
    lines = [delimiter.join(row) for row in ([head] if header else []) + rows]
    content = ("\r\n".join(lines) + "\r\n").encode(encoding)
    names = head if header else list(range(1, len(head) + 1))
    quote = (lambda name: f'"{name}"') if header else str
    block = ["[[log]]", 'files = "logs/*"', f'delimiter = "{delimiter}"'.replace("\t", "\\t")]
    block += [
        f'decimal = "{decimal}"',
        f'encoding = "{encoding}"',
        f"header = {str(header).lower()}",
    ]
    block += [f"time_columns = [{', '.join(quote(n) for n in names[: len(times)])}]"]
    block += [f'time_format = "{time_format.strip()}"']
    at = len(times)
    if long:
        block += [
            'layout = "long"',
            f"circuit_column = {quote(names[at])}",
            f"value_column = {quote(names[at + 1])}",
        ]
        columns = [f'{name} = "{name}"' for name in table.columns]
    else:
        columns = [f"{name} = {quote(names[at + n])}" for n, name in enumerate(table.columns)]
    block += ["[log.columns]", *columns]
    return (gzip.compress(content) if packed else content), "\n".join(block)


@settings(max_examples=60)
@given(
    marks=st.sampled_from([(",", "."), (";", ","), (";", "."), ("\t", ","), ("|", ".")]),
    time_format=st.sampled_from(sorted(FORMATS)),
    long=st.booleans(),
    header=st.booleans(),
    packed=st.booleans(),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "latin-1"]),
    two=st.booleans(),
)
def test_any_layout_gives_the_same_trace(
    tmp_path_factory, marks, time_format, long, header, packed, encoding, two
):
    two = two and time_format == "%d.%m.%Y %H:%M:%S"
    content, block = write(
        WHOLE,
        delimiter=marks[0],
        decimal=marks[1],
        time_format=time_format,
        long=long,
        header=header,
        packed=packed,
        encoding=encoding,
        two=two,
    )
    house = make_house(
        tmp_path_factory.mktemp("h"), {"log.gz" if packed else "log.csv": content}, log=block
    )
    import_logs(house)
    for name in WHOLE.columns:
        trace = open_house(house).trace(name)
        assert trace.start == WHOLE.index[0]
        np.testing.assert_array_equal(trace.watts, WHOLE[name].to_numpy().astype("f4"))


@pytest.mark.parametrize("long", [False, True])
@pytest.mark.parametrize("time", ["zoned", "naive", "epoch_ms", "text"])
def test_parquet(tmp_path, long, time):
    table = WHOLE.reset_index(names="time")
    if time == "naive":
        table["time"] = table["time"].dt.tz_localize(None)
    elif time == "epoch_ms":
        table["time"] = table["time"].astype("M8[ms, UTC]").astype("int64")
    elif time == "text":
        table["time"] = table["time"].dt.strftime("%Y-%m-%dT%H:%M:%SZ")
    log = '[[log]]\nfiles = "logs/*.parquet"\nformat = "parquet"\n'
    log += 'time_format = "epoch_ms"\n' if time == "epoch_ms" else ""
    if long:
        table = table.melt("time", var_name="who", value_name="value")
        log += 'layout = "long"\ncircuit_column = "who"\nvalue_column = "value"\n'
    make_house(tmp_path, {}, log=log + '[log.columns]\nfridge = "fridge"\noven = "oven"')
    table.to_parquet(tmp_path / "logs" / "a.parquet")
    import_logs(tmp_path)
    trace = open_house(tmp_path).trace("oven")
    assert trace.start == WHOLE.index[0]
    np.testing.assert_array_equal(trace.watts, WHOLE["oven"].to_numpy().astype("f4"))


def one_circuit(tmp_path, text, settings="", column='"oven"'):
    log = f'[[log]]\nfiles = "logs/*.csv"\n{settings}\n[log.columns]\noven = {column}'
    import_logs(make_house(tmp_path, {"a.csv": text}, log=log))
    return open_house(tmp_path).trace("oven")


STAMPS = [f"2026-03-01T00:{minute:02d}:00Z" for minute in range(5)]


@pytest.mark.parametrize(
    ("values", "column", "watts"),
    [
        ([1.5, 2, 0, -1, 3], '{ column = "oven", unit = "kW" }', [1500, 2000, 0, -1000, 3000]),
        (
            [1, 2, 0, 0, 3],
            '{ column = "oven", quantity = "energy", unit = "Wh" }',
            [60, 120, 0, 0, 180],
        ),
        ([0.001] * 5, '{ column = "oven", quantity = "energy", unit = "kWh" }', [60] * 5),
        (
            [1.0, 1.001, 1.003, 0.001, 0.001],
            '{ column = "oven", quantity = "energy_counter", unit = "kWh" }',
            [60, 120, 60, 0],
        ),
        (
            [9.998, 9.999, 0.001, 0.001, 0.002],
            '{ column = "oven", quantity = "energy_counter", unit = "kWh", rolls_over_at = 10 }',
            [60, 120, 0, 60],
        ),
    ],
)
def test_quantities_and_units(tmp_path, values, column, watts):
    text = "time,oven\n" + "".join(f"{t},{v}\n" for t, v in zip(STAMPS, values, strict=True))
    trace = one_circuit(tmp_path, text, column=column)
    np.testing.assert_allclose(trace.watts, watts, rtol=1e-5, atol=1e-3)


def test_volts_and_amps_with_a_power_factor(tmp_path):
    text = "time,V,A\n" + "".join(f"{t},230,2\n" for t in STAMPS)
    column = '{ volts = "V", amps = "A", power_factor = 0.5 }'
    np.testing.assert_allclose(one_circuit(tmp_path, text, column=column).watts, 230)


def test_words_for_missing_are_missing(tmp_path):
    words = ["NaN", "", "-", "null", "NA", "None", "nan"]
    rows = [f"2026-03-01T00:00:{n:02d}Z,{w}" for n, w in enumerate(["1", *words, "2"])]
    watts = one_circuit(tmp_path, "time,oven\n" + "\n".join(rows), "hold_s = 1").watts
    np.testing.assert_array_equal(watts, np.float32([1, *[np.nan] * 7, 2]))


def test_stamps_at_the_end_of_the_period(tmp_path):
    text = "time,oven\n" + "".join(f"{t},{n}\n" for n, t in enumerate(STAMPS))
    trace = one_circuit(tmp_path, text, 'time_marks = "end"')
    assert trace.start == pd.Timestamp("2026-02-28 23:59Z")
    np.testing.assert_array_equal(trace.watts, [0, 1, 2, 3, 4])


def test_a_counter_stands_at_its_own_instant_even_so(tmp_path):
    text = "time,oven\n" + "".join(f"{t},{n}\n" for n, t in enumerate(STAMPS))
    column = '{ column = "oven", quantity = "energy_counter", unit = "Wh" }'
    assert one_circuit(tmp_path, text, 'time_marks = "end"', column).start == pd.Timestamp(
        STAMPS[0]
    )


def test_lines_around_the_header_and_texts_for_missing(tmp_path):
    text = (
        "Export of the panel\n\nmade on 3 March\ntime,oven\n,W\n"
        "2026-03-01T00:00:00Z,1\n2026-03-01T00:00:01Z,ERR\n2026-03-01T00:00:02Z,--\n"
        "2026-03-01T00:00:03Z,4\n"
    )
    settings = (
        'lines_above_header = 3\nlines_below_header = 1\nmissing = ["ERR", "--"]\nperiod_s = 1'
        "\nhold_s = 1"
    )
    for name, content in (("plain.csv", text), ("packed.csv.gz", gzip.compress(text.encode()))):
        folder = tmp_path / name
        log = f'[[log]]\nfiles = "logs/*"\n{settings}\n[log.columns]\noven = "oven"\n'
        import_logs(make_house(folder, {name: content}, log=log, circuits=["oven"]))
        watts = open_house(folder).trace("oven").watts
        np.testing.assert_array_equal(watts, np.float32([1, np.nan, np.nan, 4]))


def test_unsorted_and_repeated_rows_are_counted(tmp_path):
    order = [0, 1, 3, 2, 3, 4]
    text = "time,oven\n" + "".join(f"{STAMPS[n]},{n}\n" for n in order)
    trace = one_circuit(tmp_path, text)
    np.testing.assert_array_equal(trace.watts, [0, 1, 2, 3, 4])
    quality = open_house(tmp_path).quality().loc["oven"]
    assert (quality["out_of_order"], quality["repeats"], quality["rows"]) == (1, 1, 6)


def local_rows(zone, start, hours, *, minutes):
    times = pd.date_range(start, periods=hours * 60 // minutes, freq=f"{minutes}min", tz="UTC")
    return times, [t.strftime("%Y-%m-%d %H:%M:%S") for t in times.tz_convert(zone)]


@pytest.mark.parametrize("minutes", [1, 15, 30, 60])
@pytest.mark.parametrize(
    ("zone", "start"),
    [
        ("Europe/Berlin", "2026-03-28 20:00"),
        ("Europe/Berlin", "2026-10-24 20:00"),
        ("America/Denver", "2026-03-08 00:00"),
        ("America/Denver", "2026-11-01 00:00"),
        ("Australia/Lord_Howe", "2026-04-04 06:00"),  # put back by half an hour
        ("UTC-07:00", "2026-11-01 00:00"),
    ],
)
@pytest.mark.parametrize("long", [False, True])
def test_local_times_across_clock_changes(tmp_path, zone, start, minutes, long):
    if zone == "Australia/Lord_Howe" and minutes > 15:
        pytest.skip("half an hour cannot show twice in rows of half an hour")
    tz = "Etc/GMT+7" if zone == "UTC-07:00" else zone
    times, stamps = local_rows(tz, start, 16, minutes=minutes)
    values = np.arange(len(times))
    settings = f'time_zone = "{zone}"'
    column = '"oven"'
    if long:
        settings += '\nlayout = "long"\ncircuit_column = "who"\nvalue_column = "w"'
        rows = [
            f"{s},{who},{v}" for s, v in zip(stamps, values, strict=True) for who in ("oven", "x")
        ]
        text = "time,who,w\n" + "\n".join(rows)
    else:
        text = "time,oven\n" + "\n".join(f"{s},{v}" for s, v in zip(stamps, values, strict=True))
    trace = one_circuit(tmp_path, text, settings, column)
    assert trace.start == times[0]
    np.testing.assert_array_equal(trace.watts, values.astype("f4"))


def test_a_late_row_in_the_repeated_hour(tmp_path):
    times, stamps = local_rows("Europe/Berlin", "2026-10-24 22:00", 6, minutes=1)
    order = list(range(len(times)))
    at = 181  # the first row of the second pass is 180; let its neighbour come after it
    order[at - 1], order[at - 2] = order[at - 2], order[at - 1]
    text = "time,oven\n" + "\n".join(f"{stamps[n]},{n}" for n in order)
    trace = one_circuit(tmp_path, text, 'time_zone = "Europe/Berlin"')
    np.testing.assert_array_equal(trace.watts, np.arange(len(times)).astype("f4"))


def test_repeated_hour_cut_by_pieces_of_a_large_file(tmp_path, monkeypatch):
    from homeenergy.readings.logs import tables

    monkeypatch.setattr(tables, "WHOLE_FILE_BYTES", 0)
    monkeypatch.setattr(tables, "PIECE_BYTES", 2000)
    times, stamps = local_rows("Europe/Berlin", "2026-10-24 12:00", 30, minutes=1)
    text = "time,oven\n" + "\n".join(f"{s},{n}" for n, s in enumerate(stamps))
    trace = one_circuit(tmp_path, text, 'time_zone = "Europe/Berlin"')
    np.testing.assert_array_equal(trace.watts, np.arange(len(times)).astype("f4"))


OK = "2026-03-01T00:00:00Z,1,1\n2026-03-01T00:00:10Z,2,2\n"
LONG = """
[[log]]
files = "logs/*.csv"
layout = "long"
circuit_column = "who"
value_column = "w"
[log.columns]
fridge = "fridge"
oven = "stove"
"""


@pytest.mark.parametrize(
    ("content", "log", "match"),
    [
        (
            "time,fridge,stove\n" + OK,
            WIDE,
            r"bad.csv, line 1: has no column 'oven'; its columns are 'time', 'fridge', 'stove'",
        ),
        ("time;fridge;oven\n" + OK.replace(",", ";"), WIDE, r"is ',' the right delimiter"),
        (
            "time,oven,fridge,oven\n" + OK.replace("\n", ",3\n"),
            WIDE,
            r"has 2 columns called 'oven'",
        ),
        (
            "time,fridge,oven\n" + OK + "2026-03-01T00:00:20Z,3,on\n",
            WIDE,
            r"bad.csv, line 4, column 'oven': 'on' is not a number",
        ),
        (
            "time,fridge,oven\n" + OK + "2026-03-01T00:00:20Z,3,inf\n",
            WIDE,
            r"line 4, column 'oven'.* not a (finite )?number",
        ),
        (
            "time;fridge;oven\n2026-03-01T00:00:00Z;1,5;2\n",
            WIDE.replace("[log.c", 'delimiter = ";"\n[log.c'),
            r'line 2, column \'fridge\'(.|\n)*decimal = ","',
        ),
        (
            "time,fridge,oven\n" + OK + "2026-03-01T00:00:20,3,3\n",
            WIDE,
            r"line 4, column 'time': .*does not carry an offset from UTC",
        ),
        (
            "time,fridge,oven\n" + OK + "01/03/2026 10:00,3,3\n",
            WIDE,
            r"line 4, column 'time': '01/03/2026 10:00' is not an ISO 8601 time",
        ),
        ("time,fridge,oven\n,3,3\n" + OK, WIDE, r"line 2, column 'time': the time is missing"),
        (
            "time,fridge,oven\n" + OK + "2026-03-01T00:00:20Z,3\n",
            WIDE,
            r"line 4: has 2 columns, expected 3",
        ),
        (
            "time,fridge,oven\n13/02/2026 10:00,3,3\n03/13/2026 10:10,3,3\n",
            WIDE.replace("[log.c", 'time_format = "%d/%m/%Y %H:%M"\n[log.c'),
            r"line 3, column 'time': '03/13/2026 10:10' does not fit time_format = "
            r"'%d/%m/%Y %H:%M'",
        ),
        (
            "time,fridge,oven\n13/02/2026 10:00,3,3\n13/02/2026 10:61,3,3\n",
            WIDE.replace("[log.c", 'time_format = "%d/%m/%Y %H:%M"\n[log.c'),
            r"line 3, column 'time': '13/02/2026 10:61' does not fit time_format = "
            r"'%d/%m/%Y %H:%M'",
        ),
        ("time,fridge,oven\n,W,W\n" + OK, WIDE, r"line 2(.|\n)*lines_below_header = 1"),
        ("time,fridge,oven\nUTC,W,W\n" + OK, WIDE, r"line 2(.|\n)*lines_below_header = 1"),
        (
            "Export of the panel\ntime,fridge,oven\n" + OK,
            WIDE,
            r"line 1: has no column 'time'(.|\n)*lines_above_header",
        ),
        (
            "a\n\ntime,fridge,oven\n,W,W\n" + OK + "2026-03-01T00:00:20Z,3,off\n",
            WIDE.replace("[log.c", "lines_above_header = 2\nlines_below_header = 1\n[log.c"),
            r"line 7, column 'oven': 'off' is not a number(.|\n)*missing = \[\"off\"\]",
        ),
        (
            'time,fridge,oven\n2026-03-01T00:00:00Z,1,"1,234.5"\n',
            WIDE,
            r"line 2, column 'oven'(.|\n)*between its thousands, write thousands = \",\"\.",
        ),
        (
            "time;fridge;oven\n2026-03-01T00:00:00Z;1;1.234,5\n",
            WIDE.replace("[log.c", 'delimiter = ";"\n[log.c'),
            r"column 'oven'(.|\n)*write thousands = \"\.\" and decimal = \",\"\.",
        ),
        (
            "time;fridge;oven\n2026-03-01T00:00:00Z;1;1,234\n",
            WIDE.replace("[log.c", 'delimiter = ";"\n[log.c'),
            r"'oven'(.|\n)*thousands = \",\"\. If it is the decimal mark, write decimal = \",",
        ),
        (
            "a\ntime;fridge;oven\n2026-03-01T00:00:00Z;1;1,234\n2026-03-01T00:00:10Z;;12,5\n",
            WIDE.replace(
                "[log.c", 'delimiter = ";"\nlines_above_header = 1\nthousands = ","\n[log.c'
            ),
            r"line 4, column 'oven': '12,5' is not a number(.|\n)*groups digits in threes",
        ),
        (
            "time,fridge,oven\n" + OK + "2026-03-01T00:00:20Z,3,off\n",
            WIDE.replace("[log.c", 'thousands = ","\n[log.c'),
            r"column 'oven': 'off' is not a number(.|\n)*missing = \[\"off\"\]",
        ),
        (
            "time,fridge,oven\n31.02.2026,3,3\n",
            WIDE.replace("[log.c", 'time_format = "%d.%m.%Y"\n[log.c'),
            r"line 2, column 'time': '31.02.2026' does not fit",
        ),
        (
            "time,fridge,oven\n1772323200,3,3\n",
            WIDE.replace("[log.c", 'time_format = "epoch_ms"\n[log.c'),
            r"outside 1990 to 2100",
        ),
        (
            "time,fridge,oven\n2026-03-29 02:30:00,3,3\n",
            WIDE.replace("[log.c", 'time_zone = "Europe/Berlin"\n[log.c'),
            r'line 2, column \'time\': 2026-03-29 02:30:00 does not exist(.|\n)*"UTC\+01:00"',
        ),
        (
            "time,fridge,oven\n2026-10-25 01:59:00,3,3\n2026-10-25 02:00:00,3,3\n"
            "2026-10-25 02:59:00,3,3\n2026-10-25 03:00:00,3,3\n",
            WIDE.replace("[log.c", 'time_zone = "Europe/Berlin"\n[log.c'),
            r'line 3, column \'time\': 2026-10-25 02:00:00 exists twice(.|\n)*"UTC\+01:00"',
        ),
        (
            gzip.compress(("time,fridge,oven\n" + OK * 5000).encode())[:-30],
            WIDE,
            r"gzip file that is cut short",
        ),
        (b"time,fridge,oven\n" + OK.encode() + b"\xff\xfe,1,1\n", WIDE, r"is not utf-8 text"),
        (
            "time,who,w\n2026-03-01T00:00:00Z,fridge,1\n2026-03-01T00:00:10Z,fridge,1\n",
            LONG,
            r"`log\[1\].columns.oven`: no row .* has 'stove' in column 'who'",
        ),
    ],
)
def test_bad_logs_are_refused_and_the_store_is_left(tmp_path, content, log, match):
    import_logs(make_house(tmp_path, {"good.csv": iso_csv(WHOLE)}))
    before = store_bytes(tmp_path)
    (tmp_path / "logs" / "good.csv").rename(tmp_path / "good.txt")
    make_house(tmp_path, {"bad.csv": content}, log=log)
    with pytest.raises(HouseError, match=match):
        import_logs(tmp_path)
    assert store_bytes(tmp_path) == before
    assert len(before) == 2


@pytest.mark.parametrize("content", [b"PAR1 no", b""])
def test_unreadable_parquet(tmp_path, content):
    log = WIDE.replace("*.csv", "*.parquet").replace("[log.c", 'format = "parquet"\n[log.c')
    with pytest.raises(HouseError, match=r"a.parquet: is not a Parquet file"):
        import_logs(make_house(tmp_path, {"a.parquet": content}, log=log))


def test_parquet_with_texts_for_numbers(tmp_path):
    log = WIDE.replace("*.csv", "*.parquet").replace("[log.c", 'format = "parquet"\n[log.c')
    make_house(tmp_path, {}, log=log)
    WHOLE.astype({"oven": str}).reset_index(names="time").to_parquet(
        tmp_path / "logs" / "a.parquet"
    )
    with pytest.raises(HouseError, match=r"column 'oven': holds values of type (large_)?string"):
        import_logs(tmp_path)


def test_texts_of_which_only_some_carry_an_offset(tmp_path):
    log = WIDE.replace("*.csv", "*.parquet").replace("[log.c", 'format = "parquet"\n[log.c')
    make_house(tmp_path, {}, log=log)
    stamps = WHOLE.index.strftime("%Y-%m-%dT%H:%M:%SZ").to_list()
    stamps[7] = stamps[7][:-1]
    WHOLE.assign(time=stamps).to_parquet(tmp_path / "logs" / "a.parquet", index=False)
    with pytest.raises(HouseError, match=r"line 8, column 'time'.*does not carry an offset"):
        import_logs(tmp_path)


def test_a_piecewise_read_gives_the_same(tmp_path, monkeypatch):
    from homeenergy.readings.logs import tables

    text = iso_csv(frame("2026-03-01", 20_000))
    import_logs(make_house(tmp_path / "whole", {"a.csv": text}))
    monkeypatch.setattr(tables, "WHOLE_FILE_BYTES", 0)
    monkeypatch.setattr(tables, "PIECE_BYTES", 50_000)
    import_logs(make_house(tmp_path / "pieces", {"a.csv": text}))
    assert store_bytes(tmp_path / "whole") == store_bytes(tmp_path / "pieces")


def test_one_row_does_not_show_a_period(tmp_path):
    text = "time,oven\n2026-03-01T00:00:00Z,3\n"
    with pytest.raises(HouseError, match=r"fewer than two different times(.|\n)*period_s"):
        one_circuit(tmp_path, text)
    assert one_circuit(tmp_path, text, "period_s = 60").energy_wh == pytest.approx(3 / 60)


@pytest.mark.parametrize("whole", [True, False])
def test_lines_torn_by_a_power_cut_are_passed_over_and_told(tmp_path, monkeypatch, whole):
    from homeenergy.readings.logs import tables

    if not whole:
        monkeypatch.setattr(tables, "WHOLE_FILE_BYTES", 0)
        monkeypatch.setattr(tables, "PIECE_BYTES", 5_000)
    lines = iso_csv(WHOLE).splitlines()
    lines[50] = lines[50][:22]
    lines[60:62] = [lines[60] + lines[61]]
    report = import_logs(make_house(tmp_path, {"a.csv": "\n".join(lines) + "\n"}))
    assert report.torn == (f"logs/a.csv (2, such as {lines[50]!r})",)
    assert "passed over: logs/a.csv" in str(report)
    watts = np.delete(open_house(tmp_path).trace("oven").watts, [49, 59, 60])
    known = np.delete(WHOLE["oven"].to_numpy(), [49, 59, 60]).astype("f4")
    np.testing.assert_array_equal(watts, known)


def test_torn_lines_do_not_hide_what_else_is_wrong(tmp_path):
    lines = iso_csv(WHOLE).splitlines()
    lines[50] = lines[50][:22]
    lines[70] = lines[70].rpartition(",")[0] + ",hot"
    with pytest.raises(HouseError, match=r"line 71, column 'oven': 'hot' is not a number"):
        import_logs(make_house(tmp_path, {"a.csv": "\n".join(lines) + "\n"}))


def test_many_torn_lines_are_refused(tmp_path):
    lines = iso_csv(WHOLE).splitlines()
    # Two of 199 rows are just more than one of a hundred.
    lines[50:52] = ["2026", "2026"]
    del lines[202:]
    with pytest.raises(HouseError, match=r"line 51: has 1 columns, expected"):
        import_logs(make_house(tmp_path, {"a.csv": "\n".join(lines) + "\n"}))


def test_an_open_quote_swallows_nothing_without_a_word(tmp_path):
    lines = iso_csv(WHOLE).splitlines()
    lines[50] = '"' + lines[50][:22]
    with pytest.raises(HouseError, match=r"expected 3|cannot be read"):
        import_logs(make_house(tmp_path, {"a.csv": "\n".join(lines) + "\n"}))


@pytest.mark.parametrize("where", ["torn", "blank"])
def test_a_bad_stamp_after_lines_without_rows_has_the_line_of_the_file(tmp_path, where):
    times = WHOLE.index.strftime("%d.%m.%Y %H:%M:%S")
    lines = ["time,fridge,oven", *(f"{time},1,2" for time in times)]
    lines[50] = "" if where == "blank" else lines[50][:12]
    lines[70] = "31.02.2026 00:00:00,1,2"
    log = WIDE.replace("[log.c", 'time_format = "%d.%m.%Y %H:%M:%S"\n[log.c')
    with pytest.raises(HouseError, match=r"line 71, column 'time': '31.02.2026 00:00:00'"):
        import_logs(make_house(tmp_path, {"a.csv": "\n".join(lines) + "\n"}, log=log))


def test_of_mixed_rows_of_circuits_no_line_is_named(tmp_path):
    long = "".join(
        f"2026-03-01T00:00:{s:02d}Z,{c},1\n" for s in range(9) for c in ("fridge", "oven")
    )
    wide = "".join(f"2026-03-01T00:00:{s:02d}Z,1,2\n" for s in range(9))
    at = pd.Timestamp("2026-03-01T00:00:04Z")
    mixed = '[[log]]\nfiles = "logs/*.csv"\nlayout = "long"\ncircuit_column = "circuit"\n'
    mixed += 'value_column = "value"\n[log.columns]\nfridge = "fridge"\noven = "oven"\n'
    for name, text, log in (
        ("a.csv, line 6", "time,fridge,oven\n" + wide, WIDE),
        ("a.csv", "time,circuit,value\n" + long, mixed),
    ):
        folder = tmp_path / name[-6:]
        import_logs(make_house(folder, {"a.csv": text}, log=log))
        assert open_house(folder).place_of("oven", at) == f"logs/{name}"


@pytest.mark.parametrize(
    ("volts", "header", "watts"),
    [("230", True, 115), ("120.5", True, 60.25), ("230", False, 115)],
)
def test_amps_alone_at_volts_that_are_stated(tmp_path, volts, header, watts):
    head = "time,A\n" if header else ""
    text = head + "".join(f"{t},2\n" for t in STAMPS)
    amps, more = ('"A"', "") if header else ("2", "header = false\ntime_columns = [1]")
    column = f"{{ volts_v = {volts}, amps = {amps}, power_factor = 0.25 }}"
    np.testing.assert_allclose(one_circuit(tmp_path, text, more, column=column).watts, watts)
