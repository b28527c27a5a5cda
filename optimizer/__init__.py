"""Shim and link-length advice from measured toe curves."""

__version__ = "0.1.0"
