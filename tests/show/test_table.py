import json
import math
import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from homeenergy.findings import Findings, house_findings
from homeenergy.findings.appliance.columns import columns_for
from homeenergy.findings.appliance.house import appliance_finding
from homeenergy.findings.appliance.record import kind_text
from homeenergy.house import Tariff
from homeenergy.house.schedule import Circuit
from homeenergy.readings import open_house
from homeenergy.show import findings_page, plot_house_energy
from homeenergy.show.document.findings import findings_record
from homeenergy.show.terminal import duration_text, findings_lines, quality_lines
from homeenergy.stats.estimate import Estimate
from tests.findings.small_house import made_house, switched


@pytest.fixture
def findings(make_trace):
    days = 5
    rng = np.random.default_rng(5)
    watts = rng.normal(4, 0.5, days * 1440)
    for day in range(days):
        at = day * 1440 + 400 + int(rng.integers(0, 300))
        watts[at : at + 30 + int(rng.integers(0, 20))] += 2000
    names = [
        ("kettle", "Kettle"),
        ("oven", "Oven in the outdoor kitchen behind the barn"),
        ("pump", "Pump"),
    ]
    found = tuple(
        appliance_finding(
            make_trace(watts * scale, label=label),
            circuit=Circuit(name=name, appliance=label, kind="manual"),
            timezone="America/Denver",
            tariff=Tariff(currency="USD", price_per_kwh=0.2),
        )
        for scale, (name, label) in zip((1.0, 4.5, 0.5), names, strict=True)
    )
    mains = Estimate(value=9.0, low=8.0, high=10.0, unit="kWh", n=5, basis="mean of 5 days")
    return Findings(
        house_name="Mill house",
        timezone="America/Denver",
        currency="USD",
        start=pd.Timestamp("2026-03-02T00:00Z"),
        end=pd.Timestamp("2026-03-07T00:00Z"),
        appliances=found,
        mains_kwh_per_day=mains,
        unmeasured_kwh_per_day=replace(mains, value=0.5, low=0.3, high=0.7),
    )


@pytest.mark.parametrize("width", [60, 80, 100, 140])
def test_fits_the_terminal_and_cuts_no_number(findings, width):
    lines = findings_lines(findings, width=width)
    assert max(map(len, lines)) <= width
    text = "\n".join(lines)
    for finding in findings.appliances:
        for column in columns_for("terminal", findings.appliances, currency="USD")[1:]:
            value, interval = column.texts(finding)
            assert value in text
            assert f"({interval})" in text or not interval
    for heading in ("complete", "energy per run", "standby", "% of kWh", "% of time", "USD"):
        assert heading in text


def test_decimal_points_stand_below_one_another(findings):
    lines = findings_lines(findings, width=140)
    head = next(i for i, line in enumerate(lines) if line.startswith("appliance"))
    at = lines[head - 1].index("energy per run")
    points = {lines[i].index(".", at) for i in (head + 2, head + 3)}
    assert len(points) == 1


def test_long_name_goes_on_below_and_rows_stay_aligned(findings):
    lines = findings_lines(findings, width=100)
    at = next(i for i, line in enumerate(lines) if line.startswith("Oven in the outdoor"))
    assert lines[at + 1].strip() == "kitchen behind the"
    assert lines[at + 2].strip() == "barn"


def test_no_tariff_no_cost(findings):
    bare = replace(findings, currency=None)
    assert "year" not in "\n".join(findings_lines(bare, width=140))


def test_condition_on_cost_per_year_is_printed_with_it(findings):
    assert "if the whole year is like these days" in " ".join(findings_lines(findings))
    page = findings_page(replace(findings, appliances=()), None)
    caption = page.split("<caption>")[1].split("</caption>")[0]
    assert "if the whole year is like these days" in caption


def test_kind_is_told_in_words(findings):
    guess = replace(findings.appliances[0], kind_sure=0.4)
    likely = replace(findings.appliances[0], kind_sure=0.9)
    assert kind_text(guess) == "perhaps manual, a guess"
    assert kind_text(likely) == "treated as manual"


def test_bound_is_written_out_and_never_as_zero(findings):
    bound = Estimate(
        value=0.5, low=0.0, high=1.0, unit="W", n=50, basis="below 1 W", resolved=False
    )
    quiet = replace(findings.appliances[0], standby_w=bound)
    text = "\n".join(findings_lines(replace(findings, appliances=(quiet,)), width=100))
    assert "below 1 W" in text
    assert "0.0" not in text.split("below 1 W")[0].splitlines()[-1].split("standby")[-1][-6:]


def test_mains_and_what_no_circuit_accounts_for(findings):
    assert (
        "Mains: 9.0 kWh (8.0–10.0) a day; unmeasured: 0.50 kWh (0.30–0.70) a day"
        in findings_lines(findings, width=100)
    )


def test_no_appliance(findings):
    assert "No circuit has readings" in findings_lines(replace(findings, appliances=()))[-1]


def test_record_is_json_with_null_for_what_is_not_known(findings):
    unknown = Estimate(
        value=math.nan, low=-math.inf, high=math.inf, unit="kWh", n=0, basis="no run"
    )
    odd = replace(findings.appliances[0], run_kwh=unknown, idle_share=math.nan)
    text = json.dumps(findings_record(replace(findings, appliances=(odd,))), allow_nan=False)
    record = json.loads(text)
    assert record["start"] == "2026-03-02T00:00:00Z"
    (appliance,) = record["appliances"]
    assert appliance["run_kwh"]["value"] is appliance["run_kwh"]["low"] is None
    assert appliance["idle_share"] is None
    assert appliance["runs"] == findings.appliances[0].runs
    assert appliance["kwh_per_day"]["value"] == findings.appliances[0].kwh_per_day.value


def test_record_tells_a_bound_from_a_value(findings):
    bound = Estimate(value=0.5, low=0.0, high=1.0, unit="W", n=5, basis="", resolved=np.False_)
    quiet = replace(findings.appliances[0], standby_w=bound, idle_share=-1e-4)
    record = findings_record(replace(findings, appliances=(quiet, findings.appliances[1])))
    first, second = record["appliances"]
    assert first["standby_w"]["value"] is None
    assert first["standby_w"]["high"] == 1
    assert first["standby_w"]["resolved"] is first["standby_resolved"] is False
    assert second["standby_w"]["resolved"] is second["standby_resolved"] is True
    assert first["idle_share"] == 0
    assert '"standby_resolved": false' in json.dumps(record)


def boxes(ax):
    """Where the legend, and the bars and their numbers, stand on the page."""
    figure = ax.get_figure()
    figure.canvas.draw()
    legend = ax.get_legend().get_window_extent()
    others = [*ax.patches, *ax.texts, *ax.lines, ax.xaxis.label, *ax.get_xticklabels()]
    return legend, [artist.get_window_extent() for artist in others]


def test_legend_of_the_house_covers_no_bar_and_no_number(findings):
    first = findings.appliances[0]
    wide = replace(first, kwh_per_day=replace(first.kwh_per_day, low=-40.0, high=50.0))
    lone = [replace(first, appliance=f"Lamp {i}") for i in range(5)]
    for appliances in ((*lone, wide), (wide,), findings.appliances):
        ax = plot_house_energy(replace(findings, appliances=tuple(appliances)))
        legend, others = boxes(ax)
        assert not [box for box in others if legend.overlaps(box)]
        assert legend.y0 >= 0


def test_interval_of_what_is_fed_back_is_drawn_whole(findings):
    fed = Estimate(value=-17.0, low=-19.0, high=-15.0, unit="kWh", n=7, basis="")
    solar = replace(findings.appliances[0], kwh_per_day=fed)
    ax = plot_house_energy(replace(findings, appliances=(solar,), unmeasured_kwh_per_day=None))
    (interval,) = ax.lines
    assert list(interval.get_xdata()) == [-19, -15]
    assert ax.get_xlim()[0] < -19


def test_house_energy_is_sorted_and_whole(findings):
    ax = plot_house_energy(findings)
    names = [label.get_text() for label in ax.get_yticklabels()]
    assert names == [
        "Oven in the outdoor kitchen behind the barn",
        "Kettle",
        "Pump",
        "unmeasured",
    ]
    widths = {}
    for bar in ax.patches:
        row = round(bar.get_y() + bar.get_height() / 2)
        widths[row] = widths.get(row, 0.0) + bar.get_width()
    drawn = [widths[i] for i in range(3)]
    expected = sorted((f.kwh_per_day.value for f in findings.appliances), reverse=True)
    assert drawn == pytest.approx(expected)
    assert "kWh per day" in ax.get_xlabel()


def test_what_could_not_be_counted_is_a_dash():
    quality = pd.DataFrame(
        {
            "period_s": [60.0],
            "coverage": [1.0],
            "gaps": [0],
            "longest_gap_s": [0.0],
            "repeats": [0],
            "conflicts": [0],
            "out_of_order": [0],
            "resets": [0],
            "negative_share": [float("nan")],
            "doubt": [""],
        },
        index=pd.Index(["kettle"], name="circuit"),
    )
    row = quality_lines(quality, width=140)[-1].split()
    assert row == ["kettle", "60", "100.00", "none", "0", "0", "0", "0", "0", "-", "none"]


def test_quality_fits_and_writes_durations():
    quality = pd.DataFrame(
        {
            "period_s": [1.0],
            "coverage": [0.9876],
            "gaps": [12345],
            "longest_gap_s": [9999.0],
            "repeats": [3],
            "conflicts": [0],
            "out_of_order": [0],
            "resets": [1],
            "negative_share": [float("nan")],
            "doubt": ["2 lone spike, 400 stuck"],
        },
        index=pd.Index(["kettle"], name="circuit"),
    )
    for width in (60, 80, 140):
        lines = quality_lines(quality, width=width)
        assert max(map(len, lines)) <= width
        assert {"98.76", "12,345", "2.8"} <= set(" ".join(lines).split())


@pytest.mark.parametrize(
    ("duration_s", "text"),
    [(0, "none"), (45, "45 s"), (600, "10 min"), (9999, "2.8 h"), (400_000, "4.6 days")],
)
def test_durations(duration_s, text):
    assert duration_text(duration_s) == text


def test_a_remark_that_several_share_is_said_once(findings):
    first, second, third = (replace(f, remarks=("hot",)) for f in findings.appliances)
    everyone = "\n".join(findings_lines(replace(findings, appliances=(first, second, third))))
    assert "All: hot" in everyone
    third = replace(third, remarks=("cold",))
    some = findings_lines(
        replace(findings, appliances=(first, third, replace(third, appliance="Tap")))
    )
    assert "- Kettle: hot" in some
    assert "- Pump, Tap: cold" in some


def test_prices_that_differ_are_shown_and_a_flat_one_is_not(tmp_path):
    tariff = """[tariff]
currency = "EUR"
[[tariff.period]]
name = "night"
price_per_kwh = 0.1
hours = ["22:00-06:00"]
[[tariff.period]]
name = "day"
price_per_kwh = 0.4
hours = ["06:00-22:00"]
"""
    watts = {
        "boiler": switched(7, [1], on_w=2000, lasts_h=1),
        "oven": switched(7, [12], on_w=2000, lasts_h=1),
    }
    house = made_house(tmp_path, watts, tariff=("EUR", 0.3))
    flat = house_findings(house)
    assert "paid" not in "\n".join(findings_lines(flat))
    assert "price_per_kwh" not in flat.to_frame()
    path = tmp_path / "house.toml"
    old = path.read_text()
    begin, end = old.index("[tariff]"), old.index("[[circuit]]")
    path.write_text(old[:begin] + tariff + old[end:])
    found = house_findings(open_house(tmp_path))
    paid = found.to_frame().set_index("circuit")["price_per_kwh"].to_dict()
    assert paid == pytest.approx({"boiler": 0.1, "oven": 0.4})
    text = "\n".join(findings_lines(found))
    assert "paid" in text
    assert re.search(r"oven .*0\.400", text)
    assert "at the hours it was used" in " ".join(text.split())
