"""A head line that comes again in a log, where its logger began anew."""

import gzip

import numpy as np
import pytest

from homeenergy.errors import HouseError
from homeenergy.readings import describe, import_logs, new_house, open_house
from homeenergy.readings.logs import tables

from .folders import frame, make_house

HEAD = "time,fridge,oven\n"


def pieces(form="iso"):
    """Texts of two spans of one log, with the head on each, and all watts."""
    whole = frame("2026-03-01", 900)
    whole.index = whole.index.strftime(
        "%Y-%m-%dT%H:%M:%SZ" if form == "iso" else "%d.%m.%Y %H:%M:%S"
    )
    texts = [part.to_csv(index_label="time") for part in (whole[:400], whole[400:401], whole[401:])]
    return texts, whole


@pytest.mark.parametrize("packed", [False, True])
@pytest.mark.parametrize("form", ["iso", "%d.%m.%Y %H:%M:%S"])
@pytest.mark.parametrize("units", ["", ",W,W\n"])
def test_a_head_line_that_comes_again_is_read_past_and_named(tmp_path, form, units, packed):
    texts, whole = pieces(form)
    text = "".join(text.replace(HEAD, HEAD + units) for text in texts)
    content = gzip.compress(text.encode()) if packed else text
    log = '[[log]]\nfiles = "logs/*"\n[log.columns]\nfridge = "fridge"\noven = "oven"\n'
    keys = 'time_zone = "UTC"\n' + (f'time_format = "{form}"\n' if form != "iso" else "")
    keys += "lines_below_header = 1\n" if units else ""
    log = log.replace("[log.c", keys + "[log.c")
    house = make_house(tmp_path, {"a.csv.gz" if packed else "a.csv": content}, log=log)
    report = str(import_logs(house))
    assert "or the head again, passed over" in report
    assert "(2, such as 'time,fridge,oven')" in report
    for name in ("fridge", "oven"):
        watts = open_house(house).trace(name).watts
        np.testing.assert_array_equal(watts, whole[name].to_numpy("f4"))


def test_in_a_large_file(tmp_path, monkeypatch):
    monkeypatch.setattr(tables, "WHOLE_FILE_BYTES", 1000)
    monkeypatch.setattr(tables, "PIECE_BYTES", 4000)
    texts, whole = pieces()
    house = make_house(tmp_path, {"a.csv": "".join(texts)})
    assert "or the head again" in str(import_logs(house))
    watts = open_house(house).trace("oven").watts
    np.testing.assert_array_equal(watts, whole["oven"].to_numpy("f4"))


def test_a_house_is_begun_from_it(tmp_path):
    texts, whole = pieces()
    path = tmp_path / "a.csv"
    path.write_text("".join(texts))
    assert "heads that come again" in " ".join(describe(path).remarks)
    new_house(tmp_path / "house", logs=path, timezone="Etc/UTC")
    import_logs(tmp_path / "house")
    watts = open_house(tmp_path / "house").trace("oven").watts
    np.testing.assert_array_equal(watts, whole["oven"].to_numpy("f4"))


@pytest.mark.parametrize(
    ("other", "match"),
    [
        ("time,oven,fridge\n", r"line 402(.|\n)*another order: time, oven, fridge"),
        ("time,fridge,stove\n", r"line 402(.|\n)*'stove' are new"),
    ],
)
def test_another_head_line_is_refused_with_its_line(tmp_path, other, match):
    texts, _ = pieces()
    house = make_house(tmp_path, {"a.csv": texts[0] + "".join(texts[1:]).replace(HEAD, other)})
    with pytest.raises(HouseError, match=match):
        import_logs(house)


def test_a_bad_cell_after_it_is_named_with_its_line(tmp_path):
    texts, _ = pieces()
    bad = texts[2].replace("\n", "\n2026-03-01T09:00:00Z,1x,2\n", 1)
    house = make_house(tmp_path, {"a.csv": texts[0] + texts[1] + bad})
    with pytest.raises(HouseError, match=r"line 405(.|\n)*'1x' is not a number"):
        import_logs(house)
