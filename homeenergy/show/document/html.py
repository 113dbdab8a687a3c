"""Blocks as HTML that needs nothing else: no scripts, no other files."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Iterable
from html import escape

from homeenergy.show.document.blocks import (
    Block,
    Bullets,
    Cell,
    Code,
    Facts,
    Heading,
    Note,
    Picture,
    Prose,
    Table,
    paragraphs,
)

JPEG = b"\xff\xd8"  # first bytes of such a file
STYLE = """
:root { color-scheme: light; }
body { font: 16px/1.5 system-ui, "DejaVu Sans", sans-serif; color: #1a1a1a; background: #fff;
       max-width: 62rem; margin: 2rem auto; padding: 0 1rem; }
h1 { font-size: 1.7rem; margin-bottom: 0.2rem; }
h1 + p { margin-bottom: 0; }
h1 + p + p { margin-top: 0; }
h2 { font-size: 1.25rem; margin-top: 2.2rem; border-top: 1px solid #ccc; padding-top: 1rem; }
.table { overflow-x: auto; }
table { border-collapse: collapse; font-variant-numeric: tabular-nums; font-size: 0.92rem; }
caption { text-align: left; padding-bottom: 0.5rem; color: #444; }
caption div { max-width: min(60rem, 100vw - 2rem); }
th, td { padding: 0.3rem 0.5rem; text-align: right; vertical-align: top;
         border-bottom: 1px solid #ddd; white-space: nowrap; }
thead th { border-bottom: 2px solid #444; vertical-align: bottom; white-space: normal; }
.words { text-align: left; white-space: normal; min-width: 6.5rem; }
.unit { font-weight: normal; white-space: nowrap; }
td small { color: #555; display: block; }
figure { margin: 1rem 0; }
img { max-width: 100%; height: auto; }
aside { border: 2px solid #444; padding: 0.6rem 1rem; margin-top: 2.5rem; }
@media print {
  body { max-width: none; margin: 0; font-size: 10.5pt; }
  h2 { break-after: avoid; margin-top: 0.8rem; padding-top: 0.4rem; }
  section, figure, tr { break-inside: avoid; }
  .table { overflow: visible; }
  img { max-height: 7.8cm; width: auto; }
  th, td { padding: 0.15rem 0.35rem; font-size: 8.5pt; }
}
"""


def html_page(title: str, blocks: Iterable[Block]) -> str:
    """Write a whole page: its title as the first heading, then the blocks."""
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{escape(title)}</title>
<style>{STYLE}</style>
</head>
<body>
<h1>{escape(title)}</h1>
{html_blocks(blocks)}
</body>
</html>
"""


def html_blocks(blocks: Iterable[Block], *, most_rows: int | None = None) -> str:
    """Write blocks as HTML, their headings from level 2 on.

    Parameters
    ----------
    blocks : iterable of blocks
    most_rows : int, optional
        Of a table; how many more there are is said below it. Default: all.
    """
    return "\n".join(_html(block, most_rows) for block in blocks)


def _html(block: Block, most_rows: int | None) -> str:
    if isinstance(block, Heading):
        return f"<h{block.level + 1}>{escape(block.text)}</h{block.level + 1}>"
    if isinstance(block, Prose):
        return "".join(f"<p>{escape(part)}</p>" for part in paragraphs(block.text))
    if isinstance(block, Note):
        about = f"<strong>{escape(block.about)}.</strong> " if block.about else ""
        return f"<aside><p>{about}{escape(block.text)}</p></aside>"
    if isinstance(block, Code):
        return f"<pre>{escape(block.text)}</pre>"
    if isinstance(block, Facts):
        lines = (f"<b>{escape(name)}:</b> {escape(text)}" for name, text in block.rows)
        return "<p>" + "<br>".join(lines) + "</p>"
    if isinstance(block, Bullets):
        tag = "ol" if block.mark == "1." else "ul"
        items = (escape(i) if isinstance(i, str) else html_blocks(i) for i in block.items)
        return f"<{tag}>" + "".join(f"<li>{item}</li>" for item in items) + f"</{tag}>"
    if isinstance(block, Picture):
        return _figure(block)
    if isinstance(block, Table):
        return _table(block, most_rows)
    return f"<section>\n{html_blocks(block.blocks, most_rows=most_rows)}\n</section>"


def _figure(picture: Picture) -> str:
    kind = "jpeg" if picture.image.startswith(JPEG) else "png"
    data = b64encode(picture.image).decode("ascii")
    caption = f"<figcaption>{escape(picture.caption)}</figcaption>" if picture.caption else ""
    return (
        f'<figure><img style="max-width:100%" src="data:image/{kind};base64,{data}" '
        f'alt="{escape(picture.alternative)}">{caption}</figure>'
    )


def _table(table: Table, most_rows: int | None) -> str:
    side = ["" if i in table.numeric else ' class="words"' for i in range(len(table.head))]
    units = table.units or ("",) * len(table.head)
    heads = "".join(
        f'<th scope="col"{words}>{escape(head)}'
        + (f' <span class="unit">[{escape(unit)}]</span></th>' if unit else "</th>")
        for head, unit, words in zip(table.head, units, side, strict=True)
    )
    rows = table.rows[:most_rows]
    body = "\n".join(
        f'<tr><th scope="row"{side[0]}>{escape(str(first))}</th>'
        + "".join(_cell(cell, words) for cell, words in zip(cells, side[1:], strict=True))
        + "</tr>"
        for first, *cells in rows
    )
    more = len(table.rows) - len(rows)
    caption = f"<caption><div>{escape(table.caption)}</div></caption>" if table.caption else ""
    return (
        f'<div class="table"><table>\n{caption}\n<thead><tr>{heads}</tr></thead>\n'
        f"<tbody>\n{body}\n</tbody>\n</table></div>"
        + (f"<p>and {more} more rows</p>" if more else "")
    )


def _cell(cell: str | Cell, words: str) -> str:
    if isinstance(cell, str):
        return f"<td{words}>{escape(cell)}</td>"
    ends = escape(cell.interval).replace(", only", ",<br>only")
    below = f"<small>{ends}</small>" if cell.interval else ""
    return f'<td{words} title="{escape(cell.basis)}">{escape(cell.text)}{below}</td>'
