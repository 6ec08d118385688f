"""Home of lists on the page whose entries stay in place while they are read and written in."""

from collections.abc import Callable, Sequence
from typing import Generic, Protocol, TypeVar

from nicegui.element import Element

Item = TypeVar("Item")
_Item = TypeVar("_Item", contravariant=True)


class Entry(Protocol[_Item]):
    """What one item looks like."""

    root: Element

    def show(self, item: _Item, /) -> None:
        """Bring it up to date; what somebody has typed or opened stays."""
        ...


class Kept(Generic[Item]):
    """Entries kept by key, so that one in use is never built anew.

    Args:
        root: what they stand in, and nothing else.
        key: of an item.
        make: builds the entry of an item that is new.
    """

    def __init__(
        self, root: Element, key: Callable[[Item], str], make: Callable[[Item], Entry[Item]]
    ) -> None:
        self._root = root
        self._key = key
        self._make = make
        self._entries: dict[str, Entry[Item]] = {}

    def show(self, items: Sequence[Item]) -> None:
        """Bring the list up to date, in this order."""
        for key in self._entries.keys() - {self._key(item) for item in items}:
            self._entries.pop(key).root.delete()
        for place, item in enumerate(items):
            entry = self._entries.get(self._key(item))
            if entry is None:
                with self._root:
                    entry = self._entries[self._key(item)] = self._make(item)
            entry.show(item)
            if self._root.default_slot.children[place] is not entry.root:
                entry.root.move(self._root, place)
