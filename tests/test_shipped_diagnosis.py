"""`diagnose` on the shipped bench folder: one channel with nothing wrong, two with a fault."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.command_inputs import answer
from tests.command_line import run_here
from tests.test_diagnose_command import causes

_CHECKOUT = Path(__file__).resolve().parent.parent


@pytest.mark.parametrize(
    ("channel", "status", "cause"),
    [("heron", 0, "steady"), ("boat", 1, "wiper"),
     ("curtain", 1, "end-stop-high")],
)  # fmt: skip
def test_the_shipped_bench(channel: str, status: int, cause: str) -> None:
    content = answer(run_here("diagnose", channel, "--json", cwd=_CHECKOUT), status=status)
    assert causes(content) == [cause]
