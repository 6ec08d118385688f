"""What the control socket hands to the loop, and what of it goes on the audit."""

from typing import Any

import pytest
from support.still_clock import HandClock

from weirwatch.app.answers import worker
from weirwatch.domain.errors import IllegalCommand
from weirwatch.pipeline.access import Deed
from weirwatch.pipeline.access_desk import AccessDesk
from weirwatch.pipeline.inbox import Inbox
from weirwatch.pipeline.work_desk import WorkRequest


class Refusing(Inbox):
    """A loop that refuses everything at once."""

    def put(self, item: Any) -> None:
        assert isinstance(item, WorkRequest)
        item.answer.set_exception(IllegalCommand("not now"))


class Kept:
    """Port `AccessRegister`, of which only the audit is used."""

    def __init__(self) -> None:
        self.deeds: list[Deed] = []

    def note(self, deed: Deed) -> None:
        self.deeds.append(deed)


@pytest.mark.parametrize(("name", "audited"), [("list", []), ("start", ["not now"])])
def test_a_refused_change_is_audited_and_a_look_is_not(name: str, audited: list[str]) -> None:
    kept: Any = Kept()
    handle = worker(Refusing(), AccessDesk(kept, HandClock()))
    with pytest.raises(IllegalCommand):
        handle({"name": name, "work": "feeding-pause"})
    assert [deed.outcome for deed in kept.deeds] == audited
