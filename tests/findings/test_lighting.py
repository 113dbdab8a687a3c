"""Hours of use, watts when on, and times of day."""

import numpy as np
import pandas as pd
import pytest

from homeenergy.errors import HouseError
from homeenergy.findings import hours_of_use
from homeenergy.house.schedule import Clamp
from homeenergy.readings import open_house
from tests.findings.test_idle import finding_of
from tests.samples import SAMPLES, sample_findings

SAMPLE = SAMPLES / "orchard_house"


def lamps(days=10):
    """Every day 60 W from 18:00 to 22:00, and 40 W more from 19:00 to 20:00."""
    hour = np.arange(1440) / 60
    day = 60.0 * ((hour >= 18) & (hour < 22)) + 40.0 * ((hour >= 19) & (hour < 20))
    return np.tile(day, days)


def test_hours_watts_and_levels_by_hand():
    found = hours_of_use(finding_of(lamps(), name="Lamps"))
    assert found.hours_per_day.value == pytest.approx(4.0)
    assert found.kwh_per_day.value == pytest.approx(0.28)
    assert found.on_w.value == pytest.approx(70.0)
    assert found.levels["level_w"].tolist() == pytest.approx([60.0, 100.0])
    assert found.levels["hours_per_day"].tolist() == pytest.approx([3.0, 1.0])
    assert found.levels["share"].tolist() == pytest.approx([0.75, 0.25])
    on_h = found.by_hour["on_h"].to_numpy()
    assert on_h[18:22] == pytest.approx(1.0)
    assert on_h.sum() == pytest.approx(4.0)
    assert found.by_hour["kwh"].sum() == pytest.approx(0.28)
    assert (found.per_day["runs"] == 1).all()
    assert "Lamps is on 4.0" in found.sentence
    assert "at 2 levels from 60 to 100 W" in found.sentence


def test_hours_of_days_that_differ_have_an_interval():
    watts = lamps().reshape(10, 1440).copy()
    watts[::2] = 0  # every other day dark
    found = hours_of_use(finding_of(watts.ravel(), name="Lamps"))
    assert found.hours_per_day.value == pytest.approx(2.0)
    t_9 = 2.262157  # 97.5 % point of Student's t with 9 degrees of freedom, from tables
    half = t_9 * np.sqrt(10 * 2.0**2 / 9) / np.sqrt(10)
    # Ten days tell only roughly that they are not like those before.
    assert half <= found.hours_per_day.high - 2 < 2.1 * half
    assert found.on_w.value == pytest.approx(70.0)


def test_local_hours_across_the_end_of_summer_time():
    """Lamps at 18:00 to 20:00 of Denver's clock, over 1 November 2026."""
    times = pd.date_range("2026-10-28T06:00Z", "2026-11-05T07:00Z", freq="60s", inclusive="left")
    local = times.tz_convert("America/Denver").hour
    watts = np.where((local >= 18) & (local < 20), 50.0, 0.0)
    from homeenergy.findings.appliance.house import appliance_finding
    from homeenergy.house.schedule import Circuit
    from homeenergy.readings import Trace

    found = hours_of_use(
        appliance_finding(
            Trace(label="Lamps", start=times[0], period_s=60, watts=watts.astype(np.float32)),
            circuit=Circuit(name="lamps", appliance="Lamps", kind="manual"),
            timezone="America/Denver",
        )
    )
    assert found.per_day["on_h"].tolist() == pytest.approx([2.0] * 8)
    assert found.per_day["day_h"].max() == 25
    on_h = found.by_hour.set_index("hour")["on_h"]
    assert on_h[[18, 19]].tolist() == pytest.approx([1.0, 1.0])
    assert on_h.sum() == pytest.approx(2.0)


def test_a_small_lamp_lit_alone_counts():
    """60 W in the evening, and a night light of 8 W alone for an hour."""
    watts = lamps(14)
    watts[5 * 1440 + 120 : 5 * 1440 + 180] = 8.0
    watts += np.random.default_rng(6).normal(0, 0.3, watts.size)
    found = hours_of_use(finding_of(np.round(watts), name="Lamps"))
    assert found.per_day["on_h"].sum() == pytest.approx(14 * 4 + 1, abs=0.1)


def test_scaling_changes_watts_and_no_hours():
    rng = np.random.default_rng(7)
    watts = lamps() * (rng.random(14400) * 0.01 + 1)
    one = hours_of_use(finding_of(watts))
    two = hours_of_use(finding_of(3 * watts, clamp=Clamp(uncertainty=0.1)))
    assert two.hours_per_day.value == pytest.approx(one.hours_per_day.value)
    assert two.on_w.value == pytest.approx(3 * one.on_w.value, rel=1e-5)
    assert two.on_w.systematic >= 0.1 * two.on_w.value
    assert two.hours_per_day.systematic == 0


@pytest.fixture(scope="module")
def sample():
    return {a.circuit: a for a in sample_findings("orchard_house").appliances}


def test_lights_and_television_of_the_sample_house(sample):
    """Hours against those samples of the log that lie in a true run."""
    runs = pd.read_csv(SAMPLE / "truth" / "runs.csv", parse_dates=["start", "end"])
    for circuit in ("lights", "television"):
        trace = open_house(SAMPLE).trace(circuit)
        times = trace.times()
        on = np.zeros(len(trace), bool)
        for run in runs[runs["circuit"] == circuit].itertuples():
            on[times.searchsorted(run.start) : times.searchsorted(run.end)] = True
        hours = (on & ~np.isnan(trace.watts)).sum() / 3600
        found = hours_of_use(sample[circuit])
        assert found.per_day["on_h"].sum() == pytest.approx(hours, rel=0.005)
        # The mean leaves out one day of which a tenth is missing.
        assert found.hours_per_day.value == pytest.approx(hours / trace.covered_s * 86400, rel=0.03)
        assert found.by_hour["on_h"].sum() == pytest.approx(found.hours_per_day.value, rel=0.03)
    wiring = pd.read_csv(SAMPLE / "truth" / "wiring.csv").groupby("circuit")["energy_kwh"].sum()
    lights = hours_of_use(sample["lights"])
    assert lights.kwh_per_day.value == pytest.approx(wiring["lights"] / 21, rel=0.03)
    assert lights.by_hour["on_h"].iloc[9:17].max() < lights.by_hour["on_h"].iloc[18:23].min()


def test_never_on_and_never_off():
    rest = hours_of_use(finding_of(np.zeros(3 * 1440)))
    assert rest.hours_per_day.value == 0
    assert "was never on" in rest.sentence
    always = hours_of_use(finding_of(np.full(3 * 1440, 27.0), kind="continuous", name="Fan"))
    assert always.hours_per_day.value == pytest.approx(24.0)
    assert always.on_w.value == pytest.approx(27.0)
    # A circuit on which nothing is ever drawn looks as steady as what is never off.
    dead = hours_of_use(finding_of(np.zeros(3 * 1440), kind="continuous", name="Spare"))
    assert dead.hours_per_day.value == 0
    assert "was never on" in dead.sentence


def test_without_readings():
    with pytest.raises(HouseError, match="has no readings, so no hours"):
        hours_of_use(finding_of(np.full(1440, np.nan)))
