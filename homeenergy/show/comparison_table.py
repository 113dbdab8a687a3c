"""A comparison for the terminal: the sentence, and the figures behind it."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from homeenergy.findings.wording import interval_text, value_text

if TYPE_CHECKING:
    from homeenergy.findings.comparison import Comparison


def comparison_table(found: Comparison, *, width: int = 100) -> list[str]:
    """Lines of text, at most `width` columns wide.

    Parameters
    ----------
    found : Comparison
    width : int
        Columns of the terminal.
    """
    per = found.per
    rows = [
        ("", f"{per}s", f"kWh per {per}", "95 % interval"),
        (found.name_a, f"{found.a.n:,}", value_text(found.a), interval_text(found.a)),
        (found.name_b, f"{found.b.n:,}", value_text(found.b), interval_text(found.b)),
        ("difference", "", value_text(found.difference), interval_text(found.difference)),
        ("ratio", "", value_text(found.ratio), interval_text(found.ratio)),
    ]
    wide = [max(len(row[k]) for row in rows) for k in range(4)]
    wide[0] = min(wide[0], max(width - sum(wide[1:]) - 6, 10))
    lines = [*textwrap.wrap(found.sentence, width), ""]
    for name, *cells in rows:
        parts = textwrap.wrap(name, wide[0]) or [""]
        lines += parts[:-1]
        numbers = "  ".join(cell.rjust(w) for cell, w in zip(cells, wide[1:], strict=True))
        lines.append(f"{parts[-1]:<{wide[0]}}  {numbers}".rstrip())
    note = f" ({found.correction})" if found.correction else ""
    lines += ["", *textwrap.wrap(f"Method: {found.method}; p = {found.p:.2g}{note}.", width)]
    for remark in found.remarks:
        lines += textwrap.wrap(remark, width)
    return lines
