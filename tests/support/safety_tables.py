"""The tables of docs/safety.md, made from the catalogue.

Run `python tests/support/safety_tables.py` to write them anew.
"""

from collections.abc import Iterable, Sequence
from pathlib import Path

from weirwatch.config.catalogue import load_catalogue
from weirwatch.domain.failures import Catalogue

PAGE = Path(__file__).parents[2] / "docs" / "safety.md"


def failure_table(catalogue: Catalogue) -> str:
    """Return one row a failure: id, title, group, priority, bold, worst hazard to people."""
    rows = (
        (
            f"`{failure.id}`",
            failure.title,
            str(failure.group).replace("-", " "),
            str(failure.default_priority),
            "bold" if failure.bold else "",
            str(failure.card.hazards[0].signal_word),
        )
        for failure in catalogue.failures.values()
    )
    return _table(("id", "failure", "group", "priority", "", "worst for people"), rows)


def source_table(catalogue: Catalogue) -> str:
    """Return one row a source, with its standing and how many cards rest on it."""
    uses: dict[str, int] = {}
    for failure in catalogue.failures.values():
        for source in failure.card.sources:
            uses[source] = uses.get(source, 0) + 1
    rows = (
        (source[: source.rindex(" [")], source[source.rindex("[") + 1 : -1], str(number))
        for source, number in sorted(uses.items())
    )
    return _table(("source", "standing", "cards"), rows)


def with_tables(page: str, catalogue: Catalogue) -> str:
    """Return the page with both tables between their markers."""
    for name, table in (
        ("failures", failure_table(catalogue)),
        ("sources", source_table(catalogue)),
    ):
        start, end = f"<!-- {name}: generated -->\n", f"<!-- {name}: end -->"
        before, rest = page.split(start)
        page = f"{before}{start}\n{table}\n{end}{rest.split(end)[1]}"
    return page


def _table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    lines = [head, ["---"] * len(head), *rows]
    return "".join(f"| {' | '.join(cells)} |\n" for cells in lines)


if __name__ == "__main__":
    PAGE.write_text(with_tables(PAGE.read_text("utf-8"), load_catalogue()), "utf-8")
