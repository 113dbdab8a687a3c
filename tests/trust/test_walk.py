"""The walk that settles what cannot be told, and the table of legs."""

from dataclasses import replace

import numpy as np
import pytest
from typer.testing import CliRunner

from homeenergy import cli
from homeenergy.readings import open_house
from homeenergy.show.terminal import check_lines, walk_lines
from homeenergy.trust import check_house
from homeenergy.trust.panel.told import SWITCHED, TELLS_NO_MORE, TOO_SMALL, what_would_tell
from homeenergy.trust.panel.walk import plan_walk, save_walk

from .panels import BOTH, as_logged, make_panel, plain_panel, switched

N = 86_400


def quiet_panel(folder, *, uses):
    """Six circuits that are used often, a drill and a freezer that are switched on `uses` times."""
    true = {
        "kettle": (switched(1, on_w=1500), 0.0),
        "iron": (switched(2, on_w=1000), 0.0),
        "toaster": (0.0, switched(4, on_w=900)),
        "heater": (0.0, switched(5, on_w=700)),
        "drill": (0.0, switched(6, on_w=500, runs=uses, lasts=(200, 300))),
        "freezer": (switched(8, on_w=300, runs=uses, lasts=(300, 400)), 0.0),
    }
    legs_w = {
        leg: 80 + sum(np.broadcast_to(pair[i], N) for pair in true.values())
        for i, leg in enumerate(BOTH)
    }
    readings = {name: np.broadcast_to(a + b, N) for name, (a, b) in true.items()}
    stated = {
        name: {"legs": tuple(leg for leg, w in zip(BOTH, pair, strict=True) if np.any(w))}
        for name, pair in true.items()
    }
    stated["drill"] = {"legs": ("L2",)}
    stated["freezer"] = {"legs": ("L1",)}
    return make_panel(folder, readings=readings, legs_w=legs_w, stated=stated)


def test_the_legs_are_a_table_with_what_cannot_be_told(tmp_path):
    lines = check_lines(check_house(quiet_panel(tmp_path, uses=2)), width=120)
    (kettle,) = [line for line in lines if line.startswith("kettle ")]
    assert kettle.split()[:3] == ["kettle", "L1", "L1"]
    assert "1000 to 1 or more" in kettle
    (drill,) = [line for line in lines if line.startswith("drill ")]
    assert "cannot be told: it was switched on twice" in drill


def test_a_walk_asks_for_what_is_missing_and_says_what_it_settled(tmp_path):
    house = quiet_panel(tmp_path, uses=2)
    walk = plan_walk(house, check_house(house).balance)
    assert [step.circuit for step in walk.steps] == ["drill"]
    (drill,) = walk.steps
    assert 1 <= drill.times <= 5
    assert drill.hold_s == 30
    assert "food spoils" in walk.left_alone["freezer"]
    text = " ".join(" ".join(walk_lines(walk)).split())
    for caution in ("nothing inside it", "no breaker is a switch", "medical devices", "freezers"):
        assert caution in text
    save_walk(house, walk)
    asked = (tmp_path / "walk.csv").read_text()
    # The next day's log: it was switched as often as was asked.
    (tmp_path / "next").mkdir()
    after = quiet_panel(tmp_path / "next", uses=2 + drill.times)
    (tmp_path / "next" / "walk.csv").write_text(asked)
    then = plan_walk(after, check_house(after).balance)
    assert then.still_open == ()
    assert [line.split(":")[0] for line in then.settled] == ["drill"]
    assert "drill" not in [step.circuit for step in then.steps]


@pytest.mark.parametrize("uses", [40])
def test_the_command_says_that_nothing_is_open(tmp_path, uses):
    as_logged(quiet_panel(tmp_path, uses=uses))
    result = CliRunner().invoke(cli.app, ["check", str(tmp_path), "--walk"])
    assert result.exit_code == 0, result.output
    assert "no walk is needed" in result.output
    assert not (tmp_path / "walk.csv").exists()
    assert open_house(tmp_path).has_store


def test_check_asks_for_no_switching_that_the_walk_does_not_ask_for(tmp_path):
    house = plain_panel(tmp_path)
    seen = next(c for c in check_house(house).balance.circuits if c.circuit == "kettle")
    for low, high, says in (
        (0.97, 1.06, TELLS_NO_MORE),
        (0.94, 1.06, SWITCHED),
        (0.4, 1.6, TOO_SMALL),
    ):
        wide = replace(seen, steps=12, ratio=replace(seen.ratio, low=low, high=high))
        assert what_would_tell(house.circuit("kettle"), wide) == says
