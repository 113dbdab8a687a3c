"""Pages in the machine's own browser."""

import shutil

BROWSERS = ("chromium", "chromium-browser")


def found_browser() -> str | None:
    """Path of the first browser that there is."""
    return next(filter(None, map(shutil.which, BROWSERS)), None)
