"""How a clamp sits: conductors from breaker to load, the clamp round them, and what it reads."""

from __future__ import annotations

from textwrap import fill
from typing import TYPE_CHECKING

from homeenergy.house import Circuit, Supply
from homeenergy.show.style import BLACK, BLUE, GREEN, GREY, VERMILION, axes_for
from homeenergy.trust.clamps import ClampSetting, Conductor, right_multiplier
from homeenergy.trust.schedule_check import clamp_setting, load_kind

if TYPE_CHECKING:
    from matplotlib.axes import Axes

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
        words = f"Asks for multiplier {answer.multiplier:.3g}; "
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
        turned = " led back through" if c.direction < 0 else ""
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
