"""What the weather does to daily energy, on days whose answer is known."""

import numpy as np
import pandas as pd
import pytest

from homeenergy.errors import HouseError
from homeenergy.findings import weather_dependence
from homeenergy.findings.days import daily_energy
from homeenergy.findings.weather.models import best_balance, candidates, search
from homeenergy.house.clamp_errors import ClampErrors
from homeenergy.readings import open_house, read_outdoor

from .weather_days import correlated, energy, weather


def house(n=365, *, seed=0, r=0.3, sd=1.5, **model):
    rng = np.random.default_rng(seed)
    celsius = weather(rng, n)
    return energy(celsius, sd * correlated(rng, n, r), **model), celsius


@pytest.mark.parametrize(
    ("shape", "model"),
    [
        ("flat", {}),
        ("heating", {"heating": 0.9}),
        ("cooling", {"cooling": 1.1, "above": 16.0}),
        ("both", {"heating": 0.9, "cooling": 1.4, "above": 19.0}),
    ],
)
def test_shape_and_figures_of_a_year(shape, model):
    fit = weather_dependence(*house(**model))
    assert fit.shape == shape
    assert fit.base_kwh.low <= 8.0 <= fit.base_kwh.high
    for name, truth in (("heating", 14.0), ("cooling", model.get("above", 20.0))):
        slope, balance_c = getattr(fit, f"{name}_kwh"), getattr(fit, f"{name}_balance_c")
        assert (slope is not None) == (name in model)
        if slope is not None:
            assert slope.low <= model[name] <= slope.high
            assert slope.high - slope.low < 0.6 * model[name]
            assert balance_c.low <= truth <= balance_c.high
            assert balance_c.high - balance_c.low < 6


def test_without_noise_the_answer_is_exact():
    kwh, celsius = house(sd=0.0, heating=0.9)
    fit = weather_dependence(kwh + 1e-9 * np.arange(365) % 7, celsius)
    assert fit.shape == "heating"
    assert fit.heating_balance_c.value == pytest.approx(14.0, abs=0.03)
    assert fit.heating_kwh.value == pytest.approx(0.9, abs=2e-3)
    assert fit.cv_rmse < 1e-2
    assert fit.weather_share == pytest.approx(1 - 8.0 / kwh.mean(), abs=5e-3)


def test_days_on_one_side_of_the_balance_point_give_a_line():
    kwh, celsius = house(60, heating=0.9, below=30.0)
    fit = weather_dependence(kwh, celsius)
    assert fit.shape == "line"
    # Nothing is known of a day without heating.
    assert "| a day at 0 deg C |" in fit.to_markdown()
    assert "base of a day" not in fit.to_markdown()
    assert fit.heating_balance_c is None
    assert fit.heating_kwh.low <= 0.9 <= fit.heating_kwh.high
    assert np.isnan(fit.weather_share)
    assert "must not be carried beyond" in " ".join(fit.remarks)
    assert fit.sentence.startswith("Each degree colder takes")


def test_search_equals_a_plain_loop():
    kwh, celsius = house(50, seed=3, heating=0.9, cooling=0.8)
    values = np.c_[kwh, kwh[::-1]]
    ones = np.ones((50, 1))
    for shape in ("heating", "both"):
        options = candidates(shape, celsius.to_numpy())
        found = search(options, celsius.to_numpy(), values, others=ones).squares
        for row, option in enumerate(options[:: len(options) // 7]):
            design = np.c_[ones, option.terms(celsius.to_numpy())]
            for column in range(2):
                c, left, rank, _ = np.linalg.lstsq(design, values[:, column])
                if rank < design.shape[1]:
                    continue
                wanted = left[0] if (c[1:] >= 0).all() else np.inf
                at = row * (len(options) // 7)
                assert found[at, column] == pytest.approx(wanted, rel=1e-8)


@pytest.mark.parametrize("seed", range(4))
def test_balance_point_is_where_scipy_finds_the_least_squares(seed):
    from scipy.optimize import minimize_scalar

    kwh, celsius = house(200, seed=seed, heating=0.9)
    y, c = kwh.to_numpy(), celsius.to_numpy()

    def squares(base_c):
        design = np.c_[np.ones(200), np.maximum(base_c - c, 0)]
        return float(np.sum((y - design @ np.linalg.lstsq(design, y)[0]) ** 2))

    best = best_balance("heating", c, y, others=np.ones((200, 1)))
    near = minimize_scalar(
        squares, bounds=(best.heating_c - 1, best.heating_c + 1), method="bounded"
    )
    assert squares(best.heating_c) == pytest.approx(near.fun, rel=1e-3)
    coarse = [squares(base_c) for base_c in np.arange(5, 20, 0.25)]
    assert squares(best.heating_c) <= min(coarse) * (1 + 1e-9)


def test_wrong_way_round_is_no_heating():
    kwh, celsius = house(cooling=1.0, above=10.0)
    assert best_balance("heating", celsius.to_numpy(), -kwh.to_numpy(), others=np.ones((365, 1)))
    assert not best_balance(
        "heating", celsius.to_numpy(), celsius.to_numpy(), others=np.ones((365, 1))
    )


def test_intervals_hold_the_truth_about_as_often_as_stated():
    """Days alike by 0.4; balance point and all. 30 winters to summers of 200 days."""
    hits = []
    for seed in range(30):
        kwh, celsius = house(200, seed=100 + seed, r=0.4, heating=0.9)
        fit = weather_dependence(kwh, celsius, shape="heating")
        hits.append(
            [
                fit.heating_kwh.low <= 0.9 <= fit.heating_kwh.high,
                fit.heating_balance_c.low <= 14 <= fit.heating_balance_c.high,
                fit.base_kwh.low <= 8 <= fit.base_kwh.high,
            ]
        )
    # Of 30 intervals at 95 %, fewer than 25 hold by chance in 1 of 300 such tests.
    assert (np.sum(hits, axis=0) >= 25).all()


def test_alike_days_widen_intervals():
    kwh, celsius = house(200, seed=1, r=0.0, heating=0.9)
    alike, _ = house(200, seed=1, r=0.8, heating=0.9)
    narrow = weather_dependence(kwh, celsius, shape="heating").base_kwh
    wide = weather_dependence(alike, celsius, shape="heating").base_kwh
    assert wide.high - wide.low > 1.5 * (narrow.high - narrow.low)
    assert "autocorrelation" in wide.basis


def test_heat_pump_of_a_sample_house():
    home = open_house("sample_data/orchard_house")
    daily = daily_energy(home.trace("heat_pump"), timezone=home.timezone)
    fit = weather_dependence(daily, read_outdoor(home))
    assert fit.heating_kwh.low > 0
    assert fit.regression.n == 20
    assert "1 of 21 days" in fit.remarks[0]
    text = fit.to_markdown()
    assert "per heating degree day" in text
    assert list(fit.to_frame()["what"])[-1] == "CV(RMSE)"


def test_what_does_not_depend_on_weather_is_said_so():
    fit = weather_dependence(*house())
    assert fit.sentence.startswith("No significant dependence on the outdoor temperature")


@pytest.mark.parametrize(("shape", "p"), [("flat", 1), ("line", 2), ("heating", 3), ("both", 5)])
def test_cv_rmse_counts_every_parameter(shape, p):
    """ASHRAE Guideline 14: sqrt(sum of squares / (n - p)) / mean, p all parameters of the model."""
    kwh, celsius = house(200, seed=5, heating=0.9, cooling=0.7)
    fit = weather_dependence(kwh, celsius, shape=shape)
    off = fit.days["kwh"] - fit.days["expected_kwh"]
    assert fit.cv_rmse == pytest.approx(np.sqrt((off**2).sum() / (200 - p)) / kwh.mean())
    assert fit.scatter_kwh == pytest.approx(fit.cv_rmse * kwh.mean())
    assert fit.choice["scatter_kwh"].item() == pytest.approx(fit.scatter_kwh)


def test_a_balance_point_that_was_given_is_no_parameter():
    kwh, celsius = house(60, seed=5, heating=0.9)
    fit = weather_dependence(kwh, celsius, heating_base_c=15.0)
    off = fit.days["kwh"] - fit.days["expected_kwh"]
    assert fit.scatter_kwh == pytest.approx(np.sqrt((off**2).sum() / 58))


def test_the_clamp_widens_energies_and_not_the_balance_point():
    fit = weather_dependence(*house(heating=0.9))
    wide = weather_dependence(*house(heating=0.9), clamp=ClampErrors(uncertainty=0.05))
    assert wide.heating_balance_c == fit.heating_balance_c
    assert wide.cooling_kwh is None
    assert wide.heating_kwh.systematic == pytest.approx(0.05 * fit.heating_kwh.value)
    assert wide.base_kwh.high > fit.base_kwh.high


def test_days_that_are_all_alike():
    kwh, celsius = house(40)
    fit = weather_dependence(kwh * 0 + 3.0, celsius)
    assert fit.shape == "flat"
    assert "a day takes 3.00 kWh (no spread)." in fit.sentence


def test_too_few_days():
    kwh, celsius = house(9)
    with pytest.raises(HouseError, match="only 9 whole days of energy"):
        weather_dependence(kwh, celsius)


def test_days_hardly_measured_do_not_count():
    daily = pd.DataFrame(
        {
            "day": pd.date_range("2026-01-01", periods=20, tz="UTC"),
            "kwh": 5.0,
            "covered_h": np.r_[np.full(9, 24.0), np.full(11, 20.0)],
            "day_h": 24.0,
        }
    )
    with pytest.raises(HouseError, match="only 9 whole days"):
        weather_dependence(daily, pd.Series(dtype=float))


def test_temperatures_of_another_year():
    kwh, _ = house(60)
    _, celsius = house(60)
    celsius.index = celsius.index + pd.Timedelta(days=400)
    with pytest.raises(HouseError, match=r"0 of the 60 whole days .*2026-01-01 to 2026-03-01"):
        weather_dependence(kwh, celsius)


def test_temperatures_that_hardly_differ():
    kwh, celsius = house(30)
    with pytest.raises(HouseError, match="too narrow a range"):
        weather_dependence(kwh, celsius * 0 + 18.0)


def test_days_without_temperature_are_left_out_and_counted():
    kwh, celsius = house(60, heating=0.9, below=30.0)
    fit = weather_dependence(kwh, celsius.drop(celsius.index[10:15]))
    assert fit.regression.n == 55
    assert "5 days without outdoor temperature" in " ".join(fit.remarks)


def test_bases_the_wrong_way_round():
    kwh, celsius = house(60)
    with pytest.raises(ValueError, match="swap them"):
        weather_dependence(kwh, celsius, heating_base_c=20.0, cooling_base_c=15.0)
