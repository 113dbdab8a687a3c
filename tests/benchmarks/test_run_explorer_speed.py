"""The run explorer on a year of seconds: from a slider to new runs, and to a new picture.

What is held to a limit is the time of this process, which other programs lengthen little.
"""

import os
import statistics
import sys
import time
from dataclasses import replace

import pytest

from homeenergy.readings import open_house
from homeenergy.show.explorer.window import first_state, read_circuit, update

from .year_store import write_year

pytestmark = pytest.mark.slow

YEAR_CIRCUITS = {"fridge": "refrigerator", "tv": "television", "washer": "washing_machine"}
LIMIT_S = 0.150
CEILING = 1.5  # other programs share the caches


@pytest.fixture(scope="module")
def house(tmp_path_factory):
    return open_house(write_year(tmp_path_factory.mktemp("year_house"), YEAR_CIRCUITS))


@pytest.fixture(scope="module")
def say(pytestconfig):
    """Print a line although output is captured."""
    capture = pytestconfig.pluginmanager.getplugin("capturemanager")

    def line(text):
        with capture.global_and_fixture_disabled():
            sys.stdout.write(f"\n{text} (load of the machine {os.getloadavg()[0]:.1f})")

    return line


def median_s(work, arguments):
    """Medians of the time of this process, and by the clock [s]."""
    own, clock = [], []
    for argument in arguments:
        begun = time.process_time(), time.perf_counter()
        work(argument)
        own.append(time.process_time() - begun[0])
        clock.append(time.perf_counter() - begun[1])
    return statistics.median(own), statistics.median(clock)


def in_words(took_s, clock_s):
    return f"{1000 * took_s:.0f} ms (limit 150), by the clock {1000 * clock_s:.0f} ms"


@pytest.mark.parametrize("circuit", YEAR_CIRCUITS)
def test_a_moved_slider_finds_the_runs_of_a_window_at_once(house, say, circuit):
    read = read_circuit(house, circuit, decisions=())
    assert len(read.trace) == 31_536_000
    state = first_state(read, ())
    on_w = read.found.settings["on_w"]

    def slide(share):
        return update(read, replace(state, settings={"on_w": share * on_w, "pause_s": 200.0}))

    slide(1.05)
    took_s, clock_s = median_s(slide, [0.7 + 0.1 * k for k in range(9)])
    say(f"{circuit}: runs of a window of a year: {in_words(took_s, clock_s)}")
    assert took_s < CEILING * LIMIT_S


def test_a_moved_slider_draws_at_once(house, say):
    from homeenergy.show.explorer.explorer import make_controls
    from homeenergy.show.explorer.panel import AT_ONCE_SAMPLES, RunPanel

    assert AT_ONCE_SAMPLES < 31_536_000
    controls = make_controls([("Washer", "washer")], circuit="washer")
    panel = RunPanel(house, "washer", controls=controls)
    end = time.monotonic() + 60
    while not panel.ready or panel.controls.work.children:
        assert time.monotonic() < end
        time.sleep(0.05)
    slider = panel.controls.sliders["pause_s"]
    first = slider.index

    def slide(step):
        slider.index = first + step

    slide(1)
    took_s, clock_s = median_s(slide, [2, 3, 4, 5, 6, 7, 8])
    say(f"washer: from a slider of a year to a new picture: {in_words(took_s, clock_s)}")
    assert panel.moved
    assert took_s < CEILING * LIMIT_S
