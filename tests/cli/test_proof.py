"""`weirwatch proof`: listed, recorded by hand, and guided against a running service."""

import re
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from support.cli_types import Call, Place
from support.control_client import until
from typer.testing import Result

from weirwatch.app import Core
from weirwatch.cli import proof_run
from weirwatch.domain.proof import reacted, returned
from weirwatch.ports import WireMessage

Parsed = Callable[[Result], Any]
LEVEL = "harbour-hall/sump-node/level"


def test_proofs_are_listed_recorded_and_reported(
    recorded: Place, call: Call, parsed: Parsed
) -> None:
    words = ("--config", recorded.config)
    text = call("proof", "list", *words).output
    assert "3 of 3 are due" in text
    done = call("proof", "record", LEVEL, "passed", "--comment", "by hand", *words)
    assert done.exit_code == 0, done.output
    assert f"{LEVEL}: passed, entry 1 of the log" in done.output
    found = {p["channel"]: p for p in parsed(call("proof", "list", "--json", *words))["items"]}
    assert (found[LEVEL]["result"], found[LEVEL]["overdue"]) == ("passed", False)
    report = parsed(call("report", "probes", "--json", *words))
    assert LEVEL not in report["proofs_due"]
    assert "harbour-hall/power-node/mains" in report["proofs_due"]
    assert (
        "Proof test due: harbour-hall/power-node/mains" in call("report", "probes", *words).output
    )
    assert f"proof {LEVEL} passed by hand" in " ".join(call("log", "list", *words).output.split())


def test_what_cannot_be_proved_is_refused(recorded: Place, call: Call) -> None:
    words = ("--config", recorded.config)
    unknown = call("proof", "record", "harbour-hall/sump-node/nothing", "passed", *words)
    assert "whose sensor can be proved" in str(unknown.exception)
    neither = call("proof", "record", LEVEL, "maybe", *words)
    assert "write passed or failed" in str(neither.exception)
    stopped = call("proof", "start", LEVEL, "--yes", *words)
    assert "the service does not run" in str(stopped.exception)


@contextmanager
def playing(core: Core, reaction: float, after: float) -> Iterator[None]:
    """A node that sends 300 mm each second until the proof has seen that and looks for more.

    Then it sends the reaction, and once the proof looks for the return, what comes after.
    """
    over, asked, seen = threading.Event(), threading.Event(), threading.Event()

    def play() -> None:
        while not over.is_set():
            now = core.clock.now().utc
            value = after if seen.is_set() else reaction if asked.is_set() else 300.0
            payload = f'[{{"n":"level","t":{now / 1e6:.6f},"v":{value}}}]'
            topic = "weirwatch/harbour-hall/sump-node/readings"
            core.inbox.put(WireMessage(0, 0, 0, topic, payload.encode(), now, retained=False))
            over.wait(1.0)

    def told(event: threading.Event, judge: Callable[..., bool]) -> Callable[..., bool]:
        def judged(*facts: Any) -> bool:
            event.set()
            return judge(*facts)

        return judged

    player = threading.Thread(target=play)
    player.start()
    try:
        with pytest.MonkeyPatch.context() as patched:
            patched.setattr(proof_run, "reacted", told(asked, reacted))
            patched.setattr(proof_run, "returned", told(seen, returned))
            yield
    finally:
        over.set()
        player.join()


@pytest.mark.slow
def test_a_guided_proof_sees_reaction_and_return_and_keeps_its_alarms_quiet(
    running: tuple[Place, Core], call: Call, parsed: Parsed
) -> None:
    place, core = running
    until(lambda: core.health.as_json()["broker"]["connected"])
    # Above the rule's 345 mm; 306 is back enough.
    with playing(core, 360.0, 306.0):
        result = call("proof", "start", LEVEL, "--yes", "--json", "--config", place.config)
    assert result.exit_code == 0, result.output
    entry = parsed(result)
    assert (entry["kind"], entry["subject"], entry["channel"]) == ("proof", "passed", LEVEL)
    assert re.fullmatch(r"300 mm to 360 mm after \d+ s", entry["text"])
    assert entry["detail"] == {"sensor": "level"}
    listed = call("work", "list", "--json", "--config", place.config)
    assert [work["state"] for work in parsed(listed)["items"]] == ["settling"]


@pytest.mark.slow
def test_a_sensor_left_out_of_its_place_is_told(
    running: tuple[Place, Core], call: Call, monkeypatch: pytest.MonkeyPatch
) -> None:
    place, core = running
    until(lambda: core.health.as_json()["broker"]["connected"])
    monkeypatch.setattr(proof_run, "RETURN_S", 8.0)
    with playing(core, 360.0, 360.0):  # still the reaction
        result = call("proof", "start", LEVEL, "--yes", "--config", place.config)
    assert result.exit_code == 1
    assert "PASSED: 300 mm to 360 mm" in result.output
    assert "NOT BACK: it still differs from 300 mm." in result.output
    entries = call("proof", "list", "--json", "--config", place.config)
    assert "; then not back at 300 mm within 8 s" in entries.output
