"""Packing a finished WAV file as FLAC, which is read back before it counts."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchlog.capture.audio_files import write_audio
from benchlog.capture.new_files import give_name
from benchlog.errors import StoreError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["pack_wave", "same_samples"]

_BLOCK = 1 << 16


def pack_wave(path: Path, bits: int) -> Path:
    """Make a FLAC file of a WAV file, under the same stem; the WAV file stays.

    Parameters
    ----------
    path : Path
        A WAV file of whole frames.
    bits : int
        How many bits of each sample are in use: 16, or else 24 are kept.

    Returns
    -------
    Path
        The FLAC file, of which every sample was read back and compared; `path` itself
        where there can be none (a rate or number of inputs that FLAC does not hold, a full disk,
        a name that is taken).
    """
    import soundfile

    final = path.with_suffix(".flac")
    part = path.with_name(f".{path.stem}.{os.getpid()}.flac.part")
    try:
        with _opened(path) as sound:
            rate_hz = sound.samplerate
            subtype = "PCM_16" if bits == 16 else "PCM_24"
            write_audio(part, _blocks(sound), rate_hz, subtype, container="FLAC")
        if not same_samples(path, part):
            return path
        give_name(part, final)
    except (OSError, ValueError, StoreError, soundfile.SoundFileError):
        return path
    finally:
        with contextlib.suppress(OSError):
            part.unlink()
    return final


def same_samples(one: Path, other: Path) -> bool:
    """Tell whether two sound files hold the same samples, bit for bit, at the same rate.

    Parameters
    ----------
    one, other : Path
        Files of up to 32-bit integers.

    Returns
    -------
    bool
        False also where one cannot be read.
    """
    import numpy as np
    import soundfile

    try:
        with _opened(one) as first, _opened(other) as second:
            if (first.samplerate, first.channels) != (second.samplerate, second.channels):
                return False
            while True:
                a = first.read(_BLOCK, dtype="int32", always_2d=True)
                b = second.read(_BLOCK, dtype="int32", always_2d=True)
                if a.shape != b.shape or not np.array_equal(a, b):
                    return False
                if not len(a):
                    return True
    except (soundfile.SoundFileError, OSError):
        return False


def _opened(path: Path) -> Any:
    import soundfile

    return soundfile.SoundFile(str(path) if os.name == "nt" else os.fsencode(path))


def _blocks(sound: Any) -> Iterator[NDArray[np.int32]]:
    while len(block := sound.read(_BLOCK, dtype="int32", always_2d=True)):
        yield block
