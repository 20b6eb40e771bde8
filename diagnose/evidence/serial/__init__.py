"""Captures of a serial trunk."""
