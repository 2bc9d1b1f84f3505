"""Lines of meters that send telegrams: listened to, or asked by a sign-on. Serial ports only.

A telegram is a reading at the moment it is whole. Where none comes for one and a half intervals, that is a gap with
the reason of what was heard instead, and again each interval after.
"""

from __future__ import annotations

import select
import termios
import time

import serial

from loadbook.clock import Clock
from loadbook.meters.counters import CountingSink
from loadbook.meters.loop import LineLoop
from loadbook.meters.maps import MeterMap
from loadbook.meters.port import open_port
from loadbook.meters.telegram_maps import Obis
from loadbook.meters.telegrams import obis
from loadbook.meters.telegrams.checks import DamagedError, with_parity, without_parity
from loadbook.meters.telegrams.decode import pushed
from loadbook.meters.telegrams.sign_on import (
    ANSWER_S,
    CHANGE_OVER_S,
    OPENING_BD,
    Identification,
    acknowledgement,
    identification,
    request,
)
from loadbook.settings import Line

LOOK_S = 0.2
"""The longest the loop listens before it looks whether it is to stop."""
READOUT_S = 20.0
"""A readout longer than this is given up: at 300 Bd about 600 characters."""
PATIENCE = 1.5
"""Intervals without a telegram that make a gap."""


class TelegramPort:
    """A serial port to listen to. Seven bits and parity are taken as eight and checked here: a UART set to seven bits
    would hide a wrong parity."""

    def __init__(self, line: Line) -> None:
        self._line = line
        self.seven_bits = line.data_bits == 7
        self._serial: serial.Serial | None = None

    def open(self) -> None:
        """Open it if it is not. Raises OSError in one line."""
        if self._serial is None:
            line = self._line
            bits, parity = (8, "N") if self.seven_bits else (line.data_bits, line.parity)
            self._serial = open_port(line.port, line.baud_bd, bits, parity, line.stop_bits)

    def close(self) -> None:
        """Close it; ``open`` opens it again."""
        if self._serial is not None:
            self._serial.close()
            self._serial = None

    def hear(self, timeout_s: float) -> bytes:
        """What came within ``timeout_s``, or nothing. Raises OSError when the port has gone."""
        assert self._serial is not None
        if not select.select([self._serial.fileno()], [], [], max(0.0, timeout_s))[0]:
            return b""
        return bytes(self._serial.read(4096))

    def say(self, data: bytes) -> None:
        """Send; what was heard before is forgotten. Raises OSError when the port has gone."""
        assert self._serial is not None
        try:
            self._serial.reset_input_buffer()
            self._serial.write(with_parity(data) if self.seven_bits else data)
        except termios.error as bad:
            raise OSError(str(bad)) from None

    def change_speed(self, baud_bd: int) -> None:
        """Raises OSError where the port cannot."""
        assert self._serial is not None
        try:
            self._serial.baudrate = baud_bd
        except (termios.error, ValueError) as bad:
            raise OSError(str(bad)) from None


class PushedLine(LineLoop):
    """A meter that sends by itself."""

    def __init__(self, line: Line, meter_id: str, meter_map: MeterMap, *, sink: CountingSink, clock: Clock) -> None:
        super().__init__(line.id, sink, clock)
        self._port = TelegramPort(line)
        self._meter_id = meter_id
        self._map = meter_map
        self._interval_s = interval_of(meter_map)
        self._trouble: tuple[str, str] | None = None

    def _run(self) -> None:
        splitter, decode = pushed(self._map, self._port.seven_bits)
        late_s = self._clock.mono_s() + PATIENCE * self._interval_s
        try:
            while not self._stop.is_set():
                self.last_tick_s = now_s = self._clock.mono_s()
                if now_s >= late_s:
                    self._miss()
                    late_s = max(late_s + self._interval_s, now_s)
                data = self._hear(min(LOOK_S, (late_s - now_s) / self._clock.speed))
                if data is None:
                    splitter, _ = pushed(self._map, self._port.seven_bits)
                    continue
                for telegram in splitter.feed(data):
                    try:
                        values = decode(telegram)
                    except DamagedError as bad:
                        self._trouble = (bad.reason, str(bad))
                        continue
                    if values is None:
                        continue
                    if not values:
                        self._trouble = ("not_found", "none of the map's codes is in the telegram")
                        continue
                    self.put(self._meter_id, values)
                    self._trouble = None
                    late_s = self._clock.mono_s() + PATIENCE * self._interval_s
        finally:
            self._port.close()

    def _hear(self, timeout_s: float) -> bytes | None:
        """What came; None when there is no port to hear."""
        try:
            self._port.open()
            return self._port.hear(timeout_s)
        except OSError as bad:
            self._port.close()
            self._trouble = ("port_gone", str(bad))
            self._stop.wait(max(0.01, timeout_s))
            return None

    def _miss(self) -> None:
        reason, detail = self._trouble or ("no_answer", f"no telegram for {PATIENCE * self._interval_s:g} s")
        self.gap(self._meter_id, reason, detail)
        self._trouble = None


class AskedLine(LineLoop):
    """Meters asked one after the other by the sign-on of IEC 62056-21 mode C."""

    def __init__(
        self, line: Line, meters: list[tuple[str, str, MeterMap]], *, sink: CountingSink, clock: Clock
    ) -> None:
        """``meters``: id, address, map."""
        super().__init__(line.id, sink, clock)
        self._port = TelegramPort(line)
        self._meters = meters
        self._interval_s = max(interval_of(meter_map) for _, _, meter_map in meters)

    def _run(self) -> None:
        due_s = self._clock.mono_s()
        try:
            while not self._clock.wait_until(due_s, self._stop):
                for meter_id, address, meter_map in self._meters:
                    self.last_tick_s = self._clock.mono_s()
                    if self._stop.is_set():
                        return
                    self._read(meter_id, address, meter_map)
                due_s += self._interval_s
                while due_s <= self._clock.mono_s():
                    for meter_id, _, _ in self._meters:
                        self.gap(meter_id, "overrun", "the readout before took longer than the interval")
                    due_s += self._interval_s
        finally:
            self._port.close()

    def _read(self, meter_id: str, address: str, meter_map: MeterMap) -> None:
        assert meter_map.obis is not None
        try:
            self._port.open()
            values = read_out(self._port, address, meter_map.obis)
        except DamagedError as bad:
            self.gap(meter_id, bad.reason, str(bad))
        except OSError as bad:
            self._port.close()
            self.gap(meter_id, "port_gone", str(bad))
        else:
            self.put(meter_id, values)


def read_out(port: TelegramPort, address: str, form: Obis) -> dict[str, float]:
    """One conversation of mode C. Raises DamagedError, or OSError when the port has gone."""
    port.change_speed(OPENING_BD)
    port.say(request(address))
    heard = b""
    meter: Identification | None = None
    end_s = time.monotonic() + ANSWER_S + 60 * 10 / OPENING_BD
    while meter is None and (left_s := end_s - time.monotonic()) > 0:
        heard += port.hear(left_s)
        meter = identification(_plain(port, heard))
    if meter is None:
        raise DamagedError("garbage" if heard else "no_answer", f"no identification; got {heard[:40].hex(' ')}")
    time.sleep(CHANGE_OVER_S)
    port.say(acknowledgement(meter.speed))
    time.sleep(8 * 10 / OPENING_BD)  # the acknowledgement leaves at the opening speed
    port.change_speed(meter.speed_bd)
    heard, end_s, quiet_s = b"", time.monotonic() + READOUT_S, time.monotonic() + ANSWER_S + CHANGE_OVER_S
    while (now_s := time.monotonic()) < min(end_s, quiet_s):
        piece = port.hear(min(end_s, quiet_s) - now_s)
        if piece:
            heard, quiet_s = heard + piece, time.monotonic() + ANSWER_S
        plain = bytes(b & 0x7F for b in heard) if port.seven_bits else heard
        closed = plain.find(obis.ETX, plain.find(obis.STX) + 1) if obis.STX in plain else -1
        if 0 <= closed < len(plain) - 1:
            text = obis.readout_text(without_parity(heard[: closed + 2]) if port.seven_bits else heard)
            return _found(obis.measured(form.quantities, obis.values_of(text)))
    raise DamagedError("short" if heard else "no_answer", "the readout did not come to its end")


def _found(values: dict[str, float]) -> dict[str, float]:
    if not values:
        raise DamagedError("not_found", "none of the map's codes is in the readout")
    return values


def _plain(port: TelegramPort, heard: bytes) -> bytes:
    return bytes(b & 0x7F for b in heard) if port.seven_bits else heard


def interval_of(meter_map: MeterMap) -> float:
    """How often a telegram comes, s."""
    form = meter_map.obis or meter_map.sml or meter_map.text
    assert form is not None
    return form.interval_s
