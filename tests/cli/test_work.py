"""`weirwatch work` against a real core, over its control socket and a restart."""

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from support.cli_types import Call, Place
from support.control_client import until
from typer.testing import Result

from weirwatch.app import Core, build_core
from weirwatch.clock import SystemClock
from weirwatch.config import Overrides, load
from weirwatch.domain.errors import IllegalCommand, TransientError, UnknownWork
from weirwatch.store.access import SqliteBook
from weirwatch.store.schema import FILE_NAME
from weirwatch.store.sqlite_archive import SqliteArchive

WORK = """
[[planned_work]]
id = "water-change"
minutes = 60
rules = ["sump-high"]
check = [{ channel = "harbour-hall/sump-node/level", below = 345 }]
settle_s = 0
"""


@contextmanager
def served(place: Place) -> Iterator[Core]:
    core = build_core(load(place.config, Overrides(data_dir=place.data)), SystemClock())
    try:
        core.start()
        yield core
    finally:
        core.stop()


def test_it_is_started_ended_checked_and_goes_on_after_a_restart(
    recorded: Place, call: Call, parsed: Callable[[Result], Any]
) -> None:
    recorded.config.write_text(recorded.config.read_text() + WORK)

    def ask(*words: str) -> Any:
        return parsed(call("work", *words, "--config", recorded.config, "--json"))

    def state_of_alarm() -> str:
        found = call("alarms", "show", "sump-high", "--config", recorded.config, "--json")
        return str(json.loads(found.stdout)["service_state"])

    with served(recorded):
        (idle,) = ask("list")["items"]
        assert (idle["title"], idle["state"], idle["rules"]) == (
            "Water change",
            "idle",
            ["sump-high"],
        )
        started = ask("start", "water-change", "--who", "mk", "--comment", "20 %")
        assert (started["state"], started["who"]) == ("under-way", "mk")
        assert state_of_alarm() == "shelved"
        shown = call("work", "--config", recorded.config).output
        assert "under way (mk) until" in " ".join(shown.split())
    with served(recorded):
        (again,) = ask()["items"]
        assert again == started
        wrong = call("work", "start", "water-chance", "--config", recorded.config)
        assert isinstance(wrong.exception, UnknownWork)
        assert str(wrong.exception).endswith("there is water-change"), "no proofs among them"
        ended = ask("end", "water-change", "--who", "mk")
        assert ended["state"] in ("settling", "not-back-to-normal")
        # Settled at once, and the newest good reading on file is 359 mm, not below 345.
        until(lambda: ask()["items"][0]["state"] == "not-back-to-normal")
        until(
            lambda: (
                json.loads(
                    call(
                        "alarms",
                        "show",
                        "planned-work-not-ended",
                        "--config",
                        recorded.config,
                        "--json",
                    ).stdout
                )["state"]
                == "unacknowledged"
            )
        )
        assert state_of_alarm() == "in-service"
        twice = call("work", "end", "water-change", "--config", recorded.config)
        assert isinstance(twice.exception, IllegalCommand)
    archive = SqliteArchive(recorded.data / FILE_NAME)
    kinds = [stored.event.kind for stored in archive.events(None, None, 0, 100)]
    archive.close()
    assert [kind for kind in kinds if kind.startswith("planned")] == [
        "planned-work-started",
        "planned-work-ended",
    ]
    assert isinstance(call("work", "--config", recorded.config).exception, TransientError)
    register = SqliteBook(recorded.data / FILE_NAME)
    deeds = [(d.who, d.action, d.subject) for _, d in register.deeds(None, 100)]
    register.close()
    assert ("mk", "work-start", "water-change") in deeds
    assert ("mk", "work-end", "water-change") in deeds
