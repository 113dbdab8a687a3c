import numpy as np
import pandas as pd
import pytest
from matplotlib.colors import to_hex

from homeenergy.findings import idle_or_use
from homeenergy.findings.appliance.house import appliance_finding
from homeenergy.house.schedule import Circuit
from homeenergy.show import plot_idle_use
from homeenergy.show.figures.style import BLUE, ORANGE


def used(make_trace, idle_w, *, kind="manual", name="Oven"):
    """A week with an hour at 1.9 kW on every other day."""
    watts = np.random.default_rng(5).normal(idle_w, 0.2, 7 * 1440)
    for day in (0, 2, 4, 6):
        watts[day * 1440 + 600 : day * 1440 + 660] += 1900
    watts = np.round(watts)
    circuit = Circuit(name=name.lower(), appliance=name, kind=kind)
    trace = make_trace(watts, start=str(pd.Timestamp("2026-03-02", tz="UTC")), label=name)
    return idle_or_use(appliance_finding(trace, circuit=circuit, timezone="UTC"), use_name="bake")


def test_bars_are_shares_with_hatch_and_interval(make_trace):
    row = used(make_trace, 20.0)
    ax = plot_idle_use(row)
    idle, use = ax.patches
    assert idle.get_width() == pytest.approx(100 * row.idle_share.value)
    assert idle.get_width() + use.get_width() == pytest.approx(100, abs=0.1)
    assert idle.get_hatch()
    assert not use.get_hatch()
    assert (to_hex(idle.get_edgecolor()).upper(), to_hex(use.get_facecolor()).upper()) == (
        ORANGE,
        BLUE,
    )
    spans = [line.get_xdata() for line in ax.lines if len(set(line.get_ydata())) == 1]
    assert spans[-1] == pytest.approx([100 * row.idle_share.low, 100 * row.idle_share.high])
    texts = [text.get_text() for text in ax.texts]
    assert any(text.endswith("bakes a week") for text in texts)
    assert ax.get_yticklabels()[0].get_text() == "Oven"


def test_a_bound_is_dotted_and_said(make_trace):
    row = used(make_trace, 0.0)
    ax = plot_idle_use([row, used(make_trace, 20.0)])
    bound = next(p for p in ax.patches if p.get_width() == pytest.approx(100 * row.idle_share.high))
    assert bound.get_linestyle() not in ("solid", "-")
    assert any(text.get_text().startswith("at most") for text in ax.texts)
    assert "idle, at most" in [t.get_text() for t in ax.get_legend().get_texts()]


def test_what_runs_by_itself_has_no_break_even(make_trace):
    ax = plot_idle_use(used(make_trace, 20.0, kind="thermostatic", name="Fridge"))
    assert "runs by itself" in [text.get_text() for text in ax.texts]
    with pytest.raises(ValueError, match="at least one IdleUse"):
        plot_idle_use([])
