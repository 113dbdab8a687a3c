"""Pairs of a bench comparison that do not belong with the others."""

import numpy as np
import pandas as pd
import pytest

from homeenergy.readings import open_house
from homeenergy.show.terminal import check_lines
from homeenergy.trust import Reference, bench_comparison, bench_results, check_house
from homeenergy.trust.bench_pairs import split_odd

from .panels import HEAD, make_panel, plain_panel, switched

GOOD = Reference(accuracy=0.01)
LOADS = [684.0, 500.0, 1200.0, 1500.0, 900.0]
READS = [684.0, 502.0, 1190.0, 1510.0, 903.0]


def compared(reads, loads=LOADS, **more):
    made = pd.DataFrame({"reference_w": loads, "clamp_w": reads})
    return bench_comparison(made, references=GOOD, circuit="oven", **more)


@pytest.mark.parametrize(
    ("first", "why"),
    [
        (68.4, "a slip of ten"),
        (6840.0, "a slip of ten"),
        (0.684, "kilowatts for watts"),
        (-684.0, "a sign"),
        (0.0, "was the load on"),
    ],
)
def test_the_odd_pair_is_named_and_left_out(first, why):
    clean = compared(READS[1:], LOADS[1:])
    found = compared([first, *READS[1:]])
    (odd,) = found.odd
    assert (odd.reference_w, odd.clamp_w) == (684.0, first)
    assert why in odd.text
    assert f"{first:g} W beside a reference of 684 W" in odd.text
    assert found.multiplier.value == clean.multiplier.value
    assert found.clamp_line == clean.clamp_line


def test_a_slip_of_the_reference_is_found_too():
    found = compared(READS, [684.0, 5000.0, *LOADS[2:]])
    assert [pair.reference_w for pair in found.odd] == [5000.0]


def test_a_pair_that_is_odd_for_no_known_reason_is_named_where_many_agree():
    rng = np.random.default_rng(3)
    loads = np.linspace(100, 2000, 12)
    reads = np.round(loads * (1 + 0.005 * rng.normal(size=12)))
    reads[6] *= 0.4
    left, odd = split_odd(pd.DataFrame({"reference_w": loads, "clamp_w": reads}))
    assert [pair.clamp_w for pair in odd] == [reads[6]]
    assert odd[0].why == ""
    assert len(left) == 11


@pytest.mark.parametrize(("reads", "loads"), [([68.4, 502], LOADS[:2]), ([684, 90, 30], LOADS[:3])])
def test_pairs_of_which_nobody_knows_the_wrong_one_give_no_line(reads, loads):
    found = compared(reads, loads)
    assert found.odd == ()
    assert "contradict each other" in found.verdict
    assert found.clamp_line == ""


def test_an_offset_makes_no_pair_odd():
    """45 W more whatever the load: two thirds of the smallest, 3 % of the largest."""
    found = compared([67 + 45, 502 + 45, 1200 + 45, 1505 + 45], [67, 500, 1200, 1500])
    assert found.odd == ()
    assert found.offset_w.value == pytest.approx(-45, abs=5)


def test_ordinary_pairs_are_never_odd(draws):
    rng = np.random.default_rng(8)
    odd = 0
    for _ in range(draws(300)):
        n = int(rng.integers(3, 9))
        loads = np.exp(rng.uniform(np.log(40), np.log(3000), n))
        scatter, offset = rng.choice([0.003, 0.01, 0.03]), rng.choice([0, -5, 25, 60])
        reads = np.round(loads * (1 + scatter * rng.normal(size=n)) + offset)
        odd += len(split_odd(pd.DataFrame({"reference_w": loads, "clamp_w": reads}))[1])
    assert odd == 0


def bench_file(folder, rows):
    text = "".join(f"{name},{load},{read}\n" for name, load, read in rows)
    (folder / "bench.csv").write_text(f"circuit,reference_w,clamp_w\n{text}")


def test_check_names_the_line_and_uses_the_rest(tmp_path):
    house = plain_panel(tmp_path)
    rows = [("kettle", load, read) for load, read in zip(LOADS, [68.4, *READS[1:]], strict=True)]
    bench_file(tmp_path, rows)
    found = check_house(house)
    told = [c for c in found.concerns if c.weight == "doubtful"]
    assert [c.subject for c in told] == ["kettle"]
    assert "68.4 W beside a reference of 684 W in line 2 of bench.csv" in told[0].what
    assert "a slip of ten?" in told[0].what
    lines = [c.line for c in found.concerns if c.line]
    assert all(float(line.split("uncertainty = ")[1].split(",")[0]) < 0.05 for line in lines)


def test_readings_of_nothing_are_evidence_of_a_dead_clamp(tmp_path):
    house = plain_panel(tmp_path, clamps={"kettle": 0.0})
    bench_file(tmp_path, [("kettle", 1450.0, 0.0), ("kettle", 1440.0, 0.0)])
    found = check_house(house)
    assert bench_results(house) == []
    told = [c for c in found.concerns if c.subject == "kettle"]
    assert [c.weight for c in told] == ["wrong"]
    assert "reads 0 W where the reference reads 1,450 W" in told[0].what


@pytest.mark.parametrize(
    ("rows", "weight", "says"),
    [
        ([(0, 3), (1450, 1452), (1440, 1438)], "note", "at rest, which tells its offset"),
        ([(1450, 0), (1450, 1452), (1440, 1438)], "doubtful", "was the load on"),
        ([(1450, -1452), (1440, 1438)], "doubtful", "some loads positive and some negative"),
    ],
)
def test_pairs_that_compare_nothing_are_told_and_the_check_goes_on(tmp_path, rows, weight, says):
    house = plain_panel(tmp_path)
    bench_file(tmp_path, [("kettle", *row) for row in rows])
    found = check_house(house)
    assert not found.contradicts
    told = [c for c in found.concerns if c.subject == "kettle" and says in c.what]
    assert [c.weight for c in told] == [weight]


@pytest.mark.parametrize(
    "rows", [[(70, 3)], [(70, 3), (71, 3), (69.5, 3), (70.4, 3)]], ids=["one", "four"]
)
def test_a_pair_far_off_is_no_match_however_roughly_it_tells(tmp_path, rows):
    house = plain_panel(tmp_path)
    bench_file(tmp_path, [("lamp", load, read) for load, read in rows])
    (told,) = [c for c in check_house(house).concerns if c.weight != "note"]
    assert (told.weight, told.subject) == ("doubtful", "lamp")
    assert "reads 3 W where the reference reads 7" in told.what
    assert "its steps agree with the mains" in told.what
    assert "No certain mismatch" in "\n".join(check_lines(check_house(house)))


def test_a_pair_far_off_contradicts_where_no_mains_say_otherwise(tmp_path):
    house = plain_panel(tmp_path)
    text = (tmp_path / "house.toml").read_text().replace('role = "mains"', 'role = "load"')
    (tmp_path / "house.toml").write_text(text)
    bench_file(tmp_path, [("lamp", 70, 3)])
    found = check_house(open_house(house.path))
    assert found.contradicts
    assert [c.line for c in found.concerns] == [""] * len(found.concerns)


def test_what_reads_the_same_at_every_load_does_not_see_it(tmp_path):
    house = plain_panel(tmp_path)
    bench_file(tmp_path, [("kiln", load, 322) for load in (319, 4978, 5438)])
    (told,) = [c for c in check_house(house).concerns if c.weight == "wrong"]
    assert "reads about 322 W at every load" in told.what
    assert "cancel" in told.what


def test_a_multiplier_that_the_steps_exclude_is_not_advised(tmp_path):
    house = plain_panel(tmp_path)
    bench_file(tmp_path, [("kettle", load, load / 10) for load in (1500, 1510, 1480, 1490)])
    told = [c for c in check_house(house).concerns if c.subject == "kettle"]
    assert [c.weight for c in told] == ["doubtful"]
    assert "leave the multiplier" in told[0].do
    assert told[0].line == ""


def test_half_of_a_small_load_is_no_clipped_clamp(tmp_path):
    """Its load is the same each time, so that nothing shows that its clamp follows it."""
    rng = np.random.default_rng(4)
    at = np.arange(86_400) % 3600 < 1300
    freezer, kettle = np.where(at, 120.0, 1.0), switched(1, on_w=1500)
    house = make_panel(
        tmp_path,
        readings={"freezer": freezer / 2, "kettle": kettle},
        legs_w={"L1": 90 + freezer + kettle},
        stated={name: {"legs": ("L1",)} for name in ("freezer", "kettle")},
        head=HEAD.replace("split-phase", "single-phase").replace("120", "230"),
    )
    loads = 120 + rng.uniform(-0.5, 0.5, 5).round(1)
    bench_file(tmp_path, [("freezer", load, 60) for load in loads])
    (told,) = [c for c in check_house(house).concerns if c.weight != "note"]
    assert "the doubling is missing" in told.what
    assert "clipped" not in told.what


def test_a_clamp_that_steps_elsewhere_is_not_dead(tmp_path):
    house = plain_panel(tmp_path)
    bench_file(tmp_path, [("kettle", 900.0, 0.0), ("kettle", 905.0, 0.0)])
    (told,) = [c for c in check_house(house).concerns if c.weight == "wrong"]
    assert "though it makes" in told.what
    assert "dead" not in told.what
