"""Findings of the shipped sample house against its truth."""

import numpy as np
import pandas as pd
import pytest

from tests.samples import SAMPLES, sample_findings

SAMPLE = SAMPLES / "orchard_house"
DAYS = 21
# Share of the true runs that a run found belongs to, alone, and the other way about.
LEAST_FOUND, LEAST_TRUE = 0.9, 0.85
# A clamp's ratio is off by up to 2.5 % here; the rest is where a run is said to begin and end.
GREATEST_ENERGY_ERROR = 0.03


@pytest.fixture(scope="module")
def findings():
    found = sample_findings("orchard_house")
    return {a.circuit: a for a in found.appliances}, found


@pytest.fixture(scope="module")
def truth():
    table = {
        name: pd.read_csv(SAMPLE / "truth" / f"{name}.csv")
        for name in ("standby", "clamps", "wiring", "logging")
    }
    runs = pd.read_csv(SAMPLE / "truth" / "runs.csv", parse_dates=["start", "end"])
    return {**table, "runs": runs}


def pairs(found, true):
    """Rows of runs that overlap one another by more than half of both, (found, true)."""
    hits = []
    for j, run in enumerate(true.itertuples()):
        for i in np.flatnonzero((found["start"] < run.end) & (found["end"] > run.start)):
            one = found.iloc[i]
            shared = min(one["end"], run.end) - max(one["start"], run.start)
            if 2 * shared > max(one["end"] - one["start"], run.end - run.start):
                hits.append((i, j))
    return hits


def compare(finding, truth):
    """One row of the table: what was found of a circuit, and what is true."""
    true = truth["runs"][truth["runs"]["circuit"] == finding.circuit]
    found = finding.cycles.table
    hits = pairs(found, true)
    ratio = [found["energy_wh"].iloc[i] / true["energy_wh"].iloc[j] for i, j in hits]
    standby = truth["standby"].set_index("circuit")["standby_w"]
    kwh = truth["wiring"].groupby("circuit")["energy_kwh"].sum()
    return {
        "circuit": finding.circuit,
        "true": len(true),
        "found": len(found),
        "matched": len(hits),
        "energy error": float(np.median(np.abs(np.array(ratio) - 1))),
        "true standby": float(standby.groupby("circuit").first().get(finding.circuit, np.nan)),
        "standby": finding.standby_w.value,
        "low": finding.standby_w.low,
        "high": finding.standby_w.high,
        "true kWh/day": float(kwh[finding.circuit]) / DAYS,
        "kWh/day": finding.kwh_per_day.value,
    }


@pytest.fixture(scope="module")
def table(findings, truth):
    return pd.DataFrame([compare(a, truth) for a in findings[0].values()]).set_index("circuit")


def test_table_of_what_was_found_and_what_is_true(table, capsys):
    with capsys.disabled():
        print("\n" + table.round(3).to_string())  # noqa: T201 - the figures are the point
    assert len(table) == 12


def test_runs(table):
    assert (table["matched"] / table["true"] >= LEAST_FOUND).all()
    assert (table["matched"] / table["found"] >= LEAST_TRUE).all()
    assert table["matched"].sum() / table["true"].sum() >= 0.98
    assert table["matched"].sum() / table["found"].sum() >= 0.98


def test_energy_of_a_run(table):
    assert (table["energy error"] <= GREATEST_ENERGY_ERROR).all()


def test_standby(table, truth):
    """Within what the clamp cannot help: its ratio, its offset and its step, legs counted."""
    clamps = truth["clamps"].set_index("circuit")
    for circuit, row in table.iterrows():
        clamp = clamps.loc[circuit]
        off = abs(clamp["offset_w"]) + clamp["step_w"] + 0.05 * row["true standby"]
        off *= clamp["right_multiplier"]
        assert abs(row["standby"] - row["true standby"]) <= off, circuit
        assert row["low"] - off <= row["true standby"] <= row["high"] + off, circuit


def test_energy_of_a_day(table, truth):
    """Within the clamp's ratio and offset, half a step of its readings, and 3 % for holes.

    The log lacks 1 % of the time, but 11 % of one day, and holes take on the mean of their day:
    for a kiln that is fired four times this matters.
    """
    clamps = truth["clamps"].set_index("circuit")
    for circuit, row in table.iterrows():
        clamp = clamps.loc[circuit]
        off = (abs(clamp["ratio"] - 1) + 0.03) * row["true kWh/day"]
        steady_w = (abs(clamp["offset_w"]) + clamp["step_w"] / 2) * clamp["right_multiplier"]
        off += steady_w * 24 / 1000
        assert abs(row["kWh/day"] - row["true kWh/day"]) <= off, circuit


def test_what_no_circuit_measures(findings, truth):
    """The loads without a clamp, within what the errors of the two mains clamps do to it."""
    found = findings[1]
    wiring = truth["wiring"].set_index("circuit")["energy_kwh"]
    true = wiring["(unmonitored)"].sum() / DAYS
    clamps = truth["clamps"].set_index("circuit")
    of_leg = truth["wiring"].groupby("leg")["energy_kwh"].sum() / DAYS
    off = sum(
        abs(clamps.loc[f"mains_{leg.lower()}", "ratio"] - 1) * kwh for leg, kwh in of_leg.items()
    )
    off += 0.02 * (wiring.sum() / DAYS - true)
    assert abs(found.unmeasured_kwh_per_day.value - true) <= off
    assert found.mains_kwh_per_day.value == pytest.approx(wiring.sum() / DAYS, rel=0.03)
