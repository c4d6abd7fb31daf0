"""Tests: run them with ``tests/run``."""
