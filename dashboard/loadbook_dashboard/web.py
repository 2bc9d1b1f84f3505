"""waitress in a thread of its own, that can be stopped while browsers watch."""

from __future__ import annotations

import threading
from typing import Any

from flask import Flask
from loadbook.errors import StartError
from waitress import wasyncore
from waitress.server import create_server
from waitress.task import ThreadedTaskDispatcher


class Web:
    """A server that listens from the moment it is made. Raises StartError when the address cannot be had."""

    def __init__(
        self,
        app: Flask,
        host: str,
        port: int,
        threads: int,
        longest_body: int = 1_000_000,
        *,
        behind_proxy: bool = False,
    ) -> None:
        """``longest_body``: what is longer, in bytes, is refused before it is taken in, which would fill the card.

        ``behind_proxy``: who asks is whom the proxy on this board names last in ``X-Forwarded-For``. Else all would
        seem to come from loopback, and who fails to sign in again and again would make everybody wait.
        """
        proxy: dict[str, Any] = {}
        if behind_proxy:
            proxy = {"trusted_proxy": "127.0.0.1", "trusted_proxy_headers": {"x-forwarded-for"}}
        self._threads = ThreadedTaskDispatcher()
        self._threads.set_thread_count(threads)
        try:
            self._server: Any = create_server(
                app,
                _dispatcher=self._threads,
                host=host,
                port=port,
                threads=threads,
                connection_limit=4 * threads,
                max_request_body_size=longest_body,
                max_request_header_size=32_768,
                channel_request_lookahead=1,  # so that a browser that has gone is noticed while its stream waits
                ident="loadbook",
                clear_untrusted_proxy_headers=True,
                **proxy,
            )
        except (OSError, ValueError) as bad:
            self._threads.shutdown()
            why = (getattr(bad, "strerror", None) or str(bad)).lower()
            raise StartError(
                f"dashboard: cannot listen on {host}:{port}: {why}; change dashboard.port or dashboard.address"
            ) from None
        self.port: int = getattr(self._server, "effective_port", port)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="dashboard-web", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def _run(self) -> None:
        # waitress's own loop ends only when the last browser has gone; this one ends when it is told to
        sockets = self._server._map
        while not self._stop.is_set():
            wasyncore.loop(timeout=0.5, count=1, map=sockets, use_poll=True)
        wasyncore.close_all(sockets, ignore_all=True)

    def stop(self) -> None:
        """End. Event streams must have been told to end before, or they are left to end by themselves."""
        self._threads.shutdown(cancel_pending=True, timeout=2)
        self._stop.set()
        if self._thread.ident is not None:
            self._server.pull_trigger()
            self._thread.join(5)
        else:
            self._server.close()
