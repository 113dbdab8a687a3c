"""A house played into a broker, recorded from it, and read back."""

import threading
import time

import numpy as np
import pandas as pd
import pytest

from homeenergy.errors import HouseError
from homeenergy.readings import import_logs, open_house
from homeenergy.simulate.play import play, play_to_broker, recording_house
from tests.record.brokers import broker, free_port
from tests.record.houses import Recording

HOUSE = """
name = "Played"
timezone = "Europe/Berlin"

[[circuit]]
name = "fridge"

[[circuit]]
name = "oven"
clamp = { multiplier = 2 }

[[log]]
files = "logs/*.csv"

[log.columns]
fridge = "fridge"
oven = "oven"
"""


def small_house(folder):
    """An hour and 20 minutes at 10 s, the oven measured on one leg of two."""
    (folder / "logs").mkdir(parents=True)
    (folder / "house.toml").write_text(HOUSE)
    times = pd.date_range("2026-01-01", periods=480, freq="10s", tz="UTC")
    watts = np.random.default_rng(5).uniform(0, 100, (480, 2)).round(1)
    frame = pd.DataFrame(watts, columns=["fridge", "oven"], index=times)
    frame.to_csv(folder / "logs" / "a.csv", index_label="time", date_format="%Y-%m-%dT%H:%M:%SZ")
    import_logs(folder)
    return open_house(folder)


def test_what_is_played_is_recorded(tmp_path):
    house, port = small_house(tmp_path / "own"), free_port()
    address = f"127.0.0.1:{port}"
    recording_house(house, tmp_path / "new", address=address)
    with (
        broker(tmp_path, port=port),
        Recording(tmp_path / "new") as running,
    ):
        time.sleep(0.5)
        sent = play_to_broker(house, address, speed=1000, stop=threading.Event())
        running.until(lambda: len(running.readings) == sent)
    assert running.counts["played"].written == sent
    import_logs(tmp_path / "new")
    recorded = open_house(tmp_path / "new")
    for circuit in house.circuits:
        own, other = house.trace(circuit), recorded.trace(circuit.name)
        assert other.start == own.start
        np.testing.assert_allclose(other.watts[: len(own)], own.watts, atol=0.001)


def test_the_pace_is_that_of_the_log(tmp_path):
    house, times = small_house(tmp_path), []
    began = time.monotonic()
    sent = play(
        house, lambda *_: times.append(time.monotonic() - began), speed=600, end="2026-01-01 01:20"
    )
    assert sent == len(times) == 2 * 120
    assert times[-1] == pytest.approx(119 * 10 / 600, abs=0.5)


def test_a_speed_that_cannot_be(tmp_path):
    with pytest.raises(ValueError, match="speed must be above 0, got 0"):
        play(small_house(tmp_path), lambda *_: None, speed=0)


def test_what_has_no_watts_is_not_played(tmp_path):
    small_house(tmp_path)
    text = HOUSE.replace("clamp = { multiplier = 2 }\n", "")
    text = text.replace('files = "logs/*.csv"', 'files = "logs/*.csv"\nquantity = "temperature"')
    (tmp_path / "house.toml").write_text(text)
    import_logs(tmp_path, rebuild=True)
    house = open_house(tmp_path)
    assert play(house, lambda *_: None, speed=1e9) == 0


def test_a_house_that_is_there_is_not_overwritten(tmp_path):
    house = small_house(tmp_path)
    with pytest.raises(HouseError, match="is there already, and is not overwritten"):
        recording_house(house, tmp_path, address="127.0.0.1:1883")
    assert (tmp_path / "house.toml").read_text() == HOUSE


def test_without_a_broker_it_says_what_is_missing(tmp_path):
    small_house(tmp_path)
    import_logs(tmp_path)
    port = free_port()
    with pytest.raises(HouseError, match=f"no broker of MQTT answers at 127.0.0.1:{port}"):
        play_to_broker(open_house(tmp_path), f"127.0.0.1:{port}", speed=60, stop=threading.Event())
