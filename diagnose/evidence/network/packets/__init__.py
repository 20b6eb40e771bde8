"""Network captures: Modbus TCP and the exchange that gives an address."""
