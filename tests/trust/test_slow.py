"""Loads that change without steps: what the mains answer, and what is wrong with their clamps."""

import numpy as np
import pytest

from homeenergy.show.terminal import check_lines
from homeenergy.trust import check_house
from homeenergy.trust.panel.slow import slow_answers, slow_clocks, slow_end

from .panels import BOTH, HEAD, make_panel, switched

N = 2 * 86_400
STEPS = {"kettle": 1500, "toaster": 900, "heater": 700}


def drifting(seed, *, most_w, n=N, knot=1800):
    """A load that follows a slow random level, as an inverter or a dimmer does."""
    rng = np.random.default_rng(seed)
    knots = rng.uniform(0.1, 1, n // knot + 2)
    return most_w * np.interp(np.arange(n) / knot, np.arange(knots.size), knots)


def panel(folder, *, reads=lambda w: w, legs=("L1",), on=("L1",), noise_w=0.5):
    """Three switched loads on each leg's clamp, and a heat pump `on` legs that changes slowly."""
    pump = drifting(7, most_w=1200)
    loads = {name: switched(i, on_w=w, n=N) for i, (name, w) in enumerate(STEPS.items())}
    legs_w = {}
    for k, leg in enumerate(BOTH):
        rest = 80 + switched(20 + k, on_w=200, n=N, runs=80)
        legs_w[leg] = rest + (leg in on) * pump / max(1, len(on))
    legs_w["L1"] = legs_w["L1"] + sum(loads.values())
    return make_panel(
        folder,
        readings=loads | {"pump": reads(pump)},
        legs_w=legs_w,
        stated={name: {"legs": ("L1",)} for name in loads} | {"pump": {"legs": legs}},
        noise_w=noise_w,
    )


def of_pump(check):
    return next(one for one in check.balance.circuits if one.circuit == "pump")


@pytest.mark.parametrize("noise_w", [0.0, 8.0])
def test_a_load_without_steps_agrees_with_the_mains(tmp_path, noise_w):
    check = check_house(panel(tmp_path, noise_w=noise_w))
    assert not [one.what for one in check.concerns if one.weight != "note"]
    seen = of_pump(check)
    assert (seen.answer, seen.legs_found, seen.steps) == ("agrees", ("L1",), 0)
    assert f"{seen.slow_changes} slow" in "\n".join(check_lines(check))


@pytest.mark.parametrize(
    ("reads", "legs", "on", "says", "does"),
    [
        (lambda w: w / 2, ("L1",), ("L1",), "the doubling is missing", "to 2"),
        (lambda w: w / 2, BOTH, BOTH, "the doubling is missing", "its multiplier"),
        (lambda w: -w, ("L1",), ("L1",), "its clamp is backwards", "to -1"),
        (lambda w: 2 * w, ("L1",), ("L1",), "it is doubled", "to 0.5"),
        (lambda w: 1.25 * w, ("L1",), ("L1",), "wrong by a factor of 0.80", "to 0.8"),
        (lambda w: w, ("L2",), ("L1",), "says L2, the mains rise on L1", "Correct its legs"),
        (lambda w: w, ("L1",), (), "do not rise with it", "another panel"),
    ],
)
def test_a_fault_of_its_clamp_is_named(tmp_path, reads, legs, on, says, does):
    check = check_house(panel(tmp_path, reads=reads, legs=legs, on=on))
    told = [one for one in check.concerns if one.weight == "wrong"]
    assert [one.subject for one in told] == ["pump"]
    assert says in told[0].what
    assert does in told[0].do


def test_a_clamp_that_ends_is_named(tmp_path):
    check = check_house(panel(tmp_path, reads=lambda w: np.minimum(w, 700)))
    told = [one for one in check.concerns if one.weight != "note" and one.subject == "pump"]
    assert "its clamp seems clipped at 7" in told[0].what
    assert "multiplier to" not in told[0].do


def blocks(seed=1, *, n=4000):
    """Minutes of two loads and of a mains clamp that sees both, and a switched one besides."""
    a, b = drifting(seed, most_w=900, n=n, knot=30), drifting(seed + 1, most_w=600, n=n, knot=30)
    rest = switched(seed, on_w=300, n=n, runs=60, lasts=(3, 40))
    return a, b, (a + b + rest)[None]


def test_noise_of_a_clamp_does_not_make_its_answer_smaller():
    a, b, mains = blocks()
    noisy = a + np.random.default_rng(3).normal(0, 30, a.size)
    found = slow_answers({"a": noisy, "b": b}, mains, ["a"]).answers["a"]
    assert abs(found.ratio[0] - 1) < 0.05
    assert found.u[0] < 0.03


def test_nor_does_noise_that_lasts_for_a_minute():
    a, b, mains = blocks()
    noise = np.random.default_rng(3).normal(0, 30, a.size + 1)
    lasting = (noise[1:] + noise[:-1]) / 2**0.5  # a minute has half of its variance from the last
    found = slow_answers({"a": a + lasting, "b": b}, mains, ["a"]).answers["a"]
    assert abs(found.ratio[0] - 1) < 0.05


def test_a_load_in_two_clamps_is_told_from_two_legs_of_one():
    a, b, mains = blocks()
    shared = slow_answers({"a": a, "both": a + b}, mains, ["a"])
    assert [(pair.circuit, pair.other) for pair in shared.same] == [("a", "both")]
    assert abs(shared.answers["a"].ratio[0] - 1) < 0.05
    legs = slow_answers({"a": a, "other leg": a}, mains + a, ["a"])
    assert not legs.answers
    assert not legs.same
    assert [pair.other for pair in legs.columns] == ["other leg"]


def test_a_clock_that_is_an_hour_late_is_found():
    a, b, mains = blocks()
    late = np.r_[np.full(60, a[0]), a[:-60]]
    assert slow_clocks({"a": late, "b": b}, mains, ["a", "b"], block_s=60)["a"].late_s == 3600


def test_great_loads_an_hour_after_some_uses_are_no_clock():
    own, rest = np.zeros(2880), np.zeros(2880)
    uses = 100 + 300 * np.arange(8)
    for k in range(3):
        own[uses + k] = 1000
        rest[uses + k] = 1000
        rest[uses[:3] + 60 + k] = 3000  # 9000 W an hour later, and 8000 W at the time itself
    assert not slow_clocks({"own": own}, rest[None], ["own"], block_s=60)
    own[:] = np.roll(own, -60)
    assert slow_clocks({"own": own}, rest[None], ["own"], block_s=60)["own"].late_s == -3600


def test_a_load_that_is_constant_at_its_highest_does_not_end():
    a, _, mains = blocks()
    top = np.minimum(a, 500)
    assert slow_end(top, mains[0] - a) is None
    assert slow_end(top, mains[0] - top).level_w == 500


def test_channels_a_sample_apart_are_no_fault(tmp_path):
    rng = np.random.default_rng(5)
    true = {"well": np.zeros(N), "kettle": switched(1, on_w=1500, n=N)}
    for at in rng.uniform(100, N - 700, 60):  # on and off within a sample
        k, part = int(at), at % 1
        true["well"][k : k + 90] = 600
        true["well"][[k, k + 90]] = 600 * (1 - part), 600 * part
    legs_w = {"L1": 80 + np.roll(sum(true.values()), 1)}
    house = make_panel(
        tmp_path,
        readings=true,
        legs_w=legs_w,
        stated={name: {"legs": ("L1",)} for name in true},
        head=HEAD.replace("split-phase", "single-phase"),
    )
    check = check_house(house)
    assert not [one.what for one in check.concerns if one.weight != "note"]
    assert {one.answer for one in check.balance.circuits} == {"agrees"}


def test_two_loads_of_one_timer_are_not_taken_for_each_other(tmp_path):
    rng = np.random.default_rng(6)
    n = 5 * 86_400
    hour = np.arange(n) / 3600 % 24
    on = ((hour > 6) & (hour < 9)) | ((hour > 17) & (hour < 22))
    ramp = np.convolve(on, np.ones(300) / 300, "same")
    fan, pump = 30 + 20 * ramp, 200 + 500 * ramp
    kettle = switched(1, on_w=1500, n=n)
    house = make_panel(
        tmp_path,
        readings={"fan": fan, "pump": pump * rng.normal(1, 0.06, n), "kettle": kettle},
        legs_w={"L1": 80 + fan + pump + kettle},
        stated={name: {"legs": ("L1",)} for name in ("fan", "pump", "kettle")},
        head=HEAD.replace("split-phase", "single-phase"),
    )
    assert not [one.what for one in check_house(house).concerns if one.weight != "note"]
