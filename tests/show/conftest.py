import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest

from homeenergy.readings import Trace

mpl.use("Agg")


@pytest.fixture(autouse=True)
def closed_figures():
    import matplotlib.pyplot as plt

    before = dict(mpl.rcParams)
    yield
    plt.close("all")
    assert dict(mpl.rcParams) == before, "a figure changed the settings of all others"


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
