"""A part of a write-up as a notebook shows it."""

from __future__ import annotations

from base64 import b64encode
from dataclasses import dataclass
from html import escape

from homeenergy.show.document import Block, Bullets, Facts, Grid, Heading, Picture, Prose, flat
from homeenergy.show.document_files import JPEG

MOST_ROWS = 30  # of a table, in a notebook


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ShownPart:
    """Blocks that a notebook shows as HTML; texts stay as they were typed."""

    blocks: tuple[Block, ...]

    def __repr__(self) -> str:
        return f"ShownPart({len(self.blocks)} blocks)"

    def _repr_html_(self) -> str:
        return "\n".join(_html(block) for block in flat(self.blocks))


def _html(block: Block) -> str:
    if isinstance(block, Heading):
        return f"<h{block.level + 1}>{escape(block.text)}</h{block.level + 1}>"
    if isinstance(block, Prose):
        return "".join(f"<p>{escape(part)}</p>" for part in block.text.split("\n\n"))
    if isinstance(block, Bullets):
        return "<ul>" + "".join(f"<li>{escape(item)}</li>" for item in block.items) + "</ul>"
    if isinstance(block, Facts):
        lines = (f"<b>{escape(name)}:</b> {escape(text)}" for name, text in block.rows)
        return "<p>" + "<br>".join(lines) + "</p>"
    if isinstance(block, Picture):
        data = b64encode(block.image).decode()
        kind = "jpeg" if block.image.startswith(JPEG) else "png"
        return (
            f'<figure><img style="max-width:100%" alt="{escape(block.alternative)}" '
            f'src="data:image/{kind};base64,{data}"><figcaption>{escape(block.caption)}</figcaption>'
            "</figure>"
        )
    return _table(block) if isinstance(block, Grid) else ""


def _table(grid: Grid) -> str:
    def row(texts: tuple[str, ...], tag: str) -> str:
        return "<tr>" + "".join(f"<{tag}>{escape(text)}</{tag}>" for text in texts) + "</tr>"

    body = "".join(row(texts, "td") for texts in grid.rows[:MOST_ROWS])
    more = len(grid.rows) - MOST_ROWS
    rest = f"<p>and {more} more rows</p>" if more > 0 else ""
    return (
        f"<table><caption>{escape(grid.caption)}</caption><thead>{row(grid.head, 'th')}</thead>"
        f"<tbody>{body}</tbody></table>{rest}"
    )
