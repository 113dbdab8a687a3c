"""`homeenergy check`: all concerns of a house, the worst first, and its exit code."""

import json
import re

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from homeenergy import cli
from homeenergy.errors import HouseError
from homeenergy.findings import house_findings
from homeenergy.readings import import_logs, open_house
from homeenergy.show.terminal import check_lines
from homeenergy.trust import check_house

from .panels import START, as_logged, plain_panel

BENCH = "circuit,reference_w,clamp_w\n" + "".join(
    f"kettle,{w},{round(w / 0.96)}\n" for w in (1403.2, 1498.7, 1551.1, 1603.9)
)


def change(folder, pattern, new):
    path = folder / "house.toml"
    text = re.sub(pattern, new, path.read_text(), count=1, flags=re.S)
    assert text != path.read_text()
    path.write_text(text)
    return open_house(folder)


def meter_csv(house, *, hours=(1, 5, 9, 13, 17, 21), starts_at_kwh=700.4, ratio=1.0, step_kwh=1.0):
    watts = sum(house.trace(c).watts.astype(float) for c in house.circuits if c.role == "mains")
    used = np.r_[0.0, np.cumsum(watts)] / 3.6e6
    lines = ["time,kwh"]
    for hour in hours:
        when = START + pd.Timedelta(hours=hour)
        shown = int((starts_at_kwh + ratio * used[hour * 3600]) / step_kwh) * step_kwh
        lines.append(f"{when.isoformat()},{shown:.10g}")
    return "\n".join(lines) + "\n"


def test_a_house_in_order(tmp_path):
    house = plain_panel(tmp_path)
    (tmp_path / "meter_readings.csv").write_text(meter_csv(house))
    found = check_house(house)
    assert not found.contradicts
    assert [c.weight for c in found.concerns] == ["note"]
    assert "agree fully within rounding" in found.concerns[0].what
    assert found.meter.fits_all


def test_concerns_come_worst_first(tmp_path):
    house = plain_panel(tmp_path, clamps={"kiln": 0.5}, stated={"drill": {"legs": ("L1",)}})
    (tmp_path / "bench.csv").write_text(BENCH)
    (tmp_path / "meter_readings.csv").write_text(meter_csv(house, ratio=1.3))
    found = check_house(house)
    assert found.contradicts
    ranks = [c.rank() for c in found.concerns]
    assert ranks == sorted(ranks)
    assert [c.subject for c in found.concerns][:2] == ["kiln", "meter"]
    (bench,) = [c for c in found.concerns if c.what.startswith("Bench")]
    assert (bench.weight, bench.subject) == ("doubtful", "kettle")
    assert "multiplier = 0.9599" in bench.line


def test_a_dated_correction_mends_what_was_found(tmp_path):
    """The clamp of the kiln sat on one leg until noon, then round both."""
    house = plain_panel(tmp_path)
    stored = tmp_path / "store" / "kiln" / "2026-03.parquet"
    before = stored.read_bytes()
    half = house.trace("kiln").watts.copy()
    half[: 12 * 3600] /= 2
    from homeenergy.readings.store.store import Store

    from .panels import store_watts

    store_watts(Store(tmp_path / "store"), "kiln", half)
    assert stored.read_bytes() != before
    dated = '[{ value = 2.0 }, { value = 1.0, from = "2026-03-02 12:00" }]'
    house = change(tmp_path, r'(name = "kiln".*?multiplier = )[\d.]+', rf"\g<1>{dated}")
    found = check_house(house)
    assert not found.contradicts
    kiln = next(c for c in found.balance.circuits if c.circuit == "kiln")
    assert kiln.ratio.value == pytest.approx(1, abs=0.01)


def test_conductors_that_do_not_fit_the_multiplier(tmp_path):
    house = plain_panel(tmp_path)
    crossed = 'conductors = ["L1", "-L2"], volts_leg = "L1", multiplier = 2.0'
    house = change(tmp_path, r'(name = "kiln".*?)multiplier = [\d.]+', rf"\g<1>{crossed}")
    whats = [c.what for c in check_house(house).concerns if c.weight == "wrong"]
    assert any("with its conductors as stated its multiplier should be 1" in w for w in whats)
    assert any("doubled although it sees the whole load" in w for w in whats)


def test_range_and_missing_ratings_are_notes(tmp_path):
    house = plain_panel(tmp_path)
    small = 'breaker_a = 40\nclamp = { rating_a = 50, conductors = ["L1", "-L2"],'
    house = change(tmp_path, r'(name = "kiln".*?)clamp = \{ rating_a = 50,', rf"\g<1>{small}")
    house = change(tmp_path, r'(name = "iron".*?)rating_a = 50, ', r"\g<1>")
    notes = [c.what for c in check_house(house).concerns if c.weight == "note"]
    assert any("The 50 A clamp serves 25 A" in n for n in notes)
    assert any("rating of the clamp is not stated for iron" in n for n in notes)


def test_a_mistyped_meter_reading(tmp_path):
    house = plain_panel(tmp_path)
    lines = meter_csv(house).splitlines()
    when, kwh = lines[3].split(",")
    lines[3] = f"{when},{int(kwh) - 200}"
    (tmp_path / "meter_readings.csv").write_text("\n".join(lines))
    (concern,) = [c for c in check_house(house).concerns if c.subject == "meter"]
    assert "typing error is likelier" in concern.what
    assert kwh in concern.what


def test_readings_outside_the_log(tmp_path):
    house = plain_panel(tmp_path)
    (tmp_path / "meter_readings.csv").write_text(
        "time,kwh\n2025-01-01 08:00,5\n2026-03-02 08:00,9\n"
    )
    (concern,) = [c for c in check_house(house).concerns if c.subject == "meter"]
    assert "1 of the meter readings lies within the log" in concern.what


def test_no_mains_is_a_note(tmp_path):
    plain_panel(tmp_path)
    text = (tmp_path / "house.toml").read_text().replace('role = "mains"', 'role = "load"')
    (tmp_path / "house.toml").write_text(text)
    found = check_house(open_house(tmp_path))
    assert found.balance is None
    assert any("The panel cannot be balanced" in one.what for one in found.concerns)


def test_lone_spikes_are_told_and_contradict_nothing(tmp_path):
    from homeenergy.readings.store.store import Store
    from tests.trust.panels import store_watts

    house = plain_panel(tmp_path)
    watts = house.trace("heater").watts.copy()
    watts[[20_000, 60_000]] = 9000.0
    store_watts(Store(tmp_path / "store"), "heater", watts)
    found = check_house(open_house(tmp_path))
    (spikes,) = [one for one in found.concerns if "lone spikes" in one.what]
    assert (spikes.weight, "2 lone spikes" in spikes.what) == ("note", True)


def test_accuracy_in_the_bench_file_goes_first(tmp_path):
    house = plain_panel(tmp_path)
    head, *rows = BENCH.splitlines()
    text = "\n".join([f"{head},accuracy", *(f"{row},0.05" for row in rows)])
    (tmp_path / "bench.csv").write_text(text)
    (result,) = check_house(house).bench
    assert result.agrees
    assert result.u_reference == pytest.approx(0.05 * result.multiplier.value / np.sqrt(3))


def bench_text(clamp_w, *, slope, offset_w):
    rows = "".join(f"kettle,{slope * c + offset_w:.1f},{c}\n" for c in clamp_w)
    return f"circuit,reference_w,clamp_w\n{rows}"


def test_a_demanded_offset_is_offered_as_a_line_and_then_agrees(tmp_path):
    """The line that is told is written into house.toml; the next check has nothing to say of it."""
    house = plain_panel(tmp_path)
    text = bench_text((60, 140, 600, 1500, 2500), slope=1.03, offset_w=-6.0)
    (tmp_path / "bench.csv").write_text(text)
    (told,) = [c for c in check_house(house).concerns if c.what.startswith("Bench")]
    assert told.weight == "doubtful"
    assert "offset of -6 W" in told.what
    found = re.fullmatch(
        r"clamp = { rating_a = 50, multiplier = 1.03, offset_w = (-[56][.0-9]*), .*}", told.line
    )
    assert float(found[1]) == pytest.approx(-6, abs=0.3)
    before = house.trace("kettle").watts.copy()
    house = change(tmp_path, r'(name = "kettle".*?)clamp = \{[^\n]*', rf"\g<1>{told.line}")
    again = check_house(house)
    assert [c for c in again.concerns if c.what.startswith("Bench")] == []
    assert again.bench[0].agrees
    after = house.trace("kettle").watts
    np.testing.assert_allclose(after, 1.03 * before + float(found[1]), atol=0.01)


def test_the_line_keeps_what_is_stated_and_changes_the_last_correction(tmp_path):
    house = plain_panel(tmp_path)
    (tmp_path / "bench.csv").write_text(BENCH)
    dated = (
        "clamp = { rating_a = 50, multiplier = [{ value = 2 }, { value = 1, "
        'from = "2026-03-01 08:00" }], conductors = ["L1"], volts_leg = "L1" }'
    )
    house = change(tmp_path, r'(name = "kettle".*?)clamp = \{[^\n]*', rf"\g<1>{dated}")
    (told,) = [c for c in check_house(house).concerns if c.what.startswith("Bench")]
    kept = "clamp = { rating_a = 50, multiplier = [{ value = 2 }, { value = 0.9599, from = "
    assert told.line.startswith(f'{kept}"2026-03-01 08:00", uncertainty = 0.0')
    assert told.line.endswith(' }], conductors = ["L1"], volts_leg = "L1" }')
    printed = check_lines(check_house(house), width=60)
    assert any(line.strip() == told.line for line in printed)


def test_what_the_bench_knows_is_offered_where_house_toml_does_not_state_it(tmp_path):
    house = as_logged(plain_panel(tmp_path))
    text = bench_text((600, 1100, 1500, 2500), slope=1.0, offset_w=0.0)
    (tmp_path / "bench.csv").write_text(text)
    import_logs(tmp_path)
    house = open_house(tmp_path)
    (told,) = [c for c in check_house(house).concerns if c.what.startswith("Bench")]
    assert told.weight == "note"
    assert "leave the multiplier at 1" in told.what
    (kettle,) = house_findings(house, circuits=["kettle"]).appliances
    assert any(
        remark.startswith("bench.csv gives the uncertainty of its clamp")
        for remark in kettle.remarks
    )
    house = change(tmp_path, r'(name = "kettle".*?)clamp = \{[^\n]*', rf"\g<1>{told.line}")
    assert not [c for c in check_house(house).concerns if c.what.startswith("Bench")]
    (kettle,) = house_findings(house, circuits=["kettle"]).appliances
    assert kettle.clamp_uncertainty == pytest.approx(0.01, abs=0.001)
    assert not any("bench.csv" in remark for remark in kettle.remarks)


def test_one_pair_only_is_told_and_no_line_offered(tmp_path):
    house = plain_panel(tmp_path)
    (tmp_path / "bench.csv").write_text("circuit,reference_w,clamp_w\nkettle,365,372.5\n")
    (told,) = [c for c in check_house(house).concerns if c.what.startswith("Bench")]
    assert (told.weight, told.line) == ("note", "")
    assert "by one pair only" in told.what


def test_bench_values_at_rest_name_the_line(tmp_path):
    house = plain_panel(tmp_path)
    (tmp_path / "bench.csv").write_text("circuit,reference_w,clamp_w\nkettle,900,900\nkettle,0,3\n")
    told = " ".join(c.what for c in check_house(house).concerns if c.what.startswith("Bench"))
    assert "3 W beside a reference of 0 W in line 3 of bench.csv is at rest" in told


def test_a_bench_file_of_nothing_is_told(tmp_path):
    house = plain_panel(tmp_path)
    (tmp_path / "bench.csv").write_text("circuit,reference_w,clamp_w\nkettle,0,0\n")
    (told,) = [c for c in check_house(house).concerns if c.what.startswith("Bench")]
    assert "no pair of kettle tells of a multiplier" in told.what


def test_the_command_prints_the_list_and_ends_with_1(tmp_path, monkeypatch):
    monkeypatch.setenv("COLUMNS", "90")
    as_logged(plain_panel(tmp_path, clamps={"kiln": 0.5}))
    done = CliRunner().invoke(cli.app, ["check", str(tmp_path)])
    assert done.exit_code == 1
    assert "Does not match house.toml\n1. kiln: mains rises 1.00 times on both legs" in done.stdout
    assert "-> Set its multiplier to 2" in done.stdout
    assert "licensed electrician" in done.stdout
    assert max(map(len, done.stdout.splitlines())) <= 90
    as_json = CliRunner().invoke(cli.app, ["check", str(tmp_path), "--json", "-"])
    assert json.loads(as_json.stdout)[0]["subject"] == "kiln"
    assert as_json.exit_code == 1


def test_the_command_ends_with_0_where_all_matches(tmp_path):
    as_logged(plain_panel(tmp_path))
    done = CliRunner().invoke(cli.app, ["check", str(tmp_path)])
    assert done.exit_code == 0, done.stdout
    assert "No mismatch with house.toml." in done.stdout


@pytest.mark.parametrize("option", [["--reference-accuracy", "2"], ["--meter-step", "0"]])
def test_options_that_cannot_be_meant(tmp_path, option):
    assert CliRunner().invoke(cli.app, ["check", str(tmp_path), *option]).exit_code == 2


def test_lines_fit_the_width(tmp_path):
    found = check_house(plain_panel(tmp_path, clamps={"kiln": 0.5}))
    assert max(map(len, check_lines(found, width=60))) <= 60


def test_the_meter_confirms_a_clamp_of_the_mains_in_place_of_a_line_of_its_own(tmp_path):
    """One of two mains is 8 % low: to multiply both, as the meter alone would have it, is wrong."""
    right = plain_panel(tmp_path / "right")
    house = plain_panel(tmp_path / "low", mains={"L2": {"reads": 0.92}})
    (house.path / "meter_readings.csv").write_text(meter_csv(right, step_kwh=0.01))
    found = check_house(house, step_kwh=0.01)
    assert [c.subject for c in found.concerns if c.weight == "doubtful"] == ["mains_l2"]
    (meter,) = [c for c in found.concerns if c.subject == "meter"]
    assert meter.weight == "note"
    assert "does with mains_l2 corrected" in meter.what
    assert "Multiply the multiplier of mains_l2 by 1.0" in meter.do


@pytest.mark.parametrize(
    ("file", "text", "said"),
    [
        ("meter_readings.csv", "time,kwh\n", "None of the meter readings lies within the log"),
        (
            "meter_readings.csv",
            "time,kwh\n2026-03-02 01:00,100\n2026-03-02 23:00,100\n",
            "The meter shows 100 kWh in all 2 readings",
        ),
    ],
)
def test_readings_of_the_meter_that_tell_nothing(tmp_path, file, text, said):
    house = plain_panel(tmp_path)
    (tmp_path / file).write_text(text)
    (concern,) = [c for c in check_house(house).concerns if c.subject == "meter"]
    assert said in concern.what


@pytest.mark.parametrize(
    ("file", "text", "said"),
    [
        ("bench.csv", "", "Its first line must be circuit,reference_w,clamp_w"),
        ("meter_readings.csv", "", "Its first line must be time,kwh"),
    ],
)
def test_files_that_hold_nothing(tmp_path, file, text, said):
    house = plain_panel(tmp_path)
    (tmp_path / file).write_text(text)
    with pytest.raises(HouseError, match=said):
        check_house(house)


def test_a_meter_far_from_mains_that_circuits_confirm_proposes_no_multiplier(tmp_path):
    house = plain_panel(tmp_path)
    (tmp_path / "meter_readings.csv").write_text(
        "time,kwh\n2026-03-02 01:00,100\n2026-03-02 12:00,110\n2026-03-02 20:00,120\n"
    )
    (concern,) = [
        c for c in check_house(house).concerns if c.subject == "meter" and c.weight == "wrong"
    ]
    assert "leave the multipliers" in concern.do


def test_mains_without_circuits_compare_nothing(tmp_path):
    plain_panel(tmp_path)
    text = (tmp_path / "house.toml").read_text()
    kept = [part for part in text.split("[[circuit]]") if 'role = "load"' not in part]
    (tmp_path / "house.toml").write_text("[[circuit]]".join(kept))
    said = "\n".join(check_lines(check_house(open_house(tmp_path))))
    assert "But there was nothing to compare with" in said
    assert "The leg of every circuit" not in said


def test_two_mains_on_one_leg_are_named(tmp_path):
    house = plain_panel(tmp_path, mains={"L2": {"leg": "L1"}})
    (concern,) = [c for c in check_house(house).concerns if c.subject == "panel"]
    assert "'mains_l1' and 'mains_l2' both name leg L1" in concern.what
