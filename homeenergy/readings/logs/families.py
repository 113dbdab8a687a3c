"""Files put together by how they are written and by what their names say."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

import pyarrow as pa
import pyarrow.parquet as pq

from homeenergy.readings.logs.sample import first_lines, holds_values

DATES = re.compile(
    r"""(?<![0-9])(?:
    (?:19|20)\d{2}[-_.]?(?:KW|W|Q)[-_.]?\d{1,2}        # a week or a quarter
    | (?:KW|W)\d{1,2}[-_.]?(?:(?:19|20)\d{2})?
    | (?:19|20)\d{2}(?:[-_.]?\d{2}){0,2}(?:[T_ -]*\d{2}[-_:h.]?\d{2}(?:[-_:m.]?\d{2}s?)?Z?)?
    | \d{1,2}[-_.]\d{1,2}[-_.](?:19|20)?\d{2}
    | 1\d{9}(?:\d{3})?
    )(?![0-9])""",
    re.VERBOSE | re.IGNORECASE,
)
_MONTHS = (
    "jan january januar janvier enero gennaio januari feb february februar février fevrier febrero "
    "febbraio februari mar march märz maerz mars marzo maart apr april avril abril aprile may mai "
    "mayo maggio mei jun june juni juin junio giugno jul july juli juillet julio luglio aug august "
    "août aout agosto augustus sep sept september septembre septiembre settembre oct october okt "
    "oktober octobre octubre ottobre nov november novembre noviembre dec december dez dezember "
    "décembre decembre diciembre dicembre"
)
_PLAIN = (
    "mon tue wed thu fri sat sun monday tuesday wednesday thursday friday saturday sunday "
    "log logs data daten export exports power watts watt w kw kwh wh energy readings history "
    "copy kopie part teil day tag week woche month monat year all complete final new to from bis "
    "von csv xlsx txt sheet tabelle blatt feuil hoja foglio values messwerte messung report "
    "unpacked leistung energie verbrauch puissance"
)
_GENERIC = {*_MONTHS.split(), *_PLAIN.split()}
_PARTS = re.compile(r"[\s_.,;()\[\]+-]+")


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """Files with equal heads whose names say the same.

    `key` is what their names say of what they hold, without dates and words such as "export";
    empty where that is nothing. `head` is what stands above their first rows.
    """

    key: str
    head: tuple[object, ...]
    files: tuple[Path, ...]


def find_families(files: Mapping[Path, PurePosixPath]) -> list[Family]:
    """Put files together by the lines above their first row and by their names.

    Parameters
    ----------
    files : dict
        Files, with their places in the folder they come from.

    Notes
    -----
    Own rule. From the names of folders and files all dates, months and general words are taken,
    and what they all have in common; what is left is the key.
    """
    keys = _keys(files)
    found: dict[tuple[object, str], list[Path]] = {}
    heads = {path: _head(path) for path in files}
    for path in files:
        found.setdefault((heads[path], keys[path].casefold()), []).append(path)
    return [
        Family(key=keys[paths[0]], head=heads[paths[0]], files=tuple(paths))
        for paths in found.values()
    ]


def _head(path: Path) -> tuple[object, ...]:
    """Lines of a file down to its first row, which files of a family share."""
    suffix = path.suffix.lower()
    with path.open("rb") as file:
        if file.read(4) == b"PAR1":
            try:
                return (suffix, tuple(pq.read_schema(path).names))
            except (pa.ArrowException, OSError):
                return (suffix,)
    lines: list[str] = []
    for line in first_lines(path):
        cells = re.split(r"[,;\t|]", line)
        if len(cells) > 1 and sum(holds_values([cell.strip(' "')]) for cell in cells) > 1:
            widths = tuple(line.count(mark) for mark in ";\t|,") if not lines else ()
            return (suffix, *lines, *widths)
        lines.append(line.strip())
    return (suffix, *lines)


def words(text: str) -> list[str]:
    """Words of a name that say something of their own."""
    plain = DATES.sub(" ", text)
    return [w for w in _PARTS.split(plain) if w and w.casefold() not in _GENERIC]


def _keys(files: Mapping[Path, PurePosixPath]) -> dict[Path, str]:
    """What the name of each file says of what it holds."""
    stems = {path: words(_stem(rel)) for path, rel in files.items()}
    folders = {
        path: [w for part in rel.parts[:-1] for w in words(part)] for path, rel in files.items()
    }
    by_stem = {tuple(word.casefold() for word in words) for words in stems.values()}
    whole = {(tuple(stems[path]), tuple(folders[path])) for path in files}
    if len(by_stem) < len(whole) or by_stem == {()}:  # the folders say more than the names
        stems = {path: folders[path] + stems[path] for path in files}
    if len({tuple(words) for words in stems.values()}) > 1:
        common = set.intersection(*({w.casefold() for w in words} for words in stems.values()))
        stems = {
            path: [w for w in words if w.casefold() not in common] or words
            for path, words in stems.items()
        }
    return {path: " ".join(words) for path, words in stems.items()}


def _stem(rel: PurePosixPath) -> str:
    name = rel.name[: -len(".gz")] if rel.name.lower().endswith(".gz") else rel.name
    return name.rpartition(".")[0] or name


def without_numbers(key: str) -> str:
    """A key as the numbered parts of one export share it."""
    return re.sub(r"\d+", "", key).strip().casefold()
