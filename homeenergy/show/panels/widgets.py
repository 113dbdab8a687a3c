"""Widgets that panels share, and work done in the background: one thread draws."""

from __future__ import annotations

import asyncio
import threading
import time
from base64 import b64encode
from collections.abc import Callable, Mapping
from html import escape
from io import BytesIO
from typing import Any, TypeVar
from uuid import uuid4

from ipywidgets import HTML, VBox
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from homeenergy.show.figures.style import fewer_colours, figure_words, image_html

DOTS_PER_INCH = 90
WIDTH = "500px"
Range = tuple[float, float, float, float]


def runner() -> Callable[..., None]:
    """Give a function ``run(function, *arguments)`` that calls others in the thread of now.

    A kernel may handle the messages of each widget in a thread of its own, while matplotlib can
    draw in one at a time only. From another thread the call is handed to the loop that runs in the
    thread in which `runner` was called; where none ran, as in a script, it is made at once.
    """
    home = threading.get_ident()
    try:
        loop = asyncio.get_running_loop()
    except RuntimeError:
        loop = None

    def run(function: Callable[..., Any], *arguments: Any) -> None:
        if loop is None or threading.get_ident() == home:
            function(*arguments)
        else:
            loop.call_soon_threadsafe(function, *arguments)

    return run


def debounced(act: Callable[[], None], *, wait_s: float) -> Callable[[], None]:
    """Give a function that calls `act` once, `wait_s` after it was last called itself.

    Where no loop runs, as in a plain script, `act` is called at once.
    """
    waiting: asyncio.TimerHandle | None = None

    def ask() -> None:
        nonlocal waiting
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:
            act()
            return
        if waiting is not None:
            waiting.cancel()
        waiting = loop.call_later(wait_s, act)

    return ask


Found = TypeVar("Found")
Step = Callable[[float, float, str], None]
LEAST_WAIT_S = 0.1  # between two changes of the bar


class Stopped(KeyboardInterrupt):
    """The person stopped the work. No `except Exception` takes it for a fault."""


def in_background(
    work: Callable[[Step], Found],
    *,
    within: VBox,
    done: Callable[[Found], None],
    failed: Callable[[str], None],
    what: str,
) -> None:
    """Do long work in a thread, with a bar that shows how far it is and a button that stops it.

    Parameters
    ----------
    work : callable
        Takes a function ``step(done, total, text)`` and calls it often. It raises `Stopped` once
        the person has pressed the button, so the work must leave things whole when it ends there.
    within : ipywidgets.VBox
        What it holds is replaced by the bar. `done` and `failed` put in what comes then.
    done, failed : callable
        Called, in the notebook's own thread where there is a loop, with the result, or with one
        sentence about what went wrong or that it was stopped.
    what : str
        What is being done.

    Notes
    -----
    The thread never keeps the kernel alive.
    """
    from ipywidgets import HTML, Button, FloatProgress, HBox

    bar = FloatProgress(min=0, max=1, value=0, layout={"width": "240px"})
    text = HTML(escape(what))
    button = Button(description="Stop", tooltip=f"Stop: {what}", icon="stop")
    stop = threading.Event()
    button.on_click(lambda _: stop.set())
    call = runner()
    shown_s = 0.0

    def step(finished: float, total: float, said: str) -> None:
        nonlocal shown_s
        if stop.is_set():
            raise Stopped
        if time.monotonic() - shown_s >= LEAST_WAIT_S:
            shown_s = time.monotonic()
            bar.value = finished / total if total else 0.0
            text.value = f"{escape(what)}: {escape(said)}"

    def run() -> None:
        try:
            result = work(step)
        except KeyboardInterrupt:
            call(failed, f"{what}: stopped. What was done so far is kept.")
        except Exception as error:
            call(failed, sentence(error))
        else:
            call(done, result)

    within.children = [HBox([bar, button, text])]
    threading.Thread(target=run, daemon=True, name=what).start()


def sentence(error: BaseException) -> str:
    """Say in one readable sentence what went wrong."""
    lines = [line.strip() for line in str(error).splitlines() if line.strip()]
    ended = [line if line[-1] in ".:;,!?" else f"{line}." for line in lines[:-1]]
    text = " ".join(" ".join([*ended, *lines[-1:]]).split())
    return text or f"this did not work ({type(error).__name__})"


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
    import matplotlib.pyplot as plt
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
            # Else the thread that handles messages may show and close it while it is drawn.
            with plt.ioff():
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
    fast = {"compress_level": 1}
    figure.savefig(data, format="png", dpi=DOTS_PER_INCH, bbox_inches="tight", pil_kwargs=fast)
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

    def _ipython_display_(self, **kwargs: Any) -> None:
        """Show the widgets, and the picture where none can run, also in a notebook saved before."""
        bundle = self._repr_mimebundle_(**kwargs)
        data, _ = bundle if isinstance(bundle, tuple) else (bundle, {})
        kept = {kind: data[kind] for kind in ("text/html", "image/png") if kind in (data or {})}
        show_with_still(self, kept or {"text/html": ""})

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


def show_with_still(box: VBox, still: Mapping[str, str]) -> None:
    """Show a box of widgets, and what stands in its place where none can run.

    Parameters
    ----------
    box : ipywidgets.VBox
        It hides the copy while it is shown.
    still : mapping of str to str
        The copy, by kind of data; "text/html" among them. A notebook that was saved and is opened
        again shows it, and not a line about a widget that is no more.
    """
    from IPython.display import display
    from ipywidgets import HTML

    place = f"still-{uuid4().hex[:12]}"
    hides = HTML(f'<style id="{place}-live">[data-still="{place}"] {{ display: none; }}</style>')
    hides.layout.display = "contents"
    box.children = (*box.children, hides)
    bundle = VBox._repr_mimebundle_(box)
    data, *_ = bundle if isinstance(bundle, tuple) else (bundle,)
    if data is not None:
        display({**data, "text/plain": " "}, raw=True)
    here = f".jp-OutputArea:has(#{place}):not(:has(#{place}-live))"
    empty = f"{here} .jupyter-widgets:not(:has(*)) {{ display: none; }}"
    html = f'<div id="{place}" data-still="{place}">{still["text/html"]}</div>'
    display({**still, "text/html": f"<style>{empty}</style>{html}"}, raw=True)
