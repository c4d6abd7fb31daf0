"""What all tests share: the hypothesis profile, no network, nothing skipped in a full run."""

from __future__ import annotations

import ipaddress
import os
import signal
import socket
from collections.abc import Generator
from pathlib import Path
from typing import Any

import hypothesis
import pytest

from tests.sound_server import sound_server

__all__ = ["bench_folder", "heron_design", "heron_text", "sound_server"]

# Speed is no property of the code under test; in a full run the examples are the same each time.
_IS_FULL = os.environ.get("BENCHLOG_FULL") == "1"
hypothesis.settings.register_profile(
    "benchlog", deadline=None, database=None, derandomize=_IS_FULL or bool(os.environ.get("CI"))
)
hypothesis.settings.load_profile("benchlog")

# The channel of the invented shadow-puppet stage that has nothing wrong with it.
_HERON = """\
channel = "heron"

[supply]
volts = 6.0

[timer]
family = "cmos"
r_on = "33k"
r_knob = "100k"
r_off = "820k"
c_timing = "22n"

[diode]
model = "1N4148"

[knob]
travel_deg = 270

[servo]
pulse_min_us = 500
pulse_max_us = 2500
angle_min_deg = 0
angle_max_deg = 180
dead_band_us = 5
"""


@pytest.fixture(scope="session")
def heron_text() -> str:
    """Return the text of heron's design file."""
    return _HERON


@pytest.fixture
def bench_folder(tmp_path: Path) -> Path:
    """Return a bench folder that knows heron's design and holds no record yet."""
    folder = tmp_path / "bench"
    (folder / "captures").mkdir(parents=True)
    (folder / "calibration" / "heron").mkdir(parents=True)
    (folder / "calibration" / "heron" / "design.toml").write_text(_HERON, encoding="utf-8")
    return folder


@pytest.fixture
def heron_design(bench_folder: Path) -> Path:
    """Return the path of heron's design file, inside `bench_folder`."""
    return bench_folder / "calibration" / "heron" / "design.toml"


def _is_here(address: object) -> bool:
    """Tell whether a socket address stays on this machine."""
    if not isinstance(address, tuple):
        return True  # a Unix socket's path
    try:
        return ipaddress.ip_address(str(address[0])).is_loopback
    except ValueError:
        return address[0] in ("localhost", "")


@pytest.fixture(autouse=True, scope="session")
def _no_network() -> Generator[None]:
    """Let no test in this process reach beyond this machine."""
    connect = socket.socket.connect

    def guarded(self: socket.socket, address: Any) -> None:
        if not _is_here(address):
            raise AssertionError(f"a test tried to reach {address!r}")
        connect(self, address)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(socket.socket, "connect", guarded)
        yield


@pytest.fixture(autouse=True, scope="session")
def _interruptible() -> None:
    """Let signals reach what the tests start, even where a shell ignores them in the background."""
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    hang_up = getattr(signal, "SIGHUP", None)
    if hang_up is not None and signal.getsignal(hang_up) is signal.SIG_IGN:
        signal.signal(hang_up, signal.SIG_DFL)


@pytest.fixture(autouse=True)
def _own_settings(monkeypatch: pytest.MonkeyPatch) -> None:
    """Keep the user's own bench folder out of every test."""
    monkeypatch.delenv("BENCHLOG_BENCH", raising=False)


def _as_failure(longrepr: object) -> str:
    reason = longrepr[2] if isinstance(longrepr, tuple) else longrepr
    return f"skipped in a full run (BENCHLOG_FULL=1): {reason}"


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Turn a skipped test into a failure in a full run."""
    report = yield
    if _IS_FULL and report.skipped and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = _as_failure(report.longrepr)
    return report


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(
    collector: pytest.Collector,
) -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    """Turn a skipped module into a failure in a full run."""
    report = yield
    if _IS_FULL and report.skipped:
        report.outcome = "failed"
        report.longrepr = _as_failure(report.longrepr)
    return report
