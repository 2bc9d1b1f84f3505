"""Debian's victoria-metrics on a free loopback port, for tests and benches."""

from __future__ import annotations

import shutil
import subprocess
import time
from pathlib import Path
from urllib.error import URLError
from urllib.request import urlopen

from tests.ports import free_port


class MetricsServer:
    """Start, kill and start again on the same data."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self.child: subprocess.Popen[bytes] | None = None

    def start(self) -> MetricsServer:
        exe = shutil.which("victoria-metrics")
        assert exe
        self.child = subprocess.Popen(
            [exe, f"-storageDataPath={self.folder}", f"-httpListenAddr=127.0.0.1:{self.port}", "-retentionPeriod=100y",
             "-memory.allowedBytes=32MB"],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        end = time.monotonic() + 60
        while True:
            try:
                with urlopen(f"{self.url}/health", timeout=2):
                    return self
            except (URLError, OSError):
                assert time.monotonic() < end, "victoria-metrics did not start"
                time.sleep(0.05)

    def kill(self) -> None:
        if self.child is not None:
            self.child.kill()
            self.child.wait()
            self.child = None
