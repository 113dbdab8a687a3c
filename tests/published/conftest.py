import numpy as np
import pytest

from homeenergy.cycles import find_cycles
from homeenergy.readings import open_house
from homeenergy.readings.doubt import Doubts

from . import household


@pytest.fixture(scope="module", autouse=True)
def every_reading_counts():
    """Sums are compared with plain ones of all readings: twelve lone spikes, seven equal hours."""
    none = Doubts(
        first=np.empty(0, np.int64), stop=np.empty(0, np.int64), reason=np.empty(0, np.uint8)
    )
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("homeenergy.readings.house.stored_doubts", lambda *_: none)
        yield


@pytest.fixture(scope="session")
def csv_path():
    return household.csv_path()


@pytest.fixture(scope="session")
def plain(csv_path):
    return household.plain_frame(csv_path)


@pytest.fixture(scope="session")
def house(csv_path, tmp_path_factory):
    folder = tmp_path_factory.mktemp("household") / "house"
    return open_house(household.build_house(folder, csv_path))


@pytest.fixture(scope="session")
def apparent_house(csv_path, tmp_path_factory):
    folder = tmp_path_factory.mktemp("household") / "apparent"
    return open_house(household.build_apparent_house(folder, csv_path))


@pytest.fixture(scope="session")
def heater_cycles(house):
    return find_cycles(house.trace("water_heater"))
