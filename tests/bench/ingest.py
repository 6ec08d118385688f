"""How much of a bare subscriber's throughput the whole service path keeps, and an alarm's latency.

    .venv/bin/python tests/bench/ingest.py [--messages N]

One run, one mosquitto: a paho subscriber that does nothing (QoS 1), then the service with three
rules a channel and default commits, for single-record and 8-record packs; the same publisher
process each time. Then publish-to-committed-alarm latency at 200 messages a second.
"""

import argparse
import json
import multiprocessing
import statistics
import sys
import tempfile
import threading
import time
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from support.service import Mosquitto, Service, ended, publisher, wait_for

CHANNELS = 8
GROUP = 500
ROOT = "weirwatch/hall/node/readings"


def config(port: int, name: str) -> str:
    """A service with eight channels and three rules on each, and a session of its own."""
    text = f"""
[broker]
url = "mqtt://127.0.0.1:{port}"
client_id = "bench-{name}"
[service]
commit_unacked = 500
[[system]]
id = "hall"
title = "Hall"
[[recipient]]
id = "file"
kind = "file"
path = "notices.jsonl"
"""
    for n in range(CHANNELS):
        ident = f"hall/node/level{n}"
        text += f"""
[[channel]]
id = "{ident}"
quantity = "level"
unit = "mm"
expected_every_s = 5
[[rule]]
id = "high-{n}"
title = "high {n}"
kind = "absolute"
channel = "{ident}"
high = 900
deadband = 50
failure = "sump-high"
[[rule]]
id = "low-{n}"
title = "low {n}"
kind = "absolute"
channel = "{ident}"
low = 50
deadband = 20
failure = "sump-low"
[[rule]]
id = "silent-{n}"
title = "silent {n}"
kind = "bad-measurement"
channel = "{ident}"
silent = true
on_delay_s = 600
failure = "probe-silent"
"""
    return text


def payloads(messages: int, records: int) -> list[bytes]:
    """Distinct, valid packs with own times just before now."""
    began = time.time() - 50
    found = []
    for n in range(messages):
        t = round(began + n * 50 / messages, 6)
        pack = [
            {"n": f"level{(n + r) % CHANNELS}", "t": t, "v": 300 + (n * 7 + r) % 400 / 10}
            for r in range(records)
        ]
        found.append(json.dumps(pack, separators=(",", ":")).encode())
    return found


def publish_all(port: int, messages: int, records: int, topic: str = ROOT) -> None:
    """The publisher process: as fast as the broker takes them."""
    packs = payloads(messages, records)
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="bench-source")
    client.max_inflight_messages_set(1000)
    client.max_queued_messages_set(0)
    client.connect("127.0.0.1", port)
    client.loop_start()
    last = None
    for n, pack in enumerate(packs):
        last = client.publish(topic, pack, qos=1)
        if n % 2000 == 1999:
            last.wait_for_publish(60)
    if last is not None:
        last.wait_for_publish(60)
    ended(client)


def prefill(port: int, messages: int, records: int) -> None:
    """Publish everything while the subscriber's session is there but away: receive is measured."""
    source = multiprocessing.Process(target=publish_all, args=(port, messages, records))
    source.start()
    source.join()


def no_op(broker: Mosquitto, messages: int, records: int) -> float:
    """Messages per second of a subscriber that does nothing."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="bench-no-op", clean_session=False)
    seen, first = 0, 0.0
    done = threading.Event()

    def on_message(_c: object, _u: object, _m: object) -> None:
        nonlocal seen, first
        if seen == 0:
            first = time.perf_counter()
        seen += 1
        if seen == messages:
            done.set()

    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    client.subscribe(ROOT, 1)
    time.sleep(0.5)
    ended(client)
    prefill(broker.port, messages, records)
    client.on_message = on_message
    client.reconnect()
    client.loop_start()
    done.wait(120)
    rate = messages / (time.perf_counter() - first)
    client.unsubscribe(ROOT)
    time.sleep(0.2)
    ended(client)
    return rate


def whole_path(broker: Mosquitto, folder: Path, messages: int, records: int) -> float:
    """Messages per second from the first commit to the last full group.

    What is left after it waits for `commit_every_s`, as it should, and says nothing of speed.
    """
    service = Service(folder, config(broker.port, folder.name))
    service.start()
    connected = "SELECT 1 FROM event WHERE kind = 'broker-connected'"
    wait_for(lambda: service.query(connected), 30)
    service.stop()
    prefill(broker.port, messages, records)
    service.start()
    wait_for(lambda: service.acked() > 0, 60, 0.01)
    began, before = time.perf_counter(), service.acked()
    wait_for(lambda: service.acked() >= messages - GROUP, 180, 0.05)
    rate = (service.acked() - before) / (time.perf_counter() - began)
    service.stop()
    return float(rate)


def latency(broker: Mosquitto, folder: Path, seconds: float) -> list[float]:
    """Milliseconds from publish to the alarm's committed event, at 200 messages a second."""
    service = Service(folder, config(broker.port, folder.name))
    service.start()
    wait_for(lambda: service.query("SELECT 1 FROM event WHERE kind = 'broker-connected'"), 30)
    client = publisher(broker.port, "latency-source")
    sent: dict[int, float] = {}
    ends = time.monotonic() + seconds
    number = 0
    while time.monotonic() < ends:
        number += 1
        strike = number % 40 == 0  # five transitions a second
        value = (950.0 if number % 80 == 0 else 500.0) if strike else 400.0 + number % 50
        now = time.time()
        name = "level0" if strike else f"level{1 + number % 7}"
        pack = [{"n": name, "t": round(now, 6), "v": value}]
        client.publish(ROOT, json.dumps(pack), qos=1)
        if strike and number % 80 == 0:
            sent[round(now * 1_000_000)] = now
        time.sleep(max(0.0, 0.005 - (time.time() - now)))
    time.sleep(1)
    ended(client)
    rows = service.query(
        "SELECT time, committed_at FROM event WHERE rule = 'high-0' AND kind = 'raised'"
    )
    service.stop()
    return [(committed - at) / 1000 for at, committed in rows if at in sent]


def main() -> None:
    """Print one line a measurement."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--messages", type=int, default=30_000)
    parser.add_argument("--seconds", type=float, default=20.0)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        broker = Mosquitto(folder / "broker")
        try:
            for records in (1, 8):
                bare = no_op(broker, asked.messages, records)
                whole = whole_path(broker, folder / f"s{records}", asked.messages, records)
                print(
                    f"{records}-record packs: no-op {bare:>8,.0f} msg/s   service"
                    f" {whole:>8,.0f} msg/s ({whole * records:,.0f} readings/s)"
                    f"   ratio {whole / bare:.2f}"
                )
            spans = sorted(latency(broker, folder / "latency", asked.seconds))
            p99 = spans[min(len(spans) - 1, int(len(spans) * 0.99))]
            print(
                f"alarm at 200 msg/s: publish to committed p50 {statistics.median(spans):.1f} ms"
                f"   p99 {p99:.1f} ms   n {len(spans)}"
            )
        finally:
            broker.stop()


if __name__ == "__main__":
    main()
