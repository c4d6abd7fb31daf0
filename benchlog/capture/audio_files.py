"""Sound files: WAV (every PCM width, float, extensible, RF64) and FLAC, read and written in blocks.

`read_audio` looks at the header only; the samples come block by block from
`Samples.blocks`, so a file of any length needs the memory of one block, and a
header that claims more than there is does no harm. Samples are exact: an
integer of b bits becomes ``value / 2**(b - 1)``, and `write_audio` makes the same
integer of it again.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from benchlog.capture.new_files import store_error
from benchlog.capture.wave_claim import read_claimed_frames
from benchlog.errors import RecordingError, StoreError
from benchlog.recording import BLOCK_FRAMES, Samples

if TYPE_CHECKING:
    from typing import BinaryIO

__all__ = ["read_audio", "write_audio"]

_BITS = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
_FLOATS = ("FLOAT", "DOUBLE")
_CONTAINERS = ("WAV", "WAVEX", "RF64", "FLAC")
_BY_SUFFIX = {".wav": "WAV", ".flac": "FLAC", ".rf64": "RF64"}
_FRAMES_UNKNOWN = 1 << 60
_RATES_HZ = (1_000, 10_000_000)
_MOST_INPUTS = 64
_KINDS = "WAV or RF64 (PCM of 8, 16, 24 or 32 bits, or float) or FLAC"
_CONVERT = "a fresh recording as FLAC or 16-bit WAV"


def read_audio(path: Path) -> Samples:
    """Open a sound file as samples.

    Parameters
    ----------
    path : Path
        A WAV, RF64 or FLAC file.

    Returns
    -------
    Samples
        Full scale at ±1, one column an input. `Samples.blocks` raises
        `RecordingError` where the file cannot be decoded or holds a sample
        that is no number; it ends early where the file is shorter than its
        header claims.

    Raises
    ------
    RecordingError
        The header cannot be read, the coding is lossy or unknown, the rate or
        the number of inputs is beyond reason, or there are no samples.
    """
    name = str(path)
    with _open(path) as file:
        container, subtype = file.format, file.subtype
        rate_hz, inputs, frames = int(file.samplerate), int(file.channels), int(file.frames)
    if container not in _CONTAINERS or subtype not in (*_BITS, *_FLOATS):
        raise RecordingError(
            f"{name} is {container} sound coded as {subtype}", expected=_KINDS, attempt=_CONVERT
        )
    if not _RATES_HZ[0] <= rate_hz <= _RATES_HZ[1]:
        raise RecordingError(
            f"{name} claims {rate_hz} samples per second",
            expected=f"{_RATES_HZ[0]} to {_RATES_HZ[1]}",
            attempt="44100 or 48000 in the program that recorded it",
        )
    if inputs > _MOST_INPUTS:
        raise RecordingError(
            f"{name} claims {inputs} inputs",
            expected=f"1 to {_MOST_INPUTS}",
            attempt="a recording of one or two inputs",
        )
    if frames == 0:
        raise _empty(name)

    def open_blocks(size: int) -> Iterator[NDArray[np.float32]]:
        return _read_blocks(path, size, rate_hz, inputs)

    return Samples(
        rate_hz=float(rate_hz),
        input_count=inputs,
        # the library counts what is there, not what the header promises
        frame_count=max(frames, read_claimed_frames(path) or 0)
        if frames < _FRAMES_UNKNOWN
        else None,
        open_blocks=open_blocks,
        step=2.0 ** (1 - _BITS[subtype]) if subtype in _BITS else 0.0,
        name=name,
    )


def _empty(name: str) -> RecordingError:
    return RecordingError(
        f"{name} has a sound header and no samples",
        expected="a few seconds of samples",
        attempt="recording it again, and closing the recorder before copying the file",
    )


def _open(path: Path, source: BinaryIO | None = None) -> Any:
    """Open `path` for reading, by way of `source` if given, with every foreign error translated."""
    import soundfile

    class Stream(soundfile.SoundFile):  # type: ignore[misc]
        """A sound file that is read once, front to back.

        Told that it cannot seek, the library does not seek after every block,
        which in a FLAC file would decode each block twice.
        """

        def seekable(self) -> bool:
            return False

    # Bytes, since a file name need not be text on POSIX.
    target = str(path) if os.name == "nt" else os.fsencode(path)
    try:
        return Stream(source or target)
    except (soundfile.SoundFileError, OSError, SystemError, TypeError, ValueError) as exc:
        raise RecordingError(
            f"{path} cannot be read as sound ({_reason(exc)})", expected=_KINDS, attempt=_CONVERT
        ) from exc


def _reason(exc: Exception) -> str:
    """Return a short reason, without the path that the message names anyway."""
    text = str(getattr(exc, "error_string", exc)).strip().rstrip(".")
    if not text or "SF_INFO" in text:  # the library's words for a rate that makes no sense
        return "its header makes no sense"
    return text.removeprefix("Error : ")


def _read_blocks(path: Path, size: int, rate_hz: int, inputs: int) -> Iterator[NDArray[np.float32]]:
    start = 0
    with contextlib.ExitStack() as stack:
        source = _source(path, stack)
        file = stack.enter_context(_open(path, source))
        if (file.samplerate, file.channels) != (rate_hz, inputs):
            raise RecordingError(
                f"{path} changed while it was being read",
                expected="a file that nobody writes to",
                attempt="a copy of it",
            )
        while True:
            block, fault = _read_block(file, size, inputs)
            if file.subtype in ("FLOAT", "DOUBLE"):
                _check_finite(block, path, start, rate_hz)
            start += len(block)
            if len(block):
                yield block
            if fault is not None and not _is_at_end(source):
                raise RecordingError(
                    f"{path} cannot be decoded after {start / rate_hz:.3f} s ({_reason(fault)})",
                    expected="an undamaged sound file",
                    attempt="copying it again from where it was recorded",
                ) from fault
            if fault is not None or not len(block):
                break
    if start == 0:
        raise _empty(str(path))


def _source(path: Path, stack: contextlib.ExitStack) -> BinaryIO | None:
    """Open a FLAC file, of which one must know how far it was read; None for any other."""
    try:
        source = stack.enter_context(path.open("rb", buffering=0))
        is_flac = source.read(4) == b"fLaC"
        source.seek(0)
    except OSError as exc:
        raise RecordingError(
            f"{path} cannot be read ({exc.strerror or exc})",
            expected="the file that was there a moment ago",
            attempt="putting it back",
        ) from exc
    return source if is_flac else None


def _is_at_end(source: BinaryIO | None) -> bool:
    """Tell whether all of a FLAC file was read: then an error means that it was cut off there."""
    return source is not None and source.tell() >= os.fstat(source.fileno()).st_size


def _read_block(file: Any, size: int, inputs: int) -> tuple[NDArray[np.float32], Exception | None]:
    """Return the next block, or as much of it as could be decoded and the error then met."""
    import soundfile

    # Where the library meets an error it does not say how many frames it had read by then.
    usual = file.subtype == "PCM_16" and file.format != "FLAC"
    out = np.full((0 if usual else size, inputs), np.nan, dtype=np.float32)
    try:
        if usual:  # in half the time, and nothing in it can fail to decode
            return _scale(file.read(size, dtype="int16", always_2d=True)), None
        return file.read(out=out), None
    except (soundfile.SoundFileError, OSError, SystemError, ValueError) as exc:
        missing = np.isnan(out[:, -1])
        return out[: int(missing.argmax()) if missing.any() else out.shape[0]], exc


def _scale(block: NDArray[np.int16]) -> NDArray[np.float32]:
    """Return 16-bit samples as numbers of full scale ±1."""
    result = block.astype(np.float32)
    result *= np.float32(2.0**-15)
    return result


def _check_finite(block: NDArray[np.float32], path: Path, start: int, rate_hz: int) -> None:
    finite = np.isfinite(block)
    if finite.all():
        return
    frame, column = (int(i) for i in np.argwhere(~finite)[0])
    raise RecordingError(
        f"{path} holds {block[frame, column]} in input {column + 1} at "
        f"{(start + frame) / rate_hz:.6f} s (frame {start + frame})",
        expected="finite samples",
        attempt="recording it again, or saving it as 16-bit PCM",
    )


class _Sink:
    """A file for the sound library to write to, which keeps the operating system's error.

    The library itself says no more than 'system error', and an exception that
    leaves one of its callbacks is printed and lost.
    """

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self.fault: OSError | None = None

    def write(self, data: bytes) -> int:
        done = 0
        try:
            while done < len(data):  # a disk that is nearly full takes a part before it refuses
                done += self._file.write(data[done:])
        except OSError as exc:
            self.fault = self.fault or exc
        return done

    def read(self, count: int) -> bytes:
        return self._file.read(count)

    def readinto(self, buffer: Any) -> int:
        data = self._file.read(len(buffer))
        buffer[: len(data)] = data
        return len(data)

    def seek(self, offset: int, whence: int = 0) -> int:
        return self._file.seek(offset, whence)

    def tell(self) -> int:
        return self._file.tell()


def write_audio(
    path: Path,
    blocks: Samples | NDArray[Any] | Iterable[NDArray[Any]],
    rate_hz: float,
    subtype: str = "PCM_16",
    *,
    container: str | None = None,
) -> None:
    """Write samples as a new sound file, block by block.

    Parameters
    ----------
    path : Path
        A file that is not there yet.
    blocks : Samples, numpy.ndarray or iterable of numpy.ndarray
        Shape (n,) or (n, inputs) each. Floats have full scale at ±1, and what
        lies beyond is clipped where integers are written; int16 and int32 are
        taken as they are, full scale at their own range.
    rate_hz : float
        Samples per second; a file can hold a whole number only.
    subtype : str
        ``PCM_U8`` (WAV) or ``PCM_S8`` (FLAC), ``PCM_16``, ``PCM_24``, and for WAV ``PCM_32``,
        ``FLOAT``, ``DOUBLE``.
    container : str, optional
        ``WAV``, ``WAVEX``, ``RF64`` or ``FLAC``; by the suffix of `path` if None.

    Raises
    ------
    ValueError
        The rate is no whole number, or container and subtype do not fit.
    StoreError
        The file is there already or cannot be written.
    """
    import soundfile

    container = container or _BY_SUFFIX.get(path.suffix.lower(), "WAV")
    if rate_hz != int(rate_hz) or rate_hz < 1:
        raise ValueError(f"a sound file needs a whole number of samples per second, got {rate_hz}")
    if subtype not in (*_BITS, *_FLOATS) or not soundfile.check_format(container, subtype):
        raise ValueError(f"{container} cannot hold {subtype}")
    pieces = _as_blocks(blocks)
    first = next(pieces, np.zeros((0, 1), dtype=np.int16))
    try:
        with path.open("xb", buffering=0) as file:
            sink = _Sink(file)
            try:
                with soundfile.SoundFile(
                    sink, "w", int(rate_hz), first.shape[1], subtype, format=container
                ) as sound:
                    for block in _chain(first, pieces):
                        sound.write(_as_stored(block, subtype))
            except (soundfile.SoundFileError, AssertionError) as exc:
                # The library asserts that as much was written as was given.
                raise sink.fault or _cannot_write(path, exc) from exc
            if sink.fault:
                raise sink.fault
            os.fsync(file.fileno())
    except OSError as exc:
        raise store_error(exc, path) from exc


def _cannot_write(path: Path, exc: Exception) -> StoreError:
    return StoreError(
        f"{path} cannot be written as sound ({_reason(exc)})",
        expected="1 to 64 inputs at a usual rate",
        attempt="another format, such as .wav",
    )


def _chain(first: NDArray[Any], rest: Iterator[NDArray[Any]]) -> Iterator[NDArray[Any]]:
    yield first
    yield from rest


def _as_blocks(
    blocks: Samples | NDArray[Any] | Iterable[NDArray[Any]],
) -> Iterator[NDArray[Any]]:
    if isinstance(blocks, np.ndarray):
        whole = blocks
        pieces: Iterable[NDArray[Any]] = (
            whole[start : start + BLOCK_FRAMES] for start in range(0, len(whole), BLOCK_FRAMES)
        )
    else:
        pieces = blocks.blocks() if isinstance(blocks, Samples) else blocks
    for piece in pieces:
        yield piece[:, None] if piece.ndim == 1 else piece


def _as_stored(block: NDArray[Any], subtype: str) -> NDArray[Any]:
    """Return `block` in the form that the library writes without scaling it."""
    if subtype in _FLOATS:
        if block.dtype.kind == "i":
            block = block / -float(np.iinfo(block.dtype).min)
        return np.ascontiguousarray(block, dtype=np.float32 if subtype == "FLOAT" else np.float64)
    if block.dtype in (np.int16, np.int32):
        return np.ascontiguousarray(block)
    if block.dtype.kind != "f":
        raise ValueError(f"samples must be int16, int32 or float, got {block.dtype}")
    bits = _BITS[subtype]
    full = 2.0 ** (bits - 1)
    whole = np.clip(np.rint(block.astype(np.float64) * full), -full, full - 1).astype(np.int64)
    return np.ascontiguousarray(whole << (32 - bits), dtype=np.int32)
