"""Documents: texts as typed in every format, numbered captions, the same bytes again."""

import json
import re
import zipfile
from datetime import date
from html import unescape
from io import BytesIO

import pandas as pd
import pypdfium2
import pytest
from matplotlib.figure import Figure

from homeenergy.errors import HouseError
from homeenergy.show.document.blocks import (
    Bullets,
    Document,
    Facts,
    Heading,
    Picture,
    Prose,
    Table,
    Together,
)
from homeenergy.show.document.files import (
    column_shares,
    pandoc_form,
    read_record,
    was_altered,
    write_document,
)

NASTY = '*Mr* <i>X</i> & "Y" #strong[a] $5$ \\ back_slash `c` @ref <label> // no /* c */ {{z}}'
FORMATS = ("html", "pdf", "docx", "xlsx")


def picture(height_in=2.0):
    file = BytesIO()
    Figure(figsize=(4, height_in)).savefig(file, format="png")
    return file.getvalue()


def document(**changes):
    blocks = (
        Facts(rows=(("Client", NASTY), ("Site", "عمر"))),
        Heading(text="One <b>"),
        Prose(text="First.\n\nSecond."),
        Bullets(items=("a", NASTY)),
        Picture(image=picture(), caption="What it <shows>", alternative='A line "up" & down'),
        Heading(text="Two", new_page=True),
        Table(
            head=("name", "kWh"),
            rows=tuple((f"row number {i}", f"{i / 7:.2f}") for i in range(90)),
            caption="All of them",
            numeric=frozenset({1}),
            sheet="runs",
            data=pd.DataFrame({"name": [NASTY, "=1+1"], "kwh": [1.5, 2.5]}),
        ),
    )
    given = {
        "title": f"House {NASTY}",
        "blocks": blocks,
        "written": date(2026, 3, 1),
        "author": NASTY,
        "record": {"note": "</script><x>", "hash": "ab"},
    }
    return Document(**(given | changes))


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    folder = tmp_path_factory.mktemp("documents")
    return {name: write_document(document(), folder / f"d.{name}") for name in FORMATS}


def pages(path):
    with pypdfium2.PdfDocument(path) as pdf:
        return [page.get_textpage().get_text_range() for page in pdf]


def text_of(path):
    if path.suffix == ".pdf":
        return "\n".join(pages(path))
    if path.suffix == ".html":
        return unescape(re.sub(r"<[^>]*>", "", path.read_text(encoding="utf-8")))
    with zipfile.ZipFile(path) as package:
        return unescape(re.sub(r"<[^>]*>", "", package.read("word/document.xml").decode()))


@pytest.mark.parametrize("name", ["html", "pdf", "docx"])
def test_texts_are_shown_as_typed(files, name):
    text = " ".join(text_of(files[name]).split())
    assert text.count(NASTY) >= 3
    assert "One <b>" in text
    assert "Figure 1. What it <shows>" in text
    assert "Table 1. All of them" in text


@pytest.mark.parametrize("name", FORMATS)
def test_the_same_document_gives_the_same_bytes(files, name, tmp_path):
    again = write_document(document(), tmp_path / f"again.{name}")
    assert again.read_bytes() == files[name].read_bytes()
    other = write_document(document(title="Other"), tmp_path / f"other.{name}")
    assert other.read_bytes() != files[name].read_bytes()


@pytest.mark.parametrize("name", FORMATS)
def test_the_record_comes_back(files, name):
    assert read_record(files[name]) == {"note": "</script><x>", "hash": "ab"}


@pytest.mark.parametrize("name", FORMATS)
def test_a_document_that_somebody_changed_is_told(files, name, tmp_path):
    assert not was_altered(files[name])
    content = files[name].read_bytes()
    changed = tmp_path / f"changed.{name}"
    if name in ("docx", "xlsx"):
        part = "word/document.xml" if name == "docx" else "xl/worksheets/sheet1.xml"
        with zipfile.ZipFile(files[name]) as before, zipfile.ZipFile(changed, "w") as after:
            for one in before.namelist():
                text = before.read(one)
                after.writestr(one, text.replace(b"1", b"2") if one == part else text)
    else:
        half = len(content) // 2  # of a PDF, one bit; of a page, a letter
        changed.write_bytes(content[:half] + bytes([content[half] ^ 1]) + content[half + 1 :])
    assert was_altered(changed)


def test_a_part_of_a_document_is_no_document(files, tmp_path, caplog):
    content = files["html"].read_bytes()
    (tmp_path / "cut.html").write_bytes(content[: len(content) * 2 // 3])
    assert was_altered(tmp_path / "cut.html")
    for name in ("pdf", "docx", "xlsx"):
        content = files[name].read_bytes()
        for length in (len(content) * 2 // 3, 0):
            cut = tmp_path / f"cut.{name}"
            cut.write_bytes(content[:length])
            with pytest.raises(HouseError, match=r"holds no record|cannot be read"):
                read_record(cut)
    assert not caplog.records  # a library's own words would stand beside the message


def test_a_file_of_something_else_has_no_record(tmp_path):
    for name in ("html", "docx"):
        (tmp_path / f"x.{name}").write_text("hello")
        with pytest.raises(HouseError, match="holds no record"):
            read_record(tmp_path / f"x.{name}")


def test_an_unknown_ending_is_refused(tmp_path):
    with pytest.raises(HouseError, match=r"written as \.rtf"):
        write_document(document(), tmp_path / "d.rtf")


@pytest.mark.parametrize(
    ("paper", "size_pt"), [("a4", (595.28, 841.89)), ("letter", (612.0, 792.0))]
)
def test_pages_have_the_size_of_the_paper(tmp_path, paper, size_pt):
    path = write_document(document(paper=paper), tmp_path / "d.pdf")
    with pypdfium2.PdfDocument(path) as pdf:
        assert pdf[0].get_size() == pytest.approx(size_pt, abs=0.01)
    path = write_document(document(paper=paper), tmp_path / "d.docx")
    with zipfile.ZipFile(path) as package:
        sizes = re.findall(
            r'<w:pgSz w:w="(\d+)" w:h="(\d+)"/>', package.read("word/document.xml").decode()
        )
    assert [(int(w) / 20, int(h) / 20) for w, h in sizes] == [pytest.approx(size_pt, abs=0.05)]


def test_a_long_table_repeats_its_head_and_a_heading_can_begin_a_page(files):
    text = pages(files["pdf"])
    assert len(text) >= 3
    assert text[1].lstrip().startswith("Two")
    for page in text[1:]:
        assert re.search(r"name\s+kWh", page)


def test_rows_of_a_document_to_edit_stay_whole(files):
    with zipfile.ZipFile(files["docx"]) as package:
        text = package.read("word/document.xml").decode()
    assert text.count("<w:cantSplit/>") == len(re.findall(r"<w:tr[ >]", text)) == 91


def test_where_columns_are_crowded_the_longest_text_keeps_its_room():
    text = "what to do, said in so many words that it takes some lines in any column of a page"
    grid = Table(
        head=("", text[:10], "a year", "share of the whole bill"),
        rows=((1, 3 * text, "up to 171 (131 to 211) of it", "6 %"),) * 3,
    )
    number, do, year, share = column_shares(grid, letters=(70, 100))
    assert number == 5 / 100
    # Its head takes two lines before each of three rows takes another.
    assert max(map(len, ("share of the", "whole bill"))) + 4 == round(100 * share)
    assert do > 0.5
    assert do + year + share == pytest.approx(0.95)


def test_columns_of_a_document_to_edit_fit_what_they_hold(tmp_path):
    grid = Table(head=("n", "words", "kWh"), rows=(("1", "w" * 90, "0.1"), ("2", "short", "12.25")))
    shares = column_shares(grid)
    assert shares == [8 / 100, 64 / 100, 9 / 100]
    assert sum(column_shares(Table(head=("w" * 40,) * 4, rows=()))) == pytest.approx(1, abs=1e-12)
    path = write_document(document(blocks=(grid,), paper="letter"), tmp_path / "d.docx")
    with zipfile.ZipFile(path) as package:
        text = package.read("word/document.xml").decode()
    wide = [int(w) for w in re.findall(r'<w:gridCol w:w="(\d+)"', text)]
    # Of the width of a US Letter page between its margins, in twentieths of a point.
    assert wide == pytest.approx([share * (12240 - 2 * 1190) for share in shares], abs=3)


def test_pictures_have_their_words_and_pages_need_nothing_else(files):
    html = files["html"].read_text(encoding="utf-8")
    assert 'alt="A line &quot;up&quot; &amp; down"' in html
    assert not re.findall(r'(?:src|href)="(?!data:|#)[^"]*"', html)
    with zipfile.ZipFile(files["docx"]) as package:
        assert "A line &quot;up&quot; &amp; down" in package.read("word/document.xml").decode()
    assert b"/Alt" in files["pdf"].read_bytes() or b"/StructTreeRoot" in files["pdf"].read_bytes()


def test_contents_of_the_page_lead_to_every_heading(tmp_path):
    parts = tuple(
        Together(blocks=(Heading(text=name, level=level), Prose(text="Words.")))
        if level == 2
        else Heading(text=name)
        for name, level in (("One", 1), ("First of one", 2), ("Two", 1), ("First of two", 2))
    )
    html = write_document(document(blocks=parts), tmp_path / "d.html").read_text(encoding="utf-8")
    contents = html[html.index("<nav") : html.index("</nav>")]
    links = re.findall(r'href="#([^"]+)"[^>]*>([^<]+)</a>', contents)
    assert [name for _, name in links] == ["One", "First of one", "Two", "First of two"]
    for target, name in links:  # the name is that of the heading, or of the section it begins
        assert re.search(rf' id="{target}"[^>]*>(?:\s*<h2>)?{name}</h', html)


def test_metadata_of_the_pdf(files):
    with pypdfium2.PdfDocument(files["pdf"]) as pdf:
        about = pdf.get_metadata_dict()
    assert about["Title"] == f"House {NASTY}"
    assert about["Author"] == NASTY
    assert about["CreationDate"].startswith("D:20260301")


def test_sheets_hold_numbers_and_texts_and_no_formulas(files):
    openpyxl = pytest.importorskip("openpyxl")
    sheet = openpyxl.load_workbook(files["xlsx"])["runs"]
    rows = [tuple(cell.value for cell in row) for row in sheet.iter_rows()]
    assert rows == [("name", "kWh"), (NASTY, 1.5), ("=1+1", 2.5)]
    assert {sheet["A3"].data_type, sheet["A2"].data_type} == {"s"}


def test_sheets_print_as_wide_as_a_page_and_times_are_times(tmp_path):
    openpyxl = pytest.importorskip("openpyxl")
    start = pd.date_range("2026-10-24T23:30Z", periods=3, freq="h").tz_convert("Europe/Amsterdam")
    data = pd.DataFrame(
        {"start": start, "missing_s": [0.0, 60.0, 0.0], "complete": [True, False, True]}
    )
    many = pd.DataFrame({f"figure_{i}": [1.5] for i in range(60)})
    blocks = tuple(
        Table(head=(), rows=(), sheet=name, data=d)
        for name, d in {"runs": data, "wide": many}.items()
    )
    path = write_document(document(blocks=blocks, language="de"), tmp_path / "d.xlsx")
    book = openpyxl.load_workbook(path)
    rows = [[cell.value for cell in row] for row in book["runs"].iter_rows()]
    assert [row[1:] for row in rows] == [
        ["fehlend [s]", "vollständig", "Abstand zu UTC"],
        [0, "ja", "+02:00"],
        [60, "nein", "+02:00"],  # the hour that comes twice, told apart
        [0, "ja", "+01:00"],
    ]
    assert rows[2][0].isoformat() == rows[3][0].isoformat() == "2026-10-25T02:30:00"
    assert book["runs"]["B2"].number_format == "#,##0"
    for sheet in book:
        assert sheet.sheet_properties.pageSetUpPr.fitToPage
        assert sheet.page_setup.fitToHeight == 0
    assert book["runs"].page_setup.fitToWidth == 1
    assert book["runs"].print_title_rows == "$1:$1"
    assert book["wide"].page_setup.orientation == "landscape"
    assert book["wide"].page_setup.fitToWidth > 1


def test_pages_of_a_document_to_edit_are_numbered(files):
    with zipfile.ZipFile(files["docx"]) as package:
        foot = package.read("word/footer1.xml").decode()
        whole = package.read("word/document.xml").decode()
        names = package.read("word/_rels/document.xml.rels").decode()
        kinds = package.read("[Content_Types].xml").decode()
    assert " PAGE " in foot
    assert " NUMPAGES " in foot
    (name,) = re.findall(r'<w:footerReference w:type="default" r:id="(\w+)"/>', whole)
    assert f'Id="{name}" Target="footer1.xml"' in names
    assert 'PartName="/word/footer1.xml"' in kinds


def test_pandoc_sees_texts_only():
    form = json.dumps(pandoc_form(document(), ["a.png"]))
    assert "RawInline" not in form
