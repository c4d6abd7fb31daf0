"""The picture of a diagnosis: what stands in it, where, and that nothing covers anything."""

from __future__ import annotations

import re
import zlib
from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
import pytest

from benchlog.diagnosis.finding import Diagnosis, Heard, InputDiagnosis, Part
from benchlog.diagnosis.findings import diagnose
from benchlog.recording import EdgeList
from benchlog.show import diagnosis_plot
from benchlog.show.diagnosis_cloud import CAUSE_STYLES
from benchlog.show.diagnosis_plot import draw_diagnosis
from benchlog.timing.edges import edges_from_list
from benchlog.timing.pulses import measure_edges
from tests.picture_checks import check_layout, leave_out, strong_lines
from tests.simulated_faults import draw_case


def heard_list(
    pulses: int, on_s: float = 1.5e-3, off_s: float = 10e-3, name: str = "a.csv"
) -> Heard:
    times = np.cumsum(np.tile([off_s, on_s], pulses))
    level = np.tile([True, False], pulses)
    end_s = float(times[-1]) + 1e-3
    measured = measure_edges(edges_from_list(EdgeList(times, level, 1e-6, 0.0, end_s)), input_=1)
    assert measured is not None
    return Heard(measured, name)


@lru_cache(maxsize=32)
def draw_found(kind: str, seed: int = 1, seconds: float = 12.0) -> Diagnosis:
    case = draw_case(kind, seed, duration_s=seconds)
    return diagnose(case.heard(with_design=kind.startswith("end-stop")))


KINDS = (
    "healthy",
    "wiper-and-battery",
    "mains-60",
    "missing-pulses",
    "end-stop-high",
)


@pytest.mark.parametrize("kind", KINDS)
def test_no_text_covers_another(kind: str) -> None:
    diagnosis = draw_found(kind)
    texts = check_layout(diagnosis_plot._draw("heron", diagnosis))
    told = " ".join(texts)
    first = diagnosis.findings[0]
    for word in first.what.split():
        assert word in told
    assert {"pulse / µs", "rest / µs", "time / s", "frequency of the movement / Hz"} <= set(texts)


def test_events_and_stops_are_in_the_picture() -> None:
    found = draw_found("missing-pulses")
    missing = sum(one.count for one in found.inputs[0].events[0].of_kind("missing-pulse"))
    assert missing > 0
    assert f"missing pulses: {missing}" in check_layout(diagnosis_plot._draw("x", found))
    found = draw_found("end-stop-high")
    stop = found.inputs[0].end_stop
    assert stop is not None
    texts = check_layout(diagnosis_plot._draw("x", found))
    assert f"high end stop: {round(1e6 * stop.limit_s, 1):g} µs" in texts


def test_the_bars_say_what_the_findings_say() -> None:
    found = draw_found("wiper-and-battery")
    texts = check_layout(diagnosis_plot._draw("x", found))
    told = [one.part for one in found.findings if one.part is not None]
    assert told
    for part in told:
        shown = f"{100.0 * part.share:.0f} %"
        assert any(text.startswith(shown) for text in texts) or part.low >= 0.9
    # another channel's pull, taken from what the cloud's causes seemed to do, has a bar of its own
    one = found.inputs[0]
    neighbour = replace(one.findings[0], cause="neighbour", part=Part(0.7, 0.6, 0.8, "pulse"))
    pulled = replace(one, findings=(neighbour,))
    figure = diagnosis_plot._draw("x", Diagnosis((neighbour,), (pulled,)))
    texts = check_layout(figure)
    assert {"another channel", "70 % (60 to 80 %)", "30 %"} <= set(texts)


def test_two_inputs_have_a_column_each() -> None:
    one, other = draw_found("wiper-and-battery").inputs[0], draw_found("healthy").inputs[0]
    two = replace(other, input=2)
    both = Diagnosis(one.findings + two.findings, (one, two))
    figure = diagnosis_plot._draw("stage.flac", both)
    texts = check_layout(figure)
    assert {"stage.flac, input 1", "stage.flac, input 2"} <= set(texts)
    assert figure.get_size_inches()[0] == pytest.approx(20.0)
    limits = [axes.get_xlim() for axes in figure.axes if axes.get_xlabel() == "time / s"]
    assert len(limits) == 2
    assert limits[0] == limits[1]


def test_of_several_recordings_the_restless_one_is_drawn() -> None:
    calm, restless = draw_found("healthy").inputs[0], draw_found("wiper-and-battery").inputs[0]
    names = ("calm.flac", "restless.flac")
    fields: dict[str, Any] = {
        name: (*getattr(calm, name), *getattr(restless, name))
        for name in ("cycles", "directions", "searches", "events", "end_stops", "steps", "loads")
    }
    heard = tuple(
        replace(one.heard[0], file=name) for one, name in zip((calm, restless), names, strict=True)
    )
    together: InputDiagnosis = replace(restless, heard=heard, **fields)
    texts = check_layout(diagnosis_plot._draw("heron", Diagnosis(restless.findings, (together,))))
    assert any(text.startswith("recording 2 of 2, restless.flac: ") for text in texts)


@pytest.mark.parametrize("pulses", [3, 20])
def test_short_lists_of_edges(pulses: int) -> None:
    texts = check_layout(diagnosis_plot._draw("a.csv", diagnose([heard_list(pulses)])))
    assert any("not enough to tell" in text for text in texts)
    assert "Too few cycles in a row for a spectrum." in texts


@pytest.mark.parametrize("count", [0, 1])
def test_without_cycles_the_finding_stands_alone(count: int) -> None:
    diagnosis = diagnose([heard_list(8)])
    one = diagnosis.inputs[0]
    kept = np.arange(one.cycles[0].count) < count
    empty = replace(one, cycles=(leave_out(one.cycles[0], kept),))
    figure = diagnosis_plot._draw("a.csv", replace(diagnosis, inputs=(empty,)))
    texts = check_layout(figure)
    assert "There are no whole cycles to draw." in texts
    assert not figure.axes


def test_a_short_recording_accuses_nobody() -> None:
    diagnosis = draw_found("wiper-wandering", 5, 2.0)
    assert [one.cause for one in diagnosis.findings] == ["not-enough-to-tell"]
    figure = diagnosis_plot._draw("heron", diagnosis)
    assert "What it looks like, unproven" in check_layout(figure)
    assert all(strong_lines(axes) == {} for axes in figure.axes)


def test_odd_names() -> None:
    name = "captures/$x_1$ 七 [busy]\n" + "wide-" * 40 + ".wav"
    diagnosis = diagnose([heard_list(3, name=name)])
    assert draw_diagnosis(name, diagnosis, "png")


def test_all_formats_hold_their_fonts_and_nothing_of_the_day() -> None:
    diagnosis = diagnose([heard_list(20)])
    for form, begin in (("png", b"\x89PNG\r\n"), ("svg", b"<?xml"), ("pdf", b"%PDF-")):
        picture = draw_diagnosis("heron", diagnosis, form)
        assert picture.startswith(begin)
        assert form != "svg" or picture == draw_diagnosis("heron", diagnosis, form)
        if form == "svg":
            assert b"<text" not in picture  # letters are outlines: no font is needed
        if form == "pdf":
            # a stream is unpacked from its beginning on: its end is in its own data
            streams = [
                zlib.decompressobj().decompress(picture[match.end() :])
                for match in re.finditer(rb"FlateDecode[^>]*>>\s*stream\r?\n", picture)
            ]
            assert streams
            assert b"/FontFile2" in b"".join([picture, *streams])


def test_leading_causes_stay_apart_in_grey() -> None:
    """Luma weights of Rec. 601, from memory; a printer keeps 0.1 apart (common practice)."""
    grey = sorted(
        float(np.array([int(colour[at : at + 2], 16) for at in (1, 3, 5)]) @ [0.299, 0.587, 0.114])
        / 255.0
        for colour, _ in CAUSE_STYLES
    )
    assert min(np.diff([*grey, 1.0])) > 0.1
    assert len({str(dash) for _, dash in CAUSE_STYLES}) == len(CAUSE_STYLES)
