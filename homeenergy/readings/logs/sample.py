"""Look at a text log of unknown layout: encoding, delimiter, decimal mark, header."""

from __future__ import annotations

import codecs
import csv
import gzip
import re
import zlib
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from homeenergy.errors import HouseError
from homeenergy.readings.logs.columns import read_head
from homeenergy.readings.logs.digits import grouped, plain_number, split_unit, with_hyphen
from homeenergy.readings.logs.tables import MISSING, NoRowsError, is_gzip
from homeenergy.readings.logs.time_formats import is_stamp, worded_pattern

NUMBER = re.compile(r"[+-]?\d+(?:([.,])\d+)?(?:[eE][+-]?\d+)?|[+-]?([.,])\d+")
_ROWS = 20_000
_STATE = 'State decimal = "," or decimal = "." after checking which columns matter.'


def is_number(cell: str) -> bool:
    """Whether a cell is a number, however it is marked."""
    return bool(NUMBER.fullmatch(cell.strip())) or grouped(cell) is not None


@dataclass(slots=True)
class _Seen:
    """What cells say about marks.

    `decimals` counts marks that can only be decimal, `thousands` those that can only stand between
    thousands; `either` holds numbers such as 1,234 that may be meant either way, by mark; `mixed`
    the marks of columns in which such numbers occur with whole ones below 1000, and no others.
    """

    decimals: Counter[str] = field(default_factory=Counter)
    thousands: Counter[str] = field(default_factory=Counter)
    either: dict[str, str] = field(default_factory=dict)
    mixed: set[str] = field(default_factory=set)


def number_marks(
    rows: Sequence[tuple[str, ...]], *, delimiter: str, path: Path
) -> tuple[str, str, list[str]]:
    """Decimal mark, mark between thousands ("" for none), and what a person should check.

    Raises
    ------
    HouseError
        If it is not clear whether 1,234 is a thousand and more or little more than one.
    """
    seen = _Seen()
    for column in zip(*rows[:_ROWS], strict=True):
        _look(column, seen)
    between = set(seen.thousands)
    if not between and seen.decimals["."] and "," in seen.either and not seen.decimals[","]:
        between = {","}  # a decimal point occurs elsewhere
    if between:
        return _with_thousands(between, seen, path)
    comma = seen.decimals[","] or ("," in seen.either)
    point = seen.decimals["."] or ("." in seen.either)
    if comma and point and delimiter != ",":
        raise _two_decimals(path)
    mark = "," if comma and (delimiter != "," or "," in seen.either or not point) else "."
    if not seen.decimals[mark] and mark in seen.either:
        if mark in seen.mixed or delimiter == mark:
            raise _unclear(seen.either[mark], mark, path)
        return mark, "", [*_comma(mark), _three_decimals(seen.either[mark], mark)]
    if delimiter == "," and point:
        mark = "."
    return mark, "", _comma(mark)


def _comma(mark: str) -> list[str]:
    return ["decimal comma"] if mark == "," else []


def _three_decimals(cell: str, mark: str) -> str:
    return (
        f"every number has three digits after its {mark!r}, as {cell!r}: taken as decimals; if "
        f'they are thousands, write thousands = "{mark}"'
    )


def _look(column: Sequence[str], seen: _Seen) -> None:
    cells = list(dict.fromkeys(cell.strip() for cell in column if cell.strip()))  # each once
    if 2 * sum(map(is_number, cells)) < len(cells):
        return  # names, times
    own = _Seen()
    for cell in cells:
        _look_at(cell, own)
    seen.decimals += own.decimals
    seen.thousands += own.thousands
    seen.either |= own.either
    plain = [cell for cell in cells if cell.lstrip("+-").isdecimal()]
    if plain and all(len(cell.lstrip("+-")) <= 3 for cell in plain):
        seen.mixed |= {mark for mark in own.either if not own.decimals[mark]}
    elif plain:  # 1234 without a mark: those in this column are decimal
        seen.decimals += Counter(own.either.keys() - own.thousands.keys())


def _look_at(cell: str, seen: _Seen) -> None:
    parts = grouped(cell)
    if parts is None:
        found = NUMBER.fullmatch(cell)
        if found and (found[1] or found[2]):
            seen.decimals[found[1] or found[2]] += 1
        return
    mark, decimal, times = parts
    if decimal:
        seen.decimals[decimal] += 1
    if decimal or times > 1 or mark not in ".,":
        seen.thousands[mark] += 1
    else:
        seen.either.setdefault(mark, cell)


def _with_thousands(between: set[str], seen: _Seen, path: Path) -> tuple[str, str, list[str]]:
    if len(between) > 1:
        listed = " and with ".join(map(repr, sorted(between)))
        raise HouseError(f"numbers have their thousands separated by {listed}", path=path)
    (mark,) = between
    decimals = {decimal for decimal, times in seen.decimals.items() if times}
    decimals |= seen.either.keys() - {mark}
    if mark in decimals:
        raise HouseError(
            f"in numbers {mark!r} stands between thousands, and before decimals",
            path=path,
            fix="Export the log again without marks between thousands.",
        )
    if len(decimals) > 1:
        raise _two_decimals(path)
    decimal = decimals.pop() if decimals else "," if mark == "." else "."
    remark = f"numbers have {mark!r} between their thousands, and {decimal!r} before decimals"
    return decimal, mark, [remark]


def _two_decimals(path: Path) -> HouseError:
    return HouseError(
        "numbers are written with a decimal comma and with a decimal point", path=path, fix=_STATE
    )


def _unclear(cell: str, mark: str, path: Path) -> HouseError:
    large, small = cell.replace(mark, ""), cell.replace(mark, ".")
    return HouseError(
        f"it is not clear whether {cell!r} means {large} or {small}",
        path=path,
        fix=f'Write the [[log]] block by hand, with thousands = "{mark}" or decimal = "{mark}".',
    )


_HEAD_BYTES = 400_000
_LATER_BYTES = 60_000
_BRIEF_BYTES = 20_000
_FIRST_BYTES = 8_000
_MOST_ABOVE = 40
_MOST_BELOW = 5
_DELIMITERS = (",", ";", "\t", "|")
_TIMELIKE = re.compile(
    r"(?:\d{1,4}[-./]\d{1,2}[-./]\d{1,4}[T ]?)?(?:\d{1,2}:\d{2}[\d:., +-]*(?:[AaPp][Mm]|[Zz])?)?"
)
_NAME = re.compile(r"[^\W\d][^;|\t]*")


@dataclass(frozen=True, slots=True, kw_only=True)
class TextSample:
    """Rows from the beginning, the middle and the end of a text log, and how they are written.

    `lines_above` the header and `lines_below` it hold no readings; `units` are the cells of the
    first line below, where there is one, and `footer` rows at the end without a time. `plain`: it
    is of ASCII alone, so that UTF-8 is a guess.
    """

    path: Path
    encoding: str
    plain: bool
    delimiter: str
    decimal: str
    thousands: str
    header: tuple[str, ...] | None
    lines_above: int
    lines_below: int
    units: tuple[str, ...] | None
    rows: tuple[tuple[str, ...], ...]
    footer: tuple[tuple[str, ...], ...]
    units_in_cells: bool
    other_minus: bool
    head: int  # so many of the rows follow one another from the start
    remarks: tuple[str, ...]


def sample_text(path: Path, *, brief: bool = False, known: str | None = None) -> TextSample:
    """Look at a text log.

    Parameters
    ----------
    path : Path
    brief : bool
        Whether fewer rows will do, as for a further file of a family.
    known : str, optional
        Its encoding, where other files or its other bytes tell it.

    Raises
    ------
    HouseError
        If the file is empty, holds a header only, or is not a table with at least two columns.
    """
    most = _BRIEF_BYTES if brief else _HEAD_BYTES
    head, later = _bytes(path, most=most)
    looked_at = head + later[0] if later else head
    encoding, remarks = _encoding(looked_at)
    ascii_only = encoding == "utf-8" and looked_at.isascii() and known is None
    if known is not None:
        encoding, remarks = known, [NOT_UTF8] if known == "cp1252" else []
    texts = [_decode(head, encoding).splitlines()]
    for number, part in enumerate(later if encoding in ("utf-8", "cp1252") else ()):
        cut = number + 1 < len(later)
        texts.append(part.decode(encoding, errors="replace").splitlines()[1 : -1 if cut else None])
    texts[0] = texts[0] if len(head) < most else texts[0][:-1]
    ended = (later[-1] if later else head).endswith((b"\n", b"\r", b"\0"))
    lines = [[line for line in part if line.strip()] for part in texts]
    if not lines[0]:
        raise NoRowsError("is empty", path=path)
    comments = _comments_above(lines[0])
    lines[0] = lines[0][comments:]
    lines[0][:1] = _as_wide_as_rows(lines[0])
    delimiter, above = _delimiter_and_lines_above(lines, path)
    lines_above, lines[0], above = lines[0][:above], lines[0][above:], above + comments
    place = [number for number, line in enumerate(texts[0]) if line.strip()][above:]
    tables = [
        list(csv.reader((f"{line}\n" for line in part), delimiter=delimiter)) for part in lines
    ]
    within = sum(cell.count("\n") for cell in tables[0][0])  # a head of several lines
    del place[1 : 1 + within]
    for aside in (_padded_above, _numbers_above):
        more = aside(tables[0])
        tables[0], place = tables[0][more:], place[more:]
    first = tables[0][0]
    width = len(first)
    has_header = not holds_values(first)
    if lines_above and not has_header and delimiter == ",":
        _refuse_decimal_commas(lines_above[-1], tables[0], path)
    below = 0
    while has_header and below < _MOST_BELOW and len(tables[0]) > below + 1:
        if holds_values(tables[0][below + 1]):
            break
        below += 1
    units = tuple(cell.strip() for cell in tables[0][1]) if below else None
    body = tables[0][1 + below :] if has_header else tables[0]
    if not body or not any(holds_values(row) for row in body[:3]):
        if has_header and (not body or len(tables[0]) <= _MOST_BELOW):
            raise NoRowsError("has a header but no rows", path=path)
        raise _no_table(path)
    tables = [body, *tables[1:]]
    footer = _footer_rows(body, tables[-1])
    last = tables[-1][len(tables[-1]) - footer :]
    tables[-1] = tables[-1][: len(tables[-1]) - footer]
    if not (ended or footer) and len(tables[-1]) > _FEW_ROWS:
        del tables[-1][-1]  # it may still be being written
    begin_anew = first if has_header else None  # a logger writes its head once more
    filled = [
        [
            tuple(row)
            for row in table
            if len(row) == width and row != begin_anew and any(map(str.strip, row))
        ]
        for table in tables
    ]
    rows = [row for table in filled for row in table]
    minus = _columns_of_other_minus(rows)
    if minus:
        rows = [
            tuple(with_hyphen(cell) if at in minus else cell for at, cell in enumerate(row))
            for row in rows
        ]
    with_units = _columns_with_units(rows)
    plain = [
        tuple(split_unit(cell)[0] if at in with_units else cell for at, cell in enumerate(row))
        for row in (rows if with_units else ())
    ]
    decimal, thousands, doubt = number_marks(plain or rows, delimiter=delimiter, path=path)
    if with_units:
        doubt.append("cells hold their unit, as in 120 W: it is read from them")
    if minus:
        doubt.append("negative numbers are not written with a hyphen before them (other_minus)")
    return TextSample(
        path=path,
        encoding=encoding,
        plain=ascii_only,
        delimiter=delimiter,
        decimal=decimal,
        thousands=thousands,
        header=tuple(cell.strip() for cell in first) if has_header else None,
        lines_above=place[0],
        lines_below=place[1 + below] - place[0] - 1 if below or within else 0,
        units=units if units and len(units) == width else None,
        rows=tuple(rows),
        footer=tuple(map(tuple, last)),
        units_in_cells=bool(with_units),
        other_minus=bool(minus),
        head=len(filled[0]),
        remarks=tuple(remarks + doubt),
    )


def _refuse_decimal_commas(head: str, rows: Sequence[Sequence[str]], path: Path) -> None:
    """Refuse rows in which each number takes two cells, as the head above them tells."""
    (names,) = csv.reader([head])
    cells = [cell.strip() for row in rows[:_LOOKED_AT] for cell in row[1:]]
    whole = all(cell.lstrip("+-").isdecimal() for cell in cells if cell)
    if len(names) > 1 and len(rows[0]) == 2 * len(names) - 1 and whole:
        raise HouseError(
            f"has {len(names)} heads above rows of {len(rows[0])} cells, as where a comma stands "
            "before decimals and between cells",
            path=path,
            fix="Export it with semicolons between cells, or with decimal points.",
        )


def _as_wide_as_rows(lines: Sequence[str]) -> list[str]:
    """Give the first line a last cell without a name, where the rows end with a delimiter more."""
    for delimiter in _DELIMITERS:
        first, second = (line.count(delimiter) for line in (*lines[:2], "", "")[:2])
        if second == first + 1 > 1 and all(line.endswith(delimiter) for line in lines[1:]):
            return [lines[0] + delimiter]
    return [*lines[:1]]


def _comments_above(lines: Sequence[str]) -> int:
    """How many lines that begin with # stand above a header that does not."""
    number = next((at for at, line in enumerate(lines) if not line.startswith("#")), 0)
    cells = re.split(r"[,;\t|]", lines[number])
    return 0 if holds_values([cell.strip(' "') for cell in cells]) else number


def _columns_with_units(rows: Sequence[tuple[str, ...]]) -> set[int]:
    """Columns most of whose cells are a number with a unit."""
    found = set()
    for at, column in enumerate(zip(*rows[:_LOOKED_AT], strict=True)):
        cells = [cell.strip() for cell in column if cell.strip() not in MISSING]
        parts = [split_unit(cell) for cell in cells]
        told = sum(
            is_number(number) and read_head(f"[{unit}]").unit is not None
            for number, unit in parts
            if unit
        )
        if 2 * told > len(cells):
            found.add(at)
    return found


def _columns_of_other_minus(rows: Sequence[tuple[str, ...]]) -> set[int]:
    """Columns of numbers of which some are negative, and not written with a hyphen before them."""
    found = set()
    for at, column in enumerate(zip(*rows[:_ROWS], strict=True)):
        cells = {cell.strip() for cell in column if cell.strip()}
        changed = {one for cell in cells if (one := with_hyphen(cell)) != cell}
        if not changed:
            continue
        numbers = [*filter(is_number, (split_unit(with_hyphen(cell))[0] for cell in cells))]
        if any(is_number(split_unit(one)[0]) for one in changed) and 2 * len(numbers) > len(cells):
            found.add(at)
    return found


def _padded_above(rows: Sequence[Sequence[str]]) -> int:
    """How many rows above the header are padded with empty cells, as a spreadsheet writes them."""
    filled = [sum(bool(cell.strip()) for cell in row) for row in rows[: _MOST_ABOVE + _LOOKED_AT]]
    usual = sorted(filled)[len(filled) // 2]
    whole = max(rows[-_LOOKED_AT:], key=lambda row: sum(map(bool, map(str.strip, row))))
    lead = next((at for at, cell in enumerate(whole) if cell.strip()), 0)
    above = 0
    while above < min(_MOST_ABOVE, len(rows) - 2) and 2 * filled[above] <= usual:
        named = rows[above][lead].strip() if lead < len(rows[above]) else ""
        if (not named and filled[above]) or _is_time(named):
            break  # heads above other heads, or a row of readings
        above += 1
    return above


def _numbers_above(rows: Sequence[Sequence[str]]) -> int:
    """How many rows of numbers without a time, such as those of channels, stand above the head."""
    some = rows[: _MOST_BELOW + 1]
    head = next((at for at, row in enumerate(some) if not holds_values(row)), 0)
    return 0 if any(_begins_time(cell) for row in rows[:head] for cell in row[:1]) else head


_MOST_FOOTER = 20
_FEW_ROWS = 20
_LOOKED_AT = 50


def _footer_rows(body: Sequence[Sequence[str]], last: Sequence[Sequence[str]]) -> int:
    """How many rows at the end have no time, where all rows at the beginning have one."""
    first = body[:_LOOKED_AT]
    timed = [
        at
        for at in range(len(first[0]))
        if all(at < len(row) and _begins_time(row[at]) for row in first)
    ]
    number = 0
    for row in reversed(last[-_MOST_FOOTER:]):
        if not timed or (timed[0] < len(row) and _begins_time(row[timed[0]])):
            break
        number += 1
    return number if number < len(last) else 0


def _begins_time(cell: str) -> bool:
    return cell[:1].isdigit() or worded_pattern(cell) is not None


def _bytes(path: Path, *, most: int) -> tuple[bytes, list[bytes]]:
    size = path.stat().st_size
    if size == 0:
        raise NoRowsError("is empty", path=path)
    try:
        if is_gzip(path):
            with gzip.open(path) as packed:
                return packed.read(most), []
        with path.open("rb") as file:
            head = file.read(most)
            later = []
            part = min(most, _LATER_BYTES)
            for at in (size // 2, size - part):
                if at > most:
                    file.seek(at)
                    later.append(file.read(part))
            return head, later
    except (EOFError, OSError, zlib.error) as error:
        raise HouseError(f"cannot be read ({error})", path=path) from None


NOT_UTF8 = "not UTF-8; read as Windows-1252, check letters with accents"


def _encoding(sample: bytes) -> tuple[str, list[str]]:
    if sample.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16", ["UTF-16 text"]
    try:
        sample[:-4].decode("utf-8")
        return "utf-8", []
    except UnicodeDecodeError:
        return "cp1252", [NOT_UTF8]


def encoding_of_all(files: Sequence[Path]) -> str:
    """Encoding of text logs that seem to be of ASCII alone, from all of their bytes.

    Packed ones are not looked into. O(bytes), at the speed of the disk.
    """
    for path in files:
        if is_gzip(path):
            continue
        decoder = codecs.getincrementaldecoder("utf-8")()
        with path.open("rb") as file:
            while block := file.read(1 << 20):
                if block.isascii() and not decoder.getstate()[0]:
                    continue
                try:
                    decoder.decode(block)
                except UnicodeDecodeError:
                    return "cp1252"
    return "utf-8"


def _decode(head: bytes, encoding: str) -> str:
    name = "utf-8-sig" if encoding == "utf-8" else encoding
    return head.decode(name, errors="replace")


def _is_time(cell: str) -> bool:
    text = cell.strip()
    return bool(text and (_TIMELIKE.fullmatch(text) or worded_pattern(text) or is_stamp(text)))


def first_lines(path: Path) -> list[str]:
    """Lines at the beginning of a text log that are not blank; none where it is no text."""
    try:
        head, _ = _bytes(path, most=_FIRST_BYTES)
        encoding, _ = _encoding(head)
        return [line for line in _decode(head, encoding).splitlines() if line.strip()]
    except HouseError:
        return []


def holds_values(row: Sequence[str]) -> bool:
    """Whether a row has a cell that is a number or a time, so that it is no head."""
    return any(is_number(cell) or _is_time(cell) for cell in row)


def _delimiter_and_lines_above(lines: Sequence[Sequence[str]], path: Path) -> tuple[str, int]:
    """Delimiter, and how many lines that are not blank stand above the table."""
    sample = [line for part in lines for line in part[:400]]
    try:
        return _delimiter(sample, path), 0
    except HouseError:
        starts = set()
        for delimiter in _DELIMITERS:
            widths = [len(row) for row in csv.reader(sample, delimiter=delimiter)]
            starts.add(widths.index(max(set(widths), key=widths.count)))
        for above in sorted(starts):
            if 0 < above <= _MOST_ABOVE:
                try:
                    return _delimiter(sample[above:], path), above
                except HouseError:
                    continue
        return _delimiter(sample, path, among=" "), 0


def _no_table(path: Path) -> HouseError:
    return HouseError(
        "does not look like a table: no comma, semicolon, tab, bar or space splits lines evenly",
        path=path,
        line=1,
        fix="Lines above the header are passed over if they are few: are there many, or is the "
        "file no text? Columns that are padded with spaces are not read: export commas between.",
    )


def _delimiter(lines: Sequence[str], path: Path, *, among: Sequence[str] = _DELIMITERS) -> str:
    """Delimiter that gives every line the same number of cells, most of which make sense."""
    best, best_score = "", 0.0
    for delimiter in among:
        rows = list(csv.reader(lines, delimiter=delimiter))
        width = len(rows[0])
        if width < 2 or (delimiter == " " and any("  " in line for line in lines)):
            continue  # columns that are padded with spaces would be cut anywhere
        same = sum(len(row) == width for row in rows) / len(rows)
        cells = [cell.strip() for row in rows[1:] for cell in row] or [c.strip() for c in rows[0]]
        sense = sum(
            cell in MISSING or is_number(cell) or _is_time(cell) or bool(_NAME.fullmatch(cell))
            for cell in cells
        ) / len(cells)
        if same > 0.95 and same * sense > best_score + 1e-9:
            best, best_score = delimiter, same * sense
    if not best:
        raise _no_table(path)
    return best


def number(cell: str, *, decimal: str, thousands: str = "") -> float | None:
    """Value of a cell; NaN if it is missing, None if it is no number."""
    text = cell.strip()
    if text in MISSING:
        return float("nan")
    if thousands:
        text = plain_number(text, thousands=thousands, decimal=decimal)
    if not NUMBER.fullmatch(text):
        return None
    try:
        return float(text.replace(decimal, "."))
    except ValueError:
        return None
