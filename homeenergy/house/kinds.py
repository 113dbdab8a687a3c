"""Kinds of appliance: one table that answers what differs between them.

Whoever needs to know how a kind behaves asks its entry in `KINDS`; no module compares a name. A new
kind is one entry here and its test (`tests/house/test_kinds.py`). What gives a kind away in a trace
is decided in `homeenergy.cycles.runs.find`; a kind that is not inferred can still be set in
house.toml.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Literal

Seasonality = Literal["strong", "some", "none"]
SEASONS: tuple[Seasonality, ...] = ("strong", "some", "none")


@dataclass(frozen=True, slots=True, kw_only=True)
class Bridging:
    """What a kind adds to the evidence on which pieces of power make up one run.

    Attributes
    ----------
    by_itself : bool
        Whether it switches itself on and off, so that only breaks of some seconds belong to a run;
        else what the log shows decides (`homeenergy.cycles.runs.partition`).
    break_s, piece_s : tuple of float
        Median [s] and spread (natural logarithm) of breaks inside a run, and of pieces that
        continue one: pulses and short pauses, or soaks and heatings of a programme. Wide priors.
    soon_s : tuple of float
        The same of breaks between two uses on one occasion: a machine must be emptied and loaded.
    set_off_s : float
        Rests of this length set runs off from others, so that they show what a run is like [s].
    usual_pause_in_holes : bool
        Whether a gap in the data is bridged only up to the usual pause of the appliance, because
        it must have paused in a longer one.
    low_share : float or None
        Neighbouring power belongs to a run above this share of the rise from idle to on. None: from
        the level that the readings show.
    pumps : bool
        Whether power as small as a pump's belongs to a run, and that of a motor makes one.
    """

    by_itself: bool = False
    usual_pause_in_holes: bool = False
    break_s: tuple[float, float] = (60.0, 1.0)
    piece_s: tuple[float, float] = (60.0, 2.0)
    soon_s: tuple[float, float] = (300.0, 1.2)
    set_off_s: float = 600.0
    low_share: float | None = None
    pumps: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """How one kind of appliance behaves, and how that is said.

    Attributes
    ----------
    help : str
        What it is and which appliances are so, for house.toml.
    words : str
        How it works, as a predicate.
    bridging : Bridging
    season : str
        How much the weather of a year drives it where house.toml does not say and no outdoor
        temperature decides: "strong", "some" or "none". Own rule, no source: what changes its speed
        mostly heats or cools; what switches itself follows the room or the water main; what a
        person switches may be a lamp, which follows the length of the day, and programmes and what
        is never off follow habits.
    season_matters : bool
        Whether the kind may be a heater or a cooler as well, so that its default can be far off.
    never_off : bool
        Whether it has no runs, so that nothing of it is idle.
    by_hand : bool
        Whether a person starts each of its runs.
    programmes : bool
        Whether its runs are programmes that energy and length distinguish.
    lamps : bool
        Whether it may be lamps: steady levels, of which the least can be smaller than a run.
    varying : bool
        Whether its power follows the load, so that runs last as long as the weather or its own
        control want.
    why_not_shifted : str
        Why its runs cannot be started later, as a predicate; empty where they can.
    stays_on : str
        Why it must not be switched off between uses; empty where it may be.
    guards_leaks : bool
        Whether its guard against leaks needs power.
    networked : bool
        Whether it may miss something while it is off.
    """

    help: str
    words: str
    season: Seasonality
    why_not_shifted: str = ""
    bridging: Bridging = field(default_factory=Bridging)
    season_matters: bool = False
    never_off: bool = False
    by_hand: bool = False
    programmes: bool = False
    lamps: bool = False
    varying: bool = False
    stays_on: str = ""
    guards_leaks: bool = False
    networked: bool = True


STARTS_ITSELF = "it starts by itself when it is needed"

KINDS: dict[str, Kind] = {
    "thermostatic": Kind(
        help="goes on and off by itself: refrigerator, water heater, well pump",
        words="switches itself",
        season="some",
        season_matters=True,
        # Of one compressor or element, what lies far below its power is another load.
        bridging=Bridging(by_itself=True, usual_pause_in_holes=True, low_share=0.75),
        why_not_shifted="goes on by itself when its temperature calls for it: to move it is to let "
        "what it keeps warm or cold drift",
        stays_on=STARTS_ITSELF,
    ),
    "batch": Kind(
        help="one load or programme at a time: dishwasher, washing machine, kiln",
        words="works by loads or programmes",
        season="none",
        bridging=Bridging(
            pumps=True,
            break_s=(60.0, 1.5),
            piece_s=(600.0, 2.0),
            soon_s=(500.0, 1.4),
            set_off_s=3600.0,
        ),
        by_hand=True,
        programmes=True,
        guards_leaks=True,
        networked=False,
    ),
    "manual": Kind(
        help="a person switches it: kettle, oven, television, lights",
        words="is switched by somebody",
        season="some",  # a lamp, a heater or a kettle
        season_matters=True,
        by_hand=True,
        lamps=True,
        why_not_shifted="is used while a person is there, who would have to come at other hours",
    ),
    "modulating": Kind(
        help="changes its speed: heat pump, inverter air conditioner",
        words="works at varying power",
        season="strong",
        bridging=Bridging(low_share=0.5),
        varying=True,
        why_not_shifted="follows the weather, or its own control, all the time",
        stays_on=STARTS_ITSELF,
    ),
    "continuous": Kind(
        help="never off: ventilation, router",
        words="is never off",
        season="none",
        never_off=True,
        why_not_shifted="is never off, so it has no runs to move",
        stays_on="it is never off, so nothing of it is idle",
    ),
}

# Names of what may run at other hours, whatever its kind. Own list, in four languages.
MOVABLE = (
    r"\bev\b|electric (car|vehicle)|car charg|vehicle charg|charging (point|station)|wall.?box|"
    r"elektroauto|e-auto|ladestation|ladesäule|laadpaal|laadpunt|elektrische auto|"
    r"voiture|véhicule|borne de (re)?charge|pool.?pump|poolpumpe|zwembadpomp|piscine"
)
# Names of what heats water, or bricks, for later: a clock may do so at other hours. Own list.
STORES_HEAT = (
    "water.?heater|hot.?water|immersion|boiler|geyser|storage heat|speicher|warmwasser|"
    "wasserwärmer|chauffe.?eau|ballon|accumulat"
)
# Names of what someone's health depends on, and of what guards people. Own lists: English, and some
# German, Dutch and French.
HEALTH = (
    "medical|oxygen|cpap|dialysis|ventilator|nebuli|breath|respirat|infusion|stair ?lift|"
    "beatmung|sauerstoff|dialyse|zuurstof|beademing|oxygène"
)
GUARDS = "alarm|smoke|security|carbon monoxide|emergency|notlicht|secours"
GUARDS_PEOPLE = f"{HEALTH}|{GUARDS}"
# Names of what must stay on, whatever its kind. English words but for those above, own list.
STAYS_ON = {
    "heat pump": "the heater of its crankcase guards the compressor, and without heat pipes freeze",
    "refrigerat|fridge|freez|wine cool": "food spoils without cooling",
    "sump|sewage|ejector|lift pump": "without its pump the cellar floods",
    r"\bpump": "pumps keep water, heating or drainage going",
    "furnace|boiler|heating|radiator|thermostat|heat tape|frost": "without heat, pipes freeze",
    "water heater|hot water": "it heats when it needs to; its own controls decide",
    HEALTH: "someone's health depends on it",
    GUARDS: "it guards people",
    "ventilat|radon|exhaust": "without air change, moisture and gases build up",
    "aquarium|terrarium|incubator": "animals depend on it",
}


def is_named(words: str, *names: str) -> bool:
    """Whether a pattern of words, in lower case, is found in the names of a load."""
    return re.search(words, " ".join(names).replace("_", " ").lower()) is not None


def why_not_moved(kind: str, *names: str) -> str:
    """Reason why runs of an appliance cannot be started later; empty where they can."""
    return "" if is_named(MOVABLE, *names) else KINDS[kind].why_not_shifted


def why_named_to_stay_on(*names: str) -> str:
    """Reason why an appliance of such names must not be switched off; empty where none is known."""
    return next((why for words, why in STAYS_ON.items() if is_named(words, *names)), "")
