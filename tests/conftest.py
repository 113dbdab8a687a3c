"""The sample houses, imported once: tests read them as `homeenergy findings` leaves them."""

from pathlib import Path

import pytest

SAMPLES = Path(__file__).parents[1] / "sample_data"


@pytest.fixture(scope="session", autouse=True)
def imported_sample_houses():
    from homeenergy.readings import import_logs

    for name in ("orchard_house", "canal_flat"):
        import_logs(SAMPLES / name)
