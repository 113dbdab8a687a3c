"""What each programme of an appliance uses and costs per run."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.cycles.programmes import Programmes, find_programmes
from homeenergy.findings.appliance.house import house_findings
from homeenergy.findings.appliance.record import ApplianceFinding, value_and_interval
from homeenergy.findings.comparison.circuits import refuse_held_out, timezone_of
from homeenergy.findings.cost import mean_price, own_run_costs
from homeenergy.findings.days import local_days
from homeenergy.house.schedule import ProgrammeName
from homeenergy.house.tariff import Tariff
from homeenergy.readings.house import House
from homeenergy.stats.estimate import Estimate, mean_estimate
from homeenergy.stats.means import mean_of_runs
from homeenergy.units import S_PER_H, WH_PER_KWH
from homeenergy.words import in_words


@dataclass(frozen=True, slots=True, kw_only=True)
class ProgrammeUse:
    """What one programme uses per run; `cost` is None without a tariff."""

    name: str
    runs: int
    run_kwh: Estimate
    minutes: Estimate
    cost: Estimate | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ProgrammeUses:
    """What the programmes of an appliance use per run.

    Attributes
    ----------
    appliance : str
    uses : tuple of ProgrammeUse
        The most energy per run first.
    programmes : Programmes
        How runs were grouped.
    """

    appliance: str
    uses: tuple[ProgrammeUse, ...]
    programmes: Programmes

    def to_frame(self) -> pd.DataFrame:
        """One row a programme; intervals as columns ending in `_low` and `_high`."""
        rows = []
        for use in self.uses:
            row: dict[str, object] = {"programme": use.name, "runs": use.runs}
            figures = {"run_kwh": use.run_kwh, "minutes": use.minutes, "cost_per_run": use.cost}
            for name, estimate in figures.items():
                if estimate is not None:
                    row |= {
                        name: estimate.value,
                        f"{name}_low": estimate.low,
                        f"{name}_high": estimate.high,
                    }
            rows.append(row)
        return pd.DataFrame(rows)

    @property
    def currency(self) -> str | None:
        """Of the costs; None where none is known."""
        return next((use.cost.unit for use in self.uses if use.cost is not None), None)

    def cells(self) -> list[list[str]]:
        """Texts of a row a programme: name, runs, energy, minutes; cost, where one is known."""
        rows = []
        for use in self.uses:
            estimates = [use.run_kwh, use.minutes, *([use.cost] if self.currency else [])]
            rows.append([use.name, f"{use.runs:,}", *map(value_and_interval, estimates)])
        return rows

    def to_markdown(self) -> str:
        """A table that a person would paste."""
        head = ["programme", "runs", "kWh per run", "minutes"]
        head += [f"cost per run [{self.currency}]"] if self.currency else []
        rows = [head, ["---", *["---:"] * (len(head) - 1)], *self.cells()]
        lines = ["| " + " | ".join(c.replace("|", "\\|") for c in row) + " |" for row in rows]
        return "\n".join(lines)

    def _repr_html_(self) -> str:
        return in_words(self.to_frame()).to_html(index=False)


def programme_uses(
    finding: ApplianceFinding,
    *,
    tariff: Tariff | None = None,
    names: Sequence[ProgrammeName] = (),
) -> ProgrammeUses:
    """Group the runs of an appliance into programmes, and say what each uses per run.

    Parameters
    ----------
    finding : ApplianceFinding
    tariff : Tariff, optional
        For what runs cost at the prices that held. Default, and under a tariff with steps: the
        appliance's mean price, if it is known.
    names : sequence of ProgrammeName
        What a person calls programmes (`house.schedule.programmes`); those of other circuits are
        passed over.

    Returns
    -------
    ProgrammeUses
        Intervals as in `mean_of_runs`: from the spread between days, with the clamp's uncertainty
        separate.

    Raises
    ------
    HouseError
        If fewer than 3 runs were seen whole.

    Examples
    --------
    >>> import homeenergy as he
    >>> from homeenergy.findings import programme_uses
    >>> report = he.import_logs("sample_data/canal_flat")
    >>> house = he.open_house("sample_data/canal_flat")
    >>> dishwasher = he.house_findings(house, circuits=["dishwasher"]).appliances[0]
    >>> [f"{use.runs} runs, {use.run_kwh.value:.2f} kWh" for use in programme_uses(dishwasher).uses]
    ['35 runs, 1.24 kWh', '30 runs, 0.69 kWh']
    """
    own = [name for name in names if name.circuit == finding.circuit]
    programmes = find_programmes(finding.cycles, names=own)
    costs = _costs(finding, tariff)
    uses = [_use(finding, programmes, name, costs) for name in programmes.table["name"]]
    uses.sort(key=lambda use: -use.run_kwh.value)
    return ProgrammeUses(appliance=finding.appliance, uses=tuple(uses), programmes=programmes)


def named_programme_uses(house: House, circuit: str) -> ProgrammeUses:
    """What each programme of a circuit uses per run, at the tariff and by the names of its house.

    Parameters
    ----------
    house : House
        With its logs imported.
    circuit : str

    Returns
    -------
    ProgrammeUses

    Raises
    ------
    HouseError
        If there is no such circuit, its readings cannot be believed, or fewer than 3 runs were
        seen whole.
    """
    refuse_held_out(house, circuit)
    finding = house_findings(house, circuits=[circuit]).appliances[0]
    return programme_uses(finding, tariff=house.tariff, names=house.schedule.programmes)


def _costs(
    finding: ApplianceFinding, tariff: Tariff | None
) -> tuple[NDArray[np.float64], str] | None:
    """Cost of each run and currency."""
    kwh = finding.cycles.table["energy_wh"].to_numpy(np.float64) / WH_PER_KWH
    cost = own_run_costs(finding, tariff)
    if tariff is not None and cost is not None:
        return cost, tariff.currency
    price = mean_price(finding)
    return None if price is None else (kwh * price[0], price[1])


def _use(
    finding: ApplianceFinding,
    programmes: Programmes,
    name: str,
    costs: tuple[NDArray[np.float64], str] | None,
) -> ProgrammeUse:
    own = programmes.runs(name)
    table = finding.cycles.table[own]
    day = local_days(table["start"], timezone_of(finding))
    kwh = table["energy_wh"].to_numpy(np.float64) / WH_PER_KWH
    hours = float(table["duration_s"].mean()) / S_PER_H
    run_kwh = mean_of_runs(kwh, day)
    clamp = finding.clamp_parts(run_kwh.value, hours=hours)
    words = "; error of the clamp" if clamp else ""
    cost = None
    if costs is not None:
        cost = mean_of_runs(costs[0][own], day, unit=costs[1])
        of_cost = clamp.scaled(cost.value / run_kwh.value if run_kwh.value else 0.0)
        cost = cost.with_parts(of_cost, basis=f"{cost.basis}{words}")
    minutes = table["duration_s"].to_numpy(np.float64) / S_PER_H * 60
    return ProgrammeUse(
        name=name,
        runs=int(own.sum()),
        run_kwh=run_kwh.with_parts(clamp, basis=f"{run_kwh.basis}{words}"),
        minutes=mean_estimate(minutes, unit="min", basis=f"mean of {own.sum()} runs, t interval"),
        cost=cost,
    )
