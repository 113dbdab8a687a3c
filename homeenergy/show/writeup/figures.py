"""Figures of a write-up as PNG, the same bytes for the same data."""

from __future__ import annotations

from collections.abc import Callable
from io import BytesIO
from typing import Any

from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from homeenergy.show.document import Picture

DOTS_PER_INCH = 150
WIDTH_IN = 7.6


def picture(
    draw: Callable[[Any], object],
    *,
    caption: str,
    alternative: str,
    height_in: float,
    widths: tuple[float, ...] = (1.0,),
) -> Picture:
    """Draw a figure: `draw` gets the Axes, or a list of them where there are several `widths`."""
    figure = Figure(figsize=(WIDTH_IN, height_in), layout="constrained")
    axes = list(figure.subplots(1, len(widths), squeeze=False, width_ratios=widths)[0])
    draw(axes if len(widths) > 1 else axes[0])
    file = BytesIO()
    FigureCanvasAgg(figure)
    figure.savefig(file, format="png", dpi=DOTS_PER_INCH, metadata={"Software": None})
    return Picture(image=file.getvalue(), caption=caption, alternative=alternative)
