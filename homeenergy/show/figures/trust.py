"""Figures of trust: bench pairs, steps of circuits against the mains, and the utility meter."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import fill

import numpy as np
from matplotlib.axes import Axes

from homeenergy.house.schedule import Circuit, Supply
from homeenergy.show.figures.style import BLACK, BLUE, GREEN, GREY, LOOKS, VERMILION, axes_for
from homeenergy.trust.bench import BenchResult
from homeenergy.trust.clamps.limits import clamp_setting, load_kind
from homeenergy.trust.clamps.reading import ClampSetting, Conductor, right_multiplier
from homeenergy.trust.meter import MeterAgreement
from homeenergy.trust.panel.balance import PanelBalance

LEG_LOOKS = {"L1": (BLUE, "solid"), "L2": (VERMILION, (0, (6, 2))), "L3": (GREEN, (0, (2, 1.2)))}
LEFT, CLAMP_X, RIGHT = 0.0, 3.0, 6.0
GAP = 0.9


def plot_wiring(circuit: Circuit, supply: Supply, *, ax: Axes | None = None) -> Axes:
    """Draw the conductors of a circuit and its clamp, with the directions of both.

    Parameters
    ----------
    circuit : Circuit
        With `conductors` in its clamp; without them one conductor on its first leg is taken, or one
        on each leg where the multiplier is 1, and said so.
    supply : Supply
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes
        Below the picture: the multiplier that the wiring asks for, and the one in use.
    """
    setting = clamp_setting(circuit)
    guessed = setting is None
    if setting is None:
        setting = likely_setting(circuit)
    ax = axes_for(ax, (5.2, 2.6))
    legs = circuit.legs or ("L1",)
    heights = {leg: -GAP * k for k, leg in enumerate((*legs, "N"))}
    for leg, y in heights.items():
        _conductor(ax, leg, y, next((c for c in setting.conductors if c.leg == leg), None))
    _clamp(ax, [heights[c.leg] for c in setting.conductors if c.leg in heights])
    _box(ax, LEFT - 1.3, heights, _breaker_text(circuit))
    _box(ax, RIGHT, heights, fill(circuit.appliance, 13))
    answer = right_multiplier(setting, (load_kind(circuit),), system=supply.system)
    if answer.multiplier is None:
        words = f"No multiplier makes it right; house.toml says {circuit.clamp.multiplier:g}."
    else:
        words = f"Needs multiplier {answer.multiplier:.3g}; "
        words += f"house.toml says {circuit.clamp.multiplier:g}."
    if guessed:
        words += "\nIts conductors are not stated: this is the likely wiring."
    middle = (LEFT + RIGHT) / 2
    bottom = min(heights.values())
    ax.text(middle, bottom - 1.0, words, ha="center", va="top", fontsize=8)
    ax.set_title(f"{circuit.appliance}: clamp on {_clamp_text(setting)}", fontsize=10)
    ax.set_xlim(LEFT - 1.5, RIGHT + 1.5)
    ax.set_ylim(bottom - 1.6, 1.0)
    ax.axis("off")
    return ax


def likely_setting(circuit: Circuit) -> ClampSetting:
    """Wiring that the multiplier of a circuit suggests, where nobody stated its conductors."""
    legs = circuit.legs or ("L1",)
    direction = -1 if circuit.clamp.multiplier < 0 else 1
    first = Conductor(leg=legs[0], direction=direction)  # type: ignore[arg-type]
    if len(legs) == 2 and abs(circuit.clamp.multiplier) < 1.5:
        other = Conductor(leg=legs[1], direction=-direction)  # type: ignore[arg-type]
        return ClampSetting(conductors=(first, other), volts_leg=legs[0])
    return ClampSetting(conductors=(first,), volts_leg=legs[0])


def _clamp_text(setting: ClampSetting) -> str:
    parts = []
    for c in setting.conductors:
        turned = " passed back through" if c.direction < 0 else ""
        often = f" {c.passes} times" if c.passes > 1 else ""
        parts.append(f"{c.leg}{turned}{often}")
    return " and ".join(parts)


def _breaker_text(circuit: Circuit) -> str:
    return "breaker" if circuit.breaker_a is None else f"breaker\n{circuit.breaker_a:g} A"


def _conductor(ax: Axes, leg: str, y: float, through: Conductor | None) -> None:
    colour, dash = LEG_LOOKS.get(leg, (GREY, (0, (1, 1.5))))
    ax.plot([LEFT, RIGHT], [y, y], color=colour, linestyle=dash, linewidth=2, zorder=1)
    ax.text(LEFT + 0.1, y + 0.08, leg, color=colour, fontsize=9, va="bottom")
    if leg == "N":
        return
    if through is not None and through.direction < 0:
        # Looped, so that it runs through the clamp against its arrow.
        _arrow(ax, CLAMP_X + 0.75, CLAMP_X - 0.75, y, colour)
    else:
        _arrow(ax, CLAMP_X + 0.8, CLAMP_X + 1.5, y, colour)
    if through is not None and through.passes > 1:
        ax.text(CLAMP_X + 0.5, y + 0.08, f"× {through.passes}", fontsize=9, color=colour)


def _arrow(ax: Axes, start: float, end: float, y: float, colour: str) -> None:
    arrow = {"arrowstyle": "-|>", "color": colour, "lw": 2, "mutation_scale": 14}
    ax.annotate("", xy=(end, y), xytext=(start, y), arrowprops=arrow, zorder=4)


def _clamp(ax: Axes, inside: list[float]) -> None:
    """Draw the clamp across the conductors in its window; those it skips run behind nothing."""
    from matplotlib.patches import FancyBboxPatch

    for y in inside:
        ax.add_patch(
            FancyBboxPatch(
                (CLAMP_X - 0.28, y - 0.24),
                0.56,
                0.48,
                boxstyle="round,pad=0.06",
                facecolor="0.9",
                edgecolor=BLACK,
                linewidth=1.5,
                alpha=0.85,
                zorder=2,
            )
        )
    if len(inside) > 1:
        ax.plot(
            [CLAMP_X, CLAMP_X], [min(inside), max(inside)], color=BLACK, linewidth=1.5, zorder=2
        )
    top = max(inside, default=0.0) + 0.5
    arrow = {"arrowstyle": "-|>", "color": BLACK, "lw": 1}
    ax.annotate("", xy=(CLAMP_X + 0.45, top), xytext=(CLAMP_X - 0.45, top), arrowprops=arrow)
    ax.text(CLAMP_X, top + 0.05, "clamp's arrow", ha="center", va="bottom", fontsize=7)


def _box(ax: Axes, x: float, heights: dict[str, float], text: str) -> None:
    from matplotlib.patches import Rectangle

    low, high = min(heights.values()) - 0.35, max(heights.values()) + 0.35
    ax.add_patch(
        Rectangle(
            (x, low), 1.3, high - low, facecolor="white", edgecolor=BLACK, linewidth=1, zorder=3
        )
    )
    ax.text(
        x + 0.65, (low + high) / 2, text, ha="center", va="center", fontsize=8, zorder=4, wrap=True
    )


MOST_SHOWN = 1.5  # a ratio beyond is drawn at the edge, with its number


def plot_multipliers(results: Sequence[BenchResult], *, ax: Axes | None = None) -> Axes:
    """Draw how far each circuit's multiplier is off by its bench comparison, with its interval.

    Parameters
    ----------
    results : sequence of BenchResult
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes
        Per cent that the corrected readings lie above the reference; 0 is right.
    """
    ax = axes_for(ax, (7.0, 0.5 + 0.3 * len(results)))
    for y, result in enumerate(results):
        m = result.multiplier
        ends = [100 * (result.stated / value - 1) for value in (m.high, m.value, m.low)]
        look = LOOKS[0 if result.agrees else 1]
        ax.plot([ends[0], ends[2]], [y, y], color=look.colour, linewidth=2)
        ax.plot(ends[1], y, look.marker, color=look.colour)
    ax.axvline(0, color=GREY, linewidth=1)
    ax.set_yticks(range(len(results)), [result.circuit for result in results])
    ax.invert_yaxis()
    ax.set_xlabel("reads too high by (%); round: within the uncertainty, square: correct it")
    return ax


def plot_step_ratios(balance: PanelBalance, *, ax: Axes | None = None) -> Axes:
    """Draw by how much the mains rise for each watt of a circuit, in all and on each leg.

    Parameters
    ----------
    balance : PanelBalance
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes
    """
    known = [c for c in balance.circuits if c.legs_found]
    ax = axes_for(ax, (7.0, 0.8 + 0.32 * len(known)))
    legs = list(known[0].leg_ratio) if known else []
    ax.axvline(1, color=GREY, linewidth=1)
    ax.axvline(0, color=GREY, linewidth=0.6)
    for y, circuit in enumerate(known):
        for k, leg in enumerate(legs):
            look = LOOKS[k % len(LOOKS)]
            value = circuit.leg_ratio[leg].value
            ax.barh(
                y + 0.26 * (k - (len(legs) - 1) / 2),
                np.clip(value, -MOST_SHOWN, MOST_SHOWN),
                height=0.24,
                facecolor="white",
                edgecolor=look.colour,
                hatch=look.hatch,
                label=f"on {leg}" if y == 0 else None,
            )
        total = float(np.clip(circuit.ratio.value, -MOST_SHOWN, MOST_SHOWN))
        ax.plot(total, y, "D", color="black", markersize=5, label="in all" if y == 0 else None)
        if abs(circuit.ratio.value) > MOST_SHOWN:
            ax.text(total, y, f"  {circuit.ratio.value:.2f}", va="center", fontsize=8)
    ax.set_yticks(range(len(known)), [circuit.circuit for circuit in known])
    ax.invert_yaxis()
    ax.set_xlabel("rise of the mains per watt of the circuit's step; a total of 1 is right")
    ax.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), frameon=False, fontsize=8)
    return ax


def plot_meter(agreement: MeterAgreement, *, ax: Axes | None = None) -> Axes:
    """Draw what meter and log say of each interval, both with their guaranteed bounds.

    Parameters
    ----------
    agreement : MeterAgreement
    ax : matplotlib.axes.Axes, optional

    Returns
    -------
    matplotlib.axes.Axes
        Mean power of each interval [W]; where the two bars do not overlap, both cannot be right
        with a ratio of 1.
    """
    table = agreement.intervals
    ax = axes_for(ax, (8.0, 3.0))
    hours = (table["end"] - table["start"]).dt.total_seconds().to_numpy() / 3600
    at = np.arange(len(table))
    for k, (name, label) in enumerate((("meter", "utility meter"), ("logged", "logged mains"))):
        low = table[f"{name}_low_kwh"].to_numpy() / hours * 1000
        high = table[f"{name}_high_kwh"].to_numpy() / hours * 1000
        colour, hatch = ((BLUE, "///"), (VERMILION, "..."))[k]
        ax.bar(
            at + 0.3 * (k - 0.5),
            high - low,
            bottom=low,
            width=0.26,
            facecolor="white",
            edgecolor=colour,
            hatch=hatch,
            label=label,
        )
    for i in range(len(table)):
        missing_h = table["missing_s"].iloc[i] / 3600
        top = max(table["meter_high_kwh"].iloc[i], table["logged_high_kwh"].iloc[i])
        text = f"{missing_h:.1f} h\nmissing" if missing_h >= 0.1 else ""
        ax.text(i, top / hours[i] * 1000, text, ha="center", va="bottom", fontsize=7)
    ax.set_xticks(
        at, [f"{t:%d %b}\nto {e:%d %b}" for t, e in zip(table["start"], table["end"], strict=True)]
    )
    ax.set_ylabel("mean power (W), from–to")
    every = table.filter(like="_kwh").to_numpy() / hours[:, None] * 1000
    every = every[np.isfinite(every)]
    room = 0.1 * (every.max() - every.min()) or 1.0
    ax.set_ylim(every.min() - room, every.max() + 3 * room)
    ax.legend(
        frameon=False,
        fontsize=8,
        ncols=2,
        loc="lower right",
        bbox_to_anchor=(1, 1),
        borderaxespad=0,
    )
    return ax
