"""Whether `check` names what is wrong with a panel, and is silent where nothing is.

`python -m tests.accuracy.panel_faults`. Houses are drawn as arrays: three days at 2 s, whole watts,
clamps of 0.5 % and with noise of 0 to 1 %, a third with solar power. Harsh houses are a week at 10
or 60 s, in which most loads are used three times a day, clamps drift with the hour and the day, and
their noise is autocorrelated. Seeds from 1 to 999 are for developing; the table has those from
96,001 on.
"""

from __future__ import annotations

import argparse
import re
import sys
import tempfile
import traceback
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.signal import lfilter

from homeenergy.readings import open_house
from homeenergy.readings.store.store import Store
from homeenergy.trust import check_house

from ..trust.panels import START, circuit_toml, store_watts
from .keep import keep

LEGS = {
    "split-phase": ("L1", "L2"),
    "single-phase": ("L1",),
    "three-phase": ("L1", "L2", "L3"),
}
VOLTS_V = {"split-phase": 120, "single-phase": 230, "three-phase": 230}
CLEAN, ONE, TWO = 60, 200, 60
HARSH_CLEAN, HARSH_ONE, HARSH_TWO = 40, 80, 40
FIRST_SEED = 96_001

# Faults of a circuit's clamp and of a clamp of the mains, and words that name each of them.
CIRCUIT_FAULTS = {
    "backwards": r"backwards",
    "other leg": r"says L\d.* on L\d",
    "half": r"doubling is missing|half",
    "double": r"doubled|twice",
    "cancelling": r"cancel",
    "two circuits": r"same load|two circuits",
    "gain": r"factor of|more than clamps|gain|[Bb]ench",
    "offset": r"offset",
    "clipped": r"clip|limit",
    "dead": r"dead|reads nothing|0 W|cancel",
    "not from here": r"fed from",
}
MAINS_FAULTS = {
    "mains backwards": r"backwards|rises -1 times",
    "mains half": r"half|rises 0\.5 times",
    "mains double": r"twice|double|rises 2 times",
    "mains cancelling": r"cancel",
    "mains gain": r"times as far|gain|factor of",
    "mains clipped": r"clip|limit",
    "mains dead": r"dead|reads nothing|0 W",
    "mains on one leg": r"same leg",
    "mains swapped": r"swapped",
}
# What no multiplier can mend: to propose one is harmful.
NO_MULTIPLIER = ("cancelling", "two circuits", "offset", "clipped", "dead", "not from here")


@dataclass
class Fault:
    """One thing wrong, with the circuit or mains clamp, and the multiplier that mends it."""

    name: str
    subject: str
    mends: float | None = 1.0
    other: str = ""


@dataclass(frozen=True)
class Grid:
    """How long a house is drawn [days], and at which period [s]; logged once in `every` samples."""

    days: int = 3
    period_s: int = 2
    every: int = 1
    harsh: bool = False

    @property
    def n(self) -> int:
        return self.days * 86_400 // self.period_s

    @classmethod
    def of(cls, seed: int, harsh: bool) -> Grid:
        return cls(7, 10, 6 if seed % 2 else 1, True) if harsh else cls()


@dataclass
class Drawn:
    """A house: true power of each circuit on each leg [W], what clamps read, what is stated."""

    system: str
    true: dict[str, dict[str, np.ndarray]]
    reads: dict[str, np.ndarray]
    stated: dict[str, tuple[str, ...]]
    noise: float
    grid: Grid
    faults: list[Fault] = field(default_factory=list)
    bench: list[str] = field(default_factory=list)
    total: np.ndarray = field(default_factory=lambda: np.zeros(0))
    limits: dict[str, float] = field(default_factory=dict)


def _uses(rng, grid, count, on_w, lasts_s, *, duty=None, spread=0.03):
    """A load that is switched on `count` times; `duty` gives the seconds on and of a whole pulse.

    All heaters of a house follow its voltage, so each use has a level of its own. In harsh houses
    there are no more than three uses a day.
    """
    watts = np.zeros(grid.n)
    if grid.harsh:
        count = min(3 * grid.days, count * grid.days // 3)
    for at in np.sort(rng.integers(50, grid.n - 8000 // grid.period_s, count)):
        n = min(max(int(rng.uniform(*lasts_s)) // grid.period_s, 1), grid.n - at)
        on = np.ones(n, bool)
        if duty is not None:
            on = (np.arange(n) * grid.period_s) % duty[1] < duty[0]
        watts[at : at + n] = np.where(on, on_w * (1 + spread * rng.normal()), 0.0)
    return watts


def _cycling(rng, grid, on_w, on_s, whole_s):
    at = np.arange(grid.n) * grid.period_s + rng.uniform(0, whole_s)
    slow = 1 + 0.2 * np.sin(at / 20_000)
    return np.where(at % (whole_s * slow) < on_s, on_w, 1.0)


def draw_house(seed: int, faults: int, *, harsh: bool = False) -> Drawn:
    """Draw a house with so many faults."""
    rng = np.random.default_rng([seed, faults, 1] if harsh else [seed, faults])
    grid = Grid.of(seed, harsh)
    n = grid.n
    system = list(LEGS)[seed % 3]
    legs = LEGS[system]
    big = system != "split-phase"
    one = {
        "fridge": _cycling(rng, grid, 90, 1300, 3600),
        "freezer": _cycling(rng, grid, 120, 900, 4100),
        "kettle": _uses(rng, grid, 18, 2200 if big else 1450, (120, 260)),
        "microwave": _uses(rng, grid, 14, 1200, (60, 400)),
        "tv": _uses(rng, grid, 9, 90, (3600, 9000)),
        "lights": _uses(rng, grid, 25, 45, (1200, 7000)) + _uses(rng, grid, 20, 60, (600, 7000)),
        "iron": _uses(rng, grid, int(rng.integers(1, 4)), 1700, (1500, 3600), duty=(32, 75)),
        "washer": _uses(rng, grid, 4, 1900, (900, 1500)) + _uses(rng, grid, 12, 300, (200, 500)),
    }
    true = {}
    for name, watts in one.items():
        true[name] = {str(rng.choice(legs)): watts}
    if system == "split-phase":
        heater, oven = (
            _uses(rng, grid, 10, 2250, (900, 2400)),
            _uses(rng, grid, 8, 1500, (1200, 3600), duty=(70, 190)),
        )
        dryer = _uses(rng, grid, 4, 2500, (2400, 3600), duty=(300, 420))
        drum = 320 * (np.convolve(dryer > 0, np.ones(220), "same") > 0)
        pump = _cycling(rng, grid, 1100, 1500, 5200) + 8
        true["water_heater"] = {"L1": heater, "L2": heater}
        true["dryer"] = {"L1": dryer + drum, "L2": dryer}
        true["range"] = {"L1": oven, "L2": oven}
        true["heat_pump"] = {"L1": pump, "L2": pump}
    elif system == "three-phase":
        pump = _cycling(rng, grid, 800, 1500, 5200) + 6
        true["hob"] = {
            "L1": _uses(rng, grid, 7, 1800, (900, 2400), duty=(30, 70)),
            "L2": _uses(rng, grid, 6, 1500, (900, 2400), duty=(40, 90)),
        }
        true["boiler"] = {str(rng.choice(legs)): _uses(rng, grid, 10, 2000, (1200, 4800))}
        true["heat_pump"] = dict.fromkeys(legs, pump)
    else:
        true["boiler"] = {"L1": _uses(rng, grid, 10, 2000, (1200, 4800))}
        true["oven"] = {"L1": _uses(rng, grid, 6, 2400, (1500, 3600), duty=(70, 190))}
    if seed // 3 % 3 == 0:
        day = np.arange(n) * grid.period_s % 86_400 / 3600
        knots = np.arange(0, n + 300, 300)
        cloud = np.interp(np.arange(n), knots, rng.uniform(0.3, 1, knots.size))
        sun = -rng.uniform(1500, 3600) * np.clip(np.sin((day - 6) / 12 * np.pi), 0, None) * cloud
        on = legs if system == "split-phase" else (str(rng.choice(legs)),)
        true["solar"] = {leg: sun / len(on) for leg in on}
    noise = float([0.0, 0.002, 0.006, 0.01][seed // 9 % 4])
    drawn = Drawn(
        system=system,
        true=true,
        reads={name: sum(by.values()) for name, by in true.items()},
        stated={name: tuple(by) for name, by in true.items()},
        noise=noise,
        grid=grid,
    )
    for leg in legs:
        rest = (
            60
            + _cycling(rng, grid, 110, 700, 2500)
            + _uses(rng, grid, 60, float(rng.uniform(100, 1500)), (20, 300))
        )
        drawn.reads[f"mains_{leg.lower()}"] = rest + sum(by.get(leg, 0.0) for by in true.values())
        drawn.stated[f"mains_{leg.lower()}"] = (leg,)
    drawn.total = sum(drawn.reads[f"mains_{leg.lower()}"] for leg in legs)
    loads = [name for name in true if name != "solar"]
    drawn.bench = [str(name) for name in rng.choice(loads, 4, replace=False)]
    touched: set[str] = set()
    names = [*CIRCUIT_FAULTS, *MAINS_FAULTS]
    k = seed  # each fault in turn; another, drawn, where the house cannot have it
    while len(drawn.faults) < faults:
        name = names[k % len(names)] if k == seed else str(rng.choice(names))
        k += 1
        found = _put(rng, drawn, name, touched, loads)
        if found is not None:
            drawn.faults.append(found)
            touched |= {found.subject, found.other}
    for name in drawn.reads:
        drawn.reads[name] = _read(rng, drawn, name)
    return drawn


def _put(rng, drawn: Drawn, name: str, touched: set[str], loads: list[str]) -> Fault | None:
    """Put a fault into a house; None where the house cannot have it."""
    legs = LEGS[drawn.system]
    if name.startswith("mains "):
        return _put_mains(rng, drawn, name.removeprefix("mains "), touched)
    free = [c for c in loads if c not in touched]
    if name == "cancelling":
        free = [c for c in free if drawn.system == "split-phase" and len(drawn.true[c]) == 2]
    if name == "other leg":
        free = [c for c in free if len(legs) > 1 and len(drawn.true[c]) == 1]
    if name == "clipped":
        free = [c for c in free if c in ("kettle", "boiler", "water_heater", "microwave")]
    if not free or (name == "not from here" and any(m.startswith("mains") for m in touched)):
        return None
    subject = str(rng.choice(free))
    by, watts = drawn.true[subject], drawn.reads[subject]
    mends: float | None = None if name in NO_MULTIPLIER else 1.0
    other = ""
    if name == "backwards":
        drawn.reads[subject], mends = -watts, -1.0
    elif name == "other leg":
        wrong = [leg for leg in legs if leg not in by]
        drawn.stated[subject] = (str(rng.choice(wrong)),)
    elif name == "half":
        # One leg of a load on two; or half the turns.
        drawn.reads[subject] = (
            by["L1"] if drawn.system == "split-phase" and len(by) == 2 else watts / 2
        )
        mends = 2.0 if subject != "dryer" else None
    elif name == "double":
        drawn.reads[subject], mends = 2 * watts, 0.5
    elif name == "cancelling":
        drawn.reads[subject] = by["L1"] - by["L2"]
    elif name == "two circuits":
        others = [c for c in free if c != subject and drawn.stated[c] == drawn.stated[subject]]
        if not others:
            return None
        other = str(rng.choice(others))
        drawn.reads[subject] = watts + drawn.reads[other]
    elif name == "gain":
        gain = float(rng.choice([0.7, 0.85, 0.92, 1.08, 1.2, 1.5]))
        drawn.reads[subject], mends = gain * watts, 1 / gain
    elif name == "offset":
        drawn.reads[subject] = watts + float(rng.choice([-40, -15, 25, 60]))
        drawn.bench = list(dict.fromkeys([subject, *drawn.bench]))[:4]
    elif name == "clipped":
        drawn.limits[subject] = rng.uniform(0.5, 0.8) * watts.max()
    elif name == "dead":
        drawn.reads[subject] = 0 * watts
    elif name == "not from here":
        for leg, part in by.items():
            drawn.reads[f"mains_{leg.lower()}"] = drawn.reads[f"mains_{leg.lower()}"] - part
            drawn.total = drawn.total - part
    return Fault(name=name, subject=subject, mends=mends, other=other)


def _put_mains(rng, drawn: Drawn, name: str, touched: set[str]) -> Fault | None:
    legs = LEGS[drawn.system]
    mains = [f"mains_{leg.lower()}" for leg in legs]
    if touched & set(mains) or (len(legs) < 2 and name in ("on one leg", "swapped")):
        return None
    if name == "cancelling" and drawn.system != "split-phase":
        return None
    subject = str(rng.choice(mains))
    watts = drawn.reads[subject]
    other = "" if len(mains) == 1 else str(rng.choice([m for m in mains if m != subject]))
    mends: float | None = None
    if name == "backwards":
        drawn.reads[subject], mends = -watts, -1.0
    elif name in ("half", "double"):
        factor = 0.5 if name == "half" else 2.0
        drawn.reads[subject], mends = factor * watts, 1 / factor
    elif name == "cancelling":
        drawn.reads[subject] = watts - drawn.reads[other]
    elif name == "gain":
        gain = float(rng.choice([0.8, 0.92, 1.08, 1.25]))
        drawn.reads[subject], mends = gain * watts, 1 / gain
    elif name == "clipped":
        drawn.limits[subject] = rng.uniform(0.4, 0.7) * watts.max()
    elif name == "dead":
        drawn.reads[subject] = 0 * watts
    elif name == "on one leg":
        drawn.reads[subject] = drawn.reads[other].copy()
    elif name == "swapped":
        a, b = drawn.reads[subject], drawn.reads[other]
        drawn.reads[subject], drawn.reads[other] = b, a
        mends = 1.0
    return Fault(name=f"mains {name}", subject=subject, mends=mends, other=other)


def _read(rng, drawn: Drawn, name: str) -> np.ndarray:
    """What a clamp makes of its power: ratio, offset, noise and whole watts.

    A dead clamp shows no noise, and a clipped one none at its limit.
    """
    watts, n = drawn.reads[name], drawn.grid.n
    kind = next((f.name for f in drawn.faults if f.subject == name), "")
    if kind.endswith("dead"):
        return watts
    small = 0.8 if name.startswith("mains") else 0.4
    random = rng.normal(0, 1, n)
    drift, drift_w = 0.0, 0.0
    if drawn.grid.harsh:
        # Noise of minutes, and a clamp that follows the warmth of the day and the week.
        random = np.sqrt(1 - 0.8**2) * lfilter([1.0], [1.0, -0.8], random)
        hour = np.arange(n) * drawn.grid.period_s / 3600
        slow = np.sin(2 * np.pi * (hour / 24 + rng.uniform())) + rng.normal() * hour / hour[-1]
        drift, drift_w = 0.004 * rng.normal() * slow, 0.7 * rng.normal() * slow
    noise = random * np.hypot(small, drawn.noise * watts)
    read = watts * (1 + 0.005 * rng.normal() + drift) + 0.15 * rng.normal() + drift_w + noise
    return np.minimum(read, drawn.limits.get(name, np.inf))


def write_house(drawn: Drawn, folder: Path) -> None:
    """Write store, house.toml, bench.csv and meter_readings.csv."""
    grid = drawn.grid
    rng = np.random.default_rng(grid.n)
    store = Store(folder / "store")
    system = drawn.system
    text = (
        f'name = "House"\ntimezone = "UTC"\n[supply]\nsystem = "{system}"\n'
        f"volts_v = {VOLTS_V[system]}\n"
    )
    for name, watts in drawn.reads.items():
        role = "mains" if name.startswith("mains") else "load"
        toml = circuit_toml(name, role=role, legs=drawn.stated[name])
        text += toml.replace("rating_a = 50", "rating_a = 200")
        logged = watts.reshape(-1, grid.every).mean(axis=1)
        store_watts(store, name, np.round(logged), period_s=grid.period_s * grid.every)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "house.toml").write_text(text)
    rows = "circuit,reference_w,clamp_w\n"
    for name in drawn.bench:
        watts, true = drawn.reads[name], sum(drawn.true[name].values())
        high = np.flatnonzero(true > 0.2 * true.max())
        at = np.sort(rng.choice(high, 3))
        at = np.r_[at, rng.choice(np.flatnonzero(true > 0.02 * true.max()), 2)]
        for k in at:
            around = slice(max(0, k - 2), k + 3)
            if np.median(watts[around]) < 5:  # bench.csv takes no pair without a reading
                continue
            reference = float(np.median(true[around])) * (1 + 0.003 * rng.normal())
            rows += f"{name},{reference:.1f},{np.median(watts[around]):.1f}\n"
    (folder / "bench.csv").write_text(rows)
    if "solar" in drawn.true:  # a register that counts what is drawn alone cannot be compared
        return
    kwh = 700.4 + np.cumsum(drawn.total) * grid.period_s / 3.6e6
    hours = np.linspace(1, grid.days * 24 - 1, 7)
    shown = kwh[(hours * 3600 / grid.period_s).astype(int)].astype(int)
    lines = "".join(
        f"{START + pd.Timedelta(hours=h):%Y-%m-%d %H:%M},{at}\n"
        for h, at in zip(hours, shown, strict=True)
    )
    (folder / "meter_readings.csv").write_text(f"time,kwh\n{lines}")


MULTIPLIER = re.compile(
    r"[Ss]et its multiplier to (-?[\d.]+)|[Mm]ultiply its multiplier by (-?[\d.]+)"
)


LINE = re.compile(r"multiplier = (-?[\d.]+)")


def proposals(concerns) -> dict[str, float]:
    """Multipliers that a check proposes, by the circuit."""
    found = {}
    for concern in concerns:
        match = MULTIPLIER.search(concern.do)
        if match:
            found[concern.subject] = float((match[1] or match[2]).rstrip("."))
        line = LINE.search(concern.line)
        if line and float(line[1]) != 1:
            found[concern.subject] = float(line[1])
    return found


def harmful(drawn: Drawn, concerns) -> list[str]:
    """Proposals that make readings worse: none was needed, or another.

    Where an offset is at fault, one that brings readings nearer to the truth on average does not.
    """
    mends = {f.subject: f.mends for f in drawn.faults}
    offset = {f.subject for f in drawn.faults if f.name == "offset"}
    bad = []
    for subject, factor in proposals(concerns).items():
        right = mends.get(subject, 1.0)
        if subject in offset and _off(drawn, subject, factor) < _off(drawn, subject, 1.0):
            continue
        if right is None or abs(factor / right - 1) > 0.05:
            bad.append(f"{subject} x {factor:g}")
    return bad


def _off(drawn: Drawn, subject: str, factor: float) -> float:
    """How far readings times a factor are from the truth, on average [W]."""
    return float(np.abs(factor * drawn.reads[subject] - sum(drawn.true[subject].values())).mean())


def apply_all(concerns, folder: Path) -> None:
    """Write all that is proposed into house.toml."""
    path = folder / "house.toml"
    text = path.read_text()
    for concern in concerns:
        match = MULTIPLIER.search(concern.do)
        of_circuit = rf'(name = "{concern.subject}"\n(?:[^\[].*\n)*?)'
        if LINE.search(concern.line):
            text = re.sub(rf"{of_circuit}clamp = .*", rf"\g<1>{concern.line}", text)
        elif match:
            new = float((match[1] or match[2]).rstrip("."))
            text = re.sub(rf"{of_circuit}(clamp = .*multiplier = )1.0", rf"\g<1>\g<2>{new}", text)
    path.write_text(text)


def left_after(drawn: Drawn, concerns, folder: Path) -> list[str]:
    """Concerns about circuits, or sums, that remain or arise once all proposals are written down.

    Those that were there before, and about which nothing was proposed, are not counted.
    """
    if not proposals(concerns):
        return []
    apply_all(concerns, folder)
    before = {c.subject for c in concerns if c.weight != "note"} - proposals(concerns).keys()
    after = check_house(open_house(folder)).concerns
    return [
        f"{c.subject}: {c.what}" for c in after if c.weight == "wrong" and c.subject not in before
    ]


def names(concern, fault: Fault) -> bool:
    """Whether a concern names a fault: its circuit, and a word for it."""
    words = {**CIRCUIT_FAULTS, **MAINS_FAULTS}[fault.name]
    about = {fault.subject, fault.other} - {""}
    said = concern.subject in about or any(name in concern.what for name in about)
    return said and re.search(words, concern.what) is not None


def judge(case: tuple[int, int, bool]) -> dict[str, object]:
    """Check one house, and compare what is said with its truth."""
    seed, faults, harsh = case
    drawn = draw_house(seed, faults, harsh=harsh)
    row: dict[str, object] = {
        "seed": seed,
        "harsh": harsh,
        "faults": " + ".join(f"{f.name} {f.subject}" for f in drawn.faults),
        "kinds": faults,
        "first": drawn.faults[0].name if drawn.faults else "none",
        "system": drawn.system,
        "noise": drawn.noise,
        "solar": "solar" in drawn.true,
    }
    with tempfile.TemporaryDirectory() as folder:
        write_house(drawn, Path(folder))
        try:
            concerns = check_house(open_house(folder)).concerns
            left = left_after(drawn, concerns, Path(folder))
        except Exception:  # a crash is one of the things that are counted
            row["crash"] = traceback.format_exc().splitlines()[-1]
            return row | {
                "wrong": 0,
                "doubtful": 0,
                "right_first": False,
                "all": False,
                "harmful": 0,
            }
    told = [c for c in concerns if c.weight != "note"]
    right = [any(names(c, f) for f in drawn.faults) for c in told]
    row |= {
        "crash": "",
        "wrong": sum(c.weight == "wrong" for c in concerns),
        "doubtful": sum(c.weight == "doubtful" for c in concerns),
        "right_first": bool(right[:1] == [True]),
        "all": all(any(names(c, f) for c in told) for f in drawn.faults),
        "beside": len(right) - sum(right),
        "confident": sum(
            c.weight == "wrong" and not one for c, one in zip(told, right, strict=True)
        ),
        "left": len(left),
        "left_said": " | ".join(left),
        "harmful": len(harmful(drawn, concerns)),
        "advice": "; ".join(harmful(drawn, concerns)),
        "said": " | ".join(f"{c.weight}: {c.what}" for c in told),
    }
    return row


HEAD = (
    "houses | crashes | “contradicts” | needs a look | right first % | all % | other lines "
    "| wrong of these | harmful | left |"
)


def report(figures: pd.DataFrame) -> str:
    """Tables: houses without, with one and with two faults; harsh ones; then each fault."""
    lines = [
        f"`python -m tests.accuracy.panel_faults`, seeds from {FIRST_SEED} on. Right first: what "
        "is listed first names a fault and its circuit. All: each fault is named somewhere. "
        "Others: lines about something else, and houses in which such a line says that "
        "house.toml is contradicted. Harmful: a multiplier proposed that is not the one "
        "that mends, unless it brings a clamp with an offset nearer to the truth. Left: houses in "
        "which something contradicts house.toml anew once all "
        "proposals are written down. Harsh: a week at 10 or 60 s, three uses a day, clamps that "
        "drift, autocorrelated noise.",
        "",
        f"| faults | {HEAD}",
        "|---" * 11 + "|",
    ]
    for (harsh, kinds), rows in figures.groupby(["harsh", "kinds"]):
        lines.append(_line(f"{kinds}{', harsh' * bool(harsh)}", rows))
    lines += ["", f"| one fault | {HEAD}", "|---" * 11 + "|"]
    plain = figures[(figures["kinds"] == 1) & ~figures["harsh"]]
    for first, rows in plain.groupby("first", sort=False):
        lines.append(_line(str(first), rows))
    return "\n".join(lines)


def _line(name: str, rows: pd.DataFrame) -> str:
    faulty = rows["kinds"].iloc[0] > 0
    share = [f"{100 * rows[key].mean():.0f}" if faulty else "" for key in ("right_first", "all")]
    cells = [
        name,
        len(rows),
        int((rows["crash"] != "").sum()),
        int((rows["wrong"] > 0).sum()),
        int((rows["doubtful"] > 0).sum()),
        *share,
        f"{rows['beside'].fillna(0).mean():.1f}",
        int((rows["confident"] > 0).sum()) if faulty else "",
        int((rows["harmful"] > 0).sum()),
        int((rows["left"] > 0).sum()),
    ]
    return f"| {' | '.join(map(str, cells))} |"


def study(
    *, first_seed: int, share: float = 1.0, processes: int = 2, sorts=(False, True)
) -> pd.DataFrame:
    """One row a house."""
    counts = {False: (CLEAN, ONE, TWO), True: (HARSH_CLEAN, HARSH_ONE, HARSH_TWO)}
    cases = [
        (first_seed + i, faults, harsh)
        for harsh in sorts
        for faults, count in enumerate(counts[harsh])
        for i in range(round(share * count))
    ]
    with ProcessPoolExecutor(processes) as pool:
        return pd.DataFrame(list(pool.map(judge, cases, chunksize=4)))


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--first-seed", type=int, default=FIRST_SEED)
    parser.add_argument("--share", type=float, default=1.0, help="of the houses")
    parser.add_argument(
        "--csv", type=Path, help="write what was said of each house, and keep nothing"
    )
    parser.add_argument("--only", choices=("plain", "harsh"))
    options = parser.parse_args(arguments)
    sorts = {"plain": (False,), "harsh": (True,), None: (False, True)}[options.only]
    figures = study(first_seed=options.first_seed, share=options.share, sorts=sorts)
    text = report(figures)
    sys.stdout.write(f"{text}\n")
    if options.csv:
        figures.to_csv(options.csv, index=False)
    else:
        kept = figures.drop(columns=["said", "advice", "left_said"], errors="ignore")
        keep("panel_faults", title="Faults of a panel", text=text, figures=kept)


if __name__ == "__main__":
    main()
