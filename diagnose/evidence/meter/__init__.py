"""Logs of meters."""
