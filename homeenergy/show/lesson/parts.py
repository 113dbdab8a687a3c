"""What a lesson is made of: steps, questions with their known slips, controls, editions."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from random import Random
from typing import Any, TypeVar

from homeenergy.simulate import BenchMains
from homeenergy.waveform import measure_power
from homeenergy.waveform.power import PowerMeasures

SAMPLES_PER_CYCLE = 4096  # as many as the simulated rectifier has steps
BEGIN_MIN, TASKS_MIN, CLOSE_MIN = 3, 5, 2  # of 45 minutes; the steps have the rest
VARIANTS = 8  # of the tasks: neighbours in a classroom get different ones


@dataclass(frozen=True, slots=True, kw_only=True)
class Edition:
    """Mains of a country and loads of ordinary size on them.

    Attributes
    ----------
    name : str
        What `--edition` takes.
    volts_v, frequency_hz : float
        [V], [Hz]
    between_legs_v : float
        Between two live conductors [V].
    leg_angle_deg : float
        By which the second live conductor's volts come later than the first's [degrees].
    heater_ohm, motor_ohm, motor_h, lamp_ohm : float
        Loads of the power factor lesson [ohm], [H].
    most_farad : float
        End of the capacitor's slider [F].
    price_per_kwh : float
        For examples; own assumption.
    """

    name: str
    volts_v: float
    frequency_hz: float
    between_legs_v: float
    leg_angle_deg: float
    heater_ohm: float
    motor_ohm: float
    motor_h: float
    lamp_ohm: float
    most_farad: float
    price_per_kwh: float
    currency: str
    paper: str

    def mains(self, *, harmonics: tuple[tuple[int, float, float], ...] = ()) -> BenchMains:
        """Give the mains of the bench, as finely sampled as the simulated rectifier."""
        return BenchMains(
            volts_v=self.volts_v,
            frequency_hz=self.frequency_hz,
            sample_rate_hz=SAMPLES_PER_CYCLE * self.frequency_hz,
            cycles=1,
            harmonics=harmonics,
        )

    def measured(self, mains: BenchMains, amps: Any) -> PowerMeasures:
        """Measure a current at these mains."""
        return measure_power(
            mains.volts,
            amps,
            sample_rate_hz=mains.sample_rate_hz,
            frequency_hz=self.frequency_hz,
        )


# 120 V: the motor is the worked example of Kuphaldt, Lessons In Electric Circuits, volume II,
# chapter 11. 230 V: own assumption, of about the same watts.
EDITIONS = {
    "120": Edition(
        name="120",
        volts_v=120.0,
        frequency_hz=60.0,
        between_legs_v=240.0,
        leg_angle_deg=180.0,
        heater_ohm=40.0,
        motor_ohm=60.0,
        motor_h=0.160,
        lamp_ohm=40.0,
        most_farad=80e-6,
        price_per_kwh=0.17,
        currency="USD",
        paper="letter",
    ),
    "230": Edition(
        name="230",
        volts_v=230.0,
        frequency_hz=50.0,
        between_legs_v=230.0 * math.sqrt(3),
        leg_angle_deg=120.0,
        heater_ohm=147.0,
        motor_ohm=220.0,
        motor_h=0.700,
        lamp_ohm=147.0,
        most_farad=26e-6,
        price_per_kwh=0.30,
        currency="EUR",
        paper="a4",
    ),
}

Say = Callable[..., str]
Option = TypeVar("Option")


class Draw:
    """Draws the numbers of one seat's tasks: by a seed, and never those of the seat next to it."""

    def __init__(self, seat: int, *, seed: int = 0) -> None:
        self._seat, self._random = seat, Random(seed)

    def choice(self, options: Sequence[Option]) -> Option:
        """Give one of two options or more."""
        return options[(self._random.randrange(len(options)) + self._seat) % len(options)]


Values = dict[str, Any]  # by name, which ends in its unit


@dataclass(frozen=True, slots=True)
class Slip:
    """A wrong answer that a known mistake gives, and what to say to it."""

    value: float
    says: str


@dataclass(frozen=True, slots=True)
class Choice:
    """One of several answers, and what to say to it."""

    text: str
    says: str
    right: bool = field(default=False, kw_only=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """Something to answer: a number with its unit, or one of several choices.

    Attributes
    ----------
    name, text : str
    answer : float
        In `unit`; nothing where there are choices.
    within : float
        Share of the answer by which a typed number may differ.
    slips : tuple of Slip
    choices : tuple of Choice
    why : str
        How the answer comes about.
    level : int
        1 reads off, 2 works out in a step or two, 3 combines.
    """

    name: str
    text: str
    why: str
    answer: float = float("nan")
    unit: str = ""
    within: float = 0.03
    slips: tuple[Slip, ...] = ()
    choices: tuple[Choice, ...] = ()
    level: int = 1

    def to_data(self) -> dict[str, Any]:
        """Give what a page needs of it."""
        return {**asdict(self), "answer": None} if self.choices else asdict(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class Control:
    """A slider, in `unit`, or a choice of `options` as pairs of name and label."""

    name: str
    label: str
    unit: str = ""
    low: float = 0.0
    high: float = 0.0
    step: float = 1.0
    start: float = 0.0
    digits: int = 0
    options: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """Predict, observe, explain: the control unlocks once the prediction is made.

    `figure` names what the page draws and `given` what that needs; `then` are questions to answer
    with the figure at hand.
    """

    name: str
    title: str
    text: str
    predict: Question
    figure: str
    controls: tuple[Control, ...]
    observe: str
    explain: str
    then: tuple[Question, ...] = ()
    given: Mapping[str, Any] = field(default_factory=dict)
    minutes: int = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Lesson:
    """A lesson in one edition and language; `variants` are sets of tasks of the same kinds."""

    name: str
    title: str
    question: str
    goals: tuple[str, ...]
    steps: tuple[Step, ...]
    variants: tuple[tuple[Question, ...], ...]
    apparatus: tuple[str, ...]
    limits: tuple[str, ...]
    sources: tuple[str, ...]
    edition: Edition
