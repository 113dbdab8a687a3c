"""Runs that are alike are one programme, whatever is added; and one unless data demand more."""

from dataclasses import replace

import numpy as np
import pytest
from sklearn.metrics import adjusted_rand_score
from sklearn.mixture import GaussianMixture

from homeenergy.cycles import find_cycles
from homeenergy.cycles import programmes as fits
from homeenergy.cycles.programmes import find_groups, find_programmes, run_shapes
from homeenergy.errors import HouseError
from homeenergy.house.schedule import ProgrammeName
from homeenergy.simulate import simulate_appliance

from .traces import DAY, HOUR, as_trace, draw

# Fill, wash, heat, wash, spin.
QUICK = [(120, 30), (600, 100), (400, 2000), (900, 100), (180, 300)]
COTTON = [*QUICK[:2], (1500, 2000), (1200, 100), (600, 2000), (2400, 100), (300, 300)]
COLD = [(120, 30), (1500, 100), (180, 300)]


def stretched(pieces, rng, spread=0.04):
    """The same programme with other clothes and water: every piece a little longer or shorter."""
    return [(n_s * rng.normal(1, spread), w * rng.normal(1, 0.01)) for n_s, w in pieces]


def washer(programmes, *, days, seed=5, per_day=1):
    """Runs of programmes taken in turn at random, and which was taken."""
    rng = np.random.default_rng(seed)
    taken = [int(k) for k in rng.integers(0, len(programmes), days * per_day)]
    uses = [
        (d * DAY + (8 + 5 * i) * HOUR, stretched(programmes[taken[d * per_day + i]], rng))
        for d in range(days)
        for i in range(per_day)
    ]
    return as_trace(np.round(draw(days * DAY, *uses, noise_w=1.0))), taken


@pytest.fixture(scope="module")
def three():
    trace, taken = washer([QUICK, COTTON, COLD], days=20)
    return find_cycles(trace, "batch"), np.array(taken)


def test_shapes_by_hand(three):
    cycles, taken = three
    shapes = run_shapes(cycles)
    assert len(shapes) == 20
    quick = shapes[taken == 0].mean()
    work_s = sum(n_s for n_s, _ in QUICK)
    assert quick["duration_s"] == pytest.approx(work_s, rel=0.05)
    # Above the 1 W of rest; watts times seconds of the pieces.
    assert quick["energy_wh"] == pytest.approx(
        sum(n_s * (w - 1) for n_s, w in QUICK) / 3600, rel=0.05
    )
    assert quick["high_share"] == pytest.approx(400 / work_s, rel=0.1)
    assert (shapes["heatings"] == np.array([1, 2, 0])[taken]).all()
    assert shapes.attrs["high_w"] == pytest.approx(1000, rel=0.05)


def test_programmes_are_found_and_named_by_what_they_are(three):
    cycles, taken = three
    programmes = find_programmes(cycles)
    assert adjusted_rand_score(taken, programmes.of_run) == 1
    by_length = programmes.table.sort_values("minutes")
    heatings = ("no heating", "1 heating", "2 heatings")
    rows = zip(by_length.itertuples(), (COLD, QUICK, COTTON), heatings, strict=True)
    for row, pieces, words in rows:
        assert row.name == f"{row.minutes:.0f} min, {row.kwh:.2f} kWh, {words}"
        assert row.minutes == pytest.approx(sum(n_s for n_s, _ in pieces) / 60, rel=0.04)
        assert row.kwh == pytest.approx(sum(n_s * (w - 1) for n_s, w in pieces) / 3.6e6, rel=0.08)
    assert programmes.table["n"].sum() == 20
    assert programmes.runs(programmes.table["name"][0]).sum() == programmes.table["n"][0]


def test_a_name_from_house_toml_goes_to_the_nearest_programme(three):
    names = [
        ProgrammeName(circuit="washer", name="Cold", minutes=33, kwh=0.06),
        ProgrammeName(circuit="washer", name="Also cold", minutes=35, kwh=0.07),
        ProgrammeName(circuit="washer", name="Wool", minutes=60, kwh=0.6),
    ]
    programmes = find_programmes(three[0], names=names)
    assert "Cold" in set(programmes.table["name"])
    assert (programmes.of_run[three[1] == 2] == "Cold").all()
    assert [name.name for name in programmes.unused] == ["Also cold", "Wool"]
    with pytest.raises(HouseError, match=r"no programme 'Wool'[^$]*Programmes: .*Cold"):
        programmes.runs("Wool")


def test_labels_stay_when_runs_are_added():
    """The first weeks' runs keep their names when more weeks, or another programme, follow."""
    trace, taken = washer([QUICK, COTTON], days=40, seed=8)
    whole = find_programmes(find_cycles(trace, "batch"))
    for days in (10, 20, 30):
        part = find_programmes(find_cycles(trace.samples(0, days * DAY), "batch"))
        same = adjusted_rand_score(whole.of_run[: len(part.of_run)], part.of_run)
        assert same == 1, f"after {days} days"
    assert adjusted_rand_score(taken, whole.of_run) == 1


@pytest.mark.parametrize("name", ["kettle", "well_pump", "television"])
@pytest.mark.parametrize("seed", [1, pytest.param(2, marks=pytest.mark.study)])
def test_random_subsets_are_grouped_like_the_whole(name, seed):
    made = simulate_appliance(name, days=21, seed=seed, period_s=5, noise_w=1, resolution_w=1)
    cycles = find_cycles(made.trace, made.kind, pause_s=40)
    whole = find_programmes(cycles).of_run
    rng = np.random.default_rng(seed)
    for _ in range(5):
        kept = np.sort(rng.choice(len(whole), size=len(whole) * 3 // 4, replace=False))
        part = replace(cycles, table=cycles.table.iloc[kept].reset_index(drop=True))
        found = find_programmes(part).of_run
        assert adjusted_rand_score(whole.iloc[kept].astype(str), found.astype(str)) > 0.9


def test_uses_of_any_length_without_a_gap_are_one_programme():
    rng = np.random.default_rng(2)
    uses = [
        (d * DAY + h * HOUR, [(rng.uniform(60, 1500), 1500)])
        for d in range(15)
        for h in (7, 12, 18)
    ]
    cycles = find_cycles(as_trace(draw(15 * DAY, *uses)), "manual")
    programmes = find_programmes(cycles)
    assert len(programmes) == 1
    assert programmes.table["n"][0] == 45


def test_a_single_odd_run_does_not_move_the_others():
    rng = np.random.default_rng(4)
    uses = [(d * DAY + 8 * HOUR, stretched(QUICK, rng)) for d in range(15)]
    usual = find_programmes(find_cycles(as_trace(draw(15 * DAY, *uses)), "batch"))
    uses[7] = (uses[7][0], [(12 * HOUR, 400)])
    odd = find_programmes(find_cycles(as_trace(draw(15 * DAY, *uses)), "batch"))
    assert usual.table["n"].tolist() == [15]
    assert odd.table["n"].tolist() == [14, 1]
    assert odd.table["minutes"][0] == pytest.approx(usual.table["minutes"][0], rel=0.02)


def test_runs_that_were_cut_belong_to_no_programme(three):
    cycles, _ = three
    table = cycles.table.assign(complete=[i not in (0, 7) for i in range(20)])
    programmes = find_programmes(replace(cycles, table=table))
    assert programmes.of_run[[0, 7]].isna().all()
    assert programmes.of_run.notna().sum() == 18


@pytest.mark.parametrize(("whole", "words"), [(2, "2 of 20 runs"), (0, "0 of 20 runs")])
def test_too_few_whole_runs_are_refused(three, whole, words):
    table = three[0].table.assign(complete=[i < whole for i in range(20)])
    with pytest.raises(HouseError, match=f"{words} are complete; .* at an end of the log"):
        find_programmes(replace(three[0], table=table))


def points(rng, centre, n, spread=2.0):
    return rng.normal(centre, spread, (n, 2))


def test_groups_do_not_depend_on_the_order_of_points():
    rng = np.random.default_rng(9)
    cloud = np.vstack([points(rng, (0, 0), 30), points(rng, (30, 5), 50), points(rng, (0, 40), 9)])
    groups = find_groups(cloud)
    assert np.bincount(groups).tolist() == [30, 50, 9]
    mixed = rng.permutation(len(cloud))
    assert adjusted_rand_score(find_groups(cloud[mixed]), groups[mixed]) == 1


@pytest.mark.parametrize("shape", ["normal", "flat", "skew", "bent", "alike"])
def test_one_cloud_is_one_group(shape):
    """Also where a single normal distribution fits badly."""
    rng = np.random.default_rng(12)
    long = rng.uniform(0, 60, 200)
    clouds = {
        "normal": rng.normal(0, 3, (200, 2)),
        "flat": np.column_stack([long, rng.normal(0, 1, 200)]),
        "skew": rng.exponential(8, (200, 2)),
        "bent": np.column_stack([long, long**2 / 60]) + rng.normal(0, 2, (200, 2)),
        "alike": np.ones((200, 2)),
    }
    assert find_groups(clouds[shape]).max() == 0


@pytest.mark.parametrize("form", fits.FORMS)
def test_a_fit_is_that_of_another_implementation(form):
    rng = np.random.default_rng(3)
    centres = rng.normal(0, 9, (3, 4))
    points = centres[rng.integers(0, 3, 90)] + rng.normal(0, 2, (90, 4))
    points[:5] = points[5:10]
    ours = fits._fitted(points, fits._first_guess(points), 3, form)
    first = fits._parts(points, np.eye(3)[fits._first_parts(fits._first_guess(points), 3)], form)
    precisions = np.linalg.inv(first.covariances)
    theirs = GaussianMixture(
        3,
        covariance_type=form,
        reg_covar=1.0,
        tol=fits.LEAST_GAIN,
        max_iter=fits.MOST_STEPS,
        weights_init=first.weights,
        means_init=first.means,
        precisions_init={
            "tied": precisions[0],
            "diag": np.diagonal(precisions, axis1=1, axis2=2),
            "full": precisions,
        }[form],
    ).fit(points)
    np.testing.assert_allclose(ours.means, theirs.means_, rtol=1e-6)
    np.testing.assert_allclose(ours.weights, theirs.weights_, rtol=1e-6)
    assert fits._criterion(ours, points, form) == pytest.approx(theirs.bic(points), rel=1e-9)
