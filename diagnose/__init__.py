"""Fault diagnosis for newly installed, networked AC charging stations."""

__version__ = "0.1.0"
