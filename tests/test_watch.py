"""`benchlog watch` as it is run: lines through a pipe, keys on a terminal, a device that leaves."""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import pty
import random
import re
import select
import signal
import struct
import subprocess
import termios
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchlog.capture.mark_log import read_marks
from benchlog.capture.store import Bench
from tests.command_line import command_words, plain_environment, run_here, run_process
from tests.pulse_signals import render_train
from tests.sound_server import RATE_HZ, SoundServer

_ENTER = b"\x1b[?1049h"
_LEAVE = b"\x1b[?1049l"
_PATIENCE_S = 30.0


def _write(path: Path, *trains: Any) -> Path:
    import soundfile

    soundfile.write(path, np.stack(trains, axis=1), RATE_HZ, subtype="PCM_16")
    return path


@pytest.fixture(scope="module")
def steady(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a recording of a steady channel, 4 s."""
    path = tmp_path_factory.mktemp("sound") / "steady.wav"
    return _write(path, render_train(0.0015, duration_s=4.0).values)


@pytest.fixture(scope="module")
def long(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a recording of a steady channel that outlasts any test."""
    path = tmp_path_factory.mktemp("sound") / "long.wav"
    values = render_train(0.0015, duration_s=10.0, period_s=1 / 60).values
    return _write(path, np.tile(values, 12))


# --- through a pipe -----------------------------------------------------------


def test_json_lines(steady: Path, bench_folder: Path) -> None:
    out = run_here("watch", "heron", steady, "--at", "135", "--fast", "--json", cwd=bench_folder)
    assert out.status == 0, out
    told = [json.loads(line) for line in out.out.splitlines()]
    assert len(told) > 3
    assert all(one.keys() == told[0].keys() for one in told)
    assert told[-1]["pulse_width_us"]["mean"] == pytest.approx(1500.0, abs=0.1)
    assert told[-1]["verdict"] in ("on design", "within part tolerance")
    assert [one["heard_s"] for one in told] == sorted(one["heard_s"] for one in told)


def test_plain_sentences(steady: Path, tmp_path: Path) -> None:
    out = run_here("watch", steady, "--fast", cwd=tmp_path)
    assert out.status == 0, out
    (line,) = out.out.splitlines()
    assert line.startswith("Input 1: pulse 1500.0 microseconds, plus or minus")
    assert line.isascii()
    assert "\x1b" not in line


def test_an_end_stop_is_status_1(tmp_path: Path, bench_folder: Path) -> None:
    path = _write(tmp_path / "stop.wav", render_train(0.0026, duration_s=3.0).values)
    out = run_here("watch", "heron", path, "--fast", "--plain", cwd=bench_folder)
    assert out.status == 1
    assert "Past the high end stop" in out.out


def test_no_pulses_is_status_1_with_reasons(tmp_path: Path) -> None:
    path = _write(tmp_path / "silent.wav", np.zeros(3 * RATE_HZ))
    out = run_here("watch", path, "--fast", cwd=tmp_path)
    assert out.status == 1
    assert "no pulses. Heard: silence. Likely reasons in order: 1, no supply" in out.out


def test_two_inputs(tmp_path: Path, bench_folder: Path) -> None:
    left = render_train(0.0015, duration_s=3.0).values
    right = render_train(0.0009, duration_s=3.0, seed=2).values
    path = _write(tmp_path / "two.wav", left, right)
    words = ("watch", "heron", path, "--fast", "--json")
    told = [json.loads(line) for line in run_here(*words, cwd=bench_folder).out.splitlines()]
    last = {one["input"]: one for one in told}
    assert last[1]["channel"] == "heron"
    assert last[2]["channel"] is None
    assert last[2]["pulse_width_us"]["mean"] == pytest.approx(900.0, abs=0.1)
    second = run_here("watch", path, "--channel-input", "2", "--fast", "--json", cwd=tmp_path)
    assert {json.loads(line)["input"] for line in second.out.splitlines()} == {2}


def test_an_edge_list(tmp_path: Path) -> None:
    rise = 0.005 + np.arange(150) * 0.016
    rows = "".join(f"{at:.7f},1\n{at + 0.0012:.7f},0\n" for at in rise)
    path = tmp_path / "edges.csv"
    path.write_text("time_s,level\n" + rows)
    out = run_here("watch", path, "--fast", "--json", cwd=tmp_path)
    assert out.status == 0, out
    last = json.loads(out.out.splitlines()[-1])
    assert last["pulse_width_us"]["mean"] == pytest.approx(1200.0, abs=0.2)


def test_it_ends_after_its_seconds(long: Path, tmp_path: Path) -> None:
    out = run_here("watch", long, "--fast", "--json", "--seconds", "2", cwd=tmp_path)
    last = json.loads(out.out.splitlines()[-1])
    assert 2.0 <= last["heard_s"] < 3.0


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "watch without anything to watch"),
        (("--input", "0", "--port", "x"), "--input and --port"),
        (("a.wav", "b.wav"), "2 files"),
        (("--input", "0", "--json", "--plain"), "--json together with --plain"),
        (("a.wav", "--channel-input", "0"), "--channel-input '0'"),
        (("a.wav", "--channel-input", "1", "--channel-input", "1"), "--channel-input '1'"),
        (("a.wav", "--seconds", "x"), "--seconds 'x'"),
        (("missing.wav",), "missing.wav"),
        (("--port", "/dev/there-is-none"), "/dev/there-is-none"),
        (("heron", "--input", "0"), "no bench folder"),
    ],
)
def test_refusals(words: tuple[str, ...], said: str, tmp_path: Path) -> None:
    _write(tmp_path / "a.wav", render_train(0.0015, duration_s=0.5).values)
    out = run_here("watch", *words, cwd=tmp_path)
    assert out.status == 2
    assert said in out.err
    assert len(out.err.splitlines()) == 1
    assert out.out == ""


def test_an_unknown_channel_is_refused(steady: Path, bench_folder: Path) -> None:
    out = run_here("watch", "crane", steady, "--fast", cwd=bench_folder)
    assert out.status == 2
    assert "crane" in out.err


def test_a_reader_that_leaves_is_no_failure(long: Path, tmp_path: Path) -> None:
    process = subprocess.Popen(
        command_words("watch", long, "--fast", "--json"),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=plain_environment(),
        cwd=tmp_path,
    )
    assert process.stdout is not None
    process.stdout.readline()
    process.stdout.close()
    assert process.wait(timeout=_PATIENCE_S) == 0
    assert process.stderr is not None
    assert process.stderr.read() == b""
    process.stderr.close()


# --- on a terminal ------------------------------------------------------------


class _Terminal:
    """A pseudo-terminal with a command on it."""

    def __init__(
        self,
        *words: str | Path,
        cwd: Path,
        size: tuple[int, int] = (80, 24),
        command: list[str] | None = None,
        **environment: str,
    ) -> None:
        self.master, self.slave = pty.openpty()
        shape = struct.pack("HHHH", size[1], size[0], 0, 0)
        fcntl.ioctl(self.slave, termios.TIOCSWINSZ, shape)
        self.before = termios.tcgetattr(self.slave)
        self.seen = b""
        taken = plain_environment() | {"TERM": "xterm-256color"} | environment
        taken.pop("NO_COLOR", None)
        taken |= environment
        self.process = subprocess.Popen(
            command or command_words("watch", *words),
            stdin=self.slave,
            stdout=self.slave,
            stderr=self.slave,
            cwd=cwd,
            env=taken,
            start_new_session=True,
            preexec_fn=self._own_terminal,
        )

    def _own_terminal(self) -> None:
        fcntl.ioctl(0, termios.TIOCSCTTY, 0)

    def read(self, timeout_s: float = 0.05) -> None:
        """Take what is new."""
        ready, _, _ = select.select([self.master], [], [], timeout_s)
        if ready:
            with contextlib.suppress(OSError):
                self.seen += os.read(self.master, 1 << 16)

    def wait_for(self, word: bytes | Callable[[bytes], bool]) -> None:
        """Read until something is there."""
        until = time.monotonic() + _PATIENCE_S
        found = word if callable(word) else lambda seen: word in seen
        while not found(self.seen):
            assert time.monotonic() < until, self.seen[-2000:]
            assert self.process.poll() is None or select.select([self.master], [], [], 0)[0], (
                self.seen[-2000:]
            )
            self.read()

    def press(self, key: str) -> None:
        """Press a key, and forget what was on the screen until then."""
        self.read()
        self.seen = b""
        os.write(self.master, key.encode())

    def end(self) -> int:
        """Wait for the end and return the exit status."""
        until = time.monotonic() + _PATIENCE_S
        while self.process.poll() is None:
            assert time.monotonic() < until, self.seen[-2000:]
            self.read()
        self.read()
        self.read()
        return self.process.returncode

    @property
    def is_clean(self) -> bool:
        """Whether mode and screen are as they were."""
        same = termios.tcgetattr(self.slave) == self.before
        return same and self.seen.count(_ENTER) == self.seen.count(_LEAVE)

    def close(self) -> None:
        """Leave nothing behind."""
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        os.close(self.master)
        os.close(self.slave)


@contextlib.contextmanager
def _on_terminal(*words: str | Path, cwd: Path, **more: Any) -> Iterator[_Terminal]:
    terminal = _Terminal(*words, cwd=cwd, **more)
    try:
        yield terminal
    finally:
        terminal.close()


@pytest.mark.pty
def test_the_screen_and_q(long: Path, tmp_path: Path) -> None:
    with _on_terminal(long, cwd=tmp_path) as terminal:
        terminal.wait_for(b"period 16.667 ms")
        assert termios.tcgetattr(terminal.slave) != terminal.before
        assert b"\x1b[?1049h" in terminal.seen
        os.write(terminal.master, b"q")
        assert terminal.end() == 0
        assert terminal.is_clean
        # the last reading stays as a sentence, after the screen was left
        assert b"pulse 1500" in terminal.seen.split(_LEAVE)[-1]


@pytest.mark.pty
def test_the_keys(long: Path, bench_folder: Path) -> None:
    with _on_terminal("heron", long, cwd=bench_folder) as terminal:
        terminal.wait_for(b"period 16.667 ms")
        terminal.press("z")
        terminal.wait_for(b"changed since zero")
        terminal.press("z")
        terminal.wait_for(b"zero taken off")
        terminal.press("h")
        terminal.wait_for(b"HELD")
        terminal.press("m")
        terminal.wait_for(b"marked in the log of heron")
        terminal.press("h")
        terminal.wait_for(b"live again")
        terminal.press("r")
        terminal.wait_for(b"record needs to know where the knob stands")
        terminal.press("\x1b[A")  # an arrow key means nothing, nor does a letter without a task
        terminal.press("x")
        terminal.press("q")
        assert terminal.end() == 0
    (mark,) = read_marks(Bench(bench_folder), "heron")
    assert mark["pulse_width_us"]["mean"] == pytest.approx(1500.0, abs=0.2)
    assert mark["channel"] == "heron"
    assert re.fullmatch(r"20\d\d-\d\d-\d\dT\d\d:\d\d:\d\dZ", mark["marked_utc"])


@pytest.mark.pty
def test_a_mark_without_a_bench_says_what_is_missing(long: Path, tmp_path: Path) -> None:
    with _on_terminal(long, cwd=tmp_path) as terminal:
        terminal.wait_for(b"period")
        terminal.press("m")
        terminal.wait_for(b"mark needs a bench folder")


@pytest.mark.pty
def test_keys_work_without_a_screen(long: Path, tmp_path: Path) -> None:
    with _on_terminal(long, "--plain", cwd=tmp_path) as terminal:
        terminal.wait_for(b"microseconds")
        assert _ENTER not in terminal.seen
        os.write(terminal.master, b"q")
        assert terminal.end() == 0
        assert terminal.is_clean


@pytest.mark.pty
@pytest.mark.parametrize("size", [(80, 24), (120, 40), (40, 20), (20, 5)])
def test_nothing_is_drawn_beyond_the_screen(
    size: tuple[int, int], long: Path, tmp_path: Path
) -> None:
    with _on_terminal(long, cwd=tmp_path, size=size) as terminal:
        terminal.wait_for(lambda seen: b"arm" in seen or b"1500" in seen)
        for _ in range(20):
            terminal.read(0.1)
        drawn = re.sub(rb"\x1b\[\??[0-9;]*[a-zA-Z]", b"\n", terminal.seen).decode(errors="ignore")
        rows = [int(row) for row in re.findall(rb"\x1b\[(\d+);1H", terminal.seen)]
        assert max(rows) <= size[1]
        assert max(len(part) for part in drawn.split("\n")) <= size[0]


@pytest.mark.pty
def test_no_colour_and_colour(long: Path, tmp_path: Path) -> None:
    colour = re.compile(rb"\x1b\[[0-9;]*(38;|3[1-7]|9[1-7])")
    with _on_terminal(long, cwd=tmp_path, NO_COLOR="1") as terminal:
        terminal.wait_for(b"period")
        assert not colour.search(terminal.seen)
        assert "█".encode() in terminal.seen
    with _on_terminal(long, cwd=tmp_path) as terminal:
        terminal.wait_for(b"period")
        assert colour.search(terminal.seen)


@pytest.mark.pty
def test_a_terminal_that_takes_only_ascii(long: Path, tmp_path: Path) -> None:
    with _on_terminal(long, cwd=tmp_path, PYTHONIOENCODING="ascii") as terminal:
        terminal.wait_for(b"period")
        assert terminal.seen.isascii()
        assert b"+- " in terminal.seen


@pytest.mark.pty
def test_a_dumb_terminal_gets_sentences(long: Path, tmp_path: Path) -> None:
    with _on_terminal(long, cwd=tmp_path, TERM="dumb") as terminal:
        terminal.wait_for(b"microseconds")
        assert b"\x1b" not in terminal.seen


@pytest.mark.pty
@pytest.mark.parametrize("seed", range(6))
def test_ctrl_c_at_any_instant_leaves_the_terminal_clean(
    seed: int, long: Path, tmp_path: Path
) -> None:
    source = random.Random(seed)
    with _on_terminal(long, cwd=tmp_path) as terminal:
        if seed % 2:
            terminal.wait_for(_ENTER)
        until = time.monotonic() + source.uniform(0.0, 1.2)
        while time.monotonic() < until:
            terminal.read(0.01)
        os.write(terminal.master, b"\x03" * source.choice((1, 1, 2, 3)))
        status = terminal.end()
        assert terminal.is_clean
        # before Python has begun to listen, the signal itself ends it
        assert status in (130, -signal.SIGINT)


@pytest.mark.pty
@pytest.mark.parametrize(
    ("number", "status"), [(signal.SIGTERM, 128 + 15), (signal.SIGHUP, 128 + 1)]
)
def test_other_signals_leave_the_terminal_clean(
    number: signal.Signals, status: int, long: Path, tmp_path: Path
) -> None:
    with _on_terminal(long, cwd=tmp_path) as terminal:
        terminal.wait_for(b"period")
        terminal.process.send_signal(number)
        assert terminal.end() == status
        assert terminal.is_clean


# Stops like a shell does: Ctrl-Z does nothing to a process whose parent is not in its session.
_SHELL = """
import os, signal, subprocess, sys
signal.signal(signal.SIGTTOU, signal.SIG_IGN)
child = subprocess.Popen(sys.argv[2:], process_group=0)
open(sys.argv[1], "w").write(f"{child.pid}\\n")
os.tcsetpgrp(0, child.pid)
status = child.wait()
os.tcsetpgrp(0, os.getpgrp())
sys.exit(status)
"""


@pytest.mark.pty
def test_ctrl_z_and_on_again(long: Path, tmp_path: Path) -> None:
    note = tmp_path / "child"
    python, *words = command_words("watch", long)
    shell = [python, "-c", _SHELL, str(note), python, *words]
    with _on_terminal(long, cwd=tmp_path, command=shell) as terminal:
        terminal.wait_for(b"period")
        child = int(note.read_text())
        os.write(terminal.master, b"\x1a")
        terminal.wait_for(_LEAVE)
        _wait_until(lambda: _state_of(child) == "T")
        assert termios.tcgetattr(terminal.slave) == terminal.before
        terminal.seen = b""
        os.kill(child, signal.SIGCONT)
        terminal.wait_for(_ENTER)
        terminal.wait_for(b"period")
        assert termios.tcgetattr(terminal.slave) != terminal.before
        os.write(terminal.master, b"q")
        assert terminal.end() == 0
        assert termios.tcgetattr(terminal.slave) == terminal.before
        assert terminal.seen.count(_ENTER) == terminal.seen.count(_LEAVE)


def _state_of(process: int) -> str:
    return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0]


def _wait_until(holds: Callable[[], bool]) -> None:
    until = time.monotonic() + _PATIENCE_S
    while not holds():
        assert time.monotonic() < until
        time.sleep(0.02)


@pytest.mark.pty
def test_a_failure_leaves_the_terminal_clean(tmp_path: Path) -> None:
    spoiled = tmp_path / "spoiled.csv"
    rows = "".join(f"{0.01 * n:.4f},{n % 2}\n" for n in range(1, 1000))
    spoiled.write_text("time_s,level\n" + rows)
    # what breaks is the screen itself, in the middle of drawing
    code = (
        "import benchlog.show.live_layout as layout, sys\n"
        "def broken(*words): raise RuntimeError('broken')\n"
        "layout.period_line = broken\n"
        "from benchlog.__main__ import main\n"
        "sys.exit(main(sys.argv[1:]))\n"
    )
    (tmp_path / "broken.py").write_text(code)
    master, slave = pty.openpty()
    before = termios.tcgetattr(slave)
    words = [*command_words()[:1], str(tmp_path / "broken.py"), "watch", str(spoiled)]
    environment = plain_environment() | {"TERM": "xterm"}
    process = subprocess.Popen(words, stdin=slave, stdout=slave, stderr=slave, env=environment)
    seen = b""
    until = time.monotonic() + _PATIENCE_S
    while process.poll() is None and time.monotonic() < until:
        if select.select([master], [], [], 0.1)[0]:
            seen += os.read(master, 1 << 16)
    while select.select([master], [], [], 0.1)[0]:
        seen += os.read(master, 1 << 16)
    assert process.wait(timeout=5) == 1
    assert termios.tcgetattr(slave) == before
    assert seen.count(_ENTER) == seen.count(_LEAVE) == 1
    assert b"RuntimeError: broken" in seen.split(_LEAVE)[-1]
    os.close(master)
    os.close(slave)


# --- a probe that leaves and comes back ---------------------------------------


class _Board:
    """A board on a pseudo-terminal, behind a name that can lead to another one."""

    def __init__(self, name: Path, width_s: float) -> None:
        self.master, self.slave = pty.openpty()
        os.set_blocking(self.master, False)
        name.unlink(missing_ok=True)
        name.symlink_to(os.ttyname(self.slave))
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._send, args=(width_s,), daemon=True)
        self._thread.start()

    def _send(self, width_s: float) -> None:
        began_s, pulse = time.monotonic(), 0
        while not self._stop.wait(0.02):
            if pulse % 50 == 0:
                self._write(b"# benchlog-probe ticks_per_s=2000000 width_bits=32 inputs=1\n")
            while pulse * 0.016 < time.monotonic() - began_s:
                tick = round(pulse * 0.016 * 2e6) + 1000
                self._write(b"%d 1\n%d 0\n" % (tick, tick + round(width_s * 2e6)))
                pulse += 1

    def _write(self, line: bytes) -> None:
        with contextlib.suppress(OSError):
            os.write(self.master, line)

    def unplug(self) -> None:
        """Take it away."""
        self._stop.set()
        self._thread.join()
        os.close(self.master)
        os.close(self.slave)


@pytest.mark.pty
def test_a_probe_is_unplugged_and_plugged_in_again(bench_folder: Path) -> None:
    name = bench_folder / "port"
    board = _Board(name, 0.0012)
    words = ("watch", "heron", "--port", name, "--at", "90", "--json")
    process = subprocess.Popen(
        command_words(*words),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=plain_environment(),
        cwd=bench_folder,
    )
    try:
        assert process.stdout is not None
        _read_until(process.stdout, lambda one: _width_is(one, 1200.0))
        board.unplug()
        _read_until(process.stdout, lambda one: one["state"] == "unplugged")
        board = _Board(name, 0.0017)
        _read_until(process.stdout, lambda one: _width_is(one, 1700.0))
        process.send_signal(signal.SIGTERM)
        assert process.wait(timeout=_PATIENCE_S) == 128 + 15
        assert process.stderr is not None
        assert process.stderr.read() == b""  # coming back is no noise
    finally:
        process.kill()
        process.wait()
        for pipe in (process.stdout, process.stderr):
            assert pipe is not None
            pipe.close()
        board.unplug()


def _width_is(told: dict[str, Any], width_us: float) -> bool:
    width = told["pulse_width_us"]
    return width is not None and abs(width["mean"] - width_us) < 1.0


def _read_until(pipe: Any, holds: Callable[[dict[str, Any]], bool]) -> dict[str, Any]:
    until = time.monotonic() + _PATIENCE_S
    while time.monotonic() < until:
        line = pipe.readline()
        assert line, "it ended"
        told: dict[str, Any] = json.loads(line)
        if holds(told):
            return told
    raise AssertionError("it never came")


@pytest.mark.pty
def test_the_last_minute_of_a_probe_is_kept(bench_folder: Path) -> None:
    name = bench_folder / "port"
    board = _Board(name, 0.0012)
    try:
        with _on_terminal(
            "heron", "--port", name, "--at", "90", "--supply", "5.9", cwd=bench_folder
        ) as terminal:
            terminal.wait_for(b"period 16.000 ms")
            terminal.press("r")
            terminal.wait_for(b"kept as ")
            terminal.press("q")
            terminal.end()
    finally:
        board.unplug()
    (record,) = Bench(bench_folder).records("heron")
    assert record.path.suffix == ".csv"
    assert (record.sidecar.knob_deg, record.sidecar.supply_v) == (90.0, 5.9)
    out = run_here("measure", record.path, "--json", cwd=bench_folder)
    measured = json.loads(out.out)["files"][0]["inputs"][0]
    assert measured["pulse_width_us"]["mean"] == pytest.approx(1200.0, abs=0.5)


# --- through a sound server ---------------------------------------------------


@pytest.mark.sound_server
def test_a_changed_pulse_is_shown(sound_server: SoundServer, tmp_path: Path) -> None:
    # How soon is `bench_watch`'s to say, and how soon in samples `test_live`'s.
    count = int(14.0 / 0.0167003)
    width_s = np.full(count, 0.0015)
    width_s[count // 2 :] = 0.00151
    path = _write(tmp_path / "change.wav", render_train(width_s, duration_s=14.0).values)
    with sound_server.playing(path):
        out = run_process(
            *("watch", "--input", "pulse", "--rate", "48000", "--json", "--seconds", "12"),
            cwd=tmp_path,
            environment=sound_server.environment,
        )
    told = [json.loads(line) for line in out.out.splitlines()]
    assert any(_width_is(one, 1500.0) for one in told), out
    assert any(_width_is(one, 1510.0) for one in told), out
    assert not any(one["lost"]["count"] for one in told)
    assert out.err == ""


@pytest.mark.sound_server
def test_the_last_seconds_of_sound_are_kept(
    sound_server: SoundServer, bench_folder: Path, tmp_path: Path
) -> None:
    path = _write(tmp_path / "play.wav", render_train(0.0015, duration_s=20.0).values)
    words = ("heron", "--input", "pulse", "--rate", "48000", "--at", "135")
    environment = {
        name: value
        for name, value in sound_server.environment.items()
        if os.environ.get(name) != value
    }
    with (
        sound_server.playing(path),
        _on_terminal(*words, cwd=bench_folder, **environment) as terminal,
    ):
        terminal.wait_for(b"period 16.700 ms")
        terminal.press("r")
        terminal.wait_for(b"kept as ")
        terminal.press("q")
        terminal.end()
    (record,) = Bench(bench_folder).records("heron")
    assert record.path.suffix == ".flac"
    assert record.sidecar.rate_hz == 48000
    out = run_here("measure", record.path, "--json", cwd=bench_folder)
    measured = json.loads(out.out)["files"][0]["inputs"][0]
    assert measured["pulse_width_us"]["mean"] == pytest.approx(1500.0, abs=0.3)
