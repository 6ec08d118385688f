"""A program that stands in for the web process: it answers, or does not, as its arguments say.

    stand_in_web.py … --listen HOST:PORT [--exit CODE] [--mute] [--status NUMBER]

Other arguments are ignored. It imports next to nothing, so that it is there at once.
"""

import socket
import sys


def main(words: list[str]) -> None:
    """Listen and answer every request alike."""

    def after(name: str, default: str) -> str:
        return words[words.index(name) + 1] if name in words else default

    if "--exit" in words:
        raise SystemExit(int(after("--exit", "1")))
    host, port = after("--listen", "127.0.0.1:0").rsplit(":", 1)
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    server = socket.create_server((host.strip("[]"), int(port)), family=family)
    kept = []  # a mute server lets its callers wait
    while True:
        connection, _ = server.accept()
        if "--mute" in words:
            kept.append(connection)
            continue
        with connection:
            connection.recv(4096)
            status = after("--status", "200")
            connection.sendall(f"HTTP/1.1 {status} X\r\nContent-Length: 0\r\n\r\n".encode())


if __name__ == "__main__":
    main(sys.argv[1:])
