"""Live probes that only read."""
