"""What a document rests on, and the record that says so."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cached_property
from importlib.metadata import PackageNotFoundError, version
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axis import Axis
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.ticker import Formatter

from homeenergy.findings.appliance.house import house_findings
from homeenergy.findings.appliance.record import RETURNED_SHARE, ApplianceFinding
from homeenergy.findings.appliance.table import Findings
from homeenergy.findings.bill import averaged_over_seasons
from homeenergy.house.tariff import Tariff
from homeenergy.readings.house import House
from homeenergy.readings.outdoor import read_outdoor
from homeenergy.readings.store.store import house_hashes
from homeenergy.show.document.blocks import Picture, Table
from homeenergy.show.document.files import read_record
from homeenergy.show.writeup.rewording import axes_reworded
from homeenergy.show.writeup.wording import NONE_FOR_SMALL, SIGNS, Wording
from homeenergy.stats.estimate import Estimate
from homeenergy.trust import check_house
from homeenergy.trust.check import HouseCheck
from homeenergy.trust.concern import Implausible, held_out
from homeenergy.version import __version__

Progress = Callable[[int, int, str], None]
LIBRARIES = ("numpy", "pandas", "numba", "scipy", "scikit-learn", "matplotlib")
HEX_DIGITS = 16  # of a hash that are kept


@dataclass(frozen=True, kw_only=True, eq=False)
class Basis:
    """A house with its findings, its check, and outdoor temperatures where there are any.

    `house` pays the prices that hold on the last day of its log, `past` those that held; both are
    the same where prices did not change. `prices_from` is the day of that change. `reword` gives
    what is written in figures in the language of the document, if that is not English.
    """

    house: House
    past: House
    findings: Findings
    check: HouseCheck
    outdoor: pd.Series | None = None
    prices_from: date | None = None
    reword: Callable[[str], str] | None = None

    @property
    def zone(self) -> str:
        """Name of the house's time zone."""
        return str(self.house.timezone)

    @property
    def measured(self) -> tuple[ApplianceFinding, ...]:
        """Findings of circuits that have readings."""
        return tuple(f for f in self.findings.appliances if f.days)

    @cached_property
    def days(self) -> float:
        """Days from the first to the last reading."""
        return (self.findings.end - self.findings.start) / pd.Timedelta(days=1)

    @cached_property
    def quality(self) -> pd.DataFrame:
        """How good the readings of each circuit are."""
        return self.house.quality()

    def share_of_house(self, finding: ApplianceFinding) -> float:
        """Share of the energy of the mains, or where they are not logged of all circuits.

        NaN where a circuit feeds power back: energies of either sign have no shares.
        """
        mains = self.findings.mains_kwh_per_day
        every = [f.kwh_per_day.value for f in self.measured]
        total = sum(every) if mains is None else mains.value
        both_ways = min(every) < -RETURNED_SHARE * max(map(abs, every))
        return finding.kwh_per_day.value / total if total > 0 and not both_ways else float("nan")

    def local(self, instant: pd.Timestamp) -> pd.Timestamp:
        """An instant in the house's own time."""
        return instant.tz_convert(self.zone)


def make_basis(house: House, *, progress: Progress | None = None) -> Basis:
    """Find what each appliance uses, and check the house."""
    past, prices_from = house, None
    if house.tariff is not None:
        house, prices_from = _at_prices_of_a_year(house, house.tariff)
    findings = house_findings(house, progress=progress)
    return Basis(
        house=house.without(held_out(findings.implausible)),
        past=past.without(held_out(findings.implausible)),
        prices_from=prices_from,
        findings=findings,
        check=check_house(house, implausible=findings.implausible),
        outdoor=read_outdoor(house) if (house.path / "outdoor.csv").is_file() else None,
    )


def _at_prices_of_a_year(house: House, tariff: Tariff) -> tuple[House, date | None]:
    """The house with the prices of its last day, averaged over seasons, and their first day.

    A year like the days measured, and what an action saves in it, are paid at the prices of today,
    and of all seasons.
    """
    seasonal = any(p.seasons for one in tariff.versions for p in one.periods)
    if not (tariff.changes or seasonal):
        return house, None
    logged = [c for c in house.circuits if house.has_readings(c)]
    months = [one for c in logged for one in house.stored_months(c)[0] if one.samples]
    if not months:
        return house, None
    start_ns = min(one.first_slot * one.period_ns for one in months)
    end_ns = max((one.first_slot + one.samples) * one.period_ns for one in months)
    start = pd.Timestamp(start_ns, tz="UTC")
    last = pd.Timestamp(end_ns - 1, tz="UTC").tz_convert(house.timezone).date()
    begun = [change.start for change in tariff.changes if change.start <= last]
    now = averaged_over_seasons(tariff.on(last), start, timezone=house.timezone)
    schedule = replace(house.schedule, tariff=now)
    return House(schedule, held_out=house.held_out), max(begun, default=None)


def spans_zero(estimate: Estimate) -> bool:
    """Whether an interval allows for nothing at all, or the other sign."""
    return not estimate.low > 0 and not estimate.high < 0


def for_author(text: str) -> bool:
    """Whether a sentence says what to write in house.toml, or which command to give."""
    return "house.toml" in text or "homeenergy" in text


DOTS_PER_INCH = 150
WIDTH_IN = 7.6
MOST_PLACES = 4  # of the numbers of an axis


def picture(
    draw: Callable[[Any], object],
    *,
    caption: str,
    alternative: str,
    height_in: float,
    widths: tuple[float, ...] = (1.0,),
    reword: Callable[[str], str] | None = None,
) -> Picture:
    """Draw a figure: `draw` gets the Axes, or a list of them where there are several `widths`.

    `reword` is applied to what is written in it.
    """
    figure = Figure(figsize=(WIDTH_IN, height_in), layout="constrained")
    axes = list(figure.subplots(1, len(widths), squeeze=False, width_ratios=widths)[0])
    draw(axes if len(widths) > 1 else axes[0])
    if reword is not None:
        axes_reworded(figure, reword)
    file = BytesIO()
    FigureCanvasAgg(figure)
    figure.savefig(file, format="png", dpi=DOTS_PER_INCH, metadata={"Software": None})
    return Picture(image=file.getvalue(), caption=caption, alternative=alternative)


def even_ticks(axis: Axis, words: Wording) -> None:
    """Write the numbers of an axis with as many decimals as the finest of them needs."""
    axis.set_major_formatter(_EvenTicks(words))


class _EvenTicks(Formatter):
    """Writes all ticks of an axis at once, as often as matplotlib lays the axis out."""

    def __init__(self, words: Wording) -> None:
        self.words = words

    def __call__(self, value: float, _pos: int | None = None) -> str:
        return self.format_ticks([value])[0]

    def format_ticks(self, values: Sequence[float]) -> list[str]:
        at = np.asarray(values, np.float64)
        places = next((n for n in range(MOST_PLACES) if np.allclose(at, at.round(n))), MOST_PLACES)
        return [self.words.number(value, places) for value in at.tolist()]


def grid(
    columns: Mapping[str, Callable[[object], str]],
    records: Sequence[object],
    *,
    caption: str,
    text: Sequence[str] = (),
    sheet: str = "",
    data: pd.DataFrame | None = None,
) -> Table:
    """Make a table with a row a record.

    Parameters
    ----------
    columns : mapping
        Heading, and what it shows of a record.
    records : sequence
    caption : str
    text : sequence of str
        Headings of columns that are words, aligned to the left; the others are numbers.
    sheet, data
        As in `Table`.
    """
    return Table(
        head=tuple(columns),
        rows=tuple(tuple(show(record) for show in columns.values()) for record in records),
        caption=caption,
        numeric=frozenset(i for i, name in enumerate(columns) if name not in text),
        sheet=sheet,
        data=data,
    )


def amount(value: float, currency: str, *, places: int | None = None) -> str:
    """Write an amount of money: "$1,234", "€0.31", "CHF 12".

    Whole units from 100 on, or with as many `places` as are asked for.
    """
    if not math.isfinite(value):
        return "not known"
    if places is None:
        places = 0 if abs(value) >= 100 or currency in NONE_FOR_SMALL else 2
    text = f"{abs(round(value, places)):,.{places}f}"
    minus = "-" if round(value, places) < 0 else ""
    sign = SIGNS.get(currency)
    return f"{minus}{sign}{text}" if sign else f"{currency} {minus}{text}"


def money_text(estimate: Estimate | None) -> str:
    """Write an estimate of money with its interval: "$168 (112 to 223)"."""
    if estimate is None:
        return "no tariff"
    currency = estimate.unit
    if not estimate.resolved:
        return f"at most {amount(estimate.high, currency)}"
    if not math.isfinite(estimate.value):
        return "not known"
    half = (estimate.high - estimate.low) / 2
    if not math.isfinite(half):
        return f"{amount(estimate.value, currency)} (interval not known)"
    small = max(abs(estimate.low), abs(estimate.high)) < 10
    places = 2 if small and currency not in NONE_FOR_SMALL else 0
    if half < 10**-places and currency not in NONE_FOR_SMALL:
        places = 2
    low, high = (f"{round(end, places) + 0.0:,.{places}f}" for end in (estimate.low, estimate.high))
    if low == high:
        return amount(estimate.value, currency, places=places)
    return f"{amount(estimate.value, currency, places=places)} ({low} to {high})"


def versions() -> dict[str, str]:
    """Versions of `homeenergy` and of what its figures depend on."""
    found = {"homeenergy": __version__}
    for name in LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            continue
    return found


def make_record(
    house: House, measured: Sequence[ApplianceFinding], implausible: Sequence[Implausible]
) -> dict[str, Any]:
    """Gather what a write-up of a house rests on, in terms that JSON holds."""
    files = file_hashes(house.path)
    return {
        "house": house.name,
        "versions": versions(),
        "settings": {
            f.circuit: {"kind": f.kind, **{k: _plain(v) for k, v in f.cycles.settings.items()}}
            for f in measured
        },
        "held_out": sorted(held_out(implausible)),
        "overruled": overruled(house.path),
        "files": files,
        "fingerprint": fingerprint(files),
    }


def fingerprint(files: dict[str, str]) -> str:
    """One hash for all files."""
    return hashlib.sha256(json.dumps(files).encode()).hexdigest()


def file_hashes(folder: Path) -> dict[str, str]:
    """The first digits of each hash of `house_hashes`."""
    return {name: found[:HEX_DIGITS] for name, found in house_hashes(folder).items()}


def files_of(folder: str | Path, *, before: str | Path | None = None) -> dict[str, str]:
    """Hashes of a folder, and of an earlier one of the same house."""
    earlier = {} if before is None else file_hashes(Path(before))
    return {f"before/{name}": found for name, found in earlier.items()} | file_hashes(Path(folder))


def overruled(folder: Path) -> list[str]:
    """Lines of run_decisions.csv, without its heading."""
    path = folder / "run_decisions.csv"
    if not path.is_file():
        return []
    lines = path.read_text(encoding="utf-8").splitlines()
    return [line for line in lines if line.strip() and not line.startswith("#")][1:]


def _plain(value: Any) -> Any:
    return value if isinstance(value, str | bool | None) else float(value)


def differences(
    path: str | Path,
    folder: str | Path,
    *,
    before: str | Path | None = None,
    words: Wording | None = None,
) -> list[str]:
    """Say what a document was made from that is no longer so.

    Parameters
    ----------
    path : path
        Document that `homeenergy writeup` wrote.
    folder : path
        The house's folder, imported.
    before : path, optional
        The earlier folder, for a document that compares two.
    words : Wording, optional
        In which it is said. Default: English.

    Returns
    -------
    list of str
        Empty where versions and every file are as they were.

    Raises
    ------
    HouseError
        If the document holds no record.
    """
    record = read_record(path)
    say = (Wording(language="en") if words is None else words).say
    if before is None and any(name.startswith("before/") for name in record.get("files", {})):
        return [
            say(
                "this document compares two folders: give the earlier one as well "
                "(homeenergy writeup FOLDER --check FILE --before EARLIER)"
            )
        ]
    then, now = record.get("files", {}), files_of(folder, before=before)
    if then and not any(now.get(name) == known for name, known in then.items()):
        text = "this document was made from no file of this folder: it is about {house}"
        return [say(text, house=record.get("house", ""))]
    made_with, here = record.get("versions", {}), versions()
    found = [
        say(
            "{name} was {then} and is {now}",
            name=name,
            then=version,
            now=here.get(name) or say("not installed"),
        )
        for name, version in made_with.items()
        if here.get(name) != version
    ]
    found += [say("{name} is gone", name=name) for name in then if name not in now]
    found += [say("{name} is new", name=name) for name in now if name not in then]
    changed = (name for name in then if now.get(name, then[name]) != then[name])
    found += [say("{name} has changed", name=name) for name in changed]
    return found
