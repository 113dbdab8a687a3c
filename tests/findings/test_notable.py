"""What stands out though nobody asked: changes, and times without power."""

import re

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pytest

import homeenergy as he
from homeenergy.findings import house_findings
from homeenergy.findings.house_year import house_year
from homeenergy.findings.power_steps import power_step, standby_step
from homeenergy.findings.saving.look_into import look_into
from homeenergy.readings import import_logs, new_house, open_house
from homeenergy.show.document.page import findings_page
from homeenergy.show.figures.comparison import plot_notable
from homeenergy.show.terminal import findings_lines

from ..samples import sample_findings
from .small_house import made_house

DAYS, MINUTES = 42, 1440
CHANGED = 21  # first day with the new setting


@pytest.fixture(scope="module")
def house(tmp_path_factory):
    """A refrigerator that runs less from a day on; a television without power for 26 hours."""
    folder = tmp_path_factory.mktemp("notable") / "house"
    rng = np.random.default_rng(1)
    at = pd.date_range("2026-09-20", periods=DAYS * MINUTES, freq="1min", tz="UTC")
    minute = np.arange(at.size)
    on = minute % 60 < np.where(minute < CHANGED * MINUTES, 30, 20)
    fridge = 2 + 90 * on + rng.normal(0, 0.3, at.size)
    television = np.full(at.size, 4.0)
    for day in range(DAYS):
        first = day * MINUTES + 1100
        television[first : first + 120 + int(rng.integers(0, 60))] = 90
    television[30 * MINUTES : 31 * MINUTES + 120] = 0
    table = pd.DataFrame({"fridge": fridge.round(1), "television": television}, index=at)
    file = folder.with_suffix(".csv")
    table.rename_axis("time").to_csv(file, date_format="%Y-%m-%dT%H:%M:%S%z")
    new_house(folder, logs=[file], timezone="UTC")
    import_logs(folder)
    return open_house(folder)


@pytest.fixture(scope="module")
def found(house):
    return he.house_findings(house)


def test_a_change_and_a_time_without_power_are_said_unasked(found):
    change, off = found.notable
    assert (change.what, change.circuit) == ("changed", "fridge")
    assert change.change.at == pd.Timestamp("2026-10-11")
    assert change.change.size_kwh.value == pytest.approx(-90 * 10 / 60 * 24 / 1000, abs=0.01)
    assert change.sentence.startswith("fridge changed on 11 October")
    assert (off.what, off.circuit) == ("without power", "television")
    assert off.start == pd.Timestamp("2026-10-20", tz="UTC")
    assert (off.end - off.start).total_seconds() == 26 * 3600
    assert off.sentence == (
        "television was off at the wall for 26 hours, from Tuesday 20 October 00:00 on."
    )
    assert "nothing is to do" in off.next_step


def test_it_is_said_wherever_findings_are(found, house):
    for text in (found.to_markdown(), " ".join("\n".join(findings_lines(found)).split())):
        assert "fridge changed on 11 October" in text
        assert "television was off at the wall for 26 hours" in text
    page = findings_page(found, house)
    assert page.count("It stands out: ") == 2
    assert "Picture: television was off at the wall" in page


def test_a_house_in_which_nothing_happened_has_nothing():
    assert sample_findings("canal_flat").notable == ()


def test_what_is_switched_off_by_habit_is_not_news(tmp_path):
    at = pd.date_range("2026-09-20", periods=14 * MINUTES, freq="1min", tz="UTC")
    watts = np.full(at.size, 4.0)
    for day in range(14):
        watts[day * MINUTES + 1000 : day * MINUTES + 1100] = 90
        if day % 2:
            watts[day * MINUTES : day * MINUTES + 420] = 0
    file = tmp_path / "log.csv"
    table = pd.DataFrame({"television": watts}, index=at)
    table.rename_axis("time").to_csv(file, date_format="%Y-%m-%dT%H:%M:%S%z")
    new_house(tmp_path / "house", logs=[file], timezone="UTC")
    import_logs(tmp_path / "house")
    (row,) = he.house_findings(open_house(tmp_path / "house")).appliances
    assert row.cycles.rest.off_h > 40
    assert he.house_findings(open_house(tmp_path / "house")).notable == ()


def test_a_refrigerator_that_draws_nothing_for_a_day_is_news_and_a_warm_tank_is_not(tmp_path):
    at = pd.date_range("2026-09-20", periods=14 * MINUTES, freq="1min", tz="UTC")
    minute = np.arange(at.size)
    fridge = 90.0 * (minute % 60 < 20)
    fridge[8 * MINUTES : 9 * MINUTES + 600] = 0
    # Twice within an hour in the morning, then at rest until the next one.
    tank = 2000.0 * np.isin(minute % MINUTES // 15, [28, 31])
    table = pd.DataFrame({"fridge": fridge, "water heater": tank}, index=at)
    file = tmp_path / "log.csv"
    table.rename_axis("time").to_csv(file, date_format="%Y-%m-%dT%H:%M:%S%z")
    new_house(tmp_path / "house", logs=[file], timezone="UTC")
    import_logs(tmp_path / "house")
    (silent,) = he.house_findings(open_house(tmp_path / "house")).notable
    assert (silent.what, silent.circuit) == ("silent", "fridge")
    # From the end of the last run on: 40 minutes more than nothing was drawn on purpose.
    assert silent.start == pd.Timestamp("2026-09-27 23:20", tz="UTC")
    assert silent.end == pd.Timestamp("2026-09-29 10:00", tz="UTC")
    assert "did not run for 35 hours" in silent.sentence
    assert "food spoils" in silent.next_step
    ax = plot_notable(silent, open_house(tmp_path / "house"))
    assert ax.get_title(loc="left") == "fridge, not running"
    plt.close(ax.figure)


def scaled_house(folder, factors, *, at_day=8):
    """Loads of a fortnight, each times a factor from a day on, and the house of their log."""
    at = pd.date_range("2026-09-20", periods=14 * MINUTES, freq="1min", tz="UTC")
    minute = np.arange(at.size)
    rng = np.random.default_rng(3)
    table = {}
    for number, (name, times) in enumerate(factors.items()):
        used = np.zeros(at.size)
        for day in range(14):
            for hour in (7, 12, 19):
                first = day * MINUTES + hour * 60 + 20 * number + int(rng.integers(0, 10))
                level_w = (2000 - 300 * number) * rng.uniform(0.97, 1.03)
                used[first : first + 10 + int(rng.integers(0, 5))] = level_w
        table[name] = (used * np.where(minute >= at_day * MINUTES, times, 1)).round(1)
    file = folder.with_suffix(".csv")
    frame = pd.DataFrame(table, index=at).rename_axis("time")
    frame.to_csv(file, date_format="%Y-%m-%dT%H:%M:%S%z")
    new_house(folder, logs=[file], timezone="UTC")
    import_logs(folder)
    return open_house(folder)


@pytest.mark.parametrize(("sign", "runs"), [(1, 30), (-1, 30), (1, 3)])
def test_a_step_of_power_is_found_backwards_too_and_not_among_three_runs(sign, runs):
    rng = np.random.default_rng(0)
    watts = np.full(10 * 8640, 1.0, np.float32)
    for run in range(runs):
        first = run * watts.size // runs + 500
        level_w = (1400 if run >= runs // 2 else 1000) * rng.uniform(0.99, 1.01)
        watts[first : first + 40] = level_w
    watts[6 * 8640 : 7 * 8640] = np.nan  # a day is missing
    start = pd.Timestamp("2026-03-25", tz="UTC")
    trace = he.Trace(label="iron", start=start, period_s=10.0, watts=sign * watts)
    step = power_step(he.find_cycles(trace))
    if runs == 3:
        assert step is None
    else:
        assert step.ratio == pytest.approx(1.4, abs=0.02)
        assert step.last < start + pd.Timedelta(days=5, hours=2) < step.at + pd.Timedelta(hours=3)


def test_another_power_from_a_day_on_is_said_and_is_no_second_appliance(tmp_path):
    house = scaled_house(tmp_path / "house", {"oven": 1.0, "kettle": 1.25, "iron": 1.0})
    found = he.house_findings(house)
    (step,) = [one for one in found.notable if one.what == "another power"]
    assert step.circuit == "kettle"
    assert step.start <= pd.Timestamp("2026-09-28", tz="UTC") <= step.end
    assert step.step.ratio == pytest.approx(1.25, abs=0.02)
    assert step.sentence.startswith("Since 28 September, kettle draws 2,1")
    assert "clamp was moved" in step.next_step
    assert not any("two appliances" in text for one in found.appliances for text in one.remarks)
    ax = plot_notable(step, house)
    assert ax.get_title(loc="left") == "kettle, another power at work"
    plt.close(ax.figure)


def test_one_factor_of_all_is_the_loggers(tmp_path):
    house = scaled_house(tmp_path / "house", {"oven": 0.8, "kettle": 0.8, "iron": 0.8})
    (step,) = he.house_findings(house).notable
    assert {"oven", "kettle", "iron"} < set(step.sentence.replace(",", "").split())
    assert re.search(r"draw 0\.(79|8|81) times as much at work\.", step.sentence)
    assert "the logger changed" in step.next_step
    # It is said once for the house: nothing is looked for in its loads.
    assert set(step.together) == {"oven", "kettle", "iron"}
    assert step.times == pytest.approx(0.8, abs=0.01)


@pytest.mark.parametrize("change", ["drift", "habit", "none"])
def test_drifts_and_habits_are_no_other_power(change):
    rng = np.random.default_rng(5)
    n, day_s = 40, 86_400
    watts = np.full(20 * day_s // 10, 1.0, np.float32)
    for run in range(n):
        level_w = 500 * rng.uniform(0.98, 1.02)
        if change == "drift":
            level_w *= 1 + run / n
        elif change == "habit":  # two settings, one of them more often later
            level_w *= 2 if rng.uniform() < (0.2, 0.7)[run > n / 2] else 1
        first = run * watts.size // n + 1000
        watts[first : first + 60] = level_w
    start = pd.Timestamp("2026-09-20", tz="UTC")
    trace = he.Trace(label="iron", start=start, period_s=10.0, watts=watts)
    assert power_step(he.find_cycles(trace)) is None


def test_a_use_far_longer_than_others_is_said(tmp_path):
    house = scaled_house(tmp_path / "house", {"kettle": 1.0})
    table = pd.read_csv(tmp_path / "house.csv")
    table.loc[5 * MINUTES : 6 * MINUTES, "kettle"] += 40  # a day of something else
    table.to_csv(tmp_path / "other.csv", index=False)
    new_house(tmp_path / "other", logs=[tmp_path / "other.csv"], timezone="UTC")
    import_logs(tmp_path / "other")
    told = [
        [text for text in he.house_findings(one).appliances[0].remarks if "one use lasts" in text]
        for one in (house, open_house(tmp_path / "other"))
    ]
    assert told[0] == []
    assert told[1] == [
        "one use lasts 24 h, nine of ten at most 14 min: look at its trace there, and at idle_w "
        "and on_w"
    ]


@pytest.mark.parametrize(
    ("night_w", "sign", "found"), [(0.4, 1, True), (0.4, -1, True), (6.6, 1, False)]
)
def test_another_standby_from_a_day_on_is_said(night_w, sign, found):
    rng = np.random.default_rng(8)
    zone, days = "Europe/Berlin", 20
    times = pd.date_range("2026-10-15", periods=days * 2880, freq="30s", tz=zone)
    watts = np.where(times >= pd.Timestamp("2026-10-27", tz=zone), night_w, 7.1)
    for day in range(days):  # two uses a day
        for hour in (8, 19):
            first = day * 2880 + hour * 120 + int(rng.integers(100))
            watts[first : first + 90] = 120
    watts = (sign * (watts + rng.normal(0, 0.05, watts.size))).astype(np.float32)
    trace = he.Trace(label="set", start=times[0].tz_convert("UTC"), period_s=30.0, watts=watts)
    step = standby_step(he.find_cycles(trace), timezone=zone)
    assert (step is not None) == found
    if step is not None:
        assert step.at == pd.Timestamp("2026-10-27", tz=zone)
        assert (step.before.value, step.after.value) == pytest.approx((7.1, night_w), abs=0.05)


def test_what_feeds_in_is_no_load_that_somebody_switched_off(tmp_path):
    """Of the last night, nothing but zeros is seen; the others end with a first sample of sun."""
    hour = np.arange(4 * 288) / 12 % 24
    sun = np.sin(np.pi * (hour - 6.67) / 10.67).clip(min=0) * (hour < 17.34)
    found = he.house_findings(made_house(tmp_path, {"roof": -4000 * sun.round(3)}, period_s=300))
    (row,) = found.appliances
    assert row.kwh_per_day.value < 0 < row.cycles.rest.off_h
    assert not found.notable
    assert not [remark for remark in row.remarks if "unplugged" in remark]


def test_what_is_as_before_after_a_while_is_one_thing_and_no_reason_to_look(tmp_path):
    """A fortnight away: the iron is not used, and then it is used as before."""
    rng = np.random.default_rng(3)
    hours = np.tile(np.repeat([0.0, 1.0, 0.0], [9, 2, 13]), 70)
    watts = np.repeat(hours * np.repeat(rng.normal(1000.0, 60, 70), 24), 60)
    watts[30 * 1440 : 44 * 1440] = 0.0
    house = made_house(tmp_path, {"iron": watts + 1.0})
    findings = house_findings(house)
    (one,) = [one for one in findings.notable if one.change is not None]
    assert one.what == "for a while"
    assert (one.end - one.start).days == 14
    assert one.sentence.startswith("From 1 April to 14 April iron took 2.0")
    assert "less, and then as much as before" in one.sentence
    year = house_year(house, findings)
    assert not look_into(house, year, notable=findings.notable, floor=1.0)


def test_a_change_that_is_taken_back_in_part_is_two(tmp_path):
    rng = np.random.default_rng(3)
    levels = np.repeat([1000.0, 200.0, 600.0], [30 * 24, 14 * 24, 26 * 24])
    levels *= np.repeat(rng.normal(1, 0.06, 70), 24)
    hours = np.tile(np.repeat([0.0, 1.0, 0.0], [9, 2, 13]), 70) * levels
    findings = house_findings(made_house(tmp_path, {"iron": np.repeat(hours, 60) + 1.0}))
    assert [one.what for one in findings.notable if one.change] == ["changed", "changed"]
