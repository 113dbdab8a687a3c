"""The trace viewer without a browser: controls pressed, figure and files looked at."""

import base64
import json
import re
import threading
import time

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest

from homeenergy.errors import HouseError
from homeenergy.readings import open_house
from homeenergy.readings.store.store import MonthInfo, Store
from homeenergy.show import plot_overview, span_table, trace_viewer
from homeenergy.show.panels.widgets import Stopped, in_background
from homeenergy.show.viewer.controls import (
    ARRANGEMENTS,
    DRAGS,
    ORDERS,
    circuits_to_begin_with,
    listed,
)
from homeenergy.show.viewer.span import save_readings
from homeenergy.show.viewer.viewer import Viewer

NS = 1_000_000_000
START = pd.Timestamp("2026-03-02", tz="Europe/Berlin")
DAY_S = 86_400
WAIT_S = 600  # only where something hangs


def uses(n, *, watts, every, lasts, base=2.0):
    """A draw that comes every so many seconds, with its inrush in one sample."""
    at = np.arange(n) % every
    drawn = np.where(at < lasts, watts, base).astype("f4")
    drawn[at == 0] *= 6
    return drawn


@pytest.fixture
def make_house(tmp_path):
    """Write a house from traces of seconds, as an import stores them."""

    def make(traces, *, tariff=True, legs=None):
        folder = tmp_path / "house"
        lines = ['name = "Mill house"', 'timezone = "Europe/Berlin"']
        lines += ['[tariff]\ncurrency = "EUR"\nprice_per_kwh = 0.5'] * tariff
        lines += ['[supply]\nsystem = "three-phase"'] * bool(legs)
        store = Store(folder / "store")
        for name, watts in traces.items():
            leg = f'legs = ["{legs[name]}"]' if legs else ""
            lines.append(f'[[circuit]]\nname = "{name}"\nappliance = "{name.title()}"\n{leg}')
            if watts is not None:
                info = MonthInfo(
                    circuit=name,
                    month="2026-03",
                    first_slot=START.value // NS,
                    samples=watts.size,
                    period_ns=NS,
                    signature="made",
                )
                store.write(info, watts.astype("f4"))
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "house.toml").write_text("\n".join(lines), encoding="utf-8")
        return open_house(folder)

    return make


@pytest.fixture
def house(make_house):
    n = 3 * DAY_S
    return make_house(
        {
            "kettle": uses(n, watts=2000, every=6 * 3600, lasts=240),
            "fridge": uses(n, watts=90, every=2700, lasts=900),
            "lamp": None,
        },
        legs={"kettle": "L1", "fridge": "L2", "lamp": "L1"},
    )


def title(viewer):
    viewer.canvas.draw()
    return viewer.figure.axes[0].get_title(loc="left")


def said(viewer):
    return re.sub("<.*?>", "", viewer.controls.message.value)


def settled(viewer):
    """Wait until nothing runs beside the viewer."""
    end = time.monotonic() + WAIT_S
    while viewer.controls.busy.children and time.monotonic() < end:
        time.sleep(0.02)
    assert viewer.controls.busy.children in ([], ())
    viewer.canvas.draw()


def test_buttons_move_the_view_and_back_returns(house):
    viewer = Viewer(house)
    c = viewer.controls
    whole = title(viewer)
    assert whole == "Mon 2 Mar 2026 00:00 to Thu 5 Mar 2026 00:00 (3 days)"
    c.closer.click()
    assert title(viewer) == "Mon 2 Mar 2026 18:00 to Wed 4 Mar 2026 06:00 (36 h)"
    c.later.click()
    assert title(viewer) == "Tue 3 Mar 2026 12:00 to Thu 5 Mar 2026 00:00 (36 h)"
    c.earlier.click()
    c.day.value = pd.Timestamp("2026-03-03").date()
    assert title(viewer) == "Tue 3 Mar 2026 00:00 to Wed 4 Mar 2026 00:00 (24 h)"
    c.back.click()
    assert title(viewer) == "Mon 2 Mar 2026 18:00 to Wed 4 Mar 2026 06:00 (36 h)"
    c.everything.click()
    assert title(viewer) == whole


def test_the_figure_holds_every_peak_and_each_sample_when_close(house):
    viewer = Viewer(house, ["kettle"])
    viewer.controls.arrangement.value = "one scale"
    viewer.canvas.draw()
    (line,) = [line for line in viewer.figure.axes[0].lines if line.get_label() == "Kettle"]
    assert np.nanmax(line.get_ydata()) == 12_000
    viewer.controls.highest.click()
    assert said(viewer).startswith("Peak 1 of the 12 highest: ")
    for _ in range(5):
        viewer.controls.closer.click()
    viewer.canvas.draw()
    (line,) = [line for line in viewer.figure.axes[0].lines if line.get_label() == "Kettle"]
    middle = line.get_ydata()
    assert middle.size <= 2 * 80
    # The highest is the first of the log: before it there is nothing.
    assert set(middle[~np.isnan(middle)]) == {2000.0, 12_000.0}


def test_wheel_and_keys(house):
    from matplotlib.backend_bases import KeyEvent, MouseEvent

    viewer = Viewer(house)
    viewer.canvas.draw()
    x, y = viewer.figure.axes[0].transAxes.transform((0.25, 0.5))
    for _ in range(4):
        MouseEvent("scroll_event", viewer.canvas, x, y, step=1)._process()
    assert viewer.view.width_ns == pytest.approx(3 * DAY_S * NS / 1.3**4, rel=1e-6)
    fixed_ns = START.value + 0.25 * 3 * DAY_S * NS
    assert viewer.view.start_ns + 0.25 * viewer.view.width_ns == pytest.approx(fixed_ns, abs=1e12)
    viewer.controls.wheel.value = False
    assert viewer.canvas.capture_scroll is False
    for key, factor in (("+", 0.5), ("-", 2.0)):
        before = viewer.view.width_ns
        KeyEvent("key_press_event", viewer.canvas, key)._process()
        assert viewer.view.width_ns == pytest.approx(before * factor, rel=1e-6)
    KeyEvent("key_press_event", viewer.canvas, "home")._process()
    assert "(3 days)" in title(viewer)
    KeyEvent("key_press_event", viewer.canvas, ".")._process()
    # The middle is when the kettle begins; a column there holds some of its minutes.
    assert re.search(
        r"Tue 3 Mar 2026 12:0.*Kettle \d+ W \(2 to 2,000\)", viewer.controls.reading.value
    )
    MouseEvent("motion_notify_event", viewer.canvas, x, y)._process()
    assert "Mon 2 Mar 2026 18:0" in viewer.controls.reading.value
    assert viewer.drawing._mark is not None


def test_the_browser_may_drag_the_view(house):
    """As the toolbar's hand does: the limits change, and the next picture follows."""
    viewer = Viewer(house)
    viewer.controls.drag.value = DRAGS[1]
    assert viewer.canvas.toolbar.mode.name == "PAN"
    ax = viewer.figure.axes[0]
    low, high = ax.get_xlim()
    ax.set_xlim(low + 0.5, high - 1.5)
    ax.set_ylim(-50, 50)
    assert title(viewer) == "Mon 2 Mar 2026 12:00 to Tue 3 Mar 2026 12:00 (24 h)"
    assert ax.get_ylim() == (-0.12, 2)
    for how, mode in ((DRAGS[2], "ZOOM"), (DRAGS[0], "NONE")):
        viewer.controls.drag.value = how
        assert viewer.canvas.toolbar.mode.name == mode


def test_measuring_between_two_times(house):
    viewer = Viewer(house)
    c = viewer.controls
    c.start.value, c.end.value = "2026-03-03 00:00", "2026-03-03 12:00"
    c.measure.click()
    assert said(viewer) == ""
    rows = re.findall(r"<tr>(.*?)</tr>", c.table.value)
    texts = [re.sub(r"<[^>]+>", "|", row) for row in rows]
    trace = house.trace("kettle", "2026-03-03", "2026-03-03 12:00")
    kwh = trace.energy_wh / 1000
    cells = [re.split(r"\|+", text)[1:4] for text in texts]
    assert ["Kettle", f"{kwh:.3f}", f"{kwh / 2:.2f}"] in cells
    assert viewer.span.get_visible()
    assert viewer.selection == (trace.start.value, trace.end.value)
    c.end.value = "noon"
    c.measure.click()
    assert (
        said(viewer) == "&#x27;noon&#x27; is not a time; write it for example as 2026-10-27 14:00"
    )
    c.end.value = "2026-03-02"
    c.measure.click()
    assert "there is no time between" in said(viewer)
    c.clear.click()
    assert (viewer.selection, c.table.value, said(viewer)) == (None, "", "")


def test_a_span_in_the_hour_that_is_twice_is_written_with_its_offset(make_house):
    house = make_house({"oven": np.ones(100)})
    viewer = Viewer(house)
    first = pd.Timestamp("2026-10-25 00:30", tz="UTC").value
    for at_ns in (first, first + 3600 * NS):
        text = viewer._local(at_ns)
        assert viewer._instant(text) == at_ns
        assert text.startswith("2026-10-25 02:30")


def test_a_span_agrees_with_plain_sums_and_with_prices_by_the_hour(house):
    span = {"start": "2026-03-02 05:00:13", "end": "2026-03-04 19:47:01"}
    table = span_table(house, **span)
    frame = table.to_frame().set_index("circuit")
    for name in ("kettle", "fridge"):
        trace = house.trace(name, span["start"], span["end"])
        assert frame.loc[name, "energy_kwh"] == pytest.approx(trace.energy_wh / 1000, rel=1e-6)
        assert frame.loc[name, "mean_w"] == pytest.approx(trace.watts.mean(dtype="f8"), rel=1e-6)
        assert frame.loc[name, "highest_w"] == trace.watts.max()
    assert frame["missing"].tolist() == [0.0, 0.0, 1.0]
    assert np.isnan(frame.loc["lamp", "energy_kwh"])
    assert table.loads_cost == pytest.approx(0.5 * table.loads_kwh)
    assert "| sum of these loads |" in table.to_markdown()


def test_prices_by_time_of_use_hold_for_the_samples_that_begin_in_them(house):
    text = (house.path / "house.toml").read_text()
    periods = (
        '[tariff]\ncurrency = "EUR"\n[[tariff.period]]\nname = "day"\nprice_per_kwh = 0.5\n'
        'hours = ["06:00-22:00"]\n[[tariff.period]]\nname = "night"\nprice_per_kwh = 0.1\n'
        'hours = ["22:00-06:00"]\n'
    )
    flat = '[tariff]\ncurrency = "EUR"\nprice_per_kwh = 0.5'
    assert flat in text
    (house.path / "house.toml").write_text(text.replace(flat, periods))
    house = open_house(house.path)
    span = ("2026-03-02 05:59:31", "2026-03-03 23:00:29")
    row = span_table(house, ["kettle"], start=span[0], end=span[1]).rows[0]
    local = house.trace("kettle", *span).to_series().tz_convert("Europe/Berlin")
    day = (local.index.hour >= 6) & (local.index.hour < 22)
    expected = (local[day].sum() * 0.5 + local[~day].sum() * 0.1) / 3.6e6
    assert row.cost == pytest.approx(expected, rel=1e-5)


def test_runs_are_marked_and_stepped_through(house):
    viewer = Viewer(house, ["kettle"])
    c = viewer.controls
    c.next_run.click()
    settled(viewer)
    # One begins just in the middle of the log; the next is the eighth.
    assert said(viewer) == "Kettle: run 8 of 12"
    c.next_run.click()
    assert said(viewer) == "Kettle: run 9 of 12"
    c.previous_run.click()
    assert said(viewer) == "Kettle: run 8 of 12"
    assert viewer.data.runs == {}
    c.runs.value = True
    settled(viewer)
    (run,) = viewer.data.runs["kettle"]
    assert (run.number, run.end_ns - run.start_ns) == (8, 240 * NS)
    for _ in range(4):
        c.next_run.click()
        assert "of 12" in said(viewer)
    c.next_run.click()
    assert said(viewer) == "Kettle has no run after this one"


def test_choosing_circuits(house):
    viewer = Viewer(house)
    assert viewer.view.circuits == ("kettle", "fridge")
    c = viewer.controls
    c.search.value = "FRI"
    assert [box.description for box in viewer.names.children] == ["Fridge (L2)"]
    c.search.value = ""
    c.leg.value = "L1"
    assert len(viewer.names.children) == 2
    c.choose_all.click()
    assert viewer.view.circuits == ("kettle", "lamp")
    viewer.canvas.draw()
    assert "Lamp: no readings here" in viewer.words()
    viewer.boxes["lamp"].value = False
    assert viewer.view.circuits == ("kettle",)
    c.choose_none.click()
    viewer.canvas.draw()
    assert viewer.view.circuits == ()
    texts = [text.get_text() for text in viewer.figure.axes[0].texts]
    assert "no circuit is chosen" in texts
    c.next_run.click()
    assert said(viewer) == "no circuit is chosen"
    viewer.choose(("fridge",))
    assert title(viewer).endswith("(3 days)")


def test_the_list_is_ordered_as_asked(house):
    names = {order: [c.name for c in listed(house, order=order)] for order in ORDERS}
    assert names["as in the panel schedule"] == ["kettle", "fridge", "lamp"]
    energies = {n: house.trace(n).energy_wh for n in ("kettle", "fridge")}
    largest = sorted(energies, key=energies.get, reverse=True)
    assert names["largest first"] == [*largest, "lamp"]
    assert names["by leg"] == ["kettle", "lamp", "fridge"]
    assert listed(house, search="o") == ()


def test_saving_the_picture_and_the_readings(house, tmp_path):
    viewer = Viewer(house, ["kettle", "lamp"], save_in=str(tmp_path / "new" / "saved"))
    viewer.select(START.value + 3600 * NS, START.value + 2 * 3600 * NS)
    viewer.controls.save_picture.click()
    (picture,) = (tmp_path / "new" / "saved").glob("*.png")
    assert said(viewer) == f"Saved {picture}"
    assert picture.read_bytes().startswith(b"\x89PNG")
    viewer.controls.save_data.click()
    (data,) = (tmp_path / "new" / "saved").glob("*.csv")
    assert data.name == "mill_house_2026-03-02_010000_2026-03-02_020000.csv"
    assert said(viewer) == f"Saved {data}, a row for each 1 s"
    table = pd.read_csv(data, index_col="time", parse_dates=["time"])
    assert list(table.columns) == ["kettle_w"]
    trace = house.trace("kettle", "2026-03-02 01:00", "2026-03-02 02:00")
    np.testing.assert_allclose(table["kettle_w"], trace.watts, rtol=1e-5)
    assert table.index[0] == trace.start
    blocked = tmp_path / "file"
    blocked.write_text("")
    viewer.controls.folder.value = str(blocked)
    viewer.controls.save_data.click()
    assert "this folder cannot be created" in said(viewer)


def test_many_readings_are_saved_as_means(house, tmp_path):
    span = {"start_ns": START.value, "end_ns": START.value + 2 * DAY_S * NS}
    path, period_s = save_readings(house, ["kettle"], tmp_path, **span, most_rows=3000)
    table = pd.read_csv(path)
    assert (period_s, len(table)) == (60.0, 2880)
    kwh = table["kettle_w"].sum() / 60 / 1000
    expected = house.trace("kettle", "2026-03-02", "2026-03-04").energy_wh / 1000
    assert kwh == pytest.approx(expected, rel=1e-4)
    with pytest.raises(HouseError, match="172,800 samples are too many"):
        save_readings(house, ["kettle"], tmp_path, **span, most_rows=2)
    with pytest.raises(HouseError, match="no readings to save"):
        save_readings(house, ["lamp"], tmp_path, **span)


def test_forty_circuits_stack_and_one_scale_is_refused_in_a_sentence(make_house):
    wave = uses(20_000, watts=500, every=5000, lasts=900)
    house = make_house({f"load_{n:02d}": wave * (n + 1) for n in range(40)})
    assert len(circuits_to_begin_with(house)) == 6
    viewer = Viewer(house, [circuit.name for circuit in house.circuits])
    viewer.canvas.draw()
    assert len(viewer.data.envelopes) == 40
    assert viewer.figure.get_figheight() < 7
    viewer.controls.arrangement.value = ARRANGEMENTS[1]
    viewer.canvas.draw()
    assert said(viewer) == (
        "40 circuits on one scale cannot be distinguished; choose at most 7, or stack them"
    )
    viewer.controls.arrangement.value = ARRANGEMENTS[0]
    viewer.canvas.draw()
    assert said(viewer) == ""


def test_one_circuit_that_never_runs(make_house):
    house = make_house({"router": np.full(DAY_S, 7.0)}, tariff=False)
    viewer = Viewer(house)
    viewer.controls.runs.value = True
    settled(viewer)
    assert viewer.data.runs == {"router": ()}
    viewer.controls.next_run.click()
    assert said(viewer) == "Router has no runs: nothing in its log rises above rest"
    assert "cost" not in span_table(house, start=START, end="2026-03-03").to_markdown()


def test_a_hole_across_the_whole_window(make_house):
    watts = np.full(DAY_S, 100.0)
    watts[20_000:60_000] = np.nan
    house = make_house({"oven": watts})
    viewer = Viewer(house, start="2026-03-02 08:00", end="2026-03-02 12:00")
    assert title(viewer) == "Mon 2 Mar 2026 08:00 to 12:00 (4 h)"
    texts = [text.get_text() for text in viewer.figure.axes[0].texts]
    assert "nothing was logged here" in texts
    assert "no reading" in texts
    assert "Oven: no readings here" in viewer.words()
    viewer.read_at(viewer.view.start_ns)
    assert "Oven no reading" in viewer.controls.reading.value
    row = span_table(house, start="2026-03-02 08:00", end="2026-03-02 12:00").rows[0]
    assert (row.missing, np.isnan(row.energy_kwh), np.isnan(row.cost)) == (1.0, True, True)


def test_a_damaged_month_is_told_in_a_sentence(house):
    viewer = Viewer(house, ["kettle"])
    path = house.path / "store" / "kettle" / "2026-03.parquet"
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    path.parent.joinpath("x").touch()
    viewer.controls.highest.click()
    viewer.canvas.draw()
    assert "this month of the store is damaged" in said(viewer)


def test_the_output_holds_a_picture_with_words_for_where_no_kernel_runs(house):
    bundle, metadata = trace_viewer(house)._repr_mimebundle_()
    assert "application/vnd.jupyter.widget-view+json" in bundle
    assert base64.b64decode(bundle["image/png"]).startswith(b"\x89PNG")
    assert metadata["image/png"]["alt"].startswith("Power from Mon 2 Mar 2026 00:00 to")
    assert "Kettle: mean " in metadata["image/png"]["alt"]
    json.dumps(bundle)


def test_the_viewer_leaves_the_way_other_figures_are_drawn(house):
    import matplotlib.pyplot as plt

    trace_viewer(house)
    assert mpl.get_backend().lower() == "agg"
    assert plt.get_fignums() == []


def test_a_house_without_a_store_offers_to_import(tmp_path):
    (tmp_path / "logs").mkdir()
    times = pd.date_range("2026-03-02", periods=2000, freq="10s", tz="UTC")
    table = pd.DataFrame({"time": times, "oven": 5.0})
    log = tmp_path / "logs" / "a.csv"
    table.to_csv(log, index=False, date_format="%Y-%m-%dT%H:%M:%SZ")
    toml = 'timezone = "UTC"\n[[circuit]]\nname = "oven"\n[[log]]\nfiles = "logs/*.csv"\n'
    (tmp_path / "house.toml").write_text(toml + '[log.columns]\noven = "oven"')
    whole = log.read_text()
    log.write_text("time,oven\n")
    box = trace_viewer(open_house(tmp_path))
    text, button = box.children[0].children
    assert "Nothing has been imported" in text.value
    button.click()
    wait_for(lambda: len(box.children[0].children) == 2)
    assert "a.csv: has a header but no rows" in box.children[0].children[0].value
    log.write_text(whole)
    button.click()
    wait_for(lambda: box.figure_of is not None)
    assert box.figure_of().axes[0].get_title(loc="left").startswith("Mon 2 Mar 2026")


def wait_for(what):
    end = time.monotonic() + WAIT_S
    while not what():
        assert time.monotonic() < end
        time.sleep(0.02)


def test_long_work_can_be_stopped():
    from ipywidgets import VBox

    box, begun, told = VBox(), threading.Event(), []

    def work(step):
        for n in range(10_000):
            step(n, 10_000, f"part {n}")
            begun.set()
            time.sleep(0.005)

    in_background(work, within=box, done=told.append, failed=told.append, what="Counting")
    assert begun.wait(WAIT_S)
    bar, button, _text = box.children[0].children
    button.click()
    wait_for(lambda: told)
    assert told == ["Counting: stopped. What was done so far is kept."]
    assert bar.value < 0.5
    assert issubclass(Stopped, KeyboardInterrupt)


def test_a_figure_of_any_stretch_without_widgets(house):
    ax = plot_overview(house, ["kettle"], start="2026-03-03", end="2026-03-04", lanes=False)
    (line,) = [line for line in ax.lines if line.get_label() == "Kettle"]
    assert np.nanmax(line.get_ydata()) == 12_000
    low, high = ax.get_xlim()
    assert (high - low) == pytest.approx(1.0)
    outside = plot_overview(house, ["kettle"], start="2026-04-01", end="2026-04-02")
    assert "nothing was logged here" in [text.get_text() for text in outside.texts]
    with pytest.raises(ValueError, match="start must come before end"):
        plot_overview(house, start="2026-03-03", end="2026-03-03")
    with pytest.raises(HouseError, match="no readings of circuit 'lamp'"):
        plot_overview(house, ["lamp"])
