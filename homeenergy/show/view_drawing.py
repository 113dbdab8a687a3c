"""The picture of a view: each circuit as least and greatest of every column of the screen."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import tzinfo
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from homeenergy.readings.overview import Envelope
from homeenergy.show.local_axis import axis_days, use_local_time, zone_of
from homeenergy.show.style import GREEN, LOOKS, ORANGE
from homeenergy.show.traces import LANE_FILLED, LEAST_LANE_W, MOST_OVERLAID
from homeenergy.show.view import span_text
from homeenergy.show.view_data import RunSpan, ViewData

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LONGEST_LABEL = 24
STRIP = 0.035  # of the axes: height of the bar that marks runs, on one scale


def picture_height_in(circuits: int, *, stacked: bool) -> float:
    """Height that so many circuits need [inches]; lanes become lower where there are many."""
    if not stacked:
        return 4.2
    lane_in = 0.55 if circuits <= 8 else 0.4 if circuits <= 20 else 0.27
    return max(1.3 + lane_in * circuits, 2.6)


def column_corners(envelope: Envelope) -> tuple[NDArray[np.float64], NDArray[np.float32]]:
    """Corners of the line that draws an envelope: days since 1970, and watts.

    Single samples become steps. Wider stretches become a line up and down through the least and
    the greatest of each, in turn, so that it has no more diagonals than it needs. NaN breaks it.
    """
    starts_ns = envelope.starts_ns
    if envelope.samples == 1:
        days = axis_days(np.append(starts_ns, starts_ns[-1:] + envelope.width_ns))
        return np.repeat(days, 2)[1:-1], np.repeat(envelope.least_w, 2)
    days = np.repeat(axis_days(starts_ns + envelope.width_ns // 2), 2)
    watts = np.stack([envelope.least_w, envelope.greatest_w], axis=1)
    watts[1::2] = watts[1::2, ::-1]
    return days, watts.ravel()


class ViewDrawing:
    """Draws views on one Axes, the next in place of the last."""

    def __init__(self, ax: Axes, timezone: str | tzinfo) -> None:
        self.ax, self.zone = ax, zone_of(timezone)
        self._drawn: list[Any] = []
        ax.spines[["top", "right"]].set_visible(False)
        ax.grid(axis="x", color="0.88", linewidth=0.7)
        ax.set_axisbelow(True)
        use_local_time(ax, self.zone)

    def draw(self, data: ViewData) -> None:
        """Draw what a view shows; the limits of both axes are set as well."""
        for artist in self._drawn:
            artist.remove()
        self._drawn = []
        view = data.view
        if view.arrangement == "one scale" and len(view.circuits) > MOST_OVERLAID:
            raise ValueError(
                f"{len(view.circuits)} circuits on one scale cannot be told apart; "
                f"choose at most {MOST_OVERLAID}, or stack them"
            )
        self.ax.set_xlim(*axis_days([view.start_ns, view.end_ns]))
        if view.arrangement == "stacked":
            self._lanes(data)
        else:
            self._one_scale(data)
        if not any(e is not None and e.count.any() for e in data.envelopes.values()):
            text = "nothing was logged here" if view.circuits else "no circuit is chosen"
            self._say(0.5, 0.5, text, transform=self.ax.transAxes, ha="center", va="center")
        title = span_text(view.start_ns, view.end_ns, self.zone)
        self.ax.set_title(title, loc="left", fontsize=10)

    def _say(self, x: float, y: float, text: str, **how: Any) -> None:
        self._drawn.append(self.ax.text(x, y, text, fontsize=9, **how))

    def _lanes(self, data: ViewData) -> None:
        ax, number = self.ax, len(data.envelopes)
        middles, labels = [], []
        beside = ax.get_yaxis_transform()
        for row, (name, envelope) in enumerate(data.envelopes.items()):
            floor = number - 1 - row
            middles.append(floor + LANE_FILLED / 2)
            labels.append(_short(data.labels[name]))
            note = "no reading"
            if envelope is not None and envelope.count.any():
                note = f"{float(np.nanmax(envelope.greatest_w)):,.0f} W"
                self._lane(envelope, floor, LOOKS[row % 2].colour)
            self._shade(data.runs.get(name, ()), floor, LANE_FILLED)
            self._say(1.008, middles[-1], note, transform=beside, va="center")
        ax.set_ylim(-0.12, max(number, 1))
        ax.set_yticks(middles, labels, fontsize=9 if number <= 20 else 8)
        ax.tick_params(axis="y", length=0)
        ax.spines["left"].set_visible(False)
        ax.set_ylabel("")
        ax.grid(visible=False, axis="y")
        if number:
            above = (1.008, number - 0.06)
            self._say(*above, "highest", transform=beside, va="bottom", color="0.35")

    def _lane(self, envelope: Envelope, floor: float, colour: str) -> None:
        days, watts = column_corners(envelope)
        lowest_w = min(0.0, float(np.nanmin(watts)))
        scale = LANE_FILLED / max(float(np.nanmax(watts)) - lowest_w, LEAST_LANE_W)
        zero = floor - lowest_w * scale
        self._drawn += self.ax.plot(days, zero + watts * scale, color=colour, linewidth=0.9)
        self._fill(envelope, zero, scale, colour)
        self._drawn.append(self.ax.axhline(zero, color="0.75", linewidth=0.6, zorder=1))

    def _fill(self, envelope: Envelope, zero: float, scale: float, colour: str) -> None:
        """Shade up to the mean power, whose area is the energy."""
        edges_ns = np.append(envelope.starts_ns, envelope.starts_ns[-1:] + envelope.width_ns)
        heights = zero + np.append(envelope.mean_w, envelope.mean_w[-1:]) * scale
        self._drawn.append(
            self.ax.fill_between(
                axis_days(edges_ns),
                zero,
                heights,
                step="post",
                color=colour,
                alpha=0.2,
                linewidth=0,
            )
        )

    def _one_scale(self, data: ViewData) -> None:
        ax, lowest_w, greatest_w, lines = self.ax, 0.0, 1.0, []
        for look, (name, envelope) in zip(LOOKS, data.envelopes.items(), strict=False):
            label = _short(data.labels[name])
            days, watts = np.empty(0), np.empty(0, dtype=np.float32)
            if envelope is not None and envelope.count.any():
                days, watts = column_corners(envelope)
                lowest_w = min(lowest_w, float(np.nanmin(watts)))
                greatest_w = max(greatest_w, float(np.nanmax(watts)))
            lines += ax.plot(
                days, watts, color=look.colour, linestyle=look.dash, linewidth=1.0, label=label
            )
        self._drawn += lines
        strips = [name for name in data.view.circuits if data.runs.get(name)]
        room = (greatest_w - lowest_w) * STRIP
        for row, name in enumerate(strips):
            self._shade(data.runs[name], lowest_w - (row + 2) * room * 1.4, room)
            where = (1.004, lowest_w - (row + 2) * room * 1.4)
            text = f"runs of {_short(data.labels[name])}"
            self._say(*where, text, transform=ax.get_yaxis_transform(), va="bottom", clip_on=False)
        below = (len(strips) + 1.5) * 1.4 * room if strips else 0.0
        ax.set_ylim(lowest_w * 1.05 - below, greatest_w * 1.08)
        from matplotlib.ticker import AutoLocator, ScalarFormatter

        ax.yaxis.set_major_locator(AutoLocator())
        ax.yaxis.set_major_formatter(ScalarFormatter())
        ax.tick_params(axis="y", length=3.5, labelsize=9)
        ax.spines["left"].set_visible(True)
        ax.set_ylabel("power (W)")
        ax.grid(visible=True, axis="y", color="0.88", linewidth=0.7)
        if lines:
            legend = ax.legend(
                handles=lines,
                loc="upper left",
                bbox_to_anchor=(1.0, 1.0),
                frameon=False,
                fontsize=9,
                handlelength=3.2,
            )
            self._drawn.append(legend)

    def _shade(self, runs: Sequence[RunSpan], floor: float, height: float) -> None:
        """Shade runs: whole ones filled, those cut short by the data hatched and open."""
        for complete in (True, False):
            spans = [run for run in runs if run.complete == complete]
            if not spans:
                continue
            starts = axis_days([run.start_ns for run in spans])
            widths = axis_days([run.end_ns for run in spans]) - starts
            bars = self.ax.broken_barh(
                list(zip(starts, widths, strict=True)),
                (floor, height),
                facecolor=GREEN if complete else "none",
                edgecolor=GREEN if complete else ORANGE,
                alpha=0.3 if complete else 0.8,
                hatch=None if complete else "////",
                linewidth=0.8,
                zorder=1,
            )
            self._drawn.append(bars)


def _short(label: str) -> str:
    return label if len(label) <= LONGEST_LABEL else label[: LONGEST_LABEL - 1] + "…"
