"""Volts, amps and power within a cycle, and currents side by side."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from homeenergy.show.style import BLUE, GREY, LOOKS, ORANGE, SKY, VERMILION, axes_for
from homeenergy.waveform import Harmonics, measure_power, root_mean_square

if TYPE_CHECKING:
    from matplotlib.axes import Axes

HALF_LANE = 0.43
MS_PER_S = 1000.0


def plot_waves(
    volts_v: ArrayLike,
    amps_a: ArrayLike,
    *,
    sample_rate_hz: float,
    cycles: float = 3.0,
    title: str | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw volts, amps and their product over a few cycles, each in a lane of its own.

    Parameters
    ----------
    volts_v, amps_a : array_like, shape (n,)
        Samples at the same instants [V], [A].
    sample_rate_hz : float
        [Hz]
    cycles : float
        How many cycles to draw.
    title : str, optional
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes
        Power above zero flows to the load; below zero (hatched) it comes back.
    """
    volts, amps = np.asarray(volts_v, np.float64), np.asarray(amps_a, np.float64)
    found = measure_power(volts, amps, sample_rate_hz=sample_rate_hz, allow_flat_tops=True)
    n = min(volts.size, round(cycles * sample_rate_hz / found.frequency_hz) + 1)
    volts, amps = volts[:n], amps[:n]
    ms = np.arange(n) / sample_rate_hz * MS_PER_S
    ax = axes_for(ax, (9.0, 4.4))
    volts_note, amps_note = f"{found.volts_v:.1f} V rms", f"{found.amps_a:.2f} A rms"
    _lane(ax, ms, volts, 2, BLUE, "solid", volts_note, f"{_peak(volts):.0f} V")
    _lane(ax, ms, amps, 1, VERMILION, (0, (6, 1.5)), amps_note, f"{_peak(amps):.2f} A")
    power = volts * amps
    scale = _lane(ax, ms, power, 0, GREY, "solid", "", f"{_peak(power):,.0f} W")
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
    level = found.real_w * scale
    ax.plot([ms[0], ms[-1]], [level, level], color="black", linestyle=(0, (5, 2)), linewidth=1.2)
    places = 1 if abs(found.real_w) < 1000 else 0
    _note(ax, level, f"mean {found.real_w:,.{places}f} W")
    ax.set_yticks([2, 1, 0], ["volts", "amps", "power"])
    ax.tick_params(axis="y", length=0)
    ax.spines["left"].set_visible(False)
    ax.set_ylim(-0.6, 2.6)
    ax.set_xlim(ms[0], ms[-1])
    ax.set_xlabel("time (ms)")
    ax.grid(axis="x", color="0.88", linewidth=0.7)
    if title is not None:
        ax.set_title(title, loc="left")
    return ax


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


def _lane(
    ax: Axes,
    ms: NDArray[np.float64],
    values: NDArray[np.float64],
    middle: float,
    colour: str,
    dash: str | tuple[float, tuple[float, ...]],
    note: str,
    peak: str,
) -> float:
    scale = HALF_LANE / max(_peak(values), 1e-300)
    ax.axhline(middle, color="0.75", linewidth=0.7, zorder=1)
    ax.plot(ms, middle + values * scale, color=colour, linestyle=dash, linewidth=1.6)
    _note(ax, middle + HALF_LANE, f"peak {peak}")
    if note:
        _note(ax, middle, note)
    return scale


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
