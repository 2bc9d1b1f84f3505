"""The exceptions a user may cause. Each one's text is the single line he is shown: it names the file, key or row, and
the fix.

    LoadbookError
    ├── InputError       a file, key, row or argument that cannot be used   (exit status 2)
    └── StartError       a port, broker, store or device that is not there  (exit status 2)
"""

from __future__ import annotations


class LoadbookError(Exception):
    """Anything the user can mend. ``str()`` is one line without a trailing full stop's worth of traceback."""

    exit_status = 2


class InputError(LoadbookError):
    """What was handed in cannot be used."""


class StartError(LoadbookError):
    """What was to be started or reached is not there."""
