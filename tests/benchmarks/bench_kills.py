"""What a capture leaves that is killed, fills its disk or loses its device."""

from __future__ import annotations

import os
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

from tests.killing import (
    Outcome,
    PlayedProbe,
    kill_one,
    make_folder,
    start_capture,
    tell_left,
    wait_for_record,
    write_train,
)
from tests.sound_server import SoundServer, run_sound_server, what_is_missing

__all__ = ["run"]

KILLS = 100
"""From each kind of source."""

FAULTS = 10
"""Of each other kind."""

AT_A_TIME = 4
SECONDS = 3.0
_LONG_S = 60.0
_TMPFS_BYTES = {"sound": 400_000, "serial": 49_152}


def run() -> None:
    """Run all, and print a row for each kind."""
    print(f"{'broken off by':<34}{'runs':>6}{'records':>9}{'readable':>10}{'max lost s':>12}"
          f"{'faults':>8}")  # fmt: skip
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        missing = what_is_missing()
        if missing is None:
            with run_sound_server() as server, _playing(server, folder):
                _report("SIGKILL, sound", KILLS, lambda i: _kill_sound(folder, server, i))
                _report("full disk, sound", FAULTS, lambda i: _fill_sound(folder, server, i), 1)
            _report("sound server stopped", FAULTS, lambda i: _stop_server(folder, i), 1)
        else:
            print(f"left out, from sound: {missing}")
        _report("SIGKILL, serial", KILLS, lambda i: _kill_serial(folder, i))
        _report("full disk, serial", FAULTS, lambda i: _fill_serial(folder, i), 1)
        _report("pty closed", FAULTS, lambda i: _unplug(folder, i))


def _report(
    label: str, count: int, one: Callable[[int], Outcome | None], at_a_time: int = AT_A_TIME
) -> None:
    with ThreadPoolExecutor(at_a_time) as pool:
        outcomes = [outcome for outcome in pool.map(one, range(count)) if outcome is not None]
    records = [outcome for outcome in outcomes if outcome.kept_s is not None]
    readable = [outcome for outcome in records if not outcome.faults]
    lost_s = max((outcome.lost_s for outcome in records), default=0.0)
    faults = [fault for outcome in outcomes for fault in outcome.faults]
    print(f"{label:<34}{len(outcomes):>6}{len(records):>9}{len(readable):>10}{lost_s:>12.3f}"
          f"{len(faults):>8}", flush=True)  # fmt: skip
    for fault in faults[:5]:
        print(f"    {fault}")


@contextmanager
def _playing(server: SoundServer, folder: Path) -> Iterator[None]:
    """Play a pulse train over and over."""
    import threading

    train, over = write_train(folder / "train.wav", 600.0), threading.Event()

    def play() -> None:
        while not over.is_set():
            command = ["paplay", "--device=bench", str(train)]
            with subprocess.Popen(command, env=server.environment) as player:
                while player.poll() is None and not over.wait(0.2):
                    pass
                player.kill()

    thread = threading.Thread(target=play)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


def _kill_sound(folder: Path, server: SoundServer, index: int) -> Outcome:
    bench = make_folder(folder / f"sound-{index}")
    source = ("--input", "pulse")
    return kill_one(bench, *source, seconds=SECONDS, seed=index, environment=server.environment)


def _kill_serial(folder: Path, index: int) -> Outcome:
    bench = make_folder(folder / f"serial-{index}")
    with PlayedProbe() as probe:
        return kill_one(bench, "--port", probe.port, seconds=SECONDS, seed=1000 + index)


def _stop_server(folder: Path, index: int) -> Outcome:
    bench = make_folder(folder / f"stopped-{index}")
    with run_sound_server() as server:
        environment = server.environment
        process = start_capture(bench, "--input", "pulse", seconds=_LONG_S, environment=environment)
        began = _named_at(bench, process)
        time.sleep(0.5 + 0.25 * index)
        stopped = time.time()
        server.control("exit")
        process.communicate(timeout=30)
    return tell_left(bench, began, stopped, _LONG_S)


def _unplug(folder: Path, index: int) -> Outcome:
    bench = make_folder(folder / f"unplugged-{index}")
    with PlayedProbe() as probe:
        process = start_capture(bench, "--port", probe.port, seconds=_LONG_S)
        began = _named_at(bench, process)
        time.sleep(0.5 + 0.25 * index)
        unplugged = time.time()
        probe.unplug()
        process.communicate(timeout=30)
    return tell_left(bench, began, unplugged, _LONG_S)


def _named_at(bench: Path, process: subprocess.Popen[str]) -> float | None:
    sidecar = wait_for_record(bench, process)
    return None if sidecar is None else sidecar.stat().st_mtime


@contextmanager
def _small_disk(folder: Path, size: int) -> Iterator[Path | None]:
    """Mount a small disk in memory; None where that is not allowed."""
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", f"size={size}", "none", str(folder)]
    if os.name == "nt" or subprocess.run(command, capture_output=True, check=False).returncode:
        print("    no small disk can be mounted here (root on Linux is needed)")
        yield None
        return
    try:
        yield folder
    finally:
        subprocess.run(["umount", str(folder)], check=True)


def _fill_sound(folder: Path, server: SoundServer, index: int) -> Outcome | None:
    size = _TMPFS_BYTES["sound"] + 4096 * index
    with _small_disk(folder / f"full-sound-{index}", size) as disk:
        if disk is None:
            return None
        bench = make_folder(disk / "bench")
        process = start_capture(
            bench, "--input", "pulse", seconds=_LONG_S, environment=server.environment
        )
        return _until_full(bench, disk, process)


def _fill_serial(folder: Path, index: int) -> Outcome | None:
    size = _TMPFS_BYTES["serial"]
    with _small_disk(folder / f"full-serial-{index}", size) as disk:
        if disk is None:
            return None
        bench = make_folder(disk / "bench")
        (disk / "other").write_bytes(bytes(size - 20_480))
        with PlayedProbe() as probe:
            process = start_capture(bench, "--port", probe.port, seconds=_LONG_S)
            return _until_full(bench, disk, process)


def _until_full(bench: Path, disk: Path, process: subprocess.Popen[str]) -> Outcome:
    """Wait until a capture ends for want of room, then make room and look.

    The disk counts as full from when the record grew last.
    """
    began = _named_at(bench, process)
    largest, grown = 0, time.time()
    while process.poll() is None:
        sizes = [path.stat().st_size for path in bench.rglob("*deg.*") if path.suffix != ".json"]
        if max(sizes, default=0) > largest:
            largest, grown = max(sizes), time.time()
        time.sleep(0.01)
    process.communicate()
    subprocess.run(["mount", "-o", "remount,size=8m", str(disk)], check=True)
    return tell_left(bench, began, grown, _LONG_S)
