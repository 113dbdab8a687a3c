"""What the studies leave behind: a page and a table each, made by one command and linked."""

import re
from pathlib import Path

import pandas as pd
import pytest

from homeenergy.cycles.runs.find import OUTCOMES
from homeenergy.simulate.randomised.uses import STYLES

from . import alike_days, baseload, benches, randomised, real_days, shared_clamps
from .intervals import report as intervals_report
from .keep import RESULTS, keep
from .labelled import Tally
from .runs import in_rows
from .score import Score
from .shared_clamps import Score as Score_of_sum

PAGES = sorted(RESULTS.glob("*.md"))


def test_a_result_is_a_page_and_a_table(tmp_path):
    figures = pd.DataFrame({"days": [14, 60], "share_held": [0.95, 1 / 3]})
    page, table = keep("days", title="Days", text="A table.", figures=figures, folder=tmp_path)
    assert page.read_text(encoding="utf-8") == "# Days\n\nA table.\n"
    assert table.read_text(encoding="utf-8") == "days,share_held\n14,0.95\n60,0.333333\n"


@pytest.mark.parametrize("path", PAGES, ids=lambda path: path.name)
def test_a_page_names_the_command_that_made_it_and_is_linked(path):
    command = f"`python -m tests.accuracy.{path.stem}`"
    assert command in path.read_text(encoding="utf-8")
    assert (Path(__file__).parent / f"{path.stem}.py").exists()
    link = f"(results/{path.name})"
    assert link in (Path(__file__).parent / "README.md").read_text(encoding="utf-8")


def test_every_study_has_left_its_page():
    assert [path.stem for path in PAGES] == [
        "ablation",
        "alike_days",
        "baseload",
        "benches",
        "foreign_days",
        "intervals",
        "kinds",
        "panel_faults",
        "randomised",
        "real_days",
        "retrofits",
        "runs",
        "shared_clamps",
    ]


def rows_of(markdown):
    """Cells of the tables of a page."""
    lines = [line for line in markdown.splitlines() if re.match(r"\|(?!-)", line)]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]


def test_the_reports_write_pages_of_the_kept_form():
    cells = [("spread", days) for days in alike_days.LENGTHS]
    cells += [(where, days) for where in ("evening", "hidden") for days in (14, 60)]
    figures = pd.DataFrame(
        [(days, where, *part, 1, 0.5) for where, days in cells for part in alike_days.PARTS],
        columns=["days", "where", "own_sd", "correlation", "series", "share_held"],
    )
    kept = rows_of((RESULTS / "alike_days.md").read_text(encoding="utf-8"))
    made = rows_of(alike_days.report(figures))
    assert [row[:2] for row in made] == [row[:2] for row in kept]
    assert made[0] == kept[0]
    assert made[1][2:] == ["50.0"] * 9

    held = [
        {"loads_w": " ".join(map(str, loads)), "scatter": s}
        for loads in benches.LOADS_W
        for s in benches.SCATTERS
    ]
    figures = pd.DataFrame(held).assign(multiplier=1.0, **{f"at_{w}_w": 0.25 for w in benches.AT_W})
    kept = rows_of((RESULTS / "benches.md").read_text(encoding="utf-8"))
    made = rows_of(benches.report(figures))
    assert [row[:2] for row in made] == [row[:2] for row in kept]
    assert made[0] == kept[0]
    assert made[1][2:] == ["100.0", *["25.0"] * 4]


def test_the_report_of_the_baseload_has_the_form_of_its_page():
    cells = [(*case, clamps) for case in baseload.CASES for clamps in baseload.CLAMPS]
    figures = pd.DataFrame(cells, columns=["nights", "days", "noise_w", "clamps"])
    figures = figures.assign(houses=1, truth_w=60.0, mean_w=60.0, half_w=4.0, share_held=0.5)
    kept = rows_of((RESULTS / "baseload.md").read_text(encoding="utf-8"))
    made = rows_of(baseload.report(figures))
    assert [row[:3] for row in made] == [row[:3] for row in kept]
    assert made[0] == kept[0]
    assert made[1][3:] == ["60.0", *["50.0 (4.0)"] * 3]


def test_the_report_of_intervals_has_the_head_of_its_page():
    case = pd.DataFrame({"row": ["standby"], "holds": [True], "half": [0.1], "alike": [None]})
    made = rows_of(intervals_report(case, case, houses=1))
    kept = rows_of((RESULTS / "intervals.md").read_text(encoding="utf-8"))
    assert made[0] == kept[0]
    assert made[1][0] in [row[0] for row in kept]


def test_the_page_of_real_days_has_a_row_for_each_kind_of_thing():
    kept = rows_of((RESULTS / "real_days.md").read_text(encoding="utf-8"))
    day = {("kettle_1", "2012-02-05"): Tally(right=2, days=1, exact_days=1)}
    made = rows_of(real_days.report({"single days": day, "ten lines": day}, what="One."))
    assert made == [
        ["F1", "days", "runs", "single days", "ten lines"],
        ["kettle", "1", "2", "1.000", "1.000"],
        ["**mean**", "1", "2", "**1.000**", "**1.000**"],
        ["**exact days**", "1", "2", "**1.000**", "**1.000**"],
        ["sure", "runs", "mean of sure", "right"],
    ]
    assert made[0][0] == kept[0][0]
    assert "kettle" in [row[0] for row in kept]


def test_the_page_of_randomised_logs_has_a_row_for_each_style():
    kept = rows_of((RESULTS / "randomised.md").read_text(encoding="utf-8"))
    one = (Tally(right=1, missing=1, days=2, exact_days=1), Tally(right=2, days=2, exact_days=2))
    styles = {(style, 1, period_s): one for style in STYLES for period_s in (None, 10.0)}
    made = rows_of(randomised.report(randomised.rows_of(styles), seeds=(1, 1)))
    assert [row[0] for row in made] == [row[0] for row in kept]
    assert made[0] == kept[0]
    assert made[1][4:9] == ["1", "0.667", "0.667", "1.000", "50"]


def test_the_page_of_shared_clamps_has_the_head_of_its_report():
    one = Score_of_sum(
        names=("kettle_1", "lamp_1"),
        misassigned=0.1,
        errors=(0.02, 0.4),
        held=(True, True),
        confidence=0.7,
        claimed=True,
        seconds=0.1,
    )
    made = rows_of("\n".join(shared_clamps.table("x", [one], [])))
    kept = rows_of((RESULTS / "shared_clamps.md").read_text(encoding="utf-8"))
    assert made[0] == kept[0]
    assert made[1] == ["pairs of unlike kinds", "1", "1.00", "21 / 36", "10 / 10", "1.00"]


def test_scores_of_runs_become_a_row_each():
    score = Score(true_runs=2, found_runs=2, matched=1, days=4, exact_days=3)
    score.energy_errors += [0.1, 0.2]
    (row,) = in_rows({("kettle", 1, 2.0, "given"): score}).to_dict("records")
    assert (row["appliance"], row["period_s"], row["kind"]) == ("kettle", 1, "given")
    assert (row["f1"], row["exact_days"]) == (0.5, 0.75)
    assert (row["energy_error_median"], row["energy_error_p95"]) == (0.1, 0.2)


def test_a_kind_is_as_sure_as_the_study_counted():
    figures = pd.read_csv(RESULTS / "kinds.csv").set_index("rule")["share"]
    said = {rule: outcome.sure for rule, outcome in OUTCOMES.items()}
    assert said == pytest.approx(figures.to_dict(), abs=0.005)
