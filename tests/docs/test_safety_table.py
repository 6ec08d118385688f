"""docs/safety.md tells the catalogue as it is."""

from support.safety_tables import PAGE, failure_table, with_tables

from weirwatch.config.catalogue import load_catalogue
from weirwatch.domain.failures import FIRST_LINE, LAST_LINE, SignalWord

CURE = "run: python tests/support/safety_tables.py"


def test_the_tables_of_the_page_equal_the_catalogue() -> None:
    page = PAGE.read_text("utf-8")
    assert with_tables(page, load_catalogue()) == page, CURE


def test_every_failure_has_its_row() -> None:
    catalogue = load_catalogue()
    rows = failure_table(catalogue).splitlines()[2:]
    assert len(rows) == len(catalogue.failures) == 47


def test_the_page_explains_the_fixed_lines_and_the_signal_words() -> None:
    text = " ".join(PAGE.read_text("utf-8").replace("\n> ", " ").split())
    assert FIRST_LINE in text
    assert LAST_LINE in text
    assert all(f"**{word}**" in text for word in SignalWord)


def test_the_page_says_what_weirwatch_is_not() -> None:
    text = " ".join(PAGE.read_text("utf-8").split())
    assert "no certified gas, CO or smoke alarm" in text
    assert "no interlock" in text
    assert "never switches mains loads" in text
