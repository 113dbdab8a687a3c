"""Many houses at once: each by itself, failures named, interrupted and gone on with."""

import os
import shutil
import signal
import sys
from concurrent.futures import Future, ProcessPoolExecutor, ThreadPoolExecutor
from multiprocessing import get_context

import numpy as np
import pandas as pd
import pytest

from homeenergy.errors import HouseError
from homeenergy.findings import house_findings
from homeenergy.findings.many import (
    appliance_summary,
    find_houses,
    houses_to_visit,
    survey_houses,
    unusual,
    work_out,
)
from homeenergy.readings import import_logs, open_house
from homeenergy.simulate import write_street
from tests.findings.small_house import made_house, switched


@pytest.fixture(scope="module")
def street(tmp_path_factory):
    folder = tmp_path_factory.mktemp("street")
    write_street(folder, houses=4, days=4, seed=3)
    return folder


@pytest.fixture(scope="module")
def whole(street):
    with ThreadPoolExecutor(1) as executor:
        return survey_houses(find_houses(street), executor=executor)


def same(a, b):
    pd.testing.assert_frame_equal(a.table, b.table, check_exact=True)
    return True


def test_each_house_has_the_findings_that_it_has_by_itself(street, whole):
    for folder in find_houses(street):
        import_logs(folder)
        alone = house_findings(open_house(folder)).to_frame()
        rows = whole.table[whole.table["house"] == str(folder)].reset_index(drop=True)
        pd.testing.assert_frame_equal(rows[alone.columns], alone, check_dtype=False)


@pytest.mark.study  # the process that is killed below gives the same
def test_processes_give_what_a_thread_gives(street, whole, monkeypatch):
    # As after `%reset` in a notebook.
    monkeypatch.delattr(sys.modules["__main__"], "__spec__", raising=False)
    assert same(survey_houses(find_houses(street), workers=2), whole)


def test_a_house_that_fails_is_named_and_the_others_go_on(street, tmp_path):
    shutil.copytree(street, tmp_path / "more")
    broken = tmp_path / "more" / "mill_lane_2" / "house.toml"
    broken.write_text(broken.read_text().replace('timezone = "', 'timezone = "Nowhere/'))
    with ThreadPoolExecutor(1) as executor:
        survey = survey_houses(find_houses(tmp_path / "more"), executor=executor)
    assert survey.failures["house"].tolist() == [str(broken.parent)]
    assert "Nowhere/Europe/Amsterdam" in survey.failures["reason"].iloc[0]
    assert survey.table["house"].nunique() == 3


def test_what_is_kept_is_used_until_the_data_change(street, whole, tmp_path):
    shutil.copytree(street, tmp_path / "more")
    houses = find_houses(tmp_path / "more")
    with ThreadPoolExecutor(1) as executor:
        first = survey_houses(houses[:2], executor=executor, keep=tmp_path / "kept")
        second = survey_houses(houses, executor=executor, keep=tmp_path / "kept")
        assert (first.unchanged, second.unchanged) == (0, 2)
        plain = second.table.drop(columns="house")
        pd.testing.assert_frame_equal(plain, whole.table.drop(columns="house"), check_exact=True)
        toml = houses[0] / "house.toml"
        toml.write_text(toml.read_text().replace("price_per_kwh = 0.31", "price_per_kwh = 0.62"))
        third = survey_houses(houses, executor=executor, keep=tmp_path / "kept")
    assert third.unchanged == 3
    dearer, before = (
        s.table.loc[s.table["house"] == str(houses[0]), "cost_per_year"] for s in (third, second)
    )
    assert dearer.to_numpy() == pytest.approx(2 * before.to_numpy(), rel=1e-12)


class Quitting(ThreadPoolExecutor):
    """Gives up after two houses, as when a person stops it."""

    given = 0

    def submit(self, *work):
        self.given += 1
        if self.given > 2:
            raise KeyboardInterrupt
        done = Future()
        done.set_result(work[0](*work[1:]))
        return done


def test_an_interruption_ends_it_and_loses_no_house_that_was_done(street, tmp_path):
    houses = find_houses(street)
    with pytest.raises(KeyboardInterrupt), Quitting() as executor:
        survey_houses(houses, executor=executor, keep=tmp_path)
    with ThreadPoolExecutor(1) as executor:
        again = survey_houses(houses, executor=executor, keep=tmp_path)
    assert again.table["house"].nunique() == 4


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="ends a process by a POSIX signal")
def test_a_process_killed_half_way_changes_nothing(street, whole, monkeypatch):
    killed = []

    def kill_one(done, *_):
        if done == 1 and not killed:
            killed.append(True)
            for process in list(pools[-1]._processes.values())[:1]:
                os.kill(process.pid, signal.SIGKILL)

    pools = []
    from homeenergy.findings import many as many_houses

    made = many_houses._processes
    monkeypatch.setattr(many_houses, "_processes", lambda n: pools.append(made(n)) or pools[-1])
    survey = survey_houses(find_houses(street), workers=2, progress=kill_one)
    assert killed
    assert same(survey, whole)


def die(*_):
    os._exit(1)


@pytest.mark.slow
@pytest.mark.study  # that the others are not lost holds the process that is killed, above
def test_a_house_that_ends_its_process_costs_no_other(street, whole, monkeypatch):
    from homeenergy.findings import many as many_houses

    fatal = str(find_houses(street)[1])

    class Trap(ProcessPoolExecutor):
        def submit(self, work, house, *rest):
            return super().submit(die if house == fatal else work, house, *rest)

    monkeypatch.setattr(
        many_houses, "_processes", lambda n: Trap(n, mp_context=get_context("spawn"))
    )
    survey = survey_houses(find_houses(street), workers=2)
    assert survey.failures["house"].tolist() == [fatal]
    assert "was ended" in survey.failures["reason"].iloc[0]
    rest = whole.table[whole.table["house"] != fatal].reset_index(drop=True)
    pd.testing.assert_frame_equal(survey.table, rest, check_exact=True)


@pytest.mark.slow
@pytest.mark.study  # any executor is used in the same way: threads and processes above
def test_a_cluster_gives_the_same(street, whole):
    distributed = pytest.importorskip("distributed")
    quiet = {"silence_logs": 50, "dashboard_address": None}
    with (
        distributed.LocalCluster(n_workers=2, threads_per_worker=1, **quiet) as cluster,
        distributed.Client(cluster) as client,
    ):
        survey = survey_houses(find_houses(street), executor=client.get_executor())
    assert same(survey, whole)


def test_bad_input_is_named(tmp_path, street):
    with pytest.raises(HouseError, match=r"no house\.toml"):
        find_houses(tmp_path)
    with pytest.raises(HouseError, match="same house"):
        survey_houses([street / "mill_lane_1", street / "." / "mill_lane_1" / ""])
    with pytest.raises(HouseError, match="no houses"):
        survey_houses([])


def invented(values, *, appliance="Refrigerator", low=0.9):
    return pd.DataFrame(
        {
            "house": [f"h{i}" for i in range(len(values))],
            "house_name": [f"House {i}" for i in range(len(values))],
            "appliance": appliance,
            "run_kwh": np.nan,
            "kwh_per_day": values,
            "kwh_per_day_low": low * np.asarray(values),
            "standby_w": np.nan,
            "standby_w_high": 2.0,
            "standby_resolved": False,
            "duty_cycle": 0.3,
        }
    )


def test_quarters_outliers_and_visits_by_hand():
    table = invented([1.0, 1.1, 1.2, 1.3, 5.0])
    summary = appliance_summary(table)
    assert summary.loc[
        "Refrigerator", ["kwh_per_day_q1", "kwh_per_day", "kwh_per_day_q3"]
    ].tolist() == pytest.approx([1.1, 1.2, 1.3], rel=1e-12)
    odd = unusual(table)
    assert odd["house_name"].tolist() == ["House 4"]
    # log(5 / 1.2) over 1.4826 times the median of |log(x / 1.2)|, which is log(1.3 / 1.2) here:
    # the distances are log 1.2, log(1.2 / 1.1), 0, log(1.3 / 1.2) and log(5 / 1.2).
    middle = np.median([np.log(1.2), np.log(1.2 / 1.1), 0, np.log(1.3 / 1.2), np.log(5 / 1.2)])
    assert odd["score"].iloc[0] == pytest.approx(np.log(5 / 1.2) / (1.4826 * middle), rel=1e-12)
    visits = houses_to_visit(table)
    assert visits["house_name"].iloc[0] == "House 4"
    assert visits["beyond_kwh_per_year"].iloc[0] == pytest.approx((4.5 - 1.2) * 365, rel=1e-12)
    assert visits["beyond_kwh_per_year"].iloc[1:].tolist() == [0.0] * 4
    assert visits["most"].iloc[1] == ""


def test_too_few_houses_are_not_judged():
    table = invented([1.0, 1.1, 1.2, 9.0])
    assert not len(unusual(table))
    assert houses_to_visit(table)["beyond_kwh_per_year"].sum() == 0


def test_a_standby_below_what_clamps_tell_counts_as_low_and_is_not_printed_as_a_number():
    table = invented([1.0, 1.1, 1.2])
    assert np.isnan(appliance_summary(table).loc["Refrigerator", "standby_w"])
    table.loc[:1, "standby_w"] = [4.0, 6.0]
    table.loc[:1, "standby_resolved"] = True
    summary = appliance_summary(table).loc["Refrigerator"]
    assert summary["standby_w"] == pytest.approx(4.0, rel=1e-12)
    assert summary["standby_unresolved"] == 1


def test_appliances_of_one_name_in_a_house_stay_comparable_with_other_houses(tmp_path):
    watts = {name: switched(3, [8], on_w=800, lasts_h=1) for name in ("kitchen", "cellar")}
    fridges = dict.fromkeys(watts, 'appliance = "Fridge"')
    house = made_house(tmp_path / "house", watts, circuits=fridges)
    found = [one.appliance for one in house_findings(house).appliances]
    assert sorted(found) == ["Fridge (cellar)", "Fridge (kitchen)"]
    _, table = work_out(str(house.path), None)
    assert table["appliance"].tolist() == ["Fridge", "Fridge"]
