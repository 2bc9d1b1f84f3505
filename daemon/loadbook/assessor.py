"""The one core, live and offline: readings in, events out. Pure: no clock, no file, no broker.

``feed`` takes one reading, ``feed_series`` many; the answer is the same however the readings are cut. ``tick`` says
that time has passed without a reading. State is small, of constant size, and can be saved in the middle of a cycle.
"""
