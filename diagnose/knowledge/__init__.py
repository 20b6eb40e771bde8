"""The rule base as typed values: its model, the reading of it from YAML, its checks, its compiled form."""
