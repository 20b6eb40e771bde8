"""The command line: its rows and options, and what each command does. Only `shell` starts the shell."""
