"""Programmes: runs of one appliance that are alike, and what they may be called."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.cycles.grouping import find_groups
from homeenergy.cycles.result import Cycles
from homeenergy.cycles.shapes import SHORTEST_HEATING_S, run_shapes
from homeenergy.errors import HouseError
from homeenergy.house.kinds import KINDS
from homeenergy.house.schedule import ProgrammeName
from homeenergy.units import S_PER_H, WH_PER_KWH

LEAST_RUNS = 3
# Two runs of one programme differ by so much in any case: the water is colder, the load larger.
# What a person switches is timed less closely than what a machine does. Own rules, the shares
# chosen on simulated makes (seeds 1 to 5).
ALIKE_SHARE_OF_MACHINES, ALIKE_SHARE = 0.05, 0.08
# And by these where they are small.
ALIKE_S, ALIKE_WH, ALIKE_HEATINGS = 10.0, 0.5, 0.15
# An element draws more than this, a motor or a pump less. Common practice, no source.
LEAST_HEATER_W = 500.0
# A name given in house.toml goes to no programme that is further away than this factor, in
# duration and energy together. Own rule.
FURTHEST_NAME = 1.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Programmes:
    """The programmes of one appliance.

    Attributes
    ----------
    table : pandas.DataFrame
        One row a programme, in the order in which they were first seen: name, n, minutes, kwh,
        heatings, high_share (medians of its runs; the energy is what is above standby).
    of_run : pandas.Series of str
        Name of the programme of each run, indexed as `Cycles.table`; None for runs that were not
        seen whole.
    unused : tuple of ProgrammeName
        Names from house.toml that fit none of the programmes found.
    criterion : str
        How the number of programmes was chosen.
    settings : dict
        Every threshold used.
    """

    table: pd.DataFrame
    of_run: pd.Series
    unused: tuple[ProgrammeName, ...]
    criterion: str
    settings: dict[str, float]

    def __len__(self) -> int:
        return len(self.table)

    def __repr__(self) -> str:
        return f"Programmes({', '.join(f'{r.name} x{r.n}' for r in self._rows())})"

    def _rows(self) -> list:
        return list(self.table[["name", "n"]].itertuples(index=False, name="Row"))

    def runs(self, name: str) -> NDArray[np.bool_]:
        """Which rows of `Cycles.table` are runs of a programme, shape (n,).

        Raises
        ------
        HouseError
            If there is no programme of this name; those that are there are listed.
        """
        if name not in set(self.table["name"]):
            there = "; ".join(self.table["name"])
            raise HouseError(f"there is no programme {name!r}", fix=f"Programmes: {there}.")
        return (self.of_run == name).to_numpy(dtype=bool)

    def to_frame(self) -> pd.DataFrame:
        """A copy of `table`."""
        return self.table.copy()

    def _repr_html_(self) -> str:
        return self.table.to_html(index=False)


def find_programmes(cycles: Cycles, *, names: Sequence[ProgrammeName] | None = None) -> Programmes:
    """Group the runs of an appliance into programmes.

    Parameters
    ----------
    cycles : Cycles
        From `find_cycles`. Runs that were not seen whole are left out.
    names : sequence of ProgrammeName, optional
        What a person calls programmes, as `house.schedule.programmes` holds them for one circuit.
        Each goes to the programme whose minutes and kWh are nearest, if near at all.

    Returns
    -------
    Programmes
        Named by what they are ("62 min, 0.31 kWh, 2 heatings") unless a name was given.

    Raises
    ------
    HouseError
        If fewer than 3 runs were seen whole.

    Notes
    -----
    Runs are compared by duration, energy above standby, time at high power and number of heatings,
    on a scale that is logarithmic where they are large and linear where they are small. A unit of
    it is what runs of one programme differ by in any case: 10 s (or one reading) of duration,
    0.5 Wh of energy, 30 s of high power, or, where that is more, 5 % of each for kind "batch" and
    8 % for others. The number of groups is that of
    the mixture of normal distributions with the least Bayesian information criterion, less those
    between which the density has no dip: see `homeenergy.cycles.grouping.find_groups`. So an
    appliance that is used for long and short without a gap between has one programme. The runs of
    one programme may still differ in what cannot be seen in watts: water, clothes, dishes.

    A run to which a person gave a name (`label`, from run_decisions.csv) is of the programme of
    that name, whatever it is like.

    Examples
    --------
    >>> import homeenergy as he
    >>> from homeenergy.cycles import find_programmes
    >>> report = he.import_logs("sample_data/canal_flat")
    >>> house = he.open_house("sample_data/canal_flat")
    >>> cycles = he.find_cycles(house.trace("dishwasher"), "batch")
    >>> find_programmes(cycles).table[["name", "n"]]
                                name   n
    0  118 min, 0.70 kWh, 2 heatings  30
    1  112 min, 1.26 kWh, 2 heatings  35
    """
    whole = cycles.table["complete"].to_numpy(dtype=bool)
    if whole.sum() < LEAST_RUNS:
        raise _too_few(cycles, int(whole.sum()))
    shapes = run_shapes(cycles)
    period_s = cycles.plateaus.period_s
    kind = KINDS[cycles.kind]
    share = ALIKE_SHARE_OF_MACHINES if kind.programmes else ALIKE_SHARE
    group = find_groups(_points(shapes[whole], period_s=period_s, share=share))
    medians = _medians(shapes[whole], group)
    heats = shapes.attrs["high_w"] >= LEAST_HEATER_W and kind.by_hand
    label = _labels(medians, heats=heats and bool((medians["high_share"] < 0.9).any()))
    label, unused = _renamed(label, medians, names or ())
    if "label" in cycles.table:
        said = cycles.table["label"].to_numpy(dtype=object)[whole]
        label, group = _said_of_single_runs(label, group, said)
        medians = _medians(shapes[whole], group)
    of_run = pd.Series(None, index=cycles.table.index, dtype=object, name="programme")
    of_run[whole] = np.array(label, dtype=object)[group]
    table = medians.assign(name=label)[["name", "n", "minutes", "kwh", "heatings", "high_share"]]
    return Programmes(
        table=table,
        of_run=of_run,
        unused=unused,
        criterion="least Bayesian information criterion of a mixture of normal distributions; "
        "parts without a dip between them joined",
        settings={
            "high_w": float(shapes.attrs["high_w"]),
            "alike_share": share,
            "alike_s": max(ALIKE_S, period_s),
            "alike_wh": ALIKE_WH,
            "alike_high_s": max(SHORTEST_HEATING_S, period_s),
        },
    )


def _too_few(cycles: Cycles, whole: int) -> HouseError:
    seen = len(cycles.table)
    cut = f"; {seen - whole} are cut short by the log or by holes in it" if seen > whole else ""
    return HouseError(
        f"{cycles.label}: {whole} of {seen} runs were seen whole{cut}; "
        f"programmes need at least {LEAST_RUNS}",
        fix="Log for longer, or look at single runs with cycles.table.",
    )


def _points(shapes: pd.DataFrame, *, period_s: float, share: float) -> NDArray[np.float64]:
    """Runs as points, in units of what runs of one programme differ by in any case."""
    values = np.column_stack(
        [shapes["duration_s"], shapes["energy_wh"], shapes["high_share"] * shapes["duration_s"]]
    )
    least = [max(ALIKE_S, period_s), ALIKE_WH, max(SHORTEST_HEATING_S, period_s)]
    # A unit is `least` where values are small, and a share of them where they are large.
    scaled = np.arcsinh(share * values / least) / share
    heatings = np.log1p(shapes["heatings"].to_numpy(np.float64)) / ALIKE_HEATINGS
    return np.column_stack([scaled, heatings])


def _medians(shapes: pd.DataFrame, group: NDArray[np.int64]) -> pd.DataFrame:
    by_group = shapes.groupby(group)
    middle = by_group[["energy_wh", "duration_s", "heatings", "high_share"]].median()
    return pd.DataFrame(
        {
            "n": by_group.size(),
            "minutes": middle["duration_s"] / S_PER_H * 60,
            "kwh": middle["energy_wh"] / WH_PER_KWH,
            "heatings": np.rint(middle["heatings"]).astype(np.int64),
            "high_share": middle["high_share"],
        }
    )


def _labels(medians: pd.DataFrame, *, heats: bool) -> list[str]:
    """Names by what programmes are; those that come out alike are numbered."""
    names: list[str] = []
    for minutes, kwh, heatings in medians[["minutes", "kwh", "heatings"]].itertuples(index=False):
        name = f"{_duration_text(minutes)}, {_energy_text(kwh)}"
        if heats:
            count = {0: "no heating", 1: "1 heating"}.get(heatings, f"{heatings} heatings")
            name += f", {count}"
        same = sum(other == name or other.startswith(f"{name} (") for other in names)
        names.append(f"{name} ({same + 1})" if same else name)
    return names


def _duration_text(minutes: float) -> str:
    return f"{minutes * 60:.0f} s" if minutes < 2 else f"{minutes:.0f} min"


def _energy_text(kwh: float) -> str:
    return f"{kwh * WH_PER_KWH:.2g} Wh" if abs(kwh) < 0.01 else f"{kwh:.2f} kWh"


def _renamed(
    labels: list[str], medians: pd.DataFrame, names: Sequence[ProgrammeName]
) -> tuple[list[str], tuple[ProgrammeName, ...]]:
    """Labels with the names that a person gave, nearest first, and the names that fit nothing."""
    away = np.array(
        [
            np.hypot(
                np.log(medians["minutes"].to_numpy() / name.minutes),
                np.log(np.maximum(medians["kwh"].to_numpy(), 1e-9) / name.kwh),
            )
            for name in names
        ]
    ).reshape(len(names), len(labels))
    labels, left = list(labels), set(range(len(names)))
    while left and np.min(away) <= np.log(FURTHEST_NAME):
        name, programme = divmod(int(np.argmin(away)), len(labels))
        labels[programme] = names[name].name
        left.remove(name)
        away[name, :] = away[:, programme] = np.inf
    return labels, tuple(names[k] for k in sorted(left))


def _said_of_single_runs(
    labels: list[str], group: NDArray[np.int64], said: NDArray[np.object_]
) -> tuple[list[str], NDArray[np.int64]]:
    """Labels and groups, runs moved to the names that a person gave them; those left empty go."""
    labels, group = list(labels), group.copy()
    for run in np.flatnonzero(said != ""):
        if said[run] not in labels:
            labels.append(said[run])
        group[run] = labels.index(said[run])
    kept, first = np.unique(group, return_index=True)
    order = kept[np.argsort(first)]
    place = np.empty(len(labels), np.int64)
    place[order] = np.arange(order.size)
    return [labels[k] for k in order], place[group]
