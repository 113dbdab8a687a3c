"""A box of widgets that carries a picture of itself, for where no kernel runs."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Callable
from io import BytesIO
from typing import TYPE_CHECKING, Any

from ipywidgets import VBox

from homeenergy.show.alternative import fewer_colours, image_html

if TYPE_CHECKING:
    from matplotlib.figure import Figure

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
