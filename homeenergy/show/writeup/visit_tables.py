"""Tables of a second visit: what changed, in which part, and how sure that is."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass

import pandas as pd

from homeenergy.findings.appliance.record import estimate_text
from homeenergy.findings.change import Change
from homeenergy.findings.saving.verified import PartChange, Verified, guideline_uncertainty
from homeenergy.show.document.blocks import Block, Bullets, Heading, Prose, Table, Together
from homeenergy.show.figures.comparison import plot_before_after
from homeenergy.show.writeup.basis import money_text, picture
from homeenergy.stats.estimate import Estimate

PART_NAMES = {
    "standby_w": ("draw at rest", "W"),
    "run_kwh": ("energy of a run", "kWh"),
    "runs_per_day": ("runs a day", ""),
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Compared:
    """One circuit, or the whole house, before and after."""

    name: str
    circuits: tuple[str, ...] = ()
    found: Verified | None = None
    why_not: str = ""

    @property
    def change(self) -> Change | None:
        """Energy of a day before and after."""
        return None if self.found is None else self.found.change


def saved_words(kwh: Estimate, money: Estimate | None) -> str:
    """A saving of energy and what it is worth; of more that is used, that it is more."""
    word = "saved" if kwh.value >= 0 else "more"
    text = f"{estimate_text(kwh if kwh.value >= 0 else -kwh)} {word}"
    if money is not None:
        text += f", {money_text(money if money.value >= 0 else -money)}"
    return text


def avoided_words(one: Compared) -> str:
    """Energy avoided over the reporting period."""
    assert one.found is not None
    return saved_words(one.found.avoided_kwh, None)


def difference_words(part: PartChange) -> str:
    """A figure before and after."""
    return f"from {estimate_text(part.before)} to {estimate_text(part.after)}"


def change_blocks(
    found: list[Compared], *, reword: Callable[[str], str] | None = None
) -> tuple[Block, ...]:
    """The table of all circuits, and a figure for each that changed; `reword` as in `picture`."""
    same = _same([one.change for one in found if one.change is not None])
    rows = tuple(_row(one) for one in found)
    blocks: list[Block] = [
        Heading(text="What changed", new_page=True),
        Table(
            head=(
                "",
                "before, per day",
                "after, per day",
                "avoided since",
                "normal year",
                "verdict",
            ),
            rows=rows,
            caption=f"Before and after{same}. In brackets: 95 % intervals. Avoided: over the days "
            "of the reporting period. Normal year: normalised savings.",
            sheet="changes",
            data=_frame(found),
        ),
    ]
    for one in found:
        if one.change is not None and (one.change.shown or one is found[0]):
            blocks.append(_section(one, one.change, reword=reword))
    return tuple(blocks)


def _row(one: Compared) -> tuple[str, ...]:
    if one.found is None:
        return (one.name, "", "", "", "", one.why_not)
    change, year = one.found.change, one.found.year_kwh
    shown = change.shown
    return (
        one.name,
        estimate_text(change.before_kwh),
        estimate_text(change.after_kwh),
        avoided_words(one) if shown else "no significant change",
        ""
        if not shown
        else "not given"
        if year is None
        else saved_words(year, one.found.year_money),
        one.found.verdict,
    )


def part_blocks(found: list[Compared]) -> tuple[Block, ...]:
    """Draw at rest, energy of a run and runs a day before and after."""
    rows = [
        (
            one.name,
            PART_NAMES[part.name][0],
            estimate_text(part.before),
            estimate_text(part.after),
            "changed" if part.shown else "not shown",
        )
        for one in found
        if one.found is not None
        for part in one.found.parts
    ]
    if not rows:
        return ()
    data = pd.concat(
        [one.found.to_frame() for one in found if one.found is not None], ignore_index=True
    )
    return (
        Heading(text="What changed in each appliance"),
        Table(
            head=("", "figure", "before", "after", "at 95 %"),
            rows=tuple(rows),
            caption="Draw at rest, energy of a run and runs a day, each compared by itself; of as "
            "many figures, one in twenty would appear changed by chance alone.",
            sheet="verified",
            data=data,
        ),
    )


def statistics_blocks(found: list[Compared]) -> tuple[Block, ...]:
    """How good the baseline models are, and how uncertain the savings."""
    rows = []
    for one in found:
        if one.found is None:
            continue
        s = one.found.statistics
        shown = one.found.change.shown
        rows.append(
            (
                one.name,
                "C" if one is found[0] else "B",
                str(s.n),
                f"{s.r2:.2f}",
                f"{100 * s.cv_rmse:.1f} %",
                f"{round(100 * s.nmbe, 1) + 0.0:.1f} %",
                *(
                    f"{100 * u:.0f} %" if shown else ""
                    for u in (
                        one.found.uncertainty_68,
                        one.found.uncertainty_95,
                        guideline_uncertainty(one.found),
                    )
                ),
            )
        )
    if not rows:
        return ()
    head = ("", "option", "days", "R2", "CV(RMSE)", "NMBE", "FSU 68 %", "FSU 95 %", "B-28, 95 %")
    return (
        Heading(text="Statistics of the baseline models"),
        Table(
            head=head,
            rows=tuple(rows),
            caption="Of the baseline period. FSU: fractional savings uncertainty; below 50 % at "
            "68 % is asked for. Formulas and sources: Method.",
            numeric=frozenset(range(2, 9)),
        ),
    )


def _same(changes: list[Change]) -> str:
    """At the same what days are compared; of several, what was taken out of any."""
    out = {
        "weather": any(change.balance is not None for change in changes),
        "weekday": any(change.weekday for change in changes),
    }
    words = " and ".join(word for word, taken in out.items() if taken)
    return f" at the same {words}" if words else ""


def _section(one: Compared, change: Change, *, reword: Callable[[str], str] | None) -> Together:
    remarks = (Bullets(items=change.remarks),) if change.remarks else ()
    return Together(
        blocks=(
            Heading(text=one.name, level=2),
            Prose(text=change.sentence),
            picture(
                lambda ax: plot_before_after(change, title="", ax=ax),
                caption=f"{one.name}: energy of every day before and after{_same([change])}.",
                alternative=change.sentence,
                height_in=2.9,
                reword=reword,
            ),
            *remarks,
        )
    )


def _frame(found: list[Compared]) -> pd.DataFrame:
    rows: list[dict[Hashable, object]] = []
    for one in found:
        if one.change is not None:
            rows.append({"name": one.name, **one.change.to_frame().iloc[0].to_dict()})
        else:
            rows.append({"name": one.name, "remarks": one.why_not})
    return pd.DataFrame(rows)
