"""What all tests share: sample houses imported once, how often to draw, what goes first."""

from dataclasses import dataclass
from pathlib import Path

import hypothesis
import numpy as np
import pytest
from scipy.stats import binom

SAMPLES = Path(__file__).parents[1] / "sample_data"
BROWSER = "tests/browser/"
CHANCE = 0.001  # of being wrong about a share that lies at its limit

# A machine that is busy is no fault of what is tested.
hypothesis.settings.register_profile(
    "any_machine",
    deadline=None,
    suppress_health_check=[
        hypothesis.HealthCheck.too_slow,
        hypothesis.HealthCheck.function_scoped_fixture,
    ],
)
hypothesis.settings.load_profile("any_machine")


def pytest_collection_modifyitems(items):
    """Files that take long go first, so that no core is left with the last of them.

    First of all those in a browser, which share one, and mostly wait for it.
    """
    long = {item.path for item in items if item.get_closest_marker("slow")}
    long |= {item.path for item in items if item.path.suffix == ".ipynb"}
    items.sort(key=lambda item: (item.path not in long, item.path.parent.name != "browser"))


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config, log):
    """By the file, so that what a file sets up once is set up once; all of the browser in one."""
    from xdist.scheduler import LoadFileScheduling

    class ByFile(LoadFileScheduling):
        def _split_scope(self, nodeid):
            return BROWSER if nodeid.startswith(BROWSER) else super()._split_scope(nodeid)

    return ByFile(config, log)


@pytest.fixture(scope="session", autouse=True)
def imported_sample_houses():
    """Tests read them as `homeenergy findings` leaves them."""
    from homeenergy.readings import import_logs

    for name in ("orchard_house", "canal_flat"):
        import_logs(SAMPLES / name)


@dataclass(frozen=True)
class Draws:
    """How often a statistical test draws: as often as it says in a study, else a tenth of that."""

    many: bool

    def __call__(self, times: int) -> int:
        return times if self.many else times // 10

    def check(self, holds, least: float, most: float = 1.0) -> None:
        """The share of each column lies from `least` to `most`, as far as few draws can tell."""
        n, hits = len(holds), np.sum(holds, axis=0)
        low, high = n * least, n * most
        if not self.many:
            low, high = binom.ppf(CHANCE, n, least), binom.ppf(1 - CHANCE, n, most)
        assert np.all(low <= hits), f"{hits} of {n} hold, and {low:.0f} are the least"
        assert np.all(hits <= high), f"{hits} of {n} hold, and {high:.0f} are the most"


@pytest.fixture(params=["few", pytest.param("many", marks=pytest.mark.study)])
def draws(request) -> Draws:
    """Few draws in the tests that guard a change; in the studies as many as a test says."""
    return Draws(many=request.param == "many")
