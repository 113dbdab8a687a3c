"""Conductors through a clamp, seen along the wires, and what the clamp reads."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import ArrayLike, NDArray

from homeenergy.show.figures.style import BLACK, BLUE, GREY, LOOKS, ORANGE, SKY, VERMILION, axes_for
from homeenergy.simulate import CabinetModel, ClampCase, Conductor
from homeenergy.simulate.bench.thermostat import CabinetRecord
from homeenergy.units import S_PER_H
from homeenergy.waveform import measure_power
from homeenergy.waveform.power import Harmonics, PowerMeasures, root_mean_square

HALF_LANE, UPPER_LANE = 0.9, 2.0
MS_PER_S = 1000.0
LEAST_LAG_DEG = 0.5  # a smaller lag is not marked


def plot_waves(
    volts_v: ArrayLike,
    amps_a: ArrayLike,
    *,
    sample_rate_hz: float,
    cycles: float = 2.0,
    most_a: float | None = None,
    most_w: float | None = None,
    title: str | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw volts and amps over a few cycles in one frame, and their product with its mean below.

    Parameters
    ----------
    volts_v, amps_a : array_like, shape (n,)
        Samples at the same instants [V], [A].
    sample_rate_hz : float
        [Hz]
    cycles : float
        How many cycles to draw.
    most_a, most_w : float, optional
        Current and power at the edges of their frames [A], [W]: the same for all figures that are
        compared. Default: the peaks of this one.
    title : str, optional
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes
        Power above zero flows to the load; below zero (hatched) it comes back. Two upright marks
        show by how much the fundamental of the amps is late, or early.
    """
    volts, amps = np.asarray(volts_v, np.float64), np.asarray(amps_a, np.float64)
    found = measure_power(volts, amps, sample_rate_hz=sample_rate_hz, allow_flat_tops=True)
    n = min(volts.size, round(cycles * sample_rate_hz / found.frequency_hz) + 1)
    volts, amps = volts[:n], amps[:n]
    ms = np.arange(n) / sample_rate_hz * MS_PER_S
    ax = axes_for(ax, (9.0, 4.4))
    for middle in (UPPER_LANE, 0.0):
        ax.axhline(middle, color="0.75", linewidth=0.7, zorder=1)
    by_amp = HALF_LANE / max(most_a or _peak(amps), 1e-300)
    by_watt = HALF_LANE / max(most_w or _peak(volts * amps), 1e-300)
    ax.plot(
        ms, UPPER_LANE + volts * HALF_LANE / max(_peak(volts), 1e-300), color=BLUE, linewidth=1.6
    )
    ax.plot(ms, UPPER_LANE + amps * by_amp, color=VERMILION, linestyle=(0, (6, 1.5)), linewidth=1.8)
    _note(
        ax,
        UPPER_LANE + 0.8,
        f"volts (solid): {found.volts_v:.1f} V rms,\npeak {_peak(volts):.0f} V",
    )
    _note(ax, UPPER_LANE, f"amps (dashed): {found.amps_a:.2f} A rms,\npeak {_peak(amps):.2f} A")
    _mark_lag(ax, volts, found, sample_rate_hz)
    power = volts * amps
    _draw_power(ax, ms, power, by_watt)
    level = found.real_w * by_watt
    ax.plot([ms[0], ms[-1]], [level, level], color="black", linestyle=(0, (5, 2)), linewidth=1.2)
    places = 1 if abs(found.real_w) < 1000 else 0
    _note(ax, level, f"mean {found.real_w:,.{places}f} W,\npeak {_peak(power):,.0f} W")
    ax.set_yticks([UPPER_LANE, 0], ["volts,\namps", "power"])
    ax.tick_params(axis="y", length=0)
    ax.spines["left"].set_visible(False)
    ax.set_ylim(-0.8, 3.15)
    ax.set_xlim(ms[0], ms[-1])
    ax.set_xlabel("time (ms)")
    ax.grid(axis="x", color="0.88", linewidth=0.7)
    if title is not None:
        ax.set_title(title, loc="left")
    return ax


def _draw_power(
    ax: Axes, ms: NDArray[np.float64], power: NDArray[np.float64], scale: float
) -> None:
    ax.plot(ms, power * scale, color=GREY, linewidth=1.6)
    ax.fill_between(ms, 0, power * scale, where=power >= 0, color=SKY, alpha=0.55, linewidth=0)
    back = power < -1e-9 * max(_peak(power), 1e-300)
    if back.any():
        ax.fill_between(
            ms,
            0,
            power * scale,
            where=back,
            facecolor="white",
            edgecolor=ORANGE,
            hatch="////",
            linewidth=0,
        )


def _mark_lag(
    ax: Axes, volts: NDArray[np.float64], found: PowerMeasures, sample_rate_hz: float
) -> None:
    """Mark where the fundamentals of volts and amps pass zero upwards."""
    side = {"lagging": 1.0, "leading": -1.0}.get(found.side, 0.0)
    lag_deg = side * math.degrees(math.acos(min(1.0, abs(found.displacement_factor))))
    if abs(lag_deg) < LEAST_LAG_DEG:
        return
    cycle = round(sample_rate_hz / found.frequency_hz)
    first = np.exp(2j * np.pi * np.arange(cycle) / cycle) @ volts[:cycle]
    # Volts of sin(wt + a) give an angle of 90 degrees less a; they pass zero upwards at wt = -a.
    share = (np.angle(first) / (2 * np.pi) - 0.25) % 1.0
    share += 1.0 if share < 0.3 else 0.0
    begin_ms = share * MS_PER_S / found.frequency_hz
    end_ms = begin_ms + lag_deg / 360.0 * MS_PER_S / found.frequency_hz
    for at_ms, colour in ((begin_ms, BLUE), (end_ms, VERMILION)):
        ax.plot([at_ms, at_ms], [UPPER_LANE, UPPER_LANE + 1.05], color=colour, linewidth=1.2)
    word = "lags" if lag_deg > 0 else "leads"
    ax.text(
        max(begin_ms, end_ms),
        UPPER_LANE + 0.98,
        f" {word} {abs(lag_deg):.1f}°",
        fontsize=9,
        va="center",
    )


def _peak(x: NDArray[np.float64]) -> float:
    return float(np.abs(x).max())


def _note(ax: Axes, height: float, text: str) -> None:
    ax.annotate(
        text,
        (1.0, height),
        xycoords=("axes fraction", "data"),
        xytext=(6, 0),
        textcoords="offset points",
        va="center",
        fontsize=9,
        annotation_clip=False,
    )


def plot_currents(
    amps_by_name: Mapping[str, ArrayLike],
    *,
    sample_rate_hz: float,
    volts_v: ArrayLike,
    cycles: float = 2.0,
    title: str | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw several currents on one scale, with the volts in grey behind them.

    Parameters
    ----------
    amps_by_name : mapping of name to array_like, shape (n,)
        [A]
    sample_rate_hz : float
        [Hz]
    volts_v : array_like, shape (n,)
        Drawn to fit, without a scale [V].
    cycles : float
        How many cycles to draw.
    title : str, optional
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes
    """
    if not amps_by_name:
        raise ValueError("no current to draw; give at least one")
    if len(amps_by_name) > len(LOOKS):
        raise ValueError(f"draw at most {len(LOOKS)} currents, got {len(amps_by_name)}")
    volts = np.asarray(volts_v, np.float64)
    first = measure_power(volts, volts, sample_rate_hz=sample_rate_hz, allow_flat_tops=True)
    hertz = first.frequency_hz
    n = min(volts.size, round(cycles * sample_rate_hz / hertz) + 1)
    ms = np.arange(n) / sample_rate_hz * MS_PER_S
    ax = axes_for(ax, (9.0, 3.4))
    currents = {name: np.asarray(amps, np.float64) for name, amps in amps_by_name.items()}
    highest = max(_peak(amps[:n]) for amps in currents.values())
    ax.plot(ms, volts[:n] / _peak(volts) * highest, color="0.7", linewidth=4, label="volts")
    for (name, amps), look in zip(currents.items(), LOOKS, strict=False):
        rms_a = root_mean_square(amps, sample_rate_hz=sample_rate_hz, frequency_hz=hertz)
        label = f"{name}: {rms_a:.2f} A rms"
        ax.plot(ms, amps[:n], color=look.colour, linestyle=look.dash, linewidth=1.8, label=label)
    ax.axhline(0, color="0.75", linewidth=0.7, zorder=1)
    ax.set_xlim(ms[0], ms[-1])
    ax.set_xlabel("time (ms)")
    ax.set_ylabel("current (A)")
    ax.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), frameon=False, handlelength=3.2)
    if title is not None:
        ax.set_title(title, loc="left")
    return ax


def plot_harmonics(
    harmonics: Harmonics, *, most: int = 25, title: str | None = None, ax: Axes | None = None
) -> Axes:
    """Draw the harmonics of a current as bars, in per cent of the fundamental.

    Parameters
    ----------
    harmonics : Harmonics
    most : int
        Highest order to draw.
    title : str, optional
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes
    """
    table = harmonics.to_frame().query("order <= @most")
    ax = axes_for(ax, (9.0, 2.8))
    odd = (table["order"] % 2 == 1).to_numpy()
    for mask, colour, hatch, name in ((odd, BLUE, None, "odd"), (~odd, ORANGE, "////", "even")):
        ax.bar(
            table["order"][mask],
            100 * table["amps_share"][mask],
            facecolor=colour if hatch is None else "white",
            edgecolor=colour,
            hatch=hatch,
            label=name,
        )
    ax.set_xlabel("order: multiple of the line frequency")
    ax.set_ylabel("share of the\nfundamental (%)")
    ax.set_xticks(np.arange(1, most + 1, 2))
    ax.set_xlim(0.3, most + 0.7)
    ax.grid(axis="y", color="0.88", linewidth=0.7)
    ax.legend(frameon=False)
    if title is not None:
        ax.set_title(title, loc="left")
    return ax


WARMEST_C = 60.0  # beyond the room in which the ordinary cabinet never rests
DISTORTED = 0.02  # of the apparent power that must not be the fundamental's


def plot_power_triangle(
    measures: PowerMeasures, *, title: str | None = None, ax: Axes | None = None
) -> Axes:
    """Draw real power across, nonactive power up (down where the current leads), apparent along.

    Parameters
    ----------
    measures : PowerMeasures
    title : str, optional
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes
        The upright side is named reactive only where the current is not distorted.
    """
    p, n, s = measures.real_w, measures.nonactive_var, measures.apparent_va
    sign = -1.0 if measures.side == "leading" else 1.0
    distorted = measures.nonfundamental_va > DISTORTED * s
    upright = "nonactive" if distorted else "reactive"
    if distorted:
        reactive_var = abs(measures.fundamental_reactive_var)
        upright_note = f"\n(reactive, of the\nfundamental: {reactive_var:,.0f} var)"
    else:
        upright_note = f"\n({measures.side})" if measures.side != "in step" else ""
    ax = axes_for(ax, (6.4, 3.6))
    sides = (
        ((0, 0), (p, 0), BLUE, "solid"),
        ((p, 0), (p, sign * n), VERMILION, (0, (6, 2))),
        ((0, 0), (p, sign * n), BLACK, "solid"),
    )
    for start, end, colour, dash in sides:
        xs, ys = zip(start, end, strict=True)
        ax.plot(xs, ys, color=colour, linestyle=dash, linewidth=2.6, solid_capstyle="round")
    below = 1.0 if sign < 0 else -1.0
    _label(ax, (p / 2, 0), f"real {p:,.0f} W", (0, 14 * below), BLUE)
    note = f"{upright} {n:,.0f} var{upright_note}"
    _label(ax, (p, sign * n / 2), note, (8, 0), VERMILION, "left")
    where = (p / 2, sign * n / 2)
    _label(ax, where, f"apparent {s:,.0f} VA", (-6, 12 * sign), BLACK, "right")
    reach = max(p, n, 1e-9)
    ax.set_xlim(-0.35 * reach, p + 0.6 * reach)
    ax.set_ylim(*sorted((-0.15 * sign * reach, sign * (max(n, 0.3 * reach) + 0.08 * reach))))
    ax.set_aspect("equal", adjustable="box", anchor="W")
    ax.axis("off")
    factor = measures.power_factor
    text = "no current" if math.isnan(factor) else f"power factor {factor:.3f}"
    ax.set_title(f"{title}: {text}" if title else text, loc="left")
    return ax


def _label(
    ax: Axes,
    at: tuple[float, float],
    text: str,
    offset: tuple[float, float],
    colour: str,
    side: str = "center",
) -> None:
    ax.annotate(
        text,
        at,
        xytext=offset,
        textcoords="offset points",
        color=colour,
        ha=side,
        va="center",
        annotation_clip=False,
    )


def plot_cabinet(
    record: CabinetRecord, *, title: str | None = None, ax: Axes | None = None
) -> Axes:
    """Draw the temperature in a cabinet and in the room; shaded where the compressor runs.

    Parameters
    ----------
    record : CabinetRecord
    title : str, optional
        Default: share of the time that it runs, and the energy.
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes
    """
    trace = record.trace
    hours = np.arange(len(trace) + 1) * trace.period_s / S_PER_H
    on = trace.watts > 0
    ax = axes_for(ax, (9.0, 3.2))
    edges = np.flatnonzero(np.diff(np.r_[False, on, False]))
    for first, stop in zip(edges[::2], edges[1::2], strict=True):
        label = "compressor runs" if first == edges[0] else None
        ax.axvspan(hours[first], hours[stop], color=SKY, alpha=0.4, linewidth=0, label=label)
    ax.plot(hours[:-1], record.room_c, color=VERMILION, linestyle=(0, (6, 2)), label="room")
    ax.plot(hours[:-1], record.inside_c, color=BLUE, linewidth=1.6, label="inside")
    for end in (-0.5, 0.5):
        limit = record.model.set_c + end * record.model.band_k
        ax.axhline(limit, color=GREY, linewidth=0.8, linestyle=(0, (1, 1.5)))
    ax.set_xlim(hours[0], hours[-1])
    ax.set_ylim(min(0.0, float(record.inside_c.min()) - 1), 1.15 * float(record.room_c.max()))
    ax.set_xlabel("time (h)")
    ax.set_ylabel("temperature (°C)")
    ax.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), frameon=False, handlelength=3.2)
    if title is None:
        title = (
            f"runs {record.duty_cycle:.0%} of the time: {trace.energy_wh / 1000:.2f} kWh "
            f"in {hours[-1]:g} h"
        )
    ax.set_title(title, loc="left")
    return ax


def plot_duty_cycle(
    model: CabinetModel,
    *,
    records: Iterable[CabinetRecord] = (),
    title: str | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw the duty cycle over the temperature of the room: heat balance as a line, runs as dots.

    Parameters
    ----------
    model : CabinetModel
    records : iterable of CabinetRecord
        Simulated, each in a room of one temperature.
    title : str, optional
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes
    """
    rooms_c = np.linspace(model.set_c, WARMEST_C, 113)
    ax = axes_for(ax, (6.4, 3.4))
    share = [100 * model.duty_cycle(room_c) for room_c in rooms_c.tolist()]
    ax.plot(rooms_c, share, color=BLUE, label="heat balance")
    dots = [(float(np.mean(r.room_c)), 100 * r.duty_cycle) for r in records]
    if dots:
        ax.plot(*zip(*dots, strict=True), "s", color=VERMILION, label="a simulated day")
    ax.set_xlabel("temperature of the room (°C)")
    ax.set_ylabel("duty cycle (%)")
    ax.set_ylim(0, max(100.0, *share) if max(share) > 60 else 70)
    ax.grid(color="0.88", linewidth=0.7)
    ax.legend(frameon=False, loc="upper left")
    if title is not None:
        ax.set_title(title, loc="left")
    return ax


STEP_X, STEP_Y = 3.4, 4.3  # from one drawing to the next; the ring has a radius of 1
WIRE = 0.24
LEG_COLOURS = {1: BLUE, 2: VERMILION}


def plot_clamps(
    cases: ClampCase | Sequence[ClampCase],
    *,
    columns: int = 4,
    volts_v: float = 120.0,
    title: str | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw clamps with the conductors through them, and below each what it reads.

    Parameters
    ----------
    cases : ClampCase, or several of them
    columns : int
        Drawings in a row.
    volts_v : float
        From a leg to neutral [V].
    title : str, optional
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes
        A cross is a current away from the reader, a dot one towards the reader, both at the
        crest of the volts of leg 1. The clamp's arrow points away from the reader.
    """
    shown = list(cases) if isinstance(cases, Sequence) else [cases]
    if not shown:
        raise ValueError("no clamp to draw; give at least one case")
    columns = min(columns, len(shown))
    rows = -(-len(shown) // columns)
    ax = axes_for(ax, (2.45 * columns, 0.5 + 2.95 * rows))
    for k, case in enumerate(shown):
        _draw_case(ax, STEP_X * (k % columns), -STEP_Y * (k // columns), case, volts_v)
    ax.set_xlim(-STEP_X / 2, STEP_X * (columns - 0.5))
    ax.set_ylim(-STEP_Y * (rows - 1) - 2.75, 1.75)
    ax.set_aspect("equal")
    ax.axis("off")
    ax.text(
        0.5,
        0.0,
        "⊗ away from you, ⊙ towards you, at the crest of the volts of L1; the clamp's arrow points "
        "away.   L1: blue, solid rim.   L2: red, dashed rim.   N: grey, dotted rim.",
        transform=ax.transAxes,
        ha="center",
        va="top",
        fontsize=8 if columns > 2 else 6,
        wrap=True,
    )
    if title is not None:
        ax.set_title(title, loc="left")
    return ax


def _draw_case(ax: Axes, x: float, y: float, case: ClampCase, volts_v: float) -> None:
    from matplotlib.patches import Circle, Wedge

    ax.add_patch(Wedge((x, y), 1.0, 92, 448, width=0.2, facecolor="0.82", edgecolor="0.35"))
    ax.add_patch(Circle((x, y), 0.8, facecolor="white", edgecolor="none"))
    wires = [c for c in case.conductors for _ in range(c.passes)]
    left = -0.4 * (len(wires) - 1)
    spots = [(x + left + 0.8 * k, y) for k in range(len(wires))]
    for conductor, spot in zip(wires, spots, strict=True):
        _draw_wire(ax, spot, conductor)
    if any(c.passes == 2 for c in case.conductors):
        (x0, _), (x1, _) = spots[:2]
        ax.annotate(
            "",
            (x1, y + WIRE),
            (x0, y + WIRE),
            arrowprops={"arrowstyle": "-", "connectionstyle": "arc3,rad=-0.9", "color": BLUE},
        )
    ax.text(x, y + 1.22, case.title, ha="center", va="bottom", fontsize=9, fontweight="bold")
    names = " + ".join(
        f"{c.label} {c.amps_a:g} A" if not c.label.startswith("neutral") else "neutral"
        for c in case.conductors
    )
    ax.text(x, y - 1.14, names, ha="center", va="top", fontsize=8, color=GREY)
    watts = f"{case.reads_w(volts_v=volts_v):+,.0f} W".replace("+0 W", "0 W").replace("-", "−")
    reads = f"reads {case.reads_a:.1f} A, {watts}"
    ax.text(x, y - 1.46, reads, ha="center", va="top", fontsize=9.5)
    drawn = f"drawn: {case.true_w(volts_v=volts_v):,.0f} W"
    ax.text(x, y - 1.82, drawn, ha="center", va="top", fontsize=9.5)
    ax.text(x, y - 2.18, case.note, ha="center", va="top", fontsize=8, style="italic")


def _draw_wire(ax: Axes, spot: tuple[float, float], conductor: Conductor) -> None:
    from matplotlib.patches import Circle

    neutral = conductor.label.startswith("neutral")
    colour = GREY if neutral else LEG_COLOURS[conductor.leg]
    dash = ":" if neutral else ("-" if conductor.leg == 1 else "--")
    ax.add_patch(
        Circle(spot, WIRE, facecolor="white", edgecolor=colour, linewidth=2, linestyle=dash)
    )
    x, y = spot
    if conductor.phasor_a.real >= 0:
        d = WIRE * 0.6
        ax.plot([x - d, x + d], [y - d, y + d], color=colour, linewidth=2)
        ax.plot([x - d, x + d], [y + d, y - d], color=colour, linewidth=2)
    else:
        ax.add_patch(Circle(spot, WIRE * 0.35, facecolor=colour, edgecolor="none"))
