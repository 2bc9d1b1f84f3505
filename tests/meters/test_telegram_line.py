"""Telegram lines on real pseudo-terminals: listened to, and asked by a sign-on."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from loadbook.clock import Clock
from loadbook.errors import InputError
from loadbook.files import load_map
from loadbook.meters.counters import CountingSink
from loadbook.meters.lines import build_lines
from loadbook.meters.pseudoline import PseudoLine
from loadbook.meters.telegrams.checks import block_check, crc_arc, with_parity
from loadbook.settings import Settings

from tests.meters.conftest import Memory, wait_for
from tests.meters.telegrams.examples import P1_V5, entry, sml_frame

OURS = """
[map]
title = "t"
source = "s"
"""


def p1(watts: int) -> bytes:
    body = P1_V5[: P1_V5.index(b"!") + 1].replace(b"1.7.0(00.244*kW)", b"1.7.0(%06.3f*kW)" % (watts / 1000), 1)
    return body + b"%04X\r\n" % crc_arc(body)


def sml(watts: int) -> bytes:
    return sml_frame([entry((1, 0, 16, 7, 0, 255), 27, 0, watts)])


def delimited(watts: int) -> bytes:
    return b"230.0,1.0,%d,50.00,1.00,5\r\n" % watts


def push(watts: int) -> bytes:
    return with_parity(b"/XYZ2demo\r\n\r\n1.7.0(%06.3f*kW)\r\n!\r\n" % (watts / 1000))


FORMS: dict[str, tuple[Callable[[int], bytes], dict[str, object]]] = {
    "p1-telegram": (p1, {"parity": "N"}),
    "sml-frame": (sml, {"parity": "N"}),
    "delimited-line": (delimited, {"parity": "N"}),
    "iec62056-21-push": (push, {"data_bits": 7, "parity": "E", "baud_bd": 2400}),
}


@contextmanager
def listening(
    line: PseudoLine, map_name: str, tmp_path: Path, *, speed: float = 1.0, **more: object
) -> Iterator[tuple[Memory, CountingSink]]:
    """A poller's loop over the line, with the shipped map."""
    settings = Settings.model_validate(
        {
            "line": [
                {
                    "id": "l1",
                    "kind": "telegram",
                    "port": str(line.link),
                    "meter": [{"id": "m1", "map": map_name}],
                    **more,
                }
            ]
        }
    )
    memory = Memory()
    sink = CountingSink({"m1": "l1"}, memory)
    (loop,) = build_lines(settings, tmp_path, sink, Clock(speed=speed))
    loop.start()
    try:
        yield memory, sink
    finally:
        loop.stop()
        loop.join(20)
        line.close()


def say_until_read(line: PseudoLine, telegram: bytes, memory: Memory) -> None:
    """Opening a port empties it: what is said before somebody listens is lost, as on a real line."""
    before = len(memory.readings)

    def said() -> bool:
        line.say(telegram)
        time.sleep(0.05)
        return len(memory.readings) > before

    wait_for(said)


@pytest.mark.parametrize("name", sorted(FORMS))
def test_what_a_meter_sends_is_read_once_each(name: str, tmp_path: Path) -> None:
    telegram, more = FORMS[name]
    line = PseudoLine(tmp_path / "port")
    with listening(line, name, tmp_path, **more) as (memory, _):
        say_until_read(line, telegram(1), memory)
        for watts in range(100, 110):
            line.say(telegram(watts))
        wait_for(lambda: memory.readings[-1][1].power_w == 109)
    assert [r.power_w for r in memory.of("m1") if r.power_w != 1] == list(range(100, 110))


def test_a_damaged_telegram_and_silence_are_gaps_with_their_reasons(tmp_path: Path) -> None:
    line = PseudoLine(tmp_path / "port")
    with listening(line, "p1-telegram", tmp_path, speed=10.0, parity="N") as (memory, sink):
        say_until_read(line, p1(500), memory)
        line.say(p1(555).replace(b"(0230.0*V)", b"(0930.0*V)"))
        wait_for(lambda: any(reason == "crc" for _, reason, _ in memory.gaps))
        wait_for(lambda: any(reason == "no_answer" for _, reason, _ in memory.gaps))
        line.say(p1(501))
        wait_for(lambda: memory.readings[-1][1].power_w == 501.0)
    assert {r.power_w for r in memory.of("m1")} == {500.0, 501.0}
    assert sink.snapshot()["m1"]["read"] == len(memory.readings)


def test_a_port_pulled_out_and_put_back_is_heard_again(tmp_path: Path) -> None:
    line = PseudoLine(tmp_path / "port")
    with listening(line, "p1-telegram", tmp_path, speed=10.0, parity="N") as (memory, _):
        say_until_read(line, p1(500), memory)
        line.unplug()
        wait_for(lambda: any(reason == "port_gone" for _, reason, _ in memory.gaps))
        line.plug()
        say_until_read(line, p1(501), memory)


def test_a_meter_without_the_maps_codes_is_not_found(tmp_path: Path) -> None:
    line = PseudoLine(tmp_path / "port")
    with listening(line, "iec62056-21-push", tmp_path, speed=10.0, data_bits=7, parity="E") as (memory, _):

        def said() -> bool:
            line.say(with_parity(b"/XYZ2demo\r\n\r\n9.9.9(1*kW)\r\n!\r\n"))
            time.sleep(0.05)
            return any(reason == "not_found" for _, reason, _ in memory.gaps)

        wait_for(said)


class SignedOn:
    """A meter of mode C: answers the request for its address, then the acknowledgement, in seven bits."""

    def __init__(self, link: Path, addresses: dict[str, int], spoil: bool = False) -> None:
        self.heard = b""
        self.asked = ""
        self.addresses, self.spoil = addresses, spoil
        self.line = PseudoLine(link, on_request=self.request)

    def request(self, data: bytes) -> list[tuple[float, bytes]]:
        self.heard += bytes(b & 0x7F for b in data)
        for address in self.addresses:
            if self.heard.endswith(f"/?{address}!\r\n".encode()):
                self.asked, self.heard = address, b""
                self.say(b"/XYZ5\\2demo\r\n")
        if self.heard.endswith(b"\x06050\r\n"):
            self.heard = b""
            block = b"1.8.0(000123.456*kWh)\r\n1.7.0(%06.3f*kW)\r\n" % (self.addresses[self.asked] / 1000)
            block += b"32.7.0(229.4*V)\r\n!\r\n\x03"
            check = block_check(block) ^ int(self.spoil)
            self.say(b"\x02" + block + bytes((check,)))
        return []

    def say(self, data: bytes) -> None:
        threading.Timer(0.02, self.line.say, args=(with_parity(data),)).start()


def sign_on_settings(port: Path, addresses: dict[str, int]) -> Settings:
    meters = [
        {"id": f"m{n}", "map": "quick.toml", "device_address": address} for n, address in enumerate(addresses, start=1)
    ]
    line = {"id": "l1", "kind": "telegram", "port": str(port), "baud_bd": 300, "data_bits": 7, "meter": meters}
    return Settings.model_validate({"line": [line]})


def quick_map(tmp_path: Path) -> None:
    """The shipped map, asked more often."""
    from loadbook.files import share  # noqa: PLC0415

    text = share("config", "meters", "iec62056-21-sign-on.toml").read_text()
    (tmp_path / "quick.toml").write_text(text.replace("interval_s = 5.0", "interval_s = 0.5"))


@pytest.mark.parametrize("spoil", [False, True])
def test_two_meters_are_asked_by_their_addresses(spoil: bool, tmp_path: Path) -> None:
    quick_map(tmp_path)
    addresses = {"0001": 700, "0002": 1200}
    meter = SignedOn(tmp_path / "port", addresses, spoil)
    memory = Memory()
    sink = CountingSink({"m1": "l1", "m2": "l1"}, memory)
    (loop,) = build_lines(sign_on_settings(tmp_path / "port", addresses), tmp_path, sink, Clock())
    loop.start()
    try:
        if spoil:
            wait_for(lambda: sum(reason == "crc" for _, reason, _ in memory.gaps) >= 1)
            assert not memory.readings
        else:
            wait_for(lambda: memory.of("m1") and memory.of("m2"), 60)
            assert memory.of("m1")[0].power_w == 700.0
            assert memory.of("m2")[0].power_w == 1200.0
            assert memory.of("m1")[0].energy_wh == 123456.0
    finally:
        loop.stop()
        loop.join(30)
        meter.line.close()


@pytest.mark.parametrize(
    ("kind", "maps", "says"),
    [
        ("telegram", ["sunspec"], "map 'sunspec' is no telegram map, and line 'l1' is telegram"),
        ("modbus_rtu", ["p1-telegram"], "map 'p1-telegram' is no Modbus map"),
        ("telegram", ["p1-telegram", "p1-telegram"], "meters that send by themselves cannot share a line"),
    ],
)
def test_a_map_that_does_not_fit_its_line_is_refused(kind: str, maps: list[str], says: str, tmp_path: Path) -> None:
    meters = [{"id": f"m{n}", "map": name} for n, name in enumerate(maps)]
    settings = Settings.model_validate({"line": [{"id": "l1", "kind": kind, "port": "/dev/x", "meter": meters}]})
    with pytest.raises(InputError, match=says):
        build_lines(settings, tmp_path, CountingSink({}), Clock())


def test_every_form_has_a_shipped_map() -> None:
    from loadbook.files import share  # noqa: PLC0415
    from loadbook.meters.maps import FORMS as ALL  # noqa: PLC0415

    maps = [load_map(path.stem, Path()) for path in share("config", "meters").glob("*.toml")]
    assert {m.form for m in maps} == set(ALL)
    assert {m.obis.framing for m in maps if m.obis} == {"p1", "sign_on", "push"}
