"""Exports whose numbers would be taken for others become the right house, or are refused."""

import numpy as np
import pandas as pd
import pytest

from homeenergy.errors import HouseError
from homeenergy.readings.logs.pace import rounding_remark
from tests.readings.test_any_folder import (
    DAY,
    FRAME,
    STAMPS,
    STEP_S,
    TRUTH,
    close,
    columns,
    through,
    wide,
    write,
)

ROWS = FRAME.to_numpy().tolist()


def table(head, row):
    return [head, *(row(stamp, watts) for stamp, watts in zip(STAMPS, ROWS, strict=True))]


def quantities(stamp, watts):
    return ",".join([stamp, *(f"{w:g},120.1,{w / 120.1:.3f}" for w in watts)])


@pytest.mark.parametrize("mark", [".", "_", " "])
def test_columns_of_each_circuit_that_end_with_symbols(tmp_path, mark):
    head = ",".join(["time", *(f"{name}{mark}{of}" for name in FRAME for of in "PUI")])
    close(through(tmp_path, write(tmp_path, "a.csv", table(head, quantities))).kwh)


def test_rooms_that_are_called_by_letters_are_circuits(tmp_path):
    heads = ["room U", "room I", "room Q", "room S"]
    rows = table(",".join(["time", *heads]), lambda s, w: ",".join([s, *map(str, w)]))
    found = through(tmp_path, write(tmp_path, "a.csv", rows))
    assert sorted(found.kwh.values()) == pytest.approx(sorted(TRUTH.values()), rel=1e-4)


def tagged(fields):
    def row(stamp, watts):
        return "\n".join(
            f"{stamp},power,{name},{field},{w * part:g}"
            for name, w in zip(FRAME, watts, strict=True)
            for field, part in fields.items()
        )

    return table("time,measurement,tag,field,value", row)


def test_a_column_of_one_text_does_not_name_circuits(tmp_path):
    lines = tagged({"active": 1.0, "reactive": 0.3, "apparent": 1.05})
    found = through(tmp_path, write(tmp_path, "a.csv", lines))
    close(found.kwh)


def test_rows_that_two_columns_together_tell_apart_are_refused(tmp_path):
    lines = [
        f"{line},{side}"
        for line in table(
            "time,name,value", lambda s, w: f"{s},{'AB'[STAMPS.get_loc(s) % 2]},{sum(w):g}"
        )[1:]
        for side in ("left,up", "left,down", "right,up", "right,down")
    ]
    numbered = [line.replace(",left", ",left", 1) for line in lines]
    changed = [
        ",".join([*cells[:2], f"{float(cells[2]) + n % 4:g}", *cells[3:]])
        for n, cells in enumerate(line.split(",") for line in numbered)
    ]
    with pytest.raises(HouseError, match="together tell them from each other"):
        through(tmp_path, write(tmp_path, "a.csv", ["time,name,value,side,way", *changed]))


def test_numbers_with_a_letter_among_plain_ones_are_no_missing_readings(tmp_path):
    def row(stamp, watts):
        cells = (f"{w / 1000:g}k" if w >= 1000 else f"{w:g}" for w in watts)
        return ",".join([stamp, *cells])

    lines = table(",".join(["time", *FRAME]), row)
    with pytest.raises(HouseError, match="'k' is for a factor"):
        through(tmp_path, write(tmp_path, "a.csv", lines))


@pytest.mark.parametrize("unit", ["Wmin", "W·min", "Ws", "kWs"])
def test_energies_in_minutes_and_seconds_are_no_watts(tmp_path, unit):
    head = ",".join(["time", *(f"{name} [{unit}]" for name in FRAME)])
    lines = table(head, lambda s, w: ",".join([s, *(f"{one * STEP_S / 60:g}" for one in w)]))
    with pytest.raises(HouseError, match="not power"):
        through(tmp_path, write(tmp_path, "a.csv", lines))


def test_times_of_a_clock_with_twelve_hours_are_refused(tmp_path):
    lines = wide([*FRAME], columns(), stamps=FRAME.index.strftime("%Y-%m-%d %I:%M"))
    with pytest.raises(HouseError, match=r"lack a\.m\. and p\.m\."):
        through(tmp_path, write(tmp_path, "a.csv", lines))


def test_decimal_commas_among_commas_are_refused(tmp_path):
    cells = FRAME.map(lambda watts: f"{watts:.1f}".replace(".", ","))
    rows = [",".join([s, *w]) for s, w in zip(STAMPS, cells.to_numpy(), strict=True)]
    lines = [",".join(["time", *FRAME]), *rows]
    with pytest.raises(HouseError, match="5 heads above rows of 9 cells"):
        through(tmp_path, write(tmp_path, "a.csv", lines))


def test_numbered_parts_of_a_day_are_refused(tmp_path):
    rows = [f"2026-03-{day},{','.join(['0.25'] * 96)}" for day in range(10, 20)]
    lines = ["date," + ",".join(f"reading_{n}" for n in range(1, 97)), *rows]
    with pytest.raises(HouseError, match="a column for each time of day"):
        through(tmp_path, write(tmp_path, "a.csv", lines))


def test_heads_with_units_below_merged_heads(tmp_path):
    below = [f"{name} (kW)" for name in FRAME]
    rows = wide(below, [c / 1000 for c in columns()], time="")
    lines = ["time,Kitchen,,Cellar,", *rows]
    kwh = through(tmp_path, write(tmp_path, "a.csv", lines)).kwh
    assert sorted(kwh.values()) == pytest.approx(sorted(TRUTH.values()), rel=1e-4)
    assert all(any(name.lower() in one.lower() for one in kwh) for name in FRAME)


def test_what_has_another_unit_is_no_circuit_or_in_doubt(tmp_path):
    heads = [f"{name} [W]" for name in FRAME]
    lines = wide([*heads, "CO2 (g)", "number"], [*columns(), *columns()[:2]])
    found = through(tmp_path, write(tmp_path, "a.csv", lines))
    close({name: found.kwh.pop(name) for name in FRAME})
    assert [*found.kwh] == ["number"]
    assert "number" in found.made.doubts


def test_energies_that_rise_all_along_a_first_day(tmp_path):
    index = pd.date_range("2026-10-12", periods=72, freq="1h")
    kwh = np.random.default_rng(3).uniform(0.1, 2.0, 72).round(3)
    kwh[:24] = np.sort(kwh[:24])
    for day in range(3):
        part = slice(24 * day, 24 * day + 24)
        stamps = index[part].strftime("%Y-%m-%d %H:%M")
        write(tmp_path, f"2026-10-{12 + day}.csv", wide(["oven [kWh]"], [kwh[part]], stamps=stamps))
    close(through(tmp_path, tmp_path / "in").kwh, {"oven": kwh.sum()})


def test_the_reading_of_a_counter_on_a_first_day_of_one_row(tmp_path):
    counter = 4321 + np.cumsum(columns()[0]) * STEP_S / 3.6e6
    for day, part in {"11": slice(0, 1), "12": slice(1, DAY), "13": slice(DAY, None)}.items():
        lines = wide(["Fridge kWh"], [counter[part]], stamps=STAMPS[part])
        write(tmp_path, f"2026-10-{day}.csv", lines)
    kwh = through(tmp_path, tmp_path / "in").kwh
    close(kwh, {"Fridge": counter[-1] - counter[0]})


def test_a_circuit_with_a_single_reading_stops_no_other(tmp_path):
    lines = wide(["Fridge [W]"], columns()[:1])
    folder = write(tmp_path, "fridge.csv", lines)
    write(tmp_path, "attic.csv", ["when;Attic [kW]", "12.10.2026 00:00;0,1"])
    found = through(tmp_path, folder)
    close(found.kwh, {"Fridge": TRUTH["Fridge"]})
    assert "single reading" in found.made.left_out["attic.csv"]


def test_a_circuit_of_a_long_log_with_a_single_reading_stops_no_other(tmp_path):
    rows = [f"{stamp},Fridge,{w[0]}" for stamp, w in zip(STAMPS, ROWS, strict=True)]
    lines = ["time,name,W", *rows, f"{STAMPS[9]},Attic,40"]
    found = through(tmp_path, write(tmp_path, "a.csv", lines))
    close(found.kwh, {"Fridge": TRUTH["Fridge"], "Attic": 40 * STEP_S / 3.6e6})


def test_a_circuit_that_changed_twice_in_days(tmp_path):
    rng = np.random.default_rng(8)
    at = np.cumsum(rng.integers(2, 40, 300))
    start = pd.Timestamp("2026-10-12")
    rows = [
        f"{start + pd.Timedelta(minutes=int(m))},Fridge,{120 * (n % 2)}" for n, m in enumerate(at)
    ]
    rows.insert(5, f"{start + pd.Timedelta(minutes=int(at[4]))},Attic,40")
    rows.append(f"{start + pd.Timedelta(minutes=int(at[-1]))},Attic,0")
    found = through(tmp_path, write(tmp_path, "a.csv", ["time,name,W", *rows]))
    assert found.kwh["Attic"] == pytest.approx(0.04 * (at[-1] - at[4]) / 60, rel=1e-9)


@pytest.mark.parametrize(("every_s", "rounded_s"), [(15, 10), (60, 100), (3, 10)])
def test_stamps_that_are_rounded_more_than_rows_come_are_said(every_s, rounded_s):
    times = np.floor(np.arange(2000) * every_s / rounded_s).astype(np.int64) * rounded_s * 10**9
    assert f"rounded to {rounded_s} s" in (rounding_remark(times) or "")


@pytest.mark.parametrize("lost", [0.0, 0.02, 0.2, 0.5])
def test_rows_that_are_lost_are_no_rounding(lost):
    kept = np.random.default_rng(1).random(4000) >= lost
    assert rounding_remark(np.arange(4000, dtype=np.int64)[kept] * 10 * 10**9) is None
