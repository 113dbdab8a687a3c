"""Numbers as spreadsheets, meters and countries write them: prefixes, brackets, percent, totals."""

import numpy as np
import pytest

from homeenergy.errors import HouseError
from homeenergy.readings import import_logs

from .test_any_folder import DAY, FRAME, STAMPS, STEP_S, TRUTH, close, columns, through, wide, write

UTC = FRAME.index.tz_localize("America/Denver").tz_convert("UTC")
EPOCH_S = UTC.as_unit("s").asi8
ENERGY_WH = np.cumsum(FRAME.to_numpy(), axis=0) * STEP_S / 3600


@pytest.mark.parametrize("form", ["{:.2E}", "{:.3e}", "{:.0f}000"])
@pytest.mark.parametrize("times", [1, 1000])
def test_instants_that_a_spreadsheet_has_rounded_are_refused(tmp_path, form, times):
    rounded = [
        form.format(at * times if "e" in form.lower() else at * times // 10**6 * 1000)
        for at in EPOCH_S
    ]
    lines = wide([*FRAME], columns(), stamps=rounded)
    with pytest.raises(HouseError, match=r"time of many rows(.|\n)*whole number"):
        through(tmp_path, write(tmp_path, "a.csv", lines))


def test_instants_with_all_their_digits_and_an_exponent(tmp_path):
    lines = wide([*FRAME], columns(), stamps=[f"{at:.9E}" for at in EPOCH_S])
    close(through(tmp_path, write(tmp_path, "a.csv", lines)).kwh)


@pytest.mark.parametrize(
    ("unit", "of_a_watt"), [("mW", 1e3), ("MW", 1e-6), ("milliwatts", 1e3), ("kW", 1e-3)]
)
@pytest.mark.parametrize("place", ["head", "cell", "column"])
def test_prefixes_of_watts(tmp_path, unit, of_a_watt, place):
    values = [column * of_a_watt for column in columns()]
    lines = wide([f"{name} [{unit}]" if place == "head" else name for name in FRAME], values)
    if place == "cell":
        lines = [lines[0], *(line.replace(",", f" {unit},") + f" {unit}" for line in lines[1:])]
        lines = [line.replace(f" {unit},", ",", 1) for line in lines]
    if place == "column":
        lines = ["time,name,value,unit"]
        for stamp, row in zip(STAMPS, np.transpose(values), strict=True):
            lines += [f"{stamp},{n},{v:.10g},{unit}" for n, v in zip(FRAME, row, strict=True)]
    close(through(tmp_path, write(tmp_path, "a.csv", lines)).kwh)


def test_counters_in_megawatt_hours(tmp_path):
    lines = wide([f"{name} MWh" for name in FRAME], list(ENERGY_WH.T / 1e6))
    expected = {n: (e[-1] - e[0]) / 1000 for n, e in zip(FRAME, ENERGY_WH.T, strict=True)}
    close(through(tmp_path, write(tmp_path, "a.csv", lines)).kwh, expected)


def test_units_that_capitals_alone_distinguish_are_refused_without_them(tmp_path):
    lines = wide([f"{name} [mw]" for name in FRAME], columns())
    with pytest.raises(HouseError, match="holds mw, not power"):
        through(tmp_path, write(tmp_path, "a.csv", lines))


@pytest.mark.parametrize("spelled", ["({})", "\u2212{}", "{}-", "\u2013 {}"])
@pytest.mark.parametrize("form", ["{:.1f}", "{:.1f} W", "{:,.1f}"])
def test_negative_numbers_in_another_spelling(tmp_path, spelled, form):
    solar = np.where(np.arange(len(FRAME)) % DAY > DAY // 2, -1500.5, 2.0)
    lines = []
    for stamp, row in zip(STAMPS, np.column_stack([FRAME, solar]), strict=True):
        texts = [form.format(abs(v)) for v in row]
        cells = [spelled.format(t) if v < 0 else t for t, v in zip(texts, row, strict=True)]
        lines.append(";".join([stamp, *cells]))
    found = through(
        tmp_path, write(tmp_path, "a.csv", [";".join(["time", *FRAME, "Solar"]), *lines])
    )
    close(found.kwh, {**TRUTH, "Solar": solar.sum() * STEP_S / 3.6e6})


def test_a_negative_number_that_comes_later_is_refused_with_what_to_write(tmp_path):
    found = through(tmp_path, write(tmp_path, "a.csv", wide([*FRAME], columns())))
    log = tmp_path / "house" / "logs" / "b.csv"
    log.write_text("\n".join([f"time,{','.join(FRAME)}", "2026-10-20 00:00:00,1,1,1,(12.5)"]))
    with pytest.raises(HouseError, match=r"line 2(.|\n)*other_minus = true"):
        import_logs(tmp_path / "house")
    house_toml = found.house.schedule.folder / "house.toml"
    house_toml.write_text(
        house_toml.read_text().replace("[[log]]\n", "[[log]]\nother_minus = true\n", 1)
    )
    import_logs(tmp_path / "house")


@pytest.mark.parametrize("head", ["Oven PF", "Oven power factor [%]", "Oven PF %"])
@pytest.mark.parametrize("times", [1, 100])
def test_a_power_factor_in_percent(tmp_path, head, times):
    oven = FRAME["Oven"].to_numpy()
    heads, factor = ["Oven V", "Oven A", head], np.where(oven > 100, 0.98, 0.4)
    parts = [np.full(oven.size, 120.0), oven / 120.0 / factor, factor * times]
    lines = wide(heads, [np.round(part, 6) for part in parts])
    found = through(tmp_path, write(tmp_path, "a.csv", lines))
    close(found.kwh, {"Oven": TRUTH["Oven"]})
    if times == 1:
        log = tmp_path / "house" / "logs" / "a.csv"
        log.write_text(log.read_text() + "2026-10-20 00:00:00,120,1,98\n")
        with pytest.raises(HouseError, match=r"98 is no power factor(.|\n)*power_factor_unit"):
            import_logs(tmp_path / "house")


TOTALS = ["{day}", "{day} Total", "Total {day}", "Total", "", "----------", "Tagessumme {day}"]


@pytest.mark.parametrize("total", TOTALS)
@pytest.mark.parametrize("pattern", ["%Y-%m-%d %H:%M:%S", "%Y-%m-%dT%H:%M:%S", "%d.%m.%Y %H:%M"])
def test_totals_below_each_day(tmp_path, total, pattern):
    lines = wide([*FRAME], columns(), stamps=FRAME.index.strftime(pattern))
    day_kwh = FRAME.iloc[:DAY].sum() * STEP_S / 3600
    for at in (2, 1):
        day = FRAME.index[(at - 1) * DAY].strftime(pattern)[:10]
        row = [total.format(day=day), *(f"{wh:.1f}" for wh in day_kwh)]
        lines.insert(1 + at * DAY, ",".join(row))
    close(through(tmp_path, write(tmp_path, "a.csv", lines)).kwh)


def test_a_total_below_the_day_of_each_file(tmp_path):
    lines = wide([*FRAME], columns())
    for at in range(2):
        part = lines[1 + at * DAY : 1 + (at + 1) * DAY]
        write(tmp_path, f"{at}.csv", [lines[0], *part, f"{part[0][:10]},1e3,2e3,3e3,4e3"])
    close(through(tmp_path, tmp_path / "in").kwh)


def test_points_in_a_time_of_day_after_a_date_of_iso_8601(tmp_path):
    lines = wide([*FRAME], columns(), stamps=FRAME.index.strftime("%Y-%m-%d %H.%M.%S"))
    close(through(tmp_path, write(tmp_path, "a.csv", lines)).kwh)


@pytest.mark.parametrize("pattern", ["%Y-%m-%d %H:%M:%S", "%d.%m.%Y %H:%M"])
def test_midnights_of_which_the_time_of_day_is_left_out(tmp_path, pattern):
    stamps = FRAME.index.strftime(pattern).str.replace(r" 00:00(:00)?$", "", regex=True)
    lines = wide([*FRAME], columns(), stamps=stamps)
    close(through(tmp_path, write(tmp_path, "a.csv", lines)).kwh)
