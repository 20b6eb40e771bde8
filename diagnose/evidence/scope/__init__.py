"""Oscilloscope recordings of the data pair."""
