"""A modem's replies to AT commands."""
