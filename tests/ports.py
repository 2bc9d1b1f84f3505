"""Free TCP ports for the servers that tests start.

They lie below the range from which the system gives outgoing connections their own ports: a server that a test stops
and starts again on the same port would else now and then find a client of another test there, or its own client
connected to itself.
"""

from __future__ import annotations

import os
import random
import socket

FIRST, PAST_LAST = 20_000, 30_000
_draw = random.Random(os.urandom(8))
_given: set[int] = set()


def free_port() -> int:
    """A port of 127.0.0.1 that nobody listens on now, never the same one twice in a process."""
    while True:
        port = _draw.randrange(FIRST, PAST_LAST)
        if port in _given:
            continue
        with socket.socket() as probe:
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
        _given.add(port)
        return port
