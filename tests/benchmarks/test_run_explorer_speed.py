"""The run explorer on a year of seconds: from a slider to new runs, and to a new picture.

Both are ratios within one run, of the time of this process: runs by reading the year's column from
the store, a picture by drawing one curve of as many points with matplotlib.
"""

import io
import os
import statistics
import sys
import time
from dataclasses import replace
from functools import partial

import matplotlib.pyplot as plt
import pyarrow.parquet as pq
import pytest

from homeenergy.readings import open_house
from homeenergy.show.explorer.window import first_state, read_circuit, update

from .timing import once_s
from .year_store import YEAR_CASES

pytestmark = pytest.mark.slow

AIM_MS = 150
MOST_OF_READING, MOST_OF_DRAWING = 1.0, 3.5


@pytest.fixture
def house(year_house):
    return open_house(year_house)


@pytest.fixture(scope="module")
def say(pytestconfig):
    """Print a line although output is captured."""
    capture = pytestconfig.pluginmanager.getplugin("capturemanager")

    def line(text):
        with capture.global_and_fixture_disabled():
            sys.stdout.write(f"\n{text} (load of the machine {os.getloadavg()[0]:.1f})")

    return line


def medians_s(work, reference, arguments):
    """Medians of the time of this process for both, taken in turns [s]."""
    own = [
        (
            once_s(partial(work, one), clock=time.process_time),
            once_s(reference, clock=time.process_time),
        )
        for one in arguments
    ]
    return [statistics.median(times) for times in zip(*own, strict=True)]


def read_column(house, circuit):
    for path in sorted((house.path / "store" / circuit).glob("*.parquet")):
        pq.read_table(path, columns=["watts"])["watts"].to_numpy()


def draw_a_day(watts):
    figure, ax = plt.subplots(figsize=(10, 4))
    ax.plot(watts)
    figure.savefig(io.BytesIO(), format="png")
    plt.close(figure)


@pytest.mark.parametrize("circuit", YEAR_CASES)
def test_a_moved_slider_finds_the_runs_of_a_window_at_once(house, say, circuit):
    read = read_circuit(house, circuit, decisions=())
    assert len(read.trace) == 31_536_000
    state = first_state(read, ())
    on_w = read.found.settings["on_w"]

    def slide(share):
        return update(read, replace(state, settings={"on_w": share * on_w, "pause_s": 200.0}))

    slide(1.05)
    took_s, reading_s = medians_s(
        slide, lambda: read_column(house, circuit), [0.7 + 0.1 * k for k in range(9)]
    )
    say(
        f"{circuit}: runs of a window of a year {1000 * took_s:.0f} ms (aim {AIM_MS}), by "
        f"reading the year {took_s / reading_s:.2f}, limit {MOST_OF_READING:g}"
    )
    assert took_s < MOST_OF_READING * reading_s


def test_a_moved_slider_draws_at_once(house, say):
    from homeenergy.show.explorer.explorer import make_controls
    from homeenergy.show.explorer.panel import AT_ONCE_SAMPLES, RunPanel

    assert AT_ONCE_SAMPLES < 31_536_000
    controls = make_controls([("Washer", "washer")], circuit="washer")
    panel = RunPanel(house, "washer", controls=controls)
    end = time.monotonic() + 600
    while not panel.ready or panel.controls.work.children:
        assert time.monotonic() < end
        time.sleep(0.05)
    slider = panel.controls.sliders["pause_s"]
    first = slider.index

    def slide(step):
        slider.index = first + step

    slide(1)
    watts = panel.window.trace.watts
    took_s, drawing_s = medians_s(slide, lambda: draw_a_day(watts), [2, 3, 4, 5, 6, 7, 8])
    say(
        f"washer: from a slider of a year to a new picture {1000 * took_s:.0f} ms (aim {AIM_MS}), "
        f"by drawing {len(watts)} points {took_s / drawing_s:.2f}, limit {MOST_OF_DRAWING:g}"
    )
    assert panel.moved
    assert took_s < MOST_OF_DRAWING * drawing_s
