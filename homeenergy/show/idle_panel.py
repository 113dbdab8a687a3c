"""See what appliances take waiting and working, and what switching them off would save."""

from __future__ import annotations

from typing import TYPE_CHECKING

from homeenergy.readings.house import House
from homeenergy.show.house_panel import house_panel

if TYPE_CHECKING:
    from ipywidgets import VBox

    from homeenergy.findings import Findings


def idle_panel(house: House, *, findings: Findings | None = None) -> VBox:
    """See what appliances take waiting, and what being off for part of the day would save.

    Parameters
    ----------
    house : House
        Without readings, the panel offers to import the logs.
    findings : Findings, optional
        As for `compare_panel`.

    Returns
    -------
    ipywidgets.VBox
        One appliance or all, and hours of a day off; the answer as a sentence, a table, a figure
        and what to beware of, with the Python that gives the same and a button that copies it.
        Appliances that have to stay on are told, and why. Where no kernel runs, a picture of the
        first answer stands in its place.

    Examples
    --------
    >>> import homeenergy as he
    >>> from homeenergy.show import idle_panel
    >>> report = he.import_logs("sample_data/canal_flat")
    >>> panel = idle_panel(he.open_house("sample_data/canal_flat"))
    """
    from homeenergy.show.idle_controls import IdlePanel

    return house_panel(house, findings=findings, make=IdlePanel)
