"""A document as a workbook: a summary, then the numbers behind each table, with formats."""

from __future__ import annotations

import re
from importlib import import_module
from io import BytesIO
from typing import Any

import numpy as np
import pandas as pd

from homeenergy.catalogue import translated
from homeenergy.show.document.blocks import Document, Heading, Table, flat
from homeenergy.units import WH_PER_KWH
from homeenergy.words import in_words, printable

FORBIDDEN_IN_SHEET_NAME = re.compile(r"[\[\]:*?/\\]")
LONGEST_SHEET_NAME = 31
WIDEST = 60  # letters of a column
SHARES = re.compile(r"(^|_)(share|coverage|duty_cycle|sure)(_low|_high)?$")
# Number formats by what is usual in a column: least median, and format.
FORMATS = ((1000.0, "#,##0"), (100.0, "#,##0.0"), (1.0, "#,##0.00"), (0.0, "0.0000"))


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
    """Title, the tables of the first part, and what the other sheets hold."""
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
    for table in _first_tables(document):
        row += 2
        for column, head in enumerate(table.labels, start=1):
            sheet.cell(row, column, printable(head)).font = bold
        for cells in table.rows:
            row += 1
            for column, cell in enumerate(cells, start=1):
                one = sheet.cell(row, column, printable(str(cell)))
                one.data_type = "s"
                right = column - 1 in table.numeric
                one.alignment = styles.Alignment(
                    horizontal="right" if right else "left", wrap_text=True, vertical="top"
                )
    row += 2
    heads = (said("sheet"), said("rows"), said("energy in all [kWh]"))
    for column, head in enumerate(heads, start=1):
        sheet.cell(row, column, head).font = bold
    for other, _, data in listed:
        row += 1
        link = sheet.cell(row, 1, other)
        link.hyperlink = f"#'{other}'!A1"
        link.font = styles.Font(underline="single", color="0563C1")
        sheet.cell(row, 2, len(data)).number_format = "#,##0"
        total = _total_kwh(data)
        if total is not None:
            sheet.cell(row, 3, total).number_format = "#,##0.00"
    for letter, width in zip("ABCDEF", (44, 34, 34, 24, 20, 20), strict=True):
        sheet.column_dimensions[letter].width = width


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
    if "kwh_per_day" in data and "circuit" in data:
        return float(data["kwh_per_day"].sum())
    return None


def _sheet(book: Any, name: str, data: pd.DataFrame, *, language: str) -> None:
    """One sheet: heads in words, a format for each column of numbers, a filter."""
    styles = import_module("openpyxl.styles")
    plain = in_words(_plain_cells(data)).rename(columns=lambda head: _head(head, language))
    plain.to_excel(book, sheet_name=name, index=False, freeze_panes=(1, 1))
    sheet = book.sheets[name]
    for cells, column in zip(sheet.columns, data.columns, strict=True):
        number_format = _format(str(column), data[column])
        for cell in cells[1:]:
            if cell.data_type == "f":  # a text that begins with "=" is a text
                cell.data_type = "s"
            elif number_format and cell.data_type == "n":
                cell.number_format = number_format
        cells[0].font = styles.Font(bold=True)
        cells[0].alignment = styles.Alignment(wrap_text=True, vertical="top")
        if cells[0].data_type == "f":
            cells[0].data_type = "s"
        shown = [len(str(c.value or "")) if c.data_type == "s" else 10 for c in cells[1:]]
        width = max([*shown, min(len(str(cells[0].value or "")), 16), 6]) + 2
        sheet.column_dimensions[cells[0].column_letter].width = min(width, WIDEST)
    if len(data):
        sheet.auto_filter.ref = sheet.dimensions


def _head(head: object, language: str) -> object:
    """A head in the language of the document: its words and its part, the unit as it is."""
    if not isinstance(head, str):
        return head
    text, comma, part = head.partition(", ")
    words, bracket, unit = text.partition(" [")
    found = f"{translated(words, language)}{bracket}{unit}"
    return f"{found}{comma}{translated(part, language)}" if part else found


def _format(name: str, column: pd.Series) -> str:
    """Format of a column of numbers; empty for texts and flags."""
    if column.dtype == bool or not pd.api.types.is_numeric_dtype(column):
        return ""
    if SHARES.search(name):
        return "0.0%"
    if pd.api.types.is_integer_dtype(column):
        return "#,##0"
    usual = float(np.nanmedian(np.abs(column))) if column.notna().any() else 0.0
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


def _plain_cells(data: pd.DataFrame) -> pd.DataFrame:
    """Times as texts with their offset, which a spreadsheet's own times cannot hold.

    Characters that it cannot hold either are shown; a bound that is not known is an empty cell.
    """
    data = data.rename(columns=lambda name: printable(name) if isinstance(name, str) else name)
    data = data.replace([np.inf, -np.inf], np.nan)
    for name in data:
        if not pd.api.types.is_numeric_dtype(data[name]):
            data[name] = data[name].map(lambda c: printable(c) if isinstance(c, str) else c)
        if isinstance(data[name].dtype, pd.DatetimeTZDtype):
            data[name] = data[name].map(lambda t: "" if pd.isna(t) else t.isoformat())
    return data
