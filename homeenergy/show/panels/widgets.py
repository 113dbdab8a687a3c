"""A box of widgets that carries a picture of itself, for where no kernel runs."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Callable, Mapping
from html import escape
from io import BytesIO
from typing import Any

from ipywidgets import HTML, VBox
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from homeenergy.show.figures.alternative import fewer_colours, figure_words, image_html
from homeenergy.show.panels.threads import runner

DOTS_PER_INCH = 90
WIDTH = "500px"
Range = tuple[float, float, float, float]


def sliders(
    draw: Callable[..., Axes], /, labels: Mapping[str, str] | None = None, **ranges: Range
) -> VBox:
    """Give a figure with a slider for each parameter of the function that draws it.

    Parameters
    ----------
    draw : callable
        Takes the parameters by name and returns the Axes it drew on, of a figure of its own.
    labels : mapping, optional
        Label of a slider, in plain words and with the unit, by the parameter's name, as
        in {"room_c": "room (°C)"}. Without it the label is the name, with spaces for underscores.
    **ranges : (least, greatest, step, first value)
        One for each parameter.

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
    for name in labels or {}:
        if name not in ranges:
            raise ValueError(f"label for {name!r}, which has no slider; there are {list(ranges)}")
    spoken = {name: name.replace("_", " ") for name in ranges} | dict(labels or {})
    boxes: dict[str, Any] = {
        name: FloatSlider(
            value=first,
            min=least,
            max=greatest,
            step=step,
            description=spoken[name],
            tooltip=f"{spoken[name]}, from {least:g} to {greatest:g}",
            continuous_update=False,
            style={"description_width": "initial"},
            layout={"width": WIDTH, "max_width": "100%"},
        )
        for name, (least, greatest, step, first) in ranges.items()
    }
    picture, message = HTML(), HTML()

    def redraw(_change: object = None) -> None:
        values = {name: box.value for name, box in boxes.items()}
        try:
            figure = _figure(draw(**values))
            png = _png(figure)
            at = ", ".join(f"{spoken[name]} {value:g}" for name, value in values.items())
            words = figure_words(figure).removeprefix("Figure. ")
            picture.value = image_html(f"Figure. {at}. {words}", png=png)
            message.value = ""
        except ValueError as error:
            message.value = f"<b>{escape(str(error))}</b>"

    run = runner()
    for box in boxes.values():
        box.observe(lambda change: run(redraw, change), names="value")
    redraw()
    return VBox([*boxes.values(), picture, message])


def _figure(ax: Axes) -> Figure:
    figure = ax.get_figure(root=True)
    if figure is None:
        raise ValueError("the function that draws must return Axes on a figure")
    return figure


def _png(figure: Figure) -> bytes:
    import matplotlib.pyplot as plt

    data = BytesIO()
    figure.savefig(data, format="png", dpi=DOTS_PER_INCH, bbox_inches="tight")
    # Closed, or every move of a slider would leave a figure behind.
    plt.close(figure)
    return data.getvalue()


# JupyterLab leaves the keys alone where this attribute is set. A style sheet, even an empty one,
# reports when it has become part of the page.
MARK = (
    "this.closest('.jp-OutputArea-output')?.querySelectorAll('select')"
    ".forEach(list => list.setAttribute('data-lm-suppress-shortcuts', 'true'))"
)


def keep_arrow_keys() -> HTML:
    """Give what has to stand among the lists of a panel, below them; it shows nothing."""
    from ipywidgets import HTML

    # Not hidden: what is hidden is not a part of the page that could report.
    return HTML(f'<style onload="{MARK}"></style>', layout={"height": "0", "margin": "0"})


STATIC_DPI = 90


class Pictured(VBox):
    """A VBox whose output also holds a picture, with words for those who do not see it.

    `figure_of` and `words_of` give the figure and the words when the output is made; None where
    there is no picture yet.
    """

    figure_of: Callable[[], Figure] | None = None
    words_of: Callable[[], str] | None = None

    def _repr_mimebundle_(self, **kwargs: Any) -> Any:
        bundle = super()._repr_mimebundle_(**kwargs)
        if self.figure_of is None or bundle is None:
            return bundle
        png = BytesIO()
        self.figure_of().savefig(png, format="png", dpi=STATIC_DPI)
        words = self.words_of() if self.words_of is not None else ""
        bundle["image/png"] = b64encode(png.getvalue()).decode("ascii")
        # JupyterLab leaves the words of a PNG out, and shows this instead.
        bundle["text/html"] = image_html(words, png=fewer_colours(png.getvalue()))
        return bundle, {"image/png": {"alt": words}}
