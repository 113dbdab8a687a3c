"""Loads that share a clamp: closed-form days, sums that stay exact, and what is not told."""

from dataclasses import replace
from itertools import product
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from homeenergy.cycles import Load, split_loads
from homeenergy.cycles.decisions import Decision, add_decisions, remove_decisions
from homeenergy.cycles.shared import kernels, parts, split
from homeenergy.cycles.shared.grouping import (
    _time_together,
    evidence,
    independence,
    partitions,
)
from homeenergy.cycles.shared.hints import odds_by_hints
from homeenergy.cycles.shared.parts import Switches, decode, find_parts
from homeenergy.cycles.shared.split import QUESTION_ODDS
from homeenergy.cycles.shared.steps import find_steps
from homeenergy.errors import HouseError
from homeenergy.findings import house_findings
from homeenergy.findings.comparison.circuits import compare_named
from homeenergy.house.toml_file import house_toml, read_schedule
from homeenergy.readings import import_logs, open_house
from homeenergy.readings.trace import Trace

START = pd.Timestamp("2026-03-02T00:00Z")
DAY_N = 2880
PERIOD_S = 30.0


def trace_of(watts, *, doubt=None):
    return Trace(label="Cellar", start=START, period_s=PERIOD_S, watts=watts, doubt=doubt)


def freezer(days=6):
    """90 W for 20 of each 60 minutes."""
    return np.where(np.arange(days * DAY_N) % 120 < 40, 90.0, 0.0)


def lamp(days=6, *, watts=40.0):
    """Once an evening, not at the same minute."""
    on = np.zeros((days, DAY_N))
    for i in range(days):
        on[i, 2150 + 43 * i : 2480 + 61 * i] = watts
    return on.ravel()


def heater(days=6):
    """1500 W for two minutes, four times a day at any hour while people are awake."""
    on = np.zeros(days * DAY_N)
    starts = np.random.default_rng(6).integers(800, 2700, (days, 4))
    on[(starts + DAY_N * np.arange(days)[:, None]).ravel()[:, None] + np.arange(4)] = 1500.0
    return on


def noise(n, *, seed=1):
    return np.random.default_rng(seed).normal(0, 1.0, n)


def added(shared):
    return np.sum([t.watts.astype(np.float64) for t in shared.traces.values()], axis=0)


def test_a_freezer_and_a_lamp_are_told_from_each_other():
    truth = [freezer(), lamp()]
    watts = truth[0] + truth[1] + noise(6 * DAY_N)
    loads = [Load(name="freezer", watts=90), Load(name="lamp", watts=40)]
    shared = split_loads(trace_of(watts), loads)
    assert shared.told
    assert not shared.reasons
    for own, trace, energy in zip(
        truth, shared.traces.values(), shared.energy_wh.values(), strict=True
    ):
        wh = own.sum() * PERIOD_S / 3600
        assert trace.energy_wh == pytest.approx(wh, rel=0.05)
        assert energy.low <= wh <= energy.high
        assert np.abs(trace.watts - own).mean() < 2.0


def test_a_compressor_whose_draw_declines_is_one_part_beside_another():
    """Two compressors, each 25 % above its settled draw at first, with a time constant of 400 s."""
    rng = np.random.default_rng(2)
    truth = np.zeros((2, 6 * DAY_N))
    for own, settled_w, on, off in zip(truth, (70.0, 110.0), (40, 55), (31, 72), strict=True):
        at = 7
        while at < own.size:
            n = min(int(on * rng.lognormal(0, 0.15)), own.size - at)
            age_s = PERIOD_S * (np.arange(n) + 0.5)
            own[at : at + n] = settled_w * (1 + 0.25 * np.exp(-age_s / 400))
            at += n + int(off * rng.lognormal(0, 0.15))
    watts = truth.sum(axis=0) + noise(truth.shape[1])
    steps = find_steps(trace_of(watts))
    large = sorted(find_parts(steps), key=lambda p: -p.energy_ws(1.0))[:2]
    drawn = [p.drawn_w(watts.size, PERIOD_S) for p in sorted(large, key=lambda p: p.watts)]
    for own, found in zip(truth, drawn, strict=True):
        assert np.abs(own - found).sum() < 0.03 * own.sum()


@pytest.mark.parametrize("days", [6, 10])
def test_a_freezer_and_a_lamp_are_told_where_only_their_number_is_said(days):
    shared = split_loads(trace_of(freezer(days) + lamp(days) + noise(days * DAY_N)), n=2)
    assert shared.told
    assert shared.odds_of_several > 3


def test_the_traces_add_up_sample_by_sample_with_holes_and_doubt():
    watts = freezer() + lamp() + noise(6 * DAY_N)
    watts[5000:5200] = np.nan
    watts[9000:9003] = -20.0
    doubt = np.zeros(watts.size, np.uint8)
    doubt[7000] = 1
    watts[7000] = 4000.0
    trace = trace_of(watts, doubt=doubt)
    shared = split_loads(trace, n=2)
    np.testing.assert_allclose(added(shared), trace.watts, rtol=1e-6, atol=1e-4)
    for one in shared.traces.values():
        assert np.isnan(one.watts[5000:5200]).all()
        assert one.doubt is not None
        assert one.doubt[7000] == 1
    assert sum(e.value for e in shared.energy_wh.values()) == pytest.approx(trace.energy_wh)


def test_a_series_at_an_uneven_pace_is_taken():
    watts = freezer() + lamp()
    index = pd.date_range(START, periods=watts.size, freq="30s")
    keep = np.random.default_rng(3).random(watts.size) > 0.1
    shared = split_loads(pd.Series(watts, index=index)[keep], n=2)
    assert sum(e.value for e in shared.energy_wh.values()) == pytest.approx(3800, rel=0.5)


def test_hints_name_the_loads_and_change_nothing_else():
    watts = freezer() + lamp() + noise(6 * DAY_N)
    plain = split_loads(trace_of(watts), n=2)
    hinted = split_loads(trace_of(watts), [Load(name="lamp", watts=45), Load(name="freezer")])
    named = {"lamp": "load 2", "freezer": "load 1"}
    for name, own in named.items():
        np.testing.assert_allclose(hinted.traces[name].watts, plain.traces[own].watts, atol=1e-3)


@pytest.mark.parametrize(
    "watts",
    [
        np.empty(0),
        np.full(DAY_N, np.nan),
        np.zeros(DAY_N),
        freezer(),
        np.full(6 * DAY_N, 85.0) + noise(6 * DAY_N),
        300 + 200 * np.sin(np.arange(6 * DAY_N) / 50) + noise(6 * DAY_N, seed=4),
    ],
    ids=["nothing", "missing", "zero", "one load", "constant", "modulating"],
)
def test_what_does_not_hold_two_loads_is_not_told(watts):
    trace = trace_of(watts)
    shared = split_loads(trace, n=2)
    assert not shared.told
    np.testing.assert_allclose(added(shared), trace.watts, rtol=1e-6, atol=1e-4)


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize(
    "watts",
    [
        freezer() + lamp() - 60 + noise(6 * DAY_N),
        freezer() + lamp() - 1000 * np.sin(np.arange(6 * DAY_N) / 450).clip(0) + noise(6 * DAY_N),
        np.where(np.arange(6 * DAY_N) % 2, np.nan, freezer() + lamp()),
    ],
    ids=["below zero", "fed back", "every second sample"],
)
@pytest.mark.parametrize("n", [2, 3])
@pytest.mark.parametrize("period_s", [PERIOD_S, 5.0])
def test_an_interval_holds_its_energy_whatever_the_readings(watts, n, period_s):
    trace = Trace(label="Cellar", start=START, period_s=period_s, watts=watts)
    shared = split_loads(trace, n=n)
    assert all(e.low <= e.value <= e.high for e in shared.energy_wh.values())
    shares = [float(word[:-1]) for why in shared.reasons for word in why.split() if word[-1] == "%"]
    assert all(share <= 100 for share in shares)


def washer(days=6, *, period_s=5.0):
    """Two hours every other day: a drum that turns every minute, and a heater at the beginning."""
    n = round(86_400 / period_s)
    drawn = np.zeros(days * n)
    turns = np.where(np.arange(round(7200 / period_s)) * period_s % 60 < 35, 150.0, 10.0)
    for day in range(0, days, 2):
        first = day * n + round((8 + day) * 3600 / period_s)
        drawn[first : first + turns.size] = turns
        drawn[first + round(300 / period_s) : first + round(1500 / period_s)] += 2000.0
    return drawn


def test_one_load_of_several_parts_is_not_two():
    watts = washer()
    trace = Trace(label="Wash", start=START, period_s=5.0, watts=watts + noise(watts.size))
    shared = split_loads(trace, n=2)
    assert not shared.told
    assert any("only one load" in why for why in shared.reasons)


@pytest.mark.parametrize("period_s", [2.0, 5.0])
def test_pulses_are_of_the_load_that_also_draws_for_minutes(period_s):
    """A part-power microwave, 12 s of 22 s, and at full power for two minutes; a lamp beside it."""
    n = 6 * 86_400
    own, lit = np.zeros(n), np.zeros(n)
    rng = np.random.default_rng(8)
    for day in range(6):
        for k, hour in enumerate((7, 12, 18, 19)):
            at = day * 86_400 + hour * 3600 + int(rng.integers(0, 3000))
            long = np.arange(300 if k % 2 else 120)
            own[at : at + long.size] = np.where(long % 22 < 12, 1250.0, 50.0) if k % 2 else 1250.0
        at = day * 86_400 + int(rng.integers(16, 20)) * 3600 + int(rng.integers(0, 3000))
        lit[at : at + int(rng.integers(4000, 12_000))] = 75.0
    size = round(period_s)
    own, lit = (x[: n // size * size].reshape(-1, size).mean(axis=1) for x in (own, lit))
    trace = Trace(
        label="Kitchen", start=START, period_s=period_s, watts=own + lit + noise(own.size)
    )
    shared = split_loads(trace, n=2)
    lamp_wh = lit.sum() * period_s / 3600
    assert shared.told or period_s > 2
    assert min(abs(t.energy_wh / lamp_wh - 1) for t in shared.traces.values()) < 0.05


@pytest.mark.parametrize("period_s", [30.0, 60.0])
def test_a_step_within_a_sample_is_one_step(period_s):
    watts = np.zeros(200)
    watts[50:60] = 2000.0
    watts[50], watts[59] = 700.0, 1500.0
    steps = find_steps(Trace(label="x", start=START, period_s=period_s, watts=watts))
    assert np.nan_to_num(steps.jump_w).tolist() == [0.0, 2000.0, -2000.0]


def test_uses_that_fill_part_of_a_long_sample_are_no_other_load():
    """One heater of 1000 W for half a minute or for minutes, as a logger of 60 s has it."""
    rng = np.random.default_rng(9)
    seconds = np.zeros(7 * 86_400)
    for i, at in enumerate(rng.integers(0, seconds.size - 2000, 140)):
        at -= at % 60 if i % 2 else 0
        seconds[at : at + (30 if i % 2 else rng.integers(300, 1500))] = 1000.0
    watts = seconds.reshape(-1, 60).mean(axis=1)
    trace = Trace(label="x", start=START, period_s=60.0, watts=watts + noise(watts.size))
    shared = split_loads(trace, n=2)
    assert not shared.told
    assert any("part of a sample" in why for why in shared.reasons)


def test_two_equal_heaters_are_not_told():
    rng = np.random.default_rng(5)
    watts = np.zeros(7 * DAY_N)
    for of_w in (2000.0, 2010.0):
        for at in rng.integers(0, watts.size - 60, 20):
            watts[at : at + rng.integers(5, 40)] += of_w
    shared = split_loads(trace_of(watts + noise(watts.size)), n=2)
    assert not shared.told


@pytest.mark.parametrize(
    ("wave_s", "beside", "said"),
    [(330, freezer, False), (330, lamp, False), (1000, heater, True), (3000, lamp, True)],
)
def test_a_load_that_modulates_is_not_told_from_another(wave_s, beside, said):
    """50 to 550 W in waves, that come back to no level; quick ones look like many switches."""
    n = 7 * DAY_N
    waves = 300 + 250 * np.sin(np.arange(n) * PERIOD_S / wave_s)
    wander = np.cumsum(np.random.default_rng(4).normal(0, 2, n)) % 200
    shared = split_loads(trace_of(waves + wander + beside(7) + noise(n)), n=2)
    assert not shared.told
    assert any("varies too much" in why for why in shared.reasons) == said


def test_a_log_of_two_days_says_that_it_is_too_short():
    shared = split_loads(trace_of(freezer(2) + lamp(2)), n=2)
    assert not shared.told
    assert any("four days" in reason for reason in shared.reasons)


@pytest.mark.parametrize(
    ("loads", "n", "said"),
    [
        (None, 1, "2 to 4"),
        (None, 5, "2 to 4"),
        ([Load(name="a"), Load(name="a")], None, "same name"),
        ([Load(name="a"), Load(name="b")], 3, "n is 3"),
    ],
)
def test_wrong_arguments_are_refused(loads, n, said):
    with pytest.raises(ValueError, match=said):
        split_loads(trace_of(freezer()), loads, n=n)


def test_a_load_is_checked():
    with pytest.raises(ValueError, match="kind"):
        Load(name="a", kind="dragon")
    with pytest.raises(ValueError, match="positive"):
        Load(name="a", watts=0)


def test_the_course_of_switches_is_the_least_costly_of_all():
    """All courses of two switches over five levels, summed up in plain Python."""
    level = [0, 90, 90 + 41, 40, 2]
    minutes = [30, 20, 10, 25, 40]
    watts = np.repeat(np.array(level, float), np.array(minutes) * 2)
    steps = find_steps(trace_of(watts))
    wide = np.array([[6.0, 6.0], [1e6, 1e6]])  # lengths say nothing
    switches = Switches(
        watts=np.array([90.0, 40.0]),
        spread_w=np.array([3.0, 2.0]),
        factors=np.ones((2, parts.AGES_S.size)),
        on_s=wide,
        off_s=wide,
    )
    found = decode(steps, switches, wander_w=5.0)

    def huber(z, most=6.0):
        z = min(abs(z), most)
        return z * z / 2 if z < 2 else 2 * (z - 1)

    states = [(0, 0), (1, 0), (0, 1), (1, 1)]

    def cost(course):
        total = float(sum(course[0]))
        for i, s in enumerate(course):
            on_w = 90 * s[0] + 40 * s[1]
            sd = np.sqrt((3.6 * s[0]) ** 2 + (1.6 * s[1]) ** 2 + 25 + 9)
            z = (steps.level_w[i] - on_w) / sd
            weight = min(np.log1p(steps.length_s[i] / 10), 4.0)
            total += weight * (huber(1.5 * z, np.inf) if z < 0 else huber(z))
            if i:
                change = [a - b for a, b in zip(s, course[i - 1], strict=True)]
                sd = np.sqrt(
                    9 + (1.5 * steps.noise_w) ** 2 + 9 * change[0] ** 2 + 4 * change[1] ** 2
                )
                total += huber((steps.jump_w[i] - 90 * change[0] - 40 * change[1]) / sd)
                flips = sum(map(abs, change))
                total += 2 * flips + 3 * max(flips - 1, 0)
        return total

    best = min(product(states, repeat=len(level)), key=cost)
    assert [tuple(row) for row in found.astype(int)] == list(best)


@pytest.mark.parametrize("held", [0, 30_000])
def test_how_long_a_switch_was_on_before_the_log_is_not_known(monkeypatch, held):
    """Whatever new memory holds: half a minute at the start may be the end of a usual draw."""
    memory = {"empty": lambda shape, dtype=float: np.full(shape, held, dtype)}
    monkeypatch.setattr(kernels, "np", SimpleNamespace(**{**vars(np), **memory}))
    monkeypatch.setattr(parts, "best_course", kernels.best_course.py_func)
    steps = find_steps(trace_of(np.repeat([70.0, 0.0], [1, 200])))
    usual = np.array([[np.log(1200.0)], [0.4]])
    steady = np.ones((1, parts.AGES_S.size))
    switches = Switches(
        watts=np.array([90.0]), spread_w=np.array([3.0]), factors=steady, on_s=usual, off_s=usual
    )
    assert decode(steps, switches, wander_w=5.0)[:, 0].tolist() == [True, False]


def test_partitions_are_as_many_as_stirling_numbers_of_the_second_kind():
    """Abramowitz & Stegun 1964, table 24.4."""
    for k, n, many in ((4, 2, 7), (5, 2, 15), (6, 3, 90), (8, 4, 1701)):
        found = partitions(k, n)
        assert len(found) == many == len({tuple(row) for row in found})


def test_phases_that_follow_one_another_are_of_one_load():
    """A heater for 20 minutes, four minutes of rest, a pump for 30; now and then it only pumps."""
    watts = np.zeros(7 * DAY_N)
    for i, at in enumerate(np.random.default_rng(11).integers(1, 190, 12) * 100):
        if i % 4:
            watts[at : at + 40] = 2000.0
        watts[at + 48 : at + 108] = 180.0
    shared = split_loads(trace_of(watts + noise(watts.size)), n=2)
    assert shared.odds_of_several < QUESTION_ODDS


def test_uses_of_two_loads_meet_as_often_as_on_other_days():
    """Counted in plain Python: of three uses of each, one meets one of the other load's."""
    span_s = 3 * 86_400.0
    one = [(day * 86_400 + 40_000.0, day * 86_400 + 41_000.0) for day in range(3)]
    other = [(at, at + 600.0) for at in (40_500.0, 86_400 + 70_000.0, 172_800 + 40_000.0)]

    def meets(use, uses):
        return any(a - 900 - 60 <= use[1] and use[0] - 900 <= b for a, b in uses)

    expected = 0.0
    for mine, theirs in ((one, other), (other, one)):
        tried = [
            (a + day * 86_400 + shift, b + day * 86_400 + shift)
            for a, b in mine
            for day in (-2, -1, 1, 2)
            for shift in (-4000, -1500, 0, 1500, 4000)
        ]
        tried = [(a, b) for a, b in tried if a >= 900 and b <= span_s - 900]
        share = (sum(meets(x, theirs) for x in tried) / 5 + 0.2) / (len(tried) / 5 + 1)
        x, n = sum(meets(use, theirs) for use in mine), len(mine)
        by_chance, always, never = (q**x * (1 - q) ** (n - x) for q in (share, 0.97, 0.02))
        expected += np.log(2 * by_chance / (always + never))
    times = [[tuple(np.array(uses).T)] for uses in (one, other)]
    assert independence(*times, span_s=span_s) == pytest.approx(expected, rel=1e-9)
    assert expected > 0 > independence(times[0], times[0], span_s=span_s)


def test_what_comes_within_the_other_is_of_one_load():
    """Eight washes at odd hours with a heater in each, and a kettle at other odd hours."""
    wash = 8000.0 + 75_000.0 * np.arange(8)
    drum = (wash, wash + 5400)
    heater = (wash + 600, wash + 1500)
    kettle = (
        wash + 30_000 + 1000 * np.arange(8) % 7000,
        wash + 30_180 + 1000 * np.arange(8) % 7000,
    )
    odds = evidence([drum, heater, kettle], np.array([300.0, 2000.0, 2200.0]), span_s=700_000.0)
    assert odds[0, 1] > 2 > 0 > odds[0, 2]


def test_pulses_are_parts_of_their_own():
    watts = freezer() + noise(6 * DAY_N)
    quick = np.repeat(watts, 3)  # a sample each 10 s
    quick[1000::4000] += 500.0
    trace = Trace(label="x", start=START, period_s=10.0, watts=quick)
    parts = find_parts(find_steps(trace))
    assert any(p.watts == pytest.approx(500, rel=0.05) for p in parts)


HOUSE = """
timezone = "Europe/Berlin"

[[circuit]]
name = "cellar"
{loads}

[[log]]
files = "logs/*.csv"
time_format = "%Y-%m-%d %H:%M:%S"
time_zone = "UTC"

[log.columns]
cellar = "cellar"
"""


@pytest.fixture(scope="module")
def cellar(tmp_path_factory):
    folder = tmp_path_factory.mktemp("cellar")
    written(folder, freezer(7) + lamp(7) + noise(7 * DAY_N))
    return folder


def written(folder, watts):
    """Write a log of a sample each 10 s."""
    watts = np.repeat(np.abs(watts).round(1), 3)
    at = pd.date_range(START, periods=watts.size, freq="10s").strftime("%Y-%m-%d %H:%M:%S")
    (folder / "logs").mkdir()
    pd.DataFrame({"time": at, "cellar": watts}).to_csv(folder / "logs" / "a.csv", index=False)


def opened(folder, loads):
    (folder / "house.toml").write_text(HOUSE.format(loads=loads), encoding="utf-8")
    import_logs(folder)
    return open_house(folder)


def test_what_nobody_explains_is_unsure_where_it_may_be_of_either():
    """40 W more: while the lamp alone is on they can only be its own, at rest of either."""
    watts = freezer(7) + lamp(7) + noise(7 * DAY_N)
    steps = find_steps(trace_of(watts))
    found = find_parts(steps)
    labels = split.group(steps, found, n=2).labels
    lit, cold = lamp(7) > 0, freezer(7) > 0
    unsure = []
    for where in (lit & ~cold, ~lit & ~cold):
        extra = np.where(where & (np.cumsum(where) < 400), 40.0, 0.0)
        of = split._divided(trace_of(watts + extra), steps, found, labels, n=2)
        assert of.watts.sum() == pytest.approx((watts + extra).sum(), rel=1e-6)
        unsure.append(of.unsure_ws)
    clean = split._divided(trace_of(watts), steps, found, labels, n=2).unsure_ws
    added_ws = 399 * 40.0 * PERIOD_S
    assert (unsure[1] - clean) / added_ws == pytest.approx([0.5, 0.5], abs=0.1)
    assert (unsure[0] - clean) / added_ws == pytest.approx([0.0, 0.0], abs=0.1)


@pytest.mark.parametrize(
    ("kind", "asked"), [("", True), ('kind = "modulating"', False)], ids=["no kind", "modulating"]
)
def test_a_circuit_that_looks_like_two_appliances_is_asked_about(tmp_path, kind, asked):
    """A freezer, and a heater for two minutes four times a day; what modulates may be one load."""
    written(tmp_path, freezer(7) + heater(7) + noise(7 * DAY_N))
    (found,) = house_findings(opened(tmp_path, kind)).appliances
    assert any("looks like two appliances" in remark for remark in found.remarks) == asked


def test_a_circuit_of_one_load_is_not_asked_about(cellar):
    """`loads = 1` answers the question; the circuit stays one appliance."""
    asks = [
        "looks like two" in " ".join(one.remarks)
        for said in ("", "loads = 1")
        for one in house_findings(opened(cellar, said)).appliances
        if one.circuit == "cellar"
    ]
    assert asks == [True, False]
    assert read_schedule(cellar).circuits[0].load_count == 1


def test_named_loads_keep_their_names_where_their_number_stands_beside_them(cellar):
    named = 'loads = 2\n[[circuit.load]]\nname = "light"\n[[circuit.load]]\nname = "freezer"\n'
    (cellar / "house.toml").write_text(HOUSE.format(loads=named), encoding="utf-8")
    schedule = read_schedule(cellar)
    (cellar / "house.toml").write_text(house_toml(schedule), encoding="utf-8")
    (circuit,) = read_schedule(cellar).circuits
    assert [load.name for load in circuit.loads] == ["light", "freezer"]


def test_loads_of_a_circuit_are_appliances(cellar):
    named = """
[[circuit.load]]
name = "light"
kind = "manual"
alone_from = "2026-03-02 19:20"
alone_to = "2026-03-02 19:35"

[[circuit.load]]
name = "freezer"
kind = "thermostatic"
"""
    house = opened(cellar, named)
    assert [c.name for c in house.circuits] == ["cellar", "light", "freezer"]
    rows = {one.circuit: one for one in house_findings(house).appliances}
    assert set(rows) == {"light", "freezer"}
    for name, truth in (("light", lamp(7)), ("freezer", freezer(7))):
        per_day = rows[name].kwh_per_day
        assert per_day.value == pytest.approx(truth.sum() * PERIOD_S / 3.6e6 / 7, rel=0.1)
        assert any("one of several loads on cellar" in r for r in rows[name].remarks)
        assert not any("looks like two" in r for r in rows[name].remarks)
    parts = house.trace("light").to_series() + house.trace("freezer").to_series()
    whole = house.trace("cellar").to_series()
    np.testing.assert_allclose(parts, whole.loc[parts.index], atol=1e-3)
    assert read_schedule(cellar).circuits == house.schedule.circuits


@pytest.mark.parametrize(
    ("names", "told"),
    [(("kettle", "freezer"), True), (("north", "south"), False)],
    ids=["names that say a kind", "names that say nothing"],
)
def test_names_alone_are_taken_for_what_they_say(tmp_path, names, told):
    written(tmp_path, freezer(7) + heater(7) + noise(7 * DAY_N))
    loads = "\n".join(f'[[circuit.load]]\nname = "{name}"' for name in names)
    rows = {one.circuit: one for one in house_findings(opened(tmp_path, loads)).appliances}
    asks = [any("which load is which" in r for r in rows[name].remarks) for name in names]
    assert asks == [not told, not told]
    if told:
        freezes = freezer(7).sum() * PERIOD_S / 3.6e6 / 7
        assert rows["freezer"].kwh_per_day.value == pytest.approx(freezes, rel=0.1)


def test_the_number_of_loads_is_enough(cellar):
    house = opened(cellar, "loads = 2")
    assert {"cellar_1", "cellar_2"} < {c.name for c in house.circuits}
    assert house.trace("cellar_1").energy_wh > house.trace("cellar_2").energy_wh > 0


def test_loads_of_a_circuit_whose_column_is_empty_have_no_readings(tmp_path):
    (tmp_path / "logs").mkdir()
    at = pd.date_range(START, periods=DAY_N, freq="30s").strftime("%Y-%m-%d %H:%M:%S")
    log = pd.DataFrame({"time": at, "cellar": np.nan, "kettle": lamp(1, watts=2000.0)})
    log.to_csv(tmp_path / "logs" / "a.csv", index=False)
    toml = HOUSE.format(loads='loads = 2\n\n[[circuit]]\nname = "kettle"') + 'kettle = "kettle"\n'
    (tmp_path / "house.toml").write_text(toml, encoding="utf-8")
    import_logs(tmp_path)
    rows = {one.circuit: one for one in house_findings(open_house(tmp_path)).appliances}
    assert rows["kettle"].days == 1
    for name in ("cellar_1", "cellar_2"):
        assert rows[name].days == 0
        assert rows[name].remarks[0].startswith("no readings")


@pytest.mark.parametrize(
    ("loads", "said"),
    [
        ("loads = 5", "2, 3 or 4"),
        ('[[circuit.load]]\nname = "a"', "two to four"),
        ('[[circuit.load]]\nname = "a"\n[[circuit.load]]\nname = "cellar"', "another circuit"),
    ],
)
def test_loads_that_cannot_be_meant_are_refused(cellar, loads, said):
    with pytest.raises(HouseError, match=said):
        opened(cellar, loads)


def test_a_kind_says_which_load_is_which_and_divides_nothing():
    watts = freezer() + lamp() + noise(6 * DAY_N)
    plain = split_loads(trace_of(watts), n=2)
    loads = [Load(name="light", kind="manual"), Load(name="freezer", kind="thermostatic")]
    told = split_loads(trace_of(watts), loads)
    for name, own in {"light": "load 2", "freezer": "load 1"}.items():
        np.testing.assert_allclose(told.traces[name].watts, plain.traces[own].watts, atol=1e-3)


def test_a_part_seen_while_a_load_ran_alone_is_its_own():
    seen = (np.array([1000.0, 50_000.0]), np.array([2000.0, 51_000.0]))
    often = (np.arange(20) * 10_000.0 + 5000, np.arange(20) * 10_000.0 + 5100)
    alone = START, START + pd.Timedelta(seconds=2500)
    odds = odds_by_hints(
        [Load(name="a", alone=alone), Load(name="b")],
        [seen, often],
        np.array([90.0, 40.0]),
        start=START,
        span_s=202_500.0,
    )
    assert odds[0, 0] > 5
    # 20 draws in 200,000 s: a quarter of one was to be expected in 2500 s.
    assert odds[0, 1] == pytest.approx(-0.25)
    assert not odds[1].any()


def test_a_draw_that_a_person_says_is_of_a_load_is_its_own():
    """Two heaters of the same watts and length: nothing but a person can tell them."""
    watts = np.zeros(6 * DAY_N)
    begins = np.arange(12) * 1400 + 100 * (np.arange(12) % 5)
    for at in begins:
        watts[at : at + 40] += 2000.0
    trace = trace_of(watts + freezer() + noise(watts.size))
    at = [START + pd.Timedelta(seconds=float(PERIOD_S * b)) for b in begins]
    span = at[3] + pd.Timedelta(seconds=30), at[3] + pd.Timedelta(minutes=20)
    loads = [Load(name="freezer", watts=90), Load(name="heater", watts=2000)]
    plain = split_loads(trace, loads)
    said = split_loads(trace, [Load(name="freezer", watts=90, own=(span,)), loads[1]])
    moved = said.traces["freezer"].watts - plain.traces["freezer"].watts
    assert plain.traces["heater"].watts[begins[3] + 20] == pytest.approx(2000, rel=0.05)
    # The heater is the freezer's in all draws or in the one that was named, no less.
    assert moved[begins[3] : begins[3] + 40].mean() == pytest.approx(2000, rel=0.05)
    np.testing.assert_allclose(added(said), trace.watts, rtol=1e-6, atol=1e-4)
    with pytest.raises(ValueError, match="own"):
        Load(name="a", own=((span[1], span[0]),))


def test_a_decision_by_hand_gives_a_run_to_a_load(cellar):
    house = opened(cellar, "loads = 2")
    begin = START + pd.Timedelta(seconds=2150 * PERIOD_S)
    span = begin, begin + pd.Timedelta(seconds=330 * PERIOD_S)
    before = house.trace("cellar_1").energy_wh
    assert before == pytest.approx(freezer(7).sum() * PERIOD_S / 3600, rel=0.05)
    own = Decision(circuit="cellar_1", decision="own", start=span[0], end=span[1])
    decided = add_decisions(house, [own])
    try:
        again = open_house(cellar)
        lit_wh = lamp(7).sum() * PERIOD_S / 3600
        assert again.trace("cellar_1").energy_wh == pytest.approx(lit_wh, rel=0.08)
        (row,) = (x for x in house_findings(again).appliances if x.circuit == "cellar_1")
        assert any("1 said to be its own" in remark for remark in row.remarks)
        with pytest.raises(HouseError, match="no load of a circuit"):
            add_decisions(house, [replace(own, circuit="cellar")])
    finally:
        remove_decisions(house, decided)
    assert open_house(cellar).trace("cellar_1").energy_wh == pytest.approx(before)


def test_what_one_load_is_wrongly_given_the_other_lacks(cellar):
    house = opened(cellar, "loads = 2")
    compared = compare_named(house, a="cellar_1", b="cellar_2")
    each = [x.parts["clamp cellar_1: ratio"].effect for x in (compared.a, compared.difference)]
    other = compared.b.parts["clamp cellar_1: ratio"].effect
    assert each[0] > 0 > other
    assert each[1] == pytest.approx(each[0] - other)


def test_watts_favour_parts_near_them_and_forbid_none():
    one = (np.array([0.0]), np.array([60.0]))
    parts_w = np.array([90.0, 45.0, 2000.0])
    (odds,) = odds_by_hints(
        [Load(name="a", watts=90)], [one] * 3, parts_w, start=START, span_s=86_400.0
    )
    assert odds[0] > 1 > abs(odds[1])
    assert -2 < odds[2] < -1


def test_time_together_is_measured_against_other_days():
    """By hand: on together all of its time today, never at that hour of the other day."""
    lamp_times = (np.array([40_000.0]), np.array([41_000.0]))
    other = (np.array([39_000.0]), np.array([45_000.0]))
    assert _time_together(lamp_times, other, 2 * 86_400.0) == pytest.approx((1.0, 0.0))
    daily = (np.array([39_000.0, 125_400.0]), np.array([45_000.0, 131_400.0]))
    # Five looks at the other day, 4000 and 1500 s off: two of them meet 1000 s, one 0 s.
    looks = [-4000, -1500, 0, 1500, 4000]
    met = [np.clip(min(41_000 + x, 45_000) - max(40_000 + x, 39_000), 0, 1000) for x in looks]
    by_chance = np.mean(met) / 1000
    assert _time_together(lamp_times, daily, 2 * 86_400.0) == pytest.approx((1.0, by_chance))


def test_a_reading_cut_off_by_a_gap_is_no_level_and_a_run_goes_on_through_a_gap():
    watts = np.zeros(6000)
    watts[1000:3000] = 140.0
    watts[2000] = 66.0  # half of it, and then nothing for four minutes
    watts[2001:2121] = np.nan
    steps = find_steps(Trace(label="x", start=START, period_s=2.0, watts=watts))
    assert np.abs(steps.level_w[:, None] - [0.0, 140.0]).min(axis=1).max() < 1
    (on,) = np.flatnonzero(np.nan_to_num(steps.jump_w) > 100)
    (off,) = np.flatnonzero(np.nan_to_num(steps.jump_w) < -100)
    assert steps.first[on] == 1000
    assert steps.first[off] == 3000


def test_opposite_conductors_are_said_and_not_divided():
    shared = split_loads(trace_of(freezer() - lamp(watts=300.0) + noise(6 * DAY_N)), n=2)
    assert not shared.told
    assert any("below zero" in why for why in shared.reasons)
