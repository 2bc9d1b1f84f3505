"""Opening a serial port, with an error a person can use. Every kind of serial meter opens its port here."""

from __future__ import annotations

import errno
import os
import termios
from pathlib import Path

import serial


def open_port(port: str, baud_bd: int, data_bits: int, parity: str, stop_bits: int) -> serial.Serial:
    """The open port; reads return at once with what is there. Raises OSError with one line that names the port."""
    if Path(port).resolve().parent == Path("/dev/pts"):
        parity = "N"  # a pseudo-terminal knows no parity and refuses to be set to any
    try:
        return serial.serial_for_url(
            port,
            baudrate=baud_bd,
            bytesize=data_bits,
            parity=parity,
            stopbits=stop_bits,
            timeout=0,
            write_timeout=1.0,
            exclusive=True,
        )
    except (OSError, ValueError, termios.error) as bad:
        raise OSError(_why(port, bad)) from None


def _why(port: str, bad: Exception) -> str:
    number = getattr(bad, "errno", None)
    if "exclusively lock" in str(bad) or number in (errno.EBUSY, errno.EAGAIN):
        return f"{port} is in use by another program"
    if number == errno.ENOTTY or "Could not configure port" in str(bad):
        return f"{port} is no serial port"
    if number == errno.EACCES:
        return f"{port} may not be opened; add the user to the group dialout"
    if "://" in port:
        return f"{port} cannot be reached: {str(bad).rpartition('] ')[2].lower()}"
    return f"{port} cannot be opened: {os.strerror(number).lower() if number else bad}"
