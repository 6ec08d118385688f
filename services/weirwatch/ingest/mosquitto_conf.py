"""The configuration that our own mosquitto child runs with, and why each line is there."""

import os
import shutil
from pathlib import Path

WINDOW = 1000

_PLACES = "/usr/sbin:/usr/local/sbin:/opt/homebrew/sbin"
_TEMPLATE = """\
# Written by weirwatch at each start of its broker: changes here are lost.
# Loopback only, hence without logins.
listener {port} {host}
allow_anonymous true

# What nodes send while the service is down is kept. By default 1000 messages a client are, and
# what comes after is dropped in silence.
persistence true
persistence_location {folder}/
persistence_file mosquitto.db
autosave_interval 60
max_queued_messages 0

# The service acknowledges after its commit; the default window of 20 would stop the flow.
max_inflight_messages {window}

# A client that sends more than this at once is disconnected before it fills the memory.
max_packet_size 1048576

log_dest file {folder}/mosquitto.log
log_type error
log_type warning
log_type notice
log_timestamp_format %Y-%m-%dT%H:%M:%S%z
"""


def find_mosquitto() -> str | None:
    """Return the path of mosquitto, or None; Debian installs it where users do not look."""
    return shutil.which("mosquitto") or shutil.which("mosquitto", path=_PLACES)


def mosquitto_conf(host: str, port: int, folder: Path) -> str:
    """Return the configuration text for a listener on host and port, with files in `folder`."""
    text = _TEMPLATE.format(host=host, port=port, folder=folder, window=WINDOW)
    if os.geteuid() == 0:
        # Started as root it would become another user, who cannot write in our folder.
        text += "user root\n"
    return text
