"""A word processor's file: what pandoc makes, on the pages and in the style of the document."""

from __future__ import annotations

import re
from collections.abc import Callable
from html import escape

from homeenergy.show.document.blocks import Document
from homeenergy.words import printable

# Width and height of a page, and its margins [twentieths of a point].
PAGES = {"a4": (11906, 16838), "letter": (12240, 15840)}
MARGIN = 1190
PANDOC_WIDTH = 7920  # of the lines for which pandoc counts columns
WHOLE_ROWS = 24  # up to so many, a table stays on one page
WHOLE_END = 30  # paragraphs: up to so many, the last chapter does
SMALL = '<w:sz w:val="16"/>'  # half points
BODY = 19  # half points
SIZES = {"Title": 32, "Heading1": 30, "Heading2": 24, "Heading3": 22}  # half points
FOOTER = "word/footer1.xml"
FOOTER_ID = "rIdFooter"
OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
WORDS = "http://schemas.openxmlformats.org/wordprocessingml/2006/main"


def with_own_style(part: str, text: str, document: Document) -> str:
    """Give one part of the file the pages, styles and footer of the document."""
    if part == "word/styles.xml":
        return _styles(text, document.colour)
    if part == "word/document.xml":
        return _pages(text, document)
    if part == "word/_rels/document.xml.rels":
        footer = f'<Relationship Type="{OFFICE}/footer" Id="{FOOTER_ID}" Target="footer1.xml"/>'
        return text.replace("</Relationships>", f"{footer}</Relationships>")
    if part == "[Content_Types].xml":
        kind = "application/vnd.openxmlformats-officedocument.wordprocessingml.footer+xml"
        footer = f'<Override PartName="/{FOOTER}" ContentType="{kind}"/>'
        return text.replace("</Types>", f"{footer}</Types>")
    return text


def footer(document: Document) -> dict[str, str]:
    """Give the part that stands at the foot of each page: the title, and the page's number."""
    width = PAGES[document.paper][0] - 2 * MARGIN

    def run(inner: str) -> str:
        return f'<w:r><w:rPr><w:color w:val="666666"/>{SMALL}</w:rPr>{inner}</w:r>'

    def number(field: str) -> str:
        return "".join(
            run(inner)
            for inner in (
                '<w:fldChar w:fldCharType="begin"/>',
                f'<w:instrText xml:space="preserve"> {field} </w:instrText>',
                '<w:fldChar w:fldCharType="separate"/>',
                "<w:t>1</w:t>",
                '<w:fldChar w:fldCharType="end"/>',
            )
        )

    title = escape(printable(document.title), quote=False)
    line = (
        f'<w:p><w:pPr><w:tabs><w:tab w:val="right" w:pos="{width}"/></w:tabs></w:pPr>'
        + run(f'<w:t xml:space="preserve">{title}</w:t>')
        + run("<w:tab/>")
        + number("PAGE")
        + run('<w:t xml:space="preserve"> / </w:t>')
        + number("NUMPAGES")
        + "</w:p>"
    )
    head = '<?xml version="1.0" encoding="UTF-8"?>'
    return {FOOTER: f'{head}<w:ftr xmlns:w="{WORDS}">{line}</w:ftr>'}


def _pages(text: str, document: Document) -> str:
    """Set the page, and what stays together on one."""
    width, height = PAGES[document.paper]
    page = (
        f'<w:pgSz w:w="{width}" w:h="{height}"/><w:pgMar w:top="{MARGIN}" w:right="{MARGIN}" '
        f'w:bottom="{MARGIN}" w:left="{MARGIN}" w:header="600" w:footer="600" w:gutter="0"/>'
    )

    def full_width(column: re.Match[str]) -> str:
        return str(int(column[0]) * (width - 2 * MARGIN) // PANDOC_WIDTH)

    text = re.sub(r"<w:pgSz [^>]*/>|<w:pgMar [^>]*/>", "", text)
    text = re.sub(r"<w:sectPr ?/>", "<w:sectPr></w:sectPr>", text)
    foot = f'<w:footerReference w:type="default" r:id="{FOOTER_ID}"/>'
    text = re.sub(r"<w:sectPr(?: [^>]*)?>", rf"\g<0>{foot}", text)
    text = text.replace("</w:sectPr>", f"{page}</w:sectPr>")
    # A heading breaks the page itself: a break of its own may fall on a page of its own.
    text = re.sub(
        r'<w:p><w:r><w:br w:type="page" ?/></w:r></w:p>'
        r"(\s*(?:<w:bookmark(?:Start|End) [^>]*/>\s*)*<w:p>\s*<w:pPr>\s*<w:pStyle [^>]*/>)",
        r"\1<w:pageBreakBefore/>",
        text,
    )
    # A paragraph stays on the page of the figure that follows it.
    text = re.sub(
        r'(<w:pStyle w:val="(?:BodyText|FirstParagraph)" ?/>)'
        r"(?=(?:(?!</w:p>).)*</w:p>\s*<w:p><w:pPr>(?:<w:keepNext ?/>)?"
        r'<w:pStyle w:val="CaptionedFigure")',
        r"\1<w:keepNext/>",
        text,
        flags=re.DOTALL,
    )
    # A row of a table stays on one page.
    text = re.sub(r"<w:tr(?: [^>]*)?>(?!<w:trPr>)", r"\g<0><w:trPr></w:trPr>", text)
    text = re.sub(r"<w:trPr ?/>|<w:trPr>", "<w:trPr><w:cantSplit/>", text)
    text = re.sub(r'(?<=<w:gridCol w:w=")\d+', full_width, text)
    text = re.sub(r"<w:tbl>.*?</w:tbl>", _small, text, flags=re.DOTALL)
    at = text.rfind('<w:pStyle w:val="Heading1"')
    last = text.rfind("<w:p>")
    if at < 0 or text.count("<w:p>", at) > WHOLE_END:
        return text
    return text[:at] + _kept(text[at:last]) + text[last:]


def _kept(text: str) -> str:
    """Keep each paragraph on the page of the one that follows it."""
    return re.sub(r"<w:pStyle [^>]*/>(?!\s*<w:keepNext)", r"\g<0><w:keepNext/>", text)


def _styles(text: str, colour: str) -> str:
    """Give headings the colour of the document, and tables thin rules and bold heads."""
    accent = colour.lstrip("#") or "1A1A1A"

    def styled(style: str, change: Callable[[str], str]) -> None:
        nonlocal text
        pattern = rf'<w:style [^>]*w:styleId="{style}".*?</w:style>'
        text = re.sub(pattern, lambda found: change(found[0]), text, count=1, flags=re.DOTALL)

    def coloured(found: str) -> str:
        return re.sub(r"<w:color [^>]*/>", f'<w:color w:val="{accent}"/>', found)

    def sized(size: int) -> Callable[[str], str]:
        return lambda found: re.sub(r'(<w:szC?s? w:val=")\d+', rf"\g<1>{size}", found)

    def ruled(found: str) -> str:
        line = '<w:{side} w:val="single" w:sz="4" w:space="0" w:color="BFBFBF"/>'
        borders = "".join(line.format(side=side) for side in ("top", "bottom", "insideH"))
        before, first = "<w:tblCellMar>", '<w:tblStylePr w:type="firstRow">'
        found = found.replace(before, f"<w:tblBorders>{borders}</w:tblBorders>{before}", 1)
        return found.replace(first, f"{first}<w:rPr><w:b/></w:rPr>", 1)

    def whole(found: str) -> str:
        return found.replace("<w:pPr>", "<w:pPr><w:keepLines/>", 1)

    for style, size in SIZES.items():
        styled(style, coloured)
        styled(style, sized(size))
    # About as large as in the PDF and in print, so that page one is a page in other fonts too.
    text = re.sub(
        r"<w:docDefaults>.*?</w:docDefaults>",
        lambda found: sized(BODY)(found[0]),
        text,
        flags=re.DOTALL,
    )
    # Space around paragraphs as in print: half of what a screen takes.
    text = re.sub(
        r'(?<= w:)(before|after)="(\d+)"', lambda space: f'{space[1]}="{int(space[2]) // 2}"', text
    )
    styled("Table", ruled)
    for style in ("BlockText", "BodyText"):
        styled(style, whole)
    return text


def _small(table: re.Match[str]) -> str:
    """Set the text of a table smaller than that of the page, and keep a short one whole."""
    small = table[0].replace("<w:r><w:t", f"<w:r><w:rPr>{SMALL}</w:rPr><w:t")
    *before, last, end = re.split(r"(?<=</w:tr>)", small)
    if len(before) >= WHOLE_ROWS:
        return small
    return "".join((*map(_kept, before), last, end))
