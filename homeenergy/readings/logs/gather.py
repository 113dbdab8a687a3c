"""From a folder of any files to proposed layouts: one for each way in which they are written."""

from __future__ import annotations

import tempfile
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path, PurePosixPath

import numpy as np

from homeenergy.errors import HouseError
from homeenergy.house.layouts import LogLayout
from homeenergy.house.log_columns import LogColumn
from homeenergy.house.schedule import circuit_names
from homeenergy.readings.logs.columns import NO_UNIT
from homeenergy.readings.logs.dated import with_dates
from homeenergy.readings.logs.describe import describe_files, file_suffix
from homeenergy.readings.logs.families import (
    DATES,
    Family,
    find_families,
    without_numbers,
    words,
)
from homeenergy.readings.logs.labels import same_name
from homeenergy.readings.logs.legend import named_by, read_legend
from homeenergy.readings.logs.pace import A_ROW, find_pace, pace_of_lone
from homeenergy.readings.logs.propose import Description
from homeenergy.readings.logs.repeats import in_longer_periods, repeat
from homeenergy.readings.logs.roles import listed
from homeenergy.readings.logs.rows import find_period_ns
from homeenergy.readings.logs.tables import NoRowsError
from homeenergy.readings.logs.totals import without_totals
from homeenergy.readings.logs.unpack import (
    ARROW,
    COMPRESSED,
    DATABASES,
    JSON,
    SHEETS,
    is_packed,
    refuse_other,
    unpack,
)
from homeenergy.units import NS_PER_S

_LOGS = {".csv", ".txt", ".tsv", ".log", ".dat", ".gz", ".parquet", ".zip", *SHEETS, *JSON}
_LOGS |= {*COMPRESSED, *DATABASES, *ARROW}
_LOOKED_AT = 20  # numbered files of which it is seen whether they follow one another
_NEXT_NS = 86_400 * NS_PER_S
_LONGER = 1.5  # times the pace of another export; own choice
_SEVERAL = 2  # labels in common, which chance does not give
Places = Mapping[Path, PurePosixPath]


@dataclass(frozen=True, slots=True, kw_only=True)
class Gathered:
    """What was found in files of any kind.

    `descriptions` have patterns that start at the folder of the logs; `places` says where in it
    each file belongs; `left_out` why a file is not read.
    """

    descriptions: tuple[Description, ...]
    places: dict[Path, PurePosixPath]
    left_out: dict[str, str]


def find_files(
    given: Sequence[Path], *, unpacked: Path
) -> tuple[dict[Path, PurePosixPath], dict[str, str]]:
    """Files below folders, and what is in spreadsheets and archives.

    Parameters
    ----------
    given : sequence of Path
        Files and folders.
    unpacked : Path
        Folder for what has to be unpacked.

    Returns
    -------
    places : dict
        Where each file is, seen from the folder it comes from.
    left_out : dict
        Names of other files, and why they are left out.

    Raises
    ------
    HouseError
        If a file is not there, or a given file is no log.
    """
    found: dict[Path, PurePosixPath] = {}
    left_out: dict[str, str] = {}
    refused: HouseError | None = None  # these may hold the settings of a program
    for number, one in enumerate(given):
        if not one.exists():
            raise HouseError("there is no such file", path=one)
        inside = sorted(one.rglob("*")) if one.is_dir() else [one]
        houses = {path.parent for path in inside if path.name == "house.toml"}
        for house in sorted(houses):
            left_out[str(house)] = "is a house already: only its logs are read"
        for path in inside:
            if not path.is_file() or path.name.startswith((".", "~$")):
                continue
            if any(_not_its_logs(path, house) for house in houses):
                continue
            place = PurePosixPath(path.relative_to(one).as_posix() if one.is_dir() else path.name)
            if one.is_dir() and path.suffix.lower() not in _LOGS:
                left_out[str(place)] = "its name is not that of a log"
            elif path.stat().st_size and is_packed(path):
                into = unpacked / str(number) / place.with_suffix("")
                try:
                    unpacked_files = unpack(path, into)
                except HouseError as error:
                    if not one.is_dir() or path.suffix.lower() not in (*JSON, *DATABASES):
                        raise
                    refused, left_out[str(place)] = error, error.what
                    continue
                for made in unpacked_files:
                    inner = PurePosixPath(made.relative_to(into).as_posix())
                    one_file = inner.stem == place.stem
                    found[made] = place.parent / (inner if one_file else place.stem / inner)
            else:
                if path.stat().st_size:
                    refuse_other(path)
                dated = with_dates(path, place, unpacked / str(number) / place.parent / "dated")
                found[dated or path] = place
    if not found:
        if refused:
            raise refused
        among = f" among {listed(list(left_out))}" if left_out else ""
        raise HouseError(
            f"no log was found{among}",
            path=given[0] if given else None,
            fix=f"Logs end with {', '.join(sorted(_LOGS))}. A text with a row for each instant may "
            "be renamed to .csv.",
        )
    return found, left_out


def _not_its_logs(path: Path, house: Path) -> bool:
    """Whether a file belongs to a house that was begun before, but is none of its logs."""
    return house in path.parents and (house / "logs") not in path.parents


def gather(places: Places, *, given: Sequence[Path], timezone: str | None) -> Gathered:
    """Describe files of any layouts.

    Parameters
    ----------
    places : dict
        As `find_files` gives it.
    given : sequence of Path
        What a person named: of folders, files that are no logs are left out and said; the name of
        a single folder may be that of its only circuit.
    timezone : str or None

    Raises
    ------
    HouseError
        If no file can be described, or one that a person named cannot.
    """
    described: list[tuple[Family, Description]] = []
    left_out: dict[str, str] = {}
    unread: list[Path] = []
    first: HouseError | None = None
    none: HouseError | None = None
    for family in _joined(find_families(places), timezone):
        try:
            described.append((family, describe_files(family.files, timezone=timezone)))
        except HouseError as error:
            first = first or (None if isinstance(error, NoRowsError) else error)
            none = none or error
            left_out |= {str(places[path]): str(error.what) for path in family.files}
            unread += family.files
    folders = [path for path in given if path.is_dir()]
    if not described or (first is not None and not folders):
        refused = first or none or HouseError("no log was found")
        raise _in_its_place(refused, places, given) from None
    groups: list[list[tuple[Family, Description]]] = []
    if len(described) == len(given) == len(folders) == 1 and not described[0][0].key:
        named = " ".join(words(folders[0].resolve().name))
        described = [(replace(described[0][0], key=named), described[0][1])]
    described, again = _without_longer_periods(described, places)
    described, named_by_list = _by_legend(_with_names(described), unread, places)
    left_out |= again | named_by_list
    for one in described:
        same = next((g for g in groups if all(_alike(other, one[1]) for _, other in g)), None)
        if same is None:
            groups.append([one])
        else:
            same.append(one)
    lone = [group for group in groups if not any(_show_a_step(one) for _, one in group)]
    if 0 < len(lone) < len(groups):
        groups = [group for group in groups if group not in lone]
        alone = [path for group in lone for family, _ in group for path in family.files]
        left_out |= dict.fromkeys((str(places[path]) for path in alone), _SINGLE)
    descriptions: list[Description] = []
    stay: dict[Path, PurePosixPath] = {}
    for number, group in enumerate(groups, start=1):
        folder = f"log_{number}" if len(groups) > 1 else ""
        if folder and len(group) == 1 and len(group[0][1].labels) == 1:
            (folder,) = group[0][1].labels
        description, mine = _merged(group, places, folder=folder)
        descriptions.append(description)
        stay |= mine
    told = without_totals(descriptions)
    return Gathered(descriptions=told, places=stay, left_out=left_out)


_SINGLE = "a single reading, which does not show how long it lasts"


def _show_a_step(described: Description) -> bool:
    """Whether a circuit has readings at two instants, which show how often there is one."""
    return any(find_period_ns(source.times_ns) is not None for source in described.sources)


def _without_longer_periods(
    described: Sequence[tuple[Family, Description]], places: Places
) -> tuple[list[tuple[Family, Description]], dict[str, str]]:
    """Families without those that hold what another does in longer periods, or as energies."""
    out: dict[int, tuple[Family, Family]] = {}
    spans = [one.span_ns for _, one in described]
    paces = [_pace(one) for _, one in described]
    order = sorted(range(len(described)), key=lambda at: paces[at])
    for number, fine in enumerate(order):
        for coarse in order[number + 1 :]:
            (family, one), (longer, two) = described[fine], described[coarse]
            (quick, _), (slow, is_energy) = paces[fine], paces[coarse]
            within = spans[fine][0] - slow <= spans[coarse][0]
            within &= spans[coarse][1] <= spans[fine][1] + slow
            named = [{same_name(label) for label in x.labels.values()} for x in (one, two)]
            other = slow >= _LONGER * quick or (is_energy and not paces[fine][1])
            if fine in out or coarse in out or not (other and within and named[1] <= named[0]):
                continue
            if len(named[1]) < _SEVERAL and len(described) > _SEVERAL:
                continue
            if in_longer_periods((longer.files, two), (family.files, one)):
                out[coarse] = longer, family
    left_out = {
        str(places[path]): f"holds what {places[family.files[0]]} holds, as energy or less often"
        for longer, family in out.values()
        for path in longer.files
    }
    return [one for at, one in enumerate(described) if at not in out], left_out


def _pace(one: Description) -> tuple[float, bool]:
    """How often a row comes, and whether it holds energy: power goes before it."""
    steps = [find_period_ns(source.times_ns) or np.inf for source in one.sources]
    return min(steps), any(column.quantity != "power" for column in one.layout.columns.values())


def _by_legend(
    described: list[tuple[Family, Description]], unread: Sequence[Path], places: Places
) -> tuple[list[tuple[Family, Description]], dict[str, str]]:
    """Descriptions named by a list that lies beside the logs, and what to say of that list."""
    labels = {c: label for _, one in described for c, label in one.labels.items()}
    for path in unread:
        found = named_by(read_legend(path), list(labels.values()))
        if not found:
            continue
        labels = {c: found.get(label, label) for c, label in labels.items()}
        name = dict(zip(labels, circuit_names(labels.values()), strict=True))
        named = [(family, _renamed(one, names=name, labels=labels)) for family, one in described]
        return named, {str(places[path]): f"no log; it names {len(found)} circuits"}
    return described, {}


def _in_its_place(error: HouseError, places: Places, given: Sequence[Path]) -> HouseError:
    """Name a file that was unpacked by its place in what a person gave, not where it is now."""
    path = Path(error.path or "")
    if path not in places or any(path == one or one in path.parents for one in given):
        return error
    place, line, column = str(places[path]), error.line, error.column
    return type(error)(error.what, path=place, line=line, column=column, fix=error.fix)


def describe_any(paths: Sequence[Path], *, timezone: str | None) -> tuple[Description, ...]:
    """Describe files of any layouts, or folders of them, where they are."""
    with tempfile.TemporaryDirectory(prefix="homeenergy-") as unpacked:
        places, _ = find_files(paths, unpacked=Path(unpacked))
        return gather(places, given=paths, timezone=timezone).descriptions


def _joined(families: Sequence[Family], timezone: str | None) -> list[Family]:
    """Families as they are, but those joined that are the numbered parts of one export."""
    numbered: dict[tuple[object, str], list[Family]] = {}
    for family in families:
        numbered.setdefault((family.head, without_numbers(family.key)), []).append(family)
    out: list[Family] = []
    for (_, key), parts in numbered.items():
        files = tuple(path for part in parts for path in part.files)
        # A number that is like a year among others is none.
        dated = all(DATES.search(str(path)) for path in files)
        pieces = [(path,) for path in sorted(files)] if dated else [one.files for one in parts]
        if len(parts) > 1 and _follow_one_another(pieces, timezone):
            out.append(Family(key=key, head=parts[0].head, files=files))
        else:
            out += parts
    return out


def _follow_one_another(pieces: Sequence[tuple[Path, ...]], timezone: str | None) -> bool:
    """Whether each piece begins within a day after the end of another; the first ones decide."""
    few = pieces[:_LOOKED_AT]
    try:
        spans = sorted(describe_files(files, timezone=timezone).span_ns for files in few)
    except HouseError:
        return False
    return all(0 <= begin - end <= _NEXT_NS for (_, end), (begin, _) in pairwise(spans))


def _alike(one: Description, other: Description) -> bool:
    """Whether two families are written alike, so that one [[log]] serves both."""
    again = set(one.labels) & set(other.labels)  # of an export that has another column since
    return _form(one) == _form(other) and (one.layout.layout == "long" or not again)


def _form(one: Description) -> LogLayout:
    """A layout without what may differ between files of one [[log]]."""
    plain = replace(one.layout, files="", missing=())
    if one.on_change:
        plain = replace(plain, period_s=None, hold_s=None, silence_s=-1.0)
    return plain if plain.layout == "long" else replace(plain, columns={})


def _with_names(
    described: Sequence[tuple[Family, Description]],
) -> list[tuple[Family, Description]]:
    """Descriptions whose circuits have names of their own, from their files where needed."""
    described = _named_by_files(described)
    spans = {id(one): one.span_ns for _, one in described}
    having: dict[str, list[tuple[Family, Description]]] = {}
    for family, one in described:
        for label in one.labels.values():
            having.setdefault(label.casefold(), []).append((family, one))
    labels: dict[tuple[int, str], str] = {}
    same: dict[tuple[str, str, int], list[tuple[int, str]]] = {}
    for number, (family, one) in enumerate(described):
        met: Counter[str] = Counter()
        for circuit, label in one.labels.items():
            clash = any(
                _differ(family, one, *other, spans=spans) for other in having[label.casefold()]
            )
            key = family.key if clash or circuit in one.unnamed else ""
            if key:
                label = key if len(one.labels) == 1 else f"{key} {label}"
            labels[number, circuit] = label
            spelled = same_name(label)
            met[spelled] += 1
            same.setdefault((key.casefold(), spelled, met[spelled]), []).append((number, circuit))
    names = circuit_names(labels[places[0]] for places in same.values())
    name = {place: n for n, places in zip(names, same.values(), strict=True) for place in places}
    return [
        (
            family,
            _renamed(
                one,
                names={c: name[number, c] for c in one.labels},
                labels={c: labels[number, c] for c in one.labels},
            ),
        )
        for number, (family, one) in enumerate(described)
    ]


def _named_by_files(
    described: Sequence[tuple[Family, Description]],
) -> list[tuple[Family, Description]]:
    """Descriptions of which those of one circuit take their files' names, as most must."""
    single = [
        (family, one)
        for family, one in described
        if len(one.labels) == 1 and one.layout.layout == "wide" and family.key
    ]
    different = {family.key.casefold() for family, _ in single}
    must = sum(bool(one.unnamed) for _, one in single)
    if 2 * must <= len(single) or len(different) < len(single):
        return list(described)
    taken = {id(one) for _, one in single}
    return [
        (family, replace(one, unnamed=frozenset(one.labels)) if id(one) in taken else one)
        for family, one in described
    ]


def _differ(
    family: Family,
    one: Description,
    other: Family,
    two: Description,
    *,
    spans: Mapping[int, tuple[int, int]],
) -> bool:
    """Whether families that have a label in common mean different circuits by it.

    So they do where their names say different things. Where they have several labels in common,
    or their names differ in numbers alone, other readings at the same times decide.
    """
    if family.key.casefold() == other.key.casefold():
        return False
    in_common = set(one.labels.values()) & set(two.labels.values())
    if without_numbers(family.key) != without_numbers(other.key) and len(in_common) < _SEVERAL:
        return True
    (_, end), (begin, _) = sorted((spans[id(one)], spans[id(two)]))
    if begin >= end:
        return False
    exports = (family.files, one), (other.files, two)
    same = repeat(*exports) or in_longer_periods(*exports) or in_longer_periods(*exports[::-1])
    return not same


def _renamed(
    one: Description, *, names: Mapping[str, str], labels: Mapping[str, str]
) -> Description:
    """A description with other names and labels, by the names that its circuits have now."""
    columns = {names[circuit]: column for circuit, column in one.layout.columns.items()}
    return replace(
        one,
        layout=replace(one.layout, columns=columns),
        labels={names[circuit]: labels[circuit] for circuit in one.labels},
        legs={names[circuit]: legs for circuit, legs in one.legs.items()},
        samples={names[circuit]: some for circuit, some in one.samples.items()},
        doubts={names[circuit]: doubt for circuit, doubt in one.doubts.items()},
        unnamed=frozenset(names[circuit] for circuit in one.unnamed),
        rows=[
            replace(rows, columns={names[c]: values for c, values in rows.columns.items()})
            for rows in one.rows
        ],
    )


def _merged(
    group: list[tuple[Family, Description]], places: Places, *, folder: str
) -> tuple[Description, dict[Path, PurePosixPath]]:
    """One description of families that are written alike, and where their files belong."""
    first = group[0][1]
    several = len(group) > 1 and first.layout.layout == "wide"
    mine: dict[Path, PurePosixPath] = {}
    taken: set[PurePosixPath] = set()
    columns: dict[str, LogColumn] = {}
    for family, one in group:
        inner = next(iter(one.labels)) if several else ""
        for path in family.files:
            name = "_".join(places[path].parts)
            place = PurePosixPath(folder, inner, name)
            while place in taken:
                place = place.with_name(f"_{place.name}")
            mine[path] = place
            taken.add(place)
        files = f"{inner}/*" if several else None
        columns |= {c: replace(column, files=files) for c, column in one.layout.columns.items()}
    suffix = file_suffix(group[0][0].files[0])
    pattern = "/".join(filter(None, ["logs", folder, "*" * several, f"*{suffix}"]))
    missing = {text for _, one in group for text in one.layout.missing}
    merged = Description(
        layout=replace(
            first.layout, files=pattern, columns=columns, missing=tuple(sorted(missing))
        ),
        labels={c: label for _, one in group for c, label in one.labels.items()},
        legs={c: legs for _, one in group for c, legs in one.legs.items()},
        samples={c: some for _, one in group for c, some in one.samples.items()},
        doubts={c: doubt for _, one in group for c, doubt in one.doubts.items()},
        unnamed=frozenset(c for _, one in group for c in one.unnamed),
        rows=[rows for _, one in group for rows in one.rows],
        remarks=tuple(dict.fromkeys(remark for _, one in group for remark in one.remarks)),
    )
    paces = [remark for remark in merged.remarks if remark.startswith(A_ROW)]
    if len(paces) > 1:
        every = sorted({float(pace.removeprefix(A_ROW).split()[0]) for pace in paces})
        said = f"{A_ROW}{', '.join(f'{seconds:g}' for seconds in every)} s"
        kept = [remark for remark in merged.remarks if remark not in paces]
        merged = replace(merged, remarks=(*kept, said))
    guesses = [remark for remark in merged.remarks if f": {NO_UNIT}" in remark]
    if len(guesses) > 1:
        kept = [remark for remark in merged.remarks if remark not in guesses]
        merged = replace(merged, remarks=(*kept, f"{listed([*merged.labels])}: {NO_UNIT}, check"))
    sources = [source for _, one in group for source in one.sources]
    if several and not first.on_change and merged.layout.period_s is None:
        pace = pace_of_lone(sources)
        layout = replace(merged.layout, period_s=pace.period_s)
        merged = replace(merged, layout=layout, remarks=(*merged.remarks, *pace.remarks))
    if several and first.on_change:
        pace = find_pace(sources)
        stated = replace(
            merged.layout,
            period_s=pace.period_s,
            hold_s=pace.hold_s,
            silence_s=pace.silence_s,
        )
        alone = {remark for _, one in group for remark in one.remarks if "on change" in remark}
        kept = [remark for remark in merged.remarks if remark not in alone]
        remarks = tuple(dict.fromkeys([*kept, *pace.remarks]))
        merged = replace(merged, layout=stated, remarks=remarks)
    return merged, mine
