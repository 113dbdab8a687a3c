"""Many houses: the findings of each, by a process of its own, and how they compare."""

from __future__ import annotations

import hashlib
import os
import signal
import sys
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import BrokenExecutor, Executor, ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from itertools import islice
from multiprocessing import get_context, parent_process
from multiprocessing.connection import wait
from pathlib import Path
from threading import Thread
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from homeenergy.errors import HouseError
from homeenergy.files import replacing
from homeenergy.findings.appliance.columns import columns_for
from homeenergy.findings.appliance.table import warning_lines
from homeenergy.readings.store.store import house_fingerprint
from homeenergy.units import DAYS_PER_YEAR
from homeenergy.version import __version__
from homeenergy.words import in_words

# Modified z-score beyond which a value counts as an outlier (Iglewicz & Hoaglin 1993), and 1 / the
# normal 0.75 quantile.
OUTLYING = 3.5
MAD_TO_SD = 1.4826
LEAST_HOUSES = 5  # of an appliance, to say what is usual; own rule
Progress = Callable[[int, int, str], None]
# After about so many houses a process is replaced by a fresh one, so that its memory stays bounded
# whatever the libraries keep. (Not by max_tasks_per_child, with which the pool may hang.)
HOUSES_PER_PROCESS = 50
_RESTS_ON = b"homeenergy:rests_on"


def appliance_summary(table: pd.DataFrame) -> pd.DataFrame:
    """What each kind of appliance uses, over the houses that have one.

    Parameters
    ----------
    table : pandas.DataFrame
        As `Survey.table`.

    Returns
    -------
    pandas.DataFrame
        Index: what people call the appliance, in whatever case. `houses`; for each column of a
        survey (`homeenergy.findings.appliance.columns`: run_kwh, standby_w, kwh_per_day,
        duty_cycle) the median over the houses, and the quarters of them below `_q1` and above
        `_q3`; `standby_unresolved`, houses whose standby is only known to be below a bound. These
        count as the lowest, and where a median or quarter falls on them it is NaN. Sorted by the
        energy of all.
    """
    if not len(table):
        return pd.DataFrame({"houses": []})
    rows = []
    for (_, appliance), group in _alike(table):
        row: dict[str, object] = {"appliance": appliance, "houses": group["house"].nunique()}
        for column in columns_for("survey"):
            name = column.name
            values = group[name].to_numpy(np.float64)
            if column.resolved:
                known = group[column.resolved].to_numpy(bool)
                bounded = ~known & np.isfinite(group[f"{name}_high"])
                values = np.where(bounded, -np.inf, values)
                row[column.unresolved] = int(bounded.sum())
            ends = _quarters(values[~np.isnan(values)])
            row |= dict(zip((name, f"{name}_q1", f"{name}_q3"), ends, strict=True))
        row["all_kwh_per_day"] = float(group["kwh_per_day"].sum())
        rows.append(row)
    summary = pd.DataFrame(rows).sort_values("all_kwh_per_day", ascending=False)
    return summary.set_index("appliance")


def _quarters(values: NDArray[np.float64]) -> list[float]:
    """Median and quarters; NaN where one falls on, or next to, a value that is not known."""
    if not values.size:
        return [float("nan")] * 3
    with np.errstate(invalid="ignore"):
        ends = np.quantile(values, [0.5, 0.25, 0.75])
    return [float(end) if np.isfinite(end) else float("nan") for end in ends]


def unusual(table: pd.DataFrame) -> pd.DataFrame:
    """Appliances that lie far from those of the other houses.

    Returns
    -------
    pandas.DataFrame
        One row a figure: house, house_name (see `house_list`), appliance, figure, value, usual
        (median), score, the greatest score first. The score is the distance from the median in
        robust standard deviations (1.4826 times the median absolute deviation), on a logarithmic
        scale for energies and watts, because those spread by factors; beyond `OUTLYING` it counts
        as an outlier. Appliances of fewer than `LEAST_HOUSES` houses are not judged.
    """
    rows = []
    for (_, appliance), group in _alike(_told_apart(table)) if len(table) else ():
        for column in columns_for("survey"):
            values = group[column.name].to_numpy(np.float64)
            share = column.kind == "share"
            scale = values if share else np.log(np.where(values > 0, values, np.nan))
            there = np.isfinite(scale)
            if there.sum() < LEAST_HOUSES:
                continue
            middle = float(np.median(scale[there]))
            spread = MAD_TO_SD * float(np.median(np.abs(scale[there] - middle)))
            if spread == 0:
                continue
            scores = (scale - middle) / spread
            for i in np.flatnonzero(there & (np.abs(scores) > OUTLYING)):
                of = group.iloc[i]
                rows.append(
                    {
                        "house": of["house"],
                        "house_name": of["house_name"],
                        "appliance": appliance,
                        "figure": f"{column.heading}, share" if share else column.label(),
                        "value": values[i],
                        "usual": float(np.median(values[there])),
                        "score": float(scores[i]),
                    }
                )
    names = ["house", "house_name", "appliance", "figure", "value", "usual", "score"]
    found = pd.DataFrame(rows, columns=names)
    return found.sort_values("score", key=abs, ascending=False, ignore_index=True)


def houses_to_visit(table: pd.DataFrame) -> pd.DataFrame:
    """Houses in the order of the energy that they use beyond what is usual.

    Returns
    -------
    pandas.DataFrame
        One row a house: house, house_name (see `house_list`), beyond_kwh_per_year, most (the
        appliance with the greatest part of it), most_kwh_per_year and flag (see `house_list`;
        flagged houses come last). For each appliance that at least `LEAST_HOUSES`
        houses have, what its interval surely has above the median of all of them counts: the low
        end of kWh a day less that median, if that is above zero (own rule). It says where to look
        first, not what can be saved.
    """
    if not len(table):
        return pd.DataFrame({"house": [], "house_name": [], "beyond_kwh_per_year": []})
    table = _told_apart(table)
    parts = []
    for (_, appliance), group in _alike(table):
        usual = group["kwh_per_day"].median()
        enough = group["kwh_per_day"].notna().sum() >= LEAST_HOUSES
        low = group["kwh_per_day_low"].where(np.isfinite(group["kwh_per_day_low"]))
        above = ((low - usual).clip(lower=0).fillna(0.0) * DAYS_PER_YEAR) if enough else 0.0
        parts.append(group[["house", "house_name"]].assign(appliance=appliance, kwh=above))
    each = pd.concat(parts, ignore_index=True).sort_values("kwh", ascending=False)
    by_house = each.groupby(["house", "house_name"], sort=False)
    found = by_house.agg(
        beyond_kwh_per_year=("kwh", "sum"),
        most=("appliance", "first"),
        most_kwh_per_year=("kwh", "first"),
    ).reset_index()
    found.loc[found["most_kwh_per_year"] == 0, "most"] = ""
    told = table["implausible"] if "implausible" in table else pd.Series("", index=table.index)
    flags = told.fillna("").groupby(table["house"]).first()
    found["flag"] = found["house"].map(flags).astype(str)
    # What cannot be believed is looked at, and never said to be the first in need of a visit.
    found = found.sort_values("beyond_kwh_per_year", ascending=False)
    return found.sort_values("flag", key=lambda flag: flag != "", kind="stable", ignore_index=True)


def house_list(table: pd.DataFrame, failures: pd.DataFrame | None = None) -> pd.DataFrame:
    """All houses, one row each, with what they use in money and what is wrong with them.

    Parameters
    ----------
    table, failures : pandas.DataFrame
        As in `Survey`.

    Returns
    -------
    pandas.DataFrame
        house, house_name (with the folder, where several houses share it), start, end,
        kwh_per_year (taken through the mains, else by all circuits), fed_back_kwh_per_year (through
        the mains), measured ("mains" or "circuits"), currency, cost_per_year (of all circuits that
        take energy; NaN without a tariff), greatest (the appliance that takes most), flag (readings
        that cannot be, or why the house failed; empty where nothing is wrong). Flagged houses come
        last.
    """
    rows: list[dict[str, object]] = []
    for (house, name), group in table.groupby(["house", "house_name"]) if len(table) else ():
        first = group.iloc[0]
        group = group[~(group["kwh_per_day"] < 0)]  # what a house makes is no use of energy
        kwh = group["kwh_per_day"].to_numpy(np.float64)
        net = float(first["mains_kwh_per_day"])
        fed_back = float(first.get("fed_back_kwh_per_day", 0.0))
        own = float(np.nansum(kwh)) if np.isfinite(kwh).any() else float("nan")
        logged = np.isfinite(net)
        cost = group["cost_per_year"] if "cost_per_year" in group else pd.Series(dtype=float)
        rows.append(
            {
                "house": house,
                "house_name": name,
                "start": first["start"],
                "end": first["end"],
                "kwh_per_year": (net + fed_back if logged else own) * DAYS_PER_YEAR,
                "fed_back_kwh_per_year": fed_back * DAYS_PER_YEAR,
                "measured": "mains" if logged else "circuits",
                "currency": first["currency"] or "",
                "cost_per_year": float(cost.sum()) if cost.notna().any() else float("nan"),
                "greatest": group["appliance"].iloc[int(np.nanargmax(kwh))]
                if np.isfinite(kwh).any()
                else "",
                "flag": str(first.get("implausible") or ""),
            }
        )
    for failed in failures.itertuples(index=False) if failures is not None else ():
        folder = str(failed.house)
        reason = failure_text(folder, str(failed.reason))
        rows.append({"house": folder, "house_name": Path(folder).name, "flag": reason})
    names = ["house", "house_name", "start", "end", "kwh_per_year", "fed_back_kwh_per_year"]
    names += ["measured", "currency", "cost_per_year", "greatest", "flag"]
    found = pd.DataFrame(rows, columns=names)
    found["flag"] = found["flag"].fillna("").astype(str)
    found = _told_apart(found)
    found = found.sort_values("kwh_per_year", ascending=False)
    return found.sort_values("flag", key=lambda flag: flag != "", kind="stable", ignore_index=True)


def _told_apart(table: pd.DataFrame) -> pd.DataFrame:
    """The same with the folder after the name of a house, where several houses share it."""
    names = table.drop_duplicates("house").set_index("house")["house_name"].astype(str)
    twice = names.duplicated(keep=False)
    folders = pd.Series([Path(house).name for house in names.index], index=names.index)
    folders[(names + folders).duplicated(keep=False)] = names.index.to_series()
    names = names.where(~twice, names + " (" + folders + ")")
    return table.assign(house_name=table["house"].map(names))


def failure_text(folder: str, reason: str) -> str:
    """Why a house failed, its lines as sentences and its files as seen from its folder."""
    own = reason.removeprefix(f"{folder}: ").replace(f"{folder}/", "")
    lines = [" ".join(line.split()).rstrip(".") for line in own.splitlines() if line.strip()]
    return ". ".join(lines) + "."


def _alike(table: pd.DataFrame) -> list[tuple[tuple[str, str], pd.DataFrame]]:
    """Rows of appliances that go by the same name, with the name as it is written most often."""
    keys = table["appliance"].str.strip().str.casefold()
    return [
        ((str(key), str(group["appliance"].mode().iloc[0])), group)
        for key, group in table.groupby(keys, sort=True)
    ]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Survey:
    """What was found in many houses.

    Attributes
    ----------
    table : pandas.DataFrame
        One row a circuit of a house: `house` (its folder as given), house_name, currency, start,
        end, timezone, language (of its write-up), mains_kwh_per_day, unmeasured_kwh_per_day,
        fed_back_kwh_per_day, then the columns of `Findings.to_frame`.
    failures : pandas.DataFrame
        One row a house that could not be worked on: house, reason.
    unchanged : int
        Houses whose earlier result was kept, because nothing that it rests on had changed.
    """

    table: pd.DataFrame
    failures: pd.DataFrame
    unchanged: int = 0

    def summary(self) -> pd.DataFrame:
        """How the houses compare; see `homeenergy.findings.many.appliance_summary`."""
        return appliance_summary(self.table)

    def unusual(self) -> pd.DataFrame:
        """What lies far from the others; see `homeenergy.findings.many.unusual`."""
        return unusual(self.table)

    def to_visit(self) -> pd.DataFrame:
        """Houses in the order of what a visit may find; see `houses_to_visit`."""
        return houses_to_visit(self.table)

    def houses(self) -> pd.DataFrame:
        """All houses, those that failed as well; see `house_list`."""
        return house_list(self.table, self.failures)

    def to_frame(self) -> pd.DataFrame:
        """A copy of `table`."""
        return self.table.copy()

    def _repr_html_(self) -> str:
        return in_words(self.summary()).to_html()


def find_houses(folder: str | Path) -> list[Path]:
    """Give the folders below `folder`, at any depth, that hold a house.toml, in order of name."""
    found = sorted(path.parent for path in Path(folder).rglob("house.toml"))
    if not found:
        raise HouseError(
            "there is no house.toml in any folder below this one",
            path=folder,
            fix="Give the folder that holds the houses' folders.",
        )
    return found


def survey_houses(
    paths: Iterable[str | Path],
    *,
    executor: Executor | None = None,
    workers: int | None = None,
    keep: str | Path | None = None,
    progress: Progress | None = None,
) -> Survey:
    """Import and work out the findings of many houses, each by itself.

    Parameters
    ----------
    paths : iterable of path
        The houses' folders.
    executor : concurrent.futures.Executor, optional
        What the houses are worked on by: any executor, for instance that of a cluster whose
        machines see the same folders. Default: processes of this computer.
    workers : int, optional
        How many processes, where no executor is given. Default: one for each core.
    keep : path, optional
        Folder in which each house's result is kept as soon as it is there. A survey that was
        interrupted goes on from there; a house is worked out again only if its data, house.toml or
        the version of `homeenergy` have changed.
    progress : callable, optional
        Called with (done, of how many, folder of the house).

    Returns
    -------
    Survey
        A house that fails is among its `failures` with the reason; the others go on. So does a
        house whose process ended abruptly, which is tried again by itself first.

    Raises
    ------
    HouseError
        If two of the paths are one house, or there is none.

    Notes
    -----
    A process works on one house at a time with one thread, and holds the traces of one circuit at a
    time; what it gives back is some kilobytes.

    Examples
    --------
    >>> import tempfile
    >>> from homeenergy.findings import survey_houses
    >>> from homeenergy.simulate import write_street
    >>> survey = survey_houses(write_street(tempfile.mkdtemp(), houses=2, days=3), workers=1)
    >>> survey.table["house_name"].unique().tolist(), len(survey.failures)
    (['Mill Lane 1', 'Mill Lane 2'], 0)
    """
    houses = [Path(path) for path in paths]
    _check_paths(houses)
    kept = {house: _kept_file(keep, house) for house in houses}
    results: dict[Path, pd.DataFrame | str | None] = {}

    def take(house: Path, result: tuple[str, pd.DataFrame] | str | None) -> None:
        if isinstance(result, tuple):
            rests_on, table = result
            if (file := kept[house]) is not None:
                _keep(file, table, rests_on)
            results[house] = table
        else:
            results[house] = result
        if progress:
            progress(len(results), len(houses), str(house))

    work = {house: _rests_on(file) for house, file in kept.items()}
    if executor is not None:
        _run(executor, work, take)
        lost = "its executor broke down while it was worked on"
    else:
        _run_in_processes(work, take, workers=workers or os.cpu_count() or 1)
        lost = "the process that worked on it was ended: too little memory, or killed"
    for house in houses:
        results.setdefault(house, lost)
    return _survey(houses, results, kept)


def _check_paths(houses: Sequence[Path]) -> None:
    if not houses:
        raise HouseError("there are no houses to survey", fix="Give the folders of one or more.")
    seen: dict[Path, Path] = {}
    for house in houses:
        if (twin := seen.setdefault(house.resolve(), house)) is not house:
            raise HouseError(f"{twin} and {house} are the same house", fix="Give each house once.")


def _run(
    executor: Executor,
    work: dict[Path, str | None],
    take: Callable[[Path, tuple[str, pd.DataFrame] | str | None], None],
) -> None:
    """Hand all houses to an executor and take their results, until done or the executor breaks."""
    futures = {}
    try:
        for house, rests_on in work.items():
            futures[executor.submit(work_out, str(house), rests_on)] = house
        for future in as_completed(futures):
            house = futures[future]
            try:
                take(house, future.result())
            except BrokenExecutor:
                raise
            except Exception as error:  # a cluster's own way to say that a machine was lost
                take(house, f"{type(error).__name__}: {error}")
            work.pop(house)
    except BrokenExecutor:
        return
    finally:
        for future in futures:
            future.cancel()


def _run_in_processes(
    work: dict[Path, str | None],
    take: Callable[[Path, tuple[str, pd.DataFrame] | str | None], None],
    *,
    workers: int,
) -> None:
    """Work on all houses in processes, so many at a time that these are replaced now and then.

    Houses in hand when a process is ended are tried again. Where nothing could be finished, each
    of them has a process to itself, so that the house that ends its process is known and costs no
    other.
    """
    while work:
        some = dict(islice(work.items(), HOUSES_PER_PROCESS * workers))
        names = list(some)
        with _processes(min(workers, len(some))) as pool:
            _run(pool, some, take)
        if len(some) == len(names):
            for house in names:
                with _processes(1) as pool:
                    _run(pool, {house: some[house]}, take)
                work.pop(house)
        for house in names:
            if house not in some:
                work.pop(house)


def _processes(workers: int) -> ProcessPoolExecutor:
    # `%reset` in a notebook deletes what starting a process asks for.
    vars(sys.modules["__main__"]).setdefault("__spec__", None)
    # A forked process would inherit locks of this one's threads.
    return ProcessPoolExecutor(
        workers,
        mp_context=get_context("spawn"),
        initializer=prepare_process,
    )


def prepare_process() -> None:
    """Leave the other cores to the other houses, and interruptions to the process that waits.

    A process whose parent has ended, however that was, ends as well.
    """
    pa.set_cpu_count(1)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = parent_process()
    if parent is not None:
        Thread(target=_end_with, args=(parent.sentinel,), daemon=True).start()


def _end_with(sentinel: int) -> None:
    """Wait until the process behind a sentinel is gone, and end this one at once."""
    wait([sentinel])
    os._exit(1)


def work_out(folder: str, rests_on: str | None) -> tuple[str, pd.DataFrame] | str | None:
    """Import one house and give what its findings rest on, and them; or why that cannot be.

    None where they would rest on what an earlier result rests on (`rests_on`).
    """
    from homeenergy.findings.appliance.house import house_findings
    from homeenergy.readings import import_logs, open_house

    try:
        import_logs(folder)
        now = f"{__version__} {house_fingerprint(folder)}"
        if now == rests_on:
            return None
        house = open_house(folder)
        found = house_findings(house, workers=1)
    except (HouseError, OSError) as error:
        return str(error)
    except Exception as error:  # a house that nobody foresaw must not stop the others
        return f"{type(error).__name__}: {error}"
    about: dict[str, Any] = {
        "house_name": found.house_name,
        "currency": found.currency,
        "start": found.start,
        "end": found.end,
        "timezone": str(house.timezone),
        "language": house.schedule.write_up.language,
    }
    about["implausible"] = " ".join(warning_lines(found))
    for name in ("mains_kwh_per_day", "unmeasured_kwh_per_day"):
        estimate = getattr(found, name)
        about[name] = float("nan") if estimate is None else estimate.value
    about["fed_back_kwh_per_day"] = found.fed_back_kwh_per_day
    table = found.to_frame()
    # Houses are compared by what appliances are called, on whatever circuit.
    table["appliance"] = [house.circuit(name).appliance for name in table["circuit"]]
    columns = [*about, *table.columns]
    return now, table.assign(**about)[columns]


def _kept_file(keep: str | Path | None, house: Path) -> Path | None:
    if keep is None:
        return None
    whole = house.resolve()
    place = hashlib.sha256(str(whole).encode()).hexdigest()[:8]
    return Path(keep) / f"{whole.name}-{place}.parquet"


def _rests_on(file: Path | None) -> str | None:
    """What a kept result rests on; None where there is none, or it is damaged."""
    try:
        table = pq.read_table(file, page_checksum_verification=True) if file is not None else None
    except (OSError, pa.ArrowException):
        return None
    metadata = {} if table is None else table.schema.metadata or {}
    return metadata.get(_RESTS_ON, b"").decode(errors="replace") or None


def _keep(file: Path, table: pd.DataFrame, rests_on: str) -> None:
    file.parent.mkdir(parents=True, exist_ok=True)
    whole = pa.Table.from_pandas(table, preserve_index=False)
    whole = whole.replace_schema_metadata(
        {**(whole.schema.metadata or {}), _RESTS_ON: rests_on.encode()}
    )
    with replacing(file, lasting=False) as part:
        pq.write_table(whole, part, write_page_checksum=True)


def _survey(
    houses: Sequence[Path],
    results: dict[Path, pd.DataFrame | str | None],
    kept: dict[Path, Path | None],
) -> Survey:
    tables, failures = [], []
    for house in houses:
        result = results[house]
        if isinstance(result, str):
            failures.append((str(house), result))
            continue
        table = pd.read_parquet(kept[house]) if result is None else result  # type: ignore[arg-type]
        tables.append(table.assign(house=str(house)))
    table = pd.concat(tables, ignore_index=True) if tables else pd.DataFrame()
    if len(table):
        table = table[["house", *(name for name in table if name != "house")]]
    return Survey(
        table=table,
        failures=pd.DataFrame(failures, columns=["house", "reason"]),
        unchanged=sum(result is None for result in results.values()),
    )
