"""The simulated bench: a channel and a sound input, made for truth.

`simulate_edges` says what a channel puts out (its parts may fluctuate), `render_sound`
what a sound input makes of it, `list_edges` what a probe reports. Each lives in a module
of its own: `simulated_channel` (with `simulated_fluctuation`), `simulated_sound` (with
`simulated_filter`), `simulated_edges`.
"""

from __future__ import annotations

from benchlog.capture.simulated_channel import simulate_edges
from benchlog.capture.simulated_edges import TrueEdges, list_edges, with_pulses, without_pulses
from benchlog.capture.simulated_fluctuation import Fluctuation, Wander
from benchlog.capture.simulated_sound import SoundInputModel, render_blocks, render_sound

__all__ = [
    "Fluctuation",
    "SoundInputModel",
    "TrueEdges",
    "Wander",
    "list_edges",
    "render_blocks",
    "render_sound",
    "simulate_edges",
    "with_pulses",
    "without_pulses",
]
