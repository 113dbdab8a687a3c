"""Figures and sliders of the teaching notebooks: what their artists hold."""

import re

import numpy as np
import pandas as pd
import pytest

from homeenergy.readings import Trace, coarser_trace
from homeenergy.show import (
    plot_cabinet,
    plot_clamps,
    plot_currents,
    plot_duty_cycle,
    plot_harmonics,
    plot_periods,
    plot_power_triangle,
    plot_waves,
    sliders,
)
from homeenergy.show.figures.style import BLUE, VERMILION
from homeenergy.simulate import (
    BenchMains,
    CabinetModel,
    capacitor_amps,
    clamp_cases,
    heater_amps,
    motor_amps,
    rectifier_amps,
    run_cabinet,
)
from homeenergy.waveform import measure_harmonics, measure_power

MAINS = BenchMains()
RATE_HZ = MAINS.sample_rate_hz
MOTOR = motor_amps(MAINS, ohm=60, henry=0.16)
HEATER = heater_amps(MAINS, ohm=60)
CAPACITOR = capacitor_amps(MAINS, farad=22e-6)
SUPPLY = rectifier_amps(MAINS, load_w=100, farad=330e-6)


def notes(ax):
    return [text.get_text() for text in ax.texts]


def measured(amps):
    return measure_power(MAINS.volts, amps, sample_rate_hz=RATE_HZ)


def test_waves_say_rms_peak_and_mean():
    ax = plot_waves(MAINS.volts, MOTOR, sample_rate_hz=RATE_HZ, cycles=2, title="Motor")
    said = "\n".join(notes(ax))
    for words in ("120.0 V rms", "1.41 A rms", "peak 170 V", "mean 119.4 W", "lags 45.2°"):
        assert words in said
    assert [label.get_text() for label in ax.get_yticklabels()] == ["volts,\namps", "power"]
    assert ax.get_xlim() == pytest.approx((0, 2000 / 60))
    hatches = [c.get_hatch() for c in ax.collections]
    assert hatches == [None, "////"]


def test_a_heater_gives_nothing_back():
    ax = plot_waves(MAINS.volts, heater_amps(MAINS, ohm=40), sample_rate_hz=RATE_HZ)
    assert [c.get_hatch() for c in ax.collections] == [None]
    said = "\n".join(notes(ax))
    assert "mean 360.0 W" in said
    assert "lags" not in said


def test_waves_that_are_compared_have_one_scale():
    """With an edge given, half the current is drawn half as high; without, each fills its frame."""
    half = HEATER / 2

    def height(amps, **edges):
        ax = plot_waves(MAINS.volts, amps, sample_rate_hz=RATE_HZ, **edges)
        _, dashed = (line for line in ax.lines if line.get_color() in (BLUE, VERMILION))
        return np.ptp(dashed.get_ydata())

    assert height(half) == pytest.approx(height(HEATER))
    assert height(half, most_a=4) == pytest.approx(height(HEATER, most_a=4) / 2)
    assert height(HEATER, most_a=4) == pytest.approx(height(HEATER) * np.abs(HEATER).max() / 4)


def test_the_marks_are_where_volts_and_amps_pass_zero():
    ax = plot_waves(MAINS.volts, MOTOR + CAPACITOR * 3, sample_rate_hz=RATE_HZ)
    begin, end = (line.get_xdata()[0] for line in ax.lines if len(line.get_xdata()) == 2 and
                  line.get_xdata()[0] == line.get_xdata()[1])  # fmt: skip
    found = measured(MOTOR + CAPACITOR * 3)
    cycle_ms = 1000 / 60
    assert begin == pytest.approx(cycle_ms)
    early = np.degrees(np.arccos(found.displacement_factor)) / 360 * cycle_ms
    assert end == pytest.approx(begin - early, rel=1e-3)
    assert "leads" in "\n".join(notes(ax))


def test_currents_before_and_after():
    amps = {"motor": MOTOR, "both": MOTOR + CAPACITOR}
    ax = plot_currents(amps, sample_rate_hz=RATE_HZ, volts_v=MAINS.volts)
    names = [text.get_text() for text in ax.get_legend().get_texts()]
    assert names == ["volts", "motor: 1.41 A rms", "both: 0.99 A rms"]
    motor = next(line for line in ax.lines if line.get_label().startswith("motor"))
    np.testing.assert_allclose(motor.get_ydata(), MOTOR[: len(motor.get_ydata())])
    assert len({str(line._dash_pattern) for line in ax.lines[1:3]}) == 2
    with pytest.raises(ValueError, match="no current to draw"):
        plot_currents({}, sample_rate_hz=RATE_HZ, volts_v=MAINS.volts)
    with pytest.raises(ValueError, match="at most 7 currents, got 8"):
        plot_currents(dict.fromkeys("abcdefgh", MOTOR), sample_rate_hz=RATE_HZ, volts_v=MOTOR)


@pytest.mark.parametrize(
    ("amps", "up", "name"),
    [
        (MOTOR, 1, "reactive 120 var\n(lagging)"),
        (MOTOR + 3 * CAPACITOR, -1, "reactive 238 var\n(leading)"),
        (SUPPLY, -1, "nonactive 166 var\n(reactive, of the\nfundamental: 18 var)"),
    ],
)
def test_triangle_has_its_sides(amps, up, name):
    found = measured(amps)
    ax = plot_power_triangle(found)
    across, upright, along = ax.lines
    assert across.get_xdata()[1] == pytest.approx(found.real_w)
    assert upright.get_ydata()[1] == pytest.approx(up * found.nonactive_var)
    length = np.hypot(along.get_xdata()[1], along.get_ydata()[1])
    assert length == pytest.approx(found.apparent_va)
    assert name in notes(ax)
    assert ax.get_title(loc="left") == f"power factor {found.power_factor:.3f}"


def test_triangle_of_a_load_that_is_off():
    ax = plot_power_triangle(measured(0 * MOTOR), title="Off")
    assert ax.get_title(loc="left") == "Off: no current"


def test_harmonics_are_bars_in_per_cent():
    table = measure_harmonics(MAINS.volts, SUPPLY, sample_rate_hz=RATE_HZ)
    ax = plot_harmonics(table, most=9)
    bars = {round(bar.get_x() + bar.get_width() / 2): bar.get_height() for bar in ax.patches}
    assert sorted(bars) == list(range(1, 10))
    assert bars[1] == pytest.approx(100)
    assert bars[3] == pytest.approx(93.7, abs=0.1)
    assert bars[2] == pytest.approx(0, abs=1e-4)


@pytest.fixture
def spiky():
    watts = np.full(7200, 10.0)
    watts[100], watts[3600:4200] = 1000.0, 400.0
    return Trace(label="Pump", start=pd.Timestamp("2026-05-04T00:00Z"), period_s=1.0, watts=watts)


def test_periods_hide_peaks_and_keep_energy(spiky):
    ax = plot_periods(spiky, timezone="America/Denver")
    labels = [label.get_text() for label in ax.get_yticklabels()]
    assert labels == ["every 1 s", "every 1 min", "every 15 min", "every 1 h"]
    assert notes(ax) == ["highest\n1,000 W", "highest\n400 W", "highest\n270 W", "highest\n75 W"]
    for period_s in (60, 900, 3600):
        slow = coarser_trace(spiky, period_s=period_s)
        assert slow.energy_wh == pytest.approx(spiky.energy_wh, rel=1e-6)
        assert slow.start == spiky.start


def test_coarser_trace_keeps_holes_and_whole_periods(spiky):
    watts = spiky.watts.copy()
    watts[70] = np.nan
    holey = Trace(label="x", start=spiky.start, period_s=1.0, watts=watts[:190])
    slow = coarser_trace(holey, period_s=60)
    assert np.isnan(slow.watts).tolist() == [False, True, False]
    with pytest.raises(ValueError, match="whole multiple of 60 s, got 90 s"):
        coarser_trace(slow, period_s=90)


def test_cabinet_is_shaded_while_it_runs():
    record = run_cabinet(22.0, hours_h=6)
    ax = plot_cabinet(record)
    shaded = [patch for patch in ax.patches if patch.get_alpha() == 0.4]
    hours = sum(patch.get_width() for patch in shaded)
    assert hours == pytest.approx(6 * record.duty_cycle, rel=1e-6)
    assert ax.get_title(loc="left").startswith(f"runs {record.duty_cycle:.0%} of the time")


def test_duty_cycle_is_a_line_through_the_dots():
    records = [run_cabinet(room, hours_h=72) for room in (16.0, 28.0)]
    ax = plot_duty_cycle(CabinetModel(), records=records)
    line, dots = ax.lines
    on_line = np.interp(dots.get_xdata(), line.get_xdata(), line.get_ydata())
    np.testing.assert_allclose(dots.get_ydata(), on_line, rtol=0.03)


def test_clamps_are_drawn_with_what_they_read():
    ax = plot_clamps(clamp_cases())
    said = notes(ax)
    for text in ("reads 5.0 A, −600 W", "reads 10.0 A, +1,200 W", "reads 0.0 A, 0 W"):
        assert text in said
    assert said.count("drawn: 600 W") == 5
    # 8 rings with a hole each, 13 wires, and a dot for those that flow towards the reader.
    assert len(ax.patches) == 16 + 13 + 3
    with pytest.raises(ValueError, match="no clamp to draw"):
        plot_clamps([])


def test_sliders_draw_again_and_say_what_is_wrong():
    import matplotlib.pyplot as plt

    seen = []

    def draw(microfarad, ohm):
        seen.append((microfarad, ohm))
        if ohm > 80:
            raise ValueError("too many <ohms>")
        amps = motor_amps(MAINS, ohm=ohm, henry=0.16)
        return plot_currents({"x": amps}, sample_rate_hz=RATE_HZ, volts_v=MAINS.volts)

    before = plt.get_fignums()
    labels = {"microfarad": "capacitor (µF)"}
    box = sliders(draw, labels=labels, microfarad=(0, 80, 1, 22), ohm=(10, 90, 1, 60))
    first, second, picture, message = box.children
    assert seen == [(22, 60)]
    assert (first.min, first.max, first.continuous_update) == (0, 80, False)
    assert [slider.description for slider in (first, second)] == ["capacitor (µF)", "ohm"]
    assert first.tooltip == "capacitor (µF), from 0 to 80"
    old = picture.value
    source, words, width = re.search(r' src="(.+?)" alt="(.+?)" width="(\d+)"', old).groups()
    assert source.startswith("data:image/png;base64,iVBOR")
    assert words.startswith("Figure. capacitor (µF) 22, ohm 60. Across: time")
    assert int(width) > 600
    second.value = 20
    assert seen[-1] == (22, 20)
    assert source not in picture.value
    assert "capacitor (µF) 22, ohm 20" in picture.value
    second.value = 85
    assert "too many &lt;ohms&gt;" in message.value
    second.value = 30
    assert message.value == ""
    assert plt.get_fignums() == before, "a slider left a figure behind"
    with pytest.raises(ValueError, match="no slider; give"):
        sliders(draw)
    with pytest.raises(ValueError, match="label for 'farad', which has no slider"):
        sliders(draw, labels={"farad": "capacitor (F)"}, microfarad=(0, 80, 1, 22))


@pytest.mark.parametrize(
    "draw",
    [
        lambda ax: plot_waves(MAINS.volts, MOTOR, sample_rate_hz=RATE_HZ, ax=ax),
        lambda ax: plot_power_triangle(measured(MOTOR), ax=ax),
        lambda ax: plot_cabinet(run_cabinet(20), ax=ax),
        lambda ax: plot_clamps(clamp_cases(), ax=ax),
    ],
)
def test_figures_go_where_they_are_told(draw):
    import matplotlib.pyplot as plt

    _, ax = plt.subplots()
    assert draw(ax) is ax
