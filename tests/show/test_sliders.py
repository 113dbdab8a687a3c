"""Figures with sliders, in a kernel that shows and closes figures from another thread meanwhile."""

import re
import threading

import matplotlib.pyplot as plt
import pytest
from matplotlib_inline.backend_inline import flush_figures

from homeenergy.show.panels.widgets import sliders


@pytest.fixture
def inline_backend():
    before = plt.get_backend()
    plt.close("all")  # what other tests left
    plt.switch_backend("module://matplotlib_inline.backend_inline")
    with plt.ion():
        yield
    plt.close("all")
    plt.switch_backend(before)


def draw(level):
    """A figure that takes a while."""
    figure, axes = plt.subplots(1, 3, figsize=(6, 2))
    for ax in axes:
        ax.plot([0, level])
        ax.set_title(f"level {level:g}")
    figure.suptitle("drawn")
    return axes[0]


def test_no_other_thread_touches_a_figure_that_is_drawn(inline_backend, monkeypatch):
    """A kernel calls `flush_figures` in the thread that has handled a message of a widget."""
    shown = []
    monkeypatch.setattr(
        "matplotlib_inline.backend_inline.display", lambda *given, **_: shown.append(given)
    )
    box = sliders(draw, level=(0.0, 5.0, 1.0, 2.0))
    slider, picture, message = box.children
    first = picture.value
    stop = threading.Event()

    def flush():
        while not stop.wait(0.001):
            flush_figures()

    other = threading.Thread(target=flush, daemon=True)
    other.start()
    try:
        for value in (3.0, 4.0, 5.0, 4.0, 3.0, 2.0):
            slider.value = value
            assert re.search(f"level {value:g}", picture.value)
            assert message.value == ""
    finally:
        stop.set()
        other.join()
    assert picture.value == first
    assert shown == []
    assert plt.get_fignums() == []
    assert plt.isinteractive()
