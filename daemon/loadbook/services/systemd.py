"""What a service tells systemd (sd_notify): ready, alive, stopping. Does nothing outside systemd.

Protocol: sd_notify(3). One datagram per message to the socket in ``NOTIFY_SOCKET``; a leading ``@`` means the abstract
namespace. ``WATCHDOG_USEC`` says how often we must show signs of life; half of it is customary, sd_watchdog_enabled(3).
"""

from __future__ import annotations

import os
import socket


def notify(message: str) -> bool:
    """Send ``READY=1``, ``WATCHDOG=1``, ``STOPPING=1`` or ``STATUS=text``. False when nobody listens."""
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return False
    if address.startswith("@"):
        address = "\0" + address[1:]
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sender:
            sender.sendto(message.encode(), address)
    except OSError:
        return False
    return True


def watchdog_every_s() -> float | None:
    """How often to send ``WATCHDOG=1``, s: half of what systemd allows. None when it does not watch this process."""
    if os.environ.get("WATCHDOG_PID") not in (None, str(os.getpid())):
        return None
    try:
        allowed_us = int(os.environ.get("WATCHDOG_USEC", ""))
    except ValueError:
        return None
    return allowed_us / 2_000_000 if allowed_us > 0 else None
