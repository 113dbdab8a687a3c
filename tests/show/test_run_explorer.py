"""The run explorer, worked through its controls as a person would."""

import asyncio
import html
import re
import shutil
import threading
import time

import numpy as np
import pytest

from homeenergy.cycles import house_cycles
from homeenergy.cycles.decisions import read_decisions
from homeenergy.errors import HouseError
from homeenergy.findings import house_findings
from homeenergy.readings import open_house
from homeenergy.show import run_explorer
from homeenergy.show.explorer import panel as run_panel
from homeenergy.show.explorer import panel as sliders_module
from tests.findings.small_house import made_house, switched

HOURS = (6, 12, 18)
WAIT_S = 600  # only where something hangs


@pytest.fixture
def house(tmp_path):
    watts = switched(8, HOURS, on_w=1000.0, lasts_h=1.0, rest_w=2.0)
    watts[3 * 1440 + 6 * 60 + 20 : 3 * 1440 + 6 * 60 + 40] = 3.0
    return made_house(
        tmp_path / "mill", {"heater": watts, "pump": watts / 4}, timezone="Europe/Amsterdam"
    )


@pytest.fixture
def panel(house):
    return run_explorer(house, "heater").panel


def words(widget):
    return html.unescape(re.sub("<[^>]+>", " ", widget.value))


def alternative(panel):
    return panel.words()


def wait_for(condition):
    end = time.monotonic() + WAIT_S
    while not condition():
        assert time.monotonic() < end, "not done in time"
        time.sleep(0.02)


def test_it_opens_on_the_busiest_day_with_its_runs(panel):
    assert "from Thu 2026-03-05 00:00 to Fri 2026-03-06 00:00" in alternative(panel)
    assert "4 runs shaded" in alternative(panel)
    assert "07:00:00 to 07:20:00, 0.333 kWh" in alternative(panel)
    assert "4" in words(panel.controls.answer)
    assert len(panel.controls.run.options) == 4


def test_sliders_begin_at_what_was_found(panel):
    settings = panel.read.found.settings
    for name, slider in panel.controls.sliders.items():
        assert slider.value == settings[name]
        assert slider.label.endswith("as found")
        assert slider.description
    assert panel.controls.apply.disabled


def test_a_slider_changes_the_window_at_once_and_saves_nothing(panel, house):
    before = panel.answers.told()["runs"]
    slider = panel.controls.sliders["pause_s"]
    slider.value = next(value for _, value in slider.options if value > 1200)
    assert "with these sliders" in words(panel.controls.answer)
    assert (panel.before.runs, panel.window.runs) == (4, 3)
    assert panel.answers.told()["runs"] != before
    assert read_decisions(house) == ()
    assert not panel.controls.apply.disabled
    assert panel.controls.split.disabled
    panel.controls.as_found.click()
    assert slider.value == panel.read.found.settings["pause_s"]
    assert alternative(panel).count("2: ") == 1


def test_a_slider_put_back_by_hand_is_as_found(panel):
    slider = panel.controls.sliders["on_w"]
    found = slider.index
    slider.index = found + 4
    assert panel.moved
    slider.value = panel.read.found.settings["on_w"]
    assert not panel.moved


def test_apply_saves_the_settings_and_all_findings_use_them(panel, house):
    slider = panel.controls.sliders["pause_s"]
    slider.value = next(value for _, value in slider.options if value > 1200)
    panel.controls.kind.value = "manual"
    panel.controls.apply.click()
    wait_for(lambda: "Saved" in "".join(words(w) for w in results(panel)))
    assert re.search(r"before\s+25.*now\s+24", words(results(panel)[0]))
    saved = {one.setting[0]: one.setting[1] for one in read_decisions(house)}
    assert saved.keys() == {"pause_s", "kind"}
    assert not panel.moved
    finding = house_findings(open_house(house.path), circuits=["heater"]).appliances[0]
    assert len(finding.cycles.table) == 24
    assert finding.kind == "manual"
    panel.controls.as_found.click()
    panel.controls.apply.click()
    wait_for(lambda: read_decisions(house) == ())
    assert len(house_cycles(house, "heater").table) == 25


def results(panel):
    return [child for child in panel.controls.work.children if hasattr(child, "value")]


def test_stop_ends_the_work_and_saves_nothing(panel, house, monkeypatch):
    begun, go_on = threading.Event(), threading.Event()
    plain = sliders_module.update

    def slow(read, state, **options):
        if options.get("whole"):  # the work; a moved slider draws its window as ever
            begun.set()
            go_on.wait(WAIT_S)
        return plain(read, state, **options)

    monkeypatch.setattr(sliders_module, "update", slow)
    panel.controls.sliders["on_w"].index += 4
    panel.controls.apply.click()
    assert begun.wait(WAIT_S)
    (row,) = panel.controls.work.children
    stop = next(child for child in row.children if getattr(child, "description", "") == "Stop")
    stop.click()
    go_on.set()
    wait_for(lambda: "Stopped" in words(panel.controls.message))
    assert "Nothing was saved" in words(panel.controls.message)
    assert read_decisions(house) == ()
    assert not (house.path / "run_decisions.csv").exists()
    assert panel.moved


def test_split_merge_discard_and_relabel_by_buttons_and_undo_each(panel, house):
    c = panel.controls
    whole = house_cycles(house, "heater").table
    c.run.value = c.run.options[2][1]
    c.label.value = "long bath"
    c.relabel.click()
    assert "long bath" in alternative(panel)
    c.run.value = c.run.options[0][1]
    c.merge.click()
    assert len(house_cycles(house, "heater").table) == 24
    row = c.run.options[0][1]
    assert panel.window.cycles.table["energy_wh"].iloc[row] == pytest.approx(2000 / 3 + 1, rel=1e-6)
    c.run.value = row
    assert c.split_at.label == "07:40:00"
    c.split.click()
    assert len(house_cycles(house, "heater").table) == 25
    c.run.value = c.run.options[0][1]
    c.discard.click()
    assert len(house_cycles(house, "heater").table) == 24
    assert [one.decision for one in read_decisions(house)] == [
        "relabel",
        "merge",
        "split",
        "discard",
    ]
    assert c.decisions.options[0][0].startswith("line 3: call the run of 2026-03-05 13:00:00")
    for left in (3, 2, 1, 0):
        c.undo.click()
        assert "Undone" in words(c.message)
        assert len(read_decisions(house)) == left
    assert house_cycles(house, "heater").table.equals(whole)
    assert c.undo.disabled


def test_a_line_deleted_meanwhile_is_one_sentence(panel, house):
    panel.controls.discard.click()
    (house.path / "run_decisions.csv").unlink()
    panel.controls.undo.click()
    assert "changed meanwhile" in words(panel.controls.message)
    assert "Traceback" not in panel.controls.message.value


def test_a_decision_that_fits_no_run_is_marked_in_the_list(house):
    (house.path / "run_decisions.csv").write_text(
        "circuit,decision,start,end,value,note\nheater,split,2026-03-05T03:00Z,,,asleep\n",
        encoding="utf-8",
    )
    panel = run_explorer(house, "heater").panel
    ((text, _),) = panel.controls.decisions.options
    assert text.endswith("(asleep), no longer matches a run")


def test_what_cannot_be_done_is_said_and_not_saved(panel, house):
    c = panel.controls
    c.label.value = "  "
    c.relabel.click()
    assert "write a name" in words(c.message)
    c.day.value = np.datetime64("2026-03-09").astype(object)
    c.run.value = c.run.options[-1][1]
    c.merge.click()
    assert "no next one" in words(c.message)
    assert read_decisions(house) == ()


def test_another_day_another_length_another_appliance(panel):
    c = panel.controls
    c.earlier.click()
    assert "from Wed 2026-03-04 00:00 to Thu 2026-03-05 00:00" in alternative(panel)
    c.length.value = 3
    assert "to Sat 2026-03-07 00:00" in alternative(panel)
    assert "10 runs shaded" in alternative(panel)
    c.busiest.click()
    c.circuit.value = "pump"
    assert alternative(panel).startswith("Figure. pump, power over local time")
    assert panel.window.run_kwh.value < 0.26


def test_looking_closely_moves_the_viewer_to_the_chosen_run(panel, monkeypatch):
    told = []
    monkeypatch.setattr(panel.live, "send", told.append)
    panel.controls.closer.click()
    (said,) = told
    assert said["kind"] == "look"
    assert (said["t1"] - said["t0"]) / 60 == pytest.approx(20 * 1.3, abs=1.01)


def test_a_run_that_is_clicked_in_the_viewer_is_chosen(panel, monkeypatch):
    told = []
    monkeypatch.setattr(panel.live, "send", told.append)
    row = panel.controls.run.options[2][1]
    said, _ = panel.answers.answer({"kind": "run", "lane": "heater", "number": row, "id": 1})
    assert said["title"].startswith("heater, run ")
    assert panel.controls.run.value == row
    assert told[-1]["chosen"] == row


def test_the_window_follows_where_a_person_looks_in_the_viewer(panel):
    start, end = panel.state.start, panel.state.end
    closer = {"t0": start.timestamp() + 3600, "t1": end.timestamp() - 3600}
    panel.answers.answer({"kind": "seen", **closer})
    assert (panel.state.start, panel.state.end) == (start, end)
    later = {"t0": end.timestamp(), "t1": (end + (end - start)).timestamp()}
    panel.answers.answer({"kind": "seen", **later})
    assert (panel.state.start, panel.state.end) == (end, end + (end - start))
    assert panel.window.runs == 3
    whole = {"t0": start.timestamp() - 100 * 86_400, "t1": end.timestamp() + 100 * 86_400}
    panel.answers.answer({"kind": "seen", **whole})
    assert (panel.state.end - panel.state.start).days == 31


def test_the_viewer_is_told_the_levels_that_decide(panel):
    levels = panel.answers.told()["levels"]
    assert [text.rsplit(" ", 2)[0] for _, text in levels] == ["a run must reach", "it lasts above"]
    assert levels[0][0] == panel.window.cycles.settings["on_w"]
    said, _ = panel.answers.answer({"kind": "open", "points": 500})
    assert said["about"]["lane"] == "heater"
    assert len(said["about"]["runs"]) == len(panel.window.cycles.table)


def test_days_without_readings_are_said(panel):
    panel.controls.day.value = np.datetime64("2026-05-01").astype(object)
    assert "No readings here" in alternative(panel)
    assert panel.controls.run.options == ()
    assert panel.controls.discard.disabled
    panel.controls.discard.click()


def test_no_runs_at_all(tmp_path):
    house = made_house(tmp_path / "mill", {"box": np.full(2 * 1440, 2.0)})
    panel = run_explorer(house).panel
    assert "0 runs shaded" in alternative(panel)
    assert panel.controls.sliders["on_w"].label == "not found"
    slider = panel.controls.sliders["on_w"]
    slider.index = 5
    assert panel.state.settings["on_w"] == slider.value


def test_a_clamp_that_sits_backwards_has_sliders_of_sizes(tmp_path):
    watts = -switched(4, HOURS, on_w=1000.0, lasts_h=1.0, rest_w=2.0)
    panel = run_explorer(made_house(tmp_path / "mill", {"heater": watts})).panel
    slider = panel.controls.sliders["on_w"]
    assert slider.value == panel.read.found.settings["on_w"] < 0
    assert not slider.label.startswith("-")
    assert panel.window.runs == 3
    slider.index = len(slider.options) - 1
    assert slider.value <= -1000
    assert panel.window.runs == 0


def test_a_house_without_readings_offers_to_import_them(house):
    shutil.rmtree(house.path / "store")
    explorer = run_explorer(open_house(house.path), "heater")
    (box,) = explorer.children
    text, button = box.children
    assert "Nothing has been imported" in text.value
    button.click()
    wait_for(lambda: hasattr(explorer, "panel"))
    assert "4 runs shaded" in alternative(explorer.panel)


def test_a_long_log_is_read_beside_the_notebook(house, monkeypatch):
    monkeypatch.setattr(run_panel, "AT_ONCE_SAMPLES", 0)
    plain, go_on = run_panel.read_circuit, threading.Event()

    def slow(*given, **options):
        go_on.wait(WAIT_S)
        return plain(*given, **options)

    monkeypatch.setattr(run_panel, "read_circuit", slow)
    panel = run_explorer(house, "heater").panel
    assert not panel.ready
    assert len(panel.controls.work.children) == 1
    panel.controls.later.click()  # has no effect yet
    go_on.set()
    wait_for(lambda: panel.ready and not panel.controls.work.children)
    assert "4 runs shaded" in alternative(panel)


@pytest.mark.parametrize("act", ["button", "field", "import"])
def test_what_other_threads_of_a_kernel_set_off_is_done_in_one(house, monkeypatch, act):
    drawn_in, plain = [], run_panel.update

    def draw(*given, **options):
        drawn_in.append(threading.get_ident())
        return plain(*given, **options)

    monkeypatch.setattr(run_panel, "update", draw)
    if act == "import":
        shutil.rmtree(house.path / "store")

    async def notebook():
        explorer = run_explorer(open_house(house.path), "heater")
        before = len(drawn_in)
        if act == "import":
            press = explorer.children[0].children[1].click
        elif act == "button":
            press = explorer.panel.controls.later.click
        else:

            def press():
                explorer.panel.controls.length.value = 3

        thread = threading.Thread(target=press)
        thread.start()
        thread.join()
        assert len(drawn_in) == before
        end = time.monotonic() + WAIT_S
        while len(drawn_in) == before:
            assert time.monotonic() < end
            await asyncio.sleep(0.02)

    asyncio.run(notebook())
    assert set(drawn_in) == {threading.get_ident()}


def test_a_fault_that_nobody_foresaw_is_one_sentence_too(panel, monkeypatch):
    def broken(*given, **options):
        raise KeyError("level")

    monkeypatch.setattr(run_panel, "update", broken)
    panel.controls.later.click()
    assert "level" in panel.controls.message.value
    assert "role='alert'" in panel.controls.message.value


def test_a_file_that_cannot_be_read_is_one_sentence(house):
    (house.path / "run_decisions.csv").write_text("what,is,this\n", encoding="utf-8")
    (said,) = run_explorer(house, "heater").children
    assert "has no column circuit" in said.value
    assert "role='alert'" in said.value


def test_an_unknown_circuit_is_an_error(house):
    with pytest.raises(HouseError, match="no circuit 'oven'"):
        run_explorer(house, "oven")


def test_where_no_kernel_runs_a_picture_with_words_stands(house):
    bundle, metadata = run_explorer(house, "heater")._repr_mimebundle_()
    assert len(bundle["image/png"]) > 1000
    assert "4 runs shaded" in metadata["image/png"]["alt"]
