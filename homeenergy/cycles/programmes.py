"""Programmes: groups of similar runs of one appliance, and what they may be called."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from homeenergy.cycles.runs.result import Cycles
from homeenergy.cycles.segment.plateaus import within
from homeenergy.errors import HouseError
from homeenergy.house.kinds import KINDS
from homeenergy.house.schedule import ProgrammeName
from homeenergy.units import S_PER_H, WH_PER_KWH
from homeenergy.words import in_words

MOST_PARTS = 8
MOST_STEPS, LEAST_GAIN = 300, 1e-4  # of a fit, in the mean logarithm of the likelihood
MOST_FOR_START = 1000  # points from which a first guess is made; its memory grows with the square
# Two parts of a mixture are one group unless its density falls between them to less than this
# share of the lower top (Hennig 2010, section 4.2, who suggests 0.2).
DIP = 0.2
POINTS_BETWEEN = 51
# Covariances: one for all parts, one each, or one each without correlations.
FORMS = ("tied", "diag", "full")


def find_groups(points: NDArray[np.float64]) -> NDArray[np.int64]:
    """Number the group of each point.

    Parameters
    ----------
    points : ndarray, shape (n, d)
        In units of what two points of one group may differ by in any case, so that 1 is nothing.

    Returns
    -------
    ndarray of int, shape (n,)
        Groups in the order of their first points. The same whatever the order of the points.

    Notes
    -----
    A mixture of normal distributions is fitted with 1 to 8 parts, whose variances are at least 1,
    and the number with the least Bayesian information criterion is taken (Schwarz 1978). A skewed
    or flat group needs several parts, so parts are joined again unless the density has a dip
    between them: the ridgeline ratio of Hennig 2010. No random numbers: the first guess is a tree
    of least variance (Ward 1963), cut into so many parts. O(n d²) for each step of the fit.
    """
    n = len(points)
    if n < 2 or not np.ptp(points, axis=0).any():
        return np.zeros(n, np.int64)
    order = np.lexsort(points.T[::-1])
    ordered = points[order]
    found = np.empty(n, np.int64)
    found[order] = _groups(ordered)
    _, first, at = np.unique(found, return_index=True, return_inverse=True)
    return np.argsort(np.argsort(first))[at].astype(np.int64)


def _groups(ordered: NDArray[np.float64]) -> NDArray[np.int64]:
    """Group of each point, in any order of groups."""
    n = len(ordered)
    starts = _first_guess(ordered)
    best: tuple[float, _Mixture] | None = None
    for parts, form in product(range(1, min(MOST_PARTS, n) + 1), FORMS):
        model = _fitted(ordered, starts, parts, form)
        if model is None:
            continue
        criterion = _criterion(model, ordered, form)
        if best is None or criterion < best[0]:
            best = criterion, model
    assert best is not None
    model = best[1]
    return _joined(model)[model.log_densities(ordered).argmax(axis=1)]


def _first_guess(ordered: NDArray[np.float64]) -> tuple[NDArray, NDArray]:
    """A sample of the points, and the tree that joins them."""
    from scipy.cluster.hierarchy import ward

    every = -(-len(ordered) // MOST_FOR_START)
    sample = ordered[::every]
    return sample, ward(sample)


def _first_parts(starts: tuple[NDArray, NDArray], parts: int) -> NDArray[np.int64]:
    """Number of the part of each point of the sample: the tree, cut into so many at most."""
    from scipy.cluster.hierarchy import fcluster

    return np.asarray(fcluster(starts[1], parts, criterion="maxclust") - 1, np.int64)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Mixture:
    """Normal distributions: weights (k,), means (k, d), covariances (k, d, d)."""

    weights: NDArray[np.float64]
    means: NDArray[np.float64]
    covariances: NDArray[np.float64]

    def log_densities(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Logarithm of weight times density of each part at each point, shape (n, k)."""
        roots = np.linalg.cholesky(self.covariances)
        away = np.linalg.solve(roots, (points - self.means[:, None]).transpose(0, 2, 1))
        volumes = np.log(np.diagonal(roots, axis1=1, axis2=2)).sum(axis=1)
        own = np.log(self.weights) - volumes - 0.5 * points.shape[1] * np.log(2 * np.pi)
        return np.asarray(own - 0.5 * (away**2).sum(axis=1).T)


def _fitted(
    ordered: NDArray[np.float64], starts: tuple[NDArray, NDArray], parts: int, form: str
) -> _Mixture | None:
    """Fit so many parts by expectation and maximisation (Dempster, Laird & Rubin 1977)."""
    first = _first_parts(starts, parts)
    if first.max() + 1 < parts:
        return None
    model = _parts(starts[0], np.eye(parts)[first], form)
    likelihood = -np.inf
    for _ in range(MOST_STEPS):
        densities = model.log_densities(ordered)
        whole = np.logaddexp.reduce(densities, axis=1)
        before, likelihood = likelihood, float(whole.mean())
        model = _parts(ordered, np.exp(densities - whole[:, None]), form)
        if abs(likelihood - before) < LEAST_GAIN:
            break
    return model


def _parts(points: NDArray[np.float64], shares: NDArray[np.float64], form: str) -> _Mixture:
    """Parts with most likelihood if each point belongs to them by `shares`, shape (n, k)."""
    counts = shares.sum(axis=0) + 10 * np.finfo(np.float64).eps
    means = shares.T @ points / counts[:, None]
    away = points - means[:, None]
    scatter = np.einsum("nk,kni,knj->kij", shares, away, away, optimize=True)
    if form == "tied":
        covariances = np.broadcast_to(scatter.sum(axis=0) / counts.sum(), scatter.shape)
    else:
        covariances = scatter / counts[:, None, None]
    floor = np.eye(points.shape[1])
    covariances = (covariances * floor if form == "diag" else covariances) + floor
    return _Mixture(weights=counts / counts.sum(), means=means, covariances=covariances)


def _criterion(model: _Mixture, points: NDArray[np.float64], form: str) -> float:
    """Bayesian information criterion (Schwarz 1978)."""
    parts, d = model.means.shape
    spreads = {"tied": d * (d + 1) / 2, "diag": parts * d, "full": parts * d * (d + 1) / 2}[form]
    whole = np.logaddexp.reduce(model.log_densities(points), axis=1)
    return float((spreads + parts * d + parts - 1) * np.log(len(points)) - 2 * whole.sum())


def _joined(model: _Mixture) -> NDArray[np.int64]:
    """Group of each part: parts without a dip between them are one."""
    parts = len(model.means)
    precisions = np.asarray(np.linalg.inv(model.covariances), np.float64)
    group = np.arange(parts)
    for i in range(parts):
        for j in range(i):
            line = _ridge(model.means[[i, j]], precisions[[i, j]])
            density = np.logaddexp.reduce(model.log_densities(line), axis=1)
            if density.min() - min(density[0], density[-1]) > np.log(DIP):
                group[group == group[i]] = group[j]
    return group


def _ridge(means: NDArray[np.float64], precisions: NDArray[np.float64]) -> NDArray[np.float64]:
    """Points from one mean to the other along the ridge of two normal parts.

    Ray & Lindsay 2005, equation 4: all tops and saddles of the two lie on it.
    """
    share = np.linspace(0.0, 1.0, POINTS_BETWEEN)[:, None, None]
    sharp = (1 - share) * precisions[0] + share * precisions[1]
    pull = (1 - share[:, 0]) * (precisions[0] @ means[0]) + share[:, 0] * (precisions[1] @ means[1])
    return np.linalg.solve(sharp, pull[:, :, None])[:, :, 0]


# High power is nearer to the level at which most energy is used than to rest.
HIGH_LEVEL, LEVEL_OF_MOST_ENERGY = 0.5, 0.75
# A thermostat's or a valve's break in one heating, and a surge that is none. Own rule.
SHORTEST_BREAK_S, SHORTEST_HEATING_S = 90.0, 30.0


def run_shapes(cycles: Cycles) -> pd.DataFrame:
    """Describe each run by what distinguishes programmes.

    Parameters
    ----------
    cycles : Cycles

    Returns
    -------
    pandas.DataFrame
        Indexed as `cycles.table`: energy_wh (above standby), duration_s, high_share (of the run's
        time at high power, 0 to 1), heatings (stretches at high power; breaks shorter than 90 s
        do not part them). `attrs["high_w"]` is the power that counts as high [W]: half way from
        rest to the level below which three quarters of the energy of all complete runs is used.
    """
    table, plateaus = cycles.table, cycles.plateaus
    sign = -1.0 if cycles.settings.get("backwards") else 1.0
    a = np.searchsorted(plateaus.first, plateaus.numbers(table["start"]))
    b = np.searchsorted(plateaus.stop, plateaus.numbers(table["end"])) + 1
    level_w = sign * plateaus.mean_w
    rest_w = sign * cycles.rest.measured_w
    rest_w = rest_w if np.isfinite(rest_w) else 0.0
    inside = within(a[table["complete"]], b[table["complete"]], len(plateaus))
    high_w = _high_w(level_w[inside], plateaus.n[inside], rest_w=rest_w)
    high = level_w >= high_w
    high_n = np.r_[0, np.cumsum(np.where(high, plateaus.n, 0))]
    all_n = np.r_[0, np.cumsum(plateaus.n)]
    edge_s = plateaus.period_s
    heatings = [
        _heatings(plateaus.first[i:j][high[i:j]], plateaus.stop[i:j][high[i:j]], period_s=edge_s)
        for i, j in zip(a, b, strict=True)
    ]
    shapes = pd.DataFrame(
        {
            "energy_wh": sign * table["above_standby_wh"],
            "duration_s": table["duration_s"],
            "high_share": (high_n[b] - high_n[a]) / np.maximum(all_n[b] - all_n[a], 1),
            "heatings": np.array(heatings, dtype=np.int64),
        },
        index=table.index,
    )
    shapes.attrs["high_w"] = high_w
    return shapes


def _high_w(level_w: np.ndarray, n: np.ndarray, *, rest_w: float) -> float:
    """Power from which on it counts as high [W]; infinite where nothing is above rest."""
    used_wh = np.maximum(level_w - rest_w, 0.0) * n / S_PER_H
    if not used_wh.sum() > 0:
        return float("inf")
    order = np.argsort(level_w, kind="stable")
    upto = np.cumsum(used_wh[order]) / used_wh.sum()
    most_w = level_w[order][np.searchsorted(upto, LEVEL_OF_MOST_ENERGY)]
    return float(rest_w + HIGH_LEVEL * (most_w - rest_w))


def _heatings(first: np.ndarray, stop: np.ndarray, *, period_s: float) -> int:
    """Stretches at high power, from the first and stop samples of the plateaus there."""
    if not first.size:
        return 0
    parts = np.r_[True, (first[1:] - stop[:-1]) * period_s >= SHORTEST_BREAK_S]
    begins = first[parts]
    ends = stop[np.r_[parts[1:], True]]
    return int(np.sum((ends - begins) * period_s >= min(SHORTEST_HEATING_S, period_s * 1.5)))


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
        return in_words(self.table).to_html(index=False)


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
    between which the density has no dip: see `homeenergy.cycles.programmes.find_groups`. So an
    appliance that is used for long and short without a gap between has one programme. The runs of
    one programme may still differ in what cannot be seen in watts: water, clothes, dishes.

    A run to which a person gave a name (`label`, from run_decisions.csv) is of the programme of
    that name, whatever it is like.

    Examples
    --------
    >>> import homeenergy as he
    >>> from homeenergy.cycles.programmes import find_programmes
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
    cut = f"; {seen - whole} start or end in a gap or at an end of the log" if seen > whole else ""
    return HouseError(
        f"{cycles.label}: {whole} of {seen} runs are complete{cut}; "
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
    """Names by what programmes are; those that come out the same are numbered."""
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
