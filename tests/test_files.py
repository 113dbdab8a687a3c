"""Writing a person's own files: whole or not at all, and by one program at a time."""

import errno
import os
import subprocess
import sys
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pandas as pd
import pytest

from homeenergy import files
from homeenergy.cli.frame import give
from homeenergy.cycles.decisions import Decision, add_decisions, read_decisions
from homeenergy.errors import HouseError
from homeenergy.files import alone, replacing, write_text
from homeenergy.house.toml_file import read_schedule

ROOT = Path(__file__).parents[1]


def test_a_file_is_replaced_with_its_mode_and_its_link(tmp_path):
    path, link = tmp_path / "a.csv", tmp_path / "link.csv"
    path.write_text("old")
    path.chmod(0o640)
    link.symlink_to(path)
    write_text(link, "new\r\nü")
    assert path.read_bytes() == "new\r\nü".encode()
    assert path.stat().st_mode & 0o777 == 0o640
    assert link.is_symlink()
    assert sorted(os.listdir(tmp_path)) == ["a.csv", "link.csv"]


def test_a_name_as_long_as_a_name_may_be(tmp_path):
    write_text(tmp_path / ("a" * 255), "x")
    assert os.listdir(tmp_path) == ["a" * 255]


@pytest.mark.skipif(not Path("/dev/null").exists(), reason="no such device here")
def test_a_device_is_written_to_and_stays_one(tmp_path):
    link = tmp_path / "null"
    link.symlink_to("/dev/null")
    write_text(link, "x")
    assert not Path("/dev/null").is_file()


@pytest.mark.parametrize("step", ["write", "fsync", "replace"])
def test_a_full_disk_leaves_the_old_file_and_names_it(tmp_path, monkeypatch, step):
    path = tmp_path / "report.pdf"
    path.write_bytes(b"old" * 1000)

    def full(*_):
        raise OSError(errno.ENOSPC, "No space left on device")

    if step != "write":
        monkeypatch.setattr(files.os, step, full)

    def write_half():
        with replacing(path) as temporary:
            temporary.write_bytes(b"half")
            if step == "write":
                full()

    with pytest.raises(OSError, match=r"No space left on device: .*report.pdf"):
        write_half()
    assert path.read_bytes() == b"old" * 1000
    assert os.listdir(tmp_path) == ["report.pdf"]


def test_a_read_only_file_system_is_said_of_the_file_itself(tmp_path, monkeypatch):
    def refuse(path, *_, **__):
        raise OSError(errno.EROFS, "Read-only file system", str(path))

    monkeypatch.setattr(Path, "open", refuse)
    monkeypatch.setattr(Path, "unlink", refuse)
    with pytest.raises(OSError, match="Read-only") as refused:
        write_text(tmp_path / "a.json", "{}")
    assert refused.value.filename == str(tmp_path / "a.json")


def test_an_export_on_a_full_disk_leaves_the_old_one(tmp_path, monkeypatch):
    path = tmp_path / "table.csv"
    path.write_text("old\n")
    monkeypatch.setattr(files.os, "fsync", lambda _: (_ for _ in ()).throw(OSError(28, "full")))
    with pytest.raises(OSError, match="No space left"):
        give("new", str(path))
    assert path.read_text() == "old\n"


def test_what_is_written_is_on_the_disk_before_it_takes_its_place(tmp_path, monkeypatch):
    done = []
    fsync, replace = os.fsync, os.replace
    monkeypatch.setattr(files.os, "fsync", lambda fd: (done.append("fsync"), fsync(fd)))
    monkeypatch.setattr(files.os, "replace", lambda *ab: (done.append("replace"), replace(*ab)))
    write_text(tmp_path / "a", "x")
    assert done == ["fsync", "replace", "fsync"]


def test_a_lock_is_waited_for_by_threads_and_refused_within_one(tmp_path):
    lock, order = tmp_path / ".lock", []

    def take(seconds=5.0):
        return alone(lock, longest_wait_s=seconds, busy="somebody is at it")

    def other():
        with take():
            order.append("other")

    with take():
        thread = threading.Thread(target=other)
        thread.start()
        with pytest.raises(HouseError, match="somebody is at it"), take():
            pass
        thread.join(0.2)
        order.append("first")
    thread.join()
    assert order == ["first", "other"]


DECIDE = """
import sys
from pathlib import Path
from tests.test_files import decide_forty
print("ready", flush=True)
sys.stdin.readline()
decide_forty(Path(sys.argv[1]), int(sys.argv[2]))
"""


def starts_decided(folder):
    return [one.start for one in read_decisions(read_schedule(folder))]


def decide_forty(folder, writer):
    for n in range(40):
        at = pd.Timestamp("2026-01-01", tz="UTC") + pd.Timedelta(40 * writer + n, "h")
        one = Decision(circuit="oven", decision="split", start=at)
        add_decisions(read_schedule(folder), [one])


def test_three_writers_that_decide_at_once_lose_nothing(tmp_path):
    (tmp_path / "house.toml").write_text('timezone = "UTC"\n[[circuit]]\nname = "oven"\n')
    with ThreadPoolExecutor(3) as threads:
        list(threads.map(decide_forty, [tmp_path] * 3, range(3)))
    found = starts_decided(tmp_path)
    assert len(set(found)) == len(found) == 120


@pytest.mark.study  # a lock holds between threads, above, as between processes
def test_three_programs_that_decide_at_once_lose_nothing(tmp_path):
    (tmp_path / "house.toml").write_text('timezone = "UTC"\n[[circuit]]\nname = "oven"\n')
    programs = [
        subprocess.Popen(
            [sys.executable, "-c", DECIDE, str(tmp_path), str(n)],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        for n in range(3)
    ]
    for program in programs:
        assert program.stdout.readline() == "ready\n"
    for program in programs:
        program.stdin.write("\n")
        program.stdin.close()
    for program in programs:
        assert program.wait() == 0
        program.stdout.close()
    found = starts_decided(tmp_path)
    assert len(set(found)) == len(found) == 120
