"""Batches of copies: their file, what they have in common, their labels."""

from __future__ import annotations

import csv
import dataclasses
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog.calibration.batch import (
    FEWEST_COPIES,
    PRODUCTS,
    BatchSummary,
    CopyProduct,
    summarise_batch,
)
from benchlog.capture.batch_files import BatchFile, batch_path, read_batch
from benchlog.capture.batch_rows import (
    COLUMNS,
    BatchCopy,
    BatchPlace,
    BatchProduct,
    format_head,
    format_row,
    parse_batch,
)
from benchlog.capture.store import make_bench
from benchlog.channel.design import Design, parse_design
from benchlog.errors import RecordingError, StoreError, UsageError
from benchlog.show.labels import PAPERS_MM, Label, Sheet, draw_sheets, write_labels

DESIGN = """
channel = "heron"
[supply]
volts = 6.0
[timer]
family = "cmos"
r_on = "33k"
r_on_tolerance = "1%"
r_knob = "100k"
r_knob_tolerance = "5%"
r_off = "820k"
r_off_tolerance = "1%"
c_timing = "22n"
c_timing_tolerance = "2%"
[knob]
travel_deg = 270
[servo]
pulse_min_us = 500
pulse_max_us = 2500
"""


@pytest.fixture(scope="module")
def design() -> Design:
    return parse_design(DESIGN, "design.toml")


# --- what the copies have in common --------------------------------------------------------


def products_of(off: dict[str, float], u: float = 1e-4) -> dict[str, CopyProduct]:
    """Return products that are off by the fractions that are given."""
    return {name: CopyProduct(1e-3, 1e-3 * (1.0 + off[name]), 1e-3 * u) for name in off}


def lots(summary: BatchSummary) -> dict[str, str]:
    return {one.product: one.lot for one in summary.products}


def test_fewer_than_three_copies_say_nothing(design: Design) -> None:
    copies = {n: products_of(dict.fromkeys(PRODUCTS, 0.3)) for n in range(1, FEWEST_COPIES)}
    assert summarise_batch(design, copies) == BatchSummary((), ())


def test_mean_and_spread_by_hand(design: Design) -> None:
    # 0, 1 and 2 %: mean 1 %, standard deviation 1 % (n - 1); u of the mean 1 %/sqrt(3) and 0.01 %
    copies = {n: products_of({"r_off*c_timing": 0.01 * (n - 1)}) for n in (1, 2, 3)}
    (one,) = summarise_batch(design, copies).products
    assert (one.product, one.count, one.left_out) == ("r_off*c_timing", 3, ())
    assert one.mean == pytest.approx(0.01)
    assert one.spread == pytest.approx(0.01)
    assert one.u_mean == pytest.approx(np.hypot(0.01 / np.sqrt(3.0), 1e-4))
    assert one.tolerance == pytest.approx(1.01 * 1.02 - 1.0)
    assert one.lot == "as marked"


def test_one_wrong_copy_is_left_out_and_no_reel_accused(design: Design) -> None:
    rng = np.random.default_rng(5)
    copies = {
        n: products_of({name: float(rng.uniform(-0.01, 0.01)) for name in PRODUCTS})
        for n in range(1, 10)
    }
    copies[4] = products_of(dict.fromkeys(PRODUCTS, 0.40))
    summary = summarise_batch(design, copies)
    assert {one.left_out for one in summary.products} == {(4,)}
    assert set(lots(summary).values()) == {"as marked"}
    assert summary.is_well
    assert "no reel stands out" in summary.sentences[0]


def test_reel_of_the_knob_off(design: Design) -> None:
    # 12 % where 5 % and 2 % are marked: beyond what any two parts within tolerance make
    copies = {
        n: products_of(
            {"r_off*c_timing": 0.002 * n, "r_on*c_timing": 0.0, "r_knob*c_timing": 0.12 + 0.002 * n}
        )
        for n in range(-2, 3)
    }
    summary = summarise_batch(design, {n + 3: one for n, one in copies.items()})
    assert lots(summary)["r_knob*c_timing"] == "beyond tolerance"
    assert lots(summary)["r_off*c_timing"] == "as marked"
    assert not summary.is_well
    (sentence,) = summary.sentences
    assert sentence.startswith("r_knob*c_timing is 12.0 % high on average over 5 copies")
    assert "r_knob" in sentence.partition(":")[2]


def test_reel_to_one_side_is_told_from_a_wrong_one(design: Design) -> None:
    # 5 % in nine copies: within 7.1 %, but means of nine drawn parts scatter by 1.04 %
    copies = {n: products_of({"r_knob*c_timing": 0.05 + 0.001 * n}) for n in range(9)}
    summary = summarise_batch(design, copies)
    assert lots(summary) == {"r_knob*c_timing": "to one side"}
    assert summary.is_well
    assert "within the tolerance" in summary.sentences[0]


def test_capacitor_reel_moves_every_product_alike(design: Design) -> None:
    copies = {n: products_of({name: 0.09 + 0.002 * n for name in PRODUCTS}) for n in range(-2, 3)}
    (sentence,) = summarise_batch(design, {n + 3: one for n, one in copies.items()}).sentences
    assert sentence.startswith("Every product is 9.0 % high")
    assert "the timing capacitor's reel is not what it is marked as" in sentence


def test_two_kinds_of_part_mixed(design: Design) -> None:
    # half of the copies 9 % below, half 9 % above: tolerances make a standard deviation of 3.1 %
    copies = {n: products_of({"r_knob*c_timing": 0.09 * (-1) ** n}) for n in range(1, 9)}
    summary = summarise_batch(design, copies)
    assert lots(summary) == {"r_knob*c_timing": "too wide"}
    assert "two kinds of part may be mixed" in summary.sentences[0]


def test_uncertainty_that_all_copies_share_is_no_reel(design: Design) -> None:
    # 9 % in all, but each only known to 5 %, as where neither supply nor diode is known
    copies = {n: products_of({"r_on*c_timing": 0.09}, u=0.05) for n in range(1, 20)}
    assert lots(summarise_batch(design, copies)) == {"r_on*c_timing": "as marked"}


@pytest.mark.parametrize("count", [3, 9, 27])
def test_good_batches_are_rarely_accused(design: Design, count: int) -> None:
    # of 400 batches of parts drawn within tolerance 1 in 100 may be told of: 4 are expected, and
    # 10 is three standard deviations (binomial, 2) above
    rng = np.random.default_rng(count)
    told = 0
    for _ in range(400):
        c = rng.uniform(-0.02, 0.02, count)
        parts = {"r_off": 0.01, "r_knob": 0.05, "r_on": 0.01}
        off = {
            f"{name}*c_timing": (1 + rng.uniform(-t, t, count)) * (1 + c) - 1
            for name, t in parts.items()
        }
        copies = {
            n + 1: products_of({name: float(one[n]) for name, one in off.items()})
            for n in range(count)
        }
        told += set(lots(summarise_batch(design, copies)).values()) != {"as marked"}
    assert told <= 10


# --- the file ------------------------------------------------------------------------------


def make_place(**changes: float) -> BatchPlace:
    place = BatchPlace(
        knob_deg=135.0,
        pulse_s=1500.1234e-6,
        u_pulse_s=0.05e-6,
        period_s=16.2e-3,
        u_period_s=0.5e-6,
        pulse_count=123,
        design_pulse_s=1500e-6,
        deviation_s=0.1234e-6,
        u_deviation_s=4e-6,
        verdict="on design",
    )
    return dataclasses.replace(place, **changes)  # type: ignore[arg-type]


def make_copy(number: int, repeat: int = 0, **changes: object) -> BatchCopy:
    copy = BatchCopy(
        number=number,
        repeat=repeat,
        measured_utc="2026-09-01T10:00:00Z",
        verdict="PASS",
        part=None,
        fault=None,
        reason="",
        supply_v=6.0,
        u_supply_v=0.02,
        supply_read=True,
        temperature_c=None,
        places=(make_place(knob_deg=0.0), make_place(), make_place(knob_deg=270.0)),
        products=tuple(BatchProduct(name, 1e-3, 1.01e-3, 1e-6) for name in PRODUCTS),
    )
    return dataclasses.replace(copy, **changes)  # type: ignore[arg-type]


def test_file_is_made_with_its_header_and_grows(tmp_path: Path) -> None:
    path = batch_path(make_bench(tmp_path), "heron", "autumn-1")
    assert path == tmp_path / "calibration" / "heron" / "batches" / "autumn-1.csv"
    with BatchFile(path, "heron", DESIGN) as file:
        begun = path.read_text(encoding="utf-8")
        assert begun.startswith("# benchlog batch")
        assert f"\n{','.join(COLUMNS)}\n" in begun
        for number in (1, 2):
            file.append(make_copy(number))
            assert path.read_text(encoding="utf-8").startswith(begun)  # on the disk, nothing lost
        assert file.batch.next_number == 3
    batch = read_batch(path)
    assert [one.number for one in batch.copies] == [1, 2]
    assert batch.design_text.strip() == DESIGN.strip()
    assert (batch.channel, batch.name) == ("heron", "autumn-1")


def test_rows_are_plain_csv_in_microseconds(tmp_path: Path) -> None:
    text = format_head("heron", "a", DESIGN) + format_row(make_copy(7), DESIGN)
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    (row,) = csv.DictReader(lines)
    assert row["copy"] == "7"
    assert row["middle_pulse_us"] == "1500.1234"
    assert row["clockwise_deg"] == "270"
    assert row["r_off_c_timing_found_us"] == "1010.0000"
    assert row["supply_from"] == "meter"


def test_copy_measured_again_is_a_new_row(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    with BatchFile(path, "heron", DESIGN) as file:
        file.append(make_copy(1, verdict="AGAIN", reason="It moved."))
        file.append(make_copy(2))
        file.append(make_copy(1, file.batch.next_repeat(1)))
    batch = read_batch(path)
    assert [(one.number, one.repeat, one.verdict) for one in batch.copies] == [
        (1, 0, "AGAIN"),
        (2, 0, "PASS"),
        (1, 1, "PASS"),
    ]
    assert [(one.number, one.verdict) for one in batch.newest] == [(1, "PASS"), (2, "PASS")]
    assert batch.next_number == 3


@pytest.mark.parametrize("keep", [1, 30, 200, -1])
def test_row_cut_short_by_a_crash_is_passed_over(tmp_path: Path, keep: int) -> None:
    path = tmp_path / "a.csv"
    with BatchFile(path, "heron", DESIGN) as file:
        file.append(make_copy(1))
    whole = path.read_bytes()
    path.write_bytes(whole + format_row(make_copy(2), DESIGN).encode()[:keep].rstrip(b"\n"))
    cut = path.read_bytes()
    complete = cut.endswith(b",end")
    with BatchFile(path, "heron", DESIGN) as file:
        assert file.batch.next_number == (3 if complete else 2)
        assert file.batch.broken_count == (0 if complete else 1)
        file.append(make_copy(2, 1))
    assert path.read_bytes().startswith(cut)  # what was there is as it was
    assert [one.repeat for one in read_batch(path).copies if one.number == 2][-1] == 1


def test_killed_writer_leaves_every_row_that_it_told_of(tmp_path: Path) -> None:
    script = (
        "import sys, os\n"
        "from pathlib import Path\n"
        "from benchlog.capture.batch_files import BatchFile\n"
        "from tests.test_batch import make_copy, DESIGN\n"
        "file = BatchFile(Path(sys.argv[1]), 'heron', DESIGN)\n"
        "for number in range(1, 100000):\n"
        "    file.append(make_copy(number))\n"
        "    print(number, flush=True)\n"
    )
    path = tmp_path / "a.csv"
    with subprocess.Popen(
        [sys.executable, "-c", script, str(path)],
        stdout=subprocess.PIPE,
        text=True,
        cwd=Path(__file__).resolve().parent.parent,
    ) as process:
        assert process.stdout is not None
        told = 0
        for line in process.stdout:
            told = int(line)
            if told == 5:
                process.kill()
    numbers = [one.number for one in read_batch(path).copies]
    assert told >= 5
    assert numbers[:told] == list(range(1, told + 1))
    with BatchFile(path, "heron", DESIGN) as file:  # its lock went with it
        assert file.batch.next_number == len(numbers) + 1


def test_two_at_once_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    with BatchFile(path, "heron", DESIGN):
        with pytest.raises(StoreError, match="another process"):
            BatchFile(path, "heron", DESIGN)
        assert read_batch(path).copies == ()  # reading is free
    BatchFile(path, "heron", DESIGN).close()


def test_batch_of_another_channel_or_design(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    BatchFile(path, "heron", DESIGN).close()
    with pytest.raises(StoreError, match="batch of channel heron"):
        BatchFile(path, "moon", DESIGN)
    with BatchFile(path, "heron", DESIGN.replace("33k", "47k")) as file:
        assert file.has_another_design
    with BatchFile(path, "heron", DESIGN + "\n") as file:
        assert not file.has_another_design


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("", "does not begin with"),
        ("knob_deg,pulse_us\n1,2\n", "does not begin with"),
        ("# benchlog batch\n# channel: heron\na,b\n1,2\n", "another header"),
        ("# benchlog batch\n", "another header"),
    ],
)
def test_what_is_no_batch_is_refused_and_kept(tmp_path: Path, text: str, match: str) -> None:
    path = tmp_path / "a.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(RecordingError, match=match):
        BatchFile(path, "heron", DESIGN)
    assert path.read_text(encoding="utf-8") == text


@pytest.mark.parametrize("name", ["", "../x", "a/b", ".a", "-a", "CON", "a\n", "x" * 200])
def test_names_that_lead_elsewhere_are_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(StoreError):
        batch_path(make_bench(tmp_path), "heron", name)


def test_folder_that_is_a_file(tmp_path: Path) -> None:
    (tmp_path / "batches").write_text("", encoding="utf-8")
    with pytest.raises(StoreError):
        BatchFile(tmp_path / "batches" / "a.csv", "heron", DESIGN)


_times = st.floats(1e-7, 1.0).map(lambda value: round(value, 10))


@given(
    number=st.integers(1, 9_999_999),
    repeat=st.integers(0, 99),
    verdict=st.sampled_from(["PASS", "FAIL", "AGAIN"]),
    reason=st.text(st.characters(exclude_categories=["Cs"]), max_size=80),
    pulse_s=_times,
    given_places=st.tuples(st.booleans(), st.booleans(), st.booleans()),
)
@settings(max_examples=80)
def test_rows_come_back_as_they_were(
    number: int,
    repeat: int,
    verdict: str,
    reason: str,
    pulse_s: float,
    given_places: tuple[bool, bool, bool],
) -> None:
    places = tuple(make_place(pulse_s=pulse_s) if one else None for one in given_places)
    copy = make_copy(number, repeat, verdict=verdict, reason=reason, places=places)
    text = format_head("heron", "a", DESIGN) + format_row(copy, DESIGN)
    (read,) = parse_batch(text).copies
    assert (read.number, read.repeat, read.verdict) == (number, repeat, verdict)
    for one, back in zip(places, read.places, strict=True):
        assert (one is None) == (back is None)
        if back is not None:
            assert back.pulse_s == pytest.approx(pulse_s, abs=0.6e-10)
    # what is no printable sign is spelt out; all else comes back
    if reason.isprintable():
        assert read.reason == reason


@given(cut=st.integers(0, 3000), extra=st.text(max_size=30))
@settings(max_examples=80)
def test_any_text_is_read_or_refused(cut: int, extra: str) -> None:
    text = format_head("heron", "a", DESIGN) + format_row(make_copy(1), DESIGN)
    try:
        batch = parse_batch(text[:cut] + extra + text[cut:])
    except RecordingError:
        return
    assert all(one.number > 0 for one in batch.copies)


# --- labels --------------------------------------------------------------------------------


def make_label(number: int, **changes: object) -> Label:
    label = Label(
        channel="heron",
        batch="autumn-1",
        number=number,
        date="2026-09-01",
        verdict="FAIL",
        low_s=607.23e-6,
        u_low_s=0.11e-6,
        high_s=2384.1e-6,
        u_high_s=0.3e-6,
        period_s=16.2e-3,
        remark="r_on is 47k where 33k belongs, one step of the E6 series higher.",
    )
    return dataclasses.replace(label, **changes)  # type: ignore[arg-type]


def assert_texts_inside(labels: list[Label], sheet: Sheet) -> int:
    """Hold the extent of every text, as matplotlib renders it, against its label's box."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    seen = 0
    for figure in draw_sheets(labels, sheet):
        figure.set_dpi(300.0)
        FigureCanvasAgg(figure).draw()  # type: ignore[no-untyped-call]
        for text in figure.texts:
            place = int(str(text.get_gid()).removeprefix("label-"))
            box = text.get_window_extent()
            left, bottom = sheet.corner_mm(place)
            # a pixel, 0.09 mm, for the raster's rounding
            low = np.array([left, bottom]) - 0.09
            high = np.array([left + sheet.label_mm[0], bottom + sheet.label_mm[1]]) + 0.09
            if text.get_text():
                assert (np.array([box.x0, box.y0]) * 25.4 / 300.0 >= low).all(), text
                assert (np.array([box.x1, box.y1]) * 25.4 / 300.0 <= high).all(), text
                seen += 1
    return seen


def test_a4_takes_24_labels() -> None:
    sheet = Sheet()
    assert (sheet.columns, sheet.rows, sheet.count) == (3, 8, 24)
    assert PAPERS_MM["a4"] == (210.0, 297.0)  # ISO 216:2007, A4
    corners = [sheet.corner_mm(place) for place in range(24)]
    assert corners[0] == pytest.approx((0.0, 296.5 - 37.0))
    assert corners[23] == pytest.approx((140.0, 0.5))


@pytest.mark.parametrize(
    ("paper", "size"), [("a4", (70.0, 37.0)), ("letter", (66.0, 25.0)), ("a4", (25.0, 12.0))]
)
def test_no_text_leaves_its_label(paper: str, size: tuple[float, float]) -> None:
    sheet = Sheet(paper, size)
    labels = [
        make_label(1),
        make_label(123456, channel="W" * 100, batch="M" * 100),
        make_label(3, remark="x" * 400),
        make_label(4, remark="why " * 120, verdict="AGAIN"),
        make_label(5, low_s=None, high_s=None, period_s=None, remark="", verdict="PASS"),
        make_label(6, channel="日本 $x^2$ ♞", remark="Ω µ ± °"),
    ]
    assert assert_texts_inside(labels, sheet) >= 3 * len(labels)


@given(
    channel=st.text(max_size=100),
    remark=st.text(max_size=200),
    number=st.integers(1, 9_999_999),
    width=st.floats(25.0, 105.0),
    height=st.floats(12.0, 70.0),
)
@settings(max_examples=15, deadline=None)
def test_any_text_stays_inside(
    channel: str, remark: str, number: int, width: float, height: float
) -> None:
    labels = [make_label(number, channel=channel, remark=remark)]
    assert_texts_inside(labels, Sheet("a4", (width, height)))


def test_number_is_never_cut() -> None:
    (figure,) = draw_sheets([make_label(1234, channel="W" * 100)], Sheet())
    assert any(text.get_text().endswith("#1234") for text in figure.texts)


def test_pdf_is_true_to_size_and_never_overwrites(tmp_path: Path) -> None:
    path = tmp_path / "labels.pdf"
    assert write_labels(path, [make_label(n) for n in range(1, 28)], Sheet()) == (path,)
    raw = path.read_bytes()
    boxes = re.findall(rb"/MediaBox \[ 0 0 ([0-9.]+) ([0-9.]+) \]", raw)
    assert len(boxes) == 2  # 24 and 3
    for box in boxes:
        # 210 and 297 mm in points of 1/72 inch
        assert [float(one) for one in box] == pytest.approx([595.276, 841.890], abs=0.01)
    with pytest.raises(StoreError, match="there already"):
        write_labels(path, [make_label(1)], Sheet())
    assert path.read_bytes() == raw
    assert sorted(one.name for one in tmp_path.iterdir()) == ["labels.pdf"]


def test_svg_is_a_file_a_sheet(tmp_path: Path) -> None:
    path = tmp_path / "labels.svg"
    written = write_labels(path, [make_label(n) for n in range(1, 28)], Sheet("letter"))
    assert [one.name for one in written] == ["labels.svg", "labels-2.svg"]
    text = path.read_text(encoding="utf-8")
    # 8.5 x 11 inch of 72 points
    assert 'width="612pt"' in text
    assert 'height="792pt"' in text


def test_skipped_labels_stay_blank() -> None:
    figures = draw_sheets([make_label(1), make_label(2)], Sheet(skip=23))
    places = [{str(text.get_gid()) for text in figure.texts} for figure in figures]
    assert places == [{"label-23"}, {"label-0"}]


@pytest.mark.parametrize(
    ("size", "skip"), [((10.0, 37.0), 0), ((70.0, 5.0), 0), ((300.0, 37.0), 0), ((70.0, 37.0), 24)]
)
def test_sheets_that_cannot_be(size: tuple[float, float], skip: int) -> None:
    with pytest.raises(UsageError):
        Sheet("a4", size, skip)
