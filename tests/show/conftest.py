from datetime import date

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest

from homeenergy.readings import Trace, import_logs
from homeenergy.show.writeup import write_up
from homeenergy.simulate import write_street

mpl.use("Agg")


@pytest.fixture(autouse=True)
def closed_figures():
    import matplotlib.pyplot as plt

    before = dict(mpl.rcParams)
    yield
    plt.close("all")
    assert dict(mpl.rcParams) == before, "a figure changed the settings of all others"


@pytest.fixture(scope="session")
def street(tmp_path_factory):
    """One house with mains, tariff, bench and meter, logged for sixteen days."""
    folder = write_street(tmp_path_factory.mktemp("street"), houses=1, days=16, seed=11)[0]
    import_logs(folder)
    return folder


@pytest.fixture(scope="session")
def technical(street):
    """Its technical file, as of 1 March 2026."""
    return write_up(street, edition="technical", written=date(2026, 3, 1))


@pytest.fixture
def make_trace():
    def make(watts, *, start="2026-03-02T00:00Z", period_s=60.0, label="Kettle"):
        return Trace(
            label=label,
            start=pd.Timestamp(start),
            period_s=period_s,
            watts=np.asarray(watts, dtype=np.float32),
        )

    return make
