"""Logs as CSV files: reading (contract, section 1), writing, and bringing other people's into this form.

``cells`` is the definition of what a cell means; ``columns`` says the same for whole blocks at once, and leaves to
``cells`` every row it is not sure of.
"""

from loadbook.logs.reader import Log, LogReport, read_log
from loadbook.logs.writer import write_log

__all__ = ["Log", "LogReport", "read_log", "write_log"]
