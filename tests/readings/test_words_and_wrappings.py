"""Times in words of several languages, compressed logs and databases, dates in names of files.

As in `test_any_folder`: each log is written from known power, whose energies must come out.
"""

import bz2
import lzma
import sqlite3

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from homeenergy.errors import HouseError
from homeenergy.findings import house_findings
from tests.readings.test_any_folder import (
    FRAME,
    STAMPS,
    STEP_S,
    close,
    columns,
    house_frame,
    through,
    wide,
    write,
)

TEXT = "\n".join(wide([*FRAME], columns())) + "\n"


def months(text):
    return text.split()


DE = months("Januar Februar März April Mai Juni Juli August September Oktober November Dezember")
DE_SHORT = months("Jan Feb Mär Apr Mai Jun Jul Aug Sep Okt Nov Dez")
FR_SHORT = months("janv. févr. mars avr. mai juin juil. août sept. oct. nov. déc.")
NL_SHORT = months("jan feb mrt apr mei jun jul aug sep okt nov dec")
ES = months(
    "enero febrero marzo abril mayo junio julio agosto septiembre octubre noviembre diciembre"
)


@pytest.mark.parametrize(
    ("names", "form"),
    [
        (DE, "{day}. {month} {at:%Y}, {at:%H:%M} Uhr"),
        (DE_SHORT, "{at:%d}. {month} {at:%Y} {at:%H:%M}"),
        (FR_SHORT, "{day} {month} {at:%Y} {at:%H:%M:%S}"),
        (NL_SHORT, "{day}-{month}-{at:%Y} {at:%H:%M}"),
        (ES, "{day} de {month} de {at:%Y} {at:%H:%M}"),
    ],
)
@pytest.mark.parametrize("first", ["2026-03-30", "2026-04-29", "2026-07-31", "2026-12-30"])
def test_months_in_other_languages(tmp_path, names, form, first):
    frame = house_frame()
    index = pd.date_range(first, periods=len(frame), freq=f"{STEP_S}s")
    stamps = [form.format(day=at.day, month=names[at.month - 1], at=at) for at in index]
    lines = wide([*frame], columns(frame), sep=";", stamps=stamps)
    made = through(tmp_path, write(tmp_path, "a.csv", lines))
    close(made.kwh)
    start = made.house.trace("oven").start.tz_convert("America/Denver")
    assert f"{start:%Y-%m-%d %H:%M}" == f"{first} 00:00"


@pytest.mark.parametrize(
    "form", ["{week} %d.%m.%Y %H:%M", "%d/%m/%Y %Hh%M", "{week}, %Y-%m-%d %H:%M"]
)
def test_days_of_the_week_and_hours_with_an_h(tmp_path, form):
    week = months("Mo Di Mi Do Fr Sa So")
    stamps = [at.strftime(form.replace("{week}", week[at.weekday()])) for at in FRAME.index]
    lines = wide([*FRAME], columns(), sep=";", stamps=stamps)
    close(through(tmp_path, write(tmp_path, "a.csv", lines)).kwh)


def packed(kind):
    return pa.Codec(kind).compress(TEXT.encode()).to_pybytes()


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("a.csv.xz", lambda: lzma.compress(TEXT.encode())),
        ("a.csv.bz2", lambda: bz2.compress(TEXT.encode())),
        ("october.zst", lambda: packed("zstd")),
    ],
)
def test_compressed_logs(tmp_path, name, content):
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / name).write_bytes(content())
    close(through(tmp_path, tmp_path / "in").kwh)


def test_a_compressed_log_that_is_cut_off_is_refused(tmp_path):
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "a.csv.xz").write_bytes(lzma.compress(TEXT.encode())[:-40])
    with pytest.raises(HouseError, match="cannot be unpacked"):
        through(tmp_path, tmp_path / "in")


def test_an_arrow_file(tmp_path):
    (tmp_path / "in").mkdir()
    FRAME.rename_axis("time").reset_index().to_feather(tmp_path / "in" / "a.feather")
    close(through(tmp_path, tmp_path / "in").kwh)


def database(path, **tables):
    path.parent.mkdir()
    with sqlite3.connect(path) as base:
        for name, table in tables.items():
            table.to_sql(name, base, index=False)
    base.close()
    return path.parent


def test_a_database_of_one_table(tmp_path):
    table = FRAME.set_axis(STAMPS).rename_axis("time").reset_index()
    close(through(tmp_path, database(tmp_path / "in" / "a.db", readings=table)).kwh)


def test_a_database_of_several_tables_is_refused_with_what_to_export(tmp_path):
    table = FRAME.set_axis(STAMPS).rename_axis("time").reset_index()
    given = database(tmp_path / "in" / "a.db", readings=table, names=table[:2])
    with pytest.raises(HouseError, match="several tables") as refused:
        through(tmp_path, given)
    assert "as CSV, joined with the names" in refused.value.fix


@pytest.mark.parametrize("quoted", ['="{}"', '"=""{}"""'])
def test_cells_that_a_spreadsheet_shall_leave_alone(tmp_path, quoted):
    lines = wide([*FRAME], columns(), sep=";", decimal=",")
    rows = [";".join(quoted.format(cell) for cell in line.split(";")) for line in lines[1:]]
    close(through(tmp_path, write(tmp_path, "a.csv", [lines[0], *rows])).kwh)


@pytest.mark.parametrize(
    "name", ["log_%Y-%m-%d.csv", "%Y%m%d.csv", "%d.%m.%Y.csv", "%Y/%m/%d/a.csv"]
)
def test_days_in_the_names_of_files(tmp_path, name):
    for _, part in FRAME.groupby(FRAME.index.date):
        # As some loggers do, a day ends with the first row of the next.
        part = FRAME[part.index[0] : part.index[-1] + pd.Timedelta(seconds=STEP_S)]
        lines = wide([*part], columns(part), stamps=part.index.strftime("%H:%M:%S"))
        given = write(tmp_path, part.index[0].strftime(name), lines)
    close(through(tmp_path, given).kwh)


def test_a_month_in_the_name_of_a_file_is_no_day(tmp_path):
    lines = wide([*FRAME], columns(), stamps=FRAME.index.strftime("%H:%M:%S"))
    with pytest.raises(HouseError, match="no column their dates"):
        through(tmp_path, write(tmp_path, "2026-10.csv", lines))


def test_what_a_counter_counted_in_a_gap_is_said(tmp_path):
    """Rows 300 to 700 are missing: 400 steps, from the reading of row 299 to that of row 700."""
    frame = house_frame(days=4)
    wh = frame.cumsum().shift(1, fill_value=0.0) * STEP_S / 3600 + 500
    logged = wh.drop(wh.index[300:700])
    heads = [f"{name} (Wh)" for name in frame]
    stamps = logged.index.strftime("%Y-%m-%d %H:%M:%S")
    given = write(tmp_path, "a.csv", wide(heads, columns(logged), stamps=stamps))
    made = through(tmp_path, given)
    missed = frame[299:700].sum() * STEP_S / 3.6e6
    within = frame[:-1].sum() * STEP_S / 3.6e6
    close({name: made.kwh[name] + missed[name] for name in frame}, within.to_dict())
    quality = made.house.quality()
    close(dict(zip(frame, quality["missed_kwh"], strict=True)), missed.to_dict())
    remarks = next(
        one.remarks for one in house_findings(made.house).appliances if one.circuit == "heat_pump"
    )
    assert any("counted at least" in one and "while nothing was logged" in one for one in remarks)


def test_a_gap_of_a_counter_over_the_end_of_a_month_is_said(tmp_path):
    stamps = pd.date_range("2026-10-20", "2026-11-14", freq="15min")
    oven = np.cumsum(100.0 + 50 * np.sin(np.arange(len(stamps)) / 9)).round()
    there = (stamps < "2026-10-27 05:00") | (stamps >= "2026-11-08 16:00")
    lines = wide(["Oven (Wh)"], [oven[there]], stamps=stamps[there].strftime("%Y-%m-%d %H:%M"))
    made = through(tmp_path, write(tmp_path, "a.csv", lines))
    (oven,) = house_findings(made.house).appliances
    assert any("not read for 300 h over the end of a month" in one for one in oven.remarks)


@pytest.mark.parametrize("every", [97, 3])
def test_a_status_of_each_circuit(tmp_path, every):
    """Bad readings are left out with their rows, unless few rows are left: then that is said."""
    lines = ["time,Oven,Oven status,Dryer,Dryer status"]
    for at, (when, oven, dryer) in enumerate(
        zip(STAMPS, FRAME["Oven"], FRAME["Dryer"], strict=True)
    ):
        one, other = at % every == 5 % every, at % (every + 6) == 7
        cells = (9999 if one else oven, "BAD" if one else "OK")
        cells += (8888 if other else dryer, "BAD" if other else "OK")
        lines.append(",".join(map(str, (when, *cells))))
    made = through(tmp_path, write(tmp_path, "a.csv", lines))
    if every == 3:
        assert "say which readings are bad: all are read" in made.text
        return
    assert max(made.house.trace(name).watts.max() for name in ("oven", "dryer")) < 5500
    for name in ("Oven", "Dryer"):
        assert made.kwh[name] == pytest.approx(FRAME[name].sum() * STEP_S / 3.6e6, rel=0.03)
