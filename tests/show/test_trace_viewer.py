"""The trace viewer without a browser: what its page may ask, and what it is told."""

import base64
import io
import json
import re
import socket
import struct
import threading
import time
import urllib.error
import urllib.request
from urllib.parse import urlsplit

import numpy as np
import pandas as pd
import pytest

from homeenergy.errors import HouseError
from homeenergy.readings import open_house
from homeenergy.readings.store.store import MonthInfo, Store
from homeenergy.show import plot_overview, span_table, trace_viewer
from homeenergy.show.panels.widgets import Stopped, in_background
from homeenergy.show.viewer.answers import Answers, clock_offsets
from homeenergy.show.viewer.others import METER, OUTDOOR
from homeenergy.show.viewer.page import module_text, packed, page_without_kernel, serve
from homeenergy.show.viewer.span import readings_csv
from homeenergy.show.viewer.view import circuits_to_begin_with
from tests.cycles.test_shared import DAY_N, freezer, lamp, noise, opened, written
from tests.record.houses import Recording, write_house

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


def ask(answers, kind, **question):
    """Ask as the page does; planes come as an array of (lanes, 3, n)."""
    said, buffers = answers.answer({"kind": kind, "id": 7, **question})
    json.dumps(said)
    assert said["id"] == 7
    return said, [np.frombuffer(one, "<f4").reshape(3, -1) for one in buffers]


def span_of(start_s, end_s):
    at_s = START.value / NS
    return {"t0": at_s + start_s, "t1": at_s + end_s}


def test_opening_tells_whose_loads_are_a_guess(tmp_path):
    """The lanes of a shared circuit's loads: six days are divided, two are too few."""
    for days, told in ((6, True), (2, False)):
        folder = tmp_path / str(days)
        folder.mkdir()
        written(folder, freezer(days) + lamp(days) + noise(days * DAY_N))
        said, _ = ask(Answers(opened(folder, "loads = 2")), "open")
        rows = [(lane["name"], lane["of"], lane["told"]) for lane in said["lanes"]]
        loads = [("cellar_1", "cellar", told), ("cellar_2", "cellar", told)]
        assert rows == [("cellar", None, True), *loads]
        assert said["shown"] == ["cellar"]


def test_opening_tells_of_all_lanes_and_gives_the_whole_log(house):
    said, planes = ask(Answers(house), "open")
    assert [lane["name"] for lane in said["lanes"]] == ["kettle", "fridge", "lamp"]
    assert [lane["kwh"] is None for lane in said["lanes"]] == [False, False, True]
    assert said["log"] == [START.value / NS, START.value / NS + 3 * DAY_S]
    assert said["shown"] == [base["lane"] for base in said["base"]] == ["kettle", "fridge"]
    for base, (low, high, mean) in zip(said["base"], planes, strict=True):
        trace = house.trace(base["lane"])
        assert base["t0"] % base["step"] == 0
        assert np.nanmax(high) == trace.watts.max()
        assert np.nanmin(low) == trace.watts.min()
        # The log begins and ends with whole stretches, so their mean is that of the samples.
        assert np.nanmean(mean) == pytest.approx(trace.watts.mean(dtype="f8"), rel=1e-5)


def test_a_window_holds_every_peak_and_each_sample_when_close(house):
    answers = Answers(house)
    for width_s in (3 * DAY_S, DAY_S, 7200, 600, 60):
        asked = span_of(6 * 3600 - width_s / 3, 6 * 3600 + width_s / 3)
        said, (planes,) = ask(answers, "window", **asked, points=400, lanes=["kettle"])
        assert np.nanmax(planes[1]) == 12_000, width_s
        (lane,) = said["lanes"]
        assert lane["t0"] % lane["step"] == 0
        assert lane["t0"] <= asked["t0"]
        assert lane["t0"] + lane["n"] * lane["step"] >= asked["t1"]
    assert lane["samples"] == 1
    first = round(lane["t0"]) - START.value // NS
    watts = house.trace("kettle").watts[first : first + lane["n"]]
    np.testing.assert_array_equal(planes, np.stack([watts] * 3))


def test_readings_in_doubt_are_told_and_are_in_no_plane(make_house):
    rng = np.random.default_rng(4)
    watts = uses(3 * DAY_S, watts=2000, every=6 * 3600, lasts=240) + rng.normal(0, 0.2, 3 * DAY_S)
    watts[100_000] = 90_000.0
    answers = Answers(make_house({"kettle": watts}))
    said, (planes,) = ask(answers, "window", **span_of(0, 3 * DAY_S), points=300, lanes=["kettle"])
    assert np.nanmax(planes) < 13_000
    (doubt,) = said["lanes"][0]["doubted"]
    at_s = START.value / NS + 100_000
    assert tuple(doubt) == (at_s, at_s + 1, 90_000.0)


def test_gaps_stay_gaps(make_house):
    watts = np.full(DAY_S, 100.0)
    watts[20_000:60_000] = np.nan
    answers = Answers(make_house({"oven": watts}))
    said, (planes,) = ask(answers, "window", **span_of(0, DAY_S), points=1000, lanes=["oven"])
    step = said["lanes"][0]["step"]
    missing_s = np.isnan(planes[2]).sum() * step
    assert missing_s == pytest.approx(40_000, abs=2 * step)
    said, _ = ask(answers, "span", **span_of(30_000, 50_000), lanes=["oven"])
    assert said["cells"][1][1:] == ["–", "–", "–", "–", "1e+02 %"]


def test_a_span_is_measured_as_the_table_does(house):
    answers = Answers(house)
    said, _ = ask(answers, "span", **span_of(3600, 7200), lanes=["kettle", "fridge"])
    table = span_table(
        house, ["kettle", "fridge"], start="2026-03-02 01:00", end="2026-03-02 02:00"
    )
    assert said["cells"] == table.cells()
    assert said["span"] == table.span


def test_runs_are_told_opened_and_decided(house):
    answers = Answers(house)
    said, _ = ask(answers, "runs", lane="kettle")
    assert len(said["runs"]) == 12
    opened, _ = ask(answers, "run", lane="kettle", number=7)
    facts = dict(opened["facts"])
    assert opened["title"] == "Kettle, run 8 of 12"
    kwh = float(facts["energy"].removesuffix(" kWh"))
    assert kwh == pytest.approx(2000 * 240 / 3.6e6, rel=0.1)
    assert float(facts["cost"].removesuffix(" EUR")) == pytest.approx(kwh / 2, abs=0.006)
    start, end, _ = said["runs"][7]
    decided = house.path / "run_decisions.csv"
    fewer, _ = ask(answers, "decide", lane="kettle", act="discard", start=start, end=end)
    assert len(fewer["runs"]) == 11
    assert "kettle,discard,2026-03-03T18:00:00+01:00" in decided.read_text()
    joined, _ = ask(
        answers, "decide", lane="kettle", act="merge", start=said["runs"][0][0],
        end=said["runs"][1][1],
    )  # fmt: skip
    assert (len(joined["runs"]), joined["undo"]) == (10, 2)
    split, _ = ask(answers, "decide", lane="kettle", act="split", start=said["runs"][3][0] + 100)
    assert len(split["runs"]) == 11
    for runs in (10, 11, 12):
        undone, _ = ask(answers, "undo")
        assert len(undone["runs"]) == runs
    assert undone["runs"] == said["runs"]
    assert "kettle" not in decided.read_text()
    assert "nothing to undo" in ask(answers, "undo")[0]["text"]


def test_what_another_program_decides_is_seen(house):
    answers, other = Answers(house), Answers(open_house(house.path))
    runs = ask(answers, "runs", lane="kettle")[0]["runs"]
    start, end, _ = runs[2]
    ask(other, "decide", lane="kettle", act="discard", start=start, end=end)
    assert len(ask(answers, "runs", lane="kettle")[0]["runs"]) == len(runs) - 1
    assert ask(answers, "run", lane="kettle", number=2)[0]["title"] == "Kettle, run 3 of 11"


def test_a_decision_that_fits_no_run_is_not_written(house):
    answers = Answers(house)
    said, _ = ask(answers, "decide", lane="kettle", act="split", start=START.value / NS + 3 * 3600)
    assert said["kind"] == "error"
    assert "changes nothing" in said["text"]
    assert "kettle" not in (house.path / "run_decisions.csv").read_text()
    assert (
        "must be split, merge or discard"
        in ask(answers, "decide", lane="kettle", act="x")[0]["text"]
    )


@pytest.mark.parametrize(
    ("question", "text"),
    [
        ({"kind": "nothing"}, "'nothing'"),
        ({"kind": "window", "lanes": ["kettle"]}, "'t0'"),
        ({"kind": "window", "t0": 5, "t1": 5, "points": 9, "lanes": []}, "no time between"),
        ({"kind": "window", "t0": "x", "t1": 5, "points": 9, "lanes": []}, "could not convert"),
        ({"kind": "runs", "lane": "sauna"}, "no circuit 'sauna'"),
        ({"kind": "highest", "lane": "lamp"}, "no power to step through"),
        ({"kind": "readings", "t0": 1, "t1": 5, "lanes": ["lamp"]}, "no readings to save"),
    ],
)
def test_a_wrong_question_is_answered_with_one_sentence(house, question, text):
    said, buffers = Answers(house).answer(question)
    assert said["kind"] == "error"
    assert text in said["text"]
    assert "\n" not in said["text"]
    assert buffers == []


def test_a_damaged_month_is_told_in_a_sentence(house):
    answers = Answers(house)
    path = house.path / "store" / "kettle" / "2026-03.parquet"
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    path.parent.joinpath("x").touch()
    said, _ = ask(answers, "window", **span_of(0, 600), points=900, lanes=["kettle"])
    assert "this month of the store is damaged" in said["text"]


def test_outdoor_temperature_is_a_lane_and_never_a_circuit(house):
    rows = [f"2026-03-0{2 + h // 24}T{h % 24:02d}:00,{h % 24 - 6}" for h in range(72)]
    (house.path / "outdoor.csv").write_text("time,celsius\n" + "\n".join(rows))
    answers = Answers(house)
    said, _ = ask(answers, "open")
    assert said["lanes"][-1]["unit"] == "°C"
    assert said["lanes"][-1]["name"] == OUTDOOR
    said, (planes,) = ask(answers, "window", **span_of(0, 3 * DAY_S), points=500, lanes=[OUTDOOR])
    assert planes.shape == (3, 72)
    assert (planes.min(), planes.max()) == (-6, 17)
    said, (planes,) = ask(answers, "window", **span_of(0, 3 * DAY_S), points=3, lanes=[OUTDOOR])
    assert planes[:, 1].tolist() == [-6, 17, 5.5]
    assert ask(answers, "runs", lane=OUTDOOR)[0]["runs"] == []


def test_the_utility_meter_is_a_lane_of_means_between_its_readings(house):
    answers = Answers(house)
    assert not [one for one in ask(answers, "open")[0]["lanes"] if not one["power"]]
    readings = [("02T00:00", 100), ("02T12:00", 112), ("03T12:00", 115.6), ("04T00:00", 3)]
    lines = [f"2026-03-{at},{kwh}" for at, kwh in readings]
    (house.path / "meter_readings.csv").write_text("\n".join(["time,kwh", *lines]))
    answers = Answers(house)
    about = ask(answers, "open")[0]["lanes"][-1]
    assert (about["name"], about["unit"], about["power"]) == (METER, "W", False)
    said, (planes,) = ask(answers, "window", **span_of(0, 3 * DAY_S), points=12, lanes=[METER])
    assert said["lanes"][0]["step"] == 6 * 3600
    # Stretches begin at whole multiples of six hours since 1970, readings an hour before. The
    # register went back when the meter was exchanged; after the last reading nothing is known.
    first = pd.Timestamp(said["lanes"][0]["t0"], unit="s", tz="UTC")
    assert first == START.tz_convert("UTC") - pd.Timedelta(5, "h")
    rest = [150] * 4 + [np.nan] * 6
    assert planes[0] == pytest.approx([1000, 1000, 150, *rest], nan_ok=True)
    assert planes[1] == pytest.approx([1000, 1000, 1000, *rest], nan_ok=True)
    assert planes[2] == pytest.approx([1000, 1000, 5150 / 6, *rest], nan_ok=True)


def test_a_file_that_cannot_be_read_keeps_nobody_from_looking(house):
    (house.path / "meter_readings.csv").write_text("time,kwh\n2026-03-02T00:00,much\n")
    said, _ = ask(Answers(house), "open")
    (remark,) = said["remarks"]
    assert "'much' is not a number" in remark
    assert len(said["base"]) == 2


def test_the_clock_changes_where_the_zone_says(make_house):
    house = make_house({"oven": np.full(DAY_S, 5.0)})
    year = [pd.Timestamp(f"{y}-01-01", tz="UTC").value for y in (2026, 2027)]
    found = clock_offsets(house, *year)
    at = [pd.Timestamp(at, unit="s", tz="UTC").isoformat() for at, _, _ in found[1:]]
    assert at == ["2026-03-29T01:00:00+00:00", "2026-10-25T01:00:00+00:00"]
    assert [(offset, name) for _, offset, name in found] == [
        (3600, "CET"),
        (7200, "CEST"),
        (3600, "CET"),
    ]


def test_readings_are_saved_as_a_table(house):
    answers = Answers(house)
    said, buffers = answers.answer(
        {"kind": "readings", **span_of(3600, 7200), "lanes": ["kettle", "lamp"]}
    )
    assert said["file"] == "mill_house_2026-03-02_010000_2026-03-02_020000.csv"
    table = pd.read_csv(io.BytesIO(buffers[0]), index_col="time", parse_dates=["time"])
    assert list(table.columns) == ["kettle_w"]
    trace = house.trace("kettle", "2026-03-02 01:00", "2026-03-02 02:00")
    np.testing.assert_allclose(table["kettle_w"], trace.watts, rtol=1e-5)
    assert table.index[0] == trace.start


def test_what_was_written_down_is_saved_beside_readings(house):
    rows = [f"2026-03-0{2 + h // 24}T{h % 24:02d}:00,{h % 24 - 6}" for h in range(72)]
    (house.path / "outdoor.csv").write_text("time,celsius\n" + "\n".join(rows))
    meter = "time,kwh\n2026-03-02T00:00,100\n2026-03-02T12:00,112\n"
    (house.path / "meter_readings.csv").write_text(meter)
    answers = Answers(house)
    for lanes, count in (["kettle", OUTDOOR, METER], 7200), ([OUTDOOR, METER], 120):
        _, (data,) = answers.answer({"kind": "readings", **span_of(3600, 10_800), "lanes": lanes})
        table = pd.read_csv(io.BytesIO(data))
        assert len(table) == count
        assert table["outdoor_temperature_c"].dropna().tolist() == [-5, -4]
        assert table["utility_meter_w"].dropna().tolist() == [1000] * 120
    assert table["time"][0] == "2026-03-02T01:00:00+01:00"


def test_many_readings_are_saved_as_means(house):
    span = {"start_ns": START.value, "end_ns": START.value + 2 * DAY_S * NS}
    data, period_s = readings_csv(house, ["kettle"], **span, most_rows=3000)
    table = pd.read_csv(io.BytesIO(data))
    assert (period_s, len(table)) == (60.0, 2880)
    kwh = table["kettle_w"].sum() / 60 / 1000
    expected = house.trace("kettle", "2026-03-02", "2026-03-04").energy_wh / 1000
    assert kwh == pytest.approx(expected, rel=1e-4)
    with pytest.raises(HouseError, match="172,800 samples are too many"):
        readings_csv(house, ["kettle"], **span, most_rows=2)
    with pytest.raises(HouseError, match="no readings to save"):
        readings_csv(house, ["lamp"], **span)


def test_it_begins_with_the_six_largest_loads(make_house):
    wave = uses(20_000, watts=500, every=5000, lasts=900)
    house = make_house({f"load_{n:02d}": wave * (n + 1) for n in range(40)})
    assert circuits_to_begin_with(house) == tuple(f"load_{n:02d}" for n in range(34, 40))


@pytest.mark.parametrize("watts", [np.full(1, 5.0), np.full(600, np.nan)])
def test_one_sample_or_none_at_all(make_house, watts):
    answers = Answers(make_house({"oven": watts}))
    said, _ = ask(answers, "open")
    assert said["kind"] == "open", said
    assert said["log"][1] > said["log"][0]
    said, _ = ask(answers, "window", t0=said["log"][0], t1=said["log"][1], points=9, lanes=["oven"])
    assert said["kind"] == "window", said


def test_many_may_ask_at_once(house):
    answers, found, faults = Answers(house), [], []

    def look(k):
        question = {**span_of(3000 * k, 3000 * k + 9000), "points": 500, "lanes": ["kettle"]}
        try:
            said, buffers = answers.answer({"kind": "window", "id": k, **question})
            found.append((k, said["kind"], buffers[0]))
        except BaseException as error:
            faults.append(error)

    threads = [threading.Thread(target=look, args=(k,)) for k in range(24)]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    assert faults == []
    for k, kind, data in found:
        alone = Answers(open_house(house.path))
        asked = {**span_of(3000 * k, 3000 * k + 9000), "points": 500, "lanes": ["kettle"]}
        assert (kind, data) == ("window", alone.answer({"kind": "window", **asked})[1][0])


def test_the_output_is_a_widget_and_a_copy_for_where_no_kernel_runs(house):
    viewer = trace_viewer(house)
    copy = viewer.copy()
    assert base64.b64decode(copy["image/png"]).startswith(b"\x89PNG")
    picture, script = copy["text/html"].split("<script", 1)
    assert 'alt="Figure. Power from Mon 2 Mar 2026 00:00 to' in picture
    assert "Kettle: mean " in picture
    assert "fromCopies(" in script
    assert script.count("</script") == 1
    assert viewer.children[0].still in picture


def test_a_name_with_markup_stays_text(make_house):
    house = make_house({"kettle": uses(DAY_S, watts=2000, every=6 * 3600, lasts=240)})
    toml = house.path / "house.toml"
    text = toml.read_text().replace("Mill house", "<script>alert(1)</script> & co")
    toml.write_text(text.replace("Kettle", "<img src=x onerror=alert(1)></script>"))
    house = open_house(house.path)
    page = page_without_kernel(Answers(house))
    assert page.count("<script") == page.count("</script>") == 1
    assert "<img" not in page
    copy = trace_viewer(house).copy()["text/html"]
    assert "<img src=x" not in copy
    assert copy.count("</script>") == 1


def test_the_page_asks_nobody_else():
    text = module_text()
    addresses = set(re.findall(r"https?://[^\s\"'`)]+", text))
    # A comment of the charting library, and the name of a standard.
    assert addresses <= {"https://github.com/leeoniya/uPlot", "http://www.w3.org/2000/svg"}
    assert "import " not in re.sub(r"//.*", "", text)


@pytest.fixture
def served(house):
    server, address = serve(Answers(house))
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield address
    server.shutdown()
    server.server_close()


def fetch(address, *, data=None, **headers):
    heads = {name.replace("_", "-"): value for name, value in headers.items()}
    request = urllib.request.Request(address, data=data, headers=heads)
    try:
        with urllib.request.urlopen(request, timeout=WAIT_S) as answer:
            return answer.status, answer.read(), answer.headers
    except urllib.error.HTTPError as error:
        return error.code, error.read(), error.headers


def test_a_page_that_is_closed_abruptly_is_no_fault(served, capfd):
    url = urlsplit(served)
    with socket.create_connection((url.hostname, url.port)) as plug:
        plug.sendall(f"GET /?{url.query} HTTP/1.0\r\n\r\n".encode())
        reset = struct.pack("ii", 1, 0)  # with data unread, the far end gets a reset
        plug.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, reset)
    with socket.create_connection((url.hostname, url.port)) as plug:
        plug.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, reset)
    time.sleep(0.5)
    assert "Traceback" not in capfd.readouterr().err


def test_the_local_page_is_for_those_with_the_token(served):
    base, token = served.split("?token=")
    assert base.startswith("http://127.0.0.1:")
    status, page, headers = fetch(served)
    assert status == 200
    assert b"Mill house" in page
    assert "connect-src 'self'" in headers["Content-Security-Policy"]
    question = json.dumps({"kind": "open"}).encode()
    for refused in (
        fetch(base),
        fetch(f"{base}?token=guess"),
        fetch(f"{base}ask", data=question),
        fetch(f"{base}ask", data=question, X_Token="guess"),
        fetch(f"{base}ask", data=question, X_Token=token, Host="elsewhere.example"),
    ):
        assert refused[0] == 403
        assert b"Mill" not in refused[1]
    status, answer, _ = fetch(f"{base}ask", data=question, X_Token=token)
    assert status == 200
    length = int.from_bytes(answer[:4], "little")
    said = json.loads(answer[4 : 4 + length])
    assert said["house"] == "Mill house"
    assert len(answer) == 4 + length + sum(said["lengths"])
    assert (4 + length) % 4 == 0
    for wrong in (b"[]", b"{", b"\xff"):
        assert fetch(f"{base}ask", data=wrong, X_Token=token)[0] == 400
    assert fetch(f"{base}etc/passwd?token={token}")[0] == 404


def test_an_answer_in_one_piece_can_be_taken_apart():
    data = packed(({"kind": "x", "text": "ä"}, [b"\0" * 8, b"\1" * 4]))
    length = int.from_bytes(data[:4], "little")
    assert json.loads(data[4 : 4 + length])["lengths"] == [8, 4]
    assert data[4 + length :] == b"\0" * 8 + b"\1" * 4


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
    wait_for(lambda: box.answers is not None)
    assert box.answers.shown == ("oven",)


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


def test_what_is_recorded_now_is_told_from_an_instant_on(house, tmp_path):
    said, _ = Answers(house).answer({"kind": "now", "since": 0})
    assert (said["sources"], said["recording"], said["lanes"]) == (False, False, [])
    source = 'kind = "file"\naddress = "meter.txt"\n[source.circuits]\nfridge = 1\noven = 2\n'
    folder = write_house(tmp_path / "live", source)
    (folder / "meter.txt").touch()
    answers = Answers(open_house(folder))
    assert answers.answer({"kind": "now"})[0]["recording"] is False

    def lanes_since(instant_ms):
        return {
            one["lane"]: one
            for one in answers.answer({"kind": "now", "since": instant_ms})[0]["lanes"]
        }

    def heard():
        with (folder / "meter.txt").open("a") as file:  # what comes before it listens is not heard
            file.write("95,1450\n")
        lanes = lanes_since(0)
        return len(lanes) == 2 and all(one["at"] for one in lanes.values())

    with Recording(folder, sync_every_s=0.1) as running:
        running.until(heard)
        before = lanes_since(0)
        assert before["fridge"]["watts"][-1] == 95
        assert before["oven"]["watts"][-1] == 1450
        last_ms = before["fridge"]["at"][-1]
        running.until(lambda: heard() and lanes_since(last_ms)["fridge"]["at"])
        assert min(lanes_since(last_ms)["fridge"]["at"]) > last_ms
