from support.alarm_plots import written
from support.state_diagrams import DOCUMENT, filled


def test_tables_and_diagrams_are_those_of_the_code() -> None:
    text = DOCUMENT.read_text(encoding="utf-8")
    assert filled(text) == text


def test_the_drawings_of_the_examples_are_what_a_replay_gives() -> None:
    for path, svg in written().items():
        assert path.read_text(encoding="utf-8") == svg
    assert {path.name for path in DOCUMENT.with_suffix("").iterdir()} == {p.name for p in written()}
