"""Readings and the ledger, on disk or on a server.

Readings and the ledger are apart, so that either can be kept, moved or replaced alone. The recorder is the only writer;
everybody else opens read-only (``connect.read_only``).
"""
