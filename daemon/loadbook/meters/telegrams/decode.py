"""Which splitter and which decoder a map wants. Pure."""

from __future__ import annotations

from collections.abc import Callable

from loadbook.meters.maps import MeterMap
from loadbook.meters.telegram_maps import Obis
from loadbook.meters.telegrams import obis, sml, text
from loadbook.meters.telegrams.checks import without_parity
from loadbook.meters.telegrams.split import LineSplitter, SmlSplitter, Splitter, TelegramSplitter

Decode = Callable[[bytes], dict[str, float] | None]
"""A whole telegram into values by quantity; None where it is no reading. Raises DamagedError."""


def pushed(meter_map: MeterMap, seven_bits: bool = False) -> tuple[Splitter, Decode]:
    """For a meter that sends by itself. ``seven_bits``: characters carry even parity in the eighth bit."""
    if meter_map.sml is not None:
        quantities = meter_map.sml.quantities
        return SmlSplitter(), lambda frame: obis.measured(quantities, sml.values_of(frame))
    if meter_map.text is not None:
        form = meter_map.text
        return LineSplitter(), lambda line: text.measured(form, line)
    assert meter_map.obis is not None
    form_obis = meter_map.obis
    splitter = ParityStripped(TelegramSplitter()) if seven_bits else TelegramSplitter()
    return splitter, lambda telegram: _telegram(form_obis, telegram, seven_bits)


def _telegram(form: Obis, telegram: bytes, seven_bits: bool) -> dict[str, float]:
    if seven_bits:
        telegram = without_parity(telegram)
    return obis.measured(form.quantities, obis.values_of(obis.p1_text(telegram, form.framing == "p1" and form.crc)))


class ParityStripped:
    """Finds telegrams by their seven bits and hands them on with their parity, which is checked when decoding."""

    def __init__(self, inner: TelegramSplitter) -> None:
        self._inner = inner
        self._raw = b""

    def feed(self, data: bytes) -> list[bytes]:
        """Telegrams as they came."""
        self._raw += data
        plain = bytes(byte & 0x7F for byte in self._raw)
        self._inner.kept = b""
        found = []
        for telegram in self._inner.feed(plain):
            start = plain.find(telegram)
            found.append(self._raw[start : start + len(telegram)])
        kept = len(self._inner.kept)
        self._raw = self._raw[len(self._raw) - kept :] if kept else b""
        return found
