"""Edges, pulses and jitter from recordings; pure."""
