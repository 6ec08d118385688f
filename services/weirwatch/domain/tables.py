"""Reading tables of plain data: every problem is noted, and reading goes on.

Whoever reads takes a harmless value in place of a wrong one and raises at the end, so that one
attempt shows a person all that is wrong.
"""

from collections.abc import Mapping
from enum import StrEnum
from typing import Any, TypeVar

Word = TypeVar("Word", bound=StrEnum)


class Table:
    """One table of the data. Each key is taken once; what is left at `close` is unknown.

    Attributes:
        where: what the problems call this table.
        problems: the list that every table of one file shares; one sentence each, with the cure.
    """

    def __init__(self, data: Any, where: str, problems: list[str]) -> None:
        self.where = where
        self.problems = problems
        self._left: dict[str, Any] = {}
        if isinstance(data, Mapping):
            self._left = dict(data)
        else:
            self.blame(f"is {data!r}; write a table of keys and values")

    def blame(self, what: str) -> None:
        """Note one problem of this table."""
        self.problems.append(f"{self.where}: {what}")

    def text(self, key: str) -> str:
        """Take one line of text, not empty."""
        value = self._left.pop(key, "")
        if not isinstance(value, str) or not value or value != " ".join(value.split()):
            self.blame(f"{key} is {value!r}; write one line of text without stray spaces")
            return ""
        return value

    def flag(self, key: str) -> bool:
        """Take true or false; false when missing."""
        value = self._left.pop(key, False)
        if not isinstance(value, bool):
            self.blame(f"{key} is {value!r}; write true or false")
        return value is True

    def word(self, key: str, words: type[Word]) -> Word:
        """Take one of the words of an enum."""
        value = self._left.pop(key, None)
        try:
            return words(value)
        except ValueError:
            self.blame(f"{key} is {value!r}; write one of {', '.join(words)}")
            return list(words)[-1]

    def items(self, key: str) -> list[Any]:
        """Take a list with at least one item."""
        value = self._left.pop(key, None)
        if not isinstance(value, list) or not value:
            self.blame(f"{key} is {value!r}; write a list with at least one item")
            return []
        return value

    def table(self, key: str) -> Mapping[str, Any]:
        """Take a table; empty when missing."""
        value = self._left.pop(key, {})
        if isinstance(value, Mapping):
            return value
        self.blame(f"{key} is {value!r}; write a table")
        return {}

    def close(self) -> None:
        """Blame every key that nobody took."""
        for key in self._left:
            self.blame(f"{key} is no key here; remove or correct it")
