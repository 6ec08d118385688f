"""How the service grows: one worker, then two beside each other, each with its own root and file.

    PYTHONPATH=services:simulator:tests python tests/bench/workers.py [--messages N] [--workers 2]

One mosquitto. Every worker's messages wait in its session before it starts, so that receiving,
deciding and committing are measured. Told are messages a second, and the worker's own processor
time per message: on a busy machine only that tells whether workers disturb each other.
"""

import argparse
import sys
import tempfile
import time
from pathlib import Path

import psutil

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from bench.ingest import GROUP, config, publish_all
from support.service import Mosquitto, Service, wait_for

RECORDS = 8


def worker(broker: Mosquitto, folder: Path, number: int, messages: int) -> Service:
    """A worker whose messages wait for it in the broker."""
    text = config(broker.port, f"{folder.name}-{number}")
    text = text.replace("[broker]\n", f'[broker]\nroot = "weirwatch/{number}"\n')
    service = Service(folder / str(number), text)
    service.start()
    connected = "SELECT 1 FROM event WHERE kind = 'broker-connected'"
    wait_for(lambda: service.query(connected), 60)
    service.stop()
    publish_all(broker.port, messages, RECORDS, f"weirwatch/{number}/hall/node/readings")
    return service


def measured(workers: list[Service], messages: int) -> tuple[float, float]:
    """Messages a second of all, and microseconds of a worker's processor time per message."""
    began = time.perf_counter()
    for service in workers:
        service.start()
    for service in workers:
        wait_for(lambda one=service: one.acked() >= messages - GROUP, 300, 0.05)
    took = time.perf_counter() - began
    spent = 0.0
    for service in workers:
        assert service.process is not None
        times = psutil.Process(service.process.pid).cpu_times()
        spent += times.user + times.system
        service.stop()
        assert len(service.readings("hall/node/level0")) > 0
    count = len(workers) * (messages - GROUP)
    return count / took, spent / count * 1e6


def main() -> None:
    """Print one line for one worker and one for several."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--messages", type=int, default=20_000)
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="ww-") as name:
        broker = Mosquitto(Path(name) / "broker")
        try:
            found = {}
            for count in (1, options.workers):
                folder = Path(name) / f"with-{count}"
                own = [worker(broker, folder, n, options.messages) for n in range(count)]
                found[count] = measured(own, options.messages)
                rate, cpu = found[count]
                print(
                    f"{count} worker(s): {rate:8.0f} messages/s of {RECORDS} readings, start"
                    f" included; {cpu:6.1f} µs of processor time a message"
                )
            one, many = found[1], found[options.workers]
            print(
                f"{options.workers} for 1: {many[0] / one[0]:.2f}× the messages a second,", end=" "
            )
            print(f"{many[1] / one[1]:.2f}× the processor time a message")
        finally:
            broker.stop()


if __name__ == "__main__":
    main()
