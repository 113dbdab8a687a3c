"""Names of time zones, as a person writes them: a region, UTC, or a fixed offset."""

from __future__ import annotations

import re
from datetime import UTC, timedelta, timezone, tzinfo
from difflib import get_close_matches
from zoneinfo import ZoneInfo, available_timezones

_FIXED = re.compile(r"UTC([+-])(\d{1,2})(?::?(\d{2}))?", re.IGNORECASE)


def read_zone(name: str) -> tzinfo:
    """Time zone with the given name.

    Parameters
    ----------
    name : str
        A region such as "America/Denver", "UTC", or a fixed offset such as "UTC-07:00" for a
        logger whose clock is never put forward or back.

    Returns
    -------
    datetime.tzinfo

    Raises
    ------
    ValueError
        If there is no such zone; the text suggests near ones.
    """
    if name.upper() in ("UTC", "Z"):
        return UTC
    fixed = _FIXED.fullmatch(name)
    if fixed:
        hours, minutes = int(fixed[2]), int(fixed[3] or 0)
        if hours > 14 or minutes > 59:
            raise ValueError(f"no such offset: {name!r}")
        offset = timedelta(hours=hours, minutes=minutes)
        return timezone(-offset if fixed[1] == "-" else offset)
    return read_region(name)


def read_region(name: str) -> ZoneInfo:
    """Time zone of a region such as "Europe/Berlin".

    Raises
    ------
    ValueError
        If there is no such region; the text suggests near ones.
    """
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        near = get_close_matches(name, sorted(available_timezones()), n=2, cutoff=0.6)
        hint = f" (did you mean {' or '.join(map(repr, near))}?)" if near else ""
        raise ValueError(f"no time zone is called {name!r}{hint}") from None


def country_of(timezone: tzinfo | str) -> str:
    """Country of a region by ISO 3166, such as "US"; empty where a zone is of none.

    Examples
    --------
    >>> country_of("America/Denver"), country_of("Europe/Amsterdam"), country_of("UTC")
    ('US', 'NL', '')
    """
    from babel.core import get_global

    found = str(get_global("zone_territories").get(str(timezone), ""))
    return found if found != "001" else ""
