"""The clamp table of house.toml: dated corrections, and what runs through the clamp."""

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from homeenergy.errors import HouseError
from homeenergy.house.schedule import Correction
from homeenergy.house.toml_file import read_schedule

ZONE = ZoneInfo("America/Denver")


def clamp(folder, text):
    (folder / "house.toml").write_text(
        f'timezone = "{ZONE}"\n[supply]\nsystem = "split-phase"\n'
        f'[[circuit]]\nname = "pump"\nclamp = {{ {text} }}\n'
    )
    return read_schedule(folder).circuits[0].clamp


def test_multipliers_with_dates(tmp_path):
    found = clamp(
        tmp_path,
        "multiplier = [{ value = 2 }, { value = 1, from = 2026-10-25 }, "
        '{ value = -1, from = "2026-11-02 14:30" }]',
    )
    assert found.multiplier == -1
    assert found.corrections == (
        Correction(value=2.0),
        Correction(value=1.0, start=datetime(2026, 10, 25, tzinfo=ZONE)),
        Correction(value=-1.0, start=datetime(2026, 11, 2, 14, 30, tzinfo=ZONE)),
    )


def test_how_a_clamp_sits(tmp_path):
    found = clamp(tmp_path, 'conductors = ["L1", "-L2"], volts_leg = "L2", uncertainty = 0.01')
    assert (found.conductors, found.volts_leg, found.uncertainty) == (("L1", "-L2"), "L2", 0.01)
    assert clamp(tmp_path, 'conductors = ["2*L1"]').conductors == ("2*L1",)


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("multiplier = []", "clamp.multiplier` is an empty list"),
        ("multiplier = [{ value = 0 }]", r"multiplier\[1\].value` must not be 0"),
        ("multiplier = [{ value = 1 }, { value = 2 }]", r"multiplier\[2\].from` is missing"),
        ('multiplier = [{ value = 1, from = "soon" }]', "must be a date or time, got 'soon'"),
        ("multiplier = [{ value = 1, from = 3 }]", "must be a date or time, got 3"),
        ("multiplier = [{ from = 2026-10-25 }]", r"multiplier\[1\].value` is missing"),
        ("multiplier = [{ value = 1, until = 2026-10-25 }]", "until` is not a known key"),
        (
            "multiplier = [{ value = 1, from = 2026-10-25 }, { value = 2, from = 2026-10-25 }]",
            r"multiplier\[2\].from` must be later",
        ),
        ("uncertainty = 2", "must be a share of the multiplier such as 0.02"),
        ("offset_uncertainty_w = -1", "offset_uncertainty_w` must be 0 W or more, got -1"),
        ("compared_at_w = 0", "compared_at_w` must be a number above 0"),
        ('conductors = ["L3"]', r"must list legs \(L1, L2\)"),
        ('conductors = ["L1-L2"]', "got 'L1-L2'"),
        ('volts_leg = "N"', "volts_leg` must be one of"),
    ],
)
def test_what_cannot_be_meant_is_refused(tmp_path, text, match):
    with pytest.raises(HouseError, match=match):
        clamp(tmp_path, text)


def test_uncertainty_and_offset_of_dated_corrections(tmp_path):
    """What a correction does not say itself is as the clamp says."""
    found = clamp(
        tmp_path,
        "multiplier = [{ value = 2, uncertainty = 0.05 }, "
        "{ value = 1, from = 2026-10-25, offset_w = -0.8 }], uncertainty = 0.01, offset_w = 0.3",
    )
    assert [(c.uncertainty, c.offset_w) for c in found.corrections] == [(0.05, 0.3), (0.01, -0.8)]
    assert (found.multiplier, found.uncertainty, found.offset_w) == (1.0, 0.01, -0.8)
    assert clamp(tmp_path, "offset_w = 1.5").offset_w == 1.5
    with pytest.raises(HouseError, match=r"multiplier\[1\].uncertainty` must be a share"):
        clamp(tmp_path, "multiplier = [{ value = 1, uncertainty = 3 }]")
    with pytest.raises(HouseError, match=r"offset_w` must be a number"):
        clamp(tmp_path, 'offset_w = "2 W"')
