"""HTML to PDF, for statements and reports: in a process of its own that can fetch nothing and is stopped when it takes
too long or too much memory.

The library (WeasyPrint, with Debian's Pango) is the optional extra ``report``. Run as ``python -m loadbook.paper`` this
file is that process: HTML on standard input, the PDF on standard output. Everything a document shows must be inside
it (styles, SVG); a link to a file or a host is left out, not followed.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import threading

from loadbook.errors import StartError

TIMEOUT_S = 120.0
MEMORY_LIMIT = 1 << 30
"""Address space of the process, bytes: a document of a few pages takes 0.1 GB of memory, 0.5 GB of addresses."""
LARGEST_HTML = 4_000_000
DEBIAN_PACKAGES = "libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0"
MISSING = 3
"""Exit status of the process when the library is not there."""

_one_at_a_time = threading.Lock()


def pdf_of_html(html: str, timeout_s: float = TIMEOUT_S) -> bytes:
    """The document as PDF. One at a time in this process. Raises StartError when it cannot be made, saying why."""
    data = html.encode("utf-8")
    if len(data) > LARGEST_HTML:
        raise StartError(f"a document of {len(data):,} bytes is too large for a PDF; take the CSV or a shorter span")
    command = [sys.executable, "-m", "loadbook.paper"]
    with _one_at_a_time:
        try:
            done = subprocess.run(command, input=data, capture_output=True, timeout=timeout_s, check=False)
        except subprocess.TimeoutExpired:
            raise StartError(f"the PDF was not ready after {timeout_s:g} s; take the CSV or a shorter span") from None
    if done.returncode == MISSING:
        raise StartError(
            f"a PDF needs the extra 'report' and Debian's {DEBIAN_PACKAGES}; install them, or take the CSV"
        )
    if done.returncode != 0 or not done.stdout.startswith(b"%PDF"):
        lines = done.stderr.decode("utf-8", "replace").strip().splitlines()
        raise StartError(f"the PDF could not be made: {lines[-1] if lines else f'exit status {done.returncode}'}")
    return done.stdout


def _main() -> int:
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_LIMIT, MEMORY_LIMIT))
    os.nice(5)  # the readings come first
    try:
        from weasyprint import HTML  # noqa: PLC0415
        from weasyprint.urls import URLFetcher  # noqa: PLC0415
    except (ImportError, OSError):  # OSError: the library is there, Pango is not
        return MISSING
    html = sys.stdin.buffer.read().decode("utf-8")
    nothing = URLFetcher(allowed_protocols=())
    sys.stdout.buffer.write(HTML(string=html, url_fetcher=nothing, base_url=None).write_pdf(pdf_tags=True))
    return 0


if __name__ == "__main__":
    sys.exit(_main())
