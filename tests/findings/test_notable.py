"""What stands out though nobody asked: changes, and times without power."""

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pytest

import homeenergy as he
from homeenergy.readings import import_logs, new_house, open_house
from homeenergy.show.document.page import findings_page
from homeenergy.show.figures.comparison import plot_notable
from homeenergy.show.terminal import findings_lines

from ..samples import sample_findings

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
