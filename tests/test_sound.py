"""Sound inputs: what cannot be provoked with a real device, with a small stand-in for the library.

The real library is exercised over a virtual sound server elsewhere in these tests.
"""

from __future__ import annotations

import queue
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from benchlog.capture import stream
from benchlog.capture.audio_files import write_audio
from benchlog.capture.formats import open_recording
from benchlog.capture.sound import SoundTake, find_input, list_inputs, record_sound
from benchlog.errors import DeviceError
from benchlog.recording import Gap, Samples
from tests.sound_stand_in import RATE, Library, PortAudioError


@pytest.fixture
def library(monkeypatch: pytest.MonkeyPatch) -> Library:
    stand_in = Library()
    monkeypatch.setitem(sys.modules, "sounddevice", stand_in)
    monkeypatch.setattr(stream, "START_S", 0.2)
    monkeypatch.setattr(stream, "STALL_S", 0.1)
    return stand_in


def ramp(start: int, count: int = 100) -> NDArray[np.int32]:
    """Return 16-bit samples padded to 32 bits, two inputs, the second one negative."""
    values = np.arange(start, start + count, dtype=np.int32)
    return np.stack([values, -values], axis=1) << 16


def blocks(count: int, *, lost: dict[int, float] | None = None) -> Iterator[Any]:
    """Yield callbacks of 0.1 s each; `lost` tells before which one how many seconds are missing."""
    now = 50.0
    for i in range(count):
        missing_s = (lost or {}).get(i)
        now += missing_s or 0.0
        yield ramp(100 * i), missing_s is not None, now
        now += 0.1


def test_inputs_are_listed_without_outputs(library: Library) -> None:
    found = list_inputs()
    assert [(one.index, one.name, one.host_api) for one in found] == [
        (0, "USB Audio", "ALSA"),
        (1, "usb microphone", "OSS"),
        (3, "Line [busy]", "OSS"),
    ]
    assert [one.is_default for one in found] == [False, True, False]
    assert found[0].input_count == 2
    assert found[0].rate_hz == RATE


@pytest.mark.parametrize(
    ("device", "index"),
    [(3, 3), ("3", 3), ("usb audio", 0), ("MICRO", 1), ("line [busy]", 3), ("usb, 'x'", None)],
)
def test_a_device_is_found_by_number_or_part_of_its_name(
    library: Library, device: str | int, index: int | None
) -> None:
    if index is None:
        with pytest.raises(DeviceError, match="no sound input matches"):
            find_input(device)
    else:
        assert find_input(device).index == index


@pytest.mark.parametrize(
    ("device", "match"),
    [
        ("usb", r"2 sound inputs match 'usb'; expected one of 0: USB Audio \(ALSA\), 1: usb micr"),
        ("oss", r"2 sound inputs match 'oss'"),
        ("heron", r"no sound input matches 'heron'; expected one of 0: .*, 3: Line \[busy\]"),
        (2, "no sound input matches '2'"),
        ("", "no sound input matches ''"),
    ],
)
def test_a_device_that_is_not_clear_is_told_with_the_choices(
    library: Library, device: str | int, match: str
) -> None:
    with pytest.raises(DeviceError, match=match):
        record_sound(device, 1.0)
    assert library.opened == []


def test_without_any_input(library: Library) -> None:
    library.names = ("Speaker",)
    assert list_inputs() == []
    with pytest.raises(DeviceError, match=r"there is no sound input; .*plugging one in"):
        find_input("usb")


def test_samples_are_kept_one_for_one(library: Library, tmp_path: Path) -> None:
    library.script = list(blocks(5))
    seen: list[float] = []
    take = record_sound(0, 0.45, on_progress=seen.append, inputs=(2, 1))
    assert take.values.dtype == np.int16
    np.testing.assert_array_equal(take.values[:, 1], np.arange(450))
    np.testing.assert_array_equal(take.values[:, 0], -np.arange(450))
    assert (take.bits, take.rate_hz, take.gaps, take.cut_short) == (16, RATE, (), None)
    assert seen == [0.1, 0.2, 0.3, 0.4, 0.45]
    options = library.opened[0]
    assert (options["device"], options["channels"], options["samplerate"]) == (0, 2, RATE)
    write_audio(tmp_path / "a.flac", take.values, take.rate_hz, take.subtype)
    read = open_recording(tmp_path / "a.flac")
    assert isinstance(read, Samples)
    for samples in (read, take.samples()):
        np.testing.assert_array_equal(next(samples.blocks()) * 32768, take.values)
        assert samples.step == 2.0**-15


@pytest.mark.parametrize(("shift", "bits"), [(8, 24), (0, 32)])
def test_finer_samples_become_floats(library: Library, shift: int, bits: int) -> None:
    whole = (np.arange(-50, 50, dtype=np.int32)[:, None] << shift) + (1 << shift)
    library.script = [(whole, False, 1.0)]
    take = record_sound(0, 0.1)
    assert take.values.dtype == np.float32
    assert (take.bits, take.subtype) == (bits, "PCM_24")
    np.testing.assert_array_equal(take.values, (whole / 2.0**31).astype(np.float32))
    np.testing.assert_array_equal(next(take.samples().blocks()), take.values)


def test_a_device_without_32_bits_is_asked_for_less(library: Library) -> None:
    library.refused["int32"] = PortAudioError("Sample format not supported", -9994)
    library.script = [((block >> 16).astype(np.int16), lost, at) for block, lost, at in blocks(2)]
    take = record_sound(0, 0.2)
    np.testing.assert_array_equal(take.values[:, 0], np.arange(200))
    assert [options["dtype"] for options in library.opened] == ["int32", "int16"]


def test_lost_samples_are_placed_in_time(library: Library) -> None:
    library.script = list(blocks(6, lost={0: 0.0, 2: 0.35, 4: 0.0}))
    take = record_sound(0, 0.6)
    # Before the third block, 0.35 s; before the others by the flag alone, so of unknown length.
    assert [gap.start_s for gap in take.gaps] == [0.0, 0.2, 0.4]
    np.testing.assert_allclose([gap.length_s for gap in take.gaps], [0.0, 0.35, 0.0], atol=1e-9)
    assert take.samples().gaps == take.gaps
    assert len(take.values) == 600


def test_lost_samples_after_the_end_do_not_count(library: Library) -> None:
    library.script = list(blocks(3, lost={2: 0.2}))
    assert record_sound(0, 0.2).gaps == ()


def test_without_times_the_length_of_a_gap_is_not_known(library: Library) -> None:
    library.script = [(block, lost, 0.0) for block, lost, _ in blocks(3, lost={1: 0.35})]
    assert record_sound(0, 0.3).gaps == (Gap(0.1, 0.0),)


def test_a_device_that_stops_leaves_what_it_gave(library: Library) -> None:
    library.script = list(blocks(3))
    take = record_sound(0, 60.0)
    assert take.cut_short == "the device stopped after 0.3 s"
    np.testing.assert_array_equal(take.values[:, 0], np.arange(300))


def test_a_device_that_gives_nothing(library: Library) -> None:
    with pytest.raises(DeviceError, match="USB Audio delivered no samples; expected samples"):
        record_sound(0, 60.0)


def test_ctrl_c_keeps_what_is_there(library: Library) -> None:
    def stop(seconds: float) -> None:
        if seconds >= 0.2:
            raise KeyboardInterrupt

    library.script = list(blocks(5))
    take = record_sound(0, 60.0, on_progress=stop)
    assert take.cut_short == "stopped after 0.2 s"
    assert len(take.values) == 200


def test_ctrl_c_before_anything_is_there_passes(
    library: Library, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(queue, "SimpleQueue", lambda: SimpleNamespace(get=interrupted))
    with pytest.raises(KeyboardInterrupt):
        record_sound(0, 1.0)


@pytest.mark.parametrize(
    ("where", "exc", "match"),
    [
        (
            "open",
            PortAudioError("Invalid sample rate", -9997),
            "does not do 96000 samples .*--rate",
        ),
        ("open", PortAudioError("Invalid number of channels", -9998), "does not have 1 inputs"),
        ("open", PortAudioError("Device unavailable", -9985), "Device unavailable.*closing the pr"),
        (
            "start",
            PortAudioError("Unanticipated host error", -9999, (0, -5, "I/O error")),
            r"USB Audio cannot be used \(Unanticipated host error: I/O error\)",
        ),
        ("open", PortAudioError(), "no reason given"),
        ("open", ValueError("device is odd"), "device is odd"),
        ("query", PortAudioError("PortAudio not initialized", -10000), "the list of sound inputs"),
    ],
)
def test_every_refusal_of_the_library_is_one_line(
    library: Library, where: str, exc: Exception, match: str
) -> None:
    library.refused[where] = exc
    with pytest.raises(DeviceError, match=match) as caught:
        record_sound(0, 1.0, 96000)
    assert caught.value.__cause__ is exc
    assert "\n" not in str(caught.value)


def test_a_fault_while_closing_does_not_lose_the_take(library: Library) -> None:
    library.refused["abort"] = PortAudioError("Stream is stopped", -9983)
    library.script = list(blocks(2))
    assert len(record_sound(0, 0.2).values) == 200


def test_an_input_beyond_the_devices(library: Library) -> None:
    with pytest.raises(
        DeviceError, match="USB Audio has 2 inputs, not 3; expected an input from 1"
    ):
        record_sound(0, 1.0, inputs=(3,))


@pytest.mark.parametrize(("seconds", "inputs"), [(0.0, (1,)), (float("inf"), (1,)), (1.0, ())])
def test_the_callers_mistakes(library: Library, seconds: float, inputs: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match="seconds must be above 0"):
        record_sound(0, seconds, inputs=inputs)


def test_what_c_libraries_print_stays_off_the_screen(
    library: Library, capfd: pytest.CaptureFixture[str]
) -> None:
    library.noise = b"ALSA lib pcm.c: Unknown PCM\n"
    library.script = list(blocks(2))
    record_sound(0, 0.2, on_progress=lambda s: print("progress", file=sys.stderr))  # noqa: T201
    print("after", file=sys.stderr)  # noqa: T201
    assert capfd.readouterr().err == "progress\nprogress\nafter\n"


class Missing:
    """Has an import fail in a way of its own."""

    def __init__(self, exc: Exception) -> None:
        self.exc = exc

    def find_spec(self, name: str, *_: object) -> None:
        if name == "sounddevice":
            raise self.exc


@pytest.mark.parametrize(
    ("exc", "match"),
    [
        (OSError("PortAudio library not found"), "PortAudio library is not there.*libportaudio2"),
        (ImportError("no cffi"), "PortAudio library is not there"),
        (PortAudioError("Error initializing PortAudio", -9999), "PortAudio does not start"),
    ],
)
def test_without_portaudio_the_message_says_what_to_install(
    monkeypatch: pytest.MonkeyPatch, exc: Exception, match: str
) -> None:
    monkeypatch.delitem(sys.modules, "sounddevice", raising=False)
    monkeypatch.setattr(sys, "meta_path", [Missing(exc), *sys.meta_path])
    for call in (list_inputs, lambda: record_sound("usb", 1.0)):
        with pytest.raises(DeviceError, match=match):
            call()


def test_a_fault_of_our_own_keeps_its_traceback(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delitem(sys.modules, "sounddevice", raising=False)
    monkeypatch.setattr(sys, "meta_path", [Missing(ZeroDivisionError()), *sys.meta_path])
    with pytest.raises(ZeroDivisionError):
        list_inputs()


def test_the_callback_does_not_wait_for_the_reader(library: Library) -> None:
    library.script = list(blocks(50))
    take = record_sound(0, 5.0, on_progress=lambda _: time.sleep(0.001))
    assert isinstance(take, SoundTake)
    np.testing.assert_array_equal(take.values[:, 0], np.arange(5000))
