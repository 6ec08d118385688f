"""A power cut from end to end over MQTT, on the demo's plant at sixty times real time."""

import subprocess
import sys
from contextlib import closing
from pathlib import Path
from sqlite3 import connect
from statistics import fmean
from typing import Any

import pytest
from support.need import need
from support.ports import free_port

from weirsim.harbour_hall import SPEC
from weirwatch.cli.demo_plant import demo_config
from weirwatch.store.schema import FILE_NAME
from weirwatch.store.sqlite_archive import SqliteArchive
from weirwatch.water.hydraulics import weir_head_m

CUT_S, BACK_S, END_S = 300, 1500, 3900
PIPE_AREA = 3.141592653589793 / 4


@pytest.mark.broker
@pytest.mark.slow
@pytest.mark.timeout(900)
def test_one_alarm_consequences_suppressed_drain_back_and_all_normal_again(tmp_path: Path) -> None:
    need("mosquitto")
    data = tmp_path / "data"
    config = tmp_path / "patient.toml"
    config.write_text(patient(demo_config().read_text("utf-8")), "utf-8")
    argv = [sys.executable, "-m", "weirwatch.cli", "demo", "--data", str(data), "--speed", "60"]
    argv += ["--config", str(config)]
    argv += ["--port", str(free_port()), "--for", str(END_S)]
    argv += ["--fault", f"mains-lost@{CUT_S}", "--fault", f"mains-restored@{BACK_S}"]
    ran = subprocess.run(argv, capture_output=True, text=True, timeout=800, check=False)
    assert ran.returncode == 0, ran.stderr
    assert "Traceback" not in ran.stderr

    def rows(sql: str, *values: Any) -> list[tuple[Any, ...]]:
        with closing(connect(data / FILE_NAME)) as connection:
            return connection.execute(sql, values).fetchall()

    # One alarm, one notice; what follows from it is suppressed by design and goes by itself.
    assert rows("SELECT rule, kind FROM event WHERE annunciated") == [("mains-lost", "raised")]
    assert rows("SELECT recipient, state, attempts FROM notice") == [("console", "delivered", 1)]
    assert ran.stdout.count("NOTICE ") == 1
    assert "Stay out if the floor is wet." in ran.stdout
    raised = {rule for (rule,) in rows("SELECT rule FROM event WHERE kind = 'raised'")}
    assert {"node-offline/sump-node", "node-offline/hall-node"} < raised
    suppressed = {rule for (rule,) in rows("SELECT rule FROM event WHERE kind = 'suppressed'")}
    assert raised - {"mains-lost"} <= suppressed
    released = {rule for (rule,) in rows("SELECT rule FROM event WHERE kind = 'released'")}
    assert raised - {"mains-lost"} <= released

    # Nodes on the mains vanished by their last will; the one on a battery went on reporting.
    ((cut, back),) = rows(
        "SELECT min(time), max(time) FROM event WHERE rule = 'mains-lost' AND kind != 'suppressed'"
    )
    archive = SqliteArchive(data / FILE_NAME)

    def values(channel: str, after: int, until: int) -> list[float]:
        found = archive.readings(f"harbour-hall/{channel}", after, until, None, 100_000)
        return [reading.value for reading in found]

    span = (cut + 30_000_000, back - 60_000_000)
    assert values("sump-node/level", *span) == []
    assert len(values("power-node/sump-level", *span)) > 150

    # The sump rises by the drain-back: weir heads (Francis 1883, USBR Water Measurement Manual
    # ch. 7) times areas, outlets down to the siphon breaks, and the riser's contents.
    level = "power-node/sump-level"
    before = fmean(values(level, cut - 120_000_000, cut - 10_000_000))
    during = fmean(values(level, back - 400_000_000, back - 60_000_000))
    archive.close()
    rise_l = (during - before) / 1000 * SPEC.sump.area_m2 * 1000
    assert rise_l == pytest.approx(drain_back_l(), rel=0.10)

    # In the end everything is normal; only the mains alarm waits to be acknowledged.
    assert rows("SELECT rule, state FROM alarm WHERE state != 'normal'") == [
        ("mains-lost", "returned-unacknowledged")
    ]
    assert rows("SELECT rule FROM alarm WHERE service_state = 'shelved'") == []


def patient(text: str) -> str:
    """The demo's configuration with rules that wait for a loaded machine.

    At sixty times real time the 120 s of a node that is lost are two seconds, in which a busy
    machine may not have delivered the reading that suppresses them; and the 285 s of a silent
    probe, less than five.
    """
    quick = 'on_delay_s = 120\nsuppressed_by = ["mains-lost"]\nhold_off_s = 180'
    assert text.count(quick) == 2
    text = text.replace(quick, quick.replace("120", "600").replace("180", "600"))
    silence = "silent = true\non_delay_s = 285\n"
    assert text.count(silence) > 5
    return text.replace(silence, silence.replace("285", "1500"))


def drain_back_l() -> float:
    """The closed form for the demo's plant with working siphon breaks."""
    total = PIPE_AREA * SPEC.pump.pipe_d_m**2 * SPEC.pump.pipe_m * 1000
    overflowing = [v for v in SPEC.vessels if v.crest_length_m]
    for vessel in overflowing:
        assert vessel.crest_length_m is not None
        share = flow_l_h(vessel.id)
        total += weir_head_m(share / 3_600_000, vessel.crest_length_m) * vessel.area_m2 * 1000
        if vessel.siphon_break:
            continue
        total += vessel.outlet_below_crest_m * vessel.area_m2 * 1000
    return total


def flow_l_h(vessel: str) -> float:
    """The design flow into a vessel: a loop feeds it, or the displays share what is left."""
    loops = {loop.feeds: loop.flow_l_h for loop in SPEC.loops}
    if vessel in loops:
        return loops[vessel]
    left = SPEC.pump.flow_l_h - sum(loop.flow_l_h for loop in SPEC.loops)
    shares = {v.id: v.volume_l for v in SPEC.displays}
    return left * shares[vessel] / sum(shares.values())
