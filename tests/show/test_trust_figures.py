"""Figures of trust: what their artists hold."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from homeenergy.house.schedule import Circuit, Clamp, Supply
from homeenergy.show.figures.trust import (
    likely_setting,
    plot_meter,
    plot_multipliers,
    plot_step_ratios,
    plot_wiring,
)
from homeenergy.trust import Reference, bench_comparison, meter_agreement, panel_balance

from ..trust.meters import cut_readings, plain_log
from ..trust.panels import plain_panel

SUPPLY = Supply(system="split-phase", volts_v=120)
KILN = Circuit(name="kiln", appliance="Pottery kiln", legs=("L1", "L2"), breaker_a=60)


def words(ax):
    return "\n".join([ax.get_title(), *(text.get_text() for text in ax.texts)])


def test_wiring_as_it_is_stated():
    crossed = replace(KILN, clamp=Clamp(conductors=("L1", "-L2"), multiplier=2.0))
    text = words(plot_wiring(crossed, SUPPLY))
    assert "clamp on L1 and L2 passed back through" in text
    assert "Needs multiplier 1; house.toml says 2." in text
    assert "likely" not in text
    straight = replace(KILN, clamp=Clamp(conductors=("L1", "L2")))
    assert "No multiplier makes it right" in words(plot_wiring(straight, SUPPLY))
    twice = replace(KILN, clamp=Clamp(conductors=("-2*L1",)), legs=("L1",))
    assert "Needs multiplier -0.5" in words(plot_wiring(twice, SUPPLY))


@pytest.mark.parametrize(("multiplier", "legs"), [(1.0, 2), (2.0, 1), (-2.0, 1)])
def test_wiring_that_a_multiplier_suggests(multiplier, legs):
    circuit = replace(KILN, clamp=Clamp(multiplier=multiplier))
    assert len(likely_setting(circuit).conductors) == legs
    text = words(plot_wiring(circuit, SUPPLY))
    assert f"Needs multiplier {multiplier:g}; house.toml says {multiplier:g}." in text
    assert "likely wiring" in text


def test_multipliers_lie_at_what_they_are_off_by():
    pairs = pd.DataFrame({"reference_w": [500, 800, 1200.0], "clamp_w": [510, 816, 1224.0]})
    result = bench_comparison(pairs, references=Reference(accuracy=0.002), circuit="kettle")
    ax = plot_multipliers([result])
    assert ax.lines[1].get_xdata()[0] == pytest.approx(2, abs=0.05)
    assert ax.lines[1].get_marker() == "s"
    low, high = ax.lines[0].get_xdata()
    assert low < 2 < high


def test_step_ratios(tmp_path):
    ax = plot_step_ratios(panel_balance(plain_panel(tmp_path)))
    names = [label.get_text() for label in ax.get_yticklabels()]
    widths = np.array([bar.get_width() for bar in ax.patches]).reshape(-1, 2)
    assert widths[names.index("kiln")] == pytest.approx([0.5, 0.5], abs=0.01)
    assert widths[names.index("drill")] == pytest.approx([0, 1], abs=0.01)


def test_meter_bars_span_their_bounds():
    used = [24.0, 48.0]
    ax = plot_meter(meter_agreement(cut_readings(used), plain_log(used)))
    meter, log = (list(container) for container in ax.containers)
    assert meter[0].get_y() == pytest.approx(23 / 24 * 1000)
    assert meter[0].get_height() == pytest.approx(2 / 24 * 1000)
    assert log[1].get_y() == pytest.approx(2000)
    assert ax.get_ylim()[0] < meter[0].get_y()
