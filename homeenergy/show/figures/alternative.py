"""Figures in words, for those who do not see them: the alternative text of pictures on a page."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Iterator, Sequence
from functools import partial
from html import escape
from io import BytesIO
from struct import unpack

from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.figure import Figure

MOST_WRITTEN = 30  # texts on a figure that are read out
MOST_NAMES = 40
COLOURS = 256
_MINUS = str.maketrans("\N{MINUS SIGN}", "-", ",")


def give_words(ax: Axes) -> None:
    """Let a notebook show the figure of these axes as a picture that has an alternative text.

    JupyterLab gives none to the pictures that matplotlib hands it, so HTML is handed over as well.
    """
    figure = ax.get_figure(root=True)
    if figure is not None:
        figure._repr_html_ = partial(_html, figure)  # type: ignore[method-assign]


def figure_words(figure: Figure) -> str:
    """Say in words what is written on a figure that has been drawn.

    Returns
    -------
    str
        Title, axes with their ranges or names, legend, and other texts, as sentences.
    """
    said = [_sentence(figure.get_suptitle())]
    for ax in figure.axes:
        if ax.get_visible():
            said += _axes_words(ax)
    for legend in figure.legends:
        said.append(_listed("Shown", [text.get_text() for text in legend.get_texts()]))
    return " ".join(["Figure.", *filter(None, said)])


def image_html(alternative: str, *, png: bytes) -> str:
    """Write a picture as HTML, with its alternative text."""
    # With its size, or the page would jump while the picture is decoded.
    width, height = unpack(">II", png[16:24])
    data = b64encode(png).decode("ascii")
    return (
        f'<img src="data:image/png;base64,{data}" alt="{escape(alternative)}" '
        f'width="{width}" height="{height}" style="max-width: 100%; height: auto">'
    )


def fewer_colours(png: bytes) -> bytes:
    """Give a picture at a third of its size, for the notebook that also holds it in full."""
    from PIL import Image

    packed = BytesIO()
    picture = Image.open(BytesIO(png)).convert("RGB")
    picture = picture.quantize(COLOURS, dither=Image.Dither.NONE)
    picture.save(packed, format="png", optimize=True)
    return packed.getvalue()


def _html(figure: Figure) -> str:
    drawn = BytesIO()
    figure.savefig(drawn, format="png", dpi=figure.dpi, bbox_inches="tight")
    return image_html(figure_words(figure), png=fewer_colours(drawn.getvalue()))


def _axes_words(ax: Axes) -> Iterator[str]:
    for side in ("left", "center", "right"):
        yield _sentence(ax.get_title(loc=side))
    if ax.axison:
        yield _axis_words("Across", ax.xaxis)
        yield _axis_words("Up", ax.yaxis)
    legend = ax.get_legend()
    if legend is not None:
        yield _listed("Shown", [text.get_text() for text in legend.get_texts()])
    written = [_plain(text.get_text()) for text in ax.texts if text.get_visible()]
    if len(written) > MOST_WRITTEN and all(map(_is_number, written)):
        written = [f"{len(written)} numbers"]
    yield _listed("Written on it", written)


def _axis_words(direction: str, axis: Axis) -> str:
    """Name an axis, and say from where to where it goes, or what names stand along it."""
    if not axis.get_visible():
        return ""
    ticks = [tick.label1 for tick in axis.get_major_ticks()]
    names = [_plain(tick.get_text()) for tick in ticks if tick.get_visible()]
    names = [name for name in names if name]
    label = _plain(axis.get_label_text())
    if not label and not names:
        return ""
    if all(map(_is_number, names)) or {"time", "hour"} & set(label.split()):
        span = f"{names[0]} to {names[-1]}" if names else ""
    else:
        span = _some(names, MOST_NAMES)
    return f"{direction}: " + ", ".join(filter(None, [label, span])) + "."


def _is_number(text: str) -> bool:
    try:
        float(text.translate(_MINUS).rstrip(" %"))
    except ValueError:
        return False
    return True


def _listed(what: str, texts: Sequence[str]) -> str:
    texts = [text for text in map(_plain, texts) if text]
    return f"{what}: {_some(texts, MOST_WRITTEN)}." if texts else ""


def _some(texts: Sequence[str], most: int) -> str:
    more = [f"and {len(texts) - most} more"] if len(texts) > most else []
    return ", ".join([*texts[:most], *more])


def _sentence(text: str) -> str:
    text = _plain(text)
    return text if not text or text[-1] in ".?!" else f"{text}."


def _plain(text: str) -> str:
    return " ".join(text.split())
