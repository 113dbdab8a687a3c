"""Damage to the store is noticed, and mended from the logs."""

import random
import shutil
import warnings
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pyarrow.parquet as pq
import pytest

from homeenergy.errors import HouseError, HouseWarning
from homeenergy.readings import import_logs, open_house

from .folders import CIRCUITS, frame, iso_csv, make_house, store_bytes


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    """A house of two circuits over two months, imported, with the files of its overview."""
    folder = tmp_path_factory.mktemp("sound")
    whole = frame("2026-01-25", 14 * 1440, period_s=60)
    import_logs(make_house(folder, {"a.csv": iso_csv(whole)}))
    overview(folder)
    return folder


def overview(folder):
    return [open_house(folder).envelope(name, points=50).mean_w for name in CIRCUITS]


def energies(folder):
    house = open_house(folder)
    return [house.trace(name).energy_wh for name in CIRCUITS]


def flip(path, rng):
    content = bytearray(path.read_bytes())
    at = rng.randrange(len(content) * 8)
    content[at // 8] ^= 1 << at % 8
    path.write_bytes(content)


AS_LEFT = "as_left.json"


def flips_are_mended(sound, folder, *, number, seed):
    """Flip a bit of a random file of the store, read the house, verify it, and begin again."""
    shutil.copytree(sound, folder)
    rng = random.Random(seed)
    right, seen, store = energies(sound), overview(sound), store_bytes(sound)
    noticed = 0
    for _ in range(number):
        files = sorted(
            p
            for p in (folder / "store").rglob("*")
            if p.is_file() and p.stat().st_size and p.name != AS_LEFT
        )
        flip(rng.choice(files), rng)
        with warnings.catch_warnings(record=True) as met:
            warnings.simplefilter("always")
            assert energies(folder) == right
            for now, before in zip(overview(folder), seen, strict=True):
                np.testing.assert_array_equal(now, before)
            noticed += bool(met) or bool(import_logs(folder, verify=True).mended)
        for name, content in store.items():
            path = folder / "store" / name
            if path.read_bytes() != content:  # a bit that says nothing of the readings
                path.write_bytes(content)
    return noticed


def test_flipped_bits_never_give_another_number(sound, tmp_path):
    assert flips_are_mended(sound, tmp_path / "house", number=12, seed=1) >= 3


@pytest.mark.study
def test_many_flipped_bits_never_give_another_number(sound, tmp_path):
    assert flips_are_mended(sound, tmp_path / "house", number=150, seed=2) >= 50


def test_a_damaged_note_of_the_last_import_says_nothing(sound, tmp_path):
    """It holds no readings; where it cannot be true, an import looks at the logs themselves."""
    folder = tmp_path / "house"
    shutil.copytree(sound, folder)
    import_logs(folder)  # which leaves the note for this folder
    note, rng = folder / "store" / AS_LEFT, random.Random(5)
    content, right = note.read_bytes(), energies(sound)
    for _ in range(12):
        flip(note, rng)
        report = import_logs(folder)
        assert (report.files_read, report.written) == (0, ())
        assert energies(folder) == right
        note.write_bytes(content)


@pytest.mark.parametrize("where", [0.3, 0.6])
def test_a_damaged_month_is_mended_when_it_is_read_and_said(sound, tmp_path, where):
    folder = tmp_path / "house"
    shutil.copytree(sound, folder)
    path = folder / "store" / "oven" / "2026-01.parquet"
    content = bytearray(path.read_bytes())
    content[int(where * len(content))] ^= 16
    path.write_bytes(content)
    with pytest.warns(HouseWarning, match=r"2026-01.parquet was damaged; it was made again"):
        assert energies(folder) == energies(sound)
    assert store_bytes(folder) == store_bytes(sound)


def test_verify_says_what_it_mended_and_what_cannot_be(sound, tmp_path):
    folder = tmp_path / "house"
    shutil.copytree(sound, folder)
    path = folder / "store" / "oven" / "2026-01.parquet"
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(content)
    assert import_logs(folder).mended == ()  # it does not read all that is stored
    report = import_logs(folder, verify=True)
    assert report.mended == (("oven", "2026-01"),)
    assert "Damaged, and made again: oven 2026-01." in str(report)
    assert import_logs(folder, verify=True).mended == ()
    path.write_bytes(content)
    (folder / "logs" / "a.csv").unlink()
    report = import_logs(folder, verify=True)
    assert report.lost == (("oven", "2026-01"),)
    with pytest.raises(HouseError, match="is damaged"):
        energies(folder)


@pytest.mark.parametrize("content", [b"", b"\xff\xfe", b"{", b"[]", b"null", b"\0" * 50])
def test_a_damaged_list_of_imported_logs_is_made_again(sound, tmp_path, content):
    folder = tmp_path / "house"
    shutil.copytree(sound, folder)
    (folder / "store" / "imported.json").write_bytes(content)
    report = import_logs(folder)
    assert (report.files_read, report.months_written) == (1, 0)
    assert import_logs(folder).files_read == 0


@pytest.mark.parametrize("after", [0, 1, 3])
def test_a_disk_that_is_full_leaves_whole_months_and_is_named(tmp_path, sound, monkeypatch, after):
    folder = tmp_path / "house"
    make_house(folder, {"a.csv": (sound / "logs" / "a.csv").read_text()})
    written = []

    def write_table(table, path, **options):
        if len(written) == after:
            Path(path).write_bytes(b"PAR1, cut")
            raise OSError(28, "Error writing bytes to file")
        written.append(path)
        pq.write_table(table, path, **options)

    parquet = SimpleNamespace(**vars(pq))
    parquet.write_table = write_table
    monkeypatch.setattr("homeenergy.readings.store.store.pq", parquet)
    with pytest.raises(OSError, match=r"No space left on device: '.*20\d\d-\d\d.parquet'"):
        import_logs(folder)
    monkeypatch.undo()
    assert not list((folder / "store").rglob("*.tmp"))
    there = store_bytes(folder)
    assert there.items() <= store_bytes(sound).items()
    assert import_logs(folder).months_written == 4 - len(there)
    assert store_bytes(folder) == store_bytes(sound)
