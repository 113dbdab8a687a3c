"""Conductors through a clamp, seen along the wires, and what the clamp reads."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from homeenergy.show.style import BLUE, GREY, VERMILION, axes_for

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from homeenergy.simulate import ClampCase, Conductor

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
