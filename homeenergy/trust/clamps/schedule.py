"""What the panel schedule says of its clamps, against itself: wiring, multiplier and range."""

from __future__ import annotations

from collections.abc import Sequence

from homeenergy.house.schedule import Circuit, Clamp, Supply
from homeenergy.trust.clamps.limits import current_range
from homeenergy.trust.clamps.reading import ClampSetting, Conductor, right_multiplier
from homeenergy.trust.concern import Concern
from homeenergy.trust.panel.circuit import WIRING


def clamp_setting(circuit: Circuit) -> ClampSetting | None:
    """How a circuit's clamp is mounted, from its `conductors`; None where they are not stated."""
    clamp: Clamp = circuit.clamp
    if not clamp.conductors:
        return None
    conductors = tuple(_conductor(text) for text in clamp.conductors)
    return ClampSetting(conductors=conductors, volts_leg=clamp.volts_leg or conductors[0].leg)


def _conductor(text: str) -> Conductor:
    passes, _, leg = text.lstrip("-").rpartition("*")
    return Conductor(
        leg=leg, direction=-1 if text.startswith("-") else 1, passes=int(passes) if passes else 1
    )


def load_kind(circuit: Circuit) -> str:
    """Kind of load that a circuit's legs suggest: "L1", or "L1-L2" across both."""
    return "-".join(circuit.legs) or "L1"


def schedule_concerns(circuits: Sequence[Circuit], supply: Supply) -> list[Concern]:
    """Find what the panel schedule says that cannot be right together.

    Parameters
    ----------
    circuits : sequence of Circuit
    supply : Supply

    Returns
    -------
    list of Concern
    """
    concerns: list[Concern] = []
    for circuit in circuits:
        concerns += _wiring(circuit, supply)
        concerns += _range(circuit, supply)
    unrated = [circuit.name for circuit in circuits if circuit.clamp.rating_a is None]
    if unrated:
        concerns.append(
            Concern(
                weight="note",
                subject="clamps",
                what=f"The rating of the clamp is not stated for {', '.join(unrated)}, so its "
                "range and smallest step are not known.",
                do="Write rating_a, as printed on the clamp.",
            )
        )
    return concerns


def _wiring(circuit: Circuit, supply: Supply) -> list[Concern]:
    setting = clamp_setting(circuit)
    if setting is None:
        return []
    answer = right_multiplier(setting, (load_kind(circuit),), system=supply.system)
    stated = circuit.clamp.multiplier
    if answer.multiplier is not None and abs(stated / answer.multiplier - 1) < WIRING:
        return []
    right = "none" if answer.multiplier is None else f"{answer.multiplier:.3g}"
    return [
        Concern(
            weight="wrong",
            subject=circuit.name,
            what=f"{circuit.name}: with its conductors as stated its multiplier should be {right}, "
            f"and house.toml says {stated:g}.",
            do="Correct the conductors or the multiplier, whichever is wrong.",
            share=1.0 if answer.multiplier is None else abs(stated / answer.multiplier - 1),
        )
    ]


def _range(circuit: Circuit, supply: Supply) -> list[Concern]:
    clamp, breaker_a = circuit.clamp, circuit.breaker_a
    if clamp.rating_a is None or breaker_a is None:
        return []
    setting = clamp_setting(circuit)
    if setting is None:
        leg = circuit.legs[0] if circuit.legs else "L1"
        setting = ClampSetting(conductors=(Conductor(leg=leg),), volts_leg=leg)
    found = current_range(
        setting,
        load_kind(circuit),
        rating_a=clamp.rating_a,
        breaker_a=breaker_a,
        system=supply.system,
    )
    if not found.clamp_a < found.continuous_a:
        return []
    return [
        Concern(
            weight="note",
            subject=circuit.name,
            what=f"{circuit.name}: {found.sentence}",
            do="A larger clamp would follow the circuit to its breaker.",
        )
    ]
