"""The one MQTT client of the house: paho, wrapped so that its traps cannot be stepped into.

MQTT 3.1.1 (the embedded broker speaks no 5), QoS 1, a clean session (nothing may depend on a broker's memory). Every
handler's exception is caught and logged: one that escaped would end paho's network thread in silence.
"""

from __future__ import annotations

import contextlib
import logging
import secrets
import threading
from collections.abc import Callable
from pathlib import Path

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from loadbook.errors import StartError
from loadbook.files import read_text
from loadbook.settings import Broker

log = logging.getLogger(__name__)

Handler = Callable[[str, bytes], None]
"""Gets topic and payload, in the network thread: hand over and return."""

_MOST_UNACKNOWLEDGED = 400
_REFUSED_FOR_GOOD = {"Not authorized", "Bad user name or password", "Client identifier not valid"}


class Client:
    """A connection that comes back by itself. ``subscribe`` before or after ``start``."""

    def __init__(
        self,
        broker: Broker,
        role: str,
        *,
        folder: Path | None = None,
        will: tuple[str, bytes] | None = None,
        on_up: Callable[[], None] | None = None,
    ) -> None:
        """``role`` begins the client id; ``folder`` is what ``password_file`` is relative to; ``will`` is
        (topic, payload) the broker publishes, retained, when we are gone; ``on_up`` runs at every connection.

        Raises InputError for a password file that cannot be read."""
        self.host, self.port = broker.host or "127.0.0.1", broker.port
        self._handlers: list[tuple[str, Handler]] = []
        self._on_up = on_up
        self._up = threading.Event()
        self._said = threading.Event()
        self._refusal = ""
        self._unacknowledged = 0
        self._lock = threading.Lock()
        self._started = False
        self._warned = False
        # A random end: a second client of the same id would be starved by one broker and thrown out by another.
        self._paho = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"{role}-{secrets.token_hex(4)}",
            clean_session=True,
            protocol=paho.MQTTv311,
        )
        self._paho.suppress_exceptions = True
        self._paho.max_queued_messages_set(1000)
        self._paho.max_inflight_messages_set(100)
        self._paho.reconnect_delay_set(1, 5)
        if broker.username:
            password = None
            if broker.password_file:
                path = (folder or Path()) / broker.password_file
                password = read_text(path, "password file").strip()
            self._paho.username_pw_set(broker.username, password)
        if will is not None:
            self._paho.will_set(will[0], will[1], qos=1, retain=True)
        self._keep_alive_s = broker.keep_alive_s
        self._paho.on_connect = self._connected
        self._paho.on_connect_fail = self._not_there
        self._paho.on_disconnect = self._disconnected
        self._paho.on_message = self._message
        self._paho.on_publish = self._published

    @property
    def connected(self) -> bool:
        return self._up.is_set()

    def start(self, wait_s: float = 10.0, *, patient: bool = False) -> None:
        """Connect. Raises StartError when the broker refuses us, or (unless ``patient``) is not there within
        ``wait_s``; a patient client goes on trying."""
        self._started = True
        try:
            self._paho.connect_async(self.host, self.port, keepalive=self._keep_alive_s)
            self._paho.loop_start()
        except (OSError, ValueError) as bad:
            raise StartError(f"broker {self.host}:{self.port}: {bad}") from None
        if patient:
            self._said.wait(min(wait_s, 2.0))
        elif not self._said.wait(wait_s):
            self._refusal = self._refusal or f"does not answer within {wait_s:g} s"
        if self._up.is_set() or (patient and self._refusal not in _REFUSED_FOR_GOOD):
            if not self._up.is_set():
                log.warning("broker %s:%d is not there yet; going on", self.host, self.port)
            return
        refusal = self._refusal or "cannot be reached"
        self.stop()
        hint = "check username and password_file" if refusal in _REFUSED_FOR_GOOD else "is it running? see [broker]"
        raise StartError(f"broker {self.host}:{self.port} refuses: {refusal.lower()}; {hint}")

    def wait_connected(self, timeout_s: float) -> bool:
        """Wait until connected, at most ``timeout_s``."""
        return self._up.wait(timeout_s)

    def subscribe(self, topic_filter: str, handler: Handler) -> None:
        """Hand messages of ``topic_filter`` to ``handler``, now and after every reconnection."""
        with self._lock:
            self._handlers.append((topic_filter, handler))
        if self._up.is_set():
            self._paho.subscribe(topic_filter, qos=1)

    def publish(self, topic: str, payload: str | bytes, *, retain: bool = False, qos: int = 1) -> bool:
        """Send, if connected and not choked. False when it was not even tried; the caller keeps what matters."""
        with self._lock:
            if not self._up.is_set() or self._unacknowledged >= _MOST_UNACKNOWLEDGED:
                return False
            if qos:
                self._unacknowledged += 1
        try:
            info = self._paho.publish(topic, payload, qos=qos, retain=retain)
        except (ValueError, OSError):
            log.exception("publishing on %s", topic)
            return False
        return info.rc == paho.MQTT_ERR_SUCCESS

    def stop(self, farewell: tuple[str, bytes] | None = None) -> None:
        """Say goodbye (publish ``farewell``, retained) and leave; a will is not published then."""
        if not self._started:
            return
        if farewell is not None and self._up.is_set():
            with contextlib.suppress(ValueError, OSError, RuntimeError):
                self._paho.publish(*farewell, qos=1, retain=True).wait_for_publish(2.0)
        self._paho.disconnect()
        self._paho.loop_stop()
        self._up.clear()

    # paho's callbacks: none may raise ---------------------------------------------------------------------------

    def _connected(
        self, _client: paho.Client, _data: object, _flags: object, reason: ReasonCode, _props: Properties | None
    ) -> None:
        try:
            if reason.is_failure:
                self._refusal = str(reason)
                if not self._warned:
                    log.warning("broker %s:%d refuses: %s", self.host, self.port, reason)
                self._warned = True
                self._said.set()
                return
            self._warned = False
            with self._lock:
                self._unacknowledged = 0
                filters = [f for f, _ in self._handlers]
            for topic_filter in dict.fromkeys(filters):
                self._paho.subscribe(topic_filter, qos=1)
            self._up.set()
            self._said.set()
            log.info("connected to broker %s:%d", self.host, self.port)
            if self._on_up is not None:
                self._on_up()
        except Exception:
            log.exception("on connection")

    def _not_there(self, _client: paho.Client, _data: object) -> None:
        self._refusal = self._refusal or "Connection refused or no such host"
        self._said.set()

    def _disconnected(
        self, _client: paho.Client, _data: object, _flags: object, reason: ReasonCode, _props: Properties | None
    ) -> None:
        if self._up.is_set():
            self._up.clear()
            if reason.is_failure:
                log.warning("lost broker %s:%d (%s); trying again", self.host, self.port, reason)

    def _published(self, _client: paho.Client, _data: object, _mid: int, _reason: object, _props: object) -> None:
        with self._lock:
            self._unacknowledged = max(0, self._unacknowledged - 1)

    def _message(self, _client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        # Matched here as well: the embedded broker hands retained messages to clients that never asked for them.
        for topic_filter, handler in list(self._handlers):
            try:
                if paho.topic_matches_sub(topic_filter, message.topic):
                    handler(message.topic, bytes(message.payload))
            except Exception:
                log.exception("a message on %s", message.topic)
