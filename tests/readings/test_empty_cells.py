"""An empty cell of a table is a row that its column does not have."""

import numpy as np
import pytest

from homeenergy.readings import describe, import_logs, open_house

from .folders import make_house

T0 = 1_772_323_200


def table(folder, times_s, columns, settings=""):
    names = list(columns)
    rows = "".join(
        f"{t}," + ",".join("" if np.isnan(v) else f"{v:.3f}" for v in cells) + "\n"
        for t, *cells in zip(times_s, *columns.values(), strict=True)
    )
    log = '[[log]]\nfiles = "logs/*.csv"\ntime_format = "epoch_s"\n' + settings
    log += "\n[log.columns]\n" + "".join(f'{name} = "{name}"\n' for name in names)
    text = "time," + ",".join(names) + "\n" + rows
    house = make_house(folder, {"a.csv": text}, log=log, circuits=names)
    import_logs(house)
    return open_house(house)


def sum_wh(times_s, watts, *, hold_s, period_s):
    """Each reading times its own length, in plain Python."""
    own = [(t, w) for t, w in zip(times_s, watts, strict=True) if not np.isnan(w)]
    total = 0.0
    for (t, w), (after, _) in zip(own, [*own[1:], (np.inf, 0)], strict=True):
        total += w * (after - t if after - t <= hold_s else period_s) / 3600
    return total


def with_empty_cells(rng, rows, *, every, lost, outage):
    """Watts of a column with a reading in each so-many-th row, some lost, and an outage."""
    watts = rng.choice([0.0, 4.0, 130.0, 2000.0], rows // 60 + 1).repeat(60)[:rows]
    watts = np.round(watts + rng.uniform(0, 1, rows), 3)
    at = np.arange(rows)
    there = (at % every == 0) & (rng.random(rows) >= lost)
    there[outage] = False
    there[[0, every, 2 * every]] = True
    return np.where(there, watts, np.nan)


@pytest.mark.parametrize("seed", range(24))
def test_no_energy_is_invented_or_lost_in_a_table_with_empty_cells(tmp_path, seed):
    """Steps by chance are far shorter than 30 s, the default hold; those of outages longer."""
    rng = np.random.default_rng(seed)
    rows = int(rng.integers(2000, 5000))
    times_s = T0 + int(rng.integers(0, 5)) + np.arange(rows)
    columns, paces = {}, {}
    for name in ("fridge", "oven", "pump"):
        paces[name] = int(rng.choice([1, 1, 2, 3]))
        begin = int(rng.integers(500, rows - 300))
        columns[name] = with_empty_cells(
            rng,
            rows,
            every=paces[name],
            lost=float(rng.choice([0.0, 0.1, 0.3])),
            outage=slice(begin, begin + int(rng.integers(0, 300))),
        )
    columns["whole"] = rng.uniform(0, 500, rows).round(3)
    house = table(tmp_path, times_s, columns)
    for name, watts in columns.items():
        pace = paces.get(name, 1)
        expected = sum_wh(times_s, watts, hold_s=30, period_s=pace)
        assert house.trace(name).energy_wh == pytest.approx(expected, rel=1e-6), name
        assert house.trace(name).period_s == pace


@pytest.mark.parametrize("period_s", [1, 60])
@pytest.mark.parametrize("kind", ["one in five by chance", "every second", "every tenth"])
def test_a_column_with_empty_cells_is_as_whole_as_without(tmp_path, period_s, kind):
    rng = np.random.default_rng(4)
    rows = 4000
    at = np.arange(rows)
    watts = np.where(at // 50 % 3 == 0, 1500.0, 5.0)
    there = {
        "one in five by chance": rng.random(rows) >= 0.2,
        "every second": at % 2 == 0,
        "every tenth": at % 10 == 0,
    }[kind]
    outage = slice(2000, 2300)
    there[outage] = False
    times_s = T0 + at * period_s
    cells = {"fridge": np.where(there, watts, np.nan), "oven": rng.uniform(0, 9, rows)}
    house = table(tmp_path, times_s, cells)
    trace = house.trace("fridge")
    known = np.delete(watts, outage)
    assert trace.covered_s == pytest.approx(known.size * period_s, rel=0.012)
    assert trace.energy_wh / trace.covered_s == pytest.approx(known.mean() / 3600, rel=0.02)
    missing = np.isnan(trace.watts[: int(rows * period_s / trace.period_s)])
    assert missing.sum() * trace.period_s == pytest.approx(300 * period_s, rel=0.15)


def test_a_column_on_change_in_a_regular_table_holds_until_the_next_value(tmp_path):
    """A tank at 2 kW for some minutes a few times a day; the table stops for three hours."""
    rng = np.random.default_rng(6)
    rows = 3 * 8640
    watts, at = np.full(rows, np.nan), 0
    level = np.zeros(rows)
    while at < rows - 700:
        stop = at + int(rng.integers(20, 60))
        watts[at], watts[stop] = 2000.0 + rng.integers(0, 50), 0.0
        level[at:stop] = watts[at]
        at = stop + int(rng.integers(300, 700))
    kept = np.ones(rows, dtype=bool)
    kept[10_000:11_080] = False
    times_s = T0 + 10 * np.arange(rows)
    cells = {"tank": watts[kept], "oven": rng.uniform(0, 9, rows)[kept]}
    house = table(tmp_path, times_s[kept], cells)
    trace = house.trace("tank")
    assert trace.covered_s == pytest.approx(kept.sum() * 10, abs=40)
    expected = level[kept].sum() * 10 / 3600
    assert trace.energy_wh == pytest.approx(expected, rel=0.05)  # a use may end in the gap
    remarks = " ".join(describe(house.path / "logs" / "a.csv").remarks)
    assert "tank has empty cells: its value holds until the next one" in remarks


def test_energies_of_a_slower_column_spread_over_its_own_period(tmp_path):
    """10 Wh every 5 min, stamped at its end, in a table of minutes."""
    rows = 1440
    times_s = T0 + 60 * (1 + np.arange(rows))
    slow = np.where(np.arange(rows) % 5 == 4, 10.0, np.nan)
    settings = 'quantity = "energy"\nunit = "Wh"\ntime_marks = "end"\n'
    house = table(tmp_path, times_s, {"pump": slow, "oven": np.full(rows, 1.0)}, settings)
    trace = house.trace("pump")
    np.testing.assert_allclose(trace.watts, 120.0, rtol=1e-6)
    assert trace.period_s == 300
    assert trace.start.timestamp() == T0
    assert trace.energy_wh == pytest.approx(2880)


def test_two_loggers_joined_into_one_table(tmp_path):
    """One writes every 10 s and one every 7 s, so the rows of both have no regular interval."""
    span = 70_000
    a, b = np.arange(0, span, 10), np.arange(3, span, 7)
    times = np.union1d(a, b)
    rng = np.random.default_rng(8)
    cells = {
        "fridge": np.where(np.isin(times, a), rng.uniform(90, 110, times.size), np.nan),
        "oven": np.where(np.isin(times, b), rng.uniform(0, 9, times.size), np.nan),
    }
    house = table(tmp_path, T0 + times, cells)
    for name, pace in (("fridge", 10), ("oven", 7)):
        trace = house.trace(name)
        assert trace.period_s == pace
        expected = sum_wh(times, cells[name], hold_s=30, period_s=pace)
        assert trace.energy_wh == pytest.approx(expected, rel=1e-5)
    described = describe(house.path / "logs" / "a.csv")
    assert (described.layout.hold_s, described.layout.silence_s) == (None, None)
