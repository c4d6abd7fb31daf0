"""Where ticks and labels lie: by hand, then for any number of marks on any dial."""

from __future__ import annotations

import itertools
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog.show.dial_boxes import Box, overlap, tick_box
from benchlog.show.dial_face import Face, Item, Layout, least_points, usual_points
from benchlog.show.dial_layout import lay_out
from benchlog.show.dial_words import Line, place_lines, ring_boxes
from benchlog.show.lettering import measure_ink

_MM_PER_POINT = 25.4 / 72.0
_THIN = (2, 5, 10, 20, 50, 100)


def measure(text: str) -> tuple[float, float]:
    """Return a size such as letters have, without a font: 0.64 wide each and 0.73 tall."""
    return 0.64 * len(text), 0.73


def measure_line(text: str, bold: bool) -> tuple[float, float]:
    return (0.7 if bold else 0.62) * len(text), 0.95


def real_size(text: str, bold: bool) -> tuple[float, float]:
    ink = measure_ink(text, bold=bold)
    return ink.right - ink.left, ink.top - ink.bottom


# --- boxes, by hand --------------------------------------------------------------


def test_a_box_seen_from_the_centre() -> None:
    box = Box(5.0, 0.0, 4.0, 2.0)  # from x 3 to 7, y -1 to 1
    assert box.nearest_mm() == pytest.approx(3.0)
    assert box.farthest_mm() == pytest.approx(math.hypot(7.0, 1.0))
    turned = Box(0.0, 5.0, 4.0, 2.0, 90.0)  # from y 3 to 7
    assert turned.nearest_mm() == pytest.approx(3.0)
    assert turned.farthest_mm() == pytest.approx(math.hypot(7.0, 1.0))
    assert sorted(turned.corners())[0] == pytest.approx((-1.0, 3.0))


@pytest.mark.parametrize(
    ("other", "shares"),
    [
        (Box(3.9, 0.0, 4.0, 2.0), True),
        (Box(4.0, 0.0, 4.0, 2.0), False),  # an edge only
        (Box(0.0, 2.1, 4.0, 2.0), False),
        (Box(2.6, 1.6, 2.0, 2.0, 45.0), True),  # its corner 1.414 off its middle: 0.23 inside
        (Box(3.2, 2.2, 2.0, 2.0, 45.0), False),  # only the diagonal separates them
        (Box(0.0, 0.0, 0.5, 0.5, 30.0), True),  # wholly inside
    ],
)
def test_boxes_overlap(other: Box, shares: bool) -> None:
    one = Box(0.0, 0.0, 4.0, 2.0)
    assert overlap(one, other) is shares
    assert overlap(other, one) is shares


def test_a_tick_is_a_thin_box_on_its_ray() -> None:
    box = tick_box(90.0, 10.0, 13.0, 0.2)  # to the right
    assert (box.x_mm, box.y_mm) == pytest.approx((11.5, 0.0))
    assert box.nearest_mm() == pytest.approx(10.0)


# --- a dial by hand ----------------------------------------------------------------


def test_angles_run_clockwise_from_the_start() -> None:
    face = Face(60.0, 7.0, 270.0, -135.0)
    half = math.sqrt(0.5)
    assert face.place(0.0, 10.0) == pytest.approx((-10.0 * half, -10.0 * half))  # half past seven
    assert face.place(135.0, 10.0) == pytest.approx((0.0, 10.0))
    assert face.place(270.0, 10.0) == pytest.approx((10.0 * half, -10.0 * half))


def test_few_marks_have_large_labels_and_full_ticks() -> None:
    face = Face(60.0, 7.0, 270.0, -135.0)
    items = [Item(30.0 * k, str(30 * k), k) for k in range(10)]
    layout = lay_out(face, items, [Item(15.0)], measure, thin=_THIN)
    assert layout.size_pt == usual_points(60.0)
    assert layout.left_out == ()
    assert [one.text for one in layout.labels] == [item.text for item in items]
    majors, minor = layout.ticks[:-1], layout.ticks[-1]
    assert {round(one.outer_mm - one.inner_mm, 9) for one in majors} == {3.0}
    assert minor.item is None
    assert minor.outer_mm < majors[0].outer_mm
    check(layout)


def test_many_marks_are_thinned_evenly() -> None:
    face = Face(40.0, 7.0, 270.0, -135.0)
    items = [Item(4.5 * k, str(600 + 30 * k), 20 + k) for k in range(60)]
    layout = lay_out(face, items, [], measure, thin=(5, 10, 20))
    shown = [items[one.item].count for one in layout.labels]
    assert 5 <= len(shown) < 60
    steps = {b - a for a, b in itertools.pairwise(shown)}
    assert len(steps) == 1
    assert steps <= {5, 10, 20}
    assert len(layout.ticks) == 60  # none of the marks is lost
    check(layout)


def test_crowded_marks_are_thinned_where_they_crowd() -> None:
    face = Face(60.0, 7.0, 270.0, -135.0)
    angles = [270.0 * math.log(1.0 + k) / math.log(41.0) for k in range(41)]
    items = [Item(angle, str(k), k) for k, angle in enumerate(angles)]
    layout = lay_out(face, items, [], measure, thin=(2, 10, 20))
    shown = [items[one.item].count for one in layout.labels]
    assert shown[:6] == [0, 1, 2, 3, 4, 5]
    assert len(shown) < 41
    check(layout)


def test_a_users_labels_go_to_a_second_ring_rather_than_be_lost() -> None:
    face = Face(60.0, 7.0, 270.0, -135.0)
    # 12 degrees apart near the top: 4.4 mm at the labels, of which each is 5 mm wide or more
    items = [Item(117.0 + 12.0 * k, f"lift{k}") for k in range(4)]
    layout = lay_out(face, items, [], measure)
    assert layout.left_out == ()
    assert {one.ring for one in layout.labels} == {1, 2}
    check(layout)


def test_numbers_stand_for_labels_that_are_too_long() -> None:
    face = Face(20.0, 7.0, 270.0, -135.0)
    items = [Item(40.0 * k, f"wings up and neck stretched {k}") for k in range(6)]
    layout = lay_out(face, items, [], measure)
    assert layout.numbered
    assert layout.left_out == ()
    assert [one.text for one in layout.labels] == ["1", "2", "3", "4", "5", "6"]
    check(layout)


def test_two_labels_of_one_place_are_told() -> None:
    face = Face(60.0, 7.0, 270.0, -135.0)
    layout = lay_out(face, [Item(90.0, "a"), Item(90.0, "b")], [], measure)
    assert layout.left_out == (1,)
    check(layout)


@pytest.mark.parametrize(
    ("diameter", "hole", "travel"), [(20.0, 11.0, 270.0), (60.0, 0.0, 270.0), (60.0, 7.0, 360.0)]
)
def test_dials_that_cannot_be(diameter: float, hole: float, travel: float) -> None:
    with pytest.raises(ValueError, match=r"a hole of|a travel of"):
        Face(diameter, hole, travel, 0.0)


def test_letters_can_be_read() -> None:
    # capitals of DejaVu Sans are 1493 of 2048 units tall (from the font itself): on a dial of
    # 40 mm and more the smallest are 1.6 mm; no dial has less than 5 pt
    assert least_points(40.0) * _MM_PER_POINT * 1493 / 2048 == pytest.approx(1.6, abs=0.01)
    assert least_points(20.0) == 5.0
    assert all(usual_points(d) > least_points(d) for d in (20.0, 40.0, 60.0, 80.0))


# --- any dial ------------------------------------------------------------------------


def check(layout: Layout) -> None:
    """Hold a layout to its promise."""
    face = layout.face
    boxes = [one.box for one in layout.labels]
    for one, other in itertools.combinations(boxes, 2):
        assert not overlap(one, other)
    ticks = layout.tick_boxes()
    band_mm = layout.band_mm
    for box in boxes:
        assert box.farthest_mm() <= face.radius_mm - 0.3
        assert box.nearest_mm() >= face.hole_radius_mm
        # the circle on which the ticks stand, and the band beneath it
        assert box.nearest_mm() > layout.base_mm
        assert not box.meets(ticks)
    assert face.hole_radius_mm < band_mm[0] < band_mm[1] < layout.base_mm
    for tick in layout.ticks:
        assert layout.base_mm == tick.inner_mm < tick.outer_mm <= tick.leads_mm < face.radius_mm
    assert least_points(face.diameter_mm) <= layout.size_pt <= usual_points(face.diameter_mm)
    assert sorted([one.item for one in layout.labels] + list(layout.left_out)) == list(
        range(len([one for one in layout.ticks if one.item is not None]))
    )


@st.composite
def faces(draw: st.DrawFn) -> Face:
    # where hole and rim are less than 6 mm apart, a label of 5 pt has no room beside the ticks
    diameter = draw(st.floats(20.0, 80.0))
    return Face(
        diameter,
        draw(st.floats(1.0, min(diameter - 12.0, 20.0))),
        draw(st.floats(90.0, 355.0)),
        draw(st.floats(-360.0, 360.0)),
    )


@given(
    face=faces(),
    count=st.integers(5, 60),
    crowding=st.floats(0.25, 4.0),
    first=st.integers(0, 900),
    step=st.sampled_from([1, 3, 5, 10, 30, 50]),
)
@settings(max_examples=80)
def test_no_labels_collide_on_any_dial(
    face: Face, count: int, crowding: float, first: int, step: int
) -> None:
    shares = [(k / (count - 1)) ** crowding for k in range(count)]
    items = [
        Item(share * face.travel_deg, str((first + k) * step), first + k)
        for k, share in enumerate(shares)
    ]
    minors = [Item((a.knob_deg + b.knob_deg) / 2.0) for a, b in itertools.pairwise(items)]
    layout = lay_out(face, items, minors, measure, thin=_THIN)
    assert layout.labels
    check(layout)


@given(
    face=faces(),
    texts=st.lists(st.text("abcdeW m", min_size=1, max_size=18), min_size=1, max_size=14),
    data=st.data(),
)
@settings(max_examples=40)
def test_no_labels_of_ones_own_collide(face: Face, texts: list[str], data: st.DataObject) -> None:
    places = sorted(
        data.draw(
            st.lists(st.floats(0.0, face.travel_deg), min_size=len(texts), max_size=len(texts))
        )
    )
    items = [Item(knob, text) for knob, text in zip(places, texts, strict=True)]
    check(lay_out(face, items, [], measure))


@given(face=faces(), count=st.integers(5, 40))
@settings(max_examples=25)
def test_lines_of_text_keep_off_the_scale(face: Face, count: int) -> None:
    items = [Item(k * face.travel_deg / (count - 1), str(10 * k), k) for k in range(count)]
    layout = lay_out(face, items, [], measure, thin=_THIN)
    choices = [
        [Line("heron", 1.35, bold=True), Line("holds within 3°"), Line("from 5.4 to 6.4 V")],
        [Line("±3°"), Line("5.4-6.4 V")],
        [Line("h")],
    ]
    lines = place_lines(layout, choices, measure_line, usual_pt=7.0, least_pt=5.0)
    for one, other in itertools.combinations([line.box for line in lines], 2):
        assert not overlap(one, other)
    for line in lines:
        assert line.box.farthest_mm() <= face.radius_mm
        assert line.box.nearest_mm() >= face.hole_radius_mm
        assert not line.box.meets(ring_boxes(layout))


def test_a_usual_dial_has_room_for_all_that_is_said() -> None:
    for diameter, least in ((20.0, 2), (40.0, 3), (60.0, 3), (80.0, 3)):
        face = Face(diameter, 7.0, 270.0, -135.0)
        items = [Item(27.0 * k, str(10 * k), k) for k in range(1, 10)]
        layout = lay_out(face, items, [], lambda text: real_size(text, False), thin=_THIN)
        choices = [
            [Line("heron", 1.35, bold=True), Line("holds within 3°"), Line("from 5.4 to 6.4 V")],
            [Line("±3°"), Line("5.4–6.4 V")],
        ]
        lines = place_lines(layout, choices, real_size, usual_pt=7.0, least_pt=5.0)
        assert len(lines) == least, diameter
