"""The sample houses: where they are, copies to work on, and their findings, worked out once."""

import shutil
from functools import cache
from pathlib import Path

from homeenergy.findings import Findings, house_findings
from homeenergy.readings import House, import_logs, open_house

SAMPLES = Path(__file__).parents[1] / "sample_data"


def copied_sample(name: str, folder: Path) -> House:
    """A sample house with a store of its own, copied from the one that is imported once."""
    import_logs(SAMPLES / name)
    shutil.copytree(SAMPLES / name, folder)
    return open_house(folder)


@cache
def sample_findings(name: str) -> Findings:
    """Findings of a sample house as it is, for tests that only look at them."""
    import_logs(SAMPLES / name)
    return house_findings(open_house(SAMPLES / name))
