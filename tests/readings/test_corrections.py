"""Multipliers that change on a date are applied on reading, to the sample."""

import numpy as np

from homeenergy.readings import open_house

from .folders import frame, iso_csv, make_house, store_bytes

DATED = (
    'clamp = { multiplier = [{ value = 2 }, { value = 1, from = "2026-03-31T23:59:35" }, '
    '{ value = -1, from = "2026-04-01T00:00:10+00:00" }] }'
)


def house_with(folder, line):
    data = frame("2026-03-31T23:59:00", 12)
    make_house(folder, {"a.csv": iso_csv(data)})
    text = (folder / "house.toml").read_text()
    (folder / "house.toml").write_text(text.replace('name = "oven"', f'name = "oven"\n{line}'))
    from homeenergy.readings import import_logs

    import_logs(folder)
    return data["oven"].to_numpy(), open_house(folder)


def test_each_sample_gets_what_is_in_force_when_it_begins(tmp_path):
    raw, house = house_with(tmp_path, DATED)
    # 23:59:30 begins before the change at 23:59:35, 23:59:40 after it; 00:00:10 is the next one's.
    factor = np.array([2, 2, 2, 2, 1, 1, 1, -1, -1, -1, -1, -1])
    np.testing.assert_allclose(house.trace("oven").watts, raw * factor, rtol=1e-6)
    by_month = np.concatenate([trace.watts for trace in house.months("oven")])
    np.testing.assert_array_equal(by_month, house.trace("oven").watts)
    cut = house.trace("oven", start="2026-03-31T23:59:40", end="2026-04-01T00:00:20")
    np.testing.assert_allclose(cut.watts, (raw * factor)[4:8], rtol=1e-6)


def test_the_store_holds_what_was_logged(tmp_path):
    house_with(tmp_path / "dated", DATED)
    house_with(tmp_path / "plain", "")
    assert store_bytes(tmp_path / "dated") == store_bytes(tmp_path / "plain")


def test_before_the_first_date_readings_stay_as_they_are(tmp_path):
    line = 'clamp = { multiplier = [{ value = 3, from = "2026-04-01" }] }'
    raw, house = house_with(tmp_path, line)
    np.testing.assert_allclose(house.trace("oven").watts, raw * np.r_[np.ones(6), np.full(6, 3.0)])


OFFSET = (
    "clamp = { offset_w = 0.5, multiplier = [{ value = 2 }, "
    '{ value = 1, from = "2026-03-31T23:59:35", offset_w = -1.5 }] }'
)


def test_an_offset_is_added_after_the_multiplier_and_never_stored(tmp_path):
    raw, house = house_with(tmp_path / "offset", OFFSET)
    expected = np.r_[2 * raw[:4] + 0.5, raw[4:] - 1.5]
    np.testing.assert_allclose(house.trace("oven").watts, expected, rtol=1e-6)
    by_month = np.concatenate([trace.watts for trace in house.months("oven")])
    np.testing.assert_array_equal(by_month, house.trace("oven").watts)
    house_with(tmp_path / "plain", "")
    assert store_bytes(tmp_path / "offset") == store_bytes(tmp_path / "plain")
