"""One tree of errors.

::

    BenchlogError
      RecordingError    a file or stream that cannot be used as a recording
      MeasurementError  a sound recording in which what was sought is not there
      DesignError       a design file that is wrong, or a circuit that cannot oscillate
      DeviceError       a sound input or serial port that cannot be used
      StoreError        a bench folder that cannot be read or written
      UsageError        words on the command line that cannot be used

A caller's mistake in code is `ValueError`; a failure at the bench is one of
these. Each tells, in one line, what was found, what was expected and what to try.
"""

from __future__ import annotations

__all__ = [
    "BenchlogError",
    "DesignError",
    "DeviceError",
    "MeasurementError",
    "RecordingError",
    "StoreError",
    "UsageError",
    "one_line",
]


def one_line(text: str) -> str:
    """Return `text` with line breaks and control characters made visible, on one line."""
    return "".join(c if c.isprintable() else repr(c)[1:-1] for c in text)


_LONGEST = 400  # characters of each part: what comes from a file may be of any length


def _shorten(text: str) -> str:
    """Return `text`, its middle left out where it is too long to be read."""
    if len(text) <= _LONGEST:
        return text
    return f"{text[: _LONGEST // 2]} ... {text[-_LONGEST // 2 + 5 :]}"


class BenchlogError(Exception):
    """A failure at the bench, told in one line.

    Parameters
    ----------
    found : str
        What was found, beginning with the thing's name.
    expected : str
        What was expected instead.
    attempt : str
        What to try, as an imperative.
    """

    def __init__(self, found: str, *, expected: str, attempt: str) -> None:
        super().__init__(found, expected, attempt)
        self.found = found
        self.expected = expected
        self.attempt = attempt

    def __str__(self) -> str:
        parts = (self.found, self.expected, self.attempt)
        found, expected, attempt = (_shorten(one_line(part)) for part in parts)
        return f"{found}; expected {expected}; try: {attempt}"


class RecordingError(BenchlogError):
    """A file or stream that cannot be used as a recording."""


class MeasurementError(BenchlogError):
    """A readable recording in which what was sought is not there."""


class DesignError(BenchlogError):
    """A design file that is wrong, or a circuit that cannot oscillate."""


class DeviceError(BenchlogError):
    """A sound input or serial port that cannot be used."""


class StoreError(BenchlogError):
    """A bench folder that cannot be read or written."""


class UsageError(BenchlogError):
    """Words on the command line that cannot be used."""
