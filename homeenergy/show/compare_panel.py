"""Compare programmes, appliances and days by picking them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from homeenergy.readings.house import House
from homeenergy.show.house_panel import house_panel

if TYPE_CHECKING:
    from ipywidgets import VBox

    from homeenergy.findings import Findings


def compare_panel(house: House, *, findings: Findings | None = None) -> VBox:
    """Compare programmes, appliances, days and hours by picking them.

    Parameters
    ----------
    house : House
        Without readings, the panel offers to import the logs.
    findings : Findings, optional
        Those of this house, if they are known already. Default: they are worked out once; for a
        house with many readings beside the notebook, with a bar and a button that stops it.

    Returns
    -------
    ipywidgets.VBox
        What to compare, and the answer as a sentence, a table and a figure. Below stands the
        Python that gives the same, with a button that copies it. All controls can be reached with
        the Tab key. Where no kernel runs, a picture of the first answer stands in its place.

    Examples
    --------
    >>> import homeenergy as he
    >>> from homeenergy.show import compare_panel
    >>> report = he.import_logs("sample_data/canal_flat")
    >>> panel = compare_panel(he.open_house("sample_data/canal_flat"))
    """
    from homeenergy.show.compare_controls import ComparePanel

    return house_panel(house, findings=findings, make=ComparePanel)
