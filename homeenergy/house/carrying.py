"""What a circuit can carry at most, from its breaker and the supply."""

from __future__ import annotations

from homeenergy.house.schedule import Circuit, Supply

# Largest service to a dwelling [A in each leg]. Common practice, no source.
SUPPLY_A = 400.0
# What one load of a dwelling draws for an hour at most, where its breaker is not stated [W]: a car
# on 32 A in each of three legs, and a tenth. Common practice, no source.
LOAD_W = 25_000.0
# Nominal volts from a leg to neutral where house.toml gives none: the highest usual (IEC 60038,
# ANSI C84.1), and how far above nominal a supply may be (IEC 60038: 10 %).
USUAL_V = {"single-phase": 240.0, "split-phase": 120.0, "three-phase": 240.0}
VOLTS_ABOVE = 1.1
LEGS = {"single-phase": 1, "split-phase": 2, "three-phase": 3}
# Times its rating, a breaker of any type opens at once (type D, the slowest), within two minutes,
# and within an hour (two above 63 A): IEC 60898-1, table 7. Unverified.
AT_ONCE, IN_MINUTES, IN_HOURS = 20.0, 2.55, 1.45


def most_volts_v(circuit: Circuit, supply: Supply) -> float:
    """Volts by which amperes in each leg are at most multiplied for watts.

    All legs of the supply are counted: which of them a circuit takes may be stated wrongly.
    """
    volts_v = supply.volts_v or USUAL_V[supply.system]
    legs = 1 if circuit.role == "mains" else LEGS[supply.system]
    return VOLTS_ABOVE * volts_v * legs


def most_w(circuit: Circuit, supply: Supply, *, times: float = AT_ONCE) -> float:
    """Power that a circuit cannot exceed [W].

    Parameters
    ----------
    circuit : Circuit
    supply : Supply
    times : float
        How many times its rating the breaker stands for the time in question: `AT_ONCE` for a
        moment, `IN_MINUTES`, `IN_HOURS`.

    Returns
    -------
    float
        Never more than a supply of `SUPPLY_A` gives; nor, for an hour, more than `LOAD_W` for a
        load without a stated breaker.
    """
    amps = SUPPLY_A if circuit.breaker_a is None else min(times * circuit.breaker_a, SUPPLY_A)
    watts = amps * most_volts_v(circuit, supply)
    alone = circuit.role == "load" and circuit.breaker_a is None
    return min(watts, LOAD_W) if alone and times <= IN_HOURS else watts
