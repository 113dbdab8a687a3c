"""Marks between thousands: guessed only where it is sure, read only where they part in threes."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from homeenergy.errors import HouseError
from homeenergy.house.toml_file import read_schedule
from homeenergy.readings import describe, import_logs, new_house, open_house

from .folders import WIDE, make_house

SPELLED = {",": ",", ".": ".", " ": " \u00a0\u202f\u2009", "'": "'\u2019"}
WRITTEN = [(mark, one) for mark, spelled in SPELLED.items() for one in spelled]


def stamp(row):
    return f"2026-03-01T{row // 360:02d}:{row // 6 % 60:02d}:{row % 6}0Z"


def csv_of(cells, *, delimiter=";"):
    rows = [f"{stamp(row)}{delimiter}{cell}" for row, cell in enumerate(cells)]
    return "\n".join([f"time{delimiter}oven", *rows]) + "\n"


def written(value, mark, decimal, *, places):
    """A number as people write it, made without the code under test."""
    text = f"{value:,.{places}f}"
    return text.replace(",", "T").replace(".", decimal).replace("T", mark)


def rounded(values, places):
    """As printing rounds them."""
    return np.array([float(f"{value:.{places}f}") for value in values])


def imported(folder, cells, *, thousands, decimal):
    keys = f'delimiter = ";"\nthousands = "{thousands}"\ndecimal = "{decimal}"\n[log.c'
    log = WIDE.replace('fridge = "fridge"\n', "").replace("[log.c", keys)
    import_logs(make_house(folder, {"log.csv": csv_of(cells)}, log=log))
    return open_house(folder).trace("oven").watts


def described(folder, cells, **how):
    path = folder / "log.csv"
    path.write_text(csv_of(cells, **how), encoding="utf-8")
    return describe(path), path


@settings(max_examples=25)
@given(
    values=st.lists(
        st.floats(-2e6, 2e6).map(lambda value: round(value, 2)), min_size=2, max_size=30
    ),
    how=st.sampled_from(WRITTEN),
    point=st.sampled_from(".,"),
    places=st.sampled_from([0, 1, 2]),
)
def test_numbers_with_marks_are_read(tmp_path_factory, values, how, point, places):
    mark, spelled = how
    decimal = point if point != mark else ".,".replace(mark, "")
    cells = [written(value, spelled, decimal, places=places) for value in values]
    watts = imported(tmp_path_factory.mktemp("h"), cells, thousands=mark, decimal=decimal)
    np.testing.assert_array_equal(
        watts, np.array([float(f"{value:.{places}f}") for value in values], "f4")
    )


@settings(max_examples=25)
@given(
    values=st.lists(st.floats(0, 9000), min_size=20, max_size=60),
    marks=st.sampled_from([(",", "."), (".", ","), (" ", ","), (" ", "."), ("'", ".")]),
    places=st.sampled_from([0, 1, 2, 3]),
    parted=st.booleans(),
)
def test_what_is_proposed_is_right_or_refused(tmp_path_factory, values, marks, places, parted):
    """Whatever is logged, with or without marks: nothing is read wrongly without a remark."""
    thousands, decimal = marks
    cells = [
        written(value, thousands if parted else "", decimal, places=places) for value in values
    ]
    folder = tmp_path_factory.mktemp("d")
    try:
        found, path = described(folder, cells)
        new_house(folder / "house", logs=path, timezone="Etc/UTC")
        import_logs(folder / "house")
    except HouseError as error:
        assert "means" in str(error) or "no column holds numbers" in str(error)  # noqa: PT017
        return
    scale = 1000.0 if found.layout.columns["oven"].unit == "kW" else 1.0
    if found.layout.columns["oven"].quantity == "power":
        watts = open_house(folder / "house").trace("oven").watts / scale
        right = np.allclose(watts, rounded(values, places), rtol=1e-6)
        assert right or any("three digits after" in remark for remark in found.remarks)


@pytest.mark.parametrize(
    ("cell", "marks"),
    [
        ("1,234.5", (",", ".")),
        ("1.234,5", (".", ",")),
        ("1,234,567", (",", ".")),
        ("1.234.567", (".", ",")),
        ("1 234", (" ", ".")),
        ("1\u202f234,5", (" ", ",")),
        ("1'234.5", ("'", ".")),
        ("-1\u2019234", ("'", ".")),
    ],
)
def test_one_sure_cell_among_small_ones_is_enough(tmp_path, cell, marks):
    found, path = described(tmp_path, [cell if row == 30 else row % 9 for row in range(60)])
    assert (found.layout.thousands, found.layout.decimal) == marks
    assert any("between their thousands" in remark for remark in found.remarks)
    new_house(tmp_path / "house", logs=path, timezone="Etc/UTC")
    import_logs(tmp_path / "house")
    watts = open_house(tmp_path / "house").trace("oven").watts
    digits = "".join(c for c in cell if c.isdigit() or c == marks[1] or c == "-")
    assert watts[30] == np.float32(digits.replace(",", "."))
    assert watts[29] == 29 % 9


@pytest.mark.parametrize("delimiter", [";", ","])
def test_a_comma_beside_whole_numbers_may_mean_either_and_is_refused(tmp_path, delimiter):
    cells = ['"1,234"' if row % 7 == 0 else row for row in range(60)]
    with pytest.raises(HouseError, match=r"'1,234' means 1234 or 1\.234(.|\n)*thousands = \",\""):
        described(tmp_path, cells, delimiter=delimiter)


def test_a_point_beside_whole_numbers_may_mean_either_and_is_refused(tmp_path):
    with pytest.raises(HouseError, match=r"'1\.234' means 1234 or 1\.234"):
        described(tmp_path, ["1.234" if row % 7 == 0 else row for row in range(60)])


@pytest.mark.parametrize(
    ("others", "decimal"),
    [
        (["12,5"], ","),  # no group of three
        (["0,512"], ","),  # begins with 0
        (["4321"], ","),  # a thousand without a mark
    ],
)
def test_one_cell_that_can_only_be_decimal_settles_it(tmp_path, others, decimal):
    found, _ = described(tmp_path, ["1,234", "7", *others] * 20)
    assert (found.layout.thousands, found.layout.decimal) == ("", decimal)


def test_three_digits_after_every_mark_are_decimals_with_a_remark(tmp_path):
    found, _ = described(tmp_path, [f"{row + 2},5{row:02d}" for row in range(60)])
    assert (found.layout.thousands, found.layout.decimal) == ("", ",")
    assert any('write thousands = ","' in remark for remark in found.remarks)


def test_a_decimal_point_elsewhere_makes_a_comma_one_of_thousands(tmp_path):
    found, _ = described(tmp_path, ['"1,234"', "950", "12.5"] * 20, delimiter=",")
    assert (found.layout.thousands, found.layout.decimal) == (",", ".")


def test_a_mark_in_another_file_counts(tmp_path):
    paths = []
    for name, cells in {"a": ["7", "9"] * 20, "b": ["7", "1.234,5"] * 20}.items():
        paths.append(tmp_path / f"{name}.csv")
        paths[-1].write_text(csv_of(cells))
    found = describe(paths)
    assert (found.layout.thousands, found.layout.decimal) == (".", ",")


@pytest.mark.parametrize(
    ("cells", "match"),
    [
        (["1,234.5", "1.234,5"], r"',' stands between thousands, and before decimals|separated by"),
        (["1,234.5", "1'234.5"], r"separated by"),
        (["1 234,5", "12.5"], r"decimal comma and with a decimal point"),
    ],
)
def test_marks_that_contradict_each_other_are_refused(tmp_path, cells, match):
    with pytest.raises(HouseError, match=match):
        described(tmp_path, cells * 20)


@pytest.mark.parametrize(
    "cell",
    [
        "12,34",
        "0,512",
        "1234,567",
        "1,2345",
        ",123",
        "1,,234",
        "1,234,56",
        "1.234,5",
        "1_234",
        "1 234",
    ],
)
def test_marks_that_do_not_part_in_threes_are_never_taken_out(tmp_path, cell):
    with pytest.raises(HouseError, match=r"line 4, column 'oven'.* is not a number"):
        imported(tmp_path, ["1,234.5", "1,000", cell], thousands=",", decimal=".")


def test_missing_values_are_rows_that_are_not_there(tmp_path):
    cells = ["1,234", "", "NaN", " 2,000.5 ", "-", "1e3", ".5", "12345"]
    watts = imported(tmp_path, cells, thousands=",", decimal=".")
    np.testing.assert_array_equal(
        watts, np.array([1234, 1234, 1234, 2000.5, 2000.5, 1000, 0.5, 12345], dtype="f4")
    )


@pytest.mark.parametrize(
    ("keys", "match"),
    [
        ('thousands = "."', r"thousands.* is '\.', which is the decimal mark(.|\n)*1\.234,5"),
        ('thousands = ","\ndecimal = ","', r"which is the decimal mark(.|\n)*1,234\.5"),
        ('thousands = "_"', r"thousands"),
        ('format = "parquet"\nthousands = ","', r"thousands.* belongs to a log with `format"),
    ],
)
def test_a_mark_that_cannot_be_is_refused(tmp_path, keys, match):
    make_house(tmp_path, {}, log=WIDE.replace("[log.c", f"{keys}\n[log.c"))
    with pytest.raises(HouseError, match=match):
        read_schedule(tmp_path)
