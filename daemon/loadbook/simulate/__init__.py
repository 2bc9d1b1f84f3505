"""Washing machines, dishwashers and dryers made of physics, not of drawn curves, so that recognition can be scored.

A model (``model``) has parts that draw from a supply with a source impedance (``supply``), a controller that walks
through a programme (``acts``), faults that change a part, the controller or the supply (``faults``), and a meter with
its own interval, steps and noise (``metering``). What truly happened is written beside the log, and what should have
been said about it follows from the contract and the chart (``truth``), never from what a recogniser says.

Seeded and without a clock: the same seed gives the same bytes. Only ``write`` touches files.
"""
