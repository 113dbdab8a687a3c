"""What the viewer sends to the browser: one module of unaltered and of own code."""

import hashlib
import json
import re
import shutil
import subprocess
import tarfile
from base64 import b64encode
from pathlib import Path

import pytest

import homeenergy.show.viewer
from homeenergy.show.viewer.page import MODULES, module_text

WEB = Path(homeenergy.show.viewer.__file__).parent / "web"
LOCK = json.loads((WEB / "uplot" / "lock.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize("name", LOCK["files"])
def test_files_of_others_are_those_of_the_lock(name):
    data = (WEB / "uplot" / name).read_bytes()
    assert hashlib.sha256(data).hexdigest() == LOCK["files"][name]["sha256"]
    assert {path.name for path in (WEB / "uplot").iterdir()} == {"lock.json", *LOCK["files"]}


def test_joined_modules_share_one_scope_without_a_clash():
    text = module_text()
    assert not re.search(r"^(import|export)\b", text, re.MULTILINE)
    named = [
        name
        for path in WEB.glob("*.js")
        for name in re.findall(
            r"^(?:export )?(?:async )?(?:const|let|function|class) (\w+)",
            path.read_text(encoding="utf-8"),
            re.MULTILINE,
        )
    ]
    assert len(named) > 60
    assert {name for name in named if named.count(name) > 1} == set()
    assert {f"{name}.js" for name in MODULES} == {path.name for path in WEB.glob("*.js")}


@pytest.mark.slow
def test_files_of_others_are_unaltered(tmp_path):
    """Compare with the package that they are from, byte for byte, where it can be had."""
    npm = shutil.which("npm")
    if npm is None:
        pytest.skip("no npm on this machine")
    package = f"{LOCK['package']}@{LOCK['version']}"
    done = subprocess.run([npm, "pack", package], cwd=tmp_path, capture_output=True, text=True)
    if done.returncode:
        pytest.skip(f"the package cannot be had: {done.stderr[-200:]}")
    (packed,) = tmp_path.glob("*.tgz")
    digest = b64encode(hashlib.sha512(packed.read_bytes()).digest()).decode()
    assert f"sha512-{digest}" == LOCK["integrity"]
    with tarfile.open(packed) as archive:
        for name, entry in LOCK["files"].items():
            theirs = archive.extractfile(f"package/{entry['from']}").read()
            assert (WEB / "uplot" / name).read_bytes() == theirs


def test_colours_are_in_the_style_sheet_alone():
    for path in WEB.glob("*.js"):
        assert re.findall(r"#[0-9a-fA-F]{6}\b", path.read_text(encoding="utf-8")) == [], path.name
    text = (WEB / "view.css").read_text(encoding="utf-8")
    light, dark = re.findall(
        r"^\.he-viewer(?:\[data-theme=\"dark\"\])? \{(.*?)\}", text, re.S | re.M
    )[:2]
    names = [set(re.findall(r"--he-(\w+):", part)) for part in (light, dark)]
    assert names[0] == names[1] >= {"text", "faint", "grid", "paper", "run", "rest", "lines"}
    for part in (light, dark):
        assert len(re.search(r"--he-lines:([^;]+);", part)[1].split()) == 7


def test_no_two_style_sheets_of_one_page_style_the_same_class():
    """Panels and a viewer stand in one notebook."""
    sheets = [WEB / "view.css", WEB.parents[1] / "panels" / "web" / "marks.css"]
    styled = [set(re.findall(r"\.(he-[\w-]+)", path.read_text("utf-8"))) for path in sheets]
    assert all(styled)
    assert styled[0] & styled[1] == set()
