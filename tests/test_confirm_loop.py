"""The loop of `benchlog confirm`: copies one after the other, without waiting for real time."""

from __future__ import annotations

import dataclasses
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any, cast

import pytest

from benchlog.capture.batch_files import BatchFile
from benchlog.capture.batch_rows import BatchCopy
from benchlog.channel.design import Design, parse_design
from benchlog.commands.confirm_loop import ConfirmLoop, Surroundings
from benchlog.errors import DeviceError, StoreError
from benchlog.show.confirm_view import REMINDER, ConfirmPicture, ConfirmSentences
from benchlog.show.live_terminal import LiveTerminal
from benchlog.timing.live_reading import LiveReading
from tests.confirm_script import Played

WRONG = {"r_off": 680e3}


@pytest.fixture(scope="module")
def design() -> Design:
    path = Path(__file__).parent.parent / "calibration" / "heron" / "design.toml"
    return parse_design(path.read_text(encoding="utf-8"), "heron")


class Desk:
    """A bench, its terminal and its screen in one: a script acts on what the screen shows."""

    can_return = True
    name = "desk"
    inputs = (1,)
    has_keys = False

    def __init__(self, design: Design, script: Callable[[Desk], Iterator[None]]) -> None:
        self.design = design
        self.played: Played | None = None
        self.knob_deg = 0.0
        self.now_s = 0.0
        self.clipped = False
        self.gone = False
        self.ended_by: int | None = None
        self.keys: list[str] = []
        self.picture: ConfirmPicture | None = None
        self.said: list[str] = []
        self._sentences = ConfirmSentences(self.said.append)
        self._script = script(self)
        self._reads = 0

    # what the script does

    def plug(self, parts: dict[str, float] | None = None, knob_deg: float = 0.0) -> None:
        self.played, self.knob_deg = Played(self.design, parts), knob_deg
        self.played.now_s = self.now_s

    def unplug(self) -> None:
        self.played = None

    def wait(self, until: Callable[[ConfirmPicture], bool], most: int = 4000) -> Iterator[None]:
        for _ in range(most):
            if self.picture is not None and until(self.picture):
                return
            yield
        raise AssertionError(f"never came: {self.picture}")

    def pause(self, seconds: float) -> Iterator[None]:
        for _ in range(round(seconds / 0.1)):
            yield

    def turn(self, route: Sequence[float] = (0.0, 135.0, 270.0)) -> Iterator[None]:
        """Visit positions as they are asked for."""
        before = len(self.picture.taken) if self.picture is not None else 0
        for number, angle in enumerate(route):
            self.knob_deg = angle
            yield from self.wait(lambda p, n=number: len(p.taken) > before + n)  # type: ignore[misc]

    def confirm(self, parts: dict[str, float] | None = None) -> Iterator[None]:
        """Go through a whole copy."""
        self.plug(parts)
        yield from self.wait(lambda p: p.stage not in ("silent", "answer"))
        yield from self.turn()
        yield from self.wait(lambda p: p.answer is not None)

    # the source

    def open(self) -> None:
        if self.gone:
            raise DeviceError("desk is not there", expected="a desk", attempt="looking")

    def close(self) -> None:
        pass

    def minute(self, input_: int) -> None:
        return None

    def read(self, timeout_s: float) -> tuple[LiveReading, ...]:
        if self.gone:
            raise DeviceError("desk is gone", expected="a desk", attempt="looking")
        if self.picture is not None and self.picture.stage == "reckoning":
            time.sleep(0.01)  # the answer is worked out beside this
        self.now_s += 0.1
        self._reads += 1
        if self.played is None:
            return (LiveReading(1, self.now_s, "quiet"),)
        reading = self.played.read(self.knob_deg)
        return (dataclasses.replace(reading, clipped_share=0.01 * self.clipped),)

    # the terminal

    def settle(self) -> bool:
        return False

    def poll_key(self) -> str | None:
        return self.keys.pop(0) if self.keys else None

    # the screen

    def show(self, picture: ConfirmPicture) -> None:
        self.picture = picture
        self._sentences.show(picture)
        if next(self._script, "over") == "over":
            self.keys.append("q")

    def redraw(self) -> None:
        pass


def run(
    design: Design,
    script: Callable[[Desk], Iterator[None]],
    file: BatchFile | None = None,
    most: int | None = None,
) -> tuple[Desk, ConfirmLoop]:
    desk = Desk(design, script)
    loop = ConfirmLoop(cast(Any, desk), design, Surroundings("high", 6.0, None), file, most)
    loop.run(cast(LiveTerminal, desk), desk)
    return desk, loop


def batch(tmp_path: Path, design: Design) -> BatchFile:
    return BatchFile(tmp_path / "a.csv", "heron", design.text)


def rows(file: BatchFile) -> list[tuple[int, int, str]]:
    return [(one.number, one.repeat, one.verdict) for one in file.batch.copies]


def test_single_channel_ends_with_its_answer(design: Design) -> None:
    desk, loop = run(design, lambda d: d.confirm(WRONG))
    assert loop.result is not None
    assert (loop.result.word, loop.result.part) == ("FAIL", "r_off")
    assert desk.said[0] == REMINDER
    assert [line[:6] for line in desk.said].count("Taken:") == 3


def test_single_channel_that_is_left_has_no_answer(design: Design) -> None:
    def script(desk: Desk) -> Iterator[None]:
        desk.plug()
        yield from desk.turn((0.0, 135.0))

    assert run(design, script)[1].result is None


def test_batch_goes_on_by_itself_and_an_earlier_one_goes_on(tmp_path: Path, design: Design) -> None:
    def script(desk: Desk) -> Iterator[None]:
        for parts in (None, WRONG):
            yield from desk.confirm(parts)
            desk.unplug()
            yield from desk.pause(1.0)

    with batch(tmp_path, design) as file:
        desk, _ = run(design, script, file)
        assert rows(file) == [(1, 0, "PASS"), (2, 0, "FAIL")]
    assert "Copy 2: FAIL" in desk.said
    with batch(tmp_path, design) as file:
        desk, _ = run(design, lambda d: d.confirm(), file, most=1)
        assert rows(file)[2:] == [(3, 0, "PASS")]
        assert file.batch.copies[1].part == "r_off"


def test_copy_that_is_again_is_measured_once_more_by_turning_back(
    tmp_path: Path, design: Design
) -> None:
    def script(desk: Desk) -> Iterator[None]:
        desk.clipped = True
        yield from desk.confirm()
        desk.clipped = False
        desk.knob_deg = 0.0
        yield from desk.wait(lambda p: p.answer is None)
        yield from desk.turn()
        yield from desk.wait(lambda p: p.answer is not None)

    with batch(tmp_path, design) as file:
        run(design, script, file)
        assert rows(file) == [(1, 0, "AGAIN"), (1, 1, "PASS")]
        assert "end of the scale" in file.batch.copies[0].reason


def test_copy_that_is_again_and_unplugged_keeps_its_number(tmp_path: Path, design: Design) -> None:
    def script(desk: Desk) -> Iterator[None]:
        desk.clipped = True
        yield from desk.confirm()
        desk.clipped = False
        desk.unplug()
        yield from desk.pause(1.0)
        yield from desk.confirm(WRONG)
        desk.keys.append("a")  # and the one that was just measured once more
        yield from desk.wait(lambda p: p.answer is None)
        yield from desk.turn()
        yield from desk.wait(lambda p: p.answer is not None)

    with batch(tmp_path, design) as file:
        run(design, script, file)
        assert rows(file) == [(1, 0, "AGAIN"), (2, 0, "FAIL"), (2, 1, "FAIL")]


def test_loose_contact_in_the_middle_of_a_copy_goes_on_with_it(
    tmp_path: Path, design: Design
) -> None:
    def script(desk: Desk) -> Iterator[None]:
        desk.plug()
        yield from desk.turn((0.0, 135.0))
        desk.unplug()
        yield from desk.pause(2.0)
        desk.plug(knob_deg=135.0)
        yield from desk.pause(2.0)
        assert desk.picture is not None
        assert len(desk.picture.taken) == 2
        yield from desk.turn((270.0,))
        yield from desk.wait(lambda p: p.answer is not None)

    with batch(tmp_path, design) as file:
        run(design, script, file)
        assert rows(file) == [(1, 0, "PASS")]


def test_board_swapped_before_its_end_is_noted_and_the_numbers_stay_right(
    tmp_path: Path, design: Design
) -> None:
    def script(desk: Desk) -> Iterator[None]:
        desk.plug(WRONG)
        yield from desk.turn((0.0, 135.0))
        desk.unplug()
        yield from desk.pause(1.5)
        desk.plug()
        yield from desk.wait(lambda p: p.number == 2)
        yield from desk.turn()
        yield from desk.wait(lambda p: p.answer is not None)

    with batch(tmp_path, design) as file:
        run(design, script, file)
        assert rows(file) == [(1, 0, "AGAIN"), (2, 0, "PASS")]
        assert "unplugged before" in file.batch.copies[0].reason
        assert file.batch.copies[0].places == (None, None, None)


def test_dead_copy_is_noted_by_a_key(tmp_path: Path, design: Design) -> None:
    def script(desk: Desk) -> Iterator[None]:
        yield from desk.confirm()
        desk.keys.append("d")  # this one does make pulses
        yield from desk.pause(0.5)
        desk.unplug()
        yield from desk.wait(lambda p: p.is_gone)
        desk.keys.append("d")
        yield from desk.wait(lambda p: p.number == 2 and p.answer == "FAIL")
        yield from desk.confirm()

    with batch(tmp_path, design) as file:
        run(design, script, file)
        assert rows(file) == [(1, 0, "PASS"), (2, 0, "FAIL"), (3, 0, "PASS")]
        assert file.batch.copies[1].reason == "It makes no pulses."


def test_enter_takes_at_once_and_goes_on(tmp_path: Path, design: Design) -> None:
    def script(desk: Desk) -> Iterator[None]:
        desk.plug()
        yield from desk.pause(1.3)
        desk.keys.append("\n")
        yield from desk.wait(lambda p: len(p.taken) == 1, most=4)
        yield from desk.turn((135.0, 270.0))
        yield from desk.wait(lambda p: p.answer is not None)
        desk.keys.append("\n")
        yield from desk.wait(lambda p: p.number == 2, most=4)

    with batch(tmp_path, design) as file:
        run(design, script, file)
        assert rows(file) == [(1, 0, "PASS")]
        taken = next(place for place in file.batch.copies[0].places if place is not None)
        assert taken.pulse_count < 120


def test_full_disk_keeps_the_copies_until_it_has_room(
    tmp_path: Path, design: Design, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = BatchFile.append
    full = [True]

    def append(self: BatchFile, copy: BatchCopy) -> None:
        if full[0]:
            raise StoreError("the disk is full", expected="room", attempt="freeing some")
        real(self, copy)

    monkeypatch.setattr(BatchFile, "append", append)

    def script(desk: Desk) -> Iterator[None]:
        yield from desk.confirm()
        assert "disk is full" in (desk.picture.message if desk.picture is not None else "")
        desk.unplug()
        yield from desk.pause(1.0)
        full[0] = False
        yield from desk.confirm(WRONG)

    with batch(tmp_path, design) as file:
        run(design, script, file)
        assert rows(file) == [(1, 0, "PASS"), (2, 0, "FAIL")]


def test_input_that_is_pulled_and_comes_back(design: Design) -> None:
    def script(desk: Desk) -> Iterator[None]:
        desk.plug()
        yield from desk.turn((0.0,))
        desk.gone = True
        yield from desk.wait(lambda p: p.stage == "lost")
        desk.gone = False
        yield from desk.wait(lambda p: p.stage != "lost")
        yield from desk.turn()
        yield from desk.wait(lambda p: p.answer is not None)

    _, loop = run(design, script)
    assert loop.result is not None
    assert loop.result.word == "PASS"
