"""A document as a workbook: a summary, then the numbers behind each table, with formats."""

from __future__ import annotations

import re
from importlib import import_module
from io import BytesIO
from textwrap import wrap
from typing import Any

import numpy as np
import pandas as pd

from homeenergy.catalogue import translated
from homeenergy.show.document.blocks import Bullets, Document, Heading, Note, Table, flat
from homeenergy.units import WH_PER_KWH
from homeenergy.words import in_words, printable

FORBIDDEN_IN_SHEET_NAME = re.compile(r"[\[\]:*?/\\]")
LONGEST_SHEET_NAME = 31
WIDEST = 60  # letters of a column
BOUND = re.compile(r"_?(low|high)$")
SHARES = re.compile(r"(^|_)(share|coverage|duty_cycle|sure)(_low|_high)?$")
# Number formats by what is usual in a column: least median, and format.
FORMATS = ((1000.0, "#,##0"), (100.0, "#,##0.0"), (1.0, "#,##0.00"), (0.0, "0.0000"))
TIME_FORMAT = "yyyy-mm-dd hh:mm:ss"
OFFSET = "UTC offset"  # as it is shown
PAPERS = {"letter": 1, "a4": 9}  # numbers of the file format, ECMA-376 Part 1, 18.3.1.63
UPRIGHT, ACROSS = 95, 180  # letters of all columns that a page holds upright, and across
LINE_PT = 15.0  # height of a row
SUMMARY_WIDTHS = (44, 30, 28, 22, 26, 18)  # letters


def workbook(document: Document) -> bytes:
    """Write the tables of a document as a workbook.

    The first sheet shows the tables of the first part as they are in the document, and lists the
    others with their rows and what their energies add up to. Heads of columns are in words, with
    units; programs read the same figures from the findings.
    """
    tables = [b for b in (*flat(document.blocks), *document.sheets) if isinstance(b, Table)]
    file = BytesIO()
    with pd.ExcelWriter(file, engine="openpyxl") as book:
        first = translated("summary", document.language)
        listed: list[tuple[str, Table, pd.DataFrame]] = []
        names = {first.casefold()}
        for table in tables:
            if not table.sheet:
                continue
            data = _data(table)
            name = _sheet_name(table.sheet, names)
            names.add(name.casefold())
            listed.append((name, table, data))
        _summary(book, first, document, listed)
        for name, _, data in listed:
            _sheet(book, name, data, language=document.language)
        for sheet in book.sheets.values():
            _on_paper(sheet, document, heads=sheet.title != first)
        properties = book.book.properties
        properties.title = printable(document.title)
        properties.creator = printable(document.author)
    return file.getvalue()


def _data(table: Table) -> pd.DataFrame:
    if table.data is not None:
        return table.data
    texts = [[str(cell) for cell in row] for row in table.rows]
    return pd.DataFrame(texts, columns=list(table.labels))


def _summary(
    book: Any, name: str, document: Document, listed: list[tuple[str, Table, pd.DataFrame]]
) -> None:
    """Title, what must not be missed, the tables of the first part, and what other sheets hold."""
    styles = import_module("openpyxl.styles")

    def said(text: str) -> str:
        return translated(text, document.language)

    pd.DataFrame().to_excel(book, sheet_name=name, index=False)
    sheet = book.sheets[name]
    bold = styles.Font(bold=True)
    row = 1
    sheet.cell(row, 1, printable(document.title)).font = styles.Font(bold=True, size=14)
    for text in (printable(document.author), str(document.written)):
        if text:
            row += 1
            sheet.cell(row, 1, text)
    for text in _warnings(document):
        row += 1
        one = sheet.cell(row, 1, printable(text))
        one.data_type = "s"
        one.font = bold
        one.alignment = styles.Alignment(wrap_text=True, vertical="top")
        sheet.merge_cells(
            start_row=row, end_row=row, start_column=1, end_column=len(SUMMARY_WIDTHS)
        )
        sheet.row_dimensions[row].height = LINE_PT * -(
            -len(text) * 12 // (10 * sum(SUMMARY_WIDTHS))
        )
    for table in _first_tables(document):
        row += 2
        labels, rows, numeric = _named_rows(table)
        for column, head in enumerate(labels, start=1):
            one = sheet.cell(row, column, printable(head))
            one.font = bold
            one.alignment = styles.Alignment(
                horizontal="right" if column - 1 in numeric else "left"
            )
        for cells in rows:
            row += 1
            lines = 1
            for column, cell in enumerate(cells, start=1):
                text = printable(cell)
                one = sheet.cell(row, column, text)
                one.data_type = "s"
                is_number = column - 1 in numeric
                one.alignment = styles.Alignment(
                    horizontal="right" if is_number else "left",
                    indent=0 if is_number or column == 1 else 1,
                    wrap_text=True,
                    vertical="top",
                )
                width = SUMMARY_WIDTHS[min(column, len(SUMMARY_WIDTHS)) - 1]
                lines = max(lines, -(-len(text) * 11 // (10 * width)))
            sheet.row_dimensions[row].height = LINE_PT * lines
    row += 2
    heads = (said("sheet"), said("rows"), said("energy in all [kWh]"))
    for column, head in enumerate(heads, start=1):
        one = sheet.cell(row, column, head)
        one.font = bold
        one.alignment = styles.Alignment(horizontal="right" if column > 1 else "left")
    for other, _, data in listed:
        row += 1
        link = sheet.cell(row, 1, other)
        link.hyperlink = f"#'{other}'!A1"
        link.font = styles.Font(underline="single", color="0563C1")
        sheet.cell(row, 2, len(data)).number_format = "#,##0"
        total = _total_kwh(data)
        if total is not None:
            sheet.cell(row, 3, total).number_format = "#,##0.00"
    for letter, width in zip("ABCDEF", SUMMARY_WIDTHS, strict=True):
        sheet.column_dimensions[letter].width = width


def _named_rows(
    table: Table,
) -> tuple[tuple[str, ...], list[tuple[str, ...]], frozenset[int]]:
    """Heads, rows and columns of numbers; a column of bare row numbers joins the one after it."""
    rows = [tuple(str(cell) for cell in cells) for cells in table.rows]
    labels = table.labels
    if len(labels) < 2 or labels[0] or not all(row[0].isdigit() for row in rows):
        return labels, rows, table.numeric
    joined = [(f"{number}. {text}", *others) for number, text, *others in rows]
    return labels[1:], joined, frozenset(i - 1 for i in table.numeric if i)


def _on_paper(sheet: Any, document: Document, *, heads: bool) -> None:
    """As wide as a page or, of many columns, few; heads on each, name and number at the foot.

    Of several pages across, each begins with the first column.
    """
    width = sum(one.width for one in sheet.column_dimensions.values())
    sheet.page_setup.orientation = "landscape" if width > UPRIGHT else "portrait"
    sheet.page_setup.paperSize = PAPERS[document.paper]
    sheet.page_setup.fitToWidth = max(round(width / ACROSS), 1)
    sheet.page_setup.fitToHeight = 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    if heads:
        sheet.print_title_rows = "1:1"
        if sheet.page_setup.fitToWidth > 1:
            sheet.print_title_cols = "A:A"
    sheet.oddFooter.left.text = "&A"
    sheet.oddFooter.right.text = "&P / &N"


def _warnings(document: Document) -> list[str]:
    """What stands before any table so that it is not missed: what is held out, and why."""
    found: list[str] = []
    for block in flat(document.blocks):
        if isinstance(block, Table):
            break
        if isinstance(block, Note):
            found.append(f"{block.about}. {block.text}" if block.about else block.text)
        elif isinstance(block, Bullets):
            found += [item for item in block.items if isinstance(item, str)]
    return found


def _first_tables(document: Document) -> list[Table]:
    """Tables of the part that a reader sees first."""
    found: list[Table] = []
    for block in flat(document.blocks):
        if isinstance(block, Heading) and block.new_page:
            break
        if isinstance(block, Table):
            found.append(block)
    return found


def _total_kwh(data: pd.DataFrame) -> float | None:
    """What the energies of a sheet add up to; None where it holds no such parts of one whole."""
    if "energy_wh" in data:
        return float(data["energy_wh"].sum()) / WH_PER_KWH
    if {"kwh_per_day", "days", "circuit"} <= set(data):
        return float((data["kwh_per_day"] * data["days"]).sum())
    return None


def _sheet(book: Any, name: str, data: pd.DataFrame, *, language: str) -> None:
    """One sheet: heads in words, a format for each column of numbers, a filter."""
    styles = import_module("openpyxl.styles")
    cells = _plain_cells(data, language=language)
    plain = in_words(cells).rename(columns=lambda head: head_in(head, language))
    plain.to_excel(book, sheet_name=name, index=False, freeze_panes=(1, 1))
    sheet = book.sheets[name]
    lines = 1
    for column, source in zip(sheet.columns, cells.columns, strict=True):
        values = cells[source]
        is_number = pd.api.types.is_numeric_dtype(values)
        number_format = _format(str(source), cells)
        for cell in column[1:]:
            if cell.data_type == "f":  # a text that begins with "=" is a text
                cell.data_type = "s"
            if cell.data_type == "s":
                long = len(str(cell.value)) > WIDEST
                if long:
                    row = sheet.row_dimensions[cell.row]
                    lines_pt = LINE_PT * len(wrap(str(cell.value), WIDEST - 8))
                    row.height = max(row.height or 0.0, lines_pt)
                cell.alignment = styles.Alignment(
                    horizontal="left", vertical="top", indent=1, wrap_text=long
                )
            elif number_format and cell.data_type in ("n", "d"):
                cell.number_format = number_format
                cell.alignment = styles.Alignment(vertical="top")
        head = column[0]
        head.font = styles.Font(bold=True)
        head.alignment = styles.Alignment(
            wrap_text=True,
            vertical="top",
            horizontal="right" if is_number else "left",
            indent=0 if is_number else 1,
        )
        if head.data_type == "f":
            head.data_type = "s"
        shown = [len(str(c.value or "")) if c.data_type == "s" else 10 for c in column[1:]]
        if number_format == TIME_FORMAT:
            shown.append(len(TIME_FORMAT))
        words = max(map(len, str(head.value or "").split()), default=0)
        width = max([*shown, words, min(len(str(head.value or "")), 14), 6]) + 3
        sheet.column_dimensions[head.column_letter].width = min(width, WIDEST)
        lines = max(lines, len(wrap(str(head.value or ""), int(min(width, WIDEST)) - 2)))
    sheet.row_dimensions[1].height = LINE_PT * lines
    if len(data):
        sheet.auto_filter.ref = sheet.dimensions


def head_in(head: object, language: str) -> object:
    """A head in the language of the document: its words and its part, the unit as it is."""
    if not isinstance(head, str):
        return head
    text, comma, part = head.partition(", ")
    words, bracket, unit = text.partition(" [")
    found = f"{translated(words, language)}{bracket}{unit}"
    return f"{found}{comma}{translated(part, language)}" if part else found


def _format(name: str, cells: pd.DataFrame) -> str:
    """Format of a column of numbers or times; empty for texts. Bounds look like their value."""
    value = BOUND.sub("", name) or "value"
    column = cells[value if value in cells else name]
    if pd.api.types.is_datetime64_any_dtype(column):
        return TIME_FORMAT
    if not pd.api.types.is_numeric_dtype(column):
        return ""
    if SHARES.search(name):
        return "0.0%"
    known = column.dropna().abs()
    if value == name and (known == known.round()).all():
        return "#,##0"
    some = known[known > 0]
    usual = float(some.median()) if len(some) else 0.0
    return next(text for least, text in FORMATS if usual >= least)


def _sheet_name(title: str, taken: set[str]) -> str:
    """A name that a sheet may have: short, and unique even in small letters."""
    whole = FORBIDDEN_IN_SHEET_NAME.sub(" ", printable(title))
    # Names of circuits mostly differ at their ends.
    name = whole if len(whole) <= LONGEST_SHEET_NAME else f"{whole[:18]}…{whole[-12:]}"
    number, first = 1, name
    while name.casefold() in taken:
        number += 1
        end = f" ({number})"
        name = first[: LONGEST_SHEET_NAME - len(end)] + end
    return name


def _plain_cells(data: pd.DataFrame, *, language: str) -> pd.DataFrame:
    """Cells that a spreadsheet can hold.

    Times are those of the clock on the wall, and a last column says how far it was from UTC at the
    first of them. Characters that a spreadsheet cannot hold are shown; a bound that is not known is
    an empty cell; what is either so or not is a word.
    """
    data = data.rename(columns=lambda name: printable(name) if isinstance(name, str) else name)
    data = data.replace([np.inf, -np.inf], np.nan)
    offset = None
    for name in data:
        if data[name].dtype == bool:
            data[name] = data[name].map(lambda so: translated("yes" if so else "no", language))
        elif isinstance(data[name].dtype, pd.DatetimeTZDtype):
            if offset is None:
                offset = data[name].map(lambda t: "" if pd.isna(t) else t.isoformat()[-6:])
            data[name] = data[name].dt.tz_localize(None)
        elif not pd.api.types.is_numeric_dtype(data[name]):
            data[name] = data[name].map(lambda c: printable(c) if isinstance(c, str) else c)
    return data if offset is None else data.assign(**{OFFSET: offset})
