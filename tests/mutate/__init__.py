"""Tests that notice: change one thing in the source at a time and see whether the tests of its room do.

    python -m tests.mutate ROOM [--most N] [--seed S] [--only FILE]

`operators` makes the changes, `rooms` says which source belongs to which tests, `hunt` runs them on a copy.
"""
