"""The answer to what the weather does to daily energy, and how it is worded."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from homeenergy.estimate import Estimate
from homeenergy.findings.regression import Regression
from homeenergy.findings.weather_models import SHAPE_WORDS, Balance, Shape
from homeenergy.findings.wording import estimate_text, percent_text
from homeenergy.house import Clamp
from homeenergy.house.clamp_floor import UNKNOWN_FLOOR, ClampFloor
from homeenergy.trust.systematic import with_clamp
from homeenergy.units import H_PER_DAY

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WeatherFit:
    """Daily energy as a function of the day's mean outdoor temperature.

    Attributes
    ----------
    shape : str
        "flat", "line", "heating", "cooling" or "both".
    base_kwh : Estimate
        Energy of a day without heating or cooling [kWh]; for "line" that of a day at 0 deg C.
    heating_balance_c, cooling_balance_c : Estimate or None
        Balance points [deg C]: below the one, or above the other, energy rises.
    heating_kwh, cooling_kwh : Estimate or None
        Energy per degree day below and above them [kWh/(K d)]. For "line" the one whose sign fits.
    scatter_kwh : float
        Standard deviation of days about the model [kWh].
    cv_rmse, nmbe : float
        The same, and the mean error, as shares of the mean day.
    weather_share : float
        Share of the energy of these days that the model lays to heating and cooling; NaN for
        "line", where the base is not seen.
    choice : pandas.DataFrame
        Every shape tried: shape, scatter_kwh, score (the lowest was chosen).
    days : pandas.DataFrame
        day, celsius, kwh, expected_kwh.
    regression : Regression
        The fit at the balance points found.
    balance : Balance
        Shape and balance points.
    remarks : tuple of str
        What a reader must know.
    draws : tuple of (Balance, ndarray)
        Fits to data as they might have come out, for what is computed from a fit.
    clamp : Clamp or None
        Whose stated uncertainty the energies hold; see `with_clamp`.
    """

    shape: Shape
    base_kwh: Estimate
    heating_balance_c: Estimate | None
    cooling_balance_c: Estimate | None
    heating_kwh: Estimate | None
    cooling_kwh: Estimate | None
    scatter_kwh: float
    cv_rmse: float
    nmbe: float
    weather_share: float
    choice: pd.DataFrame
    days: pd.DataFrame
    regression: Regression
    balance: Balance
    remarks: tuple[str, ...]
    draws: tuple[tuple[Balance, Array], ...]
    clamp: Clamp | None = None
    floor: ClampFloor = UNKNOWN_FLOOR

    def expected_kwh(self, celsius: ArrayLike) -> Array:
        """Energy of days with these mean temperatures [kWh], shape (n,)."""
        return expected_kwh(self.balance, self.regression.coefficients, celsius)

    def expected_draws_kwh(self, celsius: ArrayLike) -> Array:
        """The same for every fit in `draws`, shape (draws, n)."""
        return np.array([expected_kwh(balance, c, celsius) for balance, c in self.draws])

    @property
    def sentence(self) -> str:
        """The answer in words."""
        return _sentence(self)

    def with_clamp(self, clamp: Clamp, *, floor: ClampFloor = UNKNOWN_FLOOR) -> WeatherFit:
        """The same with energies widened by the stated uncertainty of the clamp.

        It moves all days alike, so balance points and shares stay. `floor` tells of its offset.
        """
        wide = [
            None if e is None else with_clamp(e, clamp, floor=floor)
            for e in (self.heating_kwh, self.cooling_kwh)
        ]
        base = with_clamp(self.base_kwh, clamp, floor=floor, hours=H_PER_DAY)
        return replace(
            self,
            base_kwh=base,
            heating_kwh=wide[0],
            cooling_kwh=wide[1],
            clamp=clamp,
            floor=floor,
        )

    def to_frame(self) -> pd.DataFrame:
        """One row a figure: what, value, low, high, unit, n, basis."""
        named = self._named()
        rows = [
            {"what": what, "value": e.value, "low": e.low, "high": e.high, "unit": e.unit}
            | {"n": e.n, "basis": e.basis}
            for what, e in named.items()
            if e is not None
        ]
        nan = float("nan")
        for what, share in (("CV(RMSE)", self.cv_rmse), ("NMBE", self.nmbe)):
            rows.append(
                {"what": what, "value": share, "low": nan, "high": nan, "unit": ""}
                | {"n": self.regression.n, "basis": "share of the mean day"}
            )
        return pd.DataFrame(rows)

    def to_markdown(self) -> str:
        """The answer, then a table of its figures."""
        lines = [self.sentence, "", "| what | value |", "|---|---|"]
        for what, e in self._named().items():
            if e is not None:
                lines.append(f"| {what} | {estimate_text(e)} |")
        lines.append(f"| scatter of days, CV(RMSE) | {percent_text(self.cv_rmse)} |")
        return "\n".join([*lines, "", *self.remarks]).rstrip()

    def _named(self) -> dict[str, Estimate | None]:
        base = "a day at 0 deg C" if self.shape == "line" else "base of a day"
        return {
            base: self.base_kwh,
            "heating balance point": self.heating_balance_c,
            "per heating degree day": self.heating_kwh,
            "cooling balance point": self.cooling_balance_c,
            "per cooling degree day": self.cooling_kwh,
        }


def weather_design(balance: Balance, celsius: ArrayLike) -> Array:
    """Columns of a fit: ones, and what `Balance.terms` gives."""
    c = np.atleast_1d(np.asarray(celsius, dtype=np.float64))
    return np.column_stack([np.ones(c.size), balance.terms(c)])


def expected_kwh(balance: Balance, coefficients: Array, celsius: ArrayLike) -> Array:
    """Energy of days of these mean temperatures by a fit [kWh], shape (n,)."""
    return np.asarray(weather_design(balance, celsius) @ coefficients)


def _sentence(fit: WeatherFit) -> str:
    parts = []
    for slope, balance_c, word in (
        (fit.heating_kwh, fit.heating_balance_c, "below"),
        (fit.cooling_kwh, fit.cooling_balance_c, "above"),
    ):
        if slope is None:
            continue
        where = f" {word} {estimate_text(balance_c)}" if balance_c is not None else ""
        way = "colder" if word == "below" else "warmer"
        parts.append(f"each degree {way}{where} takes {_per_day(slope)}")
    if not parts:
        return (
            f"No dependence on the outdoor temperature that these data can show "
            f"({fit.regression.n} days): a day takes {estimate_text(fit.base_kwh)}."
        )
    text = "; ".join(parts)
    text = f"{text[0].upper()}{text[1:]}"
    if fit.shape != "line":
        text += f"; a day without heating or cooling takes {estimate_text(fit.base_kwh)}"
    scatter = f"Single days differ from this by {percent_text(fit.cv_rmse)} of the mean day"
    return f"{text}. {scatter}. ({SHAPE_WORDS[fit.shape]}; {fit.regression.n} days)"


def _per_day(estimate: Estimate) -> str:
    return f"{estimate_text(replace(estimate, unit='kWh'))} a day"
