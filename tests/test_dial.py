"""The printed scale: its marks by hand, its files read back by a program, the command."""

from __future__ import annotations

import json
import math
import re
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
from numpy.typing import ArrayLike, NDArray

from benchlog.calibration.dial_marks import (
    OwnMark,
    arm_scale,
    find_stretches,
    own_scale,
    pulse_scale,
    setting_scale,
)
from benchlog.calibration.fit import fit_curve
from benchlog.calibration.point import Point
from benchlog.calibration.scale_curve import DesignCurve
from benchlog.calibration.table_curve import RowCurve, take_curve
from benchlog.channel.design import Design, parse_design, predict_cycle
from benchlog.channel.servo import Servo
from benchlog.commands.dial_options import read_labels
from benchlog.errors import MeasurementError, StoreError, UsageError
from benchlog.show.dial import dial_to_json, draw_ring, write_sheets
from benchlog.show.dial_maker import (
    DialSource,
    DialStyle,
    Hold,
    MarkWish,
    choose_marks,
    make_dial,
    make_ring,
)
from benchlog.show.dial_pages import Dial
from benchlog.show.lettering import drawable, measure_ink
from tests.command_inputs import answer, check_line, lay_in
from tests.command_line import run_here
from tests.page_readers import Drawn, Line, read_pdf, read_svg

FloatArray = NDArray[np.float64]

_NEAR_MM = 0.05
"""What a mark may lie off where the table puts it."""


@dataclass(frozen=True)
class Settings:
    count: int | None = 46
    spacing_deg: float | None = 5.0


class StraightCurve:
    """A knob whose pulse grows by 8 us a degree from 400 us at 20 degrees, and is level beyond."""

    knob_deg: FloatArray = np.arange(0.0, 270.5, 0.5)
    dead_low_deg, dead_high_deg = 20.0, 10.0
    end_stop_low_deg: float | None = None
    end_stop_high_deg: float | None = None
    u_dead_low_deg, u_dead_high_deg = 0.5, 0.5
    settings = Settings()
    reach_s = (400e-6, 2320e-6)

    def __init__(self) -> None:
        self.pulse_s = self.pulse_at(self.knob_deg)[0]

    def pulse_at(self, knob_deg: ArrayLike, /) -> tuple[FloatArray, FloatArray]:
        live = np.clip(np.asarray(knob_deg, dtype=np.float64), 20.0, 260.0)
        return 400e-6 + 8e-6 * (live - 20.0), np.zeros_like(live)

    def angle_of(self, pulse_s: ArrayLike, /) -> tuple[FloatArray, FloatArray]:
        wanted = np.asarray(pulse_s, dtype=np.float64)
        if np.any((wanted < 400e-6 - 1e-12) | (wanted > 2320e-6 + 1e-12)):
            raise ValueError("outside")
        return 20.0 + (wanted - 400e-6) / 8e-6, np.zeros_like(wanted)


SERVO = Servo(500e-6, 2300e-6, 0.0, 180.0)  # 0.1 degrees of arm a microsecond


def source(**changed: Any) -> DialSource:
    known = {"date": "2026-09-01", "mark_count": 13, **changed}
    return DialSource("heron", StraightCurve(), SERVO, 270.0, 6.0, **known)


def make(wish: MarkWish | None = None, style: DialStyle | None = None, **changed: Any) -> Dial:
    style = style or DialStyle()
    whose = source(**changed)
    marks = choose_marks(whose, style, wish or MarkWish())
    return make_dial(whose, style, marks, Hold(5.41, 6.38, 3.0))


# --- marks, by hand ----------------------------------------------------------------


def test_arm_angles_lie_where_the_curve_has_their_pulses() -> None:
    scale = arm_scale(StraightCurve(), SERVO, 30.0, parts=3)
    # an arm angle a is the pulse 500 us + 10 us a, and that the knob angle 20 + (100 + 10 a) / 8
    assert [mark.text for mark in scale.marks] == ["0", "30", "60", "90", "120", "150", "180"]
    assert [mark.knob_deg for mark in scale.marks] == pytest.approx(
        [32.5, 70.0, 107.5, 145.0, 182.5, 220.0, 257.5]
    )
    assert [mark.servo_deg for mark in scale.marks] == pytest.approx([0, 30, 60, 90, 120, 150, 180])
    assert [mark.knob_deg for mark in scale.minors[:3]] == pytest.approx([45.0, 57.5, 82.5])


def test_pulses_are_marked_past_the_stops_as_well() -> None:
    scale = pulse_scale(StraightCurve(), SERVO, 400e-6)
    assert [mark.text for mark in scale.marks] == ["400", "800", "1200", "1600", "2000"]
    assert [mark.knob_deg for mark in scale.marks] == pytest.approx([20, 70, 120, 170, 220])
    with pytest.raises(ValueError, match="ticks"):
        pulse_scale(StraightCurve(), SERVO, 1e-6)


def test_settings_of_a_straight_curve_lie_evenly() -> None:
    # 240 live degrees, 5 degrees each: 48 spaces; within the servo's 32.5 to 257.5 there are 45
    scale = setting_scale(StraightCurve(), SERVO, u_knob_deg=1.0)
    assert [mark.text for mark in scale.marks] == [str(k) for k in range(1, 47)]
    angles = [mark.knob_deg for mark in scale.marks]
    assert angles == pytest.approx(np.linspace(32.5, 257.5, 46).tolist(), abs=0.02)


def test_settings_lie_wider_where_the_pulse_moves_less(heron_text: str) -> None:
    text = heron_text.replace("travel_deg = 270", 'travel_deg = 270\ntaper = "log"')
    design = parse_design(text, "heron")
    curve = DesignCurve(design)
    u_knob_deg = 1.0 / math.sqrt(3.0)
    scale = setting_scale(curve, design.servo, u_knob_deg=u_knob_deg)
    angles = np.array([mark.knob_deg for mark in scale.marks])
    assert np.diff(angles)[0] > np.diff(angles)[-1]
    # equally surely two: neighbours lie 2 √2 standard uncertainties of one of them apart, that of
    # the servo's dead band (a rectangle) and the knob's reading. The slope changes by a per cent
    # or two from one to the next, and the whole stretch is divided evenly by a whole number.
    pulses = curve.pulse_at(angles)[0]
    u_band_s = design.servo.dead_band_s / math.sqrt(12.0)
    u_s = np.hypot(u_band_s, np.diff(pulses) / np.diff(angles) * u_knob_deg)
    assert np.diff(pulses) / u_s == pytest.approx(2.0 * math.sqrt(2.0), rel=0.05)


def test_own_marks_are_pulses_arm_angles_or_knob_angles() -> None:
    wanted = read_labels("rest=600us, up=1.5ms,bow = 90deg,a=b=45knob,half=90°,x=700µs")
    assert wanted[:4] == (
        OwnMark("rest", 600e-6, "pulse"),
        OwnMark("up", 1.5 * 1e-3, "pulse"),
        OwnMark("bow", 90.0, "arm"),
        OwnMark("a=b", 45.0, "knob"),
    )
    scale = own_scale(StraightCurve(), SERVO, wanted)
    found = {mark.text: mark.knob_deg for mark in scale.marks}
    assert found == pytest.approx(
        {"rest": 45.0, "a=b": 45.0, "x": 57.5, "half": 145.0, "bow": 145.0, "up": 157.5}
    )


@pytest.mark.parametrize("text", ["", "a", "a=", "=5us", "a=5", "a=5 kg", "a=5us,", "a=nandeg"])
def test_labels_that_cannot_be_read(text: str) -> None:
    with pytest.raises(UsageError, match="--labels"):
        read_labels(text)


@pytest.mark.parametrize(
    "mark", ["x=300us", "x=2400us", "x=190deg", "x=-1deg", "x=271knob", f"x={'9' * 400}us"]
)
def test_marks_out_of_reach_are_refused(mark: str) -> None:
    with pytest.raises(UsageError, match=r"'x' lies where .* 400 to 2320 µs"):
        make(MarkWish("own", own=read_labels(mark)))


def test_stretches_past_the_stops_and_dead_ones() -> None:
    found = {one.kind: (one.from_deg, one.to_deg) for one in find_stretches(StraightCurve(), SERVO)}
    assert found["low"] == pytest.approx((0.0, 32.5))
    assert found["high"] == pytest.approx((257.5, 270.0))
    assert found["dead"] == pytest.approx((260.0, 270.0))
    unsure = StraightCurve()
    unsure.u_dead_low_deg = unsure.u_dead_high_deg = 15.0
    assert {one.kind for one in find_stretches(unsure, SERVO)} == {"low", "high"}
    # a servo that all of the knob drives too far
    assert find_stretches(unsure, Servo(3000e-6, 4000e-6))[0].to_deg == 270.0


@pytest.mark.parametrize("longer", ["clockwise", "anticlockwise"])
@pytest.mark.parametrize("taper", ["linear", "log"])
def test_a_designs_curve_is_the_circuits(heron_text: str, longer: str, taper: str) -> None:
    text = heron_text.replace(
        "travel_deg = 270",
        f'travel_deg = 270\nlonger = "{longer}"\ntaper = "{taper}"\ndead_low_deg = 12',
    )
    design = parse_design(text, "heron")
    curve = DesignCurve(design)
    wanted = np.linspace(*curve.reach_s, 31)
    angles = curve.angle_of(wanted)[0]
    assert np.all((angles >= 12.0) & (angles <= 270.0))
    # 0.02 us are a tenth of what 0.05 mm at the edge of the largest dial are worth
    assert predict_cycle(design, angles).on_s == pytest.approx(wanted, abs=2e-8)
    assert curve.settings.count is not None
    assert curve.settings.count > 20
    with pytest.raises(ValueError, match="pulse_s"):
        curve.angle_of(1.0)


def cycle_points(design: Design, angles: list[float], off_deg: list[float]) -> list[Point]:
    """Return rows as a sweep makes them whose reading is off by so much."""
    rows = []
    for knob, off in zip(angles, off_deg, strict=True):
        cycle = predict_cycle(design, knob + off)
        on_s, rest_s = float(cycle.on_s), float(cycle.off_s)
        rows.append(Point(knob, on_s, 1e-7, on_s + rest_s, supply_v=6.0, temperature_c=27.0))
    return rows


@pytest.mark.parametrize("part", [{}, {"c_timing": "23.9n"}, {"r_off": "780k"}])
def test_a_clean_sweeps_scale_goes_through_its_rows(heron_text: str, part: dict[str, str]) -> None:
    design = parse_design(heron_text, "heron")
    built = heron_text
    for name, value in part.items():
        built = re.sub(rf'{name} = ".*"', f'{name} = "{value}"', built)
    angles = [22.5 * k for k in range(13)]
    points = cycle_points(parse_design(built, "heron"), angles, [0.0] * 13)
    curve = take_curve(design, points, fit_curve(design, points))
    assert isinstance(curve, RowCurve)
    rows = np.array([point.pulse_s for point in points])
    assert curve.angle_of(rows)[0] == pytest.approx(angles, abs=1e-6)
    # between the rows as well: 0.05 mm on the largest dial are 0.1 degrees
    between = np.linspace(1.0, 269.0, 68)
    true = predict_cycle(parse_design(built, "heron"), between).on_s
    assert curve.angle_of(true)[0] == pytest.approx(between, abs=0.05)


def test_a_sweep_that_was_read_roughly_keeps_its_fitted_curve(heron_text: str) -> None:
    design = parse_design(heron_text, "heron")
    source_ = np.random.default_rng(5)
    angles = np.linspace(10.0, 260.0, 13).tolist()
    rough = cycle_points(design, angles, source_.uniform(-1.0, 1.0, 13).tolist())
    fitted = fit_curve(design, rough)
    assert take_curve(design, rough, fitted) is fitted
    few = cycle_points(design, [0.0, 135.0, 270.0], [0.0] * 3)
    fitted = fit_curve(design, few)
    assert take_curve(design, few, fitted) is fitted
    # dead travel that the design does not know of
    dead = heron_text.replace("travel_deg = 270", "travel_deg = 270\ndead_low_deg = 12")
    rows = cycle_points(parse_design(dead, "heron"), [27.0 * k for k in range(11)], [0.0] * 11)
    fitted = fit_curve(design, rows)
    assert take_curve(design, rows, fitted) is fitted


def test_a_knob_of_several_turns_has_no_dial() -> None:
    with pytest.raises(MeasurementError, match=r"turns 3600 degrees.*at most 355"):
        make_ring(3600.0, DialStyle())


# --- files, read back -----------------------------------------------------------------


def expected_deg(text: str, kind: str) -> float:
    """Return the knob angle of a label of `StraightCurve`, by hand."""
    value = float(text)
    pulse_us = value if kind == "pulse" else 500.0 + 10.0 * value
    return 20.0 + (pulse_us - 400.0) / 8.0


def off_the_ray_mm(line: Line, centre: tuple[float, float], turn_deg: float) -> float:
    """Return how far a line's ends lie off a ray from a centre; infinite on its other side."""
    turn = math.radians(turn_deg)
    across, out = [], []
    for x, y in ((line.x0, line.y0), (line.x1, line.y1)):
        dx, dy = x - centre[0], y - centre[1]
        across.append(abs(dx * math.cos(turn) - dy * math.sin(turn)))
        out.append(dx * math.sin(turn) + dy * math.cos(turn))
    return max(across) if min(out) > 0.0 else math.inf


def check_marks(
    page: Drawn, told: dict[str, Any], kind: str, start_deg: float, labels: list[str]
) -> None:
    """Find each mark's line on a page, where the table puts it and nowhere else."""
    centre = (told["centre_x_mm"], told["centre_y_mm"])
    base = told["mark_radius_mm"]
    on_circle = [
        line
        for line in page.lines
        if math.dist((line.x0, line.y0), centre) == pytest.approx(base, abs=0.01)
        and math.dist((line.x1, line.y1), centre) > base + 0.3
    ]
    widest = max(line.width for line in on_circle)
    marks = [line for line in on_circle if line.width > 0.8 * widest]
    assert [one["label"] for one in told["marks"]] == labels
    assert len(marks) == len(labels)
    for one in told["marks"]:
        turn_deg = start_deg + expected_deg(one["label"], kind)
        assert min(off_the_ray_mm(line, centre, turn_deg) for line in marks) < _NEAR_MM
        turn = math.radians(turn_deg)
        assert one["x_mm"] == pytest.approx(base * math.sin(turn), abs=_NEAR_MM / 2)
        assert one["y_mm"] == pytest.approx(base * math.cos(turn), abs=_NEAR_MM / 2)


def check_bar(page: Drawn) -> None:
    """Measure the bar: a stroke of 50 mm, level, and the strokes that end it 50 mm apart."""
    level = [line for line in page.lines if abs(line.y1 - line.y0) < 1e-3]
    lengths = [abs(line.x1 - line.x0) for line in level]
    assert max(lengths) == pytest.approx(50.0, abs=0.01)
    bar = level[int(np.argmax(lengths))]
    for x in (bar.x0, bar.x1):
        assert any(
            abs(line.x0 - x) < 0.01 and abs(line.x1 - x) < 0.01 and abs(line.y0 - bar.y0) < 0.01
            for line in page.lines
            if line is not bar
        )


# ISO 216:2007, A4; ASME Y14.1, size A: 8.5 x 11 inches
PAPERS = {"a4": (210.0, 297.0), "letter": (8.5 * 25.4, 11.0 * 25.4)}


@pytest.mark.parametrize(
    ("paper", "diameter", "start_deg", "wish", "labels"),
    [
        ("a4", 60.0, None, MarkWish("arm", 15.0), [str(15 * k) for k in range(13)]),
        ("letter", 20.0, 200.0, MarkWish("arm", 3.0), [str(3 * k) for k in range(61)]),
        ("letter", 80.0, -90.0, MarkWish("pulse", 400e-6), ["400", "800", "1200", "1600", "2000"]),
        ("a4", 40.0, None, MarkWish("pulse", 50e-6), [str(50 * k) for k in range(8, 47)]),
    ],
)
def test_marks_read_back_from_the_files(
    tmp_path: Path,
    paper: str,
    diameter: float,
    start_deg: float | None,
    wish: MarkWish,
    labels: list[str],
) -> None:
    dial = make(wish, DialStyle(diameter, 6.0, start_deg, paper))
    (told,) = dial_to_json([dial], paper)
    begins_deg = -135.0 if start_deg is None else start_deg
    assert told["start_deg"] == begins_deg
    write_sheets(tmp_path / "d.pdf", [dial], paper)
    write_sheets(tmp_path / "d.svg", [dial], paper)
    (printed,) = read_pdf(tmp_path / "d.pdf")
    drawn = read_svg(tmp_path / "d.svg")
    for page in (printed, drawn):
        assert (page.width, page.height) == pytest.approx(PAPERS[paper], abs=0.005)
        check_marks(page, told, wish.kind, begins_deg, labels)
        check_bar(page)
    # both files hold the same strokes
    assert len(printed.lines) == len(drawn.lines)
    for one, other in zip(printed.lines, drawn.lines, strict=True):
        assert (one.x0, one.y0, one.x1, one.y1) == pytest.approx(
            (other.x0, other.y0, other.x1, other.y1), abs=0.001
        )


def test_the_svg_tells_a_program_what_each_mark_is(tmp_path: Path) -> None:
    path = tmp_path / "d.svg"
    write_sheets(path, [make(MarkWish("arm", 30.0)), make(MarkWish("arm", 90.0))], "a4")
    page = read_svg(path)
    marks = {line.facts["id"]: line.facts for line in page.lines if line.facts["class"] == "mark"}
    assert marks["mark-90"]["data-knob-deg"] == "145.0000"
    assert marks["mark-90"]["data-pulse-us"] == "1400.000"
    assert marks["mark-90"]["data-servo-deg"] == "90.000"
    assert marks["dial-2-mark-180"]["data-label"] == "180"
    root = ElementTree.fromstring(path.read_bytes())
    idents = [node.get("id") for node in root.iter() if node.get("id")]
    assert len(idents) == len(set(idents))
    titles = [node.text for node in root.iter("{http://www.w3.org/2000/svg}title")]
    assert "holds within 3°" in titles
    assert "2026-09-01, 6 V" in titles
    # letters are outlines, so that they look the same everywhere
    assert not list(root.iter("{http://www.w3.org/2000/svg}text"))


def test_letters_lie_within_their_boxes(tmp_path: Path) -> None:
    path = tmp_path / "d.svg"
    dial = make(MarkWish("own", own=read_labels("Wq=600us,glyph=1500us,90=2200us")))
    write_sheets(path, [dial], "a4")
    (told,) = dial_to_json([dial], "a4")
    root = ElementTree.fromstring(path.read_bytes())
    for label in dial.layout.labels:
        (node,) = (
            one
            for one in root.iter()
            if one.get("class") == "label" and one.get("aria-label") == label.text
        )
        numbers = [float(one) for one in re.findall(r"-?[\d.]+", str(node.get("d")))]
        axes = label.box.axes()
        half = (label.box.width_mm / 2.0, label.box.height_mm / 2.0)
        for x, y in zip(numbers[::2], numbers[1::2], strict=True):
            dx = x - told["centre_x_mm"] - label.box.x_mm
            dy = 297.0 - y - told["centre_y_mm"] - label.box.y_mm
            for (ax, ay), reach in zip(axes, half, strict=True):
                assert abs(dx * ax + dy * ay) <= reach + 0.005


def test_the_pdf_holds_its_letters_and_sets_them_alike(tmp_path: Path) -> None:
    path = tmp_path / "d.pdf"
    dial = make()
    write_sheets(path, [dial], "a4")
    raw = path.read_bytes()
    # ISO 32000-1, 9.9: an embedded TrueType program is a FontFile2
    assert raw.count(b"/FontFile2") >= 2
    for font in re.findall(rb"/BaseFont /(\S+)", raw):
        assert re.fullmatch(rb"[A-Z]{6}\+DejaVuSans(-Bold)?", font)
    assert b"/Subtype /Type3" not in raw
    (page,) = read_pdf(path)
    (told,) = dial_to_json([dial], "a4")
    for label in dial.layout.labels:
        ink = measure_ink(label.text)
        size_mm = dial.layout.size_pt * 25.4 / 72.0
        start = (
            told["centre_x_mm"] + label.box.x_mm - (ink.left + ink.right) / 2.0 * size_mm,
            told["centre_y_mm"] + label.box.y_mm - (ink.bottom + ink.top) / 2.0 * size_mm,
        )
        assert min(math.dist(start, text) for text in page.texts) < _NEAR_MM
    # the same every time, so that git sees no change
    write_sheets(tmp_path / "e.pdf", [dial], "a4")
    assert (tmp_path / "e.pdf").read_bytes() == raw


def test_stops_read_in_grey_print(tmp_path: Path) -> None:
    path = tmp_path / "d.svg"
    write_sheets(path, [make()], "a4")
    root = ElementTree.fromstring(path.read_bytes())
    by_id = {node.get("id"): node for node in root.iter()}
    assert by_id["end-stop-high-4"].get("data-knob-from-deg") == "257.5000"
    assert by_id["end-stop-low-3"].get("data-knob-to-deg") == "32.5000"
    assert by_id["dead-travel-1"].get("data-knob-to-deg") == "20.0000"
    bars = [node for node in root.iter() if node.tag.endswith("polygon")]
    assert len(bars) > 5
    # nothing says anything by its hue
    inks = {node.get(key) for node in root.iter() for key in ("fill", "stroke")} - {None, "none"}
    assert all(one[1:3] == one[3:5] == one[5:7] for one in inks if one is not None)


def test_many_dials_take_as_many_sheets_as_they_need(tmp_path: Path) -> None:
    dials = [make(MarkWish("arm", 30.0))] * 11
    spots = dial_to_json(dials, "a4")
    for one in spots:
        assert 33.0 <= one["centre_x_mm"] <= 177.0
        assert 60.0 <= one["centre_y_mm"] <= 264.0
    for k, one in enumerate(spots):
        for other in spots[:k]:
            if one["page"] == other["page"]:
                apart = math.hypot(
                    one["centre_x_mm"] - other["centre_x_mm"],
                    one["centre_y_mm"] - other["centre_y_mm"],
                )
                assert apart > 62.0
    pages = spots[-1]["page"]
    assert pages == 3  # two rows of two
    written = write_sheets(tmp_path / "d.svg", dials, "a4")
    assert [one.name for one in written] == ["d.svg", "d-2.svg", "d-3.svg"]
    write_sheets(tmp_path / "d.pdf", dials, "a4")
    assert len(read_pdf(tmp_path / "d.pdf")) == pages
    with pytest.raises(StoreError, match="there already"):
        write_sheets(tmp_path / "d.svg", dials, "a4")


def test_a_png_is_true_to_size_too(tmp_path: Path) -> None:
    write_sheets(tmp_path / "d.png", [make()], "a4")
    raw = (tmp_path / "d.png").read_bytes()
    # PNG (ISO/IEC 15948): width and height in IHDR, pixels a metre in pHYs
    size = [int.from_bytes(raw[at : at + 4], "big") for at in (16, 20)]
    at = raw.index(b"pHYs") + 4
    per_m = int.from_bytes(raw[at : at + 4], "big")
    assert raw[at + 8] == 1
    assert [one / per_m * 1e3 for one in size] == pytest.approx([210.0, 297.0], abs=0.1)


def test_a_blank_ring_counts_degrees_from_the_anticlockwise_stop(tmp_path: Path) -> None:
    path = tmp_path / "ring.svg"
    draw_ring(path, 300.0, DialStyle(80.0, 8.0), channel="heron")
    page = read_svg(path)
    by_class: dict[str, list[Line]] = {}
    for line in page.lines:
        by_class.setdefault(line.facts["class"], []).append(line)
    assert [one.facts["data-label"] for one in by_class["mark"]] == [str(30 * k) for k in range(11)]
    degrees = {float(one.facts["data-knob-deg"]) for one in (*by_class["mark"], *by_class["minor"])}
    assert {float(5 * k) for k in range(61)} <= degrees
    outline = next(
        node
        for node in ElementTree.fromstring(path.read_bytes()).iter()
        if node.get("id") == "outline"
    )
    centre = (float(str(outline.get("cx"))), 297.0 - float(str(outline.get("cy"))))
    for line in (*by_class["mark"], *by_class["minor"]):
        turn_deg = -150.0 + float(line.facts["data-knob-deg"])
        assert off_the_ray_mm(line, centre, turn_deg) < _NEAR_MM
    (slit,) = by_class["cut"]
    assert off_the_ray_mm(slit, centre, 180.0) < 1e-3
    assert math.dist((slit.x0, slit.y0), (slit.x1, slit.y1)) == pytest.approx(36.0, abs=1e-3)


@pytest.mark.parametrize("diameter", [20.0, 40.0, 60.0, 80.0])
@pytest.mark.parametrize("count", [5, 13, 30, 60])
def test_no_letters_collide_with_the_fonts_own_sizes(diameter: float, count: int) -> None:
    from tests.test_dial_layout import check

    step_us = 1920.0 / count
    check(make(MarkWish("pulse", step_us * 1e-6), DialStyle(diameter)).layout)


def test_the_room_decides_how_many_marks_there_are() -> None:
    counts = [len(make(style=DialStyle(d)).marks) for d in (20.0, 40.0, 60.0, 80.0)]
    assert counts == sorted(counts)
    assert counts[0] >= 4
    assert counts[-1] >= 13
    for diameter in (20.0, 40.0, 60.0, 80.0):
        assert make(style=DialStyle(diameter)).layout.left_out == ()


def test_what_the_font_has_not_is_a_question_mark() -> None:
    assert drawable("heron é Ω\n\u6771") == "heron é Ω??"


# --- the command ------------------------------------------------------------------------


@pytest.fixture(scope="module")
def swept(tmp_path_factory: pytest.TempPathFactory, heron_text: str) -> Path:
    """Return a bench folder with a sweep of heron, exactly as its parts make it."""
    bench = tmp_path_factory.mktemp("bench")
    (bench / "captures").mkdir()
    (bench / "calibration" / "heron").mkdir(parents=True)
    text = heron_text.replace("pulse_max_us = 2500", "pulse_max_us = 2300")
    (bench / "calibration" / "heron" / "design.toml").write_text(text, encoding="utf-8")
    lay_in(bench, text, [22.5 * k for k in range(13)])
    return bench


def test_a_swept_channels_marks_lie_where_its_pulses_are(swept: Path, tmp_path: Path) -> None:
    out = tmp_path / "heron.pdf"
    outcome = run_here(
        "dial", "heron", "--pulses", "100", "--json", "--out", out, "--copies", "2", cwd=swept
    )
    told = answer(outcome, 1)  # the knob drives the servo past 2300 us
    assert told["files"] == [str(out)]
    design = parse_design((swept / "calibration/heron/design.toml").read_text("utf-8"), "heron")
    (page,) = read_pdf(out)
    table = json.loads(run_here("calibrate", "heron", "--no-save", "--json", cwd=swept).out)
    assert len(told["dials"]) == 2
    for dial in told["dials"]:
        marks = dial["marks"]
        assert [mark["label"] for mark in marks] == [str(100 * k) for k in range(7, 24)]
        centre = (dial["centre_x_mm"], dial["centre_y_mm"])
        base = dial["mark_radius_mm"]
        for mark in marks:
            assert mark["pulse_us"] == pytest.approx(float(mark["label"]), abs=1e-3)
            # the true place, from the circuit that made the recordings
            angles = np.linspace(mark["knob_deg"] - 2.0, mark["knob_deg"] + 2.0, 401)
            true_deg = float(
                np.interp(mark["pulse_us"], predict_cycle(design, angles).on_s * 1e6, angles)
            )
            turn = math.radians(true_deg - 135.0)
            true = (base * math.sin(turn), base * math.cos(turn))
            assert math.dist(true, (mark["x_mm"], mark["y_mm"])) < _NEAR_MM
            nearest = min(
                off_the_ray_mm(line, centre, true_deg - 135.0)
                for line in page.lines
                if abs(math.dist((line.x0, line.y0), centre) - base) < 0.01
            )
            assert nearest < _NEAR_MM
        (stop,) = (one for one in dial["stretches"] if one["kind"] == "end-stop-high")
        assert stop["from_deg"] == pytest.approx(table["end_stop_high_deg"], abs=1e-6)


def test_it_writes_a_sheet_and_tells_of_it(swept: Path, heron_text: str) -> None:
    outcome = run_here("dial", "heron", "--from-design", cwd=swept)
    assert outcome.status == 1
    assert "heron-dial.pdf" in outcome.out
    assert "from the design, not measured" in outcome.out
    assert "holds within 3° of arm from" in outcome.out
    assert "pushes its stop, above knob 25" in outcome.out
    assert (swept / "heron-dial.pdf").stat().st_size > 5000
    again = run_here("dial", "heron", "--from-design", cwd=swept)
    check_line(again, "heron-dial.pdf is there already", "--out")
    free = heron_text.replace("pulse_max_us = 2500", "pulse_max_us = 2600")
    (swept / "free.toml").write_text(free, encoding="utf-8")
    fine = run_here("dial", "--design", "free.toml", "--json", cwd=swept)
    assert answer(fine)["files"] == []


def test_a_face_without_room_for_labels_says_what_to_try(swept: Path) -> None:
    face = ["--diameter", "30", "--hole", "20", "--out", "narrow.svg"]
    outcome = run_here("dial", "heron", "--from-design", *face, cwd=swept)
    assert outcome.status == 1, outcome  # the end stop
    assert "0 of them labelled" in outcome.out
    assert "try a smaller --hole or a larger --diameter" in " ".join(outcome.out.split())


def test_a_blank_ring_needs_no_channel(tmp_path: Path) -> None:
    outcome = run_here("dial", "--blank", "--travel", "280", "--out", "r.svg", cwd=tmp_path)
    assert outcome.status == 0
    assert (tmp_path / "r.svg").exists()


def test_a_channel_without_a_sweep_is_told(bench_folder: Path) -> None:
    outcome = run_here("dial", "heron", cwd=bench_folder)
    check_line(outcome, "heron was not measured yet", "--from-design")


def test_the_newest_table_serves_where_no_recording_is_there(
    bench_folder: Path, heron_text: str
) -> None:
    lay_in(bench_folder, heron_text, [45.0 * k for k in range(7)])
    run_here("calibrate", "heron", cwd=bench_folder)
    recorded = answer(run_here("dial", "heron", "--json", cwd=bench_folder))
    shutil.rmtree(bench_folder / "captures" / "heron")
    outcome = run_here("dial", "heron", "--json", cwd=bench_folder)
    stored = answer(outcome)
    assert "no recording of heron" in outcome.err
    assert "newest table" in outcome.err
    pairs = list(zip(recorded["dials"][0]["marks"], stored["dials"][0]["marks"], strict=True))
    assert len(pairs) > 5
    for one, other in pairs:
        assert one["label"] == other["label"]
        # the table keeps a ten-thousandth of a microsecond, far less than a hundredth of a degree
        assert one["knob_deg"] == pytest.approx(other["knob_deg"], abs=0.01)


def test_a_scale_of_few_marks_says_so(bench_folder: Path, heron_text: str) -> None:
    lay_in(bench_folder, heron_text, [90.0])
    outcome = run_here("dial", "heron", "--json", cwd=bench_folder)
    answer(outcome)
    assert "rests on 1 mark:" in outcome.err
    assert "expected 4 marks or more" in outcome.err


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ((), "dial without a channel"),
        (("heron", "--diameter", "90"), "--diameter '90'"),
        (("heron", "--diameter", "20", "--hole", "12"), "--hole '12'"),
        (("heron", "--paper", "a3"), "--paper 'a3'"),
        (("heron", "--copies", "2.5"), "whole number"),
        (("heron", "--pulses", "100", "--settings"), "--pulses together with --settings"),
        (("heron", "--design", "x.toml"), "--design together with a channel"),
        (("heron", "--out", "x.jpg"), ".pdf, .svg or .png"),
        (("heron", "--out", "no/x.pdf"), "the folder no is not there"),
        (("heron", "--from-design", "--sweep", "20260901"), "--from-design together with"),
        (("heron", "--travel", "270"), "--travel"),
        (("--blank",), "--blank alone"),
        (("heron", "--blank", "--settings"), "--blank together with marks"),
        (("heron", "--from-design", "--arm-angles", "0.01"), "a mark every 0.01 degrees"),
        (("heron", "--from-design", "--arm-angles", "400"), "reaches none of the marks"),
        (("heron", "--from-design", "--labels", "x=5us"), "'x' lies where"),
    ],
)
def test_what_cannot_be_done_is_one_line(
    bench_folder: Path, words: tuple[str, ...], told: str
) -> None:
    check_line(run_here("dial", *words, cwd=bench_folder), told)
    assert not list(bench_folder.glob("*.pdf"))


def test_json_is_all_there_is_on_standard_output(bench_folder: Path) -> None:
    outcome = run_here("dial", "heron", "--from-design", "--settings", "--json", cwd=bench_folder)
    told = json.loads(outcome.out)
    (dial,) = told["dials"]
    assert dial["marks"][0]["label"] in ("1", "2", "5")
    assert all(mark["knob_deg"] >= 0.0 for mark in dial["marks"])
