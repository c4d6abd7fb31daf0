"""Whether a sound input keeps the rate that it states, by this machine's monotonic clock."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchlog.capture.stream import StreamBlock

__all__ = ["Pace"]

ALLOWED = 0.01
"""The share by which a rate may be off and still be left to the clock's uncertainty."""

SLACK_S = 0.15
"""How much earlier or later than its samples a block may come, by what the driver buffers."""

_BEGIN_S = 0.5
_ENOUGH = 10


class Pace:
    """Fits a line to the number of frames against the time they came at.

    Parameters
    ----------
    rate_hz : float
        The rate that the device states.
    """

    def __init__(self, rate_hz: float) -> None:
        self._rate_hz = rate_hz
        self._began_s: float | None = None
        self._last_s: float | None = None
        self._longest_s = 0.0
        self._found: float | None = None
        self._begin()

    def _begin(self) -> None:
        self._frames = 0
        self._sums = [0.0] * 5
        self._count = 0
        self._first_s = math.nan

    def add(self, block: StreamBlock) -> None:
        """Take a block; after lost samples or a pause the count begins anew."""
        late = self._last_s is not None and block.time_s - self._last_s > _BEGIN_S
        self._last_s = block.time_s
        if self._began_s is None or block.lost_before is not None or late:
            self._began_s = block.time_s
            self._begin()
        if block.time_s - self._began_s < _BEGIN_S:  # what had gathered comes at once
            return
        if self._count == 0:
            self._first_s = block.time_s
        else:
            self._frames += len(block.values)
        x, y = block.time_s - self._first_s, self._frames / self._rate_hz
        self._count += 1
        for i, term in enumerate((x, y, x * x, x * y, y * y)):
            self._sums[i] += term
        if x > self._longest_s and self._count >= _ENOUGH:
            self._longest_s = x
            self._found = self._fit()

    def _fit(self) -> float:
        n = self._count
        x, y, xx, xy, _ = self._sums
        return (n * xy - x * y) / (n * xx - x * x) - 1.0

    def deviation(self) -> float | None:
        """Return by which share the rate is off, None where it is not surely beyond `ALLOWED`."""
        if self._found is None or abs(self._found) <= ALLOWED:
            return None
        return self._found if abs(self._found) * self._longest_s > SLACK_S else None
