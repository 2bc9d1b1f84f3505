"""Telegram decoders against published telegrams and checksums, and against damage of every kind."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from loadbook.errors import InputError
from loadbook.files import load_map
from loadbook.meters.maps import parse_map
from loadbook.meters.telegrams import obis, sml
from loadbook.meters.telegrams.checks import (
    DamagedError,
    block_check,
    crc_arc,
    crc_x25,
    with_parity,
    without_parity,
)
from loadbook.meters.telegrams.decode import Decode, pushed
from loadbook.meters.telegrams.sign_on import acknowledgement, identification, request
from loadbook.meters.telegrams.split import MOST_BYTES, Splitter

from tests.meters.telegrams.examples import P1_V5, SML_ENTRIES, SML_VALUES, entry, sml_frame, tlv

PUSH = b"/XYZ2demo\r\n\r\n1.8.0(000123.456*kWh)\r\n1.7.0(02.060*kW)\r\n32.7.0(229.4*V)\r\n31.7.0(8.98*A)\r\n!\r\n"
PUSHED = {"energy_wh": 123456.0, "power_w": 2060.0, "voltage_v": 229.4, "current_a": 8.98}
P1_VALUES = {"power_w": 244.0, "voltage_v": 230.0, "current_a": 0.48, "energy_wh": 6825.0}
LINE = b"230.1,8.957,2060.4,50.00,0.98,12345\r\n"
LINE_VALUES = {
    "voltage_v": 230.1,
    "current_a": 8.957,
    "power_w": 2060.4,
    "frequency_hz": 50.0,
    "power_factor": 0.98,
    "energy_wh": 12345.0,
}
JSON = b'{"power": 2060.4, "voltage": 230.1, "time": "12:00", "energy": null}\r\n'
JSON_VALUES = {"power_w": 2060.4, "voltage_v": 230.1}

FORMS: dict[str, tuple[str, bool, bytes, dict[str, float]]] = {
    "p1": ("p1-telegram", False, P1_V5, P1_VALUES),
    "push": ("iec62056-21-push", False, PUSH, PUSHED),
    "push in 7 bits": ("iec62056-21-push", True, with_parity(PUSH), PUSHED),
    "sml": ("sml-frame", False, sml_frame(SML_ENTRIES), SML_VALUES),
    "delimited": ("delimited-line", False, LINE, LINE_VALUES),
    "json": ("json-line", False, JSON, JSON_VALUES),
}
CHECKED = ("p1", "push in 7 bits", "sml")
"""Forms whose telegrams carry a check against damage."""


def form(name: str) -> tuple[Splitter, Decode, bytes, dict[str, float]]:
    map_name, seven_bits, telegram, values = FORMS[name]
    splitter, decode = pushed(load_map(map_name, Path()), seven_bits)
    return splitter, decode, telegram, values


def test_checksums_of_the_catalogue() -> None:
    """CRC catalogue: CRC-16/ARC of 123456789 is BB3D, CRC-16/X-25 is 906E."""
    assert crc_arc(b"123456789") == 0xBB3D
    assert crc_x25(b"123456789") == 0x906E


@pytest.mark.parametrize(
    ("covered", "bcc"),
    [
        (b"P0\x02(1234567)\x03", "P"),
        (b"R1\x021.8.0(1)\x03", "k"),
        (b"B0\x03", "q"),
        (b"3:171.0(0)\x03", "\x12"),
        (b"3:14(314*kWh)4:15(415*kWh)\r\n!\r\n\x03", "\x22"),
    ],
)
def test_block_check_characters(covered: bytes, bcc: str) -> None:
    """Vectors of the tests of pwitab/iec62056-21 (BSD)."""
    assert block_check(covered) == ord(bcc)


def test_the_published_telegram_holds_and_adds_up() -> None:
    """TELEGRAM_V5 of ndokter/dsmr_parser: its CRC 6EEE holds; L1 + L2 + L3 = the whole."""
    values = obis.values_of(obis.p1_text(P1_V5))
    phases = [values[f"1-0:{n}.7.0"].number for n in (21, 41, 61)]
    assert phases == [0.070, 0.032, 0.142]
    assert sum(phases) == pytest.approx(values["1-0:1.7.0"].number)
    assert values["1-0:1.7.0"] == obis.Value(0.244, "kW")
    assert "0-0:1.0.0" not in values  # a time is no number


def test_the_standards_own_example_is_known_to_be_wrong() -> None:
    """The example of the P1 Companion Standard 5.0.2 ends in EF2F as copied everywhere; its text gives E47C. So a
    telegram's checksum is worked out, never trusted because it is printed somewhere."""
    with pytest.raises(DamagedError, match="should be 6EEE"):
        obis.p1_text(P1_V5.replace(b"6EEE", b"EF2F"))


def test_sml_values_are_those_of_the_published_frame() -> None:
    """Frame2 of SmlLib's tests: 4 499 896.2 Wh, 137 W, 234.4 V, 0.41 A, 50.0 Hz."""
    values = sml.values_of(sml_frame(SML_ENTRIES))
    assert values["1-0:1.8.0"] == obis.Value(pytest.approx(4499896.2), "Wh")
    assert values["1-0:16.7.0"] == obis.Value(137.0, "W")
    assert "1-0:96.1.0" not in values


@pytest.mark.parametrize("name", sorted(FORMS))
def test_a_telegram_gives_its_values_however_it_is_cut(name: str) -> None:
    for cut in (1, 7, 64, 10_000):
        splitter, decode, telegram, values = form(name)
        lead = b"rest of one before\n" if name != "sml" else b"\x1b\x1b"
        stream = (with_parity(lead) if name == "push in 7 bits" else lead) + telegram * 3
        found = [t for at in range(0, len(stream), cut) for t in splitter.feed(stream[at : at + cut])]
        assert len(found) == 3
        for one in found:
            assert decode(one) == pytest.approx(values)


@pytest.mark.parametrize("name", sorted(FORMS))
def test_a_telegram_broken_off_gives_nothing_and_the_next_one_is_whole(name: str) -> None:
    splitter, decode, telegram, values = form(name)
    start = b"\n" if "line" in FORMS[name][0] else b""
    if name == "json":
        found = splitter.feed(start + telegram[:20] + b"\n" + telegram)
    elif name == "delimited":
        found = splitter.feed(start + telegram[:9] + b"\n" + telegram)
    else:
        found = splitter.feed(telegram[: len(telegram) * 2 // 3] + with_parity(b"\r\n") + telegram)
    good = []
    for one in found:
        try:
            good.append(decode(one))
        except DamagedError:
            continue
    assert good == [pytest.approx(values)]


@pytest.mark.parametrize("name", CHECKED)
@given(data=st.data())
@settings(max_examples=150)
def test_no_damaged_byte_gets_through(name: str, data: st.DataObject) -> None:
    _, _, telegram, values = form(name)
    damaged = bytearray(telegram)
    bit = data.draw(st.integers(0, len(damaged) * 8 - 1))
    damaged[bit // 8] ^= 1 << bit % 8
    splitter, decode, _, _ = form(name)
    for one in splitter.feed(bytes(damaged)):
        try:
            found = decode(one)
        except DamagedError:
            continue
        assert found == pytest.approx(values), "another value out of a damaged telegram"


@pytest.mark.parametrize("name", sorted(FORMS))
@given(pieces=st.lists(st.binary(max_size=60), max_size=12), keep=st.booleans())
@settings(max_examples=150)
def test_rubbish_raises_nothing_undeclared_and_stays_bounded(name: str, pieces: list[bytes], keep: bool) -> None:
    splitter, decode, telegram, _ = form(name)
    middle = len(telegram) // 2
    for piece in [telegram[:middle] if keep else b"", *pieces, telegram[middle:]]:
        for one in splitter.feed(piece):
            try:
                values = decode(one)
            except DamagedError as bad:
                assert bad.reason
            else:
                assert values is None or all(math.isfinite(v) for v in values.values())


@given(st.binary(max_size=200))
@example(b"\x7f" * 100)
@example(b"\x77" * 100)
@example(b"\xf0\xff\xff\xff")
def test_the_inside_of_a_frame_may_be_anything(body: bytes) -> None:
    """A right checksum around nonsense: declared errors only."""
    padding = -len(body) % 4
    frame = sml.BEGIN + (body + bytes(padding)).replace(sml.ESCAPE, sml.ESCAPE * 2) + sml.END + bytes((padding,))
    frame += crc_x25(frame).to_bytes(2, "little")
    try:
        values = sml.values_of(frame)
    except DamagedError:
        return
    assert all(math.isfinite(v.number) for v in values.values())


def test_an_escape_within_a_frame_is_data() -> None:
    inside = entry((1, 0, 96, 1, 0, 255), None, None, tlv(b"\x1b" * 7 + b"\x1a" + b"\x1b" * 4))
    splitter, decode, _, _ = form("sml")
    (frame,) = splitter.feed(sml_frame([inside, *SML_ENTRIES]))
    assert decode(frame) == pytest.approx(SML_VALUES)


def test_noise_without_end_is_not_kept() -> None:
    for name in FORMS:
        splitter, _, telegram, _ = form(name)
        for _ in range(20):
            splitter.feed(telegram[:12] + b"7" * 4000)
        assert len(getattr(splitter, "kept", getattr(splitter, "_raw", b""))) <= MOST_BYTES


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        (b"230.1,8.957,2060.4,50.00,0.98\n", "short"),
        (b"230.1,8.957,2060.4,50.00,0.98,1,2\n", "short"),
        (b"230.1,8.957,20x0.4,50.00,0.98,1\n", "garbage"),
        (b"230.1,8.957,nan,50.00,0.98,1\n", "garbage"),
        (b"230.1,8.957,1e400,50.00,0.98,1\n", "garbage"),
        (b"230.1,8.957,\xff\xfe,50.00,0.98,1\n", "garbage"),
    ],
)
def test_a_line_that_is_no_reading_says_why(line: bytes, reason: str) -> None:
    _, decode, _, _ = form("delimited")
    with pytest.raises(DamagedError) as bad:
        decode(line)
    assert bad.value.reason == reason


TEXT = """
[map]
title = "t"
source = "s"
[text]
format = "delimited"
separator = ";"
decimal = ","
starts = "M;"
checksum = "xor"
[text.quantity]
power_w = { column = 2, unit = "kW" }
"""


def test_a_line_with_a_checksum_decimal_commas_and_a_beginning() -> None:
    _, decode = pushed(parse_map(TEXT, "m.toml"))
    body = b"M;2,060"
    assert decode(body + b"*%02X\r\n" % block_check(body)) == {"power_w": 2060.0}
    assert decode(b"hello\r\n") is None
    for bad, reason in ((body, "short"), (body + b"*00", "crc"), (body[:-1] + b"*%02X" % block_check(body), "crc")):
        with pytest.raises(DamagedError) as said:
            decode(bad)
        assert said.value.reason == reason


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (("column = 2", 'key = "a"'), "needs column and not key in a delimited line"),
        (('unit = "kW"', 'unit = "V"'), "cannot be in 'V'"),
        (('"delimited"', '"xml"'), "text.format"),
        (("power_w", "voltage_v"), "cannot be in 'kW'"),
    ],
)
def test_a_bad_text_map_is_refused_in_one_line(change: tuple[str, str], says: str) -> None:
    with pytest.raises(InputError) as bad:
        parse_map(TEXT.replace(*change), "m.toml")
    assert says in str(bad.value)


def test_the_conversation_of_mode_c() -> None:
    """Vectors of the tests of pwitab/iec62056-21 (BSD)."""
    assert request() == b"/?!\r\n"
    assert request("45678903") == b"/?45678903!\r\n"
    found = identification(b"noise/Els6\\2EK280\r\n")
    assert found
    assert (found.maker, found.speed_bd, found.type) == ("Els", 19200, "EK280")
    assert acknowledgement("5") == b"\x06050\r\n"
    assert identification(b"/Els6\\2EK280") is None
    odd = identification(b"/XYZAdemo\r\n")
    assert odd
    with pytest.raises(DamagedError, match="which mode C does not have"):
        _ = odd.speed_bd


def test_a_readout_is_believed_only_with_its_block_check() -> None:
    block = b"1.7.0(02.060*kW)\r\n!\r\n\x03"
    whole = b"\x02" + block + bytes((block_check(block),))
    assert obis.values_of(obis.readout_text(whole))["1.7.0"] == obis.Value(2.06, "kW")
    for damaged in (whole[:-1] + b"\x00", whole.replace(b"2.060", b"2.061")):
        with pytest.raises(DamagedError):
            obis.readout_text(damaged)
    with pytest.raises(DamagedError, match="no whole data block"):
        obis.readout_text(whole[:-1])


def test_parity_is_checked() -> None:
    assert without_parity(with_parity(PUSH)) == PUSH
    with pytest.raises(DamagedError):
        without_parity(PUSH)


@given(st.text(max_size=100))
def test_any_text_gives_finite_values(content: str) -> None:
    assert all(math.isfinite(v.number) for v in obis.values_of(content).values())


def test_a_code_is_found_with_and_without_its_medium_and_channel() -> None:
    found: Callable[[str], dict[str, obis.Value]] = obis.values_of
    assert found("1-0:1.7.0(1*kW)") == found("1-0:1.7.0*255(1*kW)")
    assert "1.7.0" not in found("21.7.0(1*kW)")
    assert not found("0.1.7.0(1*kW)")
    assert not found("1.7.0(1*parsec)")
