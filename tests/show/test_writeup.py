"""The write-up: whole whatever is missing, nothing claimed beyond its intervals, reproducible."""

import re
import shutil
from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
from PIL import Image
from typer.testing import CliRunner

from homeenergy import cli
from homeenergy.errors import HouseError
from homeenergy.findings import house_findings
from homeenergy.findings.house_year import house_year
from homeenergy.findings.saving.advice import find_advice
from homeenergy.readings import import_logs, open_house
from homeenergy.show.document.blocks import Bullets, Facts, Heading, Picture, Prose, Table, flat
from homeenergy.show.writeup import differences, visit_up, write_up
from homeenergy.show.writeup.actions import NOT_SURE, saving_text
from homeenergy.show.writeup.basis import amount, make_basis, money_text
from homeenergy.show.writeup.ends import trust_sentence
from homeenergy.simulate import write_street
from homeenergy.stats.estimate import Estimate
from homeenergy.trust.concern import Concern
from tests.findings.small_house import made_house, switched

DAY = date(2026, 3, 1)
NASTY = '<script>alert("x")</script> *Ann* & #let $x$ "O\'Neil" عمر'


@pytest.fixture
def made(technical):
    return technical


@pytest.fixture(scope="module")
def saved(technical, tmp_path_factory):
    """The same document as a file of each form, by the ending of its name."""
    folder = tmp_path_factory.mktemp("saved")
    return {name: technical.save(folder / f"a.{name}") for name in ("html", "pdf", "docx", "xlsx")}


@pytest.fixture
def house(street, tmp_path):
    return shutil.copytree(street, tmp_path / "house")


def texts(document):
    for block in flat(document.document().blocks):
        if isinstance(block, Heading | Prose):
            yield block.text
        elif isinstance(block, Bullets):
            yield from block.items
        elif isinstance(block, Facts):
            yield from (str(cell) for row in block.rows for cell in row)
        elif isinstance(block, Picture):
            yield from (block.caption, block.alternative)
        elif isinstance(block, Table):
            yield block.caption
            yield from (str(cell) for row in block.rows for cell in row)


def whole_text(document):
    return "\n".join(texts(document))


def edit(folder, *changes):
    toml = folder / "house.toml"
    text = toml.read_text(encoding="utf-8")
    for before, after in changes:
        assert re.search(before, text, flags=re.DOTALL), before
        text = re.sub(before, after, text, flags=re.DOTALL)
    toml.write_text(text, encoding="utf-8")


def test_all_parts_are_there_and_every_figure_has_words(made):
    names = ["front", "summary", "measured", "trust", "appliances"]
    names += ["actions", "method", "limits"]
    assert list(made.parts) == names
    pictures = [b for b in flat(made.document().blocks) if isinstance(b, Picture)]
    assert len(pictures) >= 5
    assert all(len(p.alternative) > 20 and p.caption.endswith(".") for p in pictures)
    assert all(p.image.startswith(b"\x89PNG") for p in pictures)


def test_its_figures_are_those_of_the_findings(street, made):
    frame = house_findings(open_house(street)).to_frame()
    tables = {b.sheet: b for b in flat(made.document().blocks) if isinstance(b, Table) and b.sheet}
    pd.testing.assert_frame_equal(tables["findings"].data, frame)
    runs = made.document().sheets
    assert sum(len(b.data) for b in runs) > 0
    assert not any(name.startswith("runs ") for name in tables)  # they are for spreadsheets alone


def test_the_same_folder_gives_the_same_bytes(street, made, saved, tmp_path):
    again = write_up(street, edition="technical", written=DAY)
    for name, path in saved.items():
        assert again.save(tmp_path / f"b.{name}").read_bytes() == path.read_bytes()
    later = replace(made, written=date(2026, 3, 2))
    assert later.save(tmp_path / "c.pdf").read_bytes() != saved["pdf"].read_bytes()


def test_a_document_says_whether_it_matches_its_data(house, saved):
    for path in saved.values():
        assert differences(path, house) == []
    edit(house, ("price_per_kwh = 0.31", "price_per_kwh = 0.5"))
    (house / "meter_readings.csv").unlink()
    (house / "run_decisions.csv").write_text("circuit,start,end,decision,value\n")
    assert differences(saved["pdf"], house) == [
        "meter_readings.csv is gone",
        "run_decisions.csv is new",
        "house.toml has changed",
    ]


def test_a_document_of_another_house_is_told_by_its_name(saved, tmp_path):
    (tmp_path / "house.toml").write_text('timezone = "UTC"\n', encoding="utf-8")
    (said,) = differences(saved["docx"], tmp_path)
    assert said.startswith("this document was made from no file of this folder: it is about ")


def test_own_words_replace_the_first_prose_of_a_part(made):
    other = made.saying(summary="Mine.\n\nTwo paragraphs.", method="")
    prose = [b.text for b in other.parts["summary"] if isinstance(b, Prose)]
    assert prose[0] == "Mine.\n\nTwo paragraphs."
    assert other.parts["method"] == made.parts["method"]
    assert "<p>Mine.</p><p>Two paragraphs.</p>" in other.part("summary")._repr_html_()
    with pytest.raises(ValueError, match="no part 'sumary'"):
        made.saying(sumary="x")
    assert "method" not in made.without("method").parts


def test_a_house_without_tariff_says_so_and_names_no_money(house):
    edit(house, (r"\[tariff\].*?\n\n", ""))
    text = whole_text(write_up(house, edition="technical", written=DAY))
    assert "nothing is given in money" in text
    assert "€" not in text


def test_a_house_without_mains_meter_and_bench_says_so(house):
    edit(house, (r'\[\[circuit\]\]\nname = "mains".*?\n\n', ""), (r'\nmains = "mains"', ""))
    for name in ("meter_readings.csv", "bench.csv", "outdoor.csv"):
        (house / name).unlink()
    import_logs(house)
    text = whole_text(write_up(house, edition="technical", written=DAY))
    assert "The mains were not logged, so what other circuits use is not known" in text
    assert "There were no readings of the utility meter" in text
    assert "No clamp was compared with a reference meter" in text


def cut_log(house, *, days=None, nothing=False):
    path = house / "logs" / "readings.parquet"
    table = pq.read_table(path).to_pandas()
    if days is not None:
        table = table[: days * 1440]
    if nothing:
        table.loc[:, table.columns != "time"] = 0
    table.to_parquet(path, index=False)
    shutil.rmtree(house / "store", ignore_errors=True)
    import_logs(house)


def test_one_week_is_said_to_be_short(house):
    cut_log(house, days=7)
    assert "A log this short says little" in whole_text(
        write_up(house, edition="technical", written=DAY)
    )


def test_a_house_in_which_nothing_happens_is_still_whole(house, tmp_path):
    cut_log(house, nothing=True)
    document = write_up(house, edition="technical", written=DAY)
    text = whole_text(document)
    assert not document.sheets
    assert "No saving of" in text
    assert document.save(tmp_path / "d.pdf").read_bytes().startswith(b"%PDF")


def test_names_are_shown_as_typed(house, tmp_path):
    edit(house, (r"\[tariff\]", "[write_up]\nauthor = '''A'''\nclient = '''B'''\n\n[tariff]"))
    toml = house / "house.toml"
    toml.write_text(
        toml.read_text().replace("'''A'''", f"'''{NASTY}'''").replace("'''B'''", f"'''{NASTY}'''")
    )
    document = write_up(house, edition="technical", written=DAY)
    html = document.save(tmp_path / "d.html").read_text(encoding="utf-8")
    assert "<script>alert" not in html
    assert "&lt;script&gt;alert" in html
    assert NASTY in whole_text(document)


def test_an_image_that_is_not_there_is_named(house):
    edit(house, (r"\[tariff\]", '[write_up]\nimage = "roof.png"\n\n[tariff]'))
    with pytest.raises(HouseError, match=r"write_up\.image.*does not exist"):
        open_house(house)


@pytest.mark.parametrize("ending", ["png", "jpg"])
def test_an_image_of_the_house_stands_on_the_first_page(tmp_path, ending):
    made_house(tmp_path, {"lamp": switched(3, [8], on_w=60, lasts_h=1)})
    Image.new("RGB", (60, 40), "green").save(tmp_path / f"roof.{ending}")
    with (tmp_path / "house.toml").open("a", encoding="utf-8") as toml:
        toml.write(f'\n[write_up]\nsite = "Up"\nimage = "roof.{ending}"\n')
    document = write_up(tmp_path, edition="technical", written=DAY)
    assert [b.caption for b in document.parts["front"] if isinstance(b, Picture)] == ["Up"]
    for name in ("html", "pdf", "docx"):
        assert document.save(tmp_path / f"d.{name}").stat().st_size > 10_000


def test_a_saving_whose_interval_holds_zero_is_worded_so(street):
    house = open_house(street)
    findings = house_findings(house)
    year = house_year(house, findings)
    actions = find_advice(house, findings.appliances, year, floor=0.0).actions
    assert actions
    one = actions[0].saving
    money = one.cost_per_year
    unsure = replace(one, cost_per_year=replace(money, low=-1.0, high=money.high))
    assert NOT_SURE in saving_text(unsure)
    assert NOT_SURE not in saving_text(one)
    lows = [action.main.low for action in actions]
    assert lows == sorted(lows, reverse=True)


def test_money_is_written_as_where_the_house_stands():
    assert amount(1234.4, "USD") == "$1,234"
    assert amount(0.314, "EUR") == "€0.31"
    assert amount(-5, "GBP") == "-£5.00"
    assert amount(12, "CHF") == "CHF 12.00"
    assert amount(12.4, "JPY") == "¥12"
    assert amount(float("nan"), "EUR") == "not known"
    assert money_text(None) == "no tariff"
    near = Estimate(value=34.1, low=33.9, high=34.3, unit="EUR", n=9, basis="")
    assert money_text(near) == "€34.10 (33.90 to 34.30)"
    assert money_text(replace(near, low=34.1, high=34.1)) == "€34.10"


def test_a_client_is_not_told_what_to_write_in_files(made):
    for name in ("summary", "appliances"):
        part = "\n".join(texts(replace(made, parts={name: made.parts[name]})))
        assert "homeenergy check" not in part
        assert "house.toml can say otherwise" not in part


def planted(house, *, factor, since):
    """The mains and the refrigerator take `factor` as much from a day on."""
    path = house / "logs" / "readings.parquet"
    table = pq.read_table(path).to_pandas()
    at = pd.Timestamp(since, tz="Europe/Amsterdam").timestamp()
    after = table["time"] >= at
    drawn = table["fridge"].to_numpy()
    less = np.where(after, np.round(drawn * (1 - factor)), 0).astype(np.int64)
    table["fridge"] = drawn - less
    table["mains"] = table["mains"] - less
    table.to_parquet(path, index=False)
    shutil.rmtree(house / "store", ignore_errors=True)
    import_logs(house)


@pytest.mark.slow
def test_a_visit_shows_what_changed_and_only_that(tmp_path):
    folder = write_street(tmp_path, houses=1, days=40, seed=5)[0]
    planted(folder, factor=0.5, since="2026-02-01")
    document = visit_up(open_house(folder), since="2026-02-01", written=DAY)
    table = next(b for b in flat(document.parts["changes"]) if isinstance(b, Table))
    row = next(row for row in table.rows if row[0] == "Refrigerator")
    before, after = (float(text.split(" ")[0]) for text in row[1:3])
    assert after / before == pytest.approx(0.5, abs=0.05)
    assert "saved" in row[3]
    shown = [row[0] for row in table.rows if "saved" in row[3] or "more" in row[3]]
    assert "Refrigerator" in shown
    assert len(shown) <= 3
    path = document.save(tmp_path / "visit.html")
    assert differences(path, folder) == []


def test_a_gap_of_one_leg_takes_nothing_from_the_whole_house(tmp_path):
    # 1000 and 500 W on the legs, 36 kWh a day; from 7 March on one leg misses two hours a day.
    legs = {"one": np.full(10 * 1440, 1000.0), "two": np.full(10 * 1440, 500.0)}
    for day in range(5, 10):
        legs["two"][day * 1440 + 600 : day * 1440 + 720] = np.nan
    mains = dict.fromkeys(legs, 'role = "mains"')
    document = visit_up(made_house(tmp_path / "house", legs, circuits=mains), since="2026-03-07")
    table = next(b for b in flat(document.parts["changes"]) if isinstance(b, Table))
    frame = table.data.set_index("name").loc["Whole house"]
    assert frame["before_kwh"] == pytest.approx(36)
    assert frame["after_kwh"] == pytest.approx(36)


def test_many_circuits_of_long_and_equal_names_are_told_apart(tmp_path):
    ends = ("1_of_the_kitchen", "2_of_the_kitchen", "b")
    heads = [f"socket_circuit_of_the_upper_floor_{end}" for end in ends]
    watts = {head: switched(3, [8], on_w=800, lasts_h=1) for head in heads}
    equal = dict.fromkeys(heads[:2], 'appliance = "Sockets"')
    folder = made_house(tmp_path / "house", watts, circuits=equal)
    document = write_up(folder, edition="technical", written=DAY)
    headings = [b.text for b in flat(document.parts["appliances"]) if isinstance(b, Heading)]
    assert f"Sockets ({heads[0]})" in headings
    assert f"Sockets ({heads[1]})" in headings
    with pd.ExcelFile(document.save(tmp_path / "d.xlsx")) as book:
        names = [name for name in book.sheet_names if name.startswith("runs ")]
    assert len({name.casefold() for name in names}) == 3
    assert max(map(len, names)) <= 31


def test_energies_of_either_sign_have_no_shares(tmp_path):
    watts = {
        "roof": -switched(9, [10], on_w=2000, lasts_h=4),
        "lamp": switched(9, [20], on_w=60, lasts_h=2),
        "shed": np.zeros(9 * 1440),
    }
    folder = made_house(tmp_path / "house", watts, tariff=("EUR", 0.3))
    document = write_up(folder, edition="technical", written=DAY)
    prose = " ".join(b.text for b in flat(document.parts["appliances"]) if isinstance(b, Prose))
    assert "of what was measured" not in prose
    assert "It costs €13 (12 to 14) a year; it is" in prose
    largest = next(b for b in flat(document.parts["summary"]) if isinstance(b, Table))
    assert {row[3] for row in largest.rows} == {"not known"}
    # What took nothing cannot cost less than nothing.
    assert next(row[1] for row in largest.rows if row[0] == "shed").startswith("€0.00 (0.00 to")


def test_the_summary_names_what_needs_a_look(street):
    basis = make_basis(open_house(street))
    doubt = Concern(weight="doubtful", subject="fridge", what="It reads high.", do="Look.")
    calm, uneasy = (replace(basis, check=replace(basis.check, concerns=c)) for c in ((), (doubt,)))
    assert "needs a look" not in trust_sentence(calm).lower()
    assert "Needs a look before figures are relied on: fridge." in trust_sentence(uneasy)


def test_a_visit_without_a_tariff_says_so(house):
    edit(house, (r"\[tariff\].*?\n\n", ""))
    document = visit_up(open_house(house), since="2026-01-20", written=DAY)
    assert "sets no tariff" in whole_text(document)


def test_a_visit_gives_money_under_steps_at_the_average_price(house):
    steps = (
        '[tariff]\ncurrency = "EUR"\n[[tariff.block]]\nprice_per_kwh = 0.2\nup_to_kwh = 50\n'
        "[[tariff.block]]\nprice_per_kwh = 0.3\n\n"
    )
    edit(house, (r"\[tariff\].*?\n\n", steps))
    document = visit_up(open_house(house), since="2026-01-20", written=DAY)
    table = next(b for b in flat(document.parts["parts"]) if isinstance(b, Table))
    fridge = table.data.set_index("name").loc["Refrigerator"]
    price = fridge["normalised_cost_per_year"] / fridge["normalised_kwh_per_year"]
    assert 0.2 < price < 0.3


def test_a_visit_needs_two_periods(street):
    house = open_house(street)
    with pytest.raises(HouseError, match="nothing can be compared at 1 January 2031"):
        visit_up(house, since="2031-01-01")
    with pytest.raises(HouseError, match="nothing was named to compare"):
        visit_up(house)
    with pytest.raises(HouseError, match="after the later one begins"):
        visit_up(house, before=house)


def test_the_command_writes_checks_and_refuses(house, tmp_path):
    def run(*arguments):
        return CliRunner().invoke(cli.app, ["writeup", *map(str, arguments)])

    out = tmp_path / "d.html"
    done = run(house, "--out", out, "--date", "2026-03-01", "--paper", "letter")
    assert (done.exit_code, done.stdout) == (0, "")
    assert run("--check", out, house).exit_code == 0
    edit(house, ("breaker_a = 16", "breaker_a = 10"))
    changed = run("--check", out, house)
    assert (changed.exit_code, changed.stdout) == (1, "house.toml has changed\n")
    assert run(house).exit_code == 2
    assert run(house, "--out", out, "--paper", "a5").exit_code == 2
    assert run(house, "--out", tmp_path / "d.rtf").exit_code == 2
