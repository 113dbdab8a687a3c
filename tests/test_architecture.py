"""What holds for the whole project: rooms, sizes, names, notebooks."""

import ast
import graphlib
import importlib
import inspect
import json
import pkgutil
import re
import statistics
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

import homeenergy

from .__main__ import GUARDING, PARTS, main
from .browser import found_browser
from .browser.test_notebooks_in_jupyterlab import NAMES as IN_BROWSER

ROOT = Path(__file__).parents[1]
SOURCES = sorted((ROOT / "homeenergy").rglob("*.py"))
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))
MOST_LINES = 600
FEWEST_LINES = 150
# Modules that import something for annotations alone, and why.
FOR_TYPES_ALONE = {
    "homeenergy": "its names are imported when they are first used",
    "homeenergy.cli.answers": "a command begins without pandas and matplotlib",
    "homeenergy.cli.documents": "a command begins without pandas and matplotlib",
    "homeenergy.cli.record": "a command begins without the recorder",
    "homeenergy.cli.frame": "a command begins without pandas and matplotlib",
    "homeenergy.words": "a command begins without pandas",
    "homeenergy.show.viewer.trace_viewer": "a widget's code is read when one is shown",
}
# Files of fewer lines that one other file imports, and the idea of each.
OWN_IDEAS = {
    "homeenergy.trust.panel.judge": "one circuit, judged by the mains as they would be",
    "homeenergy.trust.panel.told_over_time": "what is said of clocks, and of clamps that changed",
    "homeenergy.trust.panel.exchanged": "two circuits of which each shows what the other did",
    "homeenergy.trust.panel.below_zero": "circuits that read more than the mains",
    "homeenergy.cycles.shared.hints": "what a person says of the loads of a circuit",
    "homeenergy.cycles.shared.question": "whether a circuit looks like several loads",
    "homeenergy.findings.worth": "what the bill falls by without a load",
    "homeenergy.findings.saving.one_degree": "what a degree less heating or cooling saves",
    "homeenergy.findings.saving.renewing": "cold stores that take more than new ones may",
    "homeenergy.findings.saving.set_to_run": "loads that run because they are set to",
    "homeenergy.readings.store.as_left": "whether anything has changed since the last import",
    "homeenergy.readings.logs.dialogue": "what a person is asked about a new house",
    "homeenergy.readings.logs.legend": "a list of what channels feed",
    "homeenergy.readings.logs.families": "files that belong together by their names and heads",
    "homeenergy.readings.logs.repeats": "whether an export is another once more",
    "homeenergy.readings.logs.dated": "files whose names alone say the day",
    "homeenergy.record.modbus": "a protocol",
    "homeenergy.trust.all_at_nothing": "what it means that every circuit reads 0",
    "homeenergy.trust.counted_twice": "loads that hold other loads",
    "homeenergy.trust.stuck_readings": "hours at one reading, of one circuit or of several",
    "homeenergy.trust.coarse_logs": "the step of readings, told from all circuits of a log",
    "homeenergy.trust.clamps.highest_loads": "loads at the end of a clamp's range, or of a breaker",
    "homeenergy.simulate.appliances.compressors": "one sort of appliance",
    "homeenergy.show.writeup.nothing_left": "the document of a log that cannot be believed",
    "homeenergy.show.lesson.notebook": "texts of a lesson as cells of a notebook",
    "homeenergy.simulate.logger": "what a logger makes of power: rows, gaps, faults",
    "homeenergy.readings.logs.clock_days": "which files of a log hold a change of the clock",
}
MOST_POSITIONAL = 2
MOST_PUBLIC = 22
# 130, `record` of the room that writes logs, and the three names for loads that share a clamp
MOST_PUBLIC_OF_ROOMS = 134
# A quantity carries its unit: power_w, energy_kwh, duration_s, volts_v.
BARE = {
    "power",
    "energy",
    "duration",
    "period",
    "watts",
    "volts",
    "amps",
    "voltage",
    "current",
    "interval",
    "threshold",
    "standby",
}
# `standby` of plot_runs says whether to draw it; it holds no quantity.
NO_QUANTITY = {("plot_runs", "standby")}
MAGIC = re.compile(r"^\s*[%!]")
BACKEND = "%matplotlib inline"
MOST_CELL_LINES, MOST_CELLS, MEDIAN_LINES = 15, 40, 6
IMPORTED_AS = {
    "IPython": "ipython",
    "PIL": "pillow",
    "paho": "paho-mqtt",
    "python_calamine": "python-calamine",
    "serial": "pyserial",
}
MOST_NOTEBOOK_BYTES = 1_050_000


def run_python(code: str) -> str:
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    )
    return done.stdout


def test_rooms_import_only_from_rooms_before_them():
    command = Path(sys.executable).with_name("lint-imports")
    done = subprocess.run([command], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr


def test_importing_the_package_loads_nothing_heavy():
    heavy = ["matplotlib", "numba", "ipywidgets", "ruptures", "pandas", "scipy", "pyarrow", "typer"]
    code = f"import homeenergy, sys; print([m for m in {heavy} if m in sys.modules])"
    assert run_python(code).strip() == "[]"


def test_the_command_line_loads_no_figures_before_it_needs_them():
    code = (
        "import homeenergy.cli, sys; "
        "print([m for m in ('matplotlib', 'numba', 'pandas') if m in sys.modules])"
    )
    assert run_python(code).strip() == "[]"


def test_a_table_on_a_terminal_loads_no_drawing_and_no_widgets():
    code = (
        "import homeenergy.findings, homeenergy.show.terminal, sys; "
        "print([m for m in ('matplotlib', 'ipywidgets', 'IPython', 'scipy.stats') "
        "if m in sys.modules])"
    )
    assert run_python(code).strip() == "[]"


def test_public_names_are_few_and_all_there():
    assert len(homeenergy.__all__) <= MOST_PUBLIC
    assert list(homeenergy.__all__) == sorted(homeenergy.__all__)
    for name in homeenergy.__all__:
        assert getattr(homeenergy, name) is not None
    with pytest.raises(AttributeError, match="no attribute 'kettle'"):
        _ = homeenergy.kettle


def test_public_names_of_rooms_are_few():
    rooms = [p.parent.name for p in (ROOT / "homeenergy").glob("*/__init__.py")]
    named = [getattr(importlib.import_module(f"homeenergy.{r}"), "__all__", ()) for r in rooms]
    assert 100 < sum(map(len, named)) <= MOST_PUBLIC_OF_ROOMS


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_a_file_holds_one_idea(path):
    assert len(path.read_text(encoding="utf-8").splitlines()) <= MOST_LINES


def module_name(path):
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


FILES = {module_name(path): path for path in SOURCES}
MODULES = {name: ast.parse(path.read_text(encoding="utf-8")) for name, path in FILES.items()}


def imports_of(tree):
    """Modules of the package that one imports, wherever in it and for whatever purpose."""
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module:
            for alias in node.names:
                whole = f"{node.module}.{alias.name}"
                yield whole if whole in MODULES else node.module
        elif isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)


IMPORTS = {name: {m for m in imports_of(tree) if m in MODULES} for name, tree in MODULES.items()}


def test_no_module_imports_itself_through_others():
    graphlib.TopologicalSorter(IMPORTS).prepare()  # raises CycleError, which names the circle


def test_types_alone_are_imported_only_where_more_would_be_slow():
    found = {
        name
        for name, tree in MODULES.items()
        if any(isinstance(node, ast.Name) and node.id == "TYPE_CHECKING" for node in ast.walk(tree))
    }
    assert found == set(FOR_TYPES_ALONE)


def test_a_small_file_serves_more_than_one_other_or_is_an_idea_of_its_own():
    users = {name: {other for other, used in IMPORTS.items() if name in used} for name in MODULES}
    rooms = {name for name, path in FILES.items() if path.name == "__init__.py"}
    splinters = {
        name
        for name, path in FILES.items()
        if not path.name.startswith("__")
        and len(users[name]) < 2
        and not users[name] & rooms  # what a room hands out has its users elsewhere
        and len(path.read_text(encoding="utf-8").splitlines()) < FEWEST_LINES
    }
    assert splinters == set(OWN_IDEAS)


def public_functions():
    """Every public function that a room hands out, with its name."""
    found = {}
    for info in pkgutil.walk_packages(homeenergy.__path__, "homeenergy."):
        if not info.ispkg:
            continue
        room = importlib.import_module(info.name)
        for name in getattr(room, "__all__", ()):
            thing = getattr(room, name)
            if inspect.isfunction(thing):
                found[f"{info.name}.{name}"] = thing
    return found


FUNCTIONS = public_functions()


def test_there_are_public_functions_to_check():
    assert len(FUNCTIONS) >= 10


@pytest.mark.parametrize("name", sorted(FUNCTIONS))
def test_dimensional_parameters_carry_their_unit(name):
    short = name.rsplit(".", 1)[1]
    for parameter in inspect.signature(FUNCTIONS[name]).parameters:
        assert parameter not in BARE or (short, parameter) in NO_QUANTITY, (
            f"{name}({parameter}): add the unit, as in {parameter}_w or {parameter}_s"
        )


@pytest.mark.parametrize("name", sorted(FUNCTIONS))
def test_few_positional_parameters(name):
    kinds = (inspect.Parameter.POSITIONAL_ONLY, inspect.Parameter.POSITIONAL_OR_KEYWORD)
    parameters = inspect.signature(FUNCTIONS[name]).parameters.values()
    assert sum(parameter.kind in kinds for parameter in parameters) <= MOST_POSITIONAL


@pytest.mark.parametrize("name", sorted(FUNCTIONS))
def test_public_functions_are_documented(name):
    text = inspect.getdoc(FUNCTIONS[name])
    assert text
    assert len(text.splitlines()[0]) <= 100


def code_cells(path):
    cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
    return [("".join(cell["source"]), cell) for cell in cells if cell["cell_type"] == "code"]


def test_there_is_a_notebook_to_check():
    assert NOTEBOOKS


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.name)
def test_notebook_is_plain_short_and_executed(path):
    cells = code_cells(path)
    lengths = [len(source.splitlines()) for source, _ in cells]
    assert len(json.loads(path.read_text(encoding="utf-8"))["cells"]) <= MOST_CELLS
    assert max(lengths) <= MOST_CELL_LINES
    assert statistics.median(lengths) <= MEDIAN_LINES
    assert path.stat().st_size <= MOST_NOTEBOOK_BYTES
    for source, cell in cells:
        assert cell["execution_count"] is not None, f"not executed: {source}"
        assert not any(output["output_type"] == "error" for output in cell["outputs"])


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.name)
def test_notebook_parses_and_has_no_magic_but_the_backend(path):
    for source, _ in code_cells(path):
        lines = source.splitlines()
        magics = [line for line in lines if MAGIC.match(line)]
        assert set(magics) <= {BACKEND}
        tree = ast.parse("\n".join(line for line in lines if line not in magics))
        for node in ast.walk(tree):
            if isinstance(node, ast.FunctionDef):
                assert node.end_lineno - node.lineno < 5


@pytest.mark.parametrize(
    "path",
    [*NOTEBOOKS, *SOURCES, ROOT / "README.md", ROOT / "DEVELOPERS.md"],
    ids=lambda path: path.relative_to(ROOT).as_posix(),
)
def test_no_path_of_one_machine_is_left_behind(path):
    text = path.read_text(encoding="utf-8")
    # Split, so that this file does not hold what it looks for.
    for trace in ("/ho" + "me/", "/Us" + "ers/", "/wo" + "rk/", "/tm" + "p/", "C:" + "\\Users"):
        assert trace not in text


# What statisticians, electricians and programmers call otherwise.
NEVER_RIGHT = (
    "lets go of the interpreter",
    "even error",
    "always on",
    "always_on",
    "no mean is there",
    "stands in house.toml",
    "days being alike",
    "told apart",
    "kept apart",
    "told from nothing",
    "turned round",
    "waits more than",
    "data can show",
)


@pytest.mark.parametrize(
    "path",
    [*NOTEBOOKS, *SOURCES, ROOT / "README.md", ROOT / "notebooks" / "README.md"],
    ids=lambda path: path.relative_to(ROOT).as_posix(),
)
def test_words_are_those_of_the_trade(path):
    text = path.read_text(encoding="utf-8")
    if path.suffix == ".ipynb":  # what its code prints is in the package's own texts
        text = "\n".join("".join(cell["source"]) for cell in json.loads(text)["cells"])
    # A phrase may run over the end of a line: of prose, of a comment, of a text in two pieces.
    words = re.sub(r"\s+", " ", re.sub(r"\s*\n\s*[#>]?\s*f?\"?", " ", text.replace('"\n', "\n")))
    assert [phrase for phrase in NEVER_RIGHT if phrase in words.lower()] == []


def test_ci_runs_the_command_of_the_readme_and_the_studies():
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    (command,) = [line for line in readme.splitlines() if "pip install -e '.[dev]'" in line]
    assert command.endswith(" && python -m tests")
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    (studies,) = re.findall(r"^studies='(.+)'$", script, re.MULTILINE)
    assert studies == "python -m tests studies"
    assert studies in (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    pattern = re.search(r"grep -m 1 '(.+)' README.md", script)
    assert pattern
    found = subprocess.run(
        ["grep", "-m", "1", pattern[1], "README.md"], cwd=ROOT, capture_output=True, text=True
    )
    assert found.stdout.rstrip("\n") == command


def test_the_test_command_leaves_nothing_out():
    """Its parts select every test, and all that reads code; studies have a command of their own."""
    guarding = [command for part in GUARDING for command in PARTS[part]]
    programs = [command[:2] for command in guarding]
    for program in (("ruff", "check"), ("ruff", "format"), ("lint-imports",), ("mypy",)):
        assert program in programs
    chosen = {command[command.index("-m") + 1] for command in guarding if "pytest" in command}
    assert chosen == {"not alone and not study", "alone and not study"}
    in_nbval = any("--nbval-lax" in command and "notebooks" in command for command in guarding)
    assert in_nbval or (found_browser() and [path.stem for path in NOTEBOOKS] == IN_BROWSER)
    studies = {command[command.index("-m") + 1] for command in PARTS["studies"] if "-m" in command}
    assert studies == {"study and not alone", "study and alone"}
    assert any("--nbval-lax" in command for command in PARTS["studies"])


def test_what_runs_alone_is_a_benchmark():
    marked = [
        path.relative_to(ROOT / "tests").parts[0]
        for path in (ROOT / "tests").rglob("*.py")
        if "pytest.mark." + "alone" in path.read_text(encoding="utf-8")
    ]
    assert marked == ["benchmarks"]


def test_a_part_that_fails_makes_the_command_fail(monkeypatch, capsys):
    failing, passing = (sys.executable, "-c", "raise SystemExit(3)"), (sys.executable, "-c", "")
    monkeypatch.setitem(PARTS, "checks", (failing, passing))
    assert main(["checks"]) == 1
    assert re.findall(r"^(passed|FAILED \(3\)) ", capsys.readouterr().out, re.MULTILINE) == [
        "FAILED (3)",
        "passed",
    ]
    monkeypatch.setitem(PARTS, "checks", (passing,))
    assert main(["checks"]) == 0
    assert main(["check"]) == 2


def test_every_notebook_is_listed_in_order():
    text = (ROOT / "notebooks" / "README.md").read_text(encoding="utf-8")
    for path in NOTEBOOKS:
        assert f"({path.name})" in text


def test_version_is_the_same_everywhere():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert project["version"] == homeenergy.__version__


def imported_packages(folder):
    """Top-level names that the Python files of a folder import."""
    names = set()
    for path in folder.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                names |= {alias.name.split(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
                names.add(node.module.split(".")[0])
    return names


def test_dependencies_are_those_that_are_used():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    lines = project["dependencies"] + project["optional-dependencies"]["record"]
    declared = {re.split(r"[<>=]", line)[0] for line in lines}
    used = imported_packages(ROOT / "homeenergy") - set(sys.stdlib_module_names) - {"homeenergy"}
    used = {IMPORTED_AS.get(name, name) for name in used}
    # zoneinfo reads tzdata where the system has no zones.
    assert declared == used | {"tzdata"}
