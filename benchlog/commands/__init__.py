"""The command line: one short file a command, wiring the rooms together."""
