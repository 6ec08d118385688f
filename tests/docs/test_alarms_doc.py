from support.state_diagrams import DOCUMENT, filled


def test_tables_and_diagrams_are_those_of_the_code() -> None:
    text = DOCUMENT.read_text(encoding="utf-8")
    assert filled(text) == text
