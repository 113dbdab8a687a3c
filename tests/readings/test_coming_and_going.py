"""Logs that are moved away, shortened, edited, written to; what the store keeps of them."""

import os
import shutil

import numpy as np
import pandas as pd
import pytest

from homeenergy.errors import HouseError
from homeenergy.readings import import_logs, open_house
from homeenergy.readings.store.store import DamagedMonthError, Store

from .folders import WIDE, frame, iso_csv, make_house, store_bytes

DAY = 144  # rows of ten minutes


def days(number, *, start="2026-01-29", offset_s=0):
    whole = frame(pd.Timestamp(start) + pd.Timedelta(offset_s, "s"), number * DAY, period_s=600)
    return {
        f"day{n:02d}.csv": iso_csv(whole.iloc[n * DAY : (n + 1) * DAY]) for n in range(number)
    }, whole


def watts(folder, circuit="oven"):
    trace = open_house(folder).trace(circuit)
    return trace.start, np.asarray(trace.watts)


def same(folder, other):
    assert watts(folder)[0] == watts(other)[0]
    np.testing.assert_array_equal(watts(folder)[1], watts(other)[1])


def test_moving_all_logs_away_is_said_and_changes_nothing(tmp_path):
    logs, _ = days(5)
    import_logs(make_house(tmp_path, logs))
    before = store_bytes(tmp_path)
    shutil.rmtree(tmp_path / "logs")
    report = import_logs(tmp_path)
    assert report.gone == tuple(f"logs/{name}" for name in logs)
    assert "No longer there" in str(report)
    assert "logs/day00.csv" in str(report)
    assert "\n" not in str(report)
    assert store_bytes(tmp_path) == before


@pytest.mark.parametrize("kept_days", [1, 2])
@pytest.mark.parametrize("offset_s", [0, 130])
def test_a_logger_that_keeps_its_last_days_gives_what_all_logs_give(tmp_path, kept_days, offset_s):
    logs, _ = days(6, offset_s=offset_s)
    import_logs(make_house(tmp_path / "all", logs))
    names = list(logs)
    for n, name in enumerate(names):
        import_logs(make_house(tmp_path / "last", {name: logs[name]}))
        if n >= kept_days:
            (tmp_path / "last" / "logs" / names[n - kept_days]).unlink()
            import_logs(tmp_path / "last")
    same(tmp_path / "last", tmp_path / "all")


def test_one_log_that_always_holds_the_last_days_gives_what_all_logs_give(tmp_path):
    logs, whole = days(6)
    import_logs(make_house(tmp_path / "all", logs))
    for n in range(2, 7):
        rows = whole.iloc[max(n - 2, 0) * DAY : n * DAY - 7 * (n < 6)]
        import_logs(make_house(tmp_path / "rolls", {"now.csv": iso_csv(rows)}))
    same(tmp_path / "rolls", tmp_path / "all")


def test_one_moved_log_leaves_its_month_to_those_that_are_there(tmp_path):
    logs, whole = days(6)
    import_logs(make_house(tmp_path, logs))
    before = store_bytes(tmp_path)
    (tmp_path / "logs" / "day04.csv").unlink()
    report = import_logs(tmp_path)
    assert (report.months_written, report.files_read_again) == (0, 0)
    assert store_bytes(tmp_path) == before
    more = frame("2026-02-10", DAY, period_s=600, seed=7)
    report = import_logs(make_house(tmp_path, {"new.csv": iso_csv(more)}))
    assert {month for _, month in report.written} == {"2026-02"}
    trace = open_house(tmp_path).trace("oven")
    expected = pd.concat([whole, more])["oven"].reindex(
        pd.date_range(whole.index[0], more.index[-1], freq="600s")
    )
    np.testing.assert_array_equal(trace.watts, expected.to_numpy().astype("f4"))
    # A rebuild forgets it, and the file counts again when it is back.
    import_logs(tmp_path, rebuild=True)
    day = "2026-02-02", "2026-02-03"
    assert open_house(tmp_path).trace("oven", *day).covered_s == 0
    assert import_logs(tmp_path).months_written == 0
    import_logs(make_house(tmp_path, {"day04.csv": logs["day04.csv"]}))
    assert open_house(tmp_path).trace("oven", *day).covered_s == 86_400


def test_a_month_stays_where_the_memory_of_its_logs_is_lost_as_well(tmp_path):
    logs, _ = days(6)
    import_logs(make_house(tmp_path, logs))
    before = watts(tmp_path)
    (tmp_path / "logs" / "day04.csv").unlink()
    (tmp_path / "store" / "imported.json").write_bytes(b'{"format": 1, \xff')
    import_logs(tmp_path)
    assert watts(tmp_path)[0] == before[0]
    np.testing.assert_array_equal(watts(tmp_path)[1], before[1])


def test_another_layout_for_a_month_of_a_moved_log_is_refused(tmp_path):
    logs, _ = days(6)
    import_logs(make_house(tmp_path, logs))
    before = store_bytes(tmp_path)
    (tmp_path / "logs" / "day04.csv").unlink()
    make_house(tmp_path, {}, log=WIDE.replace("[log.col", 'unit = "kW"\n[log.col'))
    with pytest.raises(HouseError, match=r"day04.csv: is no longer there.* layout .* has changed"):
        import_logs(tmp_path)
    assert store_bytes(tmp_path) == before


def test_two_logs_that_give_a_circuit_other_readings_conflict(tmp_path):
    one, other = (WIDE.replace("*.csv", f"{name}/*.csv") for name in "ab")
    table = frame("2026-03-01", 500)
    corrected = table.iloc[100:300].copy()
    corrected["oven"] += 300.0
    late = corrected.index + pd.Timedelta(seconds=3)  # the clock of another logger
    folder = make_house(tmp_path, {}, log=one + other)
    for name, content in (("a", table), ("b", corrected.set_index(late))):
        (folder / "logs" / name).mkdir()
        (folder / "logs" / name / "1.csv").write_text(iso_csv(content))
    import_logs(folder)
    quality = open_house(folder).quality()
    assert quality.loc["fridge", "conflicts"] == 0
    assert quality.loc["oven", "conflicts"] >= 50


def test_rows_that_are_edited_out_are_gone(tmp_path):
    logs, whole = days(2)
    import_logs(make_house(tmp_path, logs))
    edited = whole.iloc[:DAY].drop(whole.index[40:60])
    import_logs(make_house(tmp_path, {"day00.csv": iso_csv(edited)}))
    assert np.isnan(watts(tmp_path)[1][41:60]).all()


def test_an_edit_that_leaves_size_and_time_as_they_were_is_noticed(tmp_path):
    logs, _ = days(2)
    import_logs(make_house(tmp_path, logs))
    path = tmp_path / "logs" / "day01.csv"
    state = path.stat()
    text = path.read_text()
    line = text.splitlines()[1]
    last = line[-1]
    path.write_text(text.replace(line, line[:-1] + str((int(last) + 5) % 10)))
    os.utime(path, ns=(state.st_atime_ns, state.st_mtime_ns))
    assert path.stat().st_size == state.st_size
    assert import_logs(tmp_path).files_read == 1


def test_a_touched_or_renamed_log_is_not_read_again(tmp_path):
    logs, _ = days(2)
    import_logs(make_house(tmp_path, logs))
    os.utime(tmp_path / "logs" / "day00.csv")
    (tmp_path / "logs" / "day01.csv").rename(tmp_path / "logs" / "other.csv")
    report = import_logs(tmp_path)
    assert (report.files_read, report.months_written, report.gone) == (0, 0, ())


@pytest.mark.parametrize("cut", ["2026-01-", "2026-01-30T00:00:00Z", "2026-01-30T00:00:00Z,1,5e"])
def test_a_line_that_is_being_written_waits_for_its_end(tmp_path, cut):
    _, whole = days(2)
    text = iso_csv(whole)
    first = iso_csv(whole.iloc[:DAY])
    report = import_logs(make_house(tmp_path, {"now.csv": first + cut}))
    assert report.unfinished == ("logs/now.csv",)
    assert "last line waits" in str(report)
    np.testing.assert_array_equal(watts(tmp_path)[1], whole["oven"].iloc[:DAY].astype("f4"))
    report = import_logs(make_house(tmp_path, {"now.csv": text}))
    assert report.unfinished == ()
    np.testing.assert_array_equal(watts(tmp_path)[1], whole["oven"].astype("f4"))


def test_a_last_line_without_its_end_counts_where_it_is_whole(tmp_path):
    _, whole = days(1)
    report = import_logs(make_house(tmp_path, {"now.csv": iso_csv(whole).rstrip("\n")}))
    assert report.unfinished == ()
    assert watts(tmp_path)[1].size == DAY


def test_a_store_that_cannot_be_written_to_is_read(tmp_path, monkeypatch):
    logs, _ = days(1)
    import_logs(make_house(tmp_path, logs))

    def refuse(*_, **__):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("homeenergy.readings.store.store.write_text", refuse)
    monkeypatch.setattr("pathlib.Path.unlink", refuse)
    os.utime(tmp_path / "logs" / "day00.csv")
    assert import_logs(tmp_path).months_unchanged == 2
    assert Store(tmp_path / "store").info("oven", "2026-01") is not None


def test_a_log_that_was_cut_and_is_whole_again_is_as_if_nothing_had_been(tmp_path):
    _, whole = days(6)
    import_logs(make_house(tmp_path, {"now.csv": iso_csv(whole)}))
    before = store_bytes(tmp_path)
    for rebuild in (False, True):
        report = import_logs(
            make_house(tmp_path, {"now.csv": iso_csv(whole.iloc[:DAY])}), rebuild=rebuild
        )
        assert report.gone == ("logs/now.csv",)
        report = import_logs(make_house(tmp_path, {"now.csv": iso_csv(whole)}))
        assert report.gone == ()
        assert store_bytes(tmp_path) == before


@pytest.mark.parametrize("read", ["trace", "months"])
@pytest.mark.parametrize("stale", [3, 1000])
def test_a_month_that_is_written_while_it_is_read_is_read_anew(tmp_path, monkeypatch, read, stale):
    make_house(tmp_path, {"a.csv": iso_csv(frame("2026-03-01", 300))})
    import_logs(tmp_path)
    before = Store(tmp_path / "store").known("fridge", "2026-03")
    (tmp_path / "logs" / "a.csv").write_text(iso_csv(frame("2026-03-01", 500)))
    import_logs(tmp_path)
    house, known, asked = open_house(tmp_path), Store.known, []

    def known_late(store, circuit, month):
        asked.append(circuit)
        late = circuit == "fridge" and asked.count("fridge") <= stale
        return before if late else known(store, circuit, month)

    monkeypatch.setattr(Store, "known", known_late)
    how = {
        "trace": lambda: len(house.trace("fridge")),
        "months": lambda: sum(map(len, house.months("fridge"))),
    }
    if stale > 5:
        with pytest.raises(DamagedMonthError, match="changed meanwhile"):
            how[read]()
    else:
        assert how[read]() == 500
