"""Questions to a TCP port: is it free, is somebody there, does it speak MQTT?"""

import errno
import os
import socket

_TAKEN = (errno.EADDRINUSE,)
_CLIENT_ID = b"weirwatch-knock-"


def free_port(host: str) -> int:
    """Return a port that nobody listens on now."""
    with _bound(host, 0) as probe:
        return int(probe.getsockname()[1])


def is_free(host: str, port: int) -> bool:
    """Return whether we could listen there.

    Raises:
        OSError: not for a taken port, but when the address is not this machine's or forbidden.
    """
    try:
        with _bound(host, port):
            return True
    except OSError as error:
        if error.errno in _TAKEN:
            return False
        raise


def answers_mqtt(host: str, port: int, timeout_s: float = 2.0) -> bool:
    """Return whether an MQTT 3.1.1 broker answers a CONNECT, whatever it answers."""
    client_id = _CLIENT_ID + str(os.getpid()).encode()
    body = b"\x00\x04MQTT\x04\x02\x00\x0a" + len(client_id).to_bytes(2, "big") + client_id
    try:
        with socket.create_connection((host, port), timeout_s) as connection:
            connection.sendall(b"\x10" + bytes([len(body)]) + body)
            answer = connection.recv(4)
            connection.sendall(b"\xe0\x00")
    except OSError:
        return False
    return answer[:1] == b"\x20"  # CONNACK


def _bound(host: str, port: int) -> socket.socket:
    family, kind, protocol, _, address = socket.getaddrinfo(
        host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
    )[0]
    probe = socket.socket(family, kind, protocol)
    try:
        # As a broker does: a port in TIME_WAIT is free, one that is listened on is not.
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        probe.bind(address)
        probe.listen(1)
    except OSError:
        probe.close()
        raise
    return probe
