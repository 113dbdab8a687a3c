"""Loads that are switched at once say nothing of each other's clamps."""

import re

import numpy as np
import pytest

from homeenergy.trust import check_house

from .panels import make_panel, switched

N = 2 * 86_400


def two_lamps(folder, a_w, b_w, *, reads_a=1.0, apart=(0, 2), alone=0.0, noise_w=0.5):
    """Lamps a and b on L1 with one switch, b some seconds later and not at a share of times."""
    rng = np.random.default_rng(5)
    a, b = np.zeros(N), np.zeros(N)
    for at in rng.integers(100, N - 4000, 40):
        lasts, (late, off_late) = int(rng.integers(600, 3000)), rng.integers(*apart, size=2)
        a[at : at + lasts] = a_w
        if rng.random() >= alone:
            b[at + late : at + lasts + off_late] = b_w
    kettle, toaster = switched(3, on_w=1500, n=N), switched(4, on_w=900, n=N)
    return make_panel(
        folder,
        readings={"a": reads_a * a, "b": b, "kettle": kettle, "toaster": toaster},
        legs_w={"L1": 80 + a + b + kettle, "L2": 80 + toaster},
        stated={
            name: {"legs": ("L2" if name == "toaster" else "L1",)}
            for name in ("a", "b", "kettle", "toaster")
        },
        noise_w=noise_w,
    )


@pytest.mark.parametrize(
    ("a_w", "b_w", "more"),
    [
        (100, 80, {}),
        (100, 80, {"apart": (2, 3)}),
        (100, 80, {"alone": 0.45}),
        (60, 48, {"noise_w": 4.0}),
        (18, 14, {}),
        (100, 9, {}),
        (100, 9, {"alone": 0.3}),
    ],
)
def test_right_lamps_with_one_switch_are_no_fault(tmp_path, a_w, b_w, more):
    """Else one of them would get a multiplier of (a + b) / a, or a clamp that is shared."""
    found = check_house(two_lamps(tmp_path, a_w, b_w, **more))
    assert [c.what for c in found.concerns if c.weight != "note"] == []
    assert all("its multiplier to" not in c.do for c in found.concerns)


def test_which_of_two_that_are_switched_at_once_is_wrong_is_not_claimed(tmp_path):
    found = check_house(two_lamps(tmp_path, 60, 40, reads_a=1.5))
    assert not found.contradicts
    (said,) = [c.what for c in found.concerns if "switched together" in c.what]
    assert "which cannot be told" in said


def test_a_lamp_that_is_often_alone_is_judged_by_these_steps(tmp_path):
    found = check_house(two_lamps(tmp_path, 100, 80, reads_a=1.5, alone=0.5))
    (wrong,) = [c for c in found.concerns if c.weight == "wrong"]
    assert wrong.subject == "a"
    assert float(re.search(r"multiplier to ([\d.]+),", wrong.do)[1]) == pytest.approx(
        1 / 1.5, rel=0.01
    )
