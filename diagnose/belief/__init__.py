"""Belief: which faults, where, how likely, and which step is worth its minutes."""
