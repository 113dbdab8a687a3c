"""Sliders beneath a figure: a plain drawing function, drawn again when a slider is let go."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Callable
from html import escape
from io import BytesIO
from struct import unpack
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from ipywidgets import VBox
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

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
        when a slider is let go. The picture's alternative text gives the sliders' values and what
        is written on the figure. Without a running kernel there is nothing to see: call `draw`
        itself for a picture that stays.
    """
    from ipywidgets import HTML, FloatSlider, VBox

    if not ranges:
        raise ValueError("no slider; give a range for at least one parameter")
    boxes: dict[str, Any] = {
        name: FloatSlider(
            value=first,
            min=least,
            max=greatest,
            step=step,
            description=_label(name),
            tooltip=f"{_label(name)}, from {least:g} to {greatest:g}",
            continuous_update=False,
            style={"description_width": "initial"},
        )
        for name, (least, greatest, step, first) in ranges.items()
    }
    picture, message = HTML(), HTML()

    def redraw(_change: object = None) -> None:
        values = {name: box.value for name, box in boxes.items()}
        try:
            figure = _figure(draw(**values))
            picture.value = _image(_in_words(figure, values), png=_png(figure))
            message.value = ""
        except ValueError as error:
            message.value = f"<b>{escape(str(error))}</b>"

    for box in boxes.values():
        box.observe(redraw, names="value")
    redraw()
    return VBox([*boxes.values(), picture, message])


def _label(name: str) -> str:
    return name.replace("_", " ")


def _figure(ax: Axes) -> Figure:
    figure = ax.get_figure(root=True)
    if figure is None:
        raise ValueError("the function that draws must return Axes on a figure")
    return figure


def _in_words(figure: Figure, values: dict[str, float]) -> str:
    """Say what the sliders are at, and what is written on the figure."""
    said = [", ".join(f"{_label(name)} {value:g}" for name, value in values.items())]
    said.append(figure.get_suptitle())
    for ax in figure.axes:
        said += [ax.get_title(loc=side) for side in ("left", "center", "right")]
        said.append(", ".join(text.get_text() for text in ax.texts))
    return "Figure. " + ". ".join(" ".join(text.split()) for text in said if text.strip())


def _image(alternative: str, *, png: bytes) -> str:
    # With its size, or the page would jump while the picture is decoded.
    width, height = unpack(">II", png[16:24])
    data = b64encode(png).decode("ascii")
    return (
        f'<img src="data:image/png;base64,{data}" alt="{escape(alternative)}" '
        f'width="{width}" height="{height}" style="max-width: 100%; height: auto">'
    )


def _png(figure: Figure) -> bytes:
    import matplotlib.pyplot as plt

    data = BytesIO()
    figure.savefig(data, format="png", dpi=DOTS_PER_INCH, bbox_inches="tight")
    # Closed, or every move of a slider would leave a figure behind.
    plt.close(figure)
    return data.getvalue()
