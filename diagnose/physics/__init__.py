"""Pure functions of trade quantities: numbers with units in, numbers out, each with its source."""
