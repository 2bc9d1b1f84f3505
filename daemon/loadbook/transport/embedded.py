"""The embedded broker, so that a newcomer needs nothing but Python: amqtt in a thread of its own, on loopback.

It forgets everything when it stops and may lose messages when clients reconnect; delivery (``delivery``) expects that
of any broker.
"""

from __future__ import annotations

import asyncio
import logging
import threading
from typing import Any

from amqtt.broker import Broker
from amqtt.errors import AMQTTError, BrokerError

from loadbook.errors import StartError

log = logging.getLogger(__name__)
_START_WITHIN_S = 20.0


class EmbeddedBroker:
    """A broker on 127.0.0.1 while it runs."""

    def __init__(self, port: int, address: str = "127.0.0.1") -> None:
        self.address, self.port = address, port
        self._loop: asyncio.AbstractEventLoop | None = None
        self._done: asyncio.Event | None = None
        self._ready = threading.Event()
        self._failure: str | None = None
        self._thread = threading.Thread(target=self._run, name="broker", daemon=True)

    def start(self) -> None:
        """Listen. Raises StartError when the port is taken."""
        for name in ("amqtt", "transitions"):
            logging.getLogger(name).setLevel(logging.CRITICAL)  # its own tracebacks say nothing a user can mend
        self._thread.start()
        if not self._ready.wait(_START_WITHIN_S):
            self._failure = "does not start"
        if self._failure is not None:
            raise StartError(
                f"broker.port {self.port}: the embedded broker cannot listen on {self.address}: {self._failure}; "
                "choose another port, or name the broker that runs there as broker.host"
            )

    @property
    def running(self) -> bool:
        return self._thread.is_alive()

    def stop(self) -> None:
        """Stop listening and end the thread."""
        loop, done = self._loop, self._done
        if loop is not None and done is not None and loop.is_running():
            loop.call_soon_threadsafe(done.set)
        if self._thread.is_alive():
            self._thread.join(10.0)

    def _run(self) -> None:
        try:
            asyncio.run(self._serve())
        except Exception:
            if not self._ready.is_set():
                self._failure = "it failed to start"
            log.exception("the embedded broker ended")
        finally:
            self._ready.set()

    async def _serve(self) -> None:
        config: dict[str, Any] = {
            "listeners": {"default": {"type": "tcp", "bind": f"{self.address}:{self.port}"}},
            "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
        }
        self._loop, self._done = asyncio.get_running_loop(), asyncio.Event()
        broker = Broker(config)
        try:
            await broker.start()
        except (AMQTTError, BrokerError) as bad:
            self._failure = "the port is in use" if "in use" in str(bad) else str(bad).splitlines()[0]
            return
        self._ready.set()
        await self._done.wait()
        await broker.shutdown()
