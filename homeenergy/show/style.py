"""How figures look: colours everybody can tell apart, and never colour alone."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from homeenergy.show.alternative import give_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

# Okabe & Ito (2008), "Color universal design". Yellow is left out: too pale for a line on white.
BLACK, BLUE, VERMILION, GREEN = "#000000", "#0072B2", "#D55E00", "#009E73"
PURPLE, ORANGE, SKY = "#CC79A7", "#E69F00", "#56B4E9"
GREY = "#666666"


class Look(NamedTuple):
    """Colour, dash, marker and hatch that belong together."""

    colour: str
    dash: str | tuple[float, tuple[float, ...]]
    marker: str
    hatch: str


LOOKS = (
    Look(BLUE, "solid", "o", "///"),
    Look(VERMILION, (0, (6, 2)), "s", "..."),
    Look(GREEN, (0, (2, 1.2)), "^", "xx"),
    Look(PURPLE, (0, (6, 2, 1.5, 2)), "D", "\\\\\\"),
    Look(ORANGE, (0, (9, 2)), "v", "++"),
    Look(BLACK, (0, (1, 1)), "P", "oo"),
    Look(SKY, (0, (4, 1, 1, 1, 1, 1)), "X", "--"),
)


def axes_for(ax: Axes | None, size_in: tuple[float, float]) -> Axes:
    """Give the axes itself, or new ones on a figure of `size_in` inches."""
    if ax is None:
        import matplotlib.pyplot as plt

        _, ax = plt.subplots(figsize=size_in, layout="constrained")
    ax.spines[["top", "right"]].set_visible(False)
    ax.set_axisbelow(True)
    give_words(ax)
    return ax


def write_beside(ax: Axes, at: float, text: str, *, weight: str = "normal") -> None:
    """Write a note at the right of the axes, at the height `at` of the data."""
    ax.annotate(
        text,
        (1.0, at),
        xycoords=("axes fraction", "data"),
        xytext=(8, 0),
        textcoords="offset points",
        va="center",
        fontsize=9,
        weight=weight,
        annotation_clip=False,
    )
