"""Recording to disk as it comes, so that nothing is lost but the last moment.

A recording gets its name, and a sidecar that calls it unfinished, when the first samples or edges
are there. From then on what comes is appended at once; twice a second it is flushed to the
disk, the header follows (see `wave_file`), and gaps that were found go into the sidecar. So a
killed process keeps everything up to the last block, a power cut everything up to
the last half second, and what is left opens in any program.

A recording that ends well, or is stopped by the user, the device or a full disk, is completed:
sound of up to `FLAC_LIMIT_S` is packed as FLAC, read back and compared
sample by sample before the WAV file goes; then the checksum is taken and the sidecar calls it
finished. What cannot be completed, since the disk is full or the folder is gone, stays
unfinished, and `repair` completes it when it is next opened.
"""

from __future__ import annotations

import contextlib
import dataclasses
import math
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from benchlog.capture.claims import claim_record, update_sidecar
from benchlog.capture.csv_writer import CSV_HEAD, EdgeWriter
from benchlog.capture.new_files import checksum_of, store_error
from benchlog.capture.pace import Pace
from benchlog.capture.packing import pack_wave
from benchlog.capture.sidecar import Sidecar, sidecar_path
from benchlog.capture.store import Bench, Record
from benchlog.capture.wave_file import RIFF_LIMIT, WaveWriter, wave_header
from benchlog.errors import DeviceError, StoreError
from benchlog.recording import EdgeList, Gap

if TYPE_CHECKING:
    from benchlog.capture.stream import EdgeBlock, ProbeStream, SoundStream, StreamBlock

__all__ = ["Kept", "NoEdgesError", "keep_edges", "keep_sound"]

SYNC_S = 0.4
"""How long what was written may wait until it is flushed to the disk."""

FLAC_LIMIT_S = 600.0
"""Longer recordings stay WAV, since packing them would take long."""

MOST_GAPS = 5000
"""A device that loses samples more often than that gives no recording worth going on with."""

_POLL_S = 0.2
_STOPPED = "stopped by Ctrl-C"


class NoEdgesError(DeviceError):
    """A probe that is there and reports no edges."""


@dataclass(frozen=True, slots=True, eq=False)
class Kept:
    """A recording as it was kept.

    Attributes
    ----------
    record : Record
        Where it lies, and what is known of it.
    length_s : float
        How much of it is there.
    cut_short : str or None
        Why there is less than was asked for.
    stopped : bool
        Whether it was the user who stopped it.
    notices : tuple of str
        What the user should know besides: a rate that is not what it claims to be, a
        sidecar that could not be completed.
    edges : EdgeList or None
        The edges of a probe that were kept, and how many lines were garbled; None for sound.
    """

    record: Record
    length_s: float
    cut_short: str | None
    stopped: bool
    notices: tuple[str, ...]
    edges: EdgeList | None


class _Writer(Protocol):
    """What writes samples or edges to a file."""

    def sync(self) -> None: ...
    def finish(self) -> None: ...
    def close(self) -> None: ...


@dataclass(slots=True)
class _Growing:
    """A recording that is being made: its name, what is known of it, and when it is due."""

    record: Record
    writer: _Writer
    gaps: list[Gap] = field(default_factory=list)
    synced_s: float = field(default_factory=time.monotonic)
    told_gaps: int = 0

    def sync_if_due(self) -> None:
        """Flush to the disk what has been waiting for long enough."""
        if time.monotonic() - self.synced_s < SYNC_S:
            return
        self.writer.sync()
        if len(self.gaps) > self.told_gaps:
            # The recording matters more than its sidecar, which is written once more at the end.
            with contextlib.suppress(StoreError):
                known = dataclasses.replace(self.record.sidecar, gaps=tuple(self.gaps))
                self.record = update_sidecar(self.record, known)
            self.told_gaps = len(self.gaps)
        self.synced_s = time.monotonic()

    def add_gaps(self, gaps: tuple[Gap, ...]) -> None:
        """Keep gaps; DeviceError where there are too many to go on."""
        self.gaps.extend(gaps)
        if len(self.gaps) > MOST_GAPS:
            raise DeviceError(
                f"the device lost samples {len(self.gaps)} times",
                expected="a device that keeps up",
                attempt="another one, or closing other programs",
            )

    def discard(self) -> None:
        """Give the name back, as nothing was recorded under it."""
        self.writer.close()
        with contextlib.suppress(OSError):
            sidecar_path(self.record.path).unlink()
            self.record.path.unlink()


@dataclass(slots=True)
class _End:
    """Why a recording ended before its time."""

    reason: str | None = None
    stopped: bool = False
    cause: BaseException | None = None


@contextlib.contextmanager
def _until_it_ends(end: _End, path: Path) -> Iterator[None]:
    """Take what ends a recording early for a reason, so that what is there is kept."""
    try:
        yield
    except DeviceError as exc:
        end.reason, end.cause = exc.found, exc
    except OSError as exc:
        end.reason, end.cause = store_error(exc, path).found, exc
    except KeyboardInterrupt as exc:
        end.reason, end.cause, end.stopped = _STOPPED, exc, True


def keep_sound(
    bench: Bench,
    sidecar: Sidecar,
    stream: SoundStream,
    seconds: float,
    on_progress: Callable[[float], None] | None = None,
    *,
    riff_limit: int = RIFF_LIMIT,
) -> Kept:
    """Record from a sound input into a bench folder.

    Parameters
    ----------
    bench : Bench
        Where to.
    sidecar : Sidecar
        What is known beforehand. Rate and gaps are filled in, and the time is that of the first
        sample.
    stream : SoundStream
        Running; it is not closed here.
    seconds : float
        How long, above 0.
    on_progress : callable, optional
        Called with the number of seconds that are there.
    riff_limit : int
        From which size in bytes on the file is RF64.

    Returns
    -------
    Kept
        Cut short, with the reason, where the device, the disk or the user stopped it.

    Raises
    ------
    ValueError
        `seconds` is not above 0.
    DeviceError
        The device delivered nothing.
    StoreError
        The folder cannot be written.
    """
    if not (seconds > 0 and math.isfinite(seconds)):
        raise ValueError(f"seconds must be above 0, got {seconds}")
    block = _first_block(stream, on_progress)
    rate_hz, inputs = round(stream.rate_hz), stream.input_count
    began = time.time() - len(block.values) / stream.rate_hz
    known = dataclasses.replace(sidecar, rate_hz=stream.rate_hz, recorded_utc=_utc(began))
    head = wave_header(rate_hz, inputs, 0, limit=riff_limit)
    record, file = claim_record(bench, known, ".wav", head)
    writer = WaveWriter(file, rate_hz, inputs, limit=riff_limit)
    growing = _Growing(record, writer)
    end, pace = _End(), Pace(stream.rate_hz)
    try:
        with _until_it_ends(end, record.path):
            _fill(
                growing, writer, stream, block, round(seconds * stream.rate_hz), pace, on_progress
            )
        if not writer.frames:
            growing.discard()
            raise _nothing(stream.device, end)
        return _complete(
            growing, end, writer.frames / stream.rate_hz, pace.deviation(), stream.bits
        )
    finally:
        writer.close()


def _utc(moment: float) -> str:
    return datetime.fromtimestamp(moment, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _first_block(stream: SoundStream, on_progress: Callable[[float], None] | None) -> StreamBlock:
    while (block := stream.read(_POLL_S)) is None:
        if on_progress:
            on_progress(0.0)
    return block


def _nothing(device: str, end: _End) -> Exception:
    if end.stopped:
        raise KeyboardInterrupt
    return StoreError(
        f"nothing of {device} could be kept ({end.reason})",
        expected="room for the recording",
        attempt="freeing some space, or a folder on another disk with --bench FOLDER",
    )


def _fill(
    growing: _Growing,
    writer: WaveWriter,
    stream: SoundStream,
    block: StreamBlock | None,
    wanted: int,
    pace: Pace,
    on_progress: Callable[[float], None] | None,
) -> None:
    """Append blocks until there are enough frames."""
    while True:
        if block is not None:
            if block.lost_before is not None:
                growing.add_gaps((block.lost_before,))
            writer.write(block.values[: wanted - writer.frames])
            pace.add(block)
            if on_progress:
                on_progress(writer.frames / stream.rate_hz)
        if writer.frames >= wanted:
            return
        growing.sync_if_due()
        block = stream.read(_POLL_S)


def _complete(
    growing: _Growing, end: _End, length_s: float, deviation: float | None, bits: int
) -> Kept:
    """Bring a recording to its end: whole file, packed, checksum, sidecar."""
    notices = []
    sidecar = growing.record.sidecar
    if deviation is not None:
        notices.append(_tell_rate(deviation, sidecar.rate_hz or 0.0))
    known = dataclasses.replace(
        sidecar,
        gaps=tuple(growing.gaps),
        note="; ".join([*filter(None, [sidecar.note]), *notices]) or None,
    )
    record = growing.record
    try:
        growing.writer.finish()
        if record.path.suffix == ".wav" and length_s <= FLAC_LIMIT_S:
            record = Record(pack_wave(record.path, bits), record.sidecar)
        finished = dataclasses.replace(known, unfinished=False, sha256=checksum_of(record.path))
        record = update_sidecar(record, finished)
        growing.writer.close()
        if record.path != growing.record.path:
            growing.record.path.unlink(missing_ok=True)
    except (OSError, StoreError) as exc:
        told = exc if isinstance(exc, StoreError) else store_error(exc, record.path)
        notices.append(
            f"the record could not be completed: {told.found}; what was recorded is kept, and it "
            "is completed when it is next opened"
        )
        record = dataclasses.replace(growing.record, sidecar=known)
    return Kept(record, length_s, end.reason, end.stopped, tuple(notices), None)


def _tell_rate(deviation: float, rate_hz: float) -> str:
    return (
        f"the device delivered {1 + deviation:.3f} times the {rate_hz:g} samples per second that "
        "it claims, by this computer's clock; times in this recording may be off by as much"
    )


def keep_edges(
    bench: Bench,
    sidecar: Sidecar,
    stream: ProbeStream,
    seconds: float,
    on_progress: Callable[[float], None] | None = None,
) -> Kept:
    """Record from a serial probe into a bench folder.

    Parameters
    ----------
    bench : Bench
        Where to.
    sidecar : Sidecar
        What is known beforehand. Gaps are filled in, and the time is that of the first edge.
    stream : ProbeStream
        Running; it is not closed here.
    seconds : float
        How long from the first edge on, above 0, by the probe's counter or this machine's clock,
        whichever is there first. The first edge is waited for as long.
    on_progress : callable, optional
        Called with the number of seconds that are there, on the scale of the edges' times: 0 while
        the first edge is waited for.

    Returns
    -------
    Kept
        Cut short, with the reason, where the probe, the disk or the user stopped it. Where the
        probe was unplugged, the last gap is what is missing.

    Raises
    ------
    ValueError
        `seconds` is not above 0.
    DeviceError
        No edges came.
    StoreError
        The folder cannot be written.
    """
    if not (seconds > 0 and math.isfinite(seconds)):
        raise ValueError(f"seconds must be above 0, got {seconds}")
    first = _first_edges(stream, seconds, on_progress)
    began_s = time.monotonic() - stream.elapsed_s
    known = dataclasses.replace(sidecar, recorded_utc=_utc(time.time() - stream.elapsed_s))
    record, file = claim_record(bench, known, ".csv", CSV_HEAD)
    writer = EdgeWriter(file)
    growing, end = _Growing(record, writer), _End()
    try:
        with _until_it_ends(end, record.path):
            _follow(growing, writer, stream, first, (began_s, seconds), on_progress)
        if not isinstance(end.cause, OSError):
            _add_last(growing, writer, stream, end, seconds)
        if not writer.count:
            growing.discard()
            raise _nothing(f"the probe on {stream.port}", end)
        kept = _complete(growing, end, writer.last_s, None, 0)
    finally:
        writer.close()
    edges = stream.edges()
    edges = dataclasses.replace(
        edges,
        time_s=edges.time_s[: writer.count],
        level=edges.level[: writer.count],
        end_s=writer.last_s,
        gaps=kept.record.sidecar.gaps,
    )
    return dataclasses.replace(kept, edges=edges)


def _first_edges(
    stream: ProbeStream, seconds: float, on_progress: Callable[[float], None] | None
) -> EdgeBlock:
    """Wait for the first edge; DeviceError where none comes."""
    lost = ""
    try:
        while time.monotonic() - stream.began_s < seconds:
            if on_progress:
                on_progress(0.0)
            block = stream.read(_POLL_S)
            if block is not None and block.time_s.size:
                return block
        last = stream.finish()
        if last is not None and last.time_s.size:
            return last
    except DeviceError as exc:
        lost = f"; {exc.found}"
    kind = DeviceError if lost else NoEdgesError
    raise kind(
        f"the probe on {stream.port} sent no edges{lost or f' in {seconds:g} s'}",
        expected="two edges a pulse",
        attempt="checking that it is on the output pin and shares the channel's ground",
    )


def _follow(
    growing: _Growing,
    writer: EdgeWriter,
    stream: ProbeStream,
    block: EdgeBlock | None,
    span: tuple[float, float],
    on_progress: Callable[[float], None] | None,
) -> None:
    """Append edges until so many seconds are over since an instant of this machine's clock."""
    began_s, seconds = span
    while True:
        if block is not None:
            growing.add_gaps(block.gaps)
            writer.write(block)
        growing.sync_if_due()
        # the block that came with the least delay tells best when the probe began to count
        began_s = min(began_s, time.monotonic() - stream.elapsed_s)
        done_s = time.monotonic() - began_s
        if on_progress:
            on_progress(min(done_s, seconds))
        if done_s >= seconds:
            return
        block = stream.read(_POLL_S)


def _add_last(
    growing: _Growing, writer: EdgeWriter, stream: ProbeStream, end: _End, seconds: float
) -> None:
    """Append what the reader of lines held back, and what is missing of an unplugged probe."""
    after = _End()
    with _until_it_ends(after, growing.record.path):
        last = stream.finish()
        if last is not None:
            growing.add_gaps(last.gaps)
            writer.write(last)
    if end.cause is not None and not end.stopped:
        missing_s = max(0.0, seconds - stream.elapsed_s)
        growing.gaps.append(Gap(stream.elapsed_s, missing_s))
    end.reason = end.reason or after.reason
