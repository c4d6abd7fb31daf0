"""The model of the circuit: its speed, and how far it is from an integration in time."""

from __future__ import annotations

import time
from collections.abc import Callable
from functools import partial

import numpy as np

from benchlog.capture.simulated_channel import simulate_edges
from benchlog.capture.simulated_fluctuation import Fluctuation, Wander
from benchlog.channel.battery import holding_supply
from benchlog.channel.circuit import FAMILIES, Circuit
from benchlog.channel.design import (
    first_order_band,
    parse_design,
    part_effects,
    predict_cycle,
    tolerance_band,
    worst_band,
)
from benchlog.channel.diode import MODELS
from benchlog.channel.timer import cycle_times
from benchlog.channel.unknowns import draw_builds, list_unknowns
from tests.circuit_by_hand import ByHand
from tests.test_design import HERON

__all__ = ["run"]


def _best_ms(work: Callable[[], object], rounds: int = 15) -> float:
    """Return the best of some rounds in milliseconds."""
    work()
    best = np.inf
    for _ in range(rounds):
        began = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - began)
    return 1e3 * float(best)


def _print_speed() -> None:
    design = parse_design(HERON, "heron.toml")
    table, nine, marks = (np.linspace(0.0, 270.0, count) for count in (181, 9, 13))
    drawn = draw_builds(list_unknowns(design), 2000, np.random.default_rng(1))
    builds = {name: values[:, None] for name, values in drawn.items()}
    supply = builds.pop("supply_v")
    numbers = np.random.default_rng(2).normal(size=(2000, 9))
    exp_ms = _best_ms(lambda: np.exp(numbers))
    rows: list[tuple[str, Callable[[], object]]] = [
        ("181 knob angles", lambda: predict_cycle(design, table)),
        ("one knob angle", lambda: predict_cycle(design, 100.0)),
        ("nine knob angles", lambda: predict_cycle(design, nine)),
        (
            "2000 builds at nine angles",
            lambda: predict_cycle(design, nine, supply_v=supply, parts=builds),
        ),
        ("95 % band at 13 angles", lambda: tolerance_band(design, marks)),
        ("worst case at 13 angles", lambda: worst_band(design, marks)),
        ("first-order band at 13 angles", lambda: first_order_band(design, marks)),
        ("effects of the parts at 13 angles", lambda: part_effects(design, marks)),
        ("holding supply of 13 marks", lambda: holding_supply(design, marks)),
    ]
    print(f"{'(one exponential of 18 000 numbers)':36s} {exp_ms:8.3f} ms")
    for name, work in rows:
        print(f"{name:36s} {_best_ms(work):8.2f} ms")
    moving = {
        "steady": None,
        "supply moving from cycle to cycle": Fluctuation(
            supply_on_end_v=Wander(white=0.02), supply_off_end_v=Wander(white=0.02)
        ),
        "ripple": Fluctuation(ripple_v=0.02, ripple_hz=100.0),
    }
    for name, what in moving.items():
        spent = _best_ms(partial(simulate_edges, design, 135.0, 60.0, fluctuation=what), 2)
        print(f"{'60 s simulated, ' + name:36s} {spent:8.0f} ms")


def _print_agreement() -> None:
    designs = (
        (33e3, 920e3, 22e-9),
        (133e3, 820e3, 22e-9),
        (10e3, 150e3, 100e-9),
        (8.2e3, 47e3, 220e-9),
        (330e3, 1e6, 4.7e-9),
        (22e3, 470e3, 47e-9),
    )
    worst = {"on": 0.0, "off": 0.0}
    count = 0
    for k, (r_a, r_b, c_f) in enumerate(designs):
        for supply_v in (3.6, 6.0, 9.0):
            diode = MODELS["1N4148" if (k + int(supply_v)) % 2 else "1N4007"]
            circuit = Circuit(supply_v, r_a, r_b, 0.0, c_f, diode, FAMILIES["ideal"])
            by_hand = ByHand(
                r_a, r_b, c_f, i_s=diode.saturation_current_a, n=diode.emission,
                r_s=diode.series_ohm, gap_ev=diode.gap_ev, exponent=diode.exponent,
            )  # fmt: skip
            on, off = by_hand.cycle(supply_v)
            times = cycle_times(circuit)
            worst["on"] = max(worst["on"], abs(float(times.on_s) / on - 1))
            worst["off"] = max(worst["off"], abs(float(times.off_s) / off - 1))
            count += 1
    print(
        f"against an integration in time, {count} cases, 3.6 to 9 V, two diodes: "
        f"on within {100 * worst['on']:.1e} %, off within {100 * worst['off']:.1e} %"
    )


def run() -> None:
    """Print speed and agreement."""
    _print_speed()
    _print_agreement()
