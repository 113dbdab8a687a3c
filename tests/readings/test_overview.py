"""What is seen from afar agrees with every single sample."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from homeenergy.errors import HouseError
from homeenergy.readings import import_logs, open_house
from homeenergy.readings.store import bins as bins_module
from homeenergy.readings.store.bins import WIDTHS, bins_of_bins, bins_of_samples
from homeenergy.readings.store.overview import Overview
from homeenergy.readings.store.store import MonthInfo, Store

from .folders import frame, iso_csv, make_house, store_bytes

NS = 1_000_000_000
DATED = """clamp = { multiplier = [
  { value = 2.0 }, { value = -1.5, from = "2026-01-31 20:13:07" },
  { value = 1.02, from = "2026-02-01 06:00" }] }"""


def spiky(n, seed):
    """Watts with holes, single spikes and negative readings."""
    rng = np.random.default_rng(seed)
    watts = np.round(rng.normal(100, 30, n)).astype("f4")
    watts[rng.integers(0, n, 12)] = rng.uniform(-4000, 9000, 12)
    for at in rng.integers(0, n, 4):
        watts[at : at + int(rng.integers(1, n // 10))] = np.nan
    return watts


def write_house(
    folder, *, circuit="oven", clamp="", period_s=1, n=150_000, start="2026-01-31T03:00:07Z", seed=1
):
    """A house of one circuit, its months put into the store as an import puts them."""
    folder.mkdir(parents=True, exist_ok=True)
    text = f'timezone = "UTC"\n[[circuit]]\nname = "{circuit}"\n{clamp}\n'
    (folder / "house.toml").write_text(text)
    store, watts = Store(folder / "store"), spiky(n, seed)
    watts[0] = watts[-1] = 5.0
    first = pd.Timestamp(start).value // NS // period_s
    feb = -(-pd.Timestamp("2026-02-01", tz="UTC").value // NS // period_s)
    cut = min(max(feb - first, 0), n)
    for month, lo, hi in (("2026-01", 0, cut), ("2026-02", cut, n)):
        if hi > lo:
            info = MonthInfo(
                circuit=circuit,
                month=month,
                first_slot=first + lo,
                samples=hi - lo,
                period_ns=period_s * NS,
                signature="made",
            )
            store.write(info, watts[lo:hi])
    return open_house(folder)


@pytest.fixture(scope="module", params=["", "clamp = { multiplier = -2.5, offset_w = 3 }", DATED])
def house(request, tmp_path_factory):
    return write_house(tmp_path_factory.mktemp("house") / "one", clamp=request.param)


def same(actual, expected):
    """Equal, and missing where the other is; also without a warning where nothing is there."""
    np.testing.assert_array_equal(np.isnan(actual), np.isnan(expected))
    np.testing.assert_allclose(np.nan_to_num(actual), np.nan_to_num(expected), rtol=1e-6, atol=1e-4)


@settings(max_examples=60)
@given(begin=st.integers(-5000, 160_000), span=st.integers(1, 170_000), points=st.integers(1, 3000))
def test_every_stretch_holds_least_greatest_and_mean_of_its_samples(house, begin, span, points):
    trace = house.trace("oven").sure()
    start = trace.start + pd.Timedelta(begin, unit="s")
    seen = house.envelope("oven", start, start + pd.Timedelta(span, unit="s"), points=points)
    assert min(points, span) <= len(seen) <= 2 * points + 2
    assert seen.first_ns <= start.value < seen.first_ns + seen.width_ns
    watts = np.full(len(seen) * seen.samples, np.nan, dtype=np.float32)
    at = (trace.start.value - seen.first_ns) // NS
    low, high = max(at, 0), min(at + len(trace), watts.size)
    if low < high:
        watts[low:high] = trace.watts[low - at : high - at]
    table = pd.DataFrame(watts.reshape(-1, seen.samples).T.astype("f8"))
    same(seen.least_w, table.min().to_numpy())
    same(seen.greatest_w, table.max().to_numpy())
    same(seen.mean_w, table.mean().to_numpy())
    np.testing.assert_array_equal(seen.count, table.count().to_numpy())


@settings(max_examples=60)
@given(begin=st.integers(-5000, 160_000), span=st.integers(0, 170_000))
def test_energy_of_any_span_is_the_plain_sum(house, begin, span):
    start = house.trace("oven").sure().start + pd.Timedelta(begin, unit="s")
    end = start + pd.Timedelta(span, unit="s")
    part = house.trace("oven", start, end).sure()
    totals = house.overview.totals("oven", start.value, end.value)
    assert totals.energy_wh == pytest.approx(part.energy_wh, rel=1e-6, abs=1e-6)
    assert totals.covered_s == part.covered_s
    assert totals.span_s == span
    if part.covered_s:
        assert totals.least_w == np.nanmin(part.watts)
        assert totals.greatest_w == np.nanmax(part.watts)
        assert totals.mean_w == pytest.approx(np.nanmean(part.watts.astype("f8")), rel=1e-6)
    else:
        assert np.isnan([totals.least_w, totals.greatest_w, totals.mean_w]).all()


@pytest.mark.parametrize("points", [1, 7, 40, 300, 2000, 200_000])
def test_no_spike_is_lost_at_any_width(house, points):
    trace, seen = house.trace("oven").sure(), house.envelope("oven", points=points)
    assert np.nanmax(seen.greatest_w) == np.nanmax(trace.watts)
    assert np.nanmin(seen.least_w) == np.nanmin(trace.watts)
    energy_wh = np.nansum(seen.mean_w * seen.count) / 3600
    assert energy_wh == pytest.approx(trace.energy_wh, rel=1e-6)


@pytest.mark.parametrize("points", [1, 40, 2000])
def test_readings_in_doubt_are_given_beside_the_stretches(house, points):
    trace, seen = house.trace("oven"), house.envelope("oven", points=points)
    doubted = trace.doubted()
    assert 0 < doubted.size <= 12
    assert seen.doubted_w.tolist() == doubted.tolist()
    assert seen.doubted_ns[:, 0].tolist() == doubted.index.as_unit("ns").asi8.tolist()
    assert np.nanmax(seen.greatest_w) < np.nanmax(np.abs(trace.watts))


def test_few_samples_are_given_as_they_are(house):
    trace = house.trace("oven").sure().samples(4000, 4500)
    seen = house.envelope("oven", trace.start, trace.end, points=500)
    assert seen.samples == 1
    np.testing.assert_array_equal(seen.least_w, trace.watts)
    np.testing.assert_array_equal(seen.greatest_w, trace.watts)
    np.testing.assert_array_equal(seen.starts_ns, trace.to_series().index.as_unit("ns").asi8)


def test_a_minute_of_an_odd_period_may_lie_in_two_months(tmp_path):
    """A bin of 60 samples of 7 s straddles the end of a month."""
    house = write_house(tmp_path / "odd", period_s=7, n=30_000)
    trace = house.trace("oven").sure()
    assert trace.start.month == 1
    assert trace.end.month == 2
    for points in (3, 50, 400):
        seen = house.envelope("oven", points=points)
        assert np.nanmax(seen.greatest_w) == np.nanmax(trace.watts)
        assert seen.count.sum() == trace.covered_s / 7


@settings(max_examples=40)
@given(first=st.integers(0, 10_000), n=st.integers(1, 9000), seed=st.integers(0, 99))
def test_bins_of_bins_are_bins_of_samples(first, n, seed):
    watts = spiky(n, seed) if n > 20 else np.ones(n, "f4")
    watts.flags.writeable = False
    minutes = bins_of_samples(watts, first=first, width=WIDTHS[0])
    twice = bins_of_bins(minutes, width=WIDTHS[1] // WIDTHS[0])
    once = bins_of_samples(watts, first=first, width=WIDTHS[1])
    assert twice.first == once.first
    np.testing.assert_array_equal(twice.count, once.count)
    for name in ("least_w", "greatest_w", "sum_w"):
        same(getattr(twice, name), getattr(once, name))


def bins_files(folder):
    return sorted((folder / "store" / ".overview").rglob("*.bins"))


def counted(monkeypatch):
    made, month_bins = [], bins_module.month_bins
    monkeypatch.setattr(
        bins_module, "month_bins", lambda *a: (made.append(a[0].month), month_bins(*a))[1]
    )
    return made


def test_minutes_are_summed_up_once(tmp_path, monkeypatch):
    made = counted(monkeypatch)
    house = write_house(tmp_path / "one")
    before = store_bytes(house.path)
    house.overview.prepare()
    assert made == ["2026-01", "2026-02"]
    for _ in range(2):
        open_house(house.path).envelope("oven", points=20)
    assert made == ["2026-01", "2026-02"]
    assert open_house(house.path).overview.unprepared() == []
    assert store_bytes(house.path) == before


@pytest.mark.parametrize("harm", ["deleted", "damaged", "cut short"])
def test_a_lost_file_of_minutes_is_made_again(tmp_path, harm):
    house = write_house(tmp_path / "one")
    whole = house.envelope("oven", points=20).to_frame()
    good = [path.read_bytes() for path in bins_files(house.path)]
    for path in bins_files(house.path):
        if harm == "deleted":
            path.unlink()
        else:
            path.write_bytes(b"damaged" if harm == "damaged" else path.read_bytes()[:-99])
    again = open_house(house.path)
    assert len(again.overview.unprepared()) == 2
    pd.testing.assert_frame_equal(again.envelope("oven", points=20).to_frame(), whole)
    assert [path.read_bytes() for path in bins_files(house.path)] == good


def test_a_disk_for_reading_only_gives_the_same(tmp_path, monkeypatch):
    house = write_house(tmp_path / "one")

    def refuse(*_):
        raise PermissionError("read only")

    monkeypatch.setattr(bins_module, "_write", refuse)
    seen = house.envelope("oven", points=20)
    assert np.nanmax(seen.greatest_w) == np.nanmax(house.trace("oven").sure().watts)
    assert bins_files(house.path) == []


def test_a_month_that_is_imported_again_is_noticed(tmp_path):
    whole = frame("2026-02-01", 5000)
    house = open_house(make_house(tmp_path, {"a.csv": iso_csv(whole.iloc[:4000])}))
    import_logs(tmp_path)
    assert house.envelope("oven", points=10).count.sum() == 4000
    more = whole.copy()
    more.iloc[4500:4503, 1] = 9998.0
    make_house(tmp_path, {"b.csv": iso_csv(more.iloc[4000:])})
    import_logs(tmp_path)
    for known in (house, open_house(tmp_path)):
        seen = known.envelope("oven", points=10)
        assert seen.count.sum() == 5000
        assert np.nanmax(seen.greatest_w) == 9998.0


def test_what_an_import_removes_leaves_nothing_behind(tmp_path):
    whole = frame("2026-02-01", 1000)
    text = whole.to_csv(index_label="time", date_format="%Y-%m-%d %H:%M:%S")
    log = '[[log]]\nfiles = "logs/*.csv"\ntime_zone = "{}"\n[log.columns]\noven = "oven"'
    import_logs(make_house(tmp_path, {"a.csv": text}, log=log.format("UTC")))
    open_house(tmp_path).overview.prepare()
    assert [path.name for path in bins_files(tmp_path)] == ["2026-02.bins"]
    (tmp_path / "store" / ".overview" / "oven" / "2026-02.bins.1.tmp").write_text("cut short")
    import_logs(make_house(tmp_path, {}, log=log.format("UTC+05:00")))
    assert bins_files(tmp_path) == []
    assert not list((tmp_path / "store").rglob("*.tmp"))


def test_preparing_can_be_stopped_and_goes_on(tmp_path):
    write_house(tmp_path, clamp='[[circuit]]\nname = "hob"')
    house = write_house(tmp_path, circuit="hob", clamp='[[circuit]]\nname = "oven"')

    def stop(done, total, text):
        assert text.startswith(("hob, 2026-0", "oven, 2026-0"))
        if done == 2:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        house.overview.prepare(progress=stop)
    assert [path.stem for path in bins_files(house.path)] == ["2026-01", "2026-02"]
    said = []
    house.overview.prepare(progress=lambda *step: said.append(step[:2]))
    assert said == [(0, 2), (1, 2), (2, 2)]


def test_memory_is_bounded_and_the_answer_the_same(tmp_path):
    house = write_house(tmp_path / "one", n=900_000)
    small = Overview(house, kept_bytes=1_200_000)
    for points, days in ((100, 10), (100_000, 1), (3000, 9), (200_000, 3), (50, 10)):
        end = pd.Timestamp("2026-02-01", tz="UTC") + pd.Timedelta(days=days)
        ask = {"start_ns": None, "end_ns": end.value, "points": points}
        pd.testing.assert_frame_equal(
            small.envelope("oven", **ask).to_frame(),
            house.overview.envelope("oven", **ask).to_frame(),
        )
        kept = sum(v.nbytes if hasattr(v, "nbytes") else v.bytes for v in small._kept.values())
        assert kept <= 1_200_000


def test_what_cannot_be_asked(tmp_path):
    house = write_house(tmp_path / "one", n=1000)
    with pytest.raises(ValueError, match="points must be at least 1"):
        house.envelope("oven", points=0)
    with pytest.raises(HouseError, match="no circuit 'ovn'"):
        house.envelope("ovn")
    (tmp_path / "one" / "store" / "oven" / "2026-01.parquet").unlink()
    with pytest.raises(HouseError, match="no readings of circuit 'oven'"):
        house.envelope("oven")
