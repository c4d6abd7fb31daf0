"""Measured servos as files, and designs that name one."""

from __future__ import annotations

import dataclasses
import threading
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog.capture.design_files import store_design
from benchlog.capture.servo_files import (
    KeptServos,
    read_servo_file,
    servo_path,
    servos_beside,
    store_servo,
)
from benchlog.capture.store import Bench, read_design
from benchlog.channel.design import check_channel_name, parse_design
from benchlog.channel.draft import copy_text
from benchlog.channel.kept_servo import (
    KeptServo,
    ServoEnd,
    check_servo_name,
    format_servo,
    parse_servo,
)
from benchlog.channel.servo_curve import ServoPoint
from benchlog.errors import DesignError, StoreError
from tests.command_line import run_here


def _us(value: float) -> float:
    return value / 1e6


KEPT = KeptServo(
    name="lifter",
    found_utc="2026-09-01T10:00:00Z",
    pulse_min_s=_us(533.5),
    pulse_max_s=_us(2431),
    low=ServoEnd("buzz", _us(520.1), _us(4.2), (_us(519.1), _us(521.2))),
    high=ServoEnd("at least", _us(2431.2), _us(0.1)),
    points=(
        ServoPoint(_us(700.25), 12.0),
        ServoPoint(_us(1500), 93.5),
        ServoPoint(_us(2300), 170.0),
    ),
    note='the one with the "red" horn',
)

OWN = "pulse_min_us = 500\npulse_max_us = 2500\nangle_min_deg = 0\nangle_max_deg = 180\n"
OWN += "dead_band_us = 5\n"


@pytest.fixture
def calibration(bench_folder: Path) -> Path:
    return bench_folder / "calibration"


# --- text --------------------------------------------------------------------------


def test_the_file_can_be_read_by_a_person() -> None:
    """What stands in it, whole: written by hand from what was found."""
    assert format_servo(KEPT) == (
        "# A servo that benchlog measured: pulses in microseconds, arm angles in degrees.\n"
        'name = "lifter"\n'
        'found_utc = "2026-09-01T10:00:00Z"\n'
        'note = "the one with the \\"red\\" horn"\n'
        "\n"
        "[range]                  # what it may be sent: past it, it pushes on its stop\n"
        "pulse_min_us = 533.5\n"
        "pulse_max_us = 2431\n"
        "dead_band_us = 5\n"
        "\n"
        "[low_end]\n"
        'how = "buzz"             # it pushed on its stop there\n'
        "pulse_us = 520.1\n"
        "u_us = 4.2               # standard uncertainty (k = 1)\n"
        "tries_us = [519.1, 521.2]\n"
        "\n"
        "[high_end]\n"
        'how = "at least"         # the knob\'s end came first: it follows at least so far\n'
        "pulse_us = 2431.2\n"
        "u_us = 0.1               # standard uncertainty (k = 1)\n"
        "\n"
        "[arm]\n"
        "points = [               # pulse, arm angle\n"
        "  [700.25, 12],\n"
        "  [1500, 93.5],\n"
        "  [2300, 170],\n"
        "]\n"
        "reading_deg = 1.5        # read to within\n"
    )


@settings(max_examples=50)
@given(
    low=st.integers(300_000, 1_000_000),
    span=st.integers(300_000, 2_000_000),
    points=st.lists(st.tuples(st.integers(0, 1000), st.floats(-2, 2)), max_size=9),
    how=st.tuples(st.sampled_from(["buzz", "at least", "given"]), st.floats(0, 50)),
    note=st.text(max_size=20),
)
def test_there_and_back(
    low: int,
    span: int,
    points: list[tuple[int, float]],
    how: tuple[str, float],
    note: str,
) -> None:
    """Nanosecond figures come back as they were, and so does the servo made of them."""
    read = sorted({share: off for share, off in points}.items())
    arm = tuple(
        ServoPoint(_us(round((low + share * span / 1000) / 1000, 3)), round(share * 0.17 + off, 2))
        for share, off in read
    )
    u_s = _us(round(how[1], 3)) if how[0] != "given" else 0.0
    kept = KeptServo(
        name="lifter",
        found_utc="2026-09-01T10:00:00Z",
        pulse_min_s=_us(low / 1000),
        pulse_max_s=_us((low + span) / 1000),
        low=ServoEnd(how[0], _us(low / 1000), u_s),  # type: ignore[arg-type]
        high=ServoEnd("given", _us((low + span) / 1000)),
        points=arm,
        reading_deg=2.0 if arm else 1.5,  # without points there is none to be kept
        note="".join(c for c in note if c.isprintable()),
    )
    try:
        servo = kept.servo()
    except DesignError:
        with pytest.raises(DesignError, match="line"):
            parse_servo(format_servo(kept), "a.toml")
        return
    again = parse_servo(format_servo(kept), "a.toml")
    assert again == kept
    assert again.servo() == servo


def test_written_by_hand_with_the_least_that_is_needed() -> None:
    text = 'name = "a"\nfound_utc = "2026-09-01T10:00:00Z"\n[range]\npulse_min_us = 600\n'
    kept = parse_servo(text + "pulse_max_us = 2400\n", "a.toml")
    assert kept.low == ServoEnd("given", _us(600))
    assert not kept.has_angles
    assert kept.servo().angle_deg(1500e-6) == pytest.approx(90.0)


GOOD = format_servo(KEPT)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("pulse_min_us = 533.5", "pulse_min_us = 2500", r"line 8: range\.pulse_max_us = 2431"),
        ("pulse_min_us = 533.5", "", r"range\.pulse_min_us is missing"),
        ("pulse_min_us = 533.5", 'pulse_min_us = "x"', r"line 7: range\.pulse_min_us = 'x'"),
        ('"lifter"', '"a.b"', r"line 2: servo name 'a\.b' holds a dot"),
        ('"lifter"', "3", r"line 2: servo name 3 is not text"),
        ("2026-09-01T", "2026-9-1T", r"line 3: found_utc = '2026-9-1T"),
        ('"buzz"', '"felt"', r"line 12: low_end\.how = 'felt'; expected one of"),
        ("u_us = 4.2", "u_us = -1", r"line 14: low_end\.u_us = -1"),
        ("[519.1, 521.2]", "[519.1, true]", r"line 15: low_end\.tries_us"),
        ("[1500, 93.5]", "[1500, 93.5, 1]", r"line 23: arm\.points = \[1500, 93\.5, 1\]"),
        ("[1500, 93.5]", '[1500, "x"]', r"line 23: arm\.points"),
        ("[1500, 93.5]", "[1500, 193.5]", r"line 23: arm angles that turn back"),
        ("[1500, 93.5]", "[1500, nan]", r"line 23: arm\.points"),
        ("reading_deg = 1.5", "reading_deg = 0", r"line 28: arm\.reading_deg = 0"),
        ("reading_deg = 1.5", "angle_max_deg = 90", r"line 28: arm\.angle_max_deg beside arm\.poi"),
        ("dead_band_us", "dead_bnd_us", r"line 9: unknown key 'range\.dead_bnd_us'.*dead_band_us"),
        ("[arm]", "[arm", r"line 22: .*cannot be read as TOML"),
    ],
)
def test_what_is_wrong_is_named(old: str, new: str, said: str) -> None:
    assert old in GOOD
    with pytest.raises(DesignError, match=said):
        parse_servo(GOOD.replace(old, new, 1), "a.toml")


# --- files -------------------------------------------------------------------------


def test_measured_again_the_older_one_is_kept_under_its_date(calibration: Path) -> None:
    path, older = store_servo(calibration, KEPT)
    assert path == calibration / "servos" / "lifter.toml"
    assert older is None
    newer = dataclasses.replace(KEPT, found_utc="2026-10-01T10:00:00Z", note="again")
    path, older = store_servo(calibration, newer)
    assert older == calibration / "servos" / "lifter.20260901T100000Z.toml"
    assert read_servo_file(older) == KEPT
    assert read_servo_file(path) == newer
    assert list(KeptServos(path.parent)) == ["lifter"]
    assert sorted(one.name for one in path.parent.iterdir()) == [older.name, path.name]


def test_what_was_changed_by_hand_is_kept_byte_for_byte(calibration: Path) -> None:
    path, _ = store_servo(calibration, KEPT)
    for content in (b"# nonsense\xff\n", GOOD.replace("lifter", "other").encode()):
        path.write_bytes(content)
        _, older = store_servo(calibration, KEPT)
        assert older is not None
        assert older.read_bytes() == content
        assert read_servo_file(path) == KEPT
    count = len(list(path.parent.iterdir()))
    store_servo(calibration, KEPT)
    store_servo(calibration, KEPT)
    assert len(list(path.parent.iterdir())) == count + 2  # of one second, and none is lost


def test_two_at_the_same_moment_lose_nothing(calibration: Path) -> None:
    notes = [f"try {number}" for number in range(8)]
    faults: list[BaseException] = []

    def keep(note: str) -> None:
        try:
            store_servo(calibration, dataclasses.replace(KEPT, note=note))
        except BaseException as fault:  # noqa: BLE001 - told below
            faults.append(fault)

    threads = [threading.Thread(target=keep, args=(note,)) for note in notes]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    assert not faults
    found = [read_servo_file(path).note for path in (calibration / "servos").iterdir()]
    assert sorted(found) == notes


def test_a_crash_before_the_new_one_is_in_place_loses_nothing(
    calibration: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from benchlog.capture import servo_files

    path, _ = store_servo(calibration, KEPT)

    def fail(path: Path, text: str) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(servo_files, "replace_text", fail)
    with pytest.raises(StoreError, match="is full"):
        store_servo(calibration, dataclasses.replace(KEPT, note="again"))
    assert read_servo_file(path) == KEPT


@pytest.mark.parametrize("name", ["", "a/b", "..", "a.b", "con", "x" * 90, "-a", "servos"])
def test_names_that_cannot_be(name: str, calibration: Path) -> None:
    with pytest.raises(DesignError, match="servo name"):
        servo_path(calibration, name)


def test_a_channel_cannot_be_called_servos(bench_folder: Path) -> None:
    store_servo(bench_folder / "calibration", KEPT)
    bench = Bench(bench_folder)
    assert bench.channels() == ["heron"]
    for name in ("servos", "Servos"):
        with pytest.raises(DesignError, match="is the folder of the measured servos"):
            check_channel_name(name)
        with pytest.raises(StoreError, match="is the folder of the measured servos"):
            bench.design_path(name)
    out = run_here("new", "servos", "--yes", cwd=bench_folder)
    assert out.status == 2
    assert "is the folder of the measured servos" in out.err
    assert check_servo_name("heron") == "heron"


# --- designs that name one ---------------------------------------------------------


def _named(text: str, name: str = "lifter") -> str:
    assert OWN in text
    return text.replace(OWN, f'model = "{name}"\n')


def test_a_design_takes_the_servo_of_its_bench(calibration: Path, heron_text: str) -> None:
    store_servo(calibration, KEPT)
    path = calibration / "heron" / "design.toml"
    path.write_text(_named(heron_text), encoding="utf-8")
    design = read_design(path)
    assert design.servo == KEPT.servo()
    assert design.servo.name == "lifter"
    assert design.servo.end_stop(_us(533)) == "low"
    assert servos_beside(Path("design.toml")).folder == Path.cwd().parent / "servos"


def test_a_new_design_may_name_one(calibration: Path, heron_text: str) -> None:
    store_servo(calibration, KEPT)
    text = _named(heron_text.replace('"heron"', '"moon"'))
    _, design = store_design(Bench(calibration.parent), "moon", text)
    assert design.servo == KEPT.servo()
    assert 'model = "lifter"' in copy_text(design, "boat", "design.toml")
    out = run_here("new", "boat", "--like", "moon", cwd=calibration.parent)
    assert out.status in (0, 1), out
    assert read_design(calibration / "boat" / "design.toml").servo == KEPT.servo()


def test_what_is_kept_beside_a_table_means_the_same_for_ever(heron_text: str) -> None:
    servo = KEPT.servo()
    for text in (
        _named(heron_text),
        _named(heron_text).replace("\n", "\r\n"),
        'servo = { model = "lifter" }\n' + heron_text.replace("[servo]\n" + OWN, ""),
        'servo.model = "lifter"  # ours\n' + heron_text.replace("[servo]\n" + OWN, ""),
    ):
        design = parse_design(text, "design.toml", {"lifter": servo})
        assert design.whole_text != text
        again = parse_design(design.whole_text, "table")
        assert again.servo == servo == design.servo
        assert again.whole_text == design.whole_text
        assert dataclasses.replace(again, text="") == dataclasses.replace(design, text="")
    plain = parse_design(heron_text, "design.toml")
    assert plain.whole_text == heron_text


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        ('model = "lifer"', r"servo\.model = 'lifer'; expected one of .*: lifter; try: model = "),
        ("model = 3", r"servo\.model = 3; expected one of the measured servos"),
        ('model = "lifter"\nassumed = true', r"servo\.assumed beside servo\.model = 'lifter'"),
        ('model = "lifter"\npulse_min_us = 5', r"servo\.pulse_min_us beside servo\.model"),
        ('"mod\\u0065l" = "lifter"', r"cannot be followed"),
    ],
)
def test_a_name_that_cannot_be_taken(lines: str, said: str, heron_text: str) -> None:
    text = heron_text.replace(OWN, lines + "\n")
    with pytest.raises(DesignError, match=said):
        parse_design(text, "design.toml", {"lifter": KEPT.servo()})


def test_a_name_where_there_are_none(heron_text: str) -> None:
    text = _named(heron_text)
    with pytest.raises(DesignError, match=r"line 20: servo.model = 'lifter'.*none yet.*servo NAME"):
        parse_design(text, "design.toml", {})
    with pytest.raises(DesignError, match="cannot be looked up here"):
        parse_design(text, "design.toml")


def test_a_broken_servo_is_told_only_to_designs_that_use_it(
    calibration: Path, heron_text: str
) -> None:
    path, _ = store_servo(calibration, KEPT)
    path.write_text("nonsense", encoding="utf-8")
    design = calibration / "heron" / "design.toml"
    assert read_design(design).servo.name is None
    design.write_text(_named(heron_text), encoding="utf-8")
    with pytest.raises(DesignError, match=r"lifter\.toml, line 1: 'nonsense' cannot be read"):
        read_design(design)


def test_predicting_with_a_named_servo(calibration: Path, heron_text: str) -> None:
    store_servo(calibration, KEPT)
    (calibration / "heron" / "design.toml").write_text(_named(heron_text), encoding="utf-8")
    out = run_here("predict", "heron", "--plot", "a.svg", cwd=calibration.parent)
    assert out.status in (0, 1), out
    assert "533.5 to 2431 µs" in out.out
    assert "is assumed" not in out.out + out.err


# --- a range that nobody knows -------------------------------------------------------


def test_an_assumed_range_is_said_to_be(heron_text: str, bench_folder: Path) -> None:
    text = heron_text.replace(OWN, "pulse_min_us = 1000\npulse_max_us = 2000\nassumed = true\n")
    design = parse_design(text, "design.toml")
    assert design.servo.assumed
    ((code, said),) = design.warnings
    assert code == "servo-assumed"
    assert said.startswith("the servo's range of 1000 to 2000 µs is assumed")
    (bench_folder / "calibration" / "heron" / "design.toml").write_text(text, encoding="utf-8")
    out = run_here("predict", "heron", cwd=bench_folder)
    assert "is assumed" in out.err + out.out


def test_new_writes_that_it_assumed_the_range(bench_folder: Path) -> None:
    parts = ("--r-on", "33k", "--r-knob", "100k", "--r-off", "820k", "--c-timing", "22n")
    words = ("--supply", "6", "--timer", "TLC555", "--yes")
    out = run_here("new", "moon", *parts, *words, cwd=bench_folder)
    assert out.status in (0, 1), out
    design = read_design(bench_folder / "calibration" / "moon" / "design.toml")
    assert design.servo.assumed
    assert (design.servo.pulse_min_s, design.servo.pulse_max_s) == (1e-3, 2e-3)
    out = run_here("new", "boat", *parts, *words, "--servo", "500 to 2500", cwd=bench_folder)
    assert not read_design(bench_folder / "calibration" / "boat" / "design.toml").servo.assumed
