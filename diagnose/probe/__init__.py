"""Live probes that only read. Effects (sockets, ports, clocks, threads) live here; what is seen is judged in `diagnose.evidence`."""
