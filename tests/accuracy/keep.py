"""Where the studies leave what they found: Markdown to read, and the same figures as CSV."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

RESULTS = Path(__file__).parent / "results"


def keep(
    name: str, *, title: str, text: str, figures: pd.DataFrame, folder: Path = RESULTS
) -> tuple[Path, Path]:
    """Write `name.md`, the report under its title, and `name.csv`, one row a figure."""
    page, table = folder / f"{name}.md", folder / f"{name}.csv"
    page.write_text(f"# {title}\n\n{text}\n", encoding="utf-8")
    figures.to_csv(table, index=False, float_format="%.6g", lineterminator="\n")
    return page, table
