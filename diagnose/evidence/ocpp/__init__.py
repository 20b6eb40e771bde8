"""Message logs of the back office."""
