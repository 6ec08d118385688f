"""`weirwatch proof`: listed, recorded by hand, and guided against a running service."""

import threading
from collections.abc import Callable
from typing import Any

from support.cli_types import Call, Place
from support.control_client import until
from typer.testing import Result

from weirwatch.app import Core
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
    assert "proof passed by hand" in " ".join(call("log", "list", *words).output.split())


def test_what_cannot_be_proved_is_refused(recorded: Place, call: Call) -> None:
    words = ("--config", recorded.config)
    unknown = call("proof", "record", "harbour-hall/sump-node/nothing", "passed", *words)
    assert "whose sensor can be proved" in str(unknown.exception)
    neither = call("proof", "record", LEVEL, "maybe", *words)
    assert "write passed or failed" in str(neither.exception)
    stopped = call("proof", "start", LEVEL, "--yes", *words)
    assert "the service does not run" in str(stopped.exception)


def test_a_guided_proof_sees_the_reaction_and_keeps_its_alarms_quiet(
    running: tuple[Place, Core], call: Call, parsed: Parsed
) -> None:
    place, core = running
    until(lambda: core.health.as_json()["broker"]["connected"])
    over = threading.Event()

    def play() -> None:
        values = [300.0] * 12 + [360.0] * 60  # above the rule's 345 mm; 5 s until it is stored
        for value in values:
            now = core.clock.now().utc
            payload = f'[{{"n":"level","t":{now / 1e6:.6f},"v":{value}}}]'
            topic = "weirwatch/harbour-hall/sump-node/readings"
            core.inbox.put(WireMessage(0, 0, 0, topic, payload.encode(), now, retained=False))
            if over.wait(1.0):
                return

    player = threading.Thread(target=play)
    player.start()
    try:
        result = call("proof", "start", LEVEL, "--yes", "--json", "--config", place.config)
    finally:
        over.set()
        player.join()
    assert result.exit_code == 0, result.output
    entry = parsed(result)
    assert (entry["kind"], entry["subject"], entry["channel"]) == ("proof", "passed", LEVEL)
    assert entry["text"].startswith("300 mm to 360 mm after ")
    assert entry["detail"] == {"sensor": "level"}
    listed = call("work", "list", "--json", "--config", place.config)
    assert [work["state"] for work in parsed(listed)["items"]] == ["settling"]
