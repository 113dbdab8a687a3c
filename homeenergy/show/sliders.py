"""Sliders beneath a figure: a plain drawing function, drawn again when a slider is let go."""

from __future__ import annotations

from collections.abc import Callable
from html import escape
from io import BytesIO
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from ipywidgets import VBox
    from matplotlib.axes import Axes

DOTS_PER_INCH = 90


def sliders(draw: Callable[..., Axes], **ranges: tuple[float, float, float, float]) -> VBox:
    """Give a figure with a slider for each parameter of the function that draws it.

    Parameters
    ----------
    draw : callable
        Takes the parameters by name and returns the Axes it drew on, of a figure of its own.
    **ranges : (least, greatest, step, first value)
        One for each parameter; the name, with spaces for underscores, is its label.

    Returns
    -------
    ipywidgets.VBox
        Sliders, the figure as a picture, and a line for what goes wrong. The figure is drawn again
        when a slider is let go. Without a running kernel there is nothing to see: call `draw`
        itself for a picture that stays.
    """
    from ipywidgets import HTML, FloatSlider, Image, VBox

    if not ranges:
        raise ValueError("no slider; give a range for at least one parameter")
    boxes: dict[str, Any] = {
        name: FloatSlider(
            value=first,
            min=least,
            max=greatest,
            step=step,
            description=name.replace("_", " "),
            continuous_update=False,
            style={"description_width": "initial"},
        )
        for name, (least, greatest, step, first) in ranges.items()
    }
    picture, message = Image(format="png"), HTML()

    def redraw(_change: object = None) -> None:
        try:
            picture.value = _png(draw(**{name: box.value for name, box in boxes.items()}))
            message.value = ""
        except ValueError as error:
            message.value = f"<b>{escape(str(error))}</b>"

    for box in boxes.values():
        box.observe(redraw, names="value")
    redraw()
    return VBox([*boxes.values(), picture, message])


def _png(ax: Axes) -> bytes:
    import matplotlib.pyplot as plt

    figure, data = ax.get_figure(root=True), BytesIO()
    if figure is None:
        raise ValueError("the function that draws must return Axes on a figure")
    figure.savefig(data, format="png", dpi=DOTS_PER_INCH, bbox_inches="tight")
    # Closed, or every move of a slider would leave a figure behind.
    plt.close(figure)
    return data.getvalue()
