"""A private sound server with one null sink, for tests of real recording.

The server runs in a folder of its own, so that it neither meets nor disturbs a
server that the user runs. What is played into the sink ``bench`` comes back from
its monitor sample for sample: 48000 frames a second, 16 bits, two channels.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator
from ctypes.util import find_library
from dataclasses import dataclass
from pathlib import Path

import pytest

__all__ = ["RATE_HZ", "SoundServer", "run_sound_server", "sound_server", "what_is_missing"]

RATE_HZ = 48000
_ATTEMPTS = 4
_ANSWER_WITHIN_S = 8.0


@dataclass(frozen=True, slots=True)
class SoundServer:
    """A running server.

    Attributes
    ----------
    environment : dict of str to str
        What a subprocess needs in its environment to meet this server and no other.
    """

    environment: dict[str, str]

    @contextlib.contextmanager
    def playing(self, path: Path) -> Iterator[subprocess.Popen[bytes]]:
        """Play a sound file into the sink for as long as the body runs."""
        command = ["paplay", "--device=bench", "--latency-msec=1000", str(path)]
        with subprocess.Popen(
            command,
            env=self.environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        ) as player:
            try:
                self._wait_until_heard(player)
                yield player
            finally:
                player.kill()

    def control(self, *words: str) -> str:
        """Run pactl with `words` and return what it prints."""
        done = subprocess.run(
            ["pactl", *words],
            env=self.environment,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            timeout=10,
            check=True,
        )
        return done.stdout

    def _wait_until_heard(self, player: subprocess.Popen[bytes]) -> None:
        deadline = time.monotonic() + _ANSWER_WITHIN_S
        while time.monotonic() < deadline:
            if player.poll() is not None:
                raise RuntimeError(f"paplay ended at once with status {player.returncode}")
            if self.control("list", "short", "sink-inputs").strip():
                return
            time.sleep(0.05)
        raise RuntimeError("paplay never reached the sound server")


def what_is_missing() -> str | None:
    """Say what this machine lacks for a private sound server, None if nothing."""
    for command in ("pulseaudio", "pactl", "paplay"):
        if shutil.which(command) is None:
            return f"no command {command} (Debian: pulseaudio, pulseaudio-utils)"
    if find_library("portaudio") is None:
        return "no PortAudio library (Debian: libportaudio2)"
    plugins = Path("/usr/lib").glob("**/alsa-lib/libasound_module_pcm_pulse.so")
    if next(iter(plugins), None) is None:
        return "no ALSA plugin for the sound server (Debian: libasound2-plugins)"
    return None


def _private_environment(folder: Path) -> dict[str, str]:
    """Return this process's environment, turned to a server that lives in `folder`."""
    kept = {
        name: value
        for name, value in os.environ.items()
        if not name.startswith(("PULSE_", "PIPEWIRE_", "ALSA_", "DBUS_", "XDG_"))
        and name not in ("DISPLAY", "WAYLAND_DISPLAY")
    }
    for name in ("run", "run/pulse", "home", "config", "state"):
        (folder / name).mkdir(mode=0o700, parents=True)
    return kept | {
        "HOME": str(folder / "home"),
        "XDG_RUNTIME_DIR": str(folder / "run"),
        "XDG_CONFIG_HOME": str(folder / "config"),
        "PULSE_RUNTIME_PATH": str(folder / "run/pulse"),
        "PULSE_STATE_PATH": str(folder / "state"),
        "PULSE_COOKIE": str(folder / "cookie"),
        "PULSE_SERVER": f"unix:{folder / 'run/pulse/native'}",
        "DBUS_SESSION_BUS_ADDRESS": "disabled:",
        "LC_ALL": "C.UTF-8",
    }


def _answers(server: SoundServer, process: subprocess.Popen[bytes]) -> bool:
    """Wait until the server answers and its sink stands; False if it does not."""
    deadline = time.monotonic() + _ANSWER_WITHIN_S
    while time.monotonic() < deadline and process.poll() is None:
        with contextlib.suppress(subprocess.SubprocessError):
            server.control("set-default-sink", "bench")
            server.control("set-default-source", "bench.monitor")
            if "bench.monitor" in server.control("list", "short", "sources"):
                return True
        time.sleep(0.1)
    return False


def _stop(process: subprocess.Popen[bytes]) -> None:
    process.terminate()
    try:
        process.wait(timeout=5)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


@contextlib.contextmanager
def run_sound_server() -> Iterator[SoundServer]:
    """Run a private server in a folder that is gone afterwards.

    Raises
    ------
    RuntimeError
        It could not be brought to answer, with what it said.
    """
    said = ""
    for _ in range(_ATTEMPTS):
        # A short path: a Unix socket's name holds 107 bytes at most.
        folder = Path(tempfile.mkdtemp(prefix="bl", dir="/tmp"))
        folder.chmod(0o700)
        server = SoundServer(_private_environment(folder))
        command = [
            "pulseaudio",
            "-n",
            "--daemonize=no",
            "--exit-idle-time=-1",
            "--disallow-exit=no",
            "--use-pid-file=no",
            "--disable-shm=yes",
            "--high-priority=no",
            "--realtime=no",
            "--log-level=error",
            "--load=module-native-protocol-unix auth-anonymous=1",
            f"--load=module-null-sink sink_name=bench rate={RATE_HZ} format=s16le channels=2",
        ]
        try:
            with (folder / "log").open("wb") as log:
                process = subprocess.Popen(
                    command,
                    env=server.environment,
                    stdin=subprocess.DEVNULL,
                    stdout=log,
                    stderr=subprocess.STDOUT,
                )
            try:
                if _answers(server, process):
                    yield server
                    return
            finally:
                _stop(process)
            said = (folder / "log").read_text(errors="replace").strip()
        finally:
            shutil.rmtree(folder, ignore_errors=True)
    raise RuntimeError(f"the sound server did not start in {_ATTEMPTS} attempts: {said}")


@pytest.fixture(scope="session")
def sound_server() -> Iterator[SoundServer]:
    """Return a private sound server, shared by the whole run."""
    missing = what_is_missing()
    if missing is not None:
        pytest.skip(f"needs a private sound server: {missing}")
    with run_sound_server() as server:
        yield server
