"""Figures in words: what a notebook's page gives to those who do not see the picture."""

import base64
import html
import io
import re

import matplotlib.pyplot as plt
import numpy as np
import pytest
from PIL import Image

from homeenergy.show.figures.style import MOST_WRITTEN, axes_for, figure_words
from homeenergy.show.panels.widgets import Pictured


@pytest.fixture
def ax():
    ax = axes_for(None, (5, 3))
    yield ax
    plt.close(ax.figure)


def shown(figure):
    """Alternative text, size said, and picture of a figure's HTML."""
    found = re.fullmatch(
        r'<style>\[data-jp-theme-light="false"\] img\[data-figure\] \{ filter: [^<]*</style>'
        r'<img data-figure src="data:image/png;base64,(.+?)" alt="(.*?)" '
        r'width="(\d+)" height="(\d+)" .*>',
        figure._repr_html_(),
    )
    picture = Image.open(io.BytesIO(base64.b64decode(found[1])))
    return html.unescape(found[2]), (int(found[3]), int(found[4])), picture


def test_a_figure_is_handed_to_a_notebook_with_its_words(ax):
    ax.plot([0, 2000], [0, 4], label="kiln & fan")
    ax.set_title('The "kiln"', loc="left")
    ax.set_xlabel("energy\n(kWh)")
    ax.set_ylabel("runs")
    ax.set_yticks([0, 2, 4])
    ax.set_xlim(-500, 2000)
    ax.set_xticks([-500, 0, 2000])
    ax.legend()
    ax.text(1, 1, "here")
    words, size, picture = shown(ax.figure)
    assert words == (
        'Figure. The "kiln". Across: energy (kWh), \N{MINUS SIGN}500 to 2000. Up: runs, 0 to 4. '
        "Shown: kiln & fan. Written on it: here."
    )
    assert size == picture.size
    assert size[0] > 300


def test_the_picture_keeps_its_colours(ax):
    ax.axvspan(0, 1, color="#0072B2")
    ax.set_axis_off()
    _, _, picture = shown(ax.figure)
    middle = picture.convert("RGB").getpixel((picture.width // 2, picture.height // 2))
    assert np.abs(np.subtract(middle, (0x00, 0x72, 0xB2))).max() <= 2


def test_names_along_an_axis_are_read_out_and_times_only_from_first_to_last(ax):
    ax.barh(["Kettle", "Hob"], [1, 2])
    ax.set_xticks([0, 1, 2], ["23:00 Sat", "00:00 Sun", "01:00"])
    ax.set_xlabel("local time (America/Denver)")
    assert shown(ax.figure)[0] == (
        "Figure. Across: local time (America/Denver), 23:00 Sat to 01:00. Up: Kettle, Hob."
    )


def test_what_cannot_be_seen_is_not_read_out(ax):
    ax.set_axis_off()
    ax.text(0, 0, "hidden", visible=False)
    assert figure_words(ax.figure) == "Figure."


def test_many_texts_are_counted(ax):
    ax.set_axis_off()
    for number in range(MOST_WRITTEN + 2):
        ax.text(0, 0, str(number))
    assert figure_words(ax.figure) == f"Figure. Written on it: {MOST_WRITTEN + 2} numbers."
    ax.text(0, 0, "last")
    assert figure_words(ax.figure).endswith("29, and 3 more.")


def test_a_figure_that_was_there_before_gets_words_too():
    figure, (left, right) = plt.subplots(1, 2)
    axes_for(left, (5, 3)).set_title("one")
    right.set_title("two")
    words, _, _ = shown(figure)
    plt.close(figure)
    assert "one." in words
    assert "two." in words


def test_a_panel_hands_over_its_picture_with_words(ax):
    panel = Pictured([])
    panel.figure_of, panel.words_of = lambda: ax.figure, lambda: "Power from <a> to b."
    bundle, metadata = panel._repr_mimebundle_()
    assert "application/vnd.jupyter.widget-view+json" in bundle
    assert 'alt="Power from &lt;a&gt; to b."' in bundle["text/html"]
    assert len(bundle["text/html"]) < len(bundle["image/png"])
    assert metadata["image/png"]["alt"] == "Power from <a> to b."
