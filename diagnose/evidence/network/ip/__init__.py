"""The output of network commands: addresses, routes, pings, names, TLS, HTTP."""
