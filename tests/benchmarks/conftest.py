"""Times mean something only where nothing else runs."""

from pathlib import Path

import pytest

from .year_store import YEAR_CIRCUITS, write_year

HERE = Path(__file__).parent


def pytest_collection_modifyitems(items):
    for item in items:
        if HERE in item.path.parents:
            item.add_marker(pytest.mark.alone)


@pytest.fixture(scope="session")
def year_house(tmp_path_factory):
    """Folder of a house with a year of seconds of three circuits."""
    return write_year(tmp_path_factory.mktemp("year_house"), YEAR_CIRCUITS)
