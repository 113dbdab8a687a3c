"""Circuits of a house on one time axis, to zoom into, step through, measure and save."""

from __future__ import annotations

from collections.abc import Sequence

from ipywidgets import VBox

from homeenergy.readings.house import House
from homeenergy.show.panels.house_panel import offer_import, warning
from homeenergy.show.panels.threads import in_background, sentence

AT_ONCE_SAMPLES = 60_000_000  # so many are summed up in about a second


def trace_viewer(
    house: House,
    circuits: Sequence[str] | None = None,
    *,
    start: object = None,
    end: object = None,
    save_in: str = "saved",
) -> VBox:
    """Look at the circuits of a house, from the whole log down to single samples.

    Parameters
    ----------
    house : House
        Without readings, the viewer offers to import the logs.
    circuits : sequence of str, optional
        Names of those to begin with. Default: the six loads with most energy.
    start, end : timestamp or text, optional
        Where to begin to look: local times of the house, or instants. Default: all of the log.
    save_in : str
        Folder that is proposed for pictures and readings; it is made when something is saved.

    Returns
    -------
    ipywidgets.VBox
        Choose circuits at the left. Drag over the figure to measure what lies between; turn the
        wheel to look closer; use the buttons, or keys while the figure has the focus: arrows move,
        + and - zoom, Home shows all, N and P step from run to run, H to the highest power. Where
        no kernel runs, a picture of the first view is shown instead.

    Notes
    -----
    Each picture is drawn from the least and the greatest reading of every column of the screen,
    which are kept in the store, so no spike is lost and a year is as quick as a day.

    Examples
    --------
    >>> import homeenergy as he
    >>> from homeenergy.show import trace_viewer
    >>> report = he.import_logs("sample_data/canal_flat")
    >>> house = he.open_house("sample_data/canal_flat")
    >>> viewer = trace_viewer(house, ["fridge", "dryer"], start="2026-03-02", end="2026-03-09")
    """
    from ipywidgets import HTML

    from homeenergy.show.panels.widgets import Pictured
    from homeenergy.show.viewer.viewer import Viewer

    frame = Pictured([])

    def show() -> None:
        try:
            viewer = Viewer(house, circuits, start=start, end=end, save_in=save_in)
        except Exception as error:
            say(sentence(error))
            return
        frame.figure_of, frame.words_of = viewer.picture, viewer.words
        frame.children = [viewer.box]

    def say(text: str) -> None:
        frame.children = [HTML(warning(text))]

    def prepare() -> None:
        waiting = sum(info.samples for info, _ in house.overview.unprepared())
        if waiting <= AT_ONCE_SAMPLES:
            show()
            return
        in_background(
            lambda step: house.overview.prepare(progress=step),
            within=frame,
            done=lambda _: show(),
            failed=say,
            what="Aggregating minutes and hours, once",
        )

    if circuits is not None:
        for name in circuits:
            house.circuit(name)
    if house.has_store:
        prepare()
    else:
        frame.children = [offer_import(house, then=prepare)]
    return frame
