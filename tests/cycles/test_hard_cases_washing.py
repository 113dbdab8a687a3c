"""Programmes with parts that look like beginnings, one soon after another, and small lamps."""

import numpy as np
import pytest

from homeenergy.cycles import find_cycles

from .traces import DAY, HOUR, as_trace, draw, lasts_s, near, runs_s

WEEK = 7 * DAY
LATE_S = np.random.default_rng(3).integers(0, 3000, 7)
DRAIN, FILL, END = (38, 36), (60, 6), (60, 34)
USUAL = [DRAIN, (45, 6), (1500, 60), (800, 2060), (600, 60), (1200, 2), END]
# Washes twice: in between the water is changed, and what follows goes as at the beginning.
TWICE = [
    *[DRAIN, (45, 6), (1600, 60), (700, 2060), (900, 60)],
    *[DRAIN, FILL, (1550, 60), (700, 2060), (900, 60), END],
]
# Dries for half an hour without drawing anything, then drains.
DRYING = [DRAIN, (45, 6), (1500, 60), (800, 2060), (600, 60), (600, 2060), END, (1800, 2), END]


def edges(uses):
    return [(at, at + lasts_s(pieces)) for at, pieces in sorted(uses)]


def runs_of(uses, kind, *, idle_w=0.6, noise_w=0.5):
    watts = np.round(draw(WEEK, *uses, idle_w=idle_w, noise_w=noise_w))
    return runs_s(find_cycles(as_trace(watts), kind))


@pytest.mark.parametrize("seldom", [True, False], ids=["seldom", "always"])
@pytest.mark.parametrize("kind", ["batch", None])
def test_a_change_of_water_begins_no_programme(kind, seldom):
    """Draining and filling for 98 s between two like halves is a pause of one run."""
    shapes = [USUAL if seldom and d not in (2, 5) else TWICE for d in range(7)]
    uses = [(d * DAY + 19 * HOUR + int(LATE_S[d]), shape) for d, shape in enumerate(shapes)]
    assert near(runs_of(uses, kind), edges(uses), within_s=90)


@pytest.mark.parametrize("gap_s", [200, 330, 380, 700, 1500])
def test_a_programme_ends_with_its_drain_pulse_and_not_before_drying(gap_s):
    """Loaded again some minutes after the last pulse, a machine has run twice, drying included."""
    uses = [(d * DAY + 12 * HOUR + int(LATE_S[d]), DRYING) for d in range(7)]
    uses.append((uses[3][0] + lasts_s(DRYING) + gap_s, DRYING))
    assert near(runs_of(uses, "batch", idle_w=1.0), edges(uses), within_s=90)


def drum_wash(rng, *, level_w, spread_w, turn_s):
    """A wash without heating; the drum turns to and fro, each second drawing another power."""
    pieces = []
    for _ in range(3):
        for _ in range(2000 // (turn_s + 5)):
            pieces += [(1, w) for w in rng.normal(level_w, spread_w, turn_s)] + [(5, 4)]
        pieces += [(60, 30), (200, 2)]
    return pieces + [(1, 80 + 420 * s / 299) for s in range(300)]


@pytest.mark.parametrize(
    ("level_w", "spread_w"),
    [
        (150, 22),
        (195, 25),
        (210, 25),
        (300, 35),
    ],
)
@pytest.mark.parametrize("turn_s", [14, 35])
def test_a_drum_that_turns_to_and_fro_is_that_of_a_machine_with_programmes(
    turn_s, level_w, spread_w
):
    """A wash is one run, told as such or not, however strongly its drum is driven."""
    rng = np.random.default_rng(4)
    shapes = [drum_wash(rng, level_w=level_w, spread_w=spread_w, turn_s=turn_s) for _ in range(4)]
    uses = [
        (d * DAY + 10 * HOUR + int(LATE_S[d]), shape)
        for d, shape in zip((0, 2, 3, 5), shapes, strict=True)
    ]
    assert near(runs_of(uses, None, idle_w=1.0), edges(uses), within_s=3)


@pytest.mark.parametrize("kind", ["manual", None])
def test_a_small_lamp_beside_a_large_one_is_used_too(kind):
    """Where nothing at all is drawn at rest, 8 W for four hours a day are uses, not standby."""
    uses = [(d * DAY + 18 * HOUR, [(2 * HOUR, 60)]) for d in range(7)]
    uses += [(d * DAY + 6 * HOUR, [(4 * HOUR, 8)]) for d in range(7)]
    watts = np.round(draw(WEEK, *uses, idle_w=0, noise_w=0.3))
    cycles = find_cycles(as_trace(watts), kind)
    assert near(runs_s(cycles), edges(uses), within_s=3)
    assert str(cycles.standby) == "below 1 W"


COLD = [DRAIN, (45, 6), (3600, 60), END]


def test_a_programme_without_heating_is_one_unless_a_level_is_stated():
    """Seven warm programmes and two cold ones; a person who states 500 W asks for warm ones."""
    warm = [(d * DAY + 19 * HOUR + int(LATE_S[d]), USUAL) for d in range(7)]
    cold = [(d * DAY + 8 * HOUR, COLD) for d in (2, 5)]
    assert near(runs_of([*warm, *cold], "batch"), edges([*warm, *cold]), within_s=90)
    watts = np.round(draw(WEEK, *warm, *cold, idle_w=0.6, noise_w=0.5))
    stated = find_cycles(as_trace(watts), "batch", on_w=500.0)
    assert near(runs_s(stated), edges(warm), within_s=90)
