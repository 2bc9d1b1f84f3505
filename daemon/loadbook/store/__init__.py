"""Readings and the ledger, on disk or on a server."""
