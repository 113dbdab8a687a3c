"""What is worth a look: no saving is measured, only what is at stake."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from homeenergy.findings.house_year import LoadYear
from homeenergy.findings.saving.advice import Said
from homeenergy.stats.estimate import Estimate


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LookInto:
    """Something to have looked at.

    `at_stake_kwh` and `at_stake_money` are what it takes in a year: no saving was measured, and
    none can be more. `first` is how to begin (common practice, no source), `rests_on` what was
    measured, `wrong_if` what would show that it is in order. `in_part` says that it serves a
    purpose, so that no more than some of it can be saved.
    """

    load: str
    do: Said
    first: Said
    rests_on: Said
    wrong_if: Said
    at_stake_kwh: Estimate
    at_stake_money: Estimate | None
    in_part: bool = False

    @property
    def main(self) -> Estimate:
        """What is at stake: money, or energy without a tariff."""
        return self.at_stake_kwh if self.at_stake_money is None else self.at_stake_money


def at_stake(load: LoadYear, share: float) -> tuple[Estimate, Estimate | None]:
    """Give a share of what a load takes in a year, as energy and as money."""
    money = load.saved_by(load.kwh)
    return load.kwh.scaled(share), None if money is None else money.scaled(share)


def of_share(
    load: LoadYear,
    share: float,
    *,
    do: Said,
    first: Said,
    rests_on: Said,
    wrong_if: Said,
    in_part: bool = False,
) -> LookInto:
    """Something to look into with a share of a load's energy at stake."""
    kwh, money = at_stake(load, share)
    return LookInto(
        load=load.name,
        do=do,
        first=first,
        rests_on=rests_on,
        wrong_if=wrong_if,
        at_stake_kwh=kwh,
        at_stake_money=money,
        in_part=in_part,
    )


def loads_that_matter(
    loads: Sequence[LoadYear], *, least_share: float, most: int
) -> tuple[LoadYear, ...]:
    """Loads of a circuit of their own that are a share of the bill, at least the first three."""
    own = [one for one in loads if one.finding is not None]
    chosen = [one for number, one in enumerate(own) if number < 3 or one.share >= least_share]
    return tuple(chosen[:most])
