"""Folders of exports in any layout become the right house, without an edit.

Each log is written here from known power, and the energies of its circuits must come out.
"""

import gzip
import zipfile
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import openpyxl
import pandas as pd
import pytest

from homeenergy.errors import HouseError
from homeenergy.readings import import_logs, open_house
from homeenergy.readings.logs.new_house import begin_house, understood
from homeenergy.readings.logs.time_formats import start_of, time_format_of
from homeenergy.readings.states import house_states

ZONE = "America/Denver"
STEP_S = 120
DAY = 86400 // STEP_S  # rows


def house_frame(days=2, step_s=STEP_S, seed=5):
    """Watts of a small house: what cycles, what is used seldom, what is never off, and mains."""
    rng = np.random.default_rng(seed)
    index = pd.date_range("2026-10-12", periods=days * 86400 // step_s, freq=f"{step_s}s")
    n = len(index)
    minute = np.arange(n) * step_s // 60
    fridge = np.where(minute % 50 < 22, 120 + rng.integers(-20, 21, n) / 10, 1.5)
    oven = np.where((minute % 1440 > 1080) & (minute % 1440 < 1140), 3000.0, 20.0)
    oven = np.where((minute % 7 > 4) & (oven > 100), 20.0, oven)
    heat_pump = np.round(900 + 500 * np.sin(minute / 240), 1)
    dryer = np.where((minute > 700) & (minute < 760), 5200.0, 0.0)
    return pd.DataFrame(
        {"Fridge": fridge, "Oven": oven, "Heat pump": heat_pump, "Dryer": dryer}, index=index
    )


FRAME = house_frame()
TRUTH = {name: FRAME[name].sum() * STEP_S / 3.6e6 for name in FRAME}
STAMPS = FRAME.index.strftime("%Y-%m-%d %H:%M:%S")


def through(folder, given, zone=ZONE):
    """What comes out of a house that is begun from logs: kWh of each appliance, and more."""
    made = begin_house(folder / "house", logs=[given], timezone=zone)
    import_logs(folder / "house")
    house = open_house(folder / "house")
    kwh = {}
    for circuit in house.circuits:
        trace = house.trace(circuit.name)
        watts = trace.watts.astype(np.float64)
        kwh[circuit.appliance] = float(np.nansum(watts)) * trace.period_s / 3.6e6
    return SimpleNamespace(kwh=kwh, made=made, house=house, text="\n".join(understood(made)))


def write(folder, name, lines, encoding="utf-8"):
    path = folder / "in" / name
    path.parent.mkdir(parents=True, exist_ok=True)
    text = lines if isinstance(lines, str) else "\n".join(lines) + "\n"
    path.write_bytes(text.encode(encoding))
    return folder / "in"


def wide(heads, columns, *, sep=",", stamps=STAMPS, decimal=".", time="time"):
    lines = [sep.join([time, *heads])]
    for at, stamp in enumerate(stamps):
        cells = [format(float(column[at]), ".10g").replace(".", decimal) for column in columns]
        lines.append(sep.join([stamp, *cells]))
    return lines


def close(found, expected=TRUTH, rel=1e-4):
    assert found == pytest.approx(expected, rel=rel)


def columns(frame=FRAME):
    return [frame[name].to_numpy() for name in frame]


def long(frame=FRAME, unit=None, head="time,name,value"):
    lines = [head]
    for stamp, row in zip(
        frame.index.strftime("%Y-%m-%d %H:%M:%S"), frame.itertuples(index=False), strict=True
    ):
        for name, value in zip(frame.columns, row, strict=True):
            kilo = unit is not None and unit(name, stamp)
            text = f"{value / 1000:.10g},kW" if kilo else f"{value:.10g}" + (",W" if unit else "")
            lines.append(f"{stamp},{name},{text}")
    return lines


def test_a_wide_log_with_mains_legs_and_a_dryer_on_two_legs(tmp_path):
    total = FRAME.sum(axis=1).to_numpy() + 60.0
    heads = ["Main L1", "Main L2", "Fridge", "Oven", "Dryer L1", "Dryer L2"]
    half = FRAME["Dryer"].to_numpy() / 2
    data = [
        total / 2,
        total / 2 + 0.1,
        FRAME["Fridge"].to_numpy(),
        FRAME["Oven"].to_numpy(),
        half,
        half,
    ]
    found = through(tmp_path, write(tmp_path, "2026-10-12.csv", wide(heads, data)))
    assert found.kwh["Dryer"] == pytest.approx(TRUTH["Dryer"], rel=1e-4)
    assert found.kwh["Main L1"] == pytest.approx(total.sum() / 2 * STEP_S / 3.6e6, rel=1e-4)
    schedule = found.made.schedule
    assert schedule.supply.system == "split-phase"
    by_name = {one.name: one for one in schedule.circuits}
    assert by_name["dryer"].legs == ("L1", "L2")
    assert (by_name["main_l1"].role, by_name["main_l1"].legs) == ("mains", ("L1",))
    assert by_name["fridge"].kind == "thermostatic"


@pytest.mark.parametrize(
    "heads", [("mains_l1", "mains_l2"), ("grid_A", "grid_B"), ("Netz/L1", "Netz/L2")]
)
def test_legs_of_the_mains_stay_circuits_of_their_own(tmp_path, heads):
    """However their names are written: their sum could not be balanced."""
    total = FRAME.sum(axis=1).to_numpy()
    data = [0.4 * total, 0.6 * total, FRAME["Oven"].to_numpy()]
    made = through(tmp_path, write(tmp_path, "a.csv", wide([*heads, "Oven"], data))).made
    mains = [one.legs for one in made.schedule.circuits if one.role == "mains"]
    assert mains == [("L1",), ("L2",)]


def test_a_quiet_mains_column_is_no_counter(tmp_path):
    rising = np.where(np.arange(len(STAMPS)) % 700 == 699, 0, 856.0) + np.arange(len(STAMPS)) * 0.15
    found = through(
        tmp_path, write(tmp_path, "a.csv", wide(["Main L1", "Oven"], [rising, columns()[1]]))
    )
    assert found.kwh["Main L1"] == pytest.approx(rising.sum() * STEP_S / 3.6e6, rel=1e-4)


def test_b_long_with_units_mixed(tmp_path):
    lines = long(
        unit=lambda name, stamp: name == "Heat pump" or stamp[12] in "13579",
        head="time,name,value,unit",
    )
    close(through(tmp_path, write(tmp_path, "log.csv", lines)).kwh)


def test_c_semicolon_decimal_comma_umlauts_and_kilowatts(tmp_path):
    heads = ["Kühlschrank (kW)", "Backofen (kW)", "Wärmepumpe (kW)", "Trockner (kW)"]
    lines = wide(heads, [c / 1000 for c in columns()], sep=";", decimal=",", time="Zeit")
    found = through(tmp_path, write(tmp_path, "oktober.csv", lines, "cp1252"), "Europe/Berlin")
    close(
        found.kwh,
        dict(
            zip(("Kühlschrank", "Backofen", "Wärmepumpe", "Trockner"), TRUTH.values(), strict=True)
        ),
    )
    kinds = [one.kind for one in found.made.schedule.circuits]
    assert kinds == ["thermostatic", "manual", "modulating", "batch"]


def test_d_epoch_milliseconds_with_jitter(tmp_path):
    rng = np.random.default_rng(2)
    ms = FRAME.index.as_unit("ms").astype("int64") + rng.integers(-300, 300, len(FRAME))
    found = through(
        tmp_path, write(tmp_path, "a.csv", wide([*FRAME], columns(), stamps=[str(m) for m in ms]))
    )
    close(found.kwh, rel=2e-3)


def test_e_counters_in_wh_with_a_reset(tmp_path):
    counters = []
    for watts in columns():
        counter = np.cumsum(watts) * STEP_S / 3600
        counter[1000:] -= counter[1000]
        counters.append(np.round(counter, 3))
    heads = [f"{name} Wh" for name in FRAME]
    found = through(tmp_path, write(tmp_path, "meters.csv", wide(heads, counters)))
    close(found.kwh, rel=0.02)


def on_change(frame):
    lines = []
    for name in frame:
        values = frame[name].to_numpy()
        moved = np.r_[True, np.abs(np.diff(values)) > 3]
        lines += [
            (stamp, f"{stamp},{name},{value:g}")
            for stamp, value, new in zip(
                frame.index.strftime("%Y-%m-%d %H:%M:%S"), values, moved, strict=True
            )
            if new
        ]
    return ["time,device,power [W]", *(line for _, line in sorted(lines))]


@pytest.mark.parametrize("text", [False, True])
def test_f_on_change_with_days_without_a_row(tmp_path, text):
    frame = house_frame(days=8)
    frame.loc[frame.index > "2026-10-14", ["Dryer", "Oven"]] = [0.0, 20.0]
    frame["Heat pump"] = np.where(np.arange(len(frame)) % 40 < 17, 900.0, 100.0)
    lines = on_change(frame)
    if text:
        lines += ["2026-10-19 23:59:30,Oven,unavailable"]
    found = through(tmp_path, write(tmp_path, "changes.csv", lines))
    close(found.kwh, {name: frame[name].sum() * STEP_S / 3.6e6 for name in frame}, rel=0.02)
    oven = found.house.trace("oven")
    assert np.isfinite(oven.watts).mean() > 0.99
    assert "rows come on change" in found.text


def test_f_a_silence_of_the_whole_log_is_a_gap(tmp_path):
    frame = house_frame(days=8)
    frame.loc[frame.index > "2026-10-14", ["Dryer", "Oven"]] = [0.0, 20.0]
    quiet = (frame.index >= "2026-10-17 02:00") & (frame.index < "2026-10-17 14:00")
    lines = [
        line
        for line in on_change(frame)
        if line[0] == "t" or not "2026-10-17 02:00:00" <= line[:19] < "2026-10-17 14:00:00"
    ]
    found = through(tmp_path, write(tmp_path, "changes.csv", lines))
    oven = found.house.trace("oven")
    missing_h = float(np.isnan(oven.watts).sum()) * oven.period_s / 3600
    assert missing_h == pytest.approx(12, abs=0.5)
    assert quiet.sum() * STEP_S / 3600 == 12


def test_g_preamble_month_first_am_pm_and_a_total_row(tmp_path):
    quarter = FRAME.resample("15min").sum() * STEP_S / 3.6e6
    stamps = (quarter.index + pd.Timedelta(minutes=15)).strftime("%m/%d/%Y %I:%M %p")
    lines = [
        "# exported by the utility",
        "# meter 12",
        "",
        *wide([f"{n} kWh" for n in quarter], columns(quarter), stamps=stamps),
    ]
    lines += [
        "Total," + ",".join(f"{total:.3f}" for total in quarter.sum()),
        "",
        "generated on 10/14/2026",
    ]
    found = through(tmp_path, write(tmp_path, "report.csv", lines))
    close(found.kwh, rel=1e-3)
    assert "Total" in found.text


HEADS = ["power", "watts [W]", "kW", "Active power (W)"]


def test_h_a_file_per_circuit_with_heads_of_their_own(tmp_path):
    for name, head, values in zip(FRAME, HEADS, columns(), strict=True):
        scale = 1000 if head == "kW" else 1
        write(tmp_path, f"{name.lower().replace(' ', '_')}.csv", wide([head], [values / scale]))
    found = through(tmp_path, tmp_path / "in")
    close(found.kwh, {name.lower(): kwh for name, kwh in TRUTH.items()})


@pytest.mark.parametrize(
    "name",
    [
        "{}.csv",
        "{}/2026-10-12.csv",
        "2026-10-12_{}_power.csv",
        "plug_{}_export_20261012.csv",
        "{}-KW42-2026.csv",
        "2026/10/{}.csv",
    ],
)
def test_h2_a_file_per_circuit_with_one_head(tmp_path, name):
    for circuit, values in zip(FRAME, columns(), strict=True):
        write(tmp_path, name.format(circuit), wide(["power"], [values]))
    close(through(tmp_path, tmp_path / "in").kwh)


def test_h_heads_that_name_no_circuit_leave_it_to_the_files(tmp_path):
    for (name, watts), head in zip(FRAME.items(), ["power", "P", "watts", "load_w"], strict=True):
        write(tmp_path, f"{name}.csv", wide([head], [watts.to_numpy()]))
    close(through(tmp_path, tmp_path / "in").kwh)


def test_a_counter_that_never_moves_is_one_like_the_others(tmp_path):
    heads = [*(f"{name} (Wh)" for name in FRAME), "Spare (Wh)"]
    counted = [1000 + np.cumsum(c) * STEP_S / 3600 for c in columns()]
    data = [*counted, np.full(len(STAMPS), 1000.0)]
    found = through(tmp_path, write(tmp_path, "a.csv", wide(heads, data))).kwh
    assert found.pop("Spare") == 0
    assert found == pytest.approx(TRUTH, rel=2e-3)


def test_h2_several_days_of_each_circuit(tmp_path):
    for circuit, values in zip(FRAME, columns(), strict=True):
        for day in (0, 1):
            part = slice(day * DAY, (day + 1) * DAY)
            lines = wide(["power"], [values[part]], stamps=STAMPS[part])
            write(tmp_path, f"{circuit}_2026-10-{12 + day}.csv", lines)
    found = through(tmp_path, tmp_path / "in")
    close(found.kwh)
    assert len(found.made.schedule.logs) == 1


def test_h2_numbered_parts_of_one_export_are_one_log(tmp_path):
    for part in range(4):
        rows = slice(part * DAY // 2, (part + 1) * DAY // 2)
        lines = wide([*FRAME], [c[rows] for c in columns()], stamps=STAMPS[rows])
        write(tmp_path, f"export_{part + 1}.csv", lines)
    close(through(tmp_path, tmp_path / "in").kwh)


def test_h2_numbered_parts_of_which_one_is_like_a_year(tmp_path):
    lines = wide(["Fridge [W]"], columns()[:1])
    for part in range(4):
        rows = lines[1 + part * DAY // 2 : 1 + (part + 1) * DAY // 2]
        given = write(tmp_path, f"f{2023 + part if part > 1 else part}.csv", [lines[0], *rows])
    close(through(tmp_path, given).kwh, {"Fridge": TRUTH["Fridge"]})


def test_i_a_line_of_units_below_the_heads(tmp_path):
    lines = wide([*FRAME], [columns()[0], *(c / 1000 for c in columns()[1:])])
    lines.insert(1, "[date],[W],[kW],[kW],[kW]")
    close(through(tmp_path, write(tmp_path, "a.csv", lines)).kwh)


def test_j_volts_amps_and_power_factor(tmp_path):
    heads, data = ["Voltage [V]"], [np.full(len(FRAME), 120.0)]
    for name, values in zip(FRAME, columns(), strict=True):
        heads += [f"{name} current [A]", f"{name} PF"]
        data += [values / 120 / 0.8, np.full(len(FRAME), 0.8)]
    close(through(tmp_path, write(tmp_path, "a.csv", wide(heads, data))).kwh)


def test_j_apparent_power_and_power_factor(tmp_path):
    heads, data = [], []
    for name, values in zip(FRAME, columns(), strict=True):
        heads += [f"{name} [kVA]", f"{name} power factor"]
        data += [values / 1000 / 0.9, np.full(len(FRAME), -0.9)]
    close(through(tmp_path, write(tmp_path, "a.csv", wide(heads, data))).kwh)


def test_j_amps_alone_are_taken_at_the_volts_of_the_supply_and_said_to_be(tmp_path):
    heads = [f"{name} [A]" for name in FRAME]
    told = through(tmp_path, write(tmp_path, "a.csv", wide(heads, [c / 120 for c in columns()])))
    close(told.kwh)
    assert set(told.made.doubts.values()) == {
        "no power: taken at a power factor of 1 and nominal volts"
    }


def test_j_volt_amperes_alone_are_taken_at_a_power_factor_of_one(tmp_path):
    heads = [f"{name} [kVA]" for name in FRAME]
    told = through(tmp_path, write(tmp_path, "a.csv", wide(heads, [c / 1000 for c in columns()])))
    close(told.kwh)
    assert set(told.made.doubts.values()) == {"no power: taken at a power factor of 1"}


def test_k_utf16_tabs_date_and_time_in_two_columns_day_first(tmp_path):
    stamps = FRAME.index.strftime("%d/%m/%Y\t%H:%M:%S")
    lines = wide([*FRAME], columns(), sep="\t", stamps=stamps, time="Date\tTime")
    close(through(tmp_path, write(tmp_path, "a.txt", "\r\n".join(lines) + "\r\n", "utf-16")).kwh)


def workbook(path, sheets):
    book = openpyxl.Workbook()
    book.remove(book.active)
    for title, rows in sheets.items():
        sheet = book.create_sheet(title)
        for row in rows:
            sheet.append(row)
    path.parent.mkdir(parents=True, exist_ok=True)
    book.save(path)
    return path.parent


def rows_of(frame, head="Time"):
    return [[head, *(f"{name} [W]" for name in frame)]] + [
        [stamp.to_pydatetime(), *map(float, row)]
        for stamp, row in zip(frame.index, frame.itertuples(index=False), strict=True)
    ]


def test_l_a_workbook(tmp_path):
    rows = [["Export of the panel"], [], *rows_of(FRAME), ["Total", 1, 2, 3, 4]]
    close(through(tmp_path, workbook(tmp_path / "in" / "panel.xlsx", {"Data": rows})).kwh)


def test_l_a_workbook_with_a_sheet_for_each_day(tmp_path):
    days = {f"{day:%Y-%m-%d}": rows_of(part) for day, part in FRAME.groupby(FRAME.index.date)}
    close(
        through(
            tmp_path,
            workbook(tmp_path / "in" / "panel.xlsx", {"Read me": [["of the house"], ["x"]]} | days),
        ).kwh
    )


def test_l_a_workbook_with_a_sheet_for_each_circuit(tmp_path):
    sheets = {}
    for name in FRAME:
        sheets[name] = [
            ["Time", "Power (W)"],
            *([row[0], row[1]] for row in rows_of(FRAME[[name]])[1:]),
        ]
    close(through(tmp_path, workbook(tmp_path / "in" / "panel.xlsx", sheets)).kwh)


def test_m_an_archive_of_files_of_a_circuit_each(tmp_path):
    (tmp_path / "in").mkdir()
    with zipfile.ZipFile(tmp_path / "in" / "export.zip", "w") as packed:
        for name, values in zip(FRAME, columns(), strict=True):
            packed.writestr(f"export/{name}.csv", "\n".join(wide(["watts"], [values])))
        packed.writestr("__MACOSX/._x", "nothing")
    close(through(tmp_path, tmp_path / "in").kwh)


def test_o_solar_is_negative(tmp_path):
    solar = -np.maximum(np.sin(np.arange(len(FRAME)) / 1440 * 2 * np.pi), 0) * 3600
    found = through(
        tmp_path, write(tmp_path, "a.csv", wide(["grid", "solar"], [columns()[2] + solar, solar]))
    )
    assert found.kwh["solar"] == pytest.approx(solar.sum() * STEP_S / 3.6e6, rel=1e-4)


@pytest.mark.parametrize("words", [("on", "off"), ("True", "False")])
def test_p_times_of_switching_give_runs_and_hours(tmp_path, words):
    on, off = words
    lines = ["time,device,state", "2026-10-12 00:00:00Z,oven," + off]
    for day in range(12, 20):
        lines += [f"2026-10-{day} 10:00:00Z,oven,{on}", f"2026-10-{day} 10:30:00Z,pump,{on}"]
        lines += [f"2026-10-{day} 10:45:00Z,pump,{off}", f"2026-10-{day} 11:00:00Z,oven,{off}"]
    lines.insert(8, "2026-10-12 11:30:00Z,pump,unavailable")
    made = begin_house(tmp_path / "house", logs=[write(tmp_path, "a.csv", lines)], timezone=ZONE)
    text = "\n".join(understood(made))
    assert "neither on nor off, and occurs in 1 of" in text
    assert "It gives runs and hours; for energy, write watts" in text
    import_logs(tmp_path / "house")
    hours = {
        one.circuit.name: one.hours.value for one in house_states(open_house(tmp_path / "house"))
    }
    assert hours == pytest.approx({"oven": 8.0, "pump": 2.0}, abs=0.5)


def test_p_a_column_of_on_and_off_for_each_circuit(tmp_path):
    lines = ["time,oven,pump"]
    lines += [f"2026-10-12 10:{n:02d}:00Z,{'on' if n > 29 else 'off'},off" for n in range(60)]
    begin_house(tmp_path / "house", logs=[write(tmp_path, "a.csv", lines)], timezone=ZONE)
    import_logs(tmp_path / "house")
    oven, pump = house_states(open_house(tmp_path / "house"))
    assert (oven.hours.value, pump.hours.value) == (pytest.approx(0.5, abs=0.02), 0)


def test_q_temperatures_are_not_power(tmp_path):
    heads = ["Fridge [W]", "Wire temp [°C]", "Humidity [%]", "Line frequency (Hz)"]
    data = [
        columns()[0],
        np.full(len(FRAME), 21.5),
        np.full(len(FRAME), 40),
        np.full(len(FRAME), 60.0),
    ]
    found = through(tmp_path, write(tmp_path, "a.csv", wide(heads, data)))
    assert set(found.kwh) == {"Fridge"}
    assert "'Wire temp [°C]' is left out: it holds °C, not power" in found.text


def test_r_am_pm_month_first_watts_in_brackets(tmp_path):
    stamps = FRAME.index.strftime("%m/%d/%Y %I:%M:%S %p")
    lines = wide([f"{name} [W]" for name in FRAME], columns(), stamps=stamps)
    close(through(tmp_path, write(tmp_path, "a.csv", lines)).kwh)


def test_letters_beyond_ascii_that_come_late_tell_the_encoding(tmp_path):
    first = FRAME[: 2 * len(FRAME) // 3]
    rest = FRAME[2 * len(FRAME) // 3 :].rename(columns={"Oven": "Küche"})
    lines = long(first) + long(rest)[1:]
    found = through(tmp_path, write(tmp_path, "log.csv", lines, "cp1252"))
    kitchen = rest["Küche"].sum() * STEP_S / 3.6e6
    assert found.kwh["Küche"] == pytest.approx(kitchen, rel=1e-4)


def test_of_a_house_that_was_begun_before_only_the_logs_are_read(tmp_path):
    given = write(tmp_path, "a.csv", wide([f"{name} [W]" for name in FRAME], columns()))
    through(tmp_path / "first", given)
    house = tmp_path / "first" / "house"
    (house / "run_decisions.csv").write_text("circuit,start\nfridge,2026-10-12T00:00:00Z\n")
    found = through(tmp_path / "second", house)
    close(found.kwh)
    assert found.text.count("Not read") == 1


def test_what_a_house_keeps_next_to_its_toml_is_put_there(tmp_path):
    write(tmp_path, "a.csv", wide([f"{name} [W]" for name in FRAME], columns()))
    write(tmp_path, "meter_readings.csv", "time,kwh\n2026-10-12 00:00,100\n2026-10-14 00:00,177\n")
    found = through(tmp_path, tmp_path / "in")
    close(found.kwh)
    assert (tmp_path / "house" / "meter_readings.csv").exists()
    assert "next to house.toml" in found.text


def test_gzipped_days_and_an_empty_one(tmp_path):
    write(tmp_path, "2026-10-11.csv", "time," + ",".join(FRAME) + "\n")
    (tmp_path / "in" / "2026-10-12.csv").write_text("\n".join(wide([*FRAME], columns())) + "\n")
    found = through(tmp_path, tmp_path / "in")
    close(found.kwh)
    assert "2026-10-11.csv holds no rows" in found.text
    folder = tmp_path / "packed"
    folder.mkdir()
    (folder / "a.csv.gz").write_bytes(gzip.compress("\n".join(wide([*FRAME], columns())).encode()))
    close(through(tmp_path / "two", folder).kwh)


def test_paces_are_told_of_each_file_alone_where_one_has_holes(tmp_path):
    """An outage of one plug is a hole, however many other plugs went on."""
    keep = (FRAME.index < "2026-10-12 08:00") | (FRAME.index >= "2026-10-12 20:00")
    write(tmp_path, "Oven.csv", wide(["watts"], [columns()[1][keep]], stamps=STAMPS[keep]))
    write(tmp_path, "Fridge.csv", wide(["watts"], [columns()[0]]))
    found = through(tmp_path, tmp_path / "in")
    oven = found.house.trace("oven")
    missing_h = np.isnan(oven.watts).sum() * oven.period_s / 3600
    assert missing_h == pytest.approx(12, abs=0.1)


def test_a_person_is_asked_about_guesses_and_corrects_them(tmp_path):
    folder = write(tmp_path, "a.csv", wide(["Heater"], [columns()[1] / 1000]))
    asked = []

    def ask(question, answers):
        asked.append(question)
        return answers[1]

    made = begin_house(tmp_path / "house", logs=[folder], timezone=ZONE, ask=ask)
    assert asked[:1] == ["Heater: the head does not say it (highest reading 3)"]
    assert made.schedule.logs[0].columns["heater"].unit == "kW"
    assert not made.doubts


@pytest.mark.parametrize("skipped", [True, False])
def test_a_person_is_asked_about_clock_mains_supply_and_legs(tmp_path, skipped):
    heads = [f"{name} [W]" for name in ("All 1", "All 2", "Heat pump", "Dryer")]
    folder = write(tmp_path, "a.csv", wide(heads, columns()))
    said = iter(
        ["UTC", "all_1", "all_2", "none", "split-phase (120/240 V, three wires)", "L1", "L2"]
    )
    asked = []

    def ask(question, answers):
        asked.append(question)
        answer = answers[0] if skipped else next(said)
        assert answer in answers
        return answer

    made = begin_house(tmp_path / "house", logs=[folder], timezone=ZONE, ask=ask).schedule
    mains = [(one.name, one.legs) for one in made.circuits if one.role == "mains"]
    if skipped:
        assert len(asked) == 3
        assert (mains, made.supply.system, made.logs[0].time_zone) == ([], "single-phase", ZONE)
    else:
        assert mains == [("all_1", ("L1",)), ("all_2", ("L2",))]
        assert (made.supply.system, made.logs[0].time_zone) == ("split-phase", "UTC")


def test_nobody_is_asked_what_heads_and_stamps_say(tmp_path):
    stamps = FRAME.index.strftime("%Y-%m-%dT%H:%M:%SZ")
    heads = ["Mains L1 [W]", "Mains L2 [W]", "Heat pump [W]", "Dryer [W]"]
    folder = write(tmp_path, "a.csv", wide(heads, columns(), stamps=stamps))

    def ask(question, answers):
        raise AssertionError(question)

    begin_house(tmp_path / "house", logs=[folder], timezone=ZONE, ask=ask)


def test_a_clock_that_is_never_put_back_is_taken_for_standard_time(tmp_path):
    index = pd.date_range("2026-10-20", periods=30 * 24, freq="1h")
    lines = wide(["Oven [W]"], [np.arange(720.0) % 24], stamps=index.strftime("%Y-%m-%d %H:%M"))
    found = through(tmp_path, write(tmp_path, "a.csv", lines))
    assert found.made.schedule.logs[0].time_zone == "UTC-07:00"
    assert "taken as UTC-07:00 all year" in found.text
    close(found.kwh, {"Oven": 30 * 276 / 1000})


@pytest.mark.parametrize("begin", ["2026-02-10", "2026-10-10"])  # before either change of clocks
def test_a_clock_that_is_never_changed_shows_in_one_of_many_days(tmp_path, begin):
    for day in pd.date_range(begin, periods=45):
        stamps = pd.date_range(day, periods=24, freq="1h").strftime("%Y-%m-%d %H:%M")
        write(tmp_path, f"{day:%Y-%m-%d}.csv", wide(["Oven [W]"], [np.arange(24.0)], stamps=stamps))
    found = through(tmp_path, tmp_path / "in")
    assert found.made.schedule.logs[0].time_zone == "UTC-07:00"
    close(found.kwh, {"Oven": 45 * 276 / 1000})


def test_a_first_day_of_one_row(tmp_path):
    for day, part in {"11": slice(0, 1), "12": slice(1, DAY), "13": slice(DAY, None)}.items():
        lines = wide([*FRAME], [c[part] for c in columns()], stamps=STAMPS[part])
        write(tmp_path, f"2026-10-{day}.csv", lines)
    close(through(tmp_path, tmp_path / "in").kwh)


def test_links_in_place_of_copies(tmp_path):
    folder = write(tmp_path, "a.csv", wide([*FRAME], columns()))
    made = begin_house(tmp_path / "house", logs=[folder], timezone=ZONE, link=True)
    assert made.copied_bytes == 0
    assert (tmp_path / "house" / "logs" / "a.csv").samefile(folder / "a.csv")


def test_nothing_is_said_of_what_a_link_leads_to_that_is_no_log(tmp_path):
    folder = write(tmp_path, "a.csv", wide([*FRAME], columns()))
    house = tmp_path / "house"
    begin_house(house, logs=[folder], timezone=ZONE, link=True)
    import_logs(house)
    (tmp_path / "keys").write_text("secret:1\n")
    (house / "logs" / "b.csv").symlink_to(tmp_path / "keys")
    with pytest.raises(HouseError, match=r"b\.csv: is a link to a file") as found:
        import_logs(house)
    assert "secret" not in str(found.value)


@pytest.mark.parametrize(
    ("start", "what"),
    [
        (b"%PDF-1.7 ", "a PDF document"),
        (b"\x89PNG\r\n", "a picture"),
        (b"ab\x00\x01cd", "not text"),
    ],
)
def test_a_file_that_is_no_log_is_said_to_be_what_it_is(tmp_path, start, what):
    path = tmp_path / "scan.csv"
    path.write_bytes(start + bytes(200))
    with pytest.raises(HouseError, match=f"is {what}, not a log"):
        begin_house(tmp_path / "house", logs=[path], timezone=ZONE)
    assert not (tmp_path / "house").exists()


@pytest.mark.parametrize(
    ("head", "zone"),
    [("Time (UTC)", "UTC"), ("timestamp_utc", "UTC"), ("Zeit [GMT+2]", "Etc/GMT-2")],
)
def test_the_head_of_the_times_says_their_zone(tmp_path, head, zone):
    stamps = FRAME.index.tz_localize(ZONE).tz_convert(zone).strftime("%Y-%m-%d %H:%M:%S")
    lines = wide([*FRAME], columns(), stamps=list(stamps), time=head)
    found = through(tmp_path, write(tmp_path, "a.csv", lines))
    assert found.house.trace("oven").start == FRAME.index.tz_localize(ZONE)[0]


def test_an_export_that_has_one_more_column_since(tmp_path):
    first, later = slice(0, DAY), slice(DAY, 2 * DAY)
    write(tmp_path, "1.csv", wide([*FRAME], [c[first] for c in columns()], stamps=STAMPS[first]))
    more = [*(c[later] for c in columns()), columns()[0][later]]
    write(tmp_path, "2.csv", wide([*FRAME, "Heater"], more, stamps=STAMPS[later]))
    found = through(tmp_path, tmp_path / "in")
    close({name: found.kwh[name] for name in TRUTH})
    assert len(found.kwh) == 5


def test_entities_with_a_unit_each_of_which_some_are_no_power(tmp_path):
    lines = ["entity,state,unit,last_changed"]
    for at, stamp in enumerate(FRAME.index.tz_localize(ZONE)):
        for name, values in zip(FRAME, columns(), strict=True):
            lines.append(f"meter.{name}_power,{values[at]:.10g},W,{stamp.isoformat()}")
        if at % 30 == 0:
            lines.append(f"meter.Fridge_temperature,4.5,°C,{stamp.isoformat()}")
    found = through(tmp_path, write(tmp_path, "history.csv", lines))
    close(found.kwh, {f"meter {name}": kwh for name, kwh in TRUTH.items()})
    assert "is left out: it holds °C, not power" in found.text


def test_a_long_log_in_which_a_column_says_what_is_measured(tmp_path):
    lines = ["time,device,field,value"]
    for at, stamp in enumerate(STAMPS):
        for name, values in zip(FRAME, columns(), strict=True):
            lines.append(f"{stamp},{name},power,{values[at]:.10g}")
            lines.append(f"{stamp},{name},voltage,230.1")
    close(through(tmp_path, write(tmp_path, "dump.csv", lines)).kwh)


def symbols(names):
    lines = ["time,name,what,value"]
    for stamp, watts in zip(STAMPS, columns()[0], strict=True):
        lines += [f"{stamp},Fridge,{names[0]},{watts:g}", f"{stamp},Fridge,{names[1]},230.4"]
    return lines


def test_symbols_of_quantities_say_what_is_measured(tmp_path):
    found = through(tmp_path, write(tmp_path, "a.csv", symbols("PU")))
    close(found.kwh, {"Fridge": TRUTH["Fridge"]})
    assert "only rows with 'P' in column 'what' are read" in found.text


def test_several_readings_at_an_instant_of_which_none_is_known_to_be_power(tmp_path):
    with pytest.raises(HouseError, match=r"'what' tells several readings(.|\n)*only = \{ what"):
        through(tmp_path, write(tmp_path, "a.csv", symbols(["ch1", "ch2"])))


def test_totals_of_each_day_between_the_rows(tmp_path):
    lines = wide(["Fridge [W]", "Oven [W]"], columns()[:2])
    for part in (3, 2, 1):
        lines.insert(1 + part * DAY // 2, f"Total {part},71234,5.5")
    found = through(tmp_path, write(tmp_path, "a.csv", lines))
    close(found.kwh, {name: TRUTH[name] for name in ("Fridge", "Oven")})
    assert "rows with 'Total 1', 'Total 2', 'Total 3' in place of a time are left out" in found.text
    log = tmp_path / "house" / "logs" / "a.csv"
    at = DAY + 10
    broken = log.read_text().splitlines()
    broken[at] = broken[at].rpartition(",")[0] + ",x"
    log.write_text("\n".join(broken) + "\n")
    with pytest.raises(HouseError, match=rf"line {at + 1}, column 'Oven \[W\]': 'x' is not a"):
        import_logs(tmp_path / "house")
    broken[at] = "2026-13-01 00:00:00,1,1"
    log.write_text("\n".join(broken) + "\n")
    with pytest.raises(HouseError, match=rf"line {at + 1}"):
        import_logs(tmp_path / "house")


def test_cells_with_spaces_between(tmp_path):
    lines = [line.replace(",", " ") for line in wide(["Fridge_W", "Oven_W"], columns()[:2])]
    lines[0] = "date time Fridge_W Oven_W"
    found = through(tmp_path, write(tmp_path, "a.txt", lines))
    close(found.kwh, {name: TRUTH[name] for name in ("Fridge", "Oven")})


def test_times_of_day_without_dates_are_refused(tmp_path):
    lines = wide(["Fridge [W]"], columns()[:1], stamps=[stamp[11:] for stamp in STAMPS])
    with pytest.raises(HouseError, match="holds times of day, and no column their dates"):
        through(tmp_path, write(tmp_path, "a.csv", lines))


def test_two_lines_of_heads_of_which_the_first_is_merged(tmp_path):
    heads = [["", "Kitchen", "", "Cellar", ""], rows_of(FRAME)[0]]
    workbook(tmp_path / "in" / "a.xlsx", {"Data": [*heads, *rows_of(FRAME)[1:]]})
    rooms = ["Kitchen", "Kitchen", "Cellar", "Cellar"]
    expected = {f"{room} {n}": k for room, (n, k) in zip(rooms, TRUTH.items(), strict=True)}
    close(through(tmp_path, tmp_path / "in").kwh, expected)


def test_an_unnamed_pair_is_summed_only_where_it_works_together(tmp_path):
    half = columns()[3] / 2
    heads = ["Dryer A", "Dryer B", "Bedroom A", "Bedroom B"]
    lines = wide(heads, [half, half, columns()[1], columns()[2]])
    found = through(tmp_path, write(tmp_path, "a.csv", lines))
    expected = {
        "Dryer": TRUTH["Dryer"],
        "Bedroom A": TRUTH["Oven"],
        "Bedroom B": TRUTH["Heat pump"],
    }
    close(found.kwh, expected)
    assert set(found.made.doubts) == {"dryer", "bedroom_a", "bedroom_b"}


def test_rows_that_are_newest_first_with_a_line_of_units(tmp_path):
    lines = wide([*FRAME], columns(), sep=";", decimal=",", time="Datum")
    lines = [lines[0], "dd.mm.jjjj;W;W;W;W", *lines[:0:-1]]
    close(through(tmp_path, write(tmp_path, "werte.csv", lines)).kwh)


def test_least_mean_and_greatest_power_in_columns_each(tmp_path):
    heads, data = [], []
    for name, values in zip(FRAME, columns(), strict=True):
        heads += [f"{name} min (W)", f"{name} avg (W)", f"{name} max (W)"]
        data += [values * 0.9, values, values * 1.1]
    close(through(tmp_path, write(tmp_path, "a.csv", wide(heads, data))).kwh)


def test_only_the_changed_cells_of_a_row_are_filled(tmp_path):
    lines = ["time," + ",".join(FRAME)]
    before = [np.inf] * 4
    for at, stamp in enumerate(STAMPS):
        moved = [abs(c[at] - old) > 3 for c, old in zip(columns(), before, strict=True)]
        cells = [f"{c[at]:.10g}" if new else "" for c, new in zip(columns(), moved, strict=True)]
        before = [
            c[at] if new else old for c, old, new in zip(columns(), before, moved, strict=True)
        ]
        if any(cells):
            lines.append(",".join([stamp, *cells]))
    close(through(tmp_path, write(tmp_path, "a.csv", lines)).kwh, rel=2e-3)


def test_what_is_no_log_in_a_folder_is_named(tmp_path):
    write(tmp_path, "outside.csv", wide(["temperature [°C]"], [np.full(len(FRAME), 11.0)]))
    write(tmp_path, "notes.txt", ["a new dryer", "in this house"])
    found = through(tmp_path, write(tmp_path, "a.csv", wide([*FRAME], columns())))
    close(found.kwh)
    assert "Not read: outside.csv: no column holds power or energy" in found.text
    assert "Not read: notes.txt" in found.text


@pytest.mark.parametrize(
    "lines",
    [
        "1 Fridge\n2 Oven\n3 Heat pump\n4 Dryer\n",
        "Channel;Feeds\n01;Fridge\n02;Oven\n03;Heat pump\n04;Dryer\n",
        "channel 1 = Fridge\nchannel 2 = Oven\nchannel 3 = Heat pump\nchannel 4 = Dryer\n",
    ],
)
def test_a_list_beside_the_logs_names_their_channels(tmp_path, lines):
    for number, name in enumerate(FRAME, start=1):
        seconds = FRAME.index.as_unit("s").asi8
        rows = [f"{at} {w:.10g}" for at, w in zip(seconds, FRAME[name], strict=True)]
        write(tmp_path, f"channel_{number}.dat", rows)
    found = through(tmp_path, write(tmp_path, "channels.txt", lines))
    close(found.kwh)
    assert "Not read: channels.txt: no log; it names 4 circuits" in found.text


def test_a_list_of_other_channels_names_none(tmp_path):
    write(tmp_path, "a.csv", wide([f"CT{k}" for k in (2, 3, 4, 5)], columns()))
    given = write(tmp_path, "names.csv", ["1,Hall", "2,Oven", "3,Cellar", "4,Attic"])
    assert set(through(tmp_path, given).kwh) == {"CT2", "CT3", "CT4", "CT5"}


def test_a_folder_of_days_of_one_circuit_gives_it_its_name(tmp_path):
    for day in (0, 1):
        part = slice(day * DAY, (day + 1) * DAY)
        lines = wide(["watts"], [columns()[0][part]], stamps=STAMPS[part])
        write(tmp_path, f"Old fridge/2026-10-{12 + day}.csv", lines)
    found = through(tmp_path, tmp_path / "in" / "Old fridge")
    close(found.kwh, {"Old fridge": TRUTH["Fridge"]})


def test_exports_that_overlap_with_the_same_readings_are_of_the_same_circuits(tmp_path):
    for number, part in enumerate((slice(0, DAY + 300), slice(DAY, 2 * DAY)), start=1):
        lines = wide([*FRAME], [c[part] for c in columns()], stamps=STAMPS[part])
        write(tmp_path, f"export ({number}).csv", lines)
    close(through(tmp_path, tmp_path / "in").kwh)


def test_panels_that_overlap_with_other_readings_are_circuits_of_their_own(tmp_path):
    for number, data in enumerate((columns(), columns()[::-1]), start=1):
        write(tmp_path, f"panel_{number}.csv", wide([*FRAME], data))
    found = through(tmp_path, tmp_path / "in")
    assert found.kwh["1 Fridge"] == pytest.approx(TRUTH["Fridge"], rel=1e-4)
    assert found.kwh["2 Fridge"] == pytest.approx(TRUTH["Dryer"], rel=1e-4)


def test_panels_whose_loads_are_mostly_off_are_circuits_of_their_own(tmp_path):
    truth = {}
    for number in (1, 2):
        loads = np.zeros((2, len(STAMPS)))
        for at, name in enumerate(("Kettle", "Oven")):
            loads[at, 500 * number + 100 * at :][: 10 * number] = 2000.0
            truth[f"{number} {name}"] = loads[at].sum() * STEP_S / 3.6e6
        write(tmp_path, f"panel_{number}.csv", wide(["Kettle", "Oven"], loads))
    close(through(tmp_path, tmp_path / "in").kwh, truth)


@pytest.mark.parametrize(
    ("sep", "cell"),
    [
        (",", lambda watts: f"{watts:.10g} W"),
        (",", lambda watts: f"{watts:.10g}W" if watts < 500 else f"{watts / 1000:.10g} kW"),
        (";", lambda watts: f"{watts:.10g} W".replace(".", ",")),
    ],
)
def test_cells_with_their_unit(tmp_path, sep, cell):
    rows = zip(STAMPS, *columns(), strict=True)
    lines = [sep.join(["time", *FRAME]), *(sep.join([t, *map(cell, ws)]) for t, *ws in rows)]
    found = through(tmp_path, write(tmp_path, "a.csv", lines))
    close(found.kwh)
    assert not found.made.doubts


def test_a_number_without_unit_among_cells_with_theirs_is_refused(tmp_path):
    lines = ["time,Fridge", *(f"{stamp},{1 + n % 90} kW" for n, stamp in enumerate(STAMPS[:200]))]
    lines[120] = lines[120].removesuffix(" kW")
    with pytest.raises(HouseError, match=r"line 121, column 'Fridge': .* has no unit"):
        through(tmp_path, write(tmp_path, "a.csv", lines))


@pytest.mark.parametrize(
    "pattern",
    [
        "%d-%b-%Y %H:%M:%S",
        "%a %d %B %Y %H:%M",
        "%b %d, %Y %I:%M:%S %p",
        "%a %b %d %H:%M:%S %Y",
        "%d/%b/%y %H:%M",
        "%Y%m%d%H%M%S",
        "%Y%m%dT%H%M",
    ],
)
def test_months_with_names_and_stamps_of_digits_alone(tmp_path, pattern):
    stamps = FRAME.index.strftime(pattern)
    lines = [*wide([*FRAME], columns(), sep=";", stamps=stamps), "Total;1;2;3;4"]
    close(through(tmp_path, write(tmp_path, "a.csv", lines)).kwh)


def test_a_short_may_is_of_the_months_around_it():
    long, short = ["30 April 2026 10:00", "1 May 2026 10:00"], ["30 Apr 2026", "1 May 2026"]
    assert time_format_of(long, all_dates=list)[0] == "%d %B %Y %H:%M"
    assert time_format_of(short, all_dates=list)[0] == "%d %b %Y"


def test_months_in_an_unknown_language_are_refused_with_what_to_do(tmp_path):
    stamps = [stamp.replace("Oct", "paź") for stamp in FRAME.index.strftime("%d. %b %Y %H:%M")]
    lines = wide([*FRAME], columns(), sep=";", stamps=stamps)
    with pytest.raises(HouseError, match=r"no column holds times") as refused:
        through(tmp_path, write(tmp_path, "a.csv", lines))
    assert "or export them as 2026-03-29 14:05" in refused.value.fix


def test_a_workbook_in_an_archive(tmp_path):
    workbook(tmp_path / "made" / "panel.xlsx", {"Data": rows_of(FRAME)})
    (tmp_path / "in").mkdir()
    with zipfile.ZipFile(tmp_path / "in" / "october.zip", "w") as packed:
        packed.write(tmp_path / "made" / "panel.xlsx", "panel.xlsx")
    close(through(tmp_path, tmp_path / "in").kwh)


def test_a_log_that_is_written_another_way_from_a_day_on(tmp_path):
    write(tmp_path, "old.csv", wide([*FRAME], [c[:DAY] for c in columns()], stamps=STAMPS[:DAY]))
    heads = [f"{name} [kW]" for name in FRAME]
    stamps = FRAME.index[DAY:].strftime("%d.%m.%Y %H:%M:%S")
    data = [c[DAY:] / 1000 for c in columns()]
    write(tmp_path, "new.csv", wide(heads, data, sep=";", decimal=",", stamps=stamps))
    found = through(tmp_path, tmp_path / "in")
    close(found.kwh)
    assert len(found.made.schedule.logs) == 2


def test_a_row_in_the_middle_that_is_no_reading_is_refused_with_its_line(tmp_path):
    lines = wide([*FRAME], columns())
    lines[500] = "Total,1,2,3,4"
    with pytest.raises(HouseError, match=r"a.csv, line 501, column 'time': 'Total'"):
        through(tmp_path, write(tmp_path, "a.csv", lines))


def test_circuits_that_are_numbered_in_rows(tmp_path):
    lines = ["time;channel;value"]
    for at, stamp in enumerate(STAMPS):
        lines += [f"{stamp};{n};{c[at]:.10g}" for n, c in enumerate(columns(), start=1)]
    found = through(tmp_path, write(tmp_path, "a.csv", lines))
    close(found.kwh, dict(zip("1234", TRUTH.values(), strict=True)))


REAL = Path(__file__).parents[3] / "shared" / "real_days" / "logs"


@pytest.fixture
def of_meter():
    """Energies of 15 minutes as a utility gives them out, and when each began and ended."""
    at = pd.date_range("2026-10-12", periods=4 * 96, freq="15min")
    kwh = np.round(0.1 + 0.3 * np.random.default_rng(8).random(at.size), 3)
    table = pd.DataFrame({"begin": at, "end": at + pd.Timedelta("15min"), "kwh": kwh})
    table["date"] = at.strftime("%d/%m/%Y")
    return table


def clock(times):
    return times.dt.strftime("%H:%M")


def layouts_of_meter(t):
    marks = np.where(np.random.default_rng(9).random(len(t)) < 0.1, "E", "A")
    iso = "%Y-%m-%d %H:%M"
    return {
        "start and end": {"Date": t.date, "Start": clock(t.begin), "End": clock(t.end)}
        | {"Used (kWh)": t.kwh, "Estimated?": "N"},
        "a mark of rows": {"From": t.begin.dt.strftime(iso), "To": t.end.dt.strftime(iso)}
        | {"Import kWh": t.kwh, "Quality": marks},
        "both ends in a cell": {"Interval": clock(t.begin) + " - " + clock(t.end)}
        | {"Date": t.date, "Usage": t.kwh, "Units": "kWh", "Cost": 0.3 * t.kwh},
        "both ends with dates": {
            "When": t.begin.dt.strftime(iso) + " to " + t.end.dt.strftime(iso),
            "Usage [kWh]": t.kwh,
        },
    }


@pytest.mark.parametrize(
    "name", ["start and end", "a mark of rows", "both ends in a cell", "both ends with dates"]
)
def test_what_a_utility_gives_out_is_one_circuit(tmp_path, of_meter, name):
    table = pd.DataFrame(layouts_of_meter(of_meter)[name])
    found = through(tmp_path, write(tmp_path, "meter.csv", table.to_csv(index=False)))
    assert list(found.kwh.values()) == pytest.approx([of_meter.kwh.sum()], rel=1e-6)
    (circuit,) = found.house.circuits
    assert found.house.trace(circuit.name).start == pd.Timestamp("2026-10-12", tz=ZONE)


def test_energies_of_today_that_begin_anew_each_midnight(tmp_path):
    day = FRAME.index.normalize()
    kwh = FRAME[["Fridge", "Oven"]].groupby(day).cumsum() * STEP_S / 3.6e6
    heads = [f"{name} kWh today" for name in kwh]
    lines = wide(heads, [kwh[name].to_numpy() for name in kwh])
    found = through(tmp_path, write(tmp_path, "a.csv", lines))
    # What was drawn before the first row of a counter is not known.
    lost = {name: kwh[name].iloc[0] for name in kwh}
    expected = {f"{name} today": TRUTH[name] - lost[name] for name in kwh}
    close(found.kwh, expected, rel=2e-3)


def test_circuits_that_are_called_by_letters_are_no_units(tmp_path):
    names = {"A": "Fridge", "B": "Oven", "V": "Heat pump"}
    lines = ["time,Phase,Volts,Watts"]
    for at, stamp in enumerate(STAMPS):
        lines += [f"{stamp},{name},230,{FRAME[of].iloc[at]}" for name, of in names.items()]
    found = through(tmp_path, write(tmp_path, "a.csv", lines))
    assert list(found.kwh.values()) == pytest.approx([TRUTH[of] for of in names.values()], rel=1e-4)


def test_settings_counts_and_run_times_are_no_power(tmp_path):
    more = [np.full(len(FRAME), 20.5), np.arange(len(FRAME)) % 7, np.arange(len(FRAME)) % 60]
    heads = ["Fridge W", "Fridge setpoint", "door open count", "Fridge runtime min"]
    found = through(tmp_path, write(tmp_path, "a.csv", wide(heads, [*columns()[:1], *more])))
    close(found.kwh, {"Fridge": TRUTH["Fridge"]})
    assert "is no power by its name" in found.text


@pytest.mark.parametrize("named", [True, False])
def test_one_unit_for_all_rows_in_a_column_of_its_own(tmp_path, named):
    table = pd.DataFrame({"time": STAMPS, "Fridge": FRAME["Fridge"].to_numpy() / 1000})
    if named:
        table = table.melt(id_vars="time", var_name="name").sort_values("time")
    table["unit"] = "kW"
    found = through(tmp_path, write(tmp_path, "a.csv", table.to_csv(index=False)))
    close(found.kwh, {"Fridge": TRUTH["Fridge"]})
    assert "'unit' holds texts" not in found.text


def test_hours_that_are_numbered_beside_a_date_are_refused(tmp_path, of_meter):
    hourly = of_meter.iloc[::4]
    table = pd.DataFrame(
        {"Date": hourly.date, "Hour": np.arange(len(hourly)) % 24 + 1, "Usage": hourly.kwh}
    )
    with pytest.raises(HouseError, match="holds dates, and most have several rows"):
        through(tmp_path, write(tmp_path, "meter.csv", table.to_csv(index=False)))


@pytest.mark.parametrize("head", ["{:02d}:00", "H{}", "kWh {}"])
def test_a_column_for_each_hour_of_a_day_is_refused(tmp_path, of_meter, head):
    days = of_meter.kwh.to_numpy().reshape(4, 24, 4).sum(axis=2)
    table = pd.DataFrame(days, columns=[head.format(hour) for hour in range(24)])
    table.insert(0, "Date", of_meter.date.iloc[::96].to_numpy())
    with pytest.raises(HouseError, match="a row for each day and a column for each time of day"):
        through(tmp_path, write(tmp_path, "meter.csv", table.to_csv(index=False)))


def test_a_date_and_a_time_with_a_hyphen_between_are_no_period():
    assert start_of("20 Mar 2026 - 00:15") == "20 Mar 2026 - 00:15"
    assert start_of("12:00:00-05:00") == "12:00:00-05:00"
    assert start_of("2026-03-20 12:00:00 -05:00") == "2026-03-20 12:00:00 -05:00"
    assert start_of("12:00 AM – 12:30 AM") == "12:00 AM"


@pytest.mark.study
@pytest.mark.skipif(not REAL.is_dir(), reason="the real logs are not here")
@pytest.mark.parametrize("name", sorted(p.name for p in REAL.iterdir()) if REAL.is_dir() else [])
def test_logs_of_real_appliances_need_no_edit(tmp_path, name):
    found = through(tmp_path, REAL / name, "Etc/UTC")
    assert len(found.kwh) == 1
    (kwh,) = found.kwh.values()
    assert kwh >= 0
