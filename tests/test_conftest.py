"""A full run takes no skip for an answer, and no test leaves the machine."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
from pathlib import Path

import pytest

_CHECKOUT = Path(__file__).resolve().parent.parent

_SKIPPED_TEST = "import pytest\ndef test_a():\n    pytest.skip('no such thing here')\n"
_SKIPPED_MODULE = "import pytest\npytest.skip('no such thing here', allow_module_level=True)\n"


def _run_pytest(folder: Path, *, full: bool) -> subprocess.CompletedProcess[str]:
    environment = {k: v for k, v in os.environ.items() if k != "BENCHLOG_FULL"}
    environment["PYTHONPATH"] = str(_CHECKOUT)
    if full:
        environment["BENCHLOG_FULL"] = "1"
    return subprocess.run(
        [sys.executable, "-m", "pytest", "-p", "tests.conftest", "-p", "no:cacheprovider", "-rs"],
        cwd=folder,
        env=environment,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


@pytest.mark.parametrize("text", [_SKIPPED_TEST, _SKIPPED_MODULE], ids=["test", "module"])
def test_a_skip_fails_only_a_full_run(tmp_path: Path, text: str) -> None:
    (tmp_path / "test_it.py").write_text(text)
    full = _run_pytest(tmp_path, full=True)
    assert full.returncode != 0
    assert "no such thing here" in full.stdout
    plain = _run_pytest(tmp_path, full=False)
    # pytest ends with 5 where it ran nothing, which is what a skipped module leaves.
    assert plain.returncode in (0, 5)
    assert "1 skipped" in plain.stdout


def test_a_connection_beyond_this_machine_is_refused() -> None:
    # 192.0.2.0/24 is set apart for documentation (RFC 5737): nobody is there.
    with (
        socket.socket(socket.AF_INET, socket.SOCK_STREAM) as other,
        pytest.raises(AssertionError, match=r"192\.0\.2\.1"),
    ):
        other.connect(("192.0.2.1", 9))
