"""What a person decides about runs: the file, and what it makes of the runs."""

import numpy as np
import pandas as pd
import pytest

from homeenergy.cycles import find_cycles, house_cycles
from homeenergy.cycles.decisions import (
    Decision,
    add_decisions,
    read_decisions,
    remove_decisions,
)
from homeenergy.cycles.programmes import find_programmes
from homeenergy.errors import HouseError
from homeenergy.findings import house_findings
from homeenergy.readings import import_logs, open_house
from tests.findings.small_house import made_house, switched

HEADER = "circuit,decision,start,end,value,note\n"
# Three uses a day of one hour; a day of minutes begins at midnight UTC, 01:00 in Amsterdam.
HOURS = (6, 12, 18)


@pytest.fixture
def house(tmp_path):
    watts = switched(4, HOURS, on_w=1000.0, lasts_h=1.0, rest_w=2.0)
    watts[6 * 60 + 20 : 6 * 60 + 24] = 300.0  # a dip inside the first run
    return made_house(
        tmp_path / "mill", {"heater": watts, "pump": watts / 4}, timezone="Europe/Amsterdam"
    )


def write(house, *lines):
    text = HEADER + "".join(f"{line}\n" for line in lines)
    (house.path / "run_decisions.csv").write_text(text, encoding="utf-8")


def hours_of(cycles):
    start = cycles.table["start"] - pd.Timestamp("2026-03-02T00:00Z")
    return (start.dt.total_seconds() / 3600).round(4).tolist()


def balance_wh(cycles):
    return cycles.runs_wh + cycles.idle_wh + cycles.other_wh


def at(hour, minute=0, *, day=2):
    return pd.Timestamp(f"2026-03-0{day}T{hour:02}:{minute:02}Z")


def plain(house):
    return house_cycles(house, "heater", decisions=())


def test_without_a_file_the_runs_are_those_found(house):
    found = find_cycles(house.trace("heater"))
    cycles = house_cycles(house, "heater")
    pd.testing.assert_frame_equal(cycles.table, found.table)
    assert cycles.by_hand.applied == cycles.by_hand.unmatched == ()
    assert len(cycles.table) == 12


def test_a_split_gives_two_runs_with_the_energy_of_their_samples(house):
    write(house, "heater,split,2026-03-02T07:22+01:00,,,")
    before, after = plain(house), house_cycles(house, "heater")
    assert hours_of(after)[:3] == [6, pytest.approx(6 + 22 / 60, abs=1e-4), 12]
    # 20 min of 1 kW and 2 of 300 W; 2 of 300 W and 36 of 1 kW: worked out by hand.
    assert after.table["energy_wh"].iloc[:2].to_list() == pytest.approx(
        [(20 * 1000 + 2 * 300) / 60, (2 * 300 + 36 * 1000) / 60], rel=1e-6
    )
    assert after.runs_wh == pytest.approx(before.runs_wh, rel=1e-9)
    assert after.total_wh == pytest.approx(before.total_wh, rel=1e-12)
    assert after.table["complete"].iloc[:2].all()
    assert len(after.phases(0)) == 2


def test_a_split_without_offset_is_local_time(house):
    write(house, "heater,split,2026-03-02 07:30,,,")
    assert hours_of(house_cycles(house, "heater"))[1] == 6.5


def test_merged_runs_take_in_what_lies_between(house):
    write(house, "heater,merge,2026-03-02T06:00Z,2026-03-02T13:00Z,,one bath")
    before, after = plain(house), house_cycles(house, "heater")
    assert len(after.table) == len(before.table) - 1
    first = after.table.iloc[0]
    assert first["duration_s"] == 7 * 3600
    assert first["energy_wh"] == pytest.approx(
        before.table["energy_wh"].iloc[:2].sum() + 5 * 2.0, rel=1e-9
    )
    assert balance_wh(after) == pytest.approx(before.total_wh, rel=1e-12)
    assert after.standby.value == pytest.approx(2.0)


def test_a_discarded_run_leaves_its_energy_to_what_is_no_run(house):
    write(house, "heater,discard,2026-03-02T12:00Z,2026-03-02T13:00Z,,")
    before, after = plain(house), house_cycles(house, "heater")
    assert hours_of(after)[:2] == [6, 18]
    assert after.other_wh - before.other_wh == pytest.approx(1000 - 2, rel=1e-6)
    assert balance_wh(after) == pytest.approx(before.total_wh, rel=1e-12)
    assert after.standby.value == pytest.approx(before.standby.value)


def test_a_relabelled_run_has_a_name_and_the_others_none(house):
    write(house, "heater,relabel,2026-03-02T12:00Z,2026-03-02T13:00Z,long bath,")
    table = house_cycles(house, "heater").table
    assert table["label"].to_list()[:3] == ["", "long bath", ""]
    assert "label" not in house_cycles(house, "pump").table


def test_settings_are_those_of_find_cycles_and_the_kind_overrules(house):
    write(house, "heater,setting,,,pause_s=20000,", "heater,setting,,,kind=manual,")
    cycles = house_cycles(house, "heater")
    expected = find_cycles(house.trace("heater"), "manual", pause_s=20000)
    pd.testing.assert_frame_equal(cycles.table, expected.table)
    assert len(cycles.table) < 12
    assert (cycles.kind, cycles.kind_sure) == ("manual", 1.0)


def test_lines_work_on_what_the_lines_before_them_made(house):
    write(
        house,
        "heater,split,2026-03-02T06:30Z,,,",
        "heater,discard,2026-03-02T06:00Z,2026-03-02T06:30Z,,",
        "heater,merge,2026-03-02T06:30Z,2026-03-02T13:00Z,,",
    )
    cycles = house_cycles(house, "heater")
    assert hours_of(cycles)[:2] == [6.5, 18]
    assert len(cycles.by_hand.applied) == 3


@pytest.mark.parametrize(
    "line",
    [
        "heater,split,2026-03-02T09:00Z,,,",
        "heater,split,2026-03-02T06:00Z,,,",
        "heater,discard,2026-03-02T08:00Z,2026-03-02T09:00Z,,",
        "heater,discard,2026-03-02T06:00Z,2026-03-02T08:30Z,,too long to be that run",
        "heater,merge,2026-03-02T06:00Z,2026-03-02T07:00Z,,one run alone",
        "heater,relabel,2025-01-01T06:00Z,2025-01-01T07:00Z,bath,before the log",
        "heater,split,2027-01-01T06:00Z,,,after the log",
    ],
)
def test_a_decision_that_fits_no_run_is_told(house, line):
    write(house, line)
    cycles = house_cycles(house, "heater")
    pd.testing.assert_frame_equal(cycles.table, plain(house).table)
    (one,) = cycles.by_hand.unmatched
    assert one.line == 2
    (finding,) = house_findings(house, circuits=["heater"]).appliances
    assert any("line 2" in remark and "delete" in remark for remark in finding.remarks)


def test_a_run_of_which_the_ends_moved_a_little_is_still_meant(house):
    write(house, "heater,discard,2026-03-02T12:05Z,2026-03-02T13:02Z,,")
    assert hours_of(house_cycles(house, "heater"))[:2] == [6, 18]


def test_a_split_inside_a_hole_parts_what_is_on_both_sides(tmp_path):
    watts = switched(2, HOURS, on_w=1000.0, lasts_h=1.0, rest_w=2.0)
    watts[6 * 60 + 20 : 6 * 60 + 22] = np.nan
    house = made_house(tmp_path / "mill", {"heater": watts})
    add_decisions(house, [Decision(circuit="heater", decision="split", start=at(6, 21))])
    first, second = house_cycles(house, "heater").table.iloc[:2].itertuples()
    assert (first.end, second.start) == (at(6, 20), at(6, 22))
    assert first.energy_wh + second.energy_wh == pytest.approx(58 / 60 * 1000, rel=1e-6)


def test_a_trace_with_its_sign_turned_is_split_alike(tmp_path):
    watts = -switched(4, HOURS, on_w=1000.0, lasts_h=1.0, rest_w=2.0)
    house = made_house(tmp_path / "mill", {"heater": watts})
    before = house_cycles(house, "heater")
    assert before.settings["backwards"]
    write(
        house,
        "heater,split,2026-03-02T06:15Z,,,",
        "heater,discard,2026-03-02T12:00Z,2026-03-02T13:00Z,,",
    )
    after = house_cycles(house, "heater")
    assert after.table["energy_wh"].iloc[:2].to_list() == pytest.approx([-250, -750], rel=1e-6)
    assert hours_of(after)[2] == 18
    assert balance_wh(after) == pytest.approx(before.total_wh, rel=1e-12)
    assert after.settings["on_w"] == before.settings["on_w"] < 0


def test_findings_count_decided_runs_and_say_so(house):
    write(
        house,
        "heater,merge,2026-03-02T06:00Z,2026-03-02T13:00Z,,",
        "heater,discard,2026-03-03T06:00Z,2026-03-03T07:00Z,,",
        "heater,setting,,,low_w=100,",
    )
    findings = {f.circuit: f for f in house_findings(house).appliances}
    heater = findings["heater"]
    assert heater.runs == len(house_cycles(house, "heater").complete) == 10
    assert "runs overruled by hand: 1 merged, 1 discarded" in heater.remarks
    assert "runs found with settings made by hand: low_w=100" in heater.remarks
    assert findings["pump"].runs == 12
    assert not any("hand" in remark for remark in findings["pump"].remarks)


def test_decisions_outlive_another_import(house):
    write(house, "heater,discard,2026-03-02T12:00Z,2026-03-02T13:00Z,,")
    before = house_cycles(house, "heater").table
    import_logs(house.path, rebuild=True)
    again = open_house(house.path)
    pd.testing.assert_frame_equal(house_cycles(again, "heater").table, before)


def test_written_lines_are_read_back_and_deleting_one_undoes_it(house):
    made = [
        Decision(circuit="heater", decision="split", start=at(6, 30), note='a "good" one, really'),
        Decision(circuit="heater", decision="relabel", start=at(12), end=at(13), value="eco, long"),
        Decision(circuit="pump", decision="discard", start=at(18), end=at(19), note="two\nlines"),
    ]
    found = add_decisions(house, made)
    assert found == read_decisions(house)
    assert [one.start for one in found] == [one.start for one in made]
    assert found[1].value == "eco, long"
    assert found[2].note == "two lines"
    text = (house.path / "run_decisions.csv").read_text(encoding="utf-8")
    assert "heater,relabel,2026-03-02T13:00:00+01:00,2026-03-02T14:00:00+01:00" in text
    left = remove_decisions(house, [found[1]])
    assert [one.decision for one in left] == ["split", "discard"]
    assert len(house_cycles(house, "heater").table) == 13
    remove_decisions(house, left)
    pd.testing.assert_frame_equal(house_cycles(house, "heater").table, plain(house).table)


def test_what_a_person_wrote_in_the_file_stays(house):
    path = house.path / "run_decisions.csv"
    text = HEADER + "# my own words\n\nheater , discard,2026-03-02T12:00Z,2026-03-02T13:00Z,,"
    path.write_text(text, encoding="utf-8")
    add_decisions(house, [Decision(circuit="pump", decision="setting", value="pause_s=60")])
    lines = path.read_text(encoding="utf-8").splitlines()
    assert lines[:4] == text.splitlines()
    assert lines[4:] == ["pump,setting,,,pause_s=60,"]
    assert list(house.path.glob(".run_decisions*")) == []


def test_ends_of_lines_stay_as_a_spreadsheet_wrote_them(house):
    path = house.path / "run_decisions.csv"
    old = (HEADER + "heater,split,2026-03-02T06:30Z,,,\n").replace("\n", "\r\n").encode("utf-8-sig")
    path.write_bytes(old)
    found = add_decisions(house, [Decision(circuit="pump", decision="split", start=at(6, 20))])
    assert [one.line for one in found] == [2, 3]
    assert path.read_bytes().count(b"\r\n") == path.read_bytes().count(b"\n") == 3


def test_a_setting_takes_the_place_of_the_one_before(house):
    for circuit, value in (("heater", "60"), ("pump", "70"), ("heater", "80")):
        setting = Decision(circuit=circuit, decision="setting", value=f"pause_s={value}")
        found = add_decisions(house, [setting])
    assert [(one.circuit, one.value) for one in found] == [
        ("pump", "pause_s=70"),
        ("heater", "pause_s=80"),
    ]


def test_a_line_that_was_changed_meanwhile_is_not_deleted(house):
    write(house, "heater,split,2026-03-02T06:30Z,,,")
    (one,) = read_decisions(house)
    write(house, "heater,split,2026-03-02T06:40Z,,,")
    with pytest.raises(HouseError, match=r"line 2.*changed meanwhile"):
        remove_decisions(house, [one])
    assert len(read_decisions(house)) == 1


@pytest.mark.parametrize(
    ("line", "column", "said"),
    [
        ("oven,discard,2026-03-02T12:00Z,2026-03-02T13:00Z,,", "circuit", "no circuit 'oven'"),
        ("heater,forget,2026-03-02T12:00Z,2026-03-02T13:00Z,,", "decision", "one of split, merge"),
        ("heater,discard,yesterday,2026-03-02T13:00Z,,", "start", "'yesterday' is not a time"),
        ("heater,discard,2026-03-02T12:00Z,,,", "end", "is empty"),
        ("heater,discard,2026-03-02T12:00Z,2026-03-02T11:00Z,,", "end", "not later than start"),
        ("heater,relabel,2026-03-02T12:00Z,2026-03-02T13:00Z,,", "value", "is empty"),
        ("heater,setting,,,patience=3,", "value", "is not a setting"),
        ("heater,setting,,,pause_s=-3,", "value", "pause_s cannot be -3"),
        ("heater,setting,,,pause_s=soon,", "value", "'soon' is not a number"),
        ("heater,setting,,,on_w=nan,", "value", "on_w cannot be nan"),
        ("heater,setting,,,kind=lazy,", "value", "'lazy' is not a kind"),
        ("heater,split,2026-10-25T02:30,,,", "start", "comes twice"),
        ("heater,split,2026-03-29T02:30,,,", "start", "is left out"),
        ("heater,split,2026-03-02T12:00Z,,,a,b", None, "has 7 cells"),
    ],
)
def test_what_cannot_be_meant_is_refused_with_its_place(house, line, column, said):
    write(house, "heater,split,2026-03-02T06:30Z,,,", line)
    with pytest.raises(HouseError, match=said) as caught:
        house_cycles(house, "heater")
    assert caught.value.line == 3
    assert caught.value.column == column
    assert caught.value.path == house.path / "run_decisions.csv"
    assert caught.value.fix


def test_a_file_without_its_header_is_refused(house):
    text = "heater,split,2026-03-02T06:30Z,,,\n"
    (house.path / "run_decisions.csv").write_text(text, encoding="utf-8")
    with pytest.raises(HouseError, match="has no column circuit"):
        read_decisions(house)


def test_a_wrong_decision_leaves_the_file_as_it_was(house):
    write(house, "heater,split,2026-03-02T06:30Z,,,")
    path = house.path / "run_decisions.csv"
    before = path.read_bytes()
    with pytest.raises(HouseError, match="no circuit 'oven'"):
        add_decisions(house, [Decision(circuit="oven", decision="split", start=at(6))])
    assert path.read_bytes() == before


def test_a_relabelled_run_is_of_the_programme_of_that_name(tmp_path):
    watts = switched(12, (6, 18), on_w=1000.0, lasts_h=1.0, rest_w=2.0)
    watts[6 * 60 + 60 : 6 * 60 + 150] = 1000.0
    house = made_house(tmp_path / "mill", {"heater": watts})
    found = find_programmes(house_cycles(house, "heater"))
    usual = found.of_run.iloc[1]
    write(
        house,
        "heater,relabel,2026-03-02T06:00Z,2026-03-02T08:30Z,long bath,",
        "heater,relabel,2026-03-03T06:00Z,2026-03-03T07:00Z,long bath,",
    )
    named = find_programmes(house_cycles(house, "heater"))
    assert named.of_run.to_list()[:4] == ["long bath", usual, "long bath", usual]
    assert named.table["name"].to_list() == ["long bath", usual]
    assert named.table["n"].to_list() == [2, 22]
    assert named.table["minutes"].iloc[0] == pytest.approx((150 + 60) / 2)
