"""The model against a general-purpose circuit simulator's transient run.

18 cases: 3.6, 6 and 9 V, two diodes, six designs. Needs ngspice (Debian: ngspice); says so where
it is not there. No test needs it: `tests/circuit_by_hand.py` is their witness.
"""

from __future__ import annotations

import itertools
import shutil
import subprocess
import tempfile
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from benchlog.channel.circuit import Circuit, TimerFamily
from benchlog.channel.diode import MODELS
from benchlog.channel.timer import cycle_times

__all__ = ["run"]

_DESIGNS = (  # Ra, Rb, C
    (33e3, 920e3, 22e-9),
    (133e3, 820e3, 22e-9),
    (10e3, 150e3, 100e-9),
    (8.2e3, 47e3, 220e-9),
    (330e3, 1e6, 4.7e-9),
    (22e3, 470e3, 47e-9),
)
_DIODES = ("1N4148", "1N4007")
_CAPACITANCES = {  # facts of the published sets: transit time, junction capacitance
    "1N4148": "TT=20n CJO=4p",
    "1N4007": "CJO=10p",  # from memory: some 10 pF at no bias
}


@dataclass(frozen=True, slots=True)
class _Case:
    r_a_ohm: float
    r_b_ohm: float
    c_f: float
    supply_v: float
    diode: str
    discharge_ohm: float
    with_capacitance: bool


def _netlist(case: _Case, period_s: float, out: Path) -> str:
    diode = MODELS[case.diode]
    more = _CAPACITANCES[case.diode] if case.with_capacitance else ""
    volts = case.supply_v
    # a switch with hysteresis is comparators, flip-flop and discharge transistor in one
    return f"""astable
V1 vdd 0 {volts}
Ra vdd d {case.r_a_ohm}
Rb d c {case.r_b_ohm}
C1 c 0 {case.c_f} IC={volts / 3}
D1 d c dm
S1 d 0 c 0 sm OFF
.model dm D(IS={diode.saturation_current_a} N={diode.emission} RS={diode.series_ohm} {more})
.model sm SW(VT={volts / 2} VH={volts / 6 + 2e-3} RON={case.discharge_ohm} ROFF=1e13)
.options reltol=1e-6 abstol=1e-15 vntol=1e-9 chgtol=1e-18 gmin=1e-15 method=gear
.tran {period_s / 5000} {2.6 * period_s} 0 {period_s / 20000} uic
.control
run
set wr_singlescale
wrdata {out} v(c)
quit
.endc
.end
"""


def _crossings(
    time_s: NDArray[np.float64], volts: NDArray[np.float64], level_v: float, *, rising: bool
) -> NDArray[np.float64]:
    """Return when a level is crossed, by straight lines between the simulator's steps."""
    above = volts >= level_v if rising else volts <= level_v
    at = np.flatnonzero(~above[:-1] & above[1:])
    share = (level_v - volts[at]) / (volts[at + 1] - volts[at])
    return np.asarray(time_s[at] + share * (time_s[at + 1] - time_s[at]))


def _compare(case: _Case) -> tuple[float, float]:
    """Return by which fractions the simulator's on and off differ from the model's."""
    timer = TimerFamily("switch", discharge_ohm=case.discharge_ohm)
    circuit = Circuit(
        case.supply_v, case.r_a_ohm, case.r_b_ohm, 0.0, case.c_f, MODELS[case.diode], timer, 27.0
    )
    model = cycle_times(circuit)
    with tempfile.TemporaryDirectory() as folder:
        out, net = Path(folder) / "out", Path(folder) / "net.cir"
        net.write_text(_netlist(case, float(model.period_s), out))
        words = ["ngspice", "-b", str(net)]
        subprocess.run(words, capture_output=True, stdin=subprocess.DEVNULL, cwd=folder)
        written = next(iter(sorted(Path(folder).glob("out*"))))
        time_s, volts = np.loadtxt(written).T[:2]
    low, high = case.supply_v / 3, 2 * case.supply_v / 3
    ends = _crossings(time_s, volts, low, rising=False)
    begins = _crossings(time_s, volts, low, rising=True)
    begin = begins[begins > ends[0]][0]
    tops = _crossings(time_s, volts, high, rising=True)
    top = tops[tops > begin][0]
    downs = _crossings(time_s, volts, high, rising=False)
    down = downs[downs > begin][0]
    on_s, off_s = top - begin, ends[ends > down][0] - down
    return on_s / float(model.on_s) - 1.0, off_s / float(model.off_s) - 1.0


def run() -> None:
    """Print by how much the simulator's on and off differ from the model's, at most."""
    if shutil.which("ngspice") is None:
        print("ngspice is not there (Debian: ngspice)")
        return
    for with_capacitance in (False, True):
        cases = [
            _Case(
                *design,
                volts,
                _DIODES[(number + index) % 2],
                (0.01, 14.0)[index % 2],
                with_capacitance,
            )
            for index, ((number, design), volts) in enumerate(
                itertools.product(enumerate(_DESIGNS), (3.6, 6.0, 9.0))
            )
        ]
        with ThreadPoolExecutor(2) as pool:
            apart = 100.0 * np.abs(list(pool.map(_compare, cases)))
        name = "with its capacitance" if with_capacitance else "the diode's curve alone"
        print(
            f"{len(cases)} cases, {name}: on differs by {apart[:, 0].max():.4f} % at most, off "
            f"by {apart[:, 1].max():.5f} %"
        )
