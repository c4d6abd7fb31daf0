"""A servo's own range and curve: whether the stated uncertainties hold the truth."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np

from benchlog.capture.servo_files import read_servo_file
from benchlog.channel.design import Design, parse_design, predict_cycle
from benchlog.channel.servo_curve import ServoPoint, fit_servo_curve
from tests.played_bench import PlayedBench
from tests.servo_script import KeyedCommand, ServoHand
from tests.test_design import HERON

__all__ = ["run"]

_LOW_S, _HIGH_S = 500e-6, 2500e-6
_READING_DEG = 1.5
_SERVOS = 400
_PEOPLE = 8


def _print_curve(bow_deg: float) -> None:
    """Print in how many of a hundred places the curve's band holds the truth."""
    rng = np.random.default_rng(1)
    width_s = np.linspace(_LOW_S, _HIGH_S, 101)
    shares = []
    for count in (3, 4, 5, 7, 9):
        held = []
        for _ in range(_SERVOS):
            bow, wave = rng.normal(0.0, bow_deg), rng.normal(0.0, bow_deg / 2)
            start, swing = rng.uniform(-10.0, 10.0), rng.uniform(80.0, 190.0)
            places_s = np.linspace(_LOW_S + 100e-6, _HIGH_S - 100e-6, count)
            places_s = places_s + rng.uniform(-50e-6, 50e-6, count)
            turned = (np.concatenate([places_s, width_s]) - _LOW_S) / (_HIGH_S - _LOW_S)
            true_deg = start + swing * turned + bow * 4 * turned * (1 - turned)
            true_deg = true_deg + wave * np.sin(2 * np.pi * turned)
            read = true_deg[:count] + rng.uniform(-_READING_DEG, _READING_DEG, count)
            points = [
                ServoPoint(float(at), round(float(angle), 1))
                for at, angle in zip(places_s, read, strict=True)
            ]
            curve = fit_servo_curve(points, (_LOW_S, _HIGH_S), _READING_DEG)
            off = np.abs(curve.angle_deg(width_s) - true_deg[count:])
            held.append(np.mean(off <= 2 * curve.u_angle_deg(width_s)))
        shares.append(f"{count} points {100 * np.mean(held):.1f} %")
    print(f"curve, bows of {bow_deg:g} degrees: {', '.join(shares)}")


def _meet_both_ends(design: Design, seed: int) -> list[str]:
    """Let one simulated person find both ends of a servo; return a line an end."""
    rng = np.random.default_rng([9, seed])
    truth = (float(rng.uniform(750e-6, 850e-6)), float(rng.uniform(2150e-6, 2250e-6)))
    knob_deg = np.linspace(0.0, 270.0, 271)
    low_deg, high_deg = np.interp(truth, predict_cycle(design, knob_deg).on_s, knob_deg)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "calibration").mkdir()
        bench = PlayedBench(None, design, knob_deg=135.0, seed=seed)
        with bench.over_pty() as port:
            command = KeyedCommand("servo", "lifter", "--port", port, "--plain", cwd=folder)
            hand = ServoHand(bench, command, truth, rng, deg_per_s=float(rng.uniform(4.0, 9.0)))
            hand.begin()
            high = (float(high_deg) - 4.0, float(high_deg) + 16.0)
            low = (float(low_deg) + 4.0, float(low_deg) - 16.0)
            for begin_deg, end_deg in (high, high, low, low):
                hand.try_end(begin_deg, end_deg)
            command.wait_for("For its curve")
            command.press("\r")
            command.finish()
        kept = read_servo_file(folder / "calibration" / "servos" / "lifter.toml")
    lines = []
    for end, true_s, limit_s, inward in (
        (kept.low, truth[0], kept.pulse_min_s, 1.0),
        (kept.high, truth[1], kept.pulse_max_s, -1.0),
    ):
        assert end is not None
        off_us, most_us = 1e6 * (end.pulse_s - true_s), 2e6 * end.u_s
        word = "within" if abs(off_us) <= most_us else "OUTSIDE"
        inside_us = 1e6 * inward * (limit_s - true_s)
        lines.append(f"off by {off_us:+.1f} us, {word} U of {most_us:.0f}; kept {inside_us:.0f} in")
    return lines


def run() -> None:
    """Print the curve's coverage and the ends that simulated people found over a pty."""
    for bow_deg in (0.0, 2.0, 6.0):
        _print_curve(bow_deg)
    design = parse_design(HERON, "heron.toml")
    for seed in range(_PEOPLE):
        for line in _meet_both_ends(design, seed):
            print(f"person {seed}: {line}", flush=True)
