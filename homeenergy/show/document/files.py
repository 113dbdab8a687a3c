"""A document as a file: HTML, PDF, DOCX or XLSX, the same bytes for the same document."""

from __future__ import annotations

import json
import logging
import os
import re
import subprocess
import warnings
import zipfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from hashlib import sha256
from html import escape
from io import BytesIO
from itertools import count
from pathlib import Path
from tempfile import TemporaryDirectory
from types import MappingProxyType, ModuleType
from typing import Any, Literal

from homeenergy.catalogue import translated
from homeenergy.errors import HouseError, HouseWarning
from homeenergy.files import write_bytes
from homeenergy.show.document.blocks import (
    JPEG,
    Block,
    Bullets,
    Cell,
    Code,
    Document,
    Facts,
    Heading,
    Note,
    Picture,
    Prose,
    Table,
    captions,
    flat,
    paragraphs,
)
from homeenergy.words import printable

HERE = Path(__file__).parent
# Version of pandoc's own form of a document, and the empty attributes of a piece of it.
PANDOC_API = [1, 23, 1]
NO_ATTRIBUTES: list[Any] = ["", [], []]
# Letters of the narrowest column and between two; of the widest and of a full line of a table, in
# a document to edit, whatever its font, and in a PDF.
NARROWEST, BETWEEN = 4, 4
TO_EDIT, IN_PDF = (60, 100), (70, 130)
ROUNDING = 1e-9
Widths = Literal["free", "crowded", "all"]
RECORD = "homeenergy-record.json"
# In a document: the hash of all of it, these zeros in its place. In a package, that of other parts.
SEAL = "sha256-" + "0" * 64
ANY_SEAL = re.compile(rb"sha256-[0-9a-f]{64}")
RECORD_WORDS = "What this document rests on, for homeenergy writeup --check"
PAPERS = {"a4": "a4", "letter": "us-letter"}
JSON_PART = b'<Default Extension="json" ContentType="application/json"/>'
NOTHING_ADDED: Mapping[str, str] = MappingProxyType({})
FIRST_ZIP_DATE = (1980, 1, 1, 0, 0, 0)
SPACES = re.compile(r"[ \t\r\n]+")  # at which a line may break; not within "12 kWh"


def write_document(document: Document, path: str | Path) -> Path:
    """Write a document; the ending of the file's name says what it becomes.

    Parameters
    ----------
    document : Document
    path : path
        `.html` (one file that needs nothing else), `.pdf`, `.docx`, or `.xlsx` (the tables only).

    Returns
    -------
    Path

    Raises
    ------
    HouseError
        For another ending, or where the libraries for documents are not installed.

    Notes
    -----
    HTML and DOCX are written by pandoc, PDF (tagged, PDF/UA-1) by typst from what pandoc makes,
    XLSX by openpyxl. The
    file depends on the document alone: times in it are those of `document.written`.
    """
    path = Path(path)
    writers = {".html": _html, ".pdf": _pdf, ".docx": _docx, ".xlsx": _xlsx}
    if path.suffix.lower() not in writers:
        raise HouseError(
            f"a document cannot be written as {path.suffix or 'a file without an ending'}",
            path=path,
            fix=f"Give it a name that ends in one of {', '.join(writers)}.",
        )
    content = writers[path.suffix.lower()](document)
    write_bytes(path, content)
    return path


def read_record(path: str | Path) -> dict[str, Any]:
    """Read what a written document says that it rests on.

    Raises
    ------
    HouseError
        If the file holds no such record.
    """
    path = Path(path)
    content = path.read_bytes()
    fix = "Give a document that `homeenergy writeup` wrote, as it wrote it."
    try:
        if path.suffix.lower() == ".pdf":
            text = _attached(content, path)
        elif _is_package(path):
            with zipfile.ZipFile(BytesIO(content)) as package:
                text = package.read(f"customXml/{RECORD}")
        else:
            found = re.search(rb'<script type="application/json" id="record">(.*?)</scr', content)
            text = found[1].replace(rb"\u003c", b"<") if found else b""
        record = json.loads(text)
    except (KeyError, ValueError, zipfile.BadZipFile) as error:
        raise HouseError(
            "this file holds no record of what it rests on",
            path=path,
            fix=f"{fix} It may also be cut off, or saved anew by another program.",
        ) from error
    record.pop("seal", None)
    return dict(record)


def _attached(content: bytes, path: Path) -> bytes:
    """The record of a PDF."""
    pypdf = _library("pypdf")
    logging.getLogger("pypdf").setLevel(logging.CRITICAL)  # what it says is said below
    try:
        return bytes(pypdf.PdfReader(BytesIO(content)).attachments[RECORD][0])
    except pypdf.errors.PyPdfError as error:
        raise HouseError(
            f"this PDF cannot be read ({error})",
            path=path,
            fix="It is cut off or damaged: write or copy it anew.",
        ) from None


def was_altered(path: str | Path) -> bool:
    """Whether a document that holds a record is another than was written.

    Of a document without a seal, as earlier versions wrote them, nothing is known.
    """
    path = Path(path)
    content = path.read_bytes()
    if _is_package(path):
        with zipfile.ZipFile(BytesIO(content)) as package:
            record = json.loads(package.read(f"customXml/{RECORD}"))
            return "seal" in record and record["seal"] != _seal_of(package)
    found = ANY_SEAL.search(content)
    return found is not None and _sealed(content.replace(found[0], SEAL.encode())) != content


def _is_package(path: Path) -> bool:
    return path.suffix.lower() in (".docx", ".xlsx")


def _sealed(content: bytes) -> bytes:
    """The same with its hash where zeros hold its place."""
    seal = f"sha256-{sha256(content).hexdigest()}"
    return content.replace(SEAL.encode(), seal.encode())


def _seal_of(package: zipfile.ZipFile) -> str:
    """Hash of all parts but the record."""
    digest = sha256()
    for name in package.namelist():
        if name != f"customXml/{RECORD}":
            digest.update(name.encode() + b"\0" + package.read(name))
    return f"sha256-{digest.hexdigest()}"


def _library(name: str) -> ModuleType:
    from importlib import import_module

    try:
        return import_module(name)
    except ImportError:
        raise HouseError(
            f"documents need the library {name}, which is not installed",
            fix="Install the extra: pip install 'homeenergy[writeup]'",
        ) from None


def _record_text(document: Document) -> str:
    return json.dumps(document.record, ensure_ascii=False, sort_keys=True)


def _pandoc(
    document: Document, folder: Path, arguments: list[str], *, widths: Widths = "free"
) -> bytes:
    """Run pandoc on the document in a folder that holds its pictures."""
    names: list[str] = []
    for block in flat(document.blocks):
        if isinstance(block, Picture):
            ending = "jpg" if block.image.startswith(JPEG) else "png"
            names.append(f"picture{len(names) + 1}.{ending}")
            (folder / names[-1]).write_bytes(block.image)
    stamp = datetime.combine(document.written, datetime.min.time(), UTC).timestamp()
    done = subprocess.run(
        [_library("pypandoc").get_pandoc_path(), "--from=json", "--sandbox=false", *arguments],
        input=json.dumps(pandoc_form(document, names, widths=widths)).encode(),
        cwd=folder,
        env={**os.environ, "SOURCE_DATE_EPOCH": f"{stamp:.0f}"},
        capture_output=True,
        check=False,
    )
    if done.returncode:
        raise RuntimeError(f"pandoc failed: {done.stderr.decode(errors='replace')}")
    return done.stdout


def _html(document: Document) -> bytes:
    with TemporaryDirectory() as name:
        folder = Path(name)
        record = _record_text(document).replace("<", "\\u003c")
        (folder / "head.html").write_text(
            f'<script type="application/json" id="record">{record}</script>\n'
            f'<meta name="seal" content="{SEAL}">\n'
            f'<meta name="description" content="{escape(document.title)}">\n'
            + (
                f"<style>:root {{ --accent: {document.colour}; }}</style>"
                if document.colour
                else ""
            ),
            encoding="utf-8",
        )
        content = _pandoc(
            document,
            folder,
            [
                "--to=html5",
                "--standalone",
                "--embed-resources",
                *(["--toc", "--toc-depth=2"] if _parts(document) > 1 else []),
                f"--metadata=toc-title:{translated('Contents', document.language)}",
                "--include-in-header=head.html",
                f"--css={HERE / 'document.css'}",
            ],
        )
        return _sealed(content)


def _parts(document: Document) -> int:
    """Headings of the first level."""
    return sum(isinstance(b, Heading) and b.level == 1 for b in document.blocks)


def _pdf(document: Document) -> bytes:
    with TemporaryDirectory() as name:
        folder = Path(name)
        arguments = ["--to=typst", f"--template={HERE / 'document.typ'}"]
        text = _pandoc(document, folder, arguments, widths="crowded").decode()
        text = _with_alternatives(text, document)
        (folder / RECORD).write_text(_record_text(document), encoding="utf-8")
        text += f'\n#pdf.attach("{RECORD}", relationship: "data", description: "{RECORD_WORDS}")\n'
        (folder / "document.typ").write_text(text, encoding="utf-8")
        return _sealed(_typeset(document, folder))


def _typeset(document: Document, folder: Path) -> bytes:
    """Make the PDF, accessible by PDF/UA-1; plainly tagged where that finds fault, and say so."""
    typst, day = _library("typst"), document.written
    given = {
        "title": document.title,
        "author": document.author,
        "language": document.language.split("-")[0],
        "paper": PAPERS[document.paper],
        "colour": document.colour,
        "seal": SEAL,
        "year": str(day.year),
        "month": str(day.month),
        "day": str(day.day),
    }

    def made(**options: list[str]) -> bytes:
        return bytes(
            typst.compile(
                str(folder / "document.typ"),
                root=str(folder),
                format="pdf",
                timestamp=int(datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp()),
                sys_inputs=given,
                **options,
            )
        )

    try:
        return made(pdf_standards=["ua-1"])
    except typst.TypstError as error:
        if "PDF/UA" not in str(error):
            raise
        warnings.warn(
            HouseWarning(f"the PDF is tagged, but does not follow PDF/UA-1: {error}"), stacklevel=2
        )
        return made()


def _with_alternatives(text: str, document: Document) -> str:
    """Give pictures their words, which pandoc does not pass on (PDF/UA-1 asks for them)."""
    words = iter([b.alternative for b in flat(document.blocks) if isinstance(b, Picture)])

    def with_words(image: re.Match[str]) -> str:
        plain = printable(next(words)).replace("\\", "\\\\").replace('"', '\\"')
        return f'{image[0]}, alt: "{plain}"'

    return re.sub(r'image\("picture\d+\.(?:png|jpg)"', with_words, text)


def _docx(document: Document) -> bytes:
    from homeenergy.show.document.word import footer, with_own_style

    with TemporaryDirectory() as name:
        arguments = ["--to=docx", "--standalone", "--output=-"]
        content = _pandoc(document, Path(name), arguments, widths="all")
    return _repacked(
        content,
        document,
        lambda part, text: with_own_style(part, text, document),
        added=footer(document),
    )


def _xlsx(document: Document) -> bytes:
    from homeenergy.show.document.spreadsheet import workbook

    _library("openpyxl")
    stamp = f"{document.written}T00:00:00Z"

    def own(part: str, text: str) -> str:
        # The writer of the file puts in the time of day.
        return re.sub(r"(?<=W3CDTF\">)[^<]*", stamp, text) if part == "docProps/core.xml" else text

    return _repacked(workbook(document), document, own)


def _repacked(
    content: bytes, document: Document, own: Any, *, added: Mapping[str, str] = NOTHING_ADDED
) -> bytes:
    """Write a package of XML files again, without the time of day and with the record."""
    file = BytesIO()
    with (
        zipfile.ZipFile(BytesIO(content)) as before,
        zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as after,
    ):
        for name in before.namelist():
            part = before.read(name)
            if name.endswith((".xml", ".rels")):
                part = own(name, part.decode("utf-8")).encode("utf-8")
            if name == "[Content_Types].xml":
                part = part.replace(b"<Default ", JSON_PART + b"<Default ", 1)
            after.writestr(zipfile.ZipInfo(name, FIRST_ZIP_DATE), part, zipfile.ZIP_DEFLATED)
        for name, text in added.items():
            after.writestr(zipfile.ZipInfo(name, FIRST_ZIP_DATE), text, zipfile.ZIP_DEFLATED)
    return _with_record(file, document)


def _with_record(file: BytesIO, document: Document) -> bytes:
    """The package with the record as its last part, and the seal of the others in it."""
    with zipfile.ZipFile(file) as package:
        sealed = replace(document, record={**document.record, "seal": _seal_of(package)})
    with zipfile.ZipFile(file, "a", zipfile.ZIP_DEFLATED) as package:
        entry = zipfile.ZipInfo(f"customXml/{RECORD}", FIRST_ZIP_DATE)
        package.writestr(entry, _record_text(sealed), zipfile.ZIP_DEFLATED)
    return file.getvalue()


def pandoc_form(
    document: Document, pictures: Sequence[str], *, widths: Widths = "free"
) -> dict[str, Any]:
    """Give the document in pandoc's own form (its JSON), so that no text needs to be escaped.

    Parameters
    ----------
    document : Document
    pictures : sequence of str
        File of each picture, in order.
    widths : "free", "crowded" or "all"
        Of which tables to say how wide the columns are: of those that are wider than a page where
        the format fits the others to what they hold, of all where it does not.
    """
    meta = {
        "title": _node("MetaInlines", _inlines(document.title)),
        **({"author": _node("MetaInlines", _inlines(document.author))} if document.author else {}),
        "lang": _node("MetaString", document.language),
    }
    colon = "\u00a0:" if document.language.startswith("fr") else ":"
    numbers, files = captions(document.blocks, language=document.language), iter(pictures)
    blocks = _nodes(
        document.blocks, captions=numbers, files=files, parts=count(1), widths=widths, colon=colon
    )
    blocks = list(_folding(blocks))
    return {"pandoc-api-version": PANDOC_API, "meta": meta, "blocks": blocks}


def _folding(blocks: Iterable[dict[str, Any]]) -> Iterator[dict[str, Any]]:
    """Let parts be folded where there are no pages."""
    is_open = False
    for block in blocks:
        if block["t"] != "Header" or block["c"][0] > 1:
            yield block
            continue
        end = "</details>" if is_open else ""
        yield _node("RawBlock", ["html", f"{end}<details open><summary>"])
        yield block
        yield _node("RawBlock", ["html", "</summary>"])
        is_open = True
    if is_open:
        yield _node("RawBlock", ["html", "</details>"])


def _nodes(
    blocks: Iterable[Block],
    *,
    captions: Iterator[str],
    files: Iterator[str],
    parts: Iterator[int],
    widths: Widths,
    colon: str,
) -> list[dict[str, Any]]:
    """Blocks in pandoc's form, with the next captions, pictures and names of headings."""
    again: dict[str, Any] = {
        "captions": captions,
        "files": files,
        "parts": parts,
        "widths": widths,
        "colon": colon,
    }
    found: list[dict[str, Any]] = []
    for block in blocks:
        if isinstance(block, Heading):
            classes = ["new-page"] if block.new_page else []
            found += _page_break() if block.new_page else []
            attributes = [f"part-{next(parts)}", classes, []]
            found.append(_node("Header", [block.level, attributes, _inlines(block.text)]))
        elif isinstance(block, Prose):
            found += [_node("Para", _inlines(part)) for part in paragraphs(block.text)]
        elif isinstance(block, Note):
            about = [_node("Strong", _inlines(f"{block.about}."))] if block.about else []
            text = [*about, *([{"t": "Space"}] if about else []), *_inlines(block.text)]
            found.append(_node("BlockQuote", [_node("Para", text)]))
        elif isinstance(block, Code):
            found.append(_node("CodeBlock", [NO_ATTRIBUTES, block.text]))
        elif isinstance(block, Facts):
            found.append(_node("Para", _facts(block, colon)))
        elif isinstance(block, Bullets):
            items = [
                [_node("Plain", _inlines(item))] if isinstance(item, str) else _nodes(item, **again)
                for item in block.items
            ]
            numbered = [[1, {"t": "Decimal"}, {"t": "Period"}], items]
            ordered = block.mark == "1."
            found.append(_node("OrderedList", numbered) if ordered else _node("BulletList", items))
        elif isinstance(block, Picture):
            caption = next(captions) if block.caption else ""
            found.append(_figure(block, caption, next(files)))
        elif isinstance(block, Table):
            caption = next(captions) if block.caption else ""
            shares = None
            if widths != "free":
                shares = column_shares(block, letters=TO_EDIT if widths == "all" else IN_PDF)
            if shares is not None and widths == "crowded" and sum(shares) < 1 - ROUNDING:
                shares = None
            found.append(_table(block, caption, widths=shares))
        else:
            inner = _nodes(block.blocks, **again)
            found.append(_node("RawBlock", ["typst", "#block(breakable: false)["]))
            found.append(_node("Div", [["", ["together"], []], inner]))
            found.append(_node("RawBlock", ["typst", "]"]))
    return found


def _node(kind: str, content: object) -> dict[str, Any]:
    return {"t": kind, "c": content}


def _inlines(text: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = []
    for word in SPACES.split(printable(text).strip(" \t\r\n")):
        if found:
            found.append({"t": "Space"})
        found.append(_node("Str", word))
    return found


def _page_break() -> list[dict[str, Any]]:
    """Begin a new page where there are pages; HTML has it from the style of the heading."""
    return [
        _node("RawBlock", ["typst", "#pagebreak(weak: true)"]),
        _node("RawBlock", ["openxml", '<w:p><w:r><w:br w:type="page"/></w:r></w:p>']),
    ]


def _facts(facts: Facts, colon: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = []
    for name, text in facts.rows:
        found += [{"t": "LineBreak"}] if found else []
        found += [_node("Strong", _inlines(f"{name}{colon}")), {"t": "Space"}, *_inlines(text)]
    return found


def _figure(picture: Picture, caption: str, file: str) -> dict[str, Any]:
    width = ["", [], [["width", f"{100 * picture.width_share:g}%"]]]
    image = _node("Image", [width, _inlines(picture.alternative), [file, ""]])
    under = [None, [_node("Plain", _inlines(caption))] if caption else []]
    return _node("Figure", [NO_ATTRIBUTES, under, [_node("Plain", [image])]])


def column_shares(table: Table, *, letters: tuple[int, int] = TO_EDIT) -> list[float]:
    """Share of a line that each column needs, by the longest text in it.

    Where all together are too wide, columns give way that have room beside their longest word:
    each time the one that, for the letters it gives, costs the fewest lines of rows and cells.
    `letters` are those of the widest column and of a line.
    """
    widest, line = letters
    columns = [
        [str(text) for text in texts] for texts in zip(table.labels, *table.rows, strict=True)
    ]
    wide = [min(max(NARROWEST, *map(len, texts)), widest) for texts in columns]
    least = [max(map(len, SPACES.split(" ".join(texts))), default=0) for texts in columns]
    lines = [
        [_lines(text, width) for text in texts] for texts, width in zip(columns, wide, strict=True)
    ]

    def height(i: int, own: Sequence[int]) -> float:
        rows = list(zip(*lines[:i], own, *lines[i + 1 :], strict=True))
        return sum(map(max, rows)) + sum(map(sum, rows)) / len(wide)

    while (over := sum(wide) + BETWEEN * len(wide) - line) > 0:
        found = []
        for i, width in enumerate(wide):
            now = height(i, lines[i])
            for narrow in range(max(least[i], width - over), width):
                own = [_lines(text, narrow) for text in columns[i]]
                found.append(((height(i, own) - now) / (width - narrow), narrow - width, i, own))
        if not found:
            break
        _, less, i, lines[i] = min(found)
        wide[i] += less
    full = max(sum(wide) + BETWEEN * len(wide), line)
    return [(one + BETWEEN) / full for one in wide]


def _lines(text: str, width: int) -> int:
    """Lines that a text takes in a column of so many letters."""
    lines, room = 1, width
    for word in map(len, SPACES.split(text)):
        if word > room:
            lines, room = lines + 1, width
        room -= word + 1
    return lines


def _table(table: Table, caption: str, *, widths: list[float] | None) -> dict[str, Any]:
    align = ["AlignRight" if i in table.numeric else "AlignLeft" for i in range(len(table.head))]
    fit: list[dict[str, Any]] = [{"t": "ColWidthDefault"}] * len(align)
    if widths is not None:
        fit = [_node("ColWidth", share) for share in widths]
    columns = [[{"t": side}, width] for side, width in zip(align, fit, strict=True)]

    def row(cells: Sequence[str | Cell]) -> list[Any]:
        default = {"t": "AlignDefault"}
        texts = [[_node("Plain", _inlines(str(cell)))] for cell in cells]
        return [NO_ATTRIBUTES, [[NO_ATTRIBUTES, default, 1, 1, text] for text in texts]]

    over = [None, [_node("Plain", _inlines(caption))] if caption else []]
    head = [NO_ATTRIBUTES, [row(table.labels)] if any(table.head) else []]
    body = [NO_ATTRIBUTES, 0, [], [row(cells) for cells in table.rows]]
    return _node("Table", [NO_ATTRIBUTES, over, columns, head, [body], [NO_ATTRIBUTES, []]])
