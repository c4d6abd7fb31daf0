"""How a right file is spoiled: bits flipped, cut off, chunks put in, lengths made huge."""

from __future__ import annotations

import contextlib
import signal
from collections.abc import Iterator

from hypothesis import strategies as st

__all__ = ["bounded", "spoiled"]

LONGEST_EXAMPLE_S = 30.0
"""No reader takes a hundredth of this for a file of some kilobytes: it is a hang."""

_LENGTHS = (
    b"\x00\x00\x00\x00", b"\xff\xff\xff\xff", b"\xff\xff\xff\x7f", b"\x00\x00\x00\x80",
    b"\x00\x00\x01\x00", b"\xff\xff", b"\x00\x00", b"\x7f\xff\xff\xff", b"\x00\x00\xc0\x7f",
    b"\x00\x00\x80\x7f", b"\xff" * 8, b"\x00\x00\x00\x00\x00\x01\x00\x00",
)  # fmt: skip
_CHUNKS = (
    b"\n", b"\r", b"\0", b"\x1c", b"\x1b[2J", b"\xc2\x85", b"\xe2\x80\xa8", b"\xe2\x80\xae",
    b"\xef\xbb\xbf", b"\xed\xa0\x80", b"\xff\xfe", b"1e999", b"-1e-999", b"nan", b"inf",
    b"9" * 5000, b"0x" + b"f" * 900, b"[" * 900, b"{\"a\":" * 900, b"a." * 400, b'"' * 3,
    b"'", b",", b";", b"#", b"=", b"$end", b"$scope module a $end\n" * 120, b"b" + b"1" * 5000,
    b"#" + b"9" * 30, b"# benchlog-probe", b"[red]", b"<b>", b"../", b"A" * 70000, b" " * 3000,
    "٣".encode(), "½".encode(), "𝟞".encode(),
)  # fmt: skip


@st.composite
def spoiled(draw: st.DrawFn, seeds: tuple[bytes, ...]) -> bytes:
    """Draw one of `seeds`, spoiled at some places."""
    data = bytearray(draw(st.sampled_from(seeds)))
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, max(len(data) - 1, 0)))
        way = draw(st.sampled_from(("flip", "cut", "length", "chunk", "any", "drop", "again")))
        if way == "flip" and data:
            data[at] ^= 1 << draw(st.integers(0, 7))
        elif way == "cut":
            del data[at:]
        elif way == "length":
            word = draw(st.sampled_from(_LENGTHS))
            data[at : at + len(word)] = word
        elif way == "chunk":
            data[at:at] = draw(st.sampled_from(_CHUNKS))
        elif way == "any":
            data[at:at] = draw(st.binary(max_size=40))
        elif way == "drop":
            del data[at : at + draw(st.integers(1, 60))]
        else:
            data[at:at] = data[at : at + draw(st.integers(1, 200))]
    return bytes(data)


@contextlib.contextmanager
def bounded(seconds: float = LONGEST_EXAMPLE_S) -> Iterator[None]:
    """End a hang within the block with an AssertionError, where the system has alarms."""
    if not hasattr(signal, "setitimer"):
        yield
        return

    def ring(*_: object) -> None:
        raise AssertionError(f"no end after {seconds:g} s")

    before = signal.signal(signal.SIGALRM, ring)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        signal.signal(signal.SIGALRM, before)
