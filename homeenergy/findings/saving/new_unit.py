"""What a new unit would save: measured use against what a label says."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from homeenergy.errors import HouseError
from homeenergy.findings.appliance.record import ApplianceFinding
from homeenergy.findings.appliance.wording import estimate_text
from homeenergy.findings.loads.idle import IdleUse, idle_or_use
from homeenergy.findings.saving.saving import (
    Part,
    Saving,
    as_estimate,
    energy_now,
    given_text,
    made_saving,
    need_readings,
)
from homeenergy.findings.year.annual import AnnualEnergy, annual_energy
from homeenergy.stats.estimate import Estimate
from homeenergy.stats.means import ratio_of_days
from homeenergy.units import DAYS_PER_YEAR, H_PER_YEAR, WH_PER_KWH

USES_OF_A_LABEL = 100.0


def replace_unit(
    finding: ApplianceFinding,
    *,
    label_kwh_per_year: float | Estimate | None = None,
    label_kwh_per_100_uses: float | Estimate | None = None,
    new_idle_w: float | None = None,
    annual: AnnualEnergy | None = None,
    price: float | Estimate | None = None,
) -> Saving:
    """What a new unit would save, by what its label says.

    Parameters
    ----------
    finding : ApplianceFinding
        The unit there is.
    label_kwh_per_year : float or Estimate, optional
        Annual energy of the new one as its label states it, idle included [kWh].
    label_kwh_per_100_uses : float or Estimate, optional
        Or what it says of a hundred cycles [kWh]: they are counted as often as this one runs. The
        product information sheet of a washing machine gives kWh per cycle: a hundred times that.
    new_idle_w : float, optional
        What the new one draws between uses [W], with a label for 100 uses. Default: as much as
        this one.
    annual : AnnualEnergy, optional
        What this one takes in a year. Default: `annual_energy(finding)`; with outdoor temperatures
        it knows more of the seasons.
    price : float or Estimate, optional
        What it costs [currency].

    Returns
    -------
    Saving
        Below zero where the new one takes more. The interval allows for seasons that were not
        seen, as `annual_energy` does.

    Raises
    ------
    ValueError
        If not exactly one of the labels is given, or a figure is below zero.
    HouseError
        Without readings, or, with a label for 100 uses, without any run.

    Examples
    --------
    >>> import homeenergy as he
    >>> from homeenergy.findings import replace_unit
    >>> house = he.open_house("sample_data/orchard_house")
    >>> fridge = he.house_findings(house, circuits=["fridge"]).appliances[0]
    >>> saving = replace_unit(fridge, label_kwh_per_year=180, price=900)
    >>> f"{saving.kwh_per_year.value:.0f} kWh, paid back in {saving.payback_years.value:.0f} years"
    '177 kWh, paid back in 34 years'
    """
    if (label_kwh_per_year is None) == (label_kwh_per_100_uses is None):
        raise ValueError("give either label_kwh_per_year or label_kwh_per_100_uses, and not both")
    need_readings(finding)
    lines = []
    if label_kwh_per_year is not None:
        if new_idle_w is not None:
            raise ValueError("new_idle_w goes with label_kwh_per_100_uses; a year holds it already")
        annual = annual_energy(finding) if annual is None else annual
        now = annual.kwh
        lines.append(f"This one takes {estimate_text(now)} a year, as measured.")
        then = as_estimate(label_kwh_per_year, unit="kWh", what="label_kwh_per_year")
        lines.append(
            f"The new one takes {given_text(then)} a year, as its label says of a test: other "
            "rooms, loads and habits take more or less."
        )
        saved = replace(now - then, n=now.n)
        of: Part = "all"
        before = now.value
    else:
        assert label_kwh_per_100_uses is not None
        if annual is not None:
            raise ValueError("annual goes with label_kwh_per_year; uses are counted as they were")
        each = as_estimate(label_kwh_per_100_uses, unit="kWh", what="label_kwh_per_100_uses")
        saved, before, of, more = _by_uses(finding, each, new_idle_w)
        lines += more
    return made_saving(
        finding,
        measure=f"A new unit in place of {finding.appliance}",
        part=of,
        before=before,
        kwh=replace(saved, basis="measured use less what the label says"),
        price=price,
        assumptions=lines,
        annual=annual,
    )


def _by_uses(
    finding: ApplianceFinding, per_100: Estimate, new_idle_w: float | None
) -> tuple[Estimate, float, Part, list[str]]:
    """Saved by a unit whose label is for a hundred uses; what it is a share of; and assumptions."""
    if not len(finding.cycles.table):
        raise HouseError(
            f"{finding.appliance} ({finding.circuit}) was not used in these days, so a label for "
            "100 uses says nothing of it",
            fix="Give label_kwh_per_year, or log for longer.",
        )
    found = idle_or_use(finding)
    per_year = found.uses_per_week.scaled(DAYS_PER_YEAR / 7)
    now = found.use_kwh_per_year
    # What a use takes and how many there are go together: the new use energy goes with the number.
    share = per_100.value / USES_OF_A_LABEL
    per_use = ratio_of_days(
        *(_whole(found, name) for name in ("use_kwh", "starts")), unit="kWh", basis="a use"
    )
    value = now.value - per_year.value * share
    of_days = _of_days(found, share)
    saved = replace(of_days.plus(value - of_days.value), n=now.n)
    saved = saved.with_parts(now.parts.chosen(observed=False))
    saved = saved.with_parts(per_100.parts.scaled(-per_year.value / USES_OF_A_LABEL))
    lines = [
        f"It is used {per_year.value:,.0f} times a year, as in these days, and takes "
        f"{estimate_text(per_use)} a use.",
        f"The new one takes {given_text(per_100.scaled(1 / USES_OF_A_LABEL))} a use, as its "
        "label says of the programme that was tested.",
    ]
    if new_idle_w is None:
        return saved, now.value, "use", [*lines, "Between uses it draws as much as this one."]
    idle_h = found.away_h_per_day * DAYS_PER_YEAR
    new_idle = as_estimate(new_idle_w, unit="W", what="new_idle_w").value * idle_h / WH_PER_KWH
    idle = found.idle_kwh_per_year
    lines.append(f"Between uses it draws {new_idle_w:g} W.")
    before = energy_now(finding)
    middle = idle.value if idle.resolved else before["idle"]
    total = saved.with_parts(idle.parts).plus(middle - new_idle)
    return total, before["idle"] + before["use"], "all", lines


def _whole(found: IdleUse, name: str) -> NDArray[np.float64]:
    days = found.parts[found.parts["whole"]] if found.parts["whole"].any() else found.parts
    return days[name].to_numpy(np.float64)


def _of_days(found: IdleUse, kwh_per_use: float) -> Estimate:
    """Use energy less so much for every use, from how days differ [kWh a year]."""
    off = ratio_of_days(
        _whole(found, "use_kwh") - kwh_per_use * _whole(found, "starts"),
        _whole(found, "covered_h"),
        unit="kW",
        basis="",
    )
    return off.scaled(H_PER_YEAR, unit="kWh")
