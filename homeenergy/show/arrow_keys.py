"""Drop-down lists of a panel keep the arrow keys, which JupyterLab takes to go to other cells."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ipywidgets import HTML

# JupyterLab leaves the keys alone where this attribute stands. A style sheet, even an empty one,
# tells when it has become part of the page.
MARK = (
    "this.closest('.jp-OutputArea-output')?.querySelectorAll('select')"
    ".forEach(list => list.setAttribute('data-lm-suppress-shortcuts', 'true'))"
)


def keep_arrow_keys() -> HTML:
    """Give what has to stand among the lists of a panel, below them; it shows nothing."""
    from ipywidgets import HTML

    # Not hidden: what is hidden is no part of the page that could tell.
    return HTML(f'<style onload="{MARK}"></style>', layout={"height": "0", "margin": "0"})
