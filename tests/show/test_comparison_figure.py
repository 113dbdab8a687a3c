"""The figure of comparisons: what its bars span, and what says that nothing is shown."""

import numpy as np
import pytest

from homeenergy.findings import compare
from homeenergy.show import plot_comparison

COTTON, QUICK = [0.81, 0.78, 0.85, 0.80], [0.31, 0.29, 0.34, 0.30]
UNLIKE = [0.31, 0.99, 0.34, 0.90]


def markers(ax):
    return [line for line in ax.get_lines() if line.get_marker() in ("o", "s", "D")]


def names(ax):
    return [label.get_text() for label in ax.get_yticklabels()]


def test_both_means_and_their_difference_stand_at_their_values():
    found = compare(COTTON, QUICK, names=("cotton", "quick"))
    ax = plot_comparison(found)
    assert names(ax) == ["cotton", "quick", "difference"]
    at = [line.get_xdata()[0] for line in markers(ax)]
    assert at == pytest.approx([0.81, 0.31, 0.5])
    ends = [line.get_xdata() for line in ax.get_lines() if len(line.get_xdata()) == 2][1:]
    expected = [(e.low, e.high) for e in (found.a, found.b, found.difference)]
    np.testing.assert_allclose(ends, expected)
    assert ax.get_title(loc="left") == "A significant difference"
    assert ax.texts[-1].get_text() == "0.500 (0.454–0.546)"


def test_a_difference_that_is_not_shown_is_empty_and_said_to_be_none():
    ax = plot_comparison(compare(COTTON, UNLIKE, names=("cotton", "quick")))
    assert markers(ax)[-1].get_markerfacecolor() == "white"
    assert ax.get_title(loc="left") == "No significant difference"


def test_of_several_only_differences_are_drawn():
    pairs = [(COTTON, QUICK, "quick"), (COTTON, UNLIKE, "odd")]
    ax = plot_comparison([compare(a, b, names=("cotton", name)) for a, b, name in pairs])
    assert names(ax) == ["cotton less quick", "cotton less odd"]
    faces = [line.get_markerfacecolor() for line in markers(ax)]
    assert faces[0] != "white"
    assert faces[1] == "white"
    assert ax.get_title(loc="left") == "1 of 2 differences are significant"


def test_what_all_names_share_is_said_once():
    pairs = [("oven, weekends", COTTON), ("kettle, weekends", UNLIKE)]
    ax = plot_comparison([compare(a, QUICK, names=(name, "other days")) for name, a in pairs])
    assert names(ax) == ["oven", "kettle"]
    assert ax.get_xlabel() == "weekends less other days (kWh per run)"


def test_nothing_to_draw_is_said():
    with pytest.raises(ValueError, match="nothing to draw"):
        plot_comparison([])
