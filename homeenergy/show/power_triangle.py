"""The power triangle: real, nonactive and apparent power."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from homeenergy.show.style import BLACK, BLUE, VERMILION, axes_for
from homeenergy.waveform import PowerMeasures

if TYPE_CHECKING:
    from matplotlib.axes import Axes

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
