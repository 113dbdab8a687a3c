"""Pairs of a bench comparison that do not belong with the others."""

import numpy as np
import pandas as pd
import pytest

from homeenergy.trust import Reference, bench_comparison, bench_results, check_house
from homeenergy.trust.bench_pairs import split_odd

from .panels import plain_panel

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
        (0.0, "was it switched on"),
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
