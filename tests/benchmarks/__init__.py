"""Benchmarks: run with ``python -m tests.benchmarks``."""
