"""Exports whose numbers would be taken for others become the right house, or are refused."""

import pytest

from homeenergy.errors import HouseError
from tests.readings.test_any_folder import FRAME, STAMPS, STEP_S, TRUTH, close, through, write

ROWS = FRAME.to_numpy().tolist()


def table(head, row):
    return [head, *(row(stamp, watts) for stamp, watts in zip(STAMPS, ROWS, strict=True))]


def quantities(stamp, watts):
    return ",".join([stamp, *(f"{w:g},120.1,{w / 120.1:.3f}" for w in watts)])


@pytest.mark.parametrize("mark", [".", "_", " "])
def test_columns_of_each_circuit_that_end_with_symbols(tmp_path, mark):
    head = ",".join(["time", *(f"{name}{mark}{of}" for name in FRAME for of in "PUI")])
    close(through(tmp_path, write(tmp_path, "a.csv", table(head, quantities))).kwh)


def test_rooms_that_are_called_by_letters_are_circuits(tmp_path):
    heads = ["room U", "room I", "room Q", "room S"]
    rows = table(",".join(["time", *heads]), lambda s, w: ",".join([s, *map(str, w)]))
    found = through(tmp_path, write(tmp_path, "a.csv", rows))
    assert sorted(found.kwh.values()) == pytest.approx(sorted(TRUTH.values()), rel=1e-4)


def tagged(fields):
    def row(stamp, watts):
        return "\n".join(
            f"{stamp},power,{name},{field},{w * part:g}"
            for name, w in zip(FRAME, watts, strict=True)
            for field, part in fields.items()
        )

    return table("time,measurement,tag,field,value", row)


def test_a_column_of_one_text_does_not_name_circuits(tmp_path):
    lines = tagged({"active": 1.0, "reactive": 0.3, "apparent": 1.05})
    found = through(tmp_path, write(tmp_path, "a.csv", lines))
    close(found.kwh)


def test_rows_that_two_columns_together_tell_apart_are_refused(tmp_path):
    lines = [
        f"{line},{side}"
        for line in table(
            "time,name,value", lambda s, w: f"{s},{'AB'[STAMPS.get_loc(s) % 2]},{sum(w):g}"
        )[1:]
        for side in ("left,up", "left,down", "right,up", "right,down")
    ]
    numbered = [line.replace(",left", ",left", 1) for line in lines]
    changed = [
        ",".join([*cells[:2], f"{float(cells[2]) + n % 4:g}", *cells[3:]])
        for n, cells in enumerate(line.split(",") for line in numbered)
    ]
    with pytest.raises(HouseError, match="together tell them from each other"):
        through(tmp_path, write(tmp_path, "a.csv", ["time,name,value,side,way", *changed]))


def test_numbers_with_a_letter_among_plain_ones_are_no_missing_readings(tmp_path):
    def row(stamp, watts):
        cells = (f"{w / 1000:g}k" if w >= 1000 else f"{w:g}" for w in watts)
        return ",".join([stamp, *cells])

    lines = table(",".join(["time", *FRAME]), row)
    with pytest.raises(HouseError, match="'k' is for a factor"):
        through(tmp_path, write(tmp_path, "a.csv", lines))


@pytest.mark.parametrize("unit", ["Wmin", "W·min", "Ws", "kWs"])
def test_energies_in_minutes_and_seconds_are_no_watts(tmp_path, unit):
    head = ",".join(["time", *(f"{name} [{unit}]" for name in FRAME)])
    lines = table(head, lambda s, w: ",".join([s, *(f"{one * STEP_S / 60:g}" for one in w)]))
    with pytest.raises(HouseError, match="not power"):
        through(tmp_path, write(tmp_path, "a.csv", lines))
