"""How well `listen` tells the room from a pulse, and how true its figures are.

Prints the counts over 50 rooms and 200 trains, then the errors over a grid of inputs.
"""

from __future__ import annotations

import math
import tempfile
import time
from collections import Counter
from pathlib import Path

import numpy as np

from benchlog.capture.simulated import SoundInputModel, render_sound
from benchlog.timing.clock import fit_clock
from benchlog.timing.hearing import hear_values
from tests.listening import draw_case, judge, make_train, render_case
from tests.room_sounds import make_rooms

__all__ = ["run"]

_CORNERS = ((1.0,), (5.0,), (20.0,), (80.0,), (200.0,), (20.0, 20.0), (40.0, 5.0), (80.0, 20.0))
_PULSES = ((0.6e-3, 15.3e-3), (1.5e-3, 18.0137e-3), (2.4e-3, 20.7e-3))


def run(rooms: int = 50, trains: int = 200, *, grid: bool = True) -> None:
    """Run all of it; about four minutes of one core with the grid."""
    began = time.process_time()
    _count_rooms(rooms)
    _count_trains(trains)
    if grid:
        _print_grid()
    _print_gain()
    _print_clock()
    print(f"({time.process_time() - began:.0f} s of processor time)")


def _count_rooms(count: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        sounds = make_rooms(Path(folder), count)
    heard = Counter(hear_values(values, 48000.0).kind for _, values in sounds)
    names = len({name.partition(" at ")[0] for name, _ in sounds})
    print(f"{count} rooms ({names} sounds at three levels): {dict(heard)}")


def _count_trains(count: int) -> None:
    rng = np.random.default_rng(2)
    cases = [draw_case(rng, seed) for seed in range(count)]
    heard = Counter(hear_values(render_case(case, 4.0), 48000.0).kind for case in cases)
    print(f"{count} trains of pulses: {dict(heard)}")


def _print_grid() -> None:
    print(
        "worst over pulses of 0.6, 1.5 and 2.4 ms, 10 s; hum 26 dB below the step; both polarities"
    )
    print("corners Hz   filter   SNR dB  order  corner %  noise dB  hum dB  width us  bias us")
    for corners in _CORNERS:
        for kind in ("linear", "minimum", "narrow"):
            for snr_db in (30.0, 50.0):
                _print_row(corners, kind, snr_db)


def _print_row(corners: tuple[float, ...], kind: str, snr_db: float) -> None:
    errors, orders, wrong = [], [], 0
    for number, (width_s, period_s) in enumerate(_PULSES):
        model = SoundInputModel(
            corners_hz=corners,
            filter=kind,  # type: ignore[arg-type]
            snr_db=snr_db,
            hum_fs=0.02,
            hum_hz=(50.02, 59.97)[number % 2],
            inverted=bool(number % 2),
        )
        train = make_train(width_s, period_s, 10.0, seed=number)
        _, quality = judge(render_sound(train, model, 10.0, number))
        orders.append(len(quality.corners_hz))
        corner = max(
            (abs(a / b - 1.0) for a, b in zip(quality.corners_hz, corners, strict=False)),
            default=1.0,
        )
        noise_db = 20.0 * math.log10(quality.noise / model.noise_sd_fs)
        hum_db = 20.0 * math.log10(max(quality.hum_rms, 1e-9) / (0.02 / math.sqrt(2.0)))
        width_us = 1e6 * (quality.measurement.width.mean_s - train.on_s.mean())
        bias_us = 1e6 * quality.width_bias_s - width_us
        errors.append((100.0 * corner, abs(noise_db), abs(hum_db), abs(width_us), abs(bias_us)))
        wrong += quality.active_level != ("low" if model.inverted else "high")
    worst = np.max(np.array(errors), axis=0)
    names = " ".join(f"{corner:g}" for corner in corners)
    told = "/".join(str(order) for order in orders)
    flag = f"  polarity wrong {wrong} times" if wrong else ""
    print(
        f"{names:12} {kind:8} {snr_db:6.0f}  {told:5}  {worst[0]:8.2f}  {worst[1]:8.2f}  "
        f"{worst[2]:6.2f}  {worst[3]:8.3f}  {worst[4]:7.3f}{flag}"
    )


def _print_gain() -> None:
    print("gain that creeps for 10 s: noticed in how many of 12 inputs (SNR 20 to 50 dB, with hum)")
    rng = np.random.default_rng(3)
    for change_db in (0.0, 0.5, 1.5, 3.0, 6.0):
        noticed = 0
        for seed in range(12):
            case = draw_case(rng, seed)
            values = render_case(case, 10.0)
            creep = 10 ** (np.linspace(0.0, -change_db, values.shape[0]) / 20)
            _, quality = judge(values * creep)
            noticed += quality.gain.at_work is True
        print(f"  {change_db:3.1f} dB: {noticed}")


def _print_clock() -> None:
    print("clock, 200 simulated comparisons each: rms error and stated u in ppm, cover at 2 u")
    rng = np.random.default_rng(4)
    for duration_s in (30.0, 120.0, 600.0):
        rows = []
        for _ in range(200):
            ppm = rng.uniform(-100.0, 100.0)
            count = np.arange(1, int(duration_s * 20), dtype=np.float64) * 2400.0
            came = count / (48000.0 * (1.0 + ppm * 1e-6)) + rng.exponential(6e-4, count.shape[0])
            late = rng.random(count.shape[0]) < 0.02
            fit = fit_clock(count, came + late * rng.uniform(0.0, 0.03, count.shape[0]), 48000.0)
            assert fit is not None
            rows.append((fit.ppm - ppm, fit.u_ppm))
        error, u = np.array(rows).T
        cover = np.mean(np.abs(error) <= 2.0 * u)
        print(
            f"  {duration_s:4.0f} s: {np.sqrt(np.mean(error**2)):.3f}, {np.median(u):.3f}, "
            f"{100 * cover:.1f} %"
        )


if __name__ == "__main__":
    run()
