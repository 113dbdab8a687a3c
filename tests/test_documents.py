"""Documents are true: files that they name exist, and the bibliography holds what code cites."""

import calendar
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
TEXT = (ROOT / "shared" / "methods.md").read_text(encoding="utf-8")
BODY, BIBLIOGRAPHY = TEXT.split("\n## Bibliography\n")
PAPERS = BIBLIOGRAPHY.split("### Standards")[0]


def entries_of(text):
    return [" ".join(part.split()) for part in re.split(r"^- ", text, flags=re.MULTILINE)[1:]]


ENTRIES = entries_of(BIBLIOGRAPHY)
# Words before a year that are no author.
NOT_AUTHORS = {*calendar.month_name, *calendar.month_abbr}
CITED = re.compile(r"\b([A-Z][a-z]{2,})(?:,? \(?| et al\.,? \(?)((?:18|19|20)\d\d)\b(?!-)")


def cited_in_code():
    found = {}
    for path in sorted((ROOT / "homeenergy").rglob("*.py")):
        text = re.sub(r"[\s#]+", " ", path.read_text(encoding="utf-8"))
        for author, year in CITED.findall(text):
            if author not in NOT_AUTHORS and int(year) < 2025:
                found.setdefault((author, year), path.relative_to(ROOT))
    return found


def test_the_search_for_citations_finds_some():
    found = cited_in_code()
    assert ("Cochran", "1977") in found
    assert len(found) > 25


@pytest.mark.parametrize("work", sorted(cited_in_code()), ids=" ".join)
def test_every_work_that_the_code_cites_has_an_entry(work):
    author, year = work
    entries = [entry for entry in ENTRIES if author in entry and f"({year}" in entry]
    assert len(entries) == 1, f"{author} {year}, cited in {cited_in_code()[work]}"


def test_every_module_that_the_document_names_exists():
    named = set(re.findall(r"`([a-z_]+(?:/[a-z_]+)*\.py)`", BODY))
    assert len(named) > 40
    missing = {name for name in named if not (ROOT / "homeenergy" / name).is_file()}
    missing = {name for name in missing if not (ROOT / name).is_file()}
    assert not missing


def test_every_row_of_a_table_has_as_many_cells_as_its_head():
    for table in re.findall(r"(?:^\|.+\n)+", TEXT, re.MULTILINE):
        cells = {row.count("|") for row in table.splitlines()}
        assert len(cells) == 1, table


def test_every_entry_is_cited_or_checked():
    tests = "".join(p.read_text(encoding="utf-8") for p in (ROOT / "tests").rglob("*.py"))
    code = "".join(p.read_text(encoding="utf-8") for p in (ROOT / "homeenergy").rglob("*.py"))
    for entry in entries_of(PAPERS):
        author = re.match(r"[A-Za-z]+", entry).group()
        assert author in BODY or author in code or author in tests, entry


def test_every_paper_and_book_says_how_far_it_was_checked():
    assert not [one for one in entries_of(PAPERS) if not re.search(r"\[[vpu]\]", one)]


def test_no_source_is_cited_from_memory():
    words = "from " + "memory"
    for folder in ("homeenergy", "shared", "tests", "notebooks"):
        for path in (ROOT / folder).rglob("*"):
            if path.suffix in {".py", ".md", ".toml", ".ipynb"}:
                text = re.sub(r"[\s#]+", " ", path.read_text(encoding="utf-8"))
                assert words not in text, path


DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_developers_reads_in_ten_minutes():
    assert len(DEVELOPERS.encode()) <= 12_000


def files_named(text):
    return re.findall(r"`((?:[\w.]+/)*[\w.]+(?:/|\.(?:py|md)))`", text)


def test_every_file_that_developers_names_exists():
    """Named from the root or from the package; in the table of rooms, from the room of the row."""
    named = [(ROOT, name) for name in files_named(re.sub(r"^\|.*\n", "", DEVELOPERS, flags=re.M))]
    for room, cell in re.findall(r"^\| `(\w+)/` \| (.*) \|$", DEVELOPERS, re.MULTILINE):
        named += [(ROOT / "homeenergy" / room, name) for name in files_named(cell)]
    assert len(named) > 50
    for place, name in named:
        assert any((base / name).exists() for base in (place, ROOT / "homeenergy")), name


@pytest.mark.parametrize(
    "path",
    [
        "README.md",
        "DEVELOPERS.md",
        "notebooks/README.md",
        "shared/README.md",
        "shared/changes.md",
        "shared/methods.md",
        "tests/accuracy/README.md",
        "tests/benchmarks/README.md",
    ],
)
def test_every_link_leads_somewhere(path):
    text = (ROOT / path).read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#]+)(?:#[^)]*)?\)", text):
        assert ((ROOT / path).parent / target).exists(), target


def test_the_list_of_shared_names_all_that_is_there():
    text = (ROOT / "shared" / "README.md").read_text(encoding="utf-8")
    for path in (ROOT / "shared").iterdir():
        if path.name != "README.md":
            assert f"`{path.name}" in text, path.name
    for name in re.findall(r"^\| `([^`]+)`", text, re.MULTILINE):
        assert (ROOT / "shared" / name).exists(), name
