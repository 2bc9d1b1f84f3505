"""Telegrams the decoders are tried on: a published one, and frames built here field by field."""

from __future__ import annotations

from loadbook.meters.telegrams.checks import crc_x25
from loadbook.meters.telegrams.sml import BEGIN, END

P1_V5 = (
    b"/ISk5\\2MT382-1000\r\n"
    b"\r\n"
    b"1-3:0.2.8(50)\r\n"
    b"0-0:1.0.0(170102192002W)\r\n"
    b"0-0:96.1.1(4B384547303034303436333935353037)\r\n"
    b"1-0:1.8.1(000004.426*kWh)\r\n"
    b"1-0:1.8.2(000002.399*kWh)\r\n"
    b"1-0:2.8.1(000002.444*kWh)\r\n"
    b"1-0:2.8.2(000000.000*kWh)\r\n"
    b"0-0:96.14.0(0002)\r\n"
    b"1-0:1.7.0(00.244*kW)\r\n"
    b"1-0:2.7.0(00.000*kW)\r\n"
    b"0-0:96.7.21(00013)\r\n"
    b"0-0:96.7.9(00000)\r\n"
    b"1-0:99.97.0(0)(0-0:96.7.19)\r\n"
    b"1-0:32.32.0(00000)\r\n"
    b"1-0:52.32.0(00000)\r\n"
    b"1-0:72.32.0(00000)\r\n"
    b"1-0:32.36.0(00000)\r\n"
    b"1-0:52.36.0(00000)\r\n"
    b"1-0:72.36.0(00000)\r\n"
    b"0-0:96.13.0()\r\n"
    b"1-0:32.7.0(0230.0*V)\r\n"
    b"1-0:52.7.0(0230.0*V)\r\n"
    b"1-0:72.7.0(0229.0*V)\r\n"
    b"1-0:31.7.0(0.48*A)\r\n"
    b"1-0:51.7.0(0.44*A)\r\n"
    b"1-0:71.7.0(0.86*A)\r\n"
    b"1-0:21.7.0(00.070*kW)\r\n"
    b"1-0:41.7.0(00.032*kW)\r\n"
    b"1-0:61.7.0(00.142*kW)\r\n"
    b"1-0:22.7.0(00.000*kW)\r\n"
    b"1-0:42.7.0(00.000*kW)\r\n"
    b"1-0:62.7.0(00.000*kW)\r\n"
    b"0-1:24.1.0(003)\r\n"
    b"0-1:96.1.0(3232323241424344313233343536373839)\r\n"
    b"0-1:24.2.1(170102161005W)(00000.107*m3)\r\n"
    b"0-2:24.1.0(003)\r\n"
    b"0-2:96.1.0()\r\n"
    b"!6EEE\r\n"
)
"""TELEGRAM_V5 of test/example_telegrams.py in the repository ndokter/dsmr_parser (MIT). Its checksum 6EEE is theirs."""


def tlv(value: object, signed: bool = False, size: int = 0) -> bytes:
    """A field as SML 1.04 section 6 encodes it: None is left out, lists nest, integers take ``size`` bytes."""
    if value is None:
        return b"\x01"
    if isinstance(value, list):
        return head(0x70, len(value)) + b"".join(value)
    if isinstance(value, bytes):
        return head(0x00, len(value), own=True) + value
    assert isinstance(value, int)
    return head(0x50 if signed else 0x60, size, own=True) + value.to_bytes(size, "big", signed=signed)


def head(kind: int, length: int, own: bool = False) -> bytes:
    if own and length + 1 > 15:
        length += 2
        return bytes((0x80 | kind | length >> 4, length & 0x0F))
    length += own
    return bytes((kind | length,)) if length < 16 else bytes((0x80 | kind | length >> 4, length & 0x0F))


def entry(code: tuple[int, ...], unit: int | None, scaler: int | None, value: object) -> bytes:
    unit_field = tlv(None) if unit is None else tlv(unit, size=1)
    scaler_field = tlv(None) if scaler is None else tlv(scaler, signed=True, size=1)
    value_field = value if isinstance(value, bytes) else tlv(value, signed=True, size=8)
    return tlv([tlv(bytes(code)), tlv(None), tlv(None), unit_field, scaler_field, value_field, tlv(None)])


def message(tag: int, body: bytes) -> bytes:
    return tlv(
        [tlv(b"\x01\x02"), tlv(0, size=1), tlv(0, size=1), tlv([tlv(tag, size=2), body]), tlv(0x1234, size=2), b"\x00"]
    )


def sml_frame(entries: list[bytes], extra: bytes = b"") -> bytes:
    """A frame with an open response, one list and a close response, framed and closed by its checksum."""
    opened = tlv([tlv(None), tlv(None), tlv(b"file"), tlv(b"\x0a\x01SERVER"), tlv(None), tlv(None)])
    listed = tlv([tlv(None), tlv(b"\x0a\x01SERVER"), tlv(None), tlv(None), tlv(entries), tlv(None), tlv(None)])
    body = message(0x0101, opened) + message(0x0701, listed) + extra + message(0x0201, tlv([tlv(None)]))
    padding = -len(body) % 4
    body += bytes(padding)
    frame = BEGIN + body.replace(b"\x1b" * 4, b"\x1b" * 8) + END + bytes((padding,))
    return frame + crc_x25(frame).to_bytes(2, "little")


SML_ENTRIES = [
    entry((1, 0, 96, 1, 0, 255), None, None, tlv(b"ABC")),
    entry((1, 0, 1, 8, 0, 255), 30, -1, 44998962),
    entry((1, 0, 16, 7, 0, 255), 27, 0, 137),
    entry((1, 0, 32, 7, 0, 255), 35, -1, 2344),
    entry((1, 0, 31, 7, 0, 255), 33, -2, 41),
    entry((1, 0, 14, 7, 0, 255), 44, -1, 500),
]
"""The values of Frame2 in tests/test_frames.py of spacemanspiff2007/SmlLib, in a frame of our own making."""
SML_VALUES = {"power_w": 137.0, "voltage_v": 234.4, "current_a": 0.41, "frequency_hz": 50.0, "energy_wh": 4499896.2}
