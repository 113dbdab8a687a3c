"""The picture of a view: each circuit as least and greatest of every column of the screen."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import tzinfo
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.lines import Line2D
from matplotlib.text import Text
from numpy.typing import NDArray

from homeenergy.readings.store.overview import Envelope
from homeenergy.show.figures.style import GREEN, LOOKS, ORANGE, axis_days, use_local_time, zone_of
from homeenergy.show.figures.times import LANE_FILLED, LEAST_LANE_W, MOST_OVERLAID
from homeenergy.show.viewer.view import RunSpan, ViewData, span_text

LONGEST_LABEL = 24
LANE_IN, LEAST_LANE_IN = 0.55, 0.13  # the lower still holds a name
MOST_LANES_IN = 5.2  # all lanes together, as long as a name has room
STRIP = 0.035  # of the axes: height of the bar that marks runs, on one scale


def picture_height_in(circuits: int, *, stacked: bool) -> float:
    """Height that so many circuits need [inches]; lanes become lower, so that all fit a screen."""
    if not stacked:
        return 4.2
    lanes_in = min(max(MOST_LANES_IN, LEAST_LANE_IN * circuits), LANE_IN * circuits)
    return max(1.4 + lanes_in, 2.6)


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


def mean_polygons(envelope: Envelope, zero: float, scale: float) -> list[NDArray[np.float64]]:
    """Corners of the area below the mean power, which is the energy; one piece between gaps."""
    edges = axis_days(np.append(envelope.starts_ns, envelope.starts_ns[-1:] + envelope.width_ns))
    there = np.flatnonzero(envelope.count)
    pieces = np.split(there, np.flatnonzero(np.diff(there) > 1) + 1)
    polygons = []
    for piece in (piece for piece in pieces if piece.size):
        days = np.repeat(edges[piece[0] : piece[-1] + 2], 2)
        heights = np.full(days.size, zero)
        heights[1:-1] = zero + np.repeat(envelope.mean_w[piece], 2) * scale
        polygons.append(np.stack([days, heights], axis=1))
    return polygons


class ViewDrawing:
    """Draws a view on an Axes."""

    def __init__(self, ax: Axes, timezone: str | tzinfo) -> None:
        self.ax, self.zone = ax, zone_of(timezone)
        ax.spines[["top", "right"]].set_visible(False)
        ax.grid(axis="x", color="0.88", linewidth=0.7)
        ax.set_axisbelow(True)
        use_local_time(ax, self.zone)

    def draw(self, data: ViewData) -> None:
        """Draw what a view shows; the limits of both axes are set as well."""
        view = data.view
        if view.arrangement == "one scale" and len(view.circuits) > MOST_OVERLAID:
            raise ValueError(
                f"{len(view.circuits)} circuits on one scale cannot be distinguished; "
                f"choose at most {MOST_OVERLAID}, or stack them"
            )
        self.ax.set_xlim(*axis_days([view.start_ns, view.end_ns]))
        if view.arrangement == "stacked":
            self._lanes(data)
        else:
            self._one_scale(data)
        if not any(e is not None and e.count.any() for e in data.envelopes.values()):
            text = "nothing was logged here" if view.circuits else "no circuit is chosen"
            axes = self.ax.transAxes
            self.ax.text(0.5, 0.5, text, fontsize=9, transform=axes, ha="center", va="center")
        title = span_text(view.start_ns, view.end_ns, self.zone)
        self.ax.set_title(title, loc="left", fontsize=10)

    def _lanes(self, data: ViewData) -> None:
        number = len(data.envelopes)
        notes = self._name_lanes([_short(data.labels[name]) for name in data.envelopes])
        self.ax.set_ylim(-0.12, max(number, 1))
        lines: dict[str, list[Any]] = {look.colour: [] for look in LOOKS[:2]}
        areas: dict[str, list[Any]] = {look.colour: [] for look in LOOKS[:2]}
        zeros = []
        for row, (name, envelope) in enumerate(data.envelopes.items()):
            bottom = number - 1 - row
            self._shade(data.runs.get(name, ()), bottom, LANE_FILLED)
            if envelope is None or not envelope.count.any():
                notes[row].set_text("no reading")
                continue
            notes[row].set_text(f"{float(np.nanmax(envelope.greatest_w)):,.0f} W")
            colour = LOOKS[row % 2].colour  # neighbours differ; the name is next to the lane
            zero, scale, corners = _scaled(envelope, bottom)
            lines[colour].append(corners)
            areas[colour] += mean_polygons(envelope, zero, scale)
            zeros.append(zero)
            self._mark_doubted(envelope, zero, scale, most=bottom + LANE_FILLED, least=bottom)
        # All lanes of a colour together: an artist costs more than its points.
        for colour in lines:
            self.ax.add_artist(_broken_line(lines[colour], color=colour, linewidth=0.9, zorder=3))
            shade = PolyCollection(areas[colour], facecolor=colour, alpha=0.2, linewidth=0)
            self.ax.add_artist(shade)
        along = [((0.0, zero), (1.0, zero)) for zero in zeros]
        across = self.ax.get_yaxis_transform()
        self.ax.add_artist(LineCollection(along, colors="0.75", linewidths=0.6, transform=across))

    def _mark_doubted(
        self, envelope: Envelope, zero: float, scale: float, *, least: float, most: float
    ) -> None:
        """Draw readings in doubt as crosses, and stretches of them dotted, inside some limits."""
        if not envelope.doubted_w.size:
            return
        heights = np.clip(zero + envelope.doubted_w * scale, least, most)
        begins, ends = axis_days(envelope.doubted_ns[:, 0]), axis_days(envelope.doubted_ns[:, 1])
        self.ax.plot(begins, heights, "x", color="0.25", markersize=4, zorder=4)
        lines = [((a, y), (b, y)) for a, b, y in zip(begins, ends, heights, strict=True)]
        dotted = LineCollection(lines, colors="0.25", linewidths=0.9, linestyles=":", zorder=4)
        self.ax.add_artist(dotted)

    def _name_lanes(self, labels: list[str]) -> list[Text]:
        """Write names at the left, and give the notes at the right, still empty."""
        ax, number = self.ax, len(labels)
        across = ax.get_yaxis_transform()
        how: dict[str, Any] = {
            "transform": across,
            "va": "center",
            "fontsize": 9 if number <= 20 else 8,
        }
        notes = []
        for row, label in enumerate(labels):
            middle = number - 1 - row + LANE_FILLED / 2
            ax.text(-0.008, middle, label, ha="right", **how)
            notes.append(ax.text(1.008, middle, "", **how))
        above = {**how, "va": "bottom", "color": "0.35"}
        ax.text(1.008, number - 0.06, "highest" if number else "", **above)
        ax.set_yticks([])
        ax.spines["left"].set_visible(False)
        return notes

    def _one_scale(self, data: ViewData) -> None:
        ax, lowest_w, greatest_w, lines = self.ax, 0.0, 1.0, []
        shown: list[Envelope] = []
        for look, (name, envelope) in zip(LOOKS, data.envelopes.items(), strict=False):
            label = _short(data.labels[name])
            days, watts = np.empty(0), np.empty(0, dtype=np.float32)
            if envelope is not None and envelope.count.any():
                days, watts = column_corners(envelope)
                lowest_w = min(lowest_w, float(np.nanmin(watts)))
                greatest_w = max(greatest_w, float(np.nanmax(watts)))
                shown.append(envelope)
            lines += ax.plot(
                days, watts, color=look.colour, linestyle=look.dash, linewidth=1.0, label=label
            )
        for envelope in shown:
            self._mark_doubted(envelope, 0.0, 1.0, least=lowest_w, most=greatest_w * 1.05)
        strips = [name for name in data.view.circuits if data.runs.get(name)]
        room = (greatest_w - lowest_w) * STRIP
        for row, name in enumerate(strips):
            self._shade(data.runs[name], lowest_w - (row + 2) * room * 1.4, room)
            where = (1.004, lowest_w - (row + 2) * room * 1.4)
            text = f"runs of {_short(data.labels[name])}"
            ax.text(*where, text, fontsize=9, transform=ax.get_yaxis_transform(), va="bottom")
        below = (len(strips) + 1.5) * 1.4 * room if strips else 0.0
        ax.set_ylim(lowest_w * 1.05 - below, greatest_w * 1.08)
        ax.tick_params(axis="y", length=3.5, labelsize=9)
        ax.set_ylabel("power (W)")
        ax.grid(visible=True, axis="y", color="0.88", linewidth=0.7)
        if lines:
            ax.legend(
                handles=lines,
                loc="upper left",
                bbox_to_anchor=(1.0, 1.0),
                frameon=False,
                fontsize=9,
                handlelength=3.2,
            )

    def _shade(self, runs: Sequence[RunSpan], bottom: float, height: float) -> None:
        """Shade runs: whole ones filled, those cut short by the data hatched and open."""
        for complete in (True, False):
            spans = [run for run in runs if run.complete == complete]
            if not spans:
                continue
            starts = axis_days([run.start_ns for run in spans])
            widths = axis_days([run.end_ns for run in spans]) - starts
            self.ax.broken_barh(
                list(zip(starts, widths, strict=True)),
                (bottom, height),
                facecolor=GREEN if complete else "none",
                edgecolor=GREEN if complete else ORANGE,
                alpha=0.3 if complete else 0.8,
                hatch=None if complete else "////",
                linewidth=0.8,
                zorder=1,
            )


def _scaled(envelope: Envelope, bottom: float) -> tuple[float, float, tuple[NDArray, NDArray]]:
    """Height of nothing, height of a watt, and corners of the line, in a lane."""
    days, watts = column_corners(envelope)
    lowest_w = min(0.0, float(np.nanmin(watts)))
    scale = LANE_FILLED / max(float(np.nanmax(watts)) - lowest_w, LEAST_LANE_W)
    zero = bottom - lowest_w * scale
    return zero, scale, (days, zero + watts * scale)


def _broken_line(pieces: list[tuple[NDArray, NDArray]], **how: Any) -> Line2D:
    """One line through pieces that do not touch."""
    gap = np.array([np.nan])
    days = [part for days, _ in pieces for part in (days, gap)]
    heights = [part for _, heights in pieces for part in (heights, gap)]
    return Line2D(np.concatenate(days or [gap]), np.concatenate(heights or [gap]), **how)


def _short(label: str) -> str:
    return label if len(label) <= LONGEST_LABEL else label[: LONGEST_LABEL - 1] + "…"
