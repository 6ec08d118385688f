"""The embedded broker as a process of its own: `python -m weirwatch.ingest.embedded`.

It comes from the wheel `iotcore` and needs nothing installed. It is for trying out: it keeps
sessions and queues in memory only.
"""

import argparse
import logging
from collections.abc import Sequence

from iotcore import IotCoreBroker

_LARGEST_BYTES = 1_048_576


def main(arguments: Sequence[str] | None = None) -> None:
    """Run until a signal ends the process."""
    parser = argparse.ArgumentParser(prog="weirwatch.ingest.embedded")
    parser.add_argument("--host", required=True)
    parser.add_argument("--port", type=int, required=True)
    # Not read: it lets the next start of the service recognise its own broker.
    parser.add_argument("--home", required=True)
    options = parser.parse_args(arguments)
    logging.basicConfig(level=logging.WARNING)
    # Its message routing reports ordinary packets as errors.
    logging.getLogger("rumqttd").setLevel(logging.CRITICAL)
    IotCoreBroker(
        listen=options.host, port=options.port, max_payload_size=_LARGEST_BYTES
    ).run_forever()


if __name__ == "__main__":
    main()
