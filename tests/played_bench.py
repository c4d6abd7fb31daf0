"""A simulated channel that runs in real time: heard through a sound server, or as a probe on a pty.

`PlayedBench` stands for the bench of a test: a script turns its knob, sets its parts, unplugs it
and plugs in another copy, while the command under test listens. The edges come from the model,
cycle by cycle, and go through a sound input's AC coupling and filter as in the simulated
recordings. What is changed is heard some 0.2 s later.
"""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Mapping
from types import TracebackType
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from benchlog.capture.simulated_filter import shape_edge
from benchlog.channel.design import predict_cycle
from benchlog.channel.plan import Design
from tests.sound_server import RATE_HZ, SoundServer

__all__ = ["PlayedBench", "place_across"]

_BLOCK = 960
_CORNER_HZ = 20.0
_AMPLITUDE = 0.3
_NOISE_FS = 1e-4
_JITTER_S = 0.2e-6
_LATENCY_MS = 120
_PIPE_BYTES = 4096
_PATIENCE_S = 10.0
_AHEAD = 64
"""Samples for which edges must be known beyond a block: more than half the filter's length."""

_TICKS_PER_S = 16_000_000
_WIDTH_BITS = 32


def place_across(
    design: Design, knob_deg: float, parts: Mapping[str, float], across_ohm: float
) -> dict[str, float]:
    """Return parts that act as a resistor across the knob's two ends does.

    The knob's two halves and the resistor make a triangle; the star of the same three ends
    (Kennelly 1899) has the knob and the resistor in parallel as its track, and a third arm
    in series with the wiper.

    Parameters
    ----------
    design : Design
        The design.
    knob_deg : float
        Knob angle, degrees.
    parts : mapping of str to float
        True values of parts, SI units.
    across_ohm : float
        The resistor, ohms, above 0.

    Returns
    -------
    dict of str to float
        `parts` with other values for ``r_knob`` and ``contact``.
    """
    share = float(design.knob.on_fraction(knob_deg))
    knob_ohm = parts.get("r_knob", design.r_knob.value)
    contact_ohm = parts.get("contact", design.knob.contact_ohm)
    whole_ohm = knob_ohm + across_ohm
    arm_ohm = share * (1.0 - share) * knob_ohm**2 / whole_ohm
    return {
        **parts,
        "r_knob": knob_ohm * across_ohm / whole_ohm,
        "contact": contact_ohm + arm_ohm,
    }


class PlayedBench:
    """A channel on the bench. As a context manager it plays into the server's sink.

    Parameters
    ----------
    server : SoundServer or None
        Where it is heard; None for a probe alone (`over_pty`).
    design : Design
        The design.
    parts : mapping of str to float, optional
        True values of its parts, SI units, by the names of ``predict_cycle``; ``across`` is
        a resistor across the knob's ends.
    supply_v, temperature_c : float, optional
        The design's if None.
    knob_deg : float
        Where the knob stands at first.
    contact_noise_ohm : float
        The wiper's contact adds the magnitude of a normal value of this standard deviation,
        anew in each cycle.
    plugged : bool
        Whether a channel is there at first.
    seed : int
        Of jitter and noise.

    Notes
    -----
    All methods may be called from any thread.
    """

    def __init__(
        self,
        server: SoundServer | None,
        design: Design,
        *,
        parts: Mapping[str, float] | None = None,
        supply_v: float | None = None,
        temperature_c: float | None = None,
        knob_deg: float = 0.0,
        contact_noise_ohm: float = 0.0,
        plugged: bool = True,
        seed: int = 0,
    ) -> None:
        self._server = server
        self._design = design
        self._lock = threading.RLock()
        self._parts = dict(parts or {})
        self._conditions = {"supply_v": supply_v, "temperature_c": temperature_c}
        self._contact_noise_ohm = contact_noise_ohm
        self._turn = (knob_deg, knob_deg, 0.0, 0.0)
        self._plugged = plugged
        self._source = np.random.default_rng([555, seed])
        self._known: tuple[Any, tuple[float, float]] | None = None
        self._stop = threading.Event()
        self._failure: BaseException | None = None
        self._player: subprocess.Popen[bytes] | None = None
        self._thread: threading.Thread | None = None

    # --- the script's side ----------------------------------------------------

    @property
    def knob_deg(self) -> float:
        """Where the knob stands now."""
        with self._lock:
            begin_deg, end_deg, began_s, over_s = self._turn
        share = 1.0 if over_s <= 0 else min(1.0, (time.monotonic() - began_s) / over_s)
        return begin_deg + (end_deg - begin_deg) * share * share * (3.0 - 2.0 * share)

    def turn(self, deg: float, over_s: float = 0.4) -> None:
        """Begin to turn the knob to an angle; it gets there by itself."""
        with self._lock:
            self._turn = (self.knob_deg, deg, time.monotonic(), over_s)

    def set(self, **values: float | None) -> None:
        """Set parts (SI units), ``across``, ``supply_v`` or ``temperature_c``; None undoes it."""
        with self._lock:
            for name, value in values.items():
                if name in self._conditions:
                    self._conditions[name] = value
                elif value is None:
                    self._parts.pop(name, None)
                else:
                    self._parts[name] = value

    def unplug(self) -> None:
        """Take the channel away: no more pulses."""
        with self._lock:
            self._plugged = False

    def plug(self, parts: Mapping[str, float] | None = None, knob_deg: float | None = None) -> None:
        """Put a channel in: another copy where `parts` are given."""
        with self._lock:
            if parts is not None:
                self._parts = dict(parts)
            if knob_deg is not None:
                self._turn = (knob_deg, knob_deg, 0.0, 0.0)
            self._plugged = True

    @property
    def is_plugged(self) -> bool:
        """Whether a channel is there."""
        return self._plugged

    def truth(self) -> tuple[float, float]:
        """Return what on and off are now, without jitter, seconds."""
        with self._lock:
            return self._work_out(0.0)

    # --- cycles ---------------------------------------------------------------

    def _work_out(self, contact_ohm: float) -> tuple[float, float]:
        knob_deg = round(self.knob_deg, 3)
        parts = dict(self._parts)
        key = (knob_deg, contact_ohm, *sorted(parts.items()), *self._conditions.values())
        if self._known is not None and self._known[0] == key:
            return self._known[1]
        across_ohm = parts.pop("across", None)
        if contact_ohm:
            parts["contact"] = parts.get("contact", self._design.knob.contact_ohm) + contact_ohm
        if across_ohm is not None:
            parts = place_across(self._design, knob_deg, parts, across_ohm)
        times = predict_cycle(self._design, knob_deg, parts=parts, **self._conditions)
        found = float(times.on_s), float(times.off_s)
        self._known = key, found
        return found

    def _next_cycle(self) -> tuple[float, float] | None:
        """Return the coming cycle's on and off with their jitter; None where unplugged."""
        with self._lock:
            if not self._plugged:
                return None
            noise_ohm = self._contact_noise_ohm
            contact_ohm = abs(noise_ohm * self._source.standard_normal()) if noise_ohm else 0.0
            on_s, off_s = self._work_out(contact_ohm)
            jitter_s = _JITTER_S * self._source.standard_normal(2)
            return on_s + float(jitter_s[0]), off_s + float(jitter_s[1])

    # --- sound ----------------------------------------------------------------

    def __enter__(self) -> Self:
        assert self._server is not None, "a bench without a server is heard through over_pty alone"
        before = self._sink_inputs()
        self._player = subprocess.Popen(
            [
                "pacat",
                "--playback",
                "--raw",
                "--device=bench",
                "--format=s16le",
                f"--rate={RATE_HZ}",
                "--channels=2",
                f"--latency-msec={_LATENCY_MS}",
            ],
            env=self._server.environment,
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        self._thread = threading.Thread(target=self._play, name="played bench", daemon=True)
        self._thread.start()
        deadline = time.monotonic() + _PATIENCE_S
        while self._sink_inputs() <= before:
            if time.monotonic() > deadline or self._player.poll() is not None:
                self.close()
                raise RuntimeError("the played bench never reached the sound server")
            time.sleep(0.05)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        exc: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()
        if self._failure is not None and exc is None:
            raise self._failure

    def close(self) -> None:
        """Stop playing; a second time does nothing."""
        self._stop.set()
        player, self._player = self._player, None
        if player is not None:
            player.kill()
            player.wait(timeout=_PATIENCE_S)
            if self._thread is not None:
                self._thread.join(timeout=_PATIENCE_S)
            assert player.stdin is not None
            with contextlib.suppress(OSError):
                player.stdin.close()

    def _sink_inputs(self) -> int:
        assert self._server is not None
        return len(self._server.control("list", "short", "sink-inputs").splitlines())

    def _play(self) -> None:
        """Feed the player, which takes samples no faster than they are heard."""
        assert self._player is not None
        assert self._player.stdin is not None
        pipe = self._player.stdin
        try:
            if sys.platform == "linux":
                import fcntl

                fcntl.fcntl(pipe, fcntl.F_SETPIPE_SZ, _PIPE_BYTES)
            renderer = _Renderer(self._source.spawn(1)[0])
            while not self._stop.is_set():
                while renderer.needs_edges:
                    cycle = self._next_cycle()
                    if cycle is None:
                        renderer.rest()
                    else:
                        renderer.add_cycle(*cycle)
                pipe.write(renderer.take())
                pipe.flush()
        except OSError:
            pass  # the player is gone
        except BaseException as error:  # noqa: BLE001 - told when the bench is left
            self._failure = error

    # --- a probe --------------------------------------------------------------

    @contextlib.contextmanager
    def over_pty(self) -> Iterator[str]:
        """Report the channel as a serial probe does; gives the port's name."""
        import tty

        far, near = os.openpty()
        stop = threading.Event()
        thread = threading.Thread(target=self._report, args=(far, stop), daemon=True)
        try:
            tty.setraw(near)
            port = os.ttyname(near)
            os.close(near)
            os.set_blocking(far, False)
            thread.start()
            yield port
        finally:
            stop.set()
            thread.join(timeout=_PATIENCE_S)
            os.close(far)
        if self._failure is not None:
            raise self._failure

    def _report(self, far: int, stop: threading.Event) -> None:
        """Send a header once the port is opened, then each edge when it is due."""

        def send(line: str) -> None:
            with contextlib.suppress(OSError):  # nobody reads any more
                os.write(far, line.encode("ascii") + b"\r\n")

        try:
            if not _wait_until_opened(far, stop):
                return
            start_s = time.monotonic()
            send(f"# benchlog-probe ticks_per_s={_TICKS_PER_S} width_bits={_WIDTH_BITS} inputs=1")
            at_s = 0.1
            while not stop.is_set():
                cycle = self._next_cycle()
                if cycle is None:
                    stop.wait(0.02)
                    at_s = max(at_s, time.monotonic() - start_s)
                    continue
                for level, length_s in ((1, cycle[0]), (0, cycle[1])):
                    if stop.wait(max(0.0, start_s + at_s - time.monotonic())):
                        return
                    send(f"{int(at_s * _TICKS_PER_S) % 2**_WIDTH_BITS} {level}")
                    at_s += length_s
        except BaseException as error:  # noqa: BLE001 - told when the bench is left
            self._failure = error


def _wait_until_opened(far: int, stop: threading.Event) -> bool:
    """Wait until somebody holds the port: until then the far end is hung up."""
    import select

    poll = select.poll()
    poll.register(far, select.POLLIN)
    while not stop.is_set():
        if not any(event & select.POLLHUP for _, event in poll.poll(10)):
            return not stop.wait(0.3)  # opening a port ends with its buffers being emptied
        stop.wait(0.01)
    return False


class _Renderer:
    """Edges in, the samples of a sound input out, a block at a time."""

    def __init__(self, source: np.random.Generator) -> None:
        self._shape = shape_edge("linear", 0.45, (_CORNER_HZ / RATE_HZ,), _AMPLITUDE)
        self._source = source
        length = _BLOCK + self._shape.count + 2 * _AHEAD + RATE_HZ
        self._near = np.zeros(length)
        self._pushes = np.zeros(length)
        self._keep = float(np.exp(-self._shape.tail_rate[0]))
        self._state = np.zeros(1)
        self._base = 0  # number of the first sample of the two arrays
        self._next_edge = float(_AHEAD)

    @property
    def needs_edges(self) -> bool:
        """Whether the next block may hold an edge that is not known yet."""
        return self._next_edge < self._base + _BLOCK + _AHEAD

    def add_cycle(self, on_s: float, off_s: float) -> None:
        """Take the next cycle, which begins where the last one ended."""
        self._add_edge(self._next_edge, 1.0)
        self._add_edge(self._next_edge + on_s * RATE_HZ, -1.0)
        self._next_edge += (on_s + off_s) * RATE_HZ

    def rest(self) -> None:
        """Let a block pass without an edge."""
        self._next_edge = max(self._next_edge, float(self._base + _AHEAD)) + _BLOCK

    def _add_edge(self, position: float, sign: float) -> None:
        shape = self._shape
        first = int(np.ceil(position + shape.first))
        index = first + np.arange(shape.count, dtype=np.float64)
        here = slice(first - self._base, first - self._base + shape.count)
        self._near[here] += sign * shape.at(index - position)
        begin = first + shape.count
        age = begin - position
        weight = shape.tail_weight[0] * np.exp(-shape.tail_rate[0] * age)
        self._pushes[begin - self._base] += sign * weight

    def take(self) -> bytes:
        """Return the next block: s16le, two inputs that hear the same."""
        from scipy.signal import lfilter

        values: NDArray[np.float64]
        values, self._state = lfilter(
            [1.0], [1.0, -self._keep], self._pushes[:_BLOCK], zi=self._state
        )
        values = values + self._near[:_BLOCK]
        values += _NOISE_FS * self._source.standard_normal(_BLOCK)
        for one in (self._near, self._pushes):
            one[:-_BLOCK] = one[_BLOCK:]
            one[-_BLOCK:] = 0.0
        self._base += _BLOCK
        rounded = np.clip(np.rint(values * 32768.0), -32768, 32767).astype("<i2")
        return np.repeat(rounded, 2).tobytes()
