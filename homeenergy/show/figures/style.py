"""What all figures share: colours, axes in local time, alternative texts."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Iterator, Sequence
from datetime import tzinfo
from functools import partial
from html import escape
from io import BytesIO
from struct import unpack
from typing import NamedTuple

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.figure import Figure
from matplotlib.ticker import Formatter, Locator
from numpy.typing import ArrayLike, NDArray

from homeenergy.house.zones import read_zone
from homeenergy.readings.trace import Trace
from homeenergy.units import NS_PER_S, S_PER_DAY

# Okabe & Ito (2008), "Color universal design". Yellow is left out: too pale for a line on white.
BLACK, BLUE, VERMILION, GREEN = "#000000", "#0072B2", "#D55E00", "#009E73"
PURPLE, ORANGE, SKY = "#CC79A7", "#E69F00", "#56B4E9"
GREY = "#666666"
MOST_WRITTEN = 30  # texts on a figure that are read out
MOST_NAMES = 40
COLOURS = 256
_MINUS = str.maketrans("\N{MINUS SIGN}", "-", ",")
DAY_NS = int(S_PER_DAY) * NS_PER_S
QUARTER_S = 900  # every zone of today is a whole number of quarters of an hour from UTC
CLOCK_STEPS_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200)
DAY_STEPS = (1, 2, 7, 14)
MONTH_STEPS = (1, 2, 3, 6, 12, 24, 60, 120)
INCHES_PER_LABEL = 0.75


class Look(NamedTuple):
    """Colour, dash, marker and hatch that belong together."""

    colour: str
    dash: str | tuple[float, tuple[float, ...]]
    marker: str
    hatch: str


LOOKS = (
    Look(BLUE, "solid", "o", "///"),
    Look(VERMILION, (0, (6, 2)), "s", "..."),
    Look(GREEN, (0, (2, 1.2)), "^", "xx"),
    Look(PURPLE, (0, (6, 2, 1.5, 2)), "D", "\\\\\\"),
    Look(ORANGE, (0, (9, 2)), "v", "++"),
    Look(BLACK, (0, (1, 1)), "P", "oo"),
    Look(SKY, (0, (4, 1, 1, 1, 1, 1)), "X", "--"),
)


def axes_for(ax: Axes | None, size_in: tuple[float, float]) -> Axes:
    """Give the axes itself, or new ones on a figure of `size_in` inches."""
    if ax is None:
        import matplotlib.pyplot as plt

        _, ax = plt.subplots(figsize=size_in, layout="constrained")
    ax.spines[["top", "right"]].set_visible(False)
    ax.set_axisbelow(True)
    give_words(ax)
    return ax


def write_beside(ax: Axes, at: float, text: str, *, weight: str = "normal") -> None:
    """Write a note at the right of the axes, at the height `at` of the data."""
    ax.annotate(
        text,
        (1.0, at),
        xycoords=("axes fraction", "data"),
        xytext=(8, 0),
        textcoords="offset points",
        va="center",
        fontsize=9,
        weight=weight,
        annotation_clip=False,
    )


POINTS = 6000  # four for each pixel of a wide figure


def reduce_steps(
    trace: Trace, *, points: int = POINTS
) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
    """Corners of the step curve of a trace, least and greatest kept in every short stretch.

    Parameters
    ----------
    trace : Trace
    points : int
        About how many corners to return. Samples in doubt are left out. A gap longer than one of
        `points` equal parts of the trace stays a gap; a shorter one could not be seen.

    Returns
    -------
    instants_ns : numpy.ndarray, shape (m,), int64
        UTC, nanoseconds since 1970; each value holds until the next instant.
    watts : numpy.ndarray, shape (m,), float32
        NaN ends each piece.

    Notes
    -----
    O(n). Pieces are cut at the gaps first, because a least-and-greatest search over missing
    samples may pick one. m is at most `points` plus a few for each piece.
    """
    trace = trace.sure()
    there = np.flatnonzero(~np.isnan(trace.watts))
    if not there.size:
        return np.empty(0, dtype=np.int64), np.empty(0, dtype=np.float32)
    shortest_hole = max(1, len(trace) // max(points, 1))
    cuts = np.flatnonzero(np.diff(there) > shortest_hole) + 1
    indices, watts = [], []
    for piece in np.split(there, cuts):
        values = np.ascontiguousarray(trace.watts[piece])
        share = max(4, int(points * piece.size / there.size) // 2 * 2)
        kept = _least_and_greatest(values, share)
        indices += [piece[kept], piece[-1:] + 1]
        watts += [values[kept], np.full(1, np.nan, dtype=np.float32)]
    index = np.concatenate(indices)
    return trace.start.value + index * trace.period_ns, np.concatenate(watts)


def _least_and_greatest(values: NDArray[np.float32], points: int) -> NDArray[np.int64]:
    if values.size <= 2 * points:
        return np.arange(values.size)
    from tsdownsample import MinMaxDownsampler

    # The indices come as uint64; adding a signed integer to those gives floats.
    picked = MinMaxDownsampler().downsample(values, n_out=points).astype(np.int64)
    return np.unique(np.r_[0, picked, values.size - 1])


def give_words(ax: Axes) -> None:
    """Let a notebook show the figure of these axes as a picture that has an alternative text.

    JupyterLab gives none to the pictures that matplotlib hands it, so HTML is handed over as well.
    """
    figure = ax.get_figure(root=True)
    if figure is not None:
        figure._repr_html_ = partial(_html, figure)  # type: ignore[method-assign]


def figure_words(figure: Figure) -> str:
    """Say in words what is written on a figure that has been drawn.

    Returns
    -------
    str
        Title, axes with their ranges or names, legend, and other texts, as sentences.
    """
    said = [_sentence(figure.get_suptitle())]
    for ax in figure.axes:
        if ax.get_visible():
            said += _axes_words(ax)
    for legend in figure.legends:
        said.append(_listed("Shown", [text.get_text() for text in legend.get_texts()]))
    return " ".join(["Figure.", *filter(None, said)])


# Where JupyterLab is dark, a figure is drawn light on dark; turned by half a circle, hues stay.
IN_THE_DARK = (
    '<style>[data-jp-theme-light="false"] img[data-figure] '
    "{ filter: invert(0.93) hue-rotate(180deg); }</style>"
)


def image_html(alternative: str, *, png: bytes) -> str:
    """Write a picture as HTML, with its alternative text; it follows JupyterLab's dark theme."""
    # With its size, or the page would jump while the picture is decoded.
    width, height = unpack(">II", png[16:24])
    data = b64encode(png).decode("ascii")
    return (
        f'{IN_THE_DARK}<img data-figure src="data:image/png;base64,{data}" '
        f'alt="{escape(alternative)}" width="{width}" height="{height}" '
        'style="max-width: 100%; height: auto">'
    )


def fewer_colours(png: bytes) -> bytes:
    """Give a picture at a third of its size, for the notebook that also holds it in full."""
    from PIL import Image

    packed = BytesIO()
    picture = Image.open(BytesIO(png)).convert("RGB")
    picture = picture.quantize(COLOURS, dither=Image.Dither.NONE)
    picture.save(packed, format="png", optimize=True)
    return packed.getvalue()


def _html(figure: Figure) -> str:
    drawn = BytesIO()
    figure.savefig(drawn, format="png", dpi=figure.dpi, bbox_inches="tight")
    return image_html(figure_words(figure), png=fewer_colours(drawn.getvalue()))


def _axes_words(ax: Axes) -> Iterator[str]:
    for side in ("left", "center", "right"):
        yield _sentence(ax.get_title(loc=side))
    if ax.axison:
        yield _axis_words("Across", ax.xaxis)
        yield _axis_words("Up", ax.yaxis)
    legend = ax.get_legend()
    if legend is not None:
        yield _listed("Shown", [text.get_text() for text in legend.get_texts()])
    written = [_plain(text.get_text()) for text in ax.texts if text.get_visible()]
    if len(written) > MOST_WRITTEN and all(map(_is_number, written)):
        written = [f"{len(written)} numbers"]
    yield _listed("Written on it", written)


def _axis_words(direction: str, axis: Axis) -> str:
    """Name an axis, and say from where to where it goes, or what names stand along it."""
    if not axis.get_visible():
        return ""
    ticks = [tick.label1 for tick in axis.get_major_ticks()]
    names = [_plain(tick.get_text()) for tick in ticks if tick.get_visible()]
    names = [name for name in names if name]
    label = _plain(axis.get_label_text())
    if not label and not names:
        return ""
    if all(map(_is_number, names)) or {"time", "hour"} & set(label.split()):
        span = f"{names[0]} to {names[-1]}" if names else ""
    else:
        span = _some(names, MOST_NAMES)
    return f"{direction}: " + ", ".join(filter(None, [label, span])) + "."


def _is_number(text: str) -> bool:
    try:
        float(text.translate(_MINUS).rstrip(" %"))
    except ValueError:
        return False
    return True


def _listed(what: str, texts: Sequence[str]) -> str:
    texts = [text for text in map(_plain, texts) if text]
    return f"{what}: {_some(texts, MOST_WRITTEN)}." if texts else ""


def _some(texts: Sequence[str], most: int) -> str:
    more = [f"and {len(texts) - most} more"] if len(texts) > most else []
    return ", ".join([*texts[:most], *more])


def _sentence(text: str) -> str:
    text = _plain(text)
    return text if not text or text[-1] in ".?!" else f"{text}."


def _plain(text: str) -> str:
    return " ".join(text.split())


def zone_of(timezone: str | tzinfo) -> tzinfo:
    """Give the zone itself, or the one of that name."""
    return read_zone(timezone) if isinstance(timezone, str) else timezone


def axis_days(instants_ns: ArrayLike) -> NDArray[np.float64]:
    """Position on the axis of instants in UTC [ns]: days since 1970, as matplotlib counts."""
    return np.asarray(instants_ns, dtype=np.int64) / DAY_NS


def instants_ns(instants: pd.Series | pd.DatetimeIndex) -> NDArray[np.int64]:
    """UTC nanoseconds since 1970 of instants with a time zone, shape (n,)."""
    if not len(instants):
        return np.empty(0, dtype=np.int64)
    index = pd.DatetimeIndex(instants).tz_convert("UTC").tz_localize(None).as_unit("ns")
    return np.asarray(index.view(np.int64))


def use_local_time(ax: Axes, timezone: str | tzinfo) -> None:
    """Give the x axis of `ax`, drawn with `axis_days`, ticks and labels in local time."""
    zone = zone_of(timezone)
    ax.xaxis.set_major_locator(LocalTimeLocator(zone))
    ax.xaxis.set_major_formatter(LocalTimeFormatter(zone))
    ax.set_xlabel(f"local time ({zone_name(zone)})")


def zone_name(zone: tzinfo) -> str:
    """Name of a zone, for people."""
    return str(getattr(zone, "key", zone))


def local_ticks(low_ns: int, high_ns: int, zone: tzinfo, *, most: int = 8) -> pd.DatetimeIndex:
    """Round local times between two instants, in the zone; about `most` of them.

    Notes
    -----
    Steps of less than a day are times of day, so on the night of a clock change one step is an
    hour longer or shorter, an hour that exists twice has two ticks, and one that is skipped none.
    """
    span_s = max((high_ns - low_ns) / NS_PER_S, 1e-3)
    if span_s / CLOCK_STEPS_S[-1] <= most:
        step_s = next(step for step in CLOCK_STEPS_S if span_s / step <= most)
        return _times_of_day(low_ns, high_ns, zone, step_s)
    span_days = span_s / S_PER_DAY
    days = [step for step in DAY_STEPS if span_days / step <= most]
    local = pd.DatetimeIndex(np.array([low_ns, high_ns], "M8[ns]")).tz_localize("UTC")
    first, last = local.tz_convert(zone).tz_localize(None).normalize()
    if days:
        dates = pd.date_range(first, last, freq="D")
        if days[0] < 7:
            dates = dates[(dates - pd.Timestamp(0)).days % days[0] == 0]
        else:
            mondays = (dates - pd.Timestamp("1970-01-05")).days
            dates = dates[mondays % days[0] == 0]
    else:
        months = next((s for s in MONTH_STEPS if span_days / (30.4 * s) <= most), MONTH_STEPS[-1])
        dates = pd.date_range(first.replace(day=1), last, freq="MS")
        dates = dates[(dates.year * 12 + dates.month - 1) % months == 0]
    first_instant = np.ones(len(dates), dtype=bool)
    ticks = dates.as_unit("ns").tz_localize(
        zone, ambiguous=first_instant, nonexistent="shift_forward"
    )
    return ticks[(instants_ns(ticks) >= low_ns) & (instants_ns(ticks) <= high_ns)]


def _times_of_day(low_ns: int, high_ns: int, zone: tzinfo, step_s: int) -> pd.DatetimeIndex:
    pace_ns = min(step_s, QUARTER_S) * NS_PER_S
    candidates = np.arange(-(-low_ns // pace_ns), high_ns // pace_ns + 1, dtype=np.int64) * pace_ns
    local = pd.DatetimeIndex(candidates.view("M8[ns]")).tz_localize("UTC").tz_convert(zone)
    return local[(local.hour * 3600 + local.minute * 60 + local.second) % step_s == 0]


class LocalTimeLocator(Locator):
    """Places ticks on round local times, fewer on a narrower axis."""

    def __init__(self, zone: tzinfo) -> None:
        self.zone = zone

    def __call__(self) -> list[float]:
        """Positions of the ticks in the present view."""
        low, high = sorted(self.axis.get_view_interval())  # type: ignore[union-attr]
        return self.tick_values(low, high)

    def tick_values(self, vmin: float, vmax: float) -> list[float]:
        """Positions of the ticks between two positions on the axis [days]."""
        if not (np.isfinite([vmin, vmax]).all() and abs(vmin) < 1e5 and abs(vmax) < 1e5):
            return []
        most = 8
        axes = getattr(self.axis, "axes", None)
        if axes is not None:
            width_in = axes.get_position().width * axes.get_figure(root=True).get_figwidth()
            most = max(2, int(width_in / INCHES_PER_LABEL))
        ticks = local_ticks(int(vmin * DAY_NS), int(vmax * DAY_NS), self.zone, most=most)
        return list(axis_days(instants_ns(ticks)))


class LocalTimeFormatter(Formatter):
    """Writes local times; the date below the first time of each day."""

    def __init__(self, zone: tzinfo) -> None:
        self.zone = zone

    def _local(self, values: Sequence[float]) -> pd.DatetimeIndex:
        ns = np.round(np.asarray(values, dtype=np.float64) * S_PER_DAY * 1000).astype(np.int64)
        instants = pd.DatetimeIndex((ns * 1_000_000).view("M8[ns]"))
        return instants.tz_localize("UTC").tz_convert(self.zone)

    def __call__(self, x: float, pos: int | None = None) -> str:  # noqa: ARG002
        """Write one instant in full, as under a pointer."""
        return f"{self._local([x])[0]:%Y-%m-%d %H:%M:%S}"

    def format_ticks(self, values: Sequence[float]) -> list[str]:
        """Labels of all ticks together."""
        if len(values) == 0:
            return []
        local = self._local(values)
        if len(values) > 1 and np.diff(values).min() > 26 / 24:
            return _date_labels(local)
        whole_days = len(values) > 1 and bool((local.hour == 0).all())
        if whole_days:
            return _date_labels(local)
        pattern = "%H:%M:%S" if (local.second != 0).any() else "%H:%M"
        labels = [f"{when:{pattern}}" for when in local]
        dates = [when.date() for when in local]
        moved = len({when.utcoffset() for when in local}) > 1
        twice = {
            label
            for label, date in zip(labels, dates, strict=True)
            if list(zip(labels, dates, strict=True)).count((label, date)) > 1
        }
        for i, when in enumerate(local):
            if moved and labels[i] in twice:
                labels[i] += f"\n{when:%Z}"
            elif i == 0 or dates[i] != dates[i - 1]:
                labels[i] += f"\n{when:%a} {when.day} {when:%b}"
        labels[0] += f"\n{local[0]:%Y}" if labels[0].count("\n") == 1 else ""
        return labels


def _date_labels(local: pd.DatetimeIndex) -> list[str]:
    monthly = bool((local.day == 1).all()) and len(local) > 1
    labels = [f"{when:%b}" if monthly else f"{when:%a}\n{when.day} {when:%b}" for when in local]
    for i, when in enumerate(local):
        if i == 0 or when.year != local[i - 1].year:
            labels[i] += f"\n{when:%Y}"
    return labels


def mark_doubted(
    ax: Axes,
    trace: Trace,
    *,
    zero: float = 0.0,
    scale: float = 1.0,
    within: tuple[float, float] | None = None,
) -> None:
    """Draw the samples of a trace that are in doubt as crosses, those off the scale at its edge.

    `zero` and `scale` turn watts into heights; `within` are the lowest and the highest height.
    Default: those of the axis.
    """
    doubted = trace.doubted()
    if doubted.empty:
        return
    low, high = ax.get_ylim() if within is None else within
    heights = np.clip(zero + scale * doubted.to_numpy(), low, high - 0.015 * (high - low))
    days = axis_days(pd.DatetimeIndex(doubted.index).as_unit("ns").asi8)
    ax.plot(days, heights, "x", color="0.25", markersize=4, zorder=5)
    if within is None:
        ax.set_ylim(low, high)
