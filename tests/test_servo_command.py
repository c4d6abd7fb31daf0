"""`servo`: told on the command line, and led through with a hand at the knob and the key."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from benchlog.capture.servo_files import read_servo_file
from benchlog.channel.design import Design, parse_design
from benchlog.channel.kept_servo import ServoEnd
from benchlog.channel.servo_curve import ServoPoint
from benchlog.show.live_layout import line_width
from benchlog.show.live_shapes import ASCII, UNICODE
from benchlog.show.servo_view import ServoPicture, lay_out_servo, tell_servo
from tests.command_inputs import write_edges
from tests.command_line import run_here, run_process
from tests.played_bench import PlayedBench
from tests.servo_script import KeyedCommand, ServoHand

_POINTS = ("--point", "700=12", "--point", "1500=93.5", "--point", "2300=170")


@pytest.fixture(scope="module")
def design(heron_text: str) -> Design:
    return parse_design(heron_text, "heron")


# --- told ----------------------------------------------------------------------------


def test_told_and_shown(bench_folder: Path) -> None:
    told = ("--range", "520,2440", "--margin", "8", *_POINTS)
    out = run_here("servo", "lifter", *told, cwd=bench_folder)
    assert (out.status, out.err) == (0, "")
    assert "lifter: send it 528 to 2432 µs, no more." in out.out
    assert 'model = "lifter"' in out.out
    kept = read_servo_file(bench_folder / "calibration" / "servos" / "lifter.toml")
    assert (kept.pulse_min_s, kept.pulse_max_s) == pytest.approx((528e-6, 2432e-6))
    assert kept.low == ServoEnd("given", 520 / 1e6)
    shown = run_here("servo", "lifter", "--json", cwd=bench_folder)
    content = json.loads(shown.out)
    assert shown.status == 0
    assert content["angles"] == "measured"
    assert [one["arm_deg"] for one in content["points"]] == [12.0, 93.5, 170.0]
    # a curve goes through its readings within their U: 2 * 1.5 / sqrt(3) degrees
    assert all(abs(one["curve_deg"] - one["arm_deg"]) < 1.74 for one in content["points"])
    assert content["older_file"] is None


def test_points_alone_take_the_range_that_is_kept(bench_folder: Path) -> None:
    run_here("servo", "lifter", "--range", "520,2440", cwd=bench_folder)
    out = run_here("servo", "lifter", *_POINTS, "--json", cwd=bench_folder)
    content = json.loads(out.out)
    assert (content["pulse_min_us"], content["pulse_max_us"]) == (520.0, 2440.0)
    assert Path(bench_folder / content["older_file"]).is_file()
    out = run_here("servo", "lifter", "--angles", "170,5", "--json", cwd=bench_folder)
    content = json.loads(out.out)
    assert (content["angles"], content["angle_min_deg"], content["angle_max_deg"]) == (
        *("told", 170.0, 5.0),
    )


def test_a_point_from_a_recording(bench_folder: Path) -> None:
    write_edges(bench_folder / "a=b.csv", 1234.5e-6, 0.017)
    points = ("--point", "a=b.csv=60.5", "--point", "2134.5=150")
    out = run_here("servo", "lifter", "--range", "400,2600", *points, "--json", cwd=bench_folder)
    assert out.status == 0, out
    assert json.loads(out.out)["points"][0]["pulse_us"] == pytest.approx(1234.5, abs=0.01)


def test_one_angle_alone_is_kept_and_makes_no_curve(bench_folder: Path) -> None:
    words = ("--range", "520,2440", "--point", "1500=90")
    out = run_here("servo", "lifter", *words, cwd=bench_folder)
    assert out.status == 0
    assert "assumed: no protractor" in out.out
    assert "one arm angle alone says nothing" in out.out
    path = bench_folder / "calibration" / "servos" / "lifter.toml"
    assert read_servo_file(path).points == (ServoPoint(1500 / 1e6, 90.0),)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("lifter",), "no servo lifter is kept"),
        (("a/b", "--range", "500,2500"), "servo name 'a/b' holds '/'"),
        (("lifter", "--range", "500"), "--range '500'; expected two numbers"),
        (("lifter", "--range", "2500,500"), "expected the shorter pulse first"),
        (("lifter", "--range", "500,x"), "--range 'x'"),
        (("lifter", "--range", "500,nan"), "--range 'nan'"),
        (("lifter", "--range", "500,600", "--margin", "60"), "--margin 60 for a range of 500"),
        (("lifter", "--point", "1500=90"), "--point without a range for lifter"),
        (("lifter", "--range", "500,2500", "--point", "1500"), "--point '1500'"),
        (("lifter", "--range", "500,2500", "--point", "1500=x"), "--point 'x'"),
        (("lifter", "--range", "500,2500", "--point", "5=1"), "--point '5'"),
        (("lifter", "--range", "500,2500", "--point", "no.wav=1"), "no.wav"),
        (("lifter", "--range", "500,2500", "--point", "x=1"), "no recording x is there"),
        (("lifter", "--range", "500,2500", *_POINTS, "--point", "100=1"), "past the servo's range"),
        (("lifter", "--angles", "5,5"), "two angles that differ"),
        (("lifter", "--angles", "0,180", *_POINTS), "--point together with --angles"),
        (("lifter", "--input", "0", "--range", "500,2500"), "--input together with --range"),
        (("lifter", "--input", "0", "--port", "x"), "--input together with --port"),
        (("lifter", "--input", "0"), "nobody to press the key"),
        (("lifter", "--reading", "0", "--range", "500,2500"), "--reading '0'"),
        (("lifter", "--range", "500,2500", *_POINTS, "--point", "1510=60"), "turn back"),
    ],
)
def test_refusals(words: tuple[str, ...], said: str, bench_folder: Path) -> None:
    out = run_process("servo", *words, cwd=bench_folder)
    assert (out.status, out.out) == (2, ""), out
    assert len(out.err.splitlines()) == 1
    assert said in out.err
    assert not (bench_folder / "calibration" / "servos").exists()


# --- the screen ----------------------------------------------------------------------


def _pictures() -> Iterator[ServoPicture]:
    end = ServoEnd("buzz", 520e-6, 4e-6, (519e-6, 521e-6))
    knob_end = ServoEnd("at least", 2300e-6, 1e-7)
    points = tuple(ServoPoint((700 + 200 * k) * 1e-6, 12.0 + 20 * k) for k in range(6))
    yield ServoPicture("lifter", "probe", "start")
    yield ServoPicture("lifter", "probe", "start", pulse_s=1.5e-3, is_settled=True)
    yield ServoPicture("lifter", "probe", "seek", pulse_s=2.3e-3, attempt=2, needs_more=True)
    yield ServoPicture("lifter", "probe", "back", pulse_s=2.4e-3, message="Taken: 2400 ± 9 µs.")
    yield ServoPicture("lifter", "probe", "back", is_lost=True, low=end)
    for count in range(7):
        yield ServoPicture(
            *("lifter", "probe", "points"),
            pulse_s=1.5e-3,
            low=end,
            high=knob_end,
            range_s=(533e-6, 2300e-6),
            points=points[:count],
            typed="93.",
        )


@pytest.mark.parametrize("glyphs", [UNICODE, ASCII])
def test_the_picture_fits_every_screen(glyphs: object) -> None:
    for picture in _pictures():
        for width, height in ((80, 24), (200, 60), (40, 12), (20, 6), (7, 2), (1, 1)):
            lines = lay_out_servo(picture, width, height, glyphs)  # type: ignore[arg-type]
            assert len(lines) == height
            assert all(line_width(line) <= width for line in lines)
            text = "\n".join(part for line in lines for part, _ in line)
            assert glyphs is UNICODE or text.isascii()


def test_80_by_24_shows_all_that_counts() -> None:
    for picture in _pictures():
        lines = lay_out_servo(picture, 80, 24, UNICODE)
        rows = ["".join(part for part, _ in line).rstrip() for line in lines]
        text = " ".join(" ".join(rows).split())
        assert tell_servo(picture)[0] in text
        assert rows[-1]
        if picture.stage == "points":
            assert "angle? 93._" in rows
        if picture.stage == "back" and not picture.is_lost:
            assert "TURN BACK NOW" in text


# --- led -----------------------------------------------------------------------------


@pytest.mark.pty
def test_led_through_the_range_is_found_within_its_uncertainty(
    design: Design, bench_folder: Path
) -> None:
    """A servo that buzzes outside of 800 to 2200 us, turned at 56 us a second near its ends."""
    truth_s = (800e-6, 2200e-6)
    bench = PlayedBench(None, design, knob_deg=135.0, seed=3)
    with bench.over_pty() as port:
        command = KeyedCommand("servo", "lifter", "--port", port, "--plain", cwd=bench_folder)
        hand = ServoHand(bench, command, truth_s, np.random.default_rng(3))
        hand.begin()
        for near_deg, far_deg in ((238, 265), (238, 265), (37, 10), (37, 10)):
            hand.try_end(near_deg, far_deg)
        places = [(60.0, 40.0), (220.0, 150.0)]
        pulses_s = [hand.read_angle(*place) for place in places]
        command.press("\r")
        assert command.finish() == 0, command.seen
    kept = read_servo_file(bench_folder / "calibration" / "servos" / "lifter.toml")
    for end, true_s in ((kept.low, truth_s[0]), (kept.high, truth_s[1])):
        assert end.how == "buzz"
        assert len(end.tries_s) >= 2
        assert abs(end.pulse_s - true_s) <= 2 * end.u_s
        assert end.u_s < 20e-6
    # what it may be sent lies inside of what it follows, and not far inside
    assert truth_s[0] - 2e-6 <= kept.pulse_min_s <= truth_s[0] + 80e-6
    assert truth_s[1] - 80e-6 <= kept.pulse_max_s <= truth_s[1] + 2e-6
    assert [one.arm_deg for one in kept.points] == [arm for _, arm in places]
    for point, pulse_s in zip(kept.points, pulses_s, strict=True):
        assert point.pulse_s == pytest.approx(pulse_s, abs=0.5e-6)
    assert "A servo that pushes against its stop heats" in command.seen


@pytest.mark.pty
def test_left_early_nothing_is_kept_and_the_status_says_so(
    design: Design, bench_folder: Path
) -> None:
    bench = PlayedBench(None, design, knob_deg=135.0)
    with bench.over_pty() as port:
        command = KeyedCommand("servo", "lifter", "--port", port, "--plain", cwd=bench_folder)
        command.wait_for("Pulse now")
        command.press("q")
        assert command.finish() == 1
    assert "nothing is kept" in command.seen
    assert not (bench_folder / "calibration" / "servos").exists()


@pytest.mark.pty
def test_the_knobs_ends_come_first_and_ctrl_c_keeps_what_is_there(
    design: Design, bench_folder: Path
) -> None:
    """Both ends of the knob without a buzz: the range is at least that, and kept at Ctrl-C."""
    bench = PlayedBench(None, design, knob_deg=135.0)
    with bench.over_pty() as port:
        command = KeyedCommand("servo", "lifter", "--port", port, "--plain", cwd=bench_folder)
        hand = ServoHand(bench, command, (0.0, 1.0), np.random.default_rng(1))
        hand.begin()
        truth_s = []
        for knob_deg in (270.0, 0.0):
            bench.turn(knob_deg, 0.4)
            said = ""
            while said != "it follows to":
                time.sleep(0.5)
                command.press("e")
                said = command.wait_for("it follows to", "stands still, then key e", "hardly away")
            truth_s.append(bench.truth()[0])
            command.wait_for("towards the anticlockwise", "For its curve")
        command.press("\x03")
        assert command.finish() == 130
    kept = read_servo_file(bench_folder / "calibration" / "servos" / "lifter.toml")
    assert (kept.low.how, kept.high.how) == ("at least", "at least")
    assert kept.pulse_max_s == pytest.approx(truth_s[0], abs=1e-6)
    assert kept.pulse_min_s == pytest.approx(truth_s[1], abs=1e-6)
