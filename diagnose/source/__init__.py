"""Reading YAML so that every value still knows its file, line and column."""
