"""Which house the notebooks are about: chosen once, kept in a small file next to them."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from html import escape
from pathlib import Path

from ipywidgets import HTML, Button, Dropdown, HBox, Layout, Text, VBox

from homeenergy.errors import HouseError
from homeenergy.findings import Findings, house_findings
from homeenergy.readings import House, import_logs, open_house
from homeenergy.show.panels.house_panel import warning
from homeenergy.show.panels.widgets import Step, sentence, show_with_still

HOUSE_TOML = "house.toml"
FILE_NAME = "my_house.txt"
SAMPLES = ("orchard_house", "canal_flat")
AT_ONCE_S = 1.0  # what is done sooner shows no bar
LEAST_WAIT_S = 0.2  # between two changes of the bar
# `homeenergy lab` lets a page reach the program it runs in; elsewhere the button does nothing.
RUN_ALL = "window.jupyterapp?.commands.execute('notebook:run-all-cells')"


def choose_house(folder: str | Path, *, notebooks: str | Path = ".") -> Path:
    """Keep the folder of a house as the one that the notebooks are about.

    Parameters
    ----------
    folder : path
        With a house.toml. A leading ~ is the home folder.
    notebooks : path
        Folder of the notebooks, where the choice is kept.

    Returns
    -------
    Path
        The whole path of the house.

    Raises
    ------
    HouseError
        If there is no house.toml.
    """
    whole = Path(str(folder).strip() or "?").expanduser().absolute()
    if not (whole / HOUSE_TOML).is_file():
        raise HouseError(
            f"there is no {HOUSE_TOML}, so this is not the folder of a house",
            path=whole,
            fix=f"To make one of your logs: homeenergy new {folder} --from my_exports/*.csv",
        )
    (Path(notebooks) / FILE_NAME).write_text(f"{whole}\n", encoding="utf-8")
    return whole


def chosen_house(*, notebooks: str | Path = ".") -> Path:
    """Folder of the house that was chosen; the first sample where none was.

    Raises
    ------
    HouseError
        If the chosen folder is a house no more.
    """
    kept = Path(notebooks) / FILE_NAME
    if not kept.is_file():
        return sample_houses(notebooks)[0]
    folder = Path(kept.read_text(encoding="utf-8").strip())
    if not (folder / HOUSE_TOML).is_file():
        raise HouseError(
            f"the house that was chosen is not there: {folder} has no {HOUSE_TOML}",
            path=kept,
            fix="Delete this file for the sample house, or choose again: homeenergy lab FOLDER",
        )
    return folder


def sample_houses(notebooks: str | Path = ".") -> list[Path]:
    """Folders of the sample houses, next to the folder of the notebooks."""
    return [Path(notebooks) / ".." / "sample_data" / name for name in SAMPLES]


def is_sample(house: House) -> bool:
    """Whether a house is one of the invented ones that come with the notebooks."""
    return house.path.name in SAMPLES and house.path.absolute().parent.name == "sample_data"


def my_house(*, notebooks: str | Path = ".") -> House:
    """Open the chosen house, its new logs imported, and show where to choose another.

    Parameters
    ----------
    notebooks : path
        Folder of the notebooks. Default: where this one runs.

    Returns
    -------
    House

    Raises
    ------
    HouseError
        If there is no such house, or its logs cannot be read.
    """
    folder = chosen_house(notebooks=notebooks)
    house = open_house(folder)
    about = "an invented house that came along" if is_sample(house) else f"in {house.path}"
    still = f"This notebook is about <b>{escape(house.name)}</b>, {escape(about)}."
    show_with_still(_chooser(house, Path(notebooks)), {"text/html": f"<p>{still}</p>"})
    with progress_line("Importing the logs") as step:
        import_logs(folder, progress=step)
    return open_house(folder)


def my_findings(house: House) -> Findings:
    """Work out what each appliance uses, with a bar where that takes long.

    Raises
    ------
    HouseError
        As `house_findings`.
    """
    with progress_line("Working out what each appliance uses") as step:
        return house_findings(house, progress=step)


@contextmanager
def progress_line(what: str) -> Iterator[Step]:
    """Show how far some work is, in the cell that waits for it; nothing where it is done at once.

    The cell is stopped as any other, by interrupting the kernel.
    """
    from IPython import display as shown

    began_s = shown_s = time.monotonic()
    handle = None

    def step(done: float, total: float, said: str) -> None:
        nonlocal handle, shown_s
        now_s = time.monotonic()
        if now_s - began_s < AT_ONCE_S or now_s - shown_s < LEAST_WAIT_S:
            return
        shown_s = now_s
        bar = shown.HTML(
            f'<progress max="{total or 1:g}" value="{done:g}" aria-label="{escape(what)}">'
            f"</progress> {escape(what)}: {escape(said)} (to stop: the button ■ above)"
        )
        if handle is None:
            handle = shown.display(bar, display_id=True)
        else:
            handle.update(bar)

    try:
        yield step
    finally:
        if handle is not None:
            handle.update(shown.HTML(""))


def _chooser(house: House, notebooks: Path) -> VBox:
    """Controls that choose another house, with what to do then."""
    others = [house.path.absolute()]
    for near in (*sample_houses(notebooks), *sorted(Path(notebooks).absolute().parent.iterdir())):
        if (near / HOUSE_TOML).is_file() and near.resolve() not in [o.resolve() for o in others]:
            others.append(near.resolve())
    options = [(f"{place.name} ({place.parent.name})", str(place)) for place in others]
    listed = Dropdown(
        description="This is about",
        options=options,
        value=str(others[0]),
        style={"description_width": "initial"},
        layout=Layout(width="330px", max_width="100%"),
    )
    typed = Text(
        placeholder="or the path of another house's folder",
        layout=Layout(width="280px", max_width="100%"),
        continuous_update=False,
    )
    use = Button(description="Use this house everywhere", layout=Layout(width="max-content"))
    said = HTML()

    def take(_: object) -> None:
        try:
            whole = choose_house(typed.value or listed.value, notebooks=notebooks)
            named = open_house(whole).name
        except (ValueError, OSError) as error:
            said.value = warning(sentence(error))
            return
        said.value = (
            f"<span role='status'>From now on every notebook is about <b>{escape(named)}</b>. "
            f'<button onclick="{RUN_ALL}">Run this one again</button> '
            "(the menu <i>Run</i>, <i>Run All Cells</i> does the same).</span>"
        )

    use.on_click(take)
    row = HBox([listed, typed, use], layout=Layout(flex_flow="row wrap", align_items="center"))
    return VBox([row, said])
