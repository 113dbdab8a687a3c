"""Exports of data loggers, databases and spreadsheets become the right house, without an edit.

As in `test_any_folder`: each log is written from known power, whose energies must come out.
"""

import json

import pandas as pd
import pytest

from homeenergy.errors import HouseError
from homeenergy.readings import import_logs
from tests.readings.folders import make_house
from tests.readings.test_any_folder import (
    FRAME,
    STEP_S,
    TRUTH,
    close,
    columns,
    through,
    wide,
    write,
)

UTC = FRAME.index.strftime("%Y-%m-%dT%H:%M:%SZ")
LABELS = {name.casefold().replace(" ", "_"): name for name in FRAME}


def records():
    for stamp, row in zip(UTC, FRAME.to_numpy().tolist(), strict=True):
        yield {"ts": stamp, **dict(zip(LABELS, row, strict=True))}


def by_label(kwh):
    return {
        LABELS.get(name.casefold().replace(" ", "_"), name): value for name, value in kwh.items()
    }


def json_lines():
    return "".join(json.dumps(record) + "\n" for record in records())


def nested():
    out = []
    for record in records():
        when = record.pop("ts")
        out += [
            {"ts": when, "device": LABELS[name], "values": {"power": watts, "voltage": 120.5}}
            for name, watts in record.items()
        ]
    return "".join(json.dumps(one) + "\n" for one in out)


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("a.jsonl", json_lines),
        ("a.log", lambda: json_lines() + '{"ts": "2026-10-1'),  # still being written
        ("a.json", lambda: json.dumps(list(records()))),
        ("a.json", lambda: json.dumps({"site": "x", "data": {"rows": list(records())}}, indent=1)),
        ("a.ndjson", nested),
    ],
)
def test_records_of_json(tmp_path, name, text):
    close(by_label(through(tmp_path, write(tmp_path, name, text())).kwh))


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ('{"target": "oven", "points": [[1, 2, 3], [3, 4]]}', "holds no list of records"),
        ("[1, 2, 3]", "holds no list of records"),
        ('{"ts": "2026-01-01T00:00:00Z", "oven": 2}\n[3]\n', "is no record"),
        ('[{"ts": 1,', "is no JSON"),
    ],
)
def test_json_without_records_is_refused_with_what_to_do(tmp_path, text, what):
    with pytest.raises(HouseError, match=what):
        through(tmp_path, write(tmp_path, "a.json", text))


def test_a_refusal_names_the_file_that_was_given_and_not_what_was_unpacked(tmp_path):
    text = '[{"oven": 1, "fridge": 2}, {"oven": 3, "fridge": 4}]'
    with pytest.raises(HouseError, match="no column holds times") as refused:
        through(tmp_path, write(tmp_path, "a.json", text))
    assert str(refused.value).startswith("a.csv: ")


def test_settings_in_json_next_to_a_log_are_left_out_and_named(tmp_path):
    write(tmp_path, "settings.json", '{"volts": 120}')
    made = through(tmp_path, write(tmp_path, "a.csv", wide([*FRAME], columns())))
    close(made.kwh)
    assert "settings.json" in made.text


@pytest.mark.parametrize("head", ["No.", "RECORD"])
def test_a_column_that_numbers_the_rows_is_no_counter(tmp_path, head):
    numbered = [range(len(FRAME)), *columns()]
    made = through(tmp_path, write(tmp_path, "a.csv", wide([head, *FRAME], numbered)))
    close(made.kwh)
    assert "it numbers the rows" in made.text


def test_rows_of_a_database_with_numbers_of_rows_and_of_circuits(tmp_path):
    lines, ids = ["id,sensor,state,ts"], [11, 12, 15, 17]
    for record in records():
        when, *watts = record.values()
        lines += [f"{len(lines) + at},{ids[at]},{one},{when}" for at, one in enumerate(watts)]
    made = through(tmp_path, write(tmp_path, "a.csv", lines))
    close(made.kwh, dict(zip(map(str, ids), TRUTH.values(), strict=True)))


def test_comments_above_the_heads_and_columns_that_say_the_same_of_a_circuit(tmp_path):
    lines = ["#group,no,no,yes,yes,no,no,yes", "#types,text,long,time,time,time,double,text"]
    lines.append(",result,table,_start,_stop,_time,_value,circuit")
    edges = f"{UTC[0]},{UTC[-1]}"
    for number, name in enumerate(FRAME):
        pairs = zip(UTC, FRAME[name], strict=True)
        lines += [f",,{number},{edges},{when},{watts},{name}" for when, watts in pairs]
    close(through(tmp_path, write(tmp_path, "a.csv", lines)).kwh)


def test_off_in_place_of_most_numbers(tmp_path):
    cells = [f"{watts:.1f}" if watts > 100 else "OFF" for watts in FRAME["Dryer"]]
    lines = ["time,dryer W,fridge W"]
    lines += [",".join(row) for row in zip(UTC, cells, map(str, FRAME["Fridge"]), strict=True)]
    made = through(tmp_path, write(tmp_path, "a.csv", lines))
    close(made.kwh, {"dryer": TRUTH["Dryer"], "fridge": TRUTH["Fridge"]})
    assert "'OFF' is not a number" in made.text


def test_a_status_for_each_of_several_columns(tmp_path):
    lines = ["Timestamp,Oven_kW,Oven_Status,Dryer_kW,Dryer_Status"]
    stamps = FRAME.index.strftime("%d-%b-%y %I:%M:%S %p UTC")
    for when, oven, dryer in zip(stamps, FRAME["Oven"], FRAME["Dryer"], strict=True):
        lines.append(f"{when},{oven / 1000},{{ok}},{dryer / 1000},{{ok}}")
    made = through(tmp_path, write(tmp_path, "a.csv", lines))
    close(made.kwh, {"Oven": TRUTH["Oven"], "Dryer": TRUTH["Dryer"]})
    assert made.house.trace("oven").start == pd.Timestamp("2026-10-12", tz="UTC")


@pytest.mark.parametrize(("unit", "joules"), [("kJ", 1e3), ("MJ", 1e6)])
@pytest.mark.parametrize("counted", [False, True])
def test_joules_are_energy(tmp_path, unit, joules, counted):
    energy = FRAME * STEP_S / joules
    energy = 5 + energy.cumsum().shift(fill_value=0) if counted else energy
    heads = [f"{name} ({unit})" for name in FRAME]
    made = through(tmp_path, write(tmp_path, "a.csv", wide(heads, columns(energy))))
    assert {column.unit for column in made.made.schedule.logs[0].columns.values()} == {unit}
    close(made.kwh, rel=1e-3)


def test_joules_without_a_prefix_are_no_watts(tmp_path):
    heads = [f"{name} (J)" for name in FRAME]
    with pytest.raises(HouseError, match="holds J, not power"):
        through(tmp_path, write(tmp_path, "a.csv", wide(heads, columns())))


@pytest.mark.parametrize("other", ["energy today kWh", "total Wh", "lifetime energy (kWh)"])
def test_the_energy_of_a_power_that_is_there_as_well_is_no_circuit(tmp_path, other):
    heads, cells = [], []
    for name in FRAME:
        kwh = FRAME[name].cumsum().to_numpy() * STEP_S / 3.6e6
        heads += [f"{name} W", f"{name} {other}"]
        cells += [FRAME[name].to_numpy(), kwh * 1000 if "Wh" in other.split() else kwh]
    made = through(tmp_path, write(tmp_path, "a.csv", wide(heads, cells)))
    close(made.kwh)
    assert "it is the energy of 'Fridge W'" in made.text


def test_an_energy_that_its_namesake_does_not_give_stays_and_is_in_doubt(tmp_path):
    kwh = FRAME["Oven"].cumsum().to_numpy() * STEP_S / 3.6e6
    heads = ["Kitchen W", "Kitchen oven kWh"]
    made = through(
        tmp_path, write(tmp_path, "a.csv", wide(heads, [FRAME["Fridge"].to_numpy(), kwh]))
    )
    assert made.kwh["Kitchen"] == pytest.approx(TRUTH["Fridge"], rel=1e-4)
    assert len(made.kwh) == 2
    assert "may be the energy of 'Kitchen W'" in made.text


def test_empty_rows_columns_and_a_title_of_a_spreadsheet(tmp_path):
    lines = [",,,,,", ",House log,,,,", ",,,,,", ",Time,,Oven W,Dryer W,"]
    for at, when in enumerate(UTC):
        lines.append(f",{when},,{FRAME['Oven'].iloc[at]},{FRAME['Dryer'].iloc[at]},")
        lines += [",,,,,"] * (at % 500 == 499)
    made = through(tmp_path, write(tmp_path, "a.csv", lines))
    close(made.kwh, {"Oven": TRUTH["Oven"], "Dryer": TRUTH["Dryer"]})


def test_a_bad_cell_below_empty_rows_is_named_by_its_line(tmp_path):
    rows = [f"{when},{'bad' if at == 30 else 5},7" for at, when in enumerate(UTC[:60])]
    lines = ["time,fridge,oven", *rows[:20], ",,", *rows[20:]]
    house = make_house(tmp_path, {"a.csv": "\n".join(lines) + "\n"})
    with pytest.raises(HouseError, match="'bad' is not a number") as refused:
        import_logs(house)
    assert refused.value.line == 30 + 2 + 1


@pytest.mark.parametrize("pattern", ["%Y-%m-%d %H:%M:%S", "%d/%m/%Y %H:%M"])
def test_a_day_that_ends_at_24(tmp_path, pattern):
    kwh = FRAME.resample("15min").sum() * STEP_S / 3.6e6
    ends = kwh.index + pd.Timedelta("15min")
    stamps = [
        (end - pd.Timedelta("1h")).strftime(pattern).replace(" 23:", " 24:")
        if end == end.normalize()
        else end.strftime(pattern)
        for end in ends
    ]
    heads = [f"{name} kWh" for name in kwh]
    made = through(tmp_path, write(tmp_path, "a.csv", wide(heads, columns(kwh), stamps=stamps)))
    close(made.kwh)
    assert made.house.trace("oven").start == FRAME.index[0].tz_localize("America/Denver")


def test_a_head_that_says_end_marks_the_end(tmp_path):
    stamps = [f"{when:%Y-%m-%d %H:%M}" for when in FRAME.index + pd.Timedelta(hours=3)]
    lines = wide([*FRAME], columns(), stamps=stamps, time="Interval end")
    made = through(tmp_path, write(tmp_path, "a.csv", lines))
    first = pd.Timestamp("2026-10-12 03:00", tz="America/Denver") - pd.Timedelta(STEP_S, "s")
    assert made.house.trace("oven").start == first


def test_hours_of_utc_begin_with_a_day_of_utc(tmp_path):
    hourly = FRAME.resample("1h").mean()
    stamps = [f"{when:%Y-%m-%dT%H:%M:%SZ}" for when in hourly.index]
    lines = wide([*FRAME], columns(hourly), stamps=stamps)
    made = through(tmp_path, write(tmp_path, "a.csv", lines), zone="Europe/Berlin")
    assert made.house.trace("oven").start == pd.Timestamp("2026-10-12", tz="UTC")


def test_stamps_that_end_with_utc(tmp_path):
    stamps = [f"{when:%Y-%m-%d %H:%M:%S} UTC" for when in FRAME.index]
    made = through(tmp_path, write(tmp_path, "a.csv", wide([*FRAME], columns(), stamps=stamps)))
    close(made.kwh)
    assert made.house.trace("oven").start == pd.Timestamp("2026-10-12", tz="UTC")


def test_days_since_1900_are_refused_with_what_to_do(tmp_path):
    days = (FRAME.index - pd.Timestamp("1899-12-30")) / pd.Timedelta("1D")
    lines = wide([*FRAME], columns(), stamps=[f"{day:.8f}" for day in days])
    with pytest.raises(HouseError, match="days since 1900, as spreadsheets count them"):
        through(tmp_path, write(tmp_path, "a.csv", lines))


def test_a_folder_without_a_log_says_what_is_in_it_and_which_names_are_read(tmp_path):
    write(tmp_path, "dump.xyz", "power value=3 1780000000\n")
    with pytest.raises(HouseError, match=r"among 'dump.xyz'\n .*renamed to \.csv"):
        through(tmp_path, tmp_path / "in")


@pytest.mark.parametrize("name", ["log_%Y%m%d_%H.csv", "%Y-%m-%d/%H.csv"])
def test_a_file_for_each_hour_is_of_all_circuits(tmp_path, name):
    lines = wide([*FRAME], columns())
    an_hour = 3600 // STEP_S
    for at in range(0, len(FRAME), an_hour):
        write(tmp_path, f"{FRAME.index[at]:{name}}", [lines[0], *lines[at + 1 : at + an_hour + 1]])
    close(through(tmp_path, tmp_path / "in").kwh)


def test_circuits_that_are_numbered_in_the_names_of_dated_files(tmp_path):
    for number, circuit in enumerate(FRAME):
        for day, part in FRAME[circuit].groupby(FRAME.index.date):
            lines = [f"{when},{watts}" for when, watts in part.items()]
            write(tmp_path, f"{day:%Y%m%d}_{number:02d}.csv", ["time,power", *lines])
    found = through(tmp_path, tmp_path / "in").kwh
    assert sorted(found.values()) == pytest.approx(sorted(TRUTH.values()), rel=1e-4)


def test_heads_in_the_middle_are_refused_with_their_line_and_what_to_do(tmp_path):
    lines = wide(["oven W", "dryer W"], columns(FRAME[["Oven", "Dryer"]]))
    for at in (900, 500):
        lines.insert(at, "time,dryer W,oven W")
    with pytest.raises(HouseError, match="cut the file in front of that line") as refused:
        through(tmp_path, write(tmp_path, "a.csv", lines))
    assert refused.value.line == 501


@pytest.mark.parametrize("unit", ["W x10", "W*0.1", "Wh / 10"])
def test_a_unit_with_a_factor_is_no_watt(tmp_path, unit):
    lines = wide([f"{name} ({unit})" for name in FRAME], columns())
    with pytest.raises(HouseError, match="not power"):
        through(tmp_path, write(tmp_path, "a.csv", lines))


def test_a_rating_in_brackets_is_a_name(tmp_path):
    lines = wide(["Oven (2x1.8 kW)", "Dryer (5 kW)"], columns(FRAME[["Oven", "Dryer"]]))
    found = through(tmp_path, write(tmp_path, "a.csv", lines)).kwh
    assert sorted(found.values()) == pytest.approx(sorted([TRUTH["Oven"], TRUTH["Dryer"]]))


def test_columns_padded_with_spaces_are_refused_with_what_to_do(tmp_path):
    rows = zip(FRAME.index, FRAME["Oven"], FRAME["Dryer"], strict=True)
    lines = [f"{when}   {oven:8.1f}   {dryer:8.1f}" for when, oven, dryer in rows]
    with pytest.raises(HouseError, match="padded with spaces"):
        through(tmp_path, write(tmp_path, "a.txt", lines))
