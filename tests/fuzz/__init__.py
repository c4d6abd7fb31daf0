"""A coverage-guided run over every reader: `python -m tests.fuzz [SECONDS]`."""
