"""The wire to Modbus meters: opens a port or a connection, asks for registers, says why when none come.

Uses pymodbus' clients, with what they lack on a serial line (measured on 3.16): they wait by the wall clock, which may
step; they take a late answer for the answer to the next question; one byte of noise in front hides an answer. All three
are mended in ``_SerialClient`` and ``ModbusWire.ask``.
"""

from __future__ import annotations

import logging
import select
import termios
import time
from dataclasses import dataclass

from pymodbus.client import ModbusSerialClient, ModbusTcpClient
from pymodbus.exceptions import ConnectionException, ModbusException

from loadbook.meters.budget import char_s, silence_s
from loadbook.meters.frames import EXCEPTIONS, Question
from loadbook.meters.maps import Block
from loadbook.meters.port import open_port
from loadbook.settings import Line

LATE_S = 5.0
"""An answer later than this will not come any more. A margin of our own; meters are late by tenths of a second."""
REOPEN_AFTER = 3
"""A connection that stays silent for this many questions is closed and made anew: its other end may be gone."""

logging.getLogger("pymodbus.logging").setLevel(logging.CRITICAL)  # a lost answer is counted, not logged line by line


class ReadError(Exception):
    """No registers. ``reason`` is a key of ``GAP_REASONS``; ``str()`` says more."""

    def __init__(self, reason: str, detail: str) -> None:
        super().__init__(detail)
        self.reason = reason


@dataclass(slots=True)
class _Open:
    """A question whose answer may still come."""

    asked_s: float
    count: int


class _SerialClient(ModbusSerialClient):
    """pymodbus' client with a receiver that waits by the monotonic clock and finds the answer among noise and echo."""

    question: Question | None = None
    deadline_s: float = 0.0
    received: bytes = b""
    echoes: bool = False

    def connect(self) -> bool:
        if self.socket is None:
            params = self.comm_params
            try:
                self.socket = open_port(params.host, params.baudrate, params.bytesize, params.parity, params.stopbits)
            except OSError as bad:
                raise ConnectionException(str(bad)) from None
        return True

    def close(self) -> None:
        if self.socket is not None:
            self.socket.close()
        self.socket = None

    def send(self, request: bytes, addr: tuple[str, int] | None = None) -> int:
        self.received = b""
        if self.socket is None:
            raise ConnectionException("not open")
        try:
            self.socket.reset_input_buffer()
            return self.socket.write(request) or 0
        except (OSError, termios.error) as bad:
            self.close()
            raise ConnectionException(str(bad)) from None

    def recv(self, size: int | None) -> bytes:
        """The whole answer; or nothing at the deadline, which pymodbus takes for a time-out."""
        question = self.question
        if self.socket is None or question is None:
            raise ConnectionException("not open")
        sent = question.frame()
        try:
            while (left_s := self.deadline_s - time.monotonic()) > 0:
                if not select.select([self.socket.fileno()], [], [], left_s)[0]:
                    break
                self.received += self.socket.read(512)
                if self.received.startswith(sent):  # a two-wire adapter hears itself; no answer equals its question
                    self.echoes = True
                    self.received = self.received[len(sent) :]
                if answer := question.answer_in(self.received):
                    return answer
        except OSError as bad:
            self.close()
            raise ConnectionException(str(bad)) from None
        return b""


def _plain(bad: ConnectionException) -> str:
    return bad.string.removeprefix("[Connection] ")


class ModbusWire:
    """One serial line or one connection, used by one thread. Opens by itself, and again after it was lost."""

    def __init__(self, line: Line) -> None:
        self._line = line
        self._serial: _SerialClient | None = None
        self._open_questions: dict[int, list[_Open]] = {}
        self._silent = 0
        self._char_s = self._silence_s = 0.0
        self._quiet_s = 0.0
        self._client: ModbusSerialClient | ModbusTcpClient
        if line.kind == "modbus_rtu":
            self._char_s, self._silence_s = char_s(line), silence_s(line)
            self._client = self._serial = _SerialClient(
                line.port,
                baudrate=line.baud_bd,
                bytesize=line.data_bits,
                parity=line.parity,
                stopbits=line.stop_bits,
                timeout=line.timeout_s,
                retries=0,
            )
        else:
            self._client = ModbusTcpClient(line.host, port=line.tcp_port, timeout=line.timeout_s, retries=0)

    @property
    def echoes(self) -> bool:
        """Whether the line was seen to echo what is sent."""
        return self._serial is not None and self._serial.echoes

    def open(self) -> None:
        """Open the port or connection if it is not. Raises ReadError ``port_gone``."""
        try:
            if self._client.connect():
                return
        except ConnectionException as bad:
            raise ReadError("port_gone", _plain(bad)) from None
        raise ReadError("port_gone", f"no connection to {self._line.host}:{self._line.tcp_port}")

    def close(self) -> None:
        """Close it; the next question opens it again. Answers that may still come are kept in mind."""
        self._client.close()  # type: ignore[no-untyped-call]
        self._silent = 0

    def ask(self, unit_id: int, block: Block) -> list[int]:
        """The registers of a block. Waits at most the line's time-out plus the bytes' own time. Raises ReadError.

        On a serial line an answer carries no number that tells which question it belongs to, only how many registers
        it brings. While an earlier question to the same unit is still without its answer, one with a count of its own
        is asked first: meters answer in order, so once that answer is here, nothing old can follow.
        """
        self.open()
        if self._serial is not None:
            self._settle(unit_id, block)
        return self._exchange(Question(unit_id, block.function, block.address, block.count))

    def _settle(self, unit_id: int, block: Block) -> None:
        now_s = time.monotonic()
        waiting = [q for q in self._open_questions.get(unit_id, []) if now_s - q.asked_s < LATE_S]
        self._open_questions[unit_id] = waiting
        if not waiting:
            return
        taken = {q.count for q in waiting} | {block.count}
        free = [n for n in range(block.count, 0, -1) if n not in taken]
        free.sort(key=lambda n: n % 2)  # half a 32-bit value is refused by some meters: even counts first
        if not free:
            raise ReadError("late", "an answer may still be on its way, and the block is too small to tell it apart")
        self._exchange(Question(unit_id, block.function, block.address, free[0]))
        self._open_questions[unit_id] = []

    def _exchange(self, question: Question) -> list[int]:
        client, asked_s = self._client, time.monotonic()
        if self._serial is not None:
            if asked_s < self._quiet_s:  # frames are told apart by the silence between them
                time.sleep(self._quiet_s - asked_s)
                asked_s = time.monotonic()
            wire_s = (8 + question.answer_length()) * self._char_s
            self._serial.question = question
            self._serial.deadline_s = asked_s + self._line.timeout_s + wire_s
        read = client.read_holding_registers if question.function == 3 else client.read_input_registers
        try:
            answer = read(question.address, count=question.count, device_id=question.unit_id)
        except ConnectionException as bad:
            self.close()
            raise ReadError("port_gone", _plain(bad)) from None
        except (ModbusException, OSError) as bad:
            raise self._failed(question, asked_s, str(bad)) from None
        finally:
            self._quiet_s = time.monotonic() + self._silence_s
        self._silent = 0
        if answer.isError():
            code = int(getattr(answer, "exception_code", 0))
            raise ReadError("exception", f"exception {code}: {EXCEPTIONS.get(code, 'unknown code')}")
        if answer.function_code != question.function or len(answer.registers) != question.count:
            raise self._failed(question, asked_s, f"{len(answer.registers)} registers for {question.count}")
        return list(answer.registers)

    def _failed(self, question: Question, asked_s: float, detail: str) -> ReadError:
        self._silent += 1
        if self._serial is not None:
            waiting = self._open_questions.setdefault(question.unit_id, [])
            reason = question.blame(self._serial.received)
            if reason == "wrong_answer" and waiting:
                reason = "late"
            waiting.append(_Open(asked_s, question.count))
            heard = self._serial.received[:40].hex(" ")
            return ReadError(reason, f"got {heard}" if heard else f"no answer in {self._line.timeout_s:g} s")
        if self._silent >= REOPEN_AFTER:
            self.close()
        return ReadError("no_answer", f"no answer in {self._line.timeout_s:g} s ({detail})")
