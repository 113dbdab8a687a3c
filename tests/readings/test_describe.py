"""A proposed layout reads the log it was made from, and doubt is refused, not settled."""

import gzip

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from homeenergy.errors import HouseError
from homeenergy.house.layouts import layout_toml
from homeenergy.house.toml_file import read_schedule
from homeenergy.readings import describe, import_logs, new_house, open_house
from homeenergy.readings.logs.columns import read_head
from homeenergy.readings.logs.labels import looks_like_mains

from .folders import frame, iso_csv
from .test_log_formats import FORMATS, write

WHOLE = frame("2026-03-14 12:00", 300)


def text(stamps, values=None, head="time,oven_w"):
    values = range(len(stamps)) if values is None else values
    return head + "\n" + "".join(f"{s},{v}\n" for s, v in zip(stamps, values, strict=True))


def log(tmp_path, content, name="a.csv"):
    path = tmp_path / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


@settings(max_examples=50)
@given(
    marks=st.sampled_from([(",", "."), (";", ","), (";", "."), ("\t", ","), ("|", ".")]),
    time_format=st.sampled_from(sorted(set(FORMATS) - {"%Y%m%d%H%M%S"})),
    long=st.booleans(),
    header=st.booleans(),
    packed=st.booleans(),
    two=st.booleans(),
)
def test_what_is_proposed_reads_the_log(
    tmp_path_factory, marks, time_format, long, header, packed, two
):
    two = two and time_format == "%d.%m.%Y %H:%M:%S"
    folder = tmp_path_factory.mktemp("d")
    content, _ = write(
        WHOLE,
        delimiter=marks[0],
        decimal=marks[1],
        time_format=time_format,
        long=long,
        header=header,
        packed=packed,
        encoding="utf-8",
        two=two,
    )
    path = log(folder, content, "log.csv.gz" if packed else "log.csv")
    new_house(folder / "house", logs=path, timezone="Etc/UTC")
    import_logs(folder / "house")
    house = open_house(folder / "house")
    names = WHOLE.columns if header or long else [c.name for c in house.circuits]
    for name, column in zip(names, WHOLE.columns, strict=True):
        trace = house.trace(name)
        assert trace.start == WHOLE.index[0]
        np.testing.assert_array_equal(trace.watts, WHOLE[column].to_numpy().astype("f4"))


def test_units_and_names_from_a_header(tmp_path):
    stamps = pd.date_range("2026-03-14", periods=50, freq="1min").strftime("%Y-%m-%d %H:%M:%S")
    head = "Zeit;Kühlschrank [W];Ofen (kW);pump_w;meter kWh;V;A"
    rows = [f"{s};5;0,{n % 9};7;{n},5;230;1" for n, s in enumerate(stamps)]
    content = "\n".join([head, *rows]).encode("cp1252")
    found = describe(log(tmp_path, content), timezone="Europe/Berlin")
    assert found.layout.encoding == "cp1252"
    assert (found.layout.decimal, found.layout.delimiter) == (",", ";")
    assert found.layout.time_zone == "Europe/Berlin"
    meant = {name: (c.names[0], c.quantity, c.unit) for name, c in found.layout.columns.items()}
    assert meant == {
        "kuhlschrank": ("Kühlschrank [W]", "power", "W"),
        "ofen": ("Ofen (kW)", "power", "kW"),
        "pump": ("pump_w", "power", "W"),
        "meter": ("meter kWh", "energy_counter", "kWh"),
    }
    assert found.labels["kuhlschrank"] == "Kühlschrank"
    remarks = "\n".join(found.remarks)
    for seen in ("decimal comma", "column 'V' is left out", "no offset from UTC", "every 60 s"):
        assert seen in remarks
    assert layout_toml(found.layout) in found.toml()


@pytest.mark.parametrize(
    ("head", "label", "holds", "unit"),
    [
        ("powerkW", "", "power", "kW"),
        ("activePowerkW", "", "power", "kW"),
        ("activePowerKw", "", "power", "kW"),
        ("energykWh", "", "energy", "kWh"),
        ("deskW", "desk", "power", "W"),  # the k is the word's
        ("fridgeW", "fridge", "power", "W"),
    ],
)
def test_a_unit_is_parted_from_the_word_before_it(head, label, holds, unit):
    found = read_head(head)
    assert (found.label, found.holds, found.unit) == (label, holds, unit)


def test_month_first_because_a_day_is_above_twelve(tmp_path):
    found = describe(log(tmp_path, text(["03/14/2026 10:00", "03/14/2026 10:01"])))
    assert found.layout.time_format == "%m/%d/%Y %H:%M"


def test_day_first_because_only_so_dates_follow_one_another(tmp_path):
    stamps = pd.date_range("2026-03-01", periods=72, freq="1h").strftime("%d/%m/%Y %H:%M")
    found = describe(log(tmp_path, text(stamps)))
    assert found.layout.time_format == "%d/%m/%Y %H:%M"
    assert any("day first" in remark for remark in found.remarks)


def test_a_deciding_date_far_down_the_log_is_found(tmp_path):
    stamps = pd.date_range("2026-03-04", periods=12 * 8640, freq="10s").strftime(
        "%d/%m/%Y %H:%M:%S"
    )
    found = describe(log(tmp_path, text(stamps)))
    assert found.layout.time_format == "%d/%m/%Y %H:%M:%S"


def test_dates_with_points_have_the_day_first(tmp_path):
    stamps = [f"03.04.2026 10:{minute:02d}" for minute in range(30)]
    found = describe(log(tmp_path, text(stamps)))
    assert found.layout.time_format == "%d.%m.%Y %H:%M"
    assert any("day first" in remark for remark in found.remarks)


@pytest.mark.parametrize("separator", ["/", "-"])
def test_day_or_month_first_in_doubt_is_refused(tmp_path, separator):
    stamps = [f"03{separator}04{separator}2026 10:{minute:02d}" for minute in range(30)]
    with pytest.raises(HouseError, match=r"03 April 2026 or 04 March 2026") as caught:
        describe(log(tmp_path, text(stamps)))
    for order in ("%d{0}%m{0}%Y", "%m{0}%d{0}%Y"):
        assert f'time_format = "{order.format(separator)} %H:%M"' in str(caught.value)


@pytest.mark.parametrize(
    ("content", "match"),
    [
        (b"", r"a.csv: is empty"),
        ("time,oven\n", r"has a header but no rows"),
        ("just\nsome\nlines of text\n", r"does not look like a table"),
        ("a,b\n1,2\n3,4\n", r"no column holds times"),
        (text(["2026-03-14T10:00:00Z", "2026-03-14T10:00:10"]), r"some times carry an offset"),
        (
            text(["14/03/2026 10:00", "03/15/2026 10:00"]),
            r"some dates have the day first and some the month",
        ),
        (text(["2026-03-14 10:00:00", "soon"]), r"no column holds times|'soon'"),
        (gzip.compress(text(["2026-03-14 10:00:00"] * 9999).encode())[:-20], r"cannot be read"),
    ],
)
def test_what_cannot_be_described(tmp_path, content, match):
    with pytest.raises(HouseError, match=match):
        describe(log(tmp_path, content))


def test_files_of_another_layout_are_refused(tmp_path):
    one = log(tmp_path, iso_csv(WHOLE), "one.csv")
    two = log(tmp_path, iso_csv(WHOLE).replace(",", ";"), "two.csv")
    with pytest.raises(HouseError, match=r"two.csv: has another delimiter than one.csv"):
        describe([one, two])


@pytest.mark.parametrize("long", [False, True])
def test_parquet(tmp_path, long):
    table = WHOLE.reset_index(names="time")
    table = table.melt("time", var_name="who", value_name="w") if long else table
    table.to_parquet(tmp_path / "a.parquet")
    new_house(tmp_path / "house", logs=tmp_path / "a.parquet", timezone="Europe/Berlin")
    import_logs(tmp_path / "house")
    watts = open_house(tmp_path / "house").trace("oven").watts
    np.testing.assert_array_equal(watts, WHOLE["oven"].to_numpy().astype("f4"))


def test_new_house_copies_logs_and_overwrites_nothing(tmp_path):
    path = log(tmp_path, iso_csv(WHOLE), "march.csv")
    made = new_house(
        tmp_path / "house",
        logs=[path],
        timezone="Europe/Berlin",
        name='The "old" mill',
        currency="EUR",
        price_per_kwh=0.31,
    )
    schedule = read_schedule(tmp_path / "house")
    assert (schedule.name, str(schedule.timezone)) == ('The "old" mill', "Europe/Berlin")
    assert schedule.tariff is not None
    assert schedule.tariff.price_per_kwh == 0.31
    assert [c.name for c in schedule.circuits] == list(WHOLE.columns)
    assert (tmp_path / "house" / "logs" / "march.csv").read_bytes() == path.read_bytes()
    assert path.exists()
    assert "electrician" in made.read_text()
    before = made.read_bytes()
    with pytest.raises(HouseError, match=r"house.toml: is there already"):
        new_house(tmp_path / "house", logs=[path], timezone="Europe/Berlin")
    assert made.read_bytes() == before


def test_new_house_for_a_log_that_cannot_be_described_makes_nothing(tmp_path):
    with pytest.raises(HouseError, match="is empty"):
        new_house(tmp_path / "house", logs=log(tmp_path, b""), timezone="Europe/Berlin")
    assert not (tmp_path / "house").exists()


def test_a_header_may_leave_the_time_without_a_name(tmp_path):
    path = log(tmp_path, WHOLE.to_csv(date_format="%Y-%m-%dT%H:%M:%SZ"))
    new_house(tmp_path / "house", logs=path, timezone="Europe/Berlin")
    import_logs(tmp_path / "house")
    assert len(open_house(tmp_path / "house").trace("oven")) == len(WHOLE)


def energies(values, head="time,oven kWh", freq="1min"):
    stamps = pd.date_range("2026-03-14 10:00", periods=len(values), freq=freq)
    return text(stamps.strftime("%Y-%m-%d %H:%M:%S"), [f"{v:.4f}" for v in values], head=head)


COUNTED = 12.3 + 0.0006 * np.arange(2000)


@pytest.mark.parametrize(
    ("values", "quantity"),
    [
        (COUNTED, "energy_counter"),
        (np.r_[COUNTED[:100], COUNTED[101], COUNTED[100], COUNTED[102:]], "energy_counter"),
        (np.r_[COUNTED[:1000], COUNTED[:1000] - 12.3], "energy_counter"),
        (COUNTED[::-1], "energy_counter"),
        (np.tile([0, 0, 0, 0.01, 0.03, 0.02, 0, 0], 200), "energy"),
        (np.random.default_rng(1).uniform(0, 0.05, 500), "energy"),
    ],
)
def test_a_counter_is_told_from_energy_even_with_a_reset_or_a_late_row(tmp_path, values, quantity):
    found = describe(log(tmp_path, energies(values)))
    assert found.layout.columns["oven"].quantity == quantity
    said = "counter" if quantity == "energy_counter" else "each row's period"
    assert any("'oven kWh'" in remark and said in remark for remark in found.remarks)


def test_a_guessed_unit_is_remarked(tmp_path):
    content = energies(np.tile([0.2, 3.5], 100), head="time,Active power")
    remarks = describe(log(tmp_path, content)).remarks
    assert any("'Active power': head without a unit" in r and "3.5" in r for r in remarks)
    sure = describe(log(tmp_path, energies(np.tile([0.2, 3.5], 100), head="time,oven_w"), "b.csv"))
    assert not any("unit" in remark for remark in sure.remarks)


def test_guesses_for_every_circuit_of_a_long_log_are_remarked(tmp_path):
    rows = ["time,who,value"]
    for n in range(60):
        rows += [f"2026-03-14 10:{n:02d}:00,{who}" for who in (f"meter,{12 + n}", f"oven,{n % 7}")]
    remarks = " ".join(describe(log(tmp_path, "\n".join(rows))).remarks)
    assert "'meter': only rises" in remarks
    assert "'oven': head without a unit" in remarks


@pytest.mark.parametrize("odd", ["ERR", "--"])
def test_a_text_among_numbers_means_missing_and_not_a_circuit(tmp_path, odd):
    stamps = pd.date_range("2026-03-14", periods=300, freq="10s").strftime("%Y-%m-%dT%H:%M:%SZ")
    rows = [f"{s},{odd if n == 40 else n % 9},{n % 4}" for n, s in enumerate(stamps)]
    path = log(tmp_path, "\n".join(["Time,Fridge (W),Oven (W)", *rows]))
    found = describe(path)
    assert found.layout.layout == "wide"
    assert list(found.layout.columns) == ["fridge", "oven"]
    assert any(repr(odd) in remark and "missing" in remark for remark in found.remarks)
    new_house(tmp_path / "house", logs=path, timezone="Etc/UTC")
    import_logs(tmp_path / "house")
    watts = open_house(tmp_path / "house").trace("fridge").watts
    expected = np.arange(300) % 9
    expected[40] = expected[39]  # as where a row is lost
    np.testing.assert_array_equal(watts, expected)


def test_lines_above_the_header_and_a_line_of_units(tmp_path):
    stamps = pd.date_range("2026-03-14", periods=50, freq="1min").strftime("%Y-%m-%d %H:%M:%S")
    rows = [f"{s},{n % 9},0.{n % 7}" for n, s in enumerate(stamps)]
    path = log(
        tmp_path,
        "\n".join(["Export of the panel, hall", "", "Site 3", "time,fridge,oven", ",W,kW", *rows]),
    )
    found = describe(path)
    assert (found.layout.lines_above_header, found.layout.lines_below_header) == (3, 1)
    assert found.layout.columns["fridge"].unit == "W"
    assert found.layout.columns["oven"].unit == "kW"
    new_house(tmp_path / "house", logs=path, timezone="Etc/UTC")
    import_logs(tmp_path / "house")
    house = open_house(tmp_path / "house")
    np.testing.assert_array_equal(house.trace("fridge").watts[:4], [0, 1, 2, 3])
    np.testing.assert_allclose(house.trace("oven").watts[:4], [0, 100, 200, 300], rtol=1e-6)


def test_decimal_commas_in_quotes_between_commas(tmp_path):
    rows = [f'2026-03-14 10:{n:02d}:00,"{n % 3},5",{n}' for n in range(40)]
    new_house(
        tmp_path / "house",
        logs=log(tmp_path, "\n".join(["time,Oven W,Tv W", *rows])),
        timezone="Etc/UTC",
    )
    import_logs(tmp_path / "house")
    made = open_house(tmp_path / "house")
    np.testing.assert_array_equal(made.trace("oven").watts[:4], [0.5, 1.5, 2.5, 0.5])
    np.testing.assert_array_equal(made.trace("tv").watts[:4], [0, 1, 2, 3])


def test_lines_above_a_header_with_decimal_commas_below(tmp_path):
    rows = [f"14.03.2026 10:{n:02d}:00;{n % 3},5;1,5" for n in range(40)]
    head = ["Bericht; Haus", "von;bis", "01.03.2026;01.04.2026", "", "Zeit;Ofen kW;Herd kW"]
    found = describe(log(tmp_path, "\n".join([*head, *rows])))
    assert found.layout.lines_above_header == 4
    assert (found.layout.delimiter, found.layout.decimal) == (";", ",")
    assert [column.names[0] for column in found.layout.columns.values()] == ["Ofen kW", "Herd kW"]


@pytest.mark.parametrize(
    ("first", "freq", "number", "marks", "said"),
    [
        ("2026-03-14 00:00", "15min", 96, "start", "they mark the start"),
        ("2026-03-14 00:15", "15min", 96, "end", "one period after midnight"),
        ("2026-03-14 00:01", "1min", 1440, "end", "one period after midnight"),
        ("2026-03-14 00:00:01", "1s", 200, "start", "are taken to mark the start"),
        ("2026-03-14 10:05", "5min", 90, "start", "are taken to mark the start"),
    ],
)
@pytest.mark.parametrize("zoned", [False, True])
def test_start_or_end_of_the_period(tmp_path, first, freq, number, marks, said, zoned):
    stamps = pd.date_range(first, periods=number, freq=freq, tz="Europe/Berlin")
    stamps = stamps.strftime("%Y-%m-%dT%H:%M:%S" + ("%z" if zoned else ""))
    found = describe(log(tmp_path, text(stamps)), timezone="Europe/Berlin")
    assert found.layout.time_marks == marks
    assert any(said in remark for remark in found.remarks)
    assert f'time_marks = "{marks}"' in found.toml()


@pytest.mark.parametrize(
    ("label", "mains"),
    [
        ("Mains", True),
        ("mains L1", True),
        ("Grid", True),
        ("Total power", True),
        ("Main breaker", True),
        ("Hausanschluss", True),
        ("Main bedroom", False),
        ("Water main heater", False),
        ("Supply fan", False),
        ("Power", False),
    ],
)
def test_mains_are_told_from_their_whole_label(tmp_path, label, mains):
    new_house(
        tmp_path / "house",
        logs=log(tmp_path, energies([5, 6, 7, 5], head=f"time,{label} [W]")),
        timezone="Etc/UTC",
    )
    (circuit,) = read_schedule(tmp_path / "house").circuits
    assert circuit.role == ("mains" if mains else "load")


@pytest.mark.parametrize(
    ("label", "expected"),
    [
        ("Hauptzähler", True),
        ("Gesamtverbrauch L1", True),
        ("Gesamtleistung", True),
        ("Potencia total", True),
        ("Leistung Herd", False),
        ("Potencia", False),
        ("mains_left", True),
        ("Grid power", True),
        ("Total", True),
        ("Mains water pump", False),
        ("Main bedroom", False),
        ("Netzwerk", False),
    ],
)
def test_the_supply_is_known_by_its_name_alone(label, expected):
    assert looks_like_mains(label) is expected


@pytest.mark.parametrize("first", [True, False])
def test_files_without_rows_are_named_and_the_others_described(tmp_path, first):
    full, empty = tmp_path / "b.csv", tmp_path / ("a.csv" if first else "c.csv")
    full.write_text("time,oven\n2026-03-02T10:00:00Z,5\n2026-03-02T10:00:01Z,7\n")
    empty.write_text("time,oven\n")
    found = describe(sorted([full, empty]))
    assert list(found.layout.columns) == ["oven"]
    assert f"{empty.name} holds no rows and is left out" in found.remarks
