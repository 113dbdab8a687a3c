"""What was measured, and how far it can be trusted."""

from __future__ import annotations

from homeenergy.findings.appliance.record import estimate_text, percent_text
from homeenergy.house.schedule import Circuit
from homeenergy.show.document.blocks import Block, Bullets, Heading, Prose
from homeenergy.show.figures.trust import plot_meter, plot_multipliers
from homeenergy.show.terminal import HEADINGS, duration_text
from homeenergy.show.writeup.basis import Basis, for_author, grid, picture
from homeenergy.show.writeup.front import day_text


def measured_blocks(basis: Basis) -> tuple[Block, ...]:
    """Panel schedule, clamps, dates, coverage and gaps."""
    house = basis.house
    quality = house.quality()
    start, end = basis.local(basis.findings.start), basis.local(basis.findings.end)
    supply = house.supply
    volts = f", {supply.volts_v:g} V from leg to neutral" if supply.volts_v else ""
    columns = {
        "circuit": lambda c: c.name,
        "feeds": lambda c: c.appliance,
        "legs": lambda c: " ".join(c.legs),
        "breaker (A)": lambda c: _plain(c.breaker_a),
        "clamp (A)": lambda c: _plain(c.clamp.rating_a),
        "times": lambda c: f"{c.clamp.multiplier:g}",
        "sample": lambda c: _of(quality, c, lambda q: duration_text(q["period_s"])),
        "covered": lambda c: _of(quality, c, lambda q: percent_text(q["coverage"])),
        "longest gap": lambda c: _of(quality, c, lambda q: duration_text(q["longest_gap_s"])),
    }
    silent = [c.appliance for c in house.circuits if c.name not in quality.index]
    text = (
        f"From {day_text(start)} to {day_text(end)}, {basis.days:.1f} days, on a {supply.system} "
        f"supply{volts}. Each reading is the mean power of a sample; times are local, and days "
        "have 23 to 25 hours where clocks change. Missing readings stay missing: nothing is "
        "filled in."
    )
    if silent:
        text += f" Without readings: {', '.join(silent)}."
    return (
        Heading(text="What was measured", new_page=True),
        Prose(text=text),
        grid(
            columns,
            house.circuits,
            caption="Panel schedule, clamps and readings. “Times”: what the clamp's readings are "
            "multiplied with. Covered: share of the time with readings.",
            text=("circuit", "feeds", "legs"),
            sheet="circuits",
            data=quality.reset_index(),
        ),
    )


def _plain(number: float | None) -> str:
    return "" if number is None else f"{number:g}"


def _of(quality, circuit: Circuit, show) -> str:  # type: ignore[no-untyped-def]
    return show(quality.loc[circuit.name]) if circuit.name in quality.index else "none"


def trust_blocks(basis: Basis) -> tuple[Block, ...]:
    """Bench, balance, utility meter, and what contradicts the panel schedule."""
    check = basis.check
    blocks: list[Block] = [Heading(text="How far it can be trusted")]
    blocks += _bench(basis)
    if check.balance is not None:
        base = estimate_text(check.balance.base_w)
        blocks.append(
            Prose(
                text="Panel balance: the mains were compared with the sum of the circuits, step by "
                f"step. At quiet times the unmeasured part of the house draws {base}."
            )
        )
    else:
        blocks.append(
            Prose(text="The mains were not logged, so the circuits could not be checked with them.")
        )
    if check.meter is not None:
        blocks.append(Prose(text=f"Utility meter: {check.meter.verdict}"))
        blocks.append(
            picture(
                lambda ax: plot_meter(check.meter, ax=ax),  # type: ignore[arg-type]
                caption="Utility meter and logged mains from reading to reading, each with its "
                "guaranteed bounds. Where both overlap they agree.",
                alternative=f"Bars of mean power by interval. {check.meter.verdict}",
                height_in=3.0,
            )
        )
    else:
        blocks.append(Prose(text="There were no readings of the utility meter to compare with."))
    for weight, heading in HEADINGS.items():
        said = check.meter.verdict if check.meter is not None else ""
        concerns = [c for c in check.concerns if c.weight == weight and c.what != said]
        # The figure of the bench comparison shows the clamps that agree.
        concerns = [c for c in concerns if weight != "note" or not c.what.startswith("Bench:")]
        if concerns:
            blocks.append(Heading(text=heading, level=2))
            items = tuple(c.what if for_author(c.do) else f"{c.what} {c.do}" for c in concerns)
            blocks.append(Bullets(items=items))
    return tuple(blocks)


def _bench(basis: Basis) -> list[Block]:
    bench = basis.check.bench
    if not bench:
        return [
            Prose(
                text="No clamp was compared with a reference meter, so errors of the clamps are "
                "known only where house.toml sets them."
            )
        ]
    agree = sum(result.agrees for result in bench)
    return [
        Prose(
            text=f"Bench comparison: {agree} of {len(bench)} clamps agree with the reference meter "
            "within what both can know."
        ),
        picture(
            lambda ax: plot_multipliers(bench, ax=ax),
            caption="By how much each clamp reads too high against the reference meter, with 95 % "
            "intervals.",
            alternative=" ".join(result.verdict for result in bench),
            height_in=0.9 + 0.27 * len(bench),
        ),
    ]
