"""Telegrams as bytes and text into values: pure decoders, one file per form. No wire, no clock. A damaged telegram
raises ``DamagedError`` and gives no value."""
