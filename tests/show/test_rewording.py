"""A finished English document in another language: nothing stays English, no figure changes."""

import re
from datetime import date

import numpy as np
import pytest
from matplotlib.figure import Figure
from typer.testing import CliRunner

from homeenergy import cli
from homeenergy.readings import import_logs, open_house
from homeenergy.show.document.blocks import Bullets, Facts, Heading, Picture, Prose, Table, flat
from homeenergy.show.writeup import visit_up
from homeenergy.show.writeup.rewording import Rewording, axes_reworded, rewording
from homeenergy.show.writeup.wording import Wording
from tests.findings.small_house import made_house, switched

LANGUAGES = ("de", "nl", "fr")
DAY = date(2026, 3, 1)
# Words that no German, Dutch or French sentence has: whoever forgets a text leaves some of them.
ENGLISH = re.compile(
    r"\b(the|and|with|from|which|its|there|each|they|than|are|has|have|does|been|"
    r"this|these|what|not|only|between|energy|days|house|year|runs)\b",
    re.IGNORECASE,
)


def words(language, currency="EUR"):
    return Wording(language=language, currency=currency)


def plain(language, *names):
    return Rewording(words=words(language), names=frozenset(names))


def texts(parts):
    for block in flat(block for blocks in parts.values() for block in blocks):
        match block:
            case Heading() | Prose():
                yield block.text
            case Bullets():
                yield from (item for item in block.items if isinstance(item, str))
            case Facts():
                yield from (text for row in block.rows for text in row)
            case Picture():
                yield from (block.caption, block.alternative)
            case Table():
                yield from (block.caption, block.sheet, *block.head, *block.units)
                yield from (str(cell) for row in block.rows for cell in row)


def digits(text):
    """Its figures, whatever marks their decimals and thousands."""
    return re.sub(r"\D", "", text)


@pytest.fixture(scope="module")
def changed(tmp_path_factory):
    """A house whose oven takes half from 22 March on."""
    oven = np.concatenate(
        [switched(20, [18], on_w=2000, lasts_h=hours, rest_w=11.0) for hours in (2, 1)]
    )
    oven *= np.repeat(np.random.default_rng(3).uniform(0.9, 1.1, 40), 1440)
    folder = tmp_path_factory.mktemp("visit") / "house"
    watts = {"mains": oven + 40.0, "oven": oven}
    circuits = {"mains": 'role = "mains"', "oven": 'appliance = "Stove"'}
    made_house(folder, watts, circuits=circuits, tariff=("EUR", 0.31))
    with (folder / "house.toml").open("a", encoding="utf-8") as toml:
        toml.write('\n[write_up]\nlanguage = "de"\n')
    import_logs(folder)
    return folder


@pytest.mark.parametrize(
    ("english", "german"),
    [
        ("Summary", "Zusammenfassung"),
        ("3,806 complete runs", None),
        ("0.951 kWh (0.931–0.970)", "0,951 kWh (0,931–0,970)"),
        ("€1,234.50 (681 to 812) a year", "1.234,50 € (681 bis 812) im Jahr"),
        ("-€7.00", "−7,00 €"),
        ("2 May 2026", "2. Mai 2026"),
        ("from 2026-03-02 07:02", "ab 2026-03-02 07:02"),
        (
            "Oven: one reading, to the last digit, for 4 h where it otherwise varies (from "
            "2026-03-18 13:15, logs/log.csv, line 3677).",
            "Oven: ein und derselbe Wert bis zur letzten Stelle, 4 h lang, wo er sonst schwankt "
            "(ab 2026-03-18 13:15, logs/log.csv, Zeile 3677).",
        ),
        ("93% of it", None),
        ("1.5 % (1.0 to 2.0 %)", "1,5 % (1,0 bis 2,0 %)"),
        ("The house: Summary", None),
        ("Oven: Summary; standby 2.5 W.", "Oven: Zusammenfassung; Standby 2,5 W."),
        ("Mon 5 Oct", "Mo. 5. Okt."),
    ],
)
def test_a_text_is_reworded_whole_or_stays_and_is_named(english, german):
    said = plain("de", "Oven")
    found = said(english)
    if german is None:
        assert found == english
        assert said.unknown
    else:
        assert found.replace("\xa0", " ") == german
        assert said.unknown == []


def test_a_name_is_no_word_of_a_language():
    said = plain("nl", "Summary", "The old oven")
    assert said("Summary") == "Summary"
    assert said("The old oven: energy of each day.") == "The old oven: energie van elke dag."


def test_what_no_catalogue_holds_is_said_at_the_beginning():
    said = plain("fr")
    parts = said.parts({"front": (Heading(text="Summary"),), "end": (Prose(text="Sundry odds."),)})
    assert parts["front"][0].text.startswith("Certaines phrases sont en anglais")
    assert parts["front"][1].text == "Résumé"
    assert said.unknown == ["Sundry odds."]
    assert "front" in plain("fr").parts({"front": (Heading(text="Summary"),)})


def test_a_figure_speaks_the_language():
    figure = Figure()
    ax = figure.subplots()
    ax.plot([0.0, 0.25, 0.5], label="every run")
    ax.set_ylabel("energy of the day (kWh)")
    ax.legend()
    axes_reworded(figure, plain("de"))
    figure.draw_without_rendering()
    assert ax.get_ylabel() == "Energie des Tages (kWh)"
    assert ax.get_legend().get_texts()[0].get_text() == "jeder Lauf"
    labels = [label.get_text() for label in ax.get_yticklabels()]
    assert any("," in label for label in labels)
    assert not any("." in label for label in labels)


def assert_reworded(before, after, said):
    assert said.unknown == []
    names = sorted(said.names, key=len, reverse=True)
    for english, text in zip(texts(before), texts(after), strict=True):
        left = text.replace("house.toml", "")
        for name in names:
            left = left.replace(name, "")
        assert not ENGLISH.search(left), text
        assert sorted(digits(text)) == sorted(digits(english)), (english, text)


@pytest.mark.parametrize("language", LANGUAGES)
def test_no_sentence_of_the_technical_file_stays_english(street, technical, language):
    record = technical.record
    kept = [f"{name} {version}" for name, version in record["versions"].items()]
    said = rewording(words(language), open_house(street), also=[*kept, record["fingerprint"][:16]])
    assert_reworded(technical.parts, said.parts(technical.parts), said)


@pytest.mark.parametrize("language", LANGUAGES)
def test_no_sentence_of_a_visit_stays_english(changed, language):
    house = open_house(changed)
    visit = visit_up(house, since="2026-03-22", written=DAY, language="en-GB")
    said = rewording(words(language), house, also=())
    assert "less than before" in "\n".join(texts(visit.parts))
    assert_reworded(visit.parts, said.parts(visit.parts), said)


def test_a_visit_speaks_the_language_of_its_house(changed, tmp_path):
    visit = visit_up(open_house(changed), since="2026-03-22", written=DAY)
    assert visit.language == "de"
    assert visit.title == "Mill house: vor und nach dem 22. März 2026"
    assert "weniger als zuvor" in "\n".join(texts(visit.parts))
    path = visit.save(tmp_path / "visit.html")

    def check(*options):
        return CliRunner().invoke(
            cli.app, ["writeup", str(changed), "--check", str(path), *options]
        )

    assert f"{path} (vorher und nachher) passt zu {changed}" in check().stdout
    assert "komt overeen met" in check("--language", "nl").stdout
    with (changed / "logs" / "log.csv").open("a", encoding="utf-8") as log:
        log.write("\n")
    gone = check("--language", "fr")
    assert gone.exit_code == 1
    assert " a changé" in gone.stdout
