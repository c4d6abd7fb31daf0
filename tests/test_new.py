"""`benchlog new`: with flags, in a terminal, and what it never does."""

from __future__ import annotations

import json
import os
import select
import signal
import sys
from pathlib import Path

import pytest

from benchlog.capture.store import read_design
from benchlog.channel.design import predict_cycle
from tests.command_inputs import check_line
from tests.command_line import Outcome, command_words, plain_environment, run_here, run_process

PARTS = (
    "--supply", "4 AA", "--timer", "TLC555", "--r-on", "orange orange orange gold",
    "--r-knob", "B100K", "--r-off", "820k 1%", "--c-timing", "223J", "--servo", "500 to 2500",
)  # fmt: skip


def design_of(bench: Path, channel: str) -> Path:
    return bench / "calibration" / channel / "design.toml"


def files_in(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }


# --- without asking ---


def test_flags_alone_write_the_design(bench_folder: Path) -> None:
    outcome = run_here("new", "moon", *PARTS, cwd=bench_folder)
    assert outcome.status == 0, outcome
    design = read_design(design_of(bench_folder, "moon"))
    assert [part.value for part in design.parts] == [33e3, 100e3, 820e3, 22e-9]
    assert [part.tolerance for part in design.parts] == [0.05, 0.20, 0.01, 0.05]
    assert (design.channel, design.timer.name, design.supply.value) == ("moon", "cmos", 6.0)
    assert design.knob.travel_deg == 270.0
    assert "605 to 2371 µs" in outcome.out
    assert "stays within the servo's 500 to 2500 µs" in " ".join(outcome.out.split())
    # what was taken for granted is said
    assert "--travel was not given: 270°" in outcome.err
    assert run_here("predict", "moon", cwd=bench_folder).status == 0


def test_json_is_one_object(bench_folder: Path) -> None:
    outcome = run_here("new", "moon", *PARTS, "--json", cwd=bench_folder)
    told = json.loads(outcome.out)
    assert told["channel"] == "moon"
    assert Path(bench_folder / told["file"]).is_file()
    assert told["pulse_min_us"] < told["pulse_max_us"]
    assert told["r_on_tolerance"] == 0.05
    assert not told["past_low_stop"]
    assert any("--travel" in note for note in told["notes"])


def test_an_unknown_servo_gets_a_cautious_range_and_status_1(bench_folder: Path) -> None:
    outcome = run_here("new", "moon", *PARTS[:-2], cwd=bench_folder)
    assert outcome.status == 1
    design = read_design(design_of(bench_folder, "moon"))
    assert (design.servo.pulse_min_s, design.servo.pulse_max_s) == (1e-3, 2e-3)
    assert "cautious" in design.text
    assert "pushes against its stop" in " ".join(outcome.out.split())
    assert "r_on of" in outcome.out


def test_a_pause_that_no_servo_takes_is_said(bench_folder: Path) -> None:
    flags = (*without("--c-timing"), "--c-timing", "22u")
    outcome = run_here("new", "moon", *flags, cwd=bench_folder)
    assert outcome.status == 1
    assert "look again at r_off and c_timing" in " ".join(outcome.out.split())


def without(flag: str) -> tuple[str, ...]:
    """Return the flags without one of them."""
    place = PARTS.index(flag)
    return PARTS[:place] + PARTS[place + 2 :]


@pytest.mark.parametrize("flag", ["--supply", "--r-on", "--r-knob", "--r-off", "--c-timing"])
def test_a_missing_answer_is_one_line(bench_folder: Path, flag: str) -> None:
    before = files_in(bench_folder)
    outcome = run_here("new", "moon", *without(flag), cwd=bench_folder)
    assert outcome.status == 2
    check_line(outcome)
    assert outcome.err.startswith(f"new without {flag};")
    assert files_in(bench_folder) == before


@pytest.mark.parametrize(
    ("flag", "words", "message"),
    [
        ("--supply", "mains", "never mains"),
        ("--supply", "230", "never mains"),
        ("--supply", "24", "never mains"),
        ("--timer", "555", "does not tell the timer's family"),
        ("--r-on", "yelow violet red gold", "try: yellow"),
        ("--r-on", "[red]33k[/red]", "is no resistor"),
        ("--c-timing", "22", "does not say"),
        ("--r-knob", "B500", "may be 500"),
        ("--diode", "LED", "no figures are known"),
        ("--servo", "2500 to 500", "the shorter first"),
        ("--servo-angles", "0", "--servo-angles"),
        ("--travel", "round", "degrees from stop to stop"),
        ("--longer", "up", "clockwise or anticlockwise"),
        ("--taper", "l", "linear or log"),
    ],
)
def test_a_wrong_answer_is_one_line(
    bench_folder: Path, flag: str, words: str, message: str
) -> None:
    flags = without(flag) if flag in PARTS else PARTS
    before = files_in(bench_folder)
    outcome = run_here("new", "moon", *flags, flag, words, cwd=bench_folder)
    assert outcome.status == 2
    check_line(outcome)
    assert message in outcome.err
    assert flag in outcome.err
    assert files_in(bench_folder) == before


def test_a_knob_marked_a_wants_its_taper(bench_folder: Path) -> None:
    flags = (*without("--r-knob"), "--r-knob", "A100K")
    outcome = run_here("new", "moon", *flags, cwd=bench_folder)
    assert outcome.status == 2
    assert "makers differ in what the letter A means" in outcome.err
    assert run_here("new", "moon", *flags, "--taper", "log", cwd=bench_folder).status in (0, 1)
    assert read_design(design_of(bench_folder, "moon")).knob.taper == "log"


def test_bands_that_read_both_ways_are_said(bench_folder: Path) -> None:
    flags = (*without("--r-on"), "--r-on", "brown black black red brown")
    outcome = run_here("new", "moon", *flags, cwd=bench_folder)
    assert "from the other end it would be 120 Ω" in outcome.err
    assert read_design(design_of(bench_folder, "moon")).r_on.value == 10e3


def test_a_circuit_that_cannot_oscillate_is_not_written(bench_folder: Path) -> None:
    # 10 ohm against a discharge transistor of 14 ohm: the capacitor is never emptied.
    flags = (*without("--r-on"), "--r-on", "10", "--yes")
    outcome = run_here("new", "moon", *flags, cwd=bench_folder)
    assert outcome.status == 2
    assert "cannot oscillate" in outcome.err
    assert not design_of(bench_folder, "moon").exists()


def test_nothing_is_overwritten(bench_folder: Path) -> None:
    before = files_in(bench_folder)
    for words in (PARTS, ("--like", "heron")):
        outcome = run_here("new", "heron", *words, cwd=bench_folder)
        assert outcome.status == 2
        assert "is there already" in outcome.err
    assert files_in(bench_folder) == before


def test_like_copies_a_design(bench_folder: Path) -> None:
    outcome = run_here("new", "moon", "--like", "heron", cwd=bench_folder)
    assert outcome.status == 0, outcome
    text = design_of(bench_folder, "moon").read_text(encoding="utf-8")
    original = design_of(bench_folder, "heron").read_text(encoding="utf-8")
    assert text.splitlines()[2:] == original.splitlines()[1:]
    assert read_design(design_of(bench_folder, "moon")).channel == "moon"


def test_like_takes_a_file_too_and_no_parts(bench_folder: Path, heron_design: Path) -> None:
    assert run_here("new", "a", "--like", heron_design, cwd=bench_folder).status == 0
    outcome = run_here("new", "b", "--like", "heron", "--servo", "1 to 2", cwd=bench_folder)
    assert outcome.status == 2
    assert "--like together with --servo" in outcome.err
    outcome = run_here("new", "b", "--like", "../../x", cwd=bench_folder)
    assert outcome.status == 2
    check_line(outcome)


def test_no_bench_folder_is_made_unasked(tmp_path: Path) -> None:
    outcome = run_here("new", "moon", *PARTS, cwd=tmp_path)
    assert outcome.status == 2
    assert "--make-bench" in outcome.err
    assert list(tmp_path.iterdir()) == []
    outcome = run_here("new", "moon", *PARTS, "--bench", "b c", "--make-bench", cwd=tmp_path)
    assert outcome.status == 0
    assert sorted(one.name for one in (tmp_path / "b c").iterdir()) == ["calibration", "captures"]


@pytest.mark.parametrize(
    "name",
    ["../x", "a/b", "a\\b", "[red]x[/red]", "<b>x</b>", ".x", "x\x1b[31m", "x\ny", "", "con",
     "x" * 65, "a:b", "..", "C:\\x"],
)  # fmt: skip
def test_a_name_does_nothing_but_name(bench_folder: Path, name: str) -> None:
    before = files_in(bench_folder.parent)
    outcome = run_here("new", name, *PARTS, cwd=bench_folder)
    assert outcome.status == 2
    check_line(outcome)
    assert files_in(bench_folder.parent) == before


def test_a_name_with_a_leading_dash_is_a_name(bench_folder: Path) -> None:
    outcome = run_here("new", *PARTS, "--", "-x", cwd=bench_folder)
    assert outcome.status == 2
    assert "channel name '-x'" in outcome.err


@pytest.mark.parametrize("name", ["stage-left_2", "süd 2", "Möwe.alt"])
def test_unusual_names_that_can_be_folders(bench_folder: Path, name: str) -> None:
    assert run_here("new", name, "--like", "heron", cwd=bench_folder).status == 0
    assert read_design(design_of(bench_folder, name)).channel == name
    assert run_here("predict", name, cwd=bench_folder).status == 0


def test_a_pipe_is_not_asked(bench_folder: Path) -> None:
    outcome = run_process("new", "moon", cwd=bench_folder)
    assert outcome.status == 2
    assert outcome.err.startswith("new without --supply, --r-on,")


# --- parts proposed for an aim ---

AIM = ("--aim", "600", "2400", "20", "--supply", "6", "--timer", "TLC555", "--servo", "500 to 2500")


def test_an_aim_alone_writes_a_design(bench_folder: Path) -> None:
    outcome = run_here("new", "moon", *AIM, cwd=bench_folder)
    assert outcome.status == 0, outcome
    design = read_design(design_of(bench_folder, "moon"))
    assert design.text.startswith("# Parts proposed for 600 to 2400 µs every 20 ms.")
    ends = predict_cycle(design, [0.0, 270.0, 135.0])
    # within a tenth of the way, which is what 'fit' counts by
    assert abs(ends.on_s[0] - 600e-6) < 180e-6
    assert abs(ends.on_s[1] - 2400e-6) < 180e-6
    assert ends.period_s[2] == pytest.approx(20e-3, rel=0.05)
    lines = outcome.out.splitlines()
    assert lines[0] == "Parts for 600 to 2400 µs every 20 ms, at 6 V"
    assert max(map(len, lines[:9])) <= 80
    assert [line.split()[0] for line in lines[3:8]] == ["1", "2", "3", "4", "5"]
    assert "stays within the servo's 500 to 2500 µs" in " ".join(outcome.out.split())
    assert run_here("predict", "moon", cwd=bench_folder).status in (0, 1)


def test_proposals_as_json(bench_folder: Path) -> None:
    flags = ("--r-knob", "100k 3%", "--c-timing", "22n 2.5%", "--choose", "2", "--trimmers")
    outcome = run_here("new", "moon", *AIM, *flags, "--json", cwd=bench_folder)
    assert outcome.status in (0, 1), outcome
    told = json.loads(outcome.out)
    assert told["aim"] == {"low_us": 600.0, "high_us": 2400.0, "period_us": 20000.0}
    assert told["chosen"] == 2
    assert len(told["proposals"]) > 1
    assert told["trimmers"] is True
    design = read_design(design_of(bench_folder, "moon"))
    chosen = told["proposals"][told["chosen"] - 1]
    assert design.r_on_trimmer_ohm == chosen["r_on_trimmer_ohm"] > 0
    assert design.r_on.value == chosen["r_on_fixed_ohm"] + chosen["r_on_trimmer_ohm"] / 2
    assert (design.r_knob.value, design.r_knob.tolerance) == (100e3, 0.03)
    assert (design.c_timing.value, design.c_timing.tolerance) == (22e-9, 0.025)


def test_an_unknown_servo_is_taken_from_the_aim(bench_folder: Path) -> None:
    outcome = run_here("new", "moon", *AIM[:-2], cwd=bench_folder)
    assert outcome.status == 0
    design = read_design(design_of(bench_folder, "moon"))
    # 5 % of the way between the ends at either side
    assert (design.servo.pulse_min_s, design.servo.pulse_max_s) == pytest.approx((510e-6, 2490e-6))
    assert "taken from the aim: look up the servo's own" in design.text
    assert "taken from the aim" in outcome.err


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("--aim", "2400", "600", "20"), "the other way round"),
        (("--aim", "600", "600", "20"), "that differ"),
        (("--aim", "600", "2400", "2"), "longer than the longest pulse"),
        (("--aim", "600", "2600", "20"), "within the servo's range"),
        (("--aim", "1499", "1501", "20"), "no usual parts"),
        (("--aim", "600ms", "2400", "20"), "is not a pulse in µs"),
        (("--aim", "600", "x", "20"), "is not a pulse in µs"),
        (("--aim", "600", "2400", "20us"), "is not a period in ms"),
        (("--aim", "600", "-2400", "20"), "is not a pulse in µs"),
        (("--aim", "1", "2400", "20"), "a pulse of 10 to 100000 µs"),
        (("--aim", "[red]6[/red]", "2400", "20"), "is not a pulse in µs"),
        (("--aim", "600", "2400"), "expected three numbers, LOW_US HIGH_US PERIOD_MS; try: --aim"),
        (("--aim", "600", "2400", "--taper", "log"), "three numbers, LOW_US HIGH_US PERIOD_MS"),
        (("--aim", "600", "2400", "20000"), "try: --aim 600 2400 20 (the period is in ms: 20)"),
        (("--aim", "600", "2400", "50000000"), "at most 1000 ms; try: --aim 600 2400 20 "),
        (("--aim", "0.6", "2.4", "20"), "try: --aim 600 2400 20 (pulses are in µs: 600 2400)"),
        (("--aim", "0.0006", "0.0024", "0.02"), "20 (pulses are in µs: 600 2400)"),
        (("--aim", "600", "2400", "20", "--choose", "9"), "--choose 9"),
        (("--aim", "600", "2400", "20", "--choose", "x"), "is no proposal's number"),
        (("--aim", "600", "2400", "20", "--like", "heron"), "--like together with --aim"),
        (("--aim", "600", "2400", "20", "--r-on", "30k + trimmer 10k"), "leaving --r-on out"),
        (("--aim", "600", "2400", "20", "--diode", "none"), "a steering diode"),
        (("--choose", "1"), "--choose without --aim"),
        (("--trimmers",), "--trimmers without --aim"),
    ],
)
def test_an_aim_that_cannot_be_met_is_one_line(
    bench_folder: Path, words: tuple[str, ...], message: str
) -> None:
    before = files_in(bench_folder)
    outcome = run_here("new", "moon", *AIM[4:], *words, cwd=bench_folder)
    assert outcome.status == 2
    check_line(outcome)
    assert message in outcome.err
    assert files_in(bench_folder) == before


def test_an_aim_still_wants_the_supply(bench_folder: Path) -> None:
    outcome = run_here("new", "moon", *AIM[:4], cwd=bench_folder)
    assert outcome.status == 2
    check_line(outcome)
    assert outcome.err.startswith(
        "new without --supply; expected the supply in volts or cells; try: --supply 6"
    )


def test_the_chosen_proposal_is_told_in_full(bench_folder: Path) -> None:
    outcome = run_here("new", "moon", *AIM, "--choose", "2", cwd=bench_folder)
    assert outcome.status == 0
    said = " ".join(outcome.out.split())
    design = read_design(design_of(bench_folder, "moon"))
    low_us, high_us = 1e6 * predict_cycle(design, [0.0, 270.0]).on_s
    assert f" 2 as marked: {low_us:.0f} to {high_us:.0f} µs" in said
    assert " 2 with trimmers: " in said
    assert "1 as marked" not in said


# --- in a terminal ---

ANSWERS = (
    ("What stands on the timer", "TLC555"),
    ("What feeds it", "4 AA"),
    ("r_on, from the supply", "orange orange orange gold"),
    ("r_knob, what stands", "100k lin"),
    ("How far it turns", ""),
    ("Turned which way", ""),
    ("r_off, from the knob", "820k"),
    ("c_timing, what stands", "223J"),
    ("The steering diode", ""),
    ("The servo's shortest", "500 to 2500"),
    ("The arm's angles", ""),
)


class Terminal:
    """A pseudo-terminal with benchlog behind it."""

    def __init__(self, *words: str, cwd: Path) -> None:
        import pty

        self.pid, self.fd = pty.fork()
        if self.pid == 0:
            os.chdir(cwd)
            environment = plain_environment() | {"COLUMNS": "200", "TERM": "dumb"}
            os.execvpe(sys.executable, command_words(*words), environment)
        self.seen = ""
        self.read_to = 0

    def wait_for(self, words: str) -> None:
        """Read until `words` appear after what was waited for before."""
        while words not in self.seen[self.read_to :]:
            piece = self.read_some()
            assert piece, f"it ended before {words!r}: {self.seen!r}"
            self.seen += piece.decode("utf-8", "replace")
        self.read_to = self.seen.index(words, self.read_to) + len(words)

    def read_some(self) -> bytes:
        """Return what has come; nothing at the end. A minute of silence is a hang."""
        if not select.select([self.fd], [], [], 60.0)[0]:
            os.kill(self.pid, signal.SIGKILL)
            raise AssertionError(f"it says no more after {self.seen!r}")
        try:
            return os.read(self.fd, 4096)
        except OSError:
            return b""

    def answer(self, question: str, words: str) -> None:
        """Wait for a question and type an answer."""
        self.wait_for(question)
        self.wait_for(": ")
        self.type(words + "\n")

    def type(self, keys: str) -> None:
        os.write(self.fd, keys.encode())

    def finish(self) -> Outcome:
        """Read to the end and return the status."""
        while piece := self.read_some():
            self.seen += piece.decode("utf-8", "replace")
        _, status = os.waitpid(self.pid, 0)
        os.close(self.fd)
        return Outcome(os.waitstatus_to_exitcode(status), self.seen, "")


@pytest.mark.pty
def test_the_questions_lead_to_the_same_file(bench_folder: Path) -> None:
    terminal = Terminal("new", "moon", cwd=bench_folder)
    for question, words in ANSWERS:
        terminal.answer(question, words)
    terminal.answer("Your choice", "")
    outcome = terminal.finish()
    assert outcome.status == 0, outcome.out
    design = read_design(design_of(bench_folder, "moon"))
    assert [part.value for part in design.parts] == [33e3, 100e3, 820e3, 22e-9]
    assert "an E6 value" in outcome.out
    assert "605 to 2371 µs" in outcome.out
    assert "Traceback" not in outcome.out


@pytest.mark.pty
def test_wrong_answers_are_explained_and_asked_again(bench_folder: Path) -> None:
    terminal = Terminal("new", "moon", *without("--timer"), cwd=bench_folder)
    terminal.answer("What stands on the timer", "555")
    terminal.wait_for("does not tell the timer's family")
    terminal.answer("What stands on the timer", "?")
    terminal.wait_for("TLC555, LMC555, ICM7555 cmos")
    terminal.answer("What stands on the timer", "[/red]")
    terminal.wait_for("'[/red]' does not tell")
    terminal.answer("What stands on the timer", "NE555")
    terminal.wait_for("The letter B does not settle the taper")
    for question in ("Its taper", "How far it turns", "Turned which way", "The steering diode"):
        terminal.answer(question, "")
    terminal.answer("The arm's angles", "")
    # an answer can be changed before anything is written
    terminal.answer("Your choice", "r_off")
    terminal.answer("r_off", "823k")
    terminal.wait_for("neither an E24 nor an E96 value")
    terminal.answer("Keep it?", "no")
    terminal.answer("r_off", "910k")
    terminal.answer("Your choice", "y")
    assert terminal.finish().status == 0
    assert read_design(design_of(bench_folder, "moon")).r_off.value == 910e3


@pytest.mark.pty
def test_bands_that_read_both_ways_are_asked_about(bench_folder: Path) -> None:
    terminal = Terminal("new", "moon", *without("--r-on"), cwd=bench_folder)
    terminal.answer("r_on, from the supply", "brown black black red brown")
    terminal.wait_for("120Ω: 120 Ω ± 1 %")
    terminal.answer("Which one?", "120")
    terminal.answer("Its taper", "linear")
    for question in ("How far it turns", "Turned which way", "The steering diode"):
        terminal.answer(question, "")
    terminal.answer("The arm's angles", "")
    terminal.answer("Your choice", "")
    terminal.finish()
    assert read_design(design_of(bench_folder, "moon")).r_on.value == 120.0


@pytest.mark.pty
@pytest.mark.parametrize("count", [0, 3, len(ANSWERS)])
@pytest.mark.parametrize(("key", "status"), [("\x03", 130), ("\x04", 2)])
def test_leaving_at_a_question_leaves_nothing_behind(
    tmp_path: Path, count: int, key: str, status: int
) -> None:
    terminal = Terminal("new", "moon", "--make-bench", "--bench", "new bench", cwd=tmp_path)
    for question, words in ANSWERS[:count]:
        terminal.answer(question, words)
    terminal.wait_for("Your choice" if count == len(ANSWERS) else ANSWERS[count][0])
    terminal.wait_for(": ")
    terminal.type(key)
    outcome = terminal.finish()
    assert outcome.status == status, outcome.out
    assert "Traceback" not in outcome.out
    assert list(tmp_path.iterdir()) == []


@pytest.mark.pty
def test_no_means_no(tmp_path: Path) -> None:
    terminal = Terminal("new", "moon", cwd=tmp_path)
    terminal.answer("(yes, no)", "no")
    outcome = terminal.finish()
    assert outcome.status == 2
    assert "is no bench folder" in outcome.out
    assert list(tmp_path.iterdir()) == []


@pytest.mark.pty
def test_a_kill_at_a_question_leaves_nothing_behind(tmp_path: Path) -> None:
    terminal = Terminal("new", "moon", "--make-bench", cwd=tmp_path)
    terminal.wait_for("What stands on the timer")
    os.kill(terminal.pid, signal.SIGKILL)
    assert terminal.finish().status == -signal.SIGKILL
    assert list(tmp_path.iterdir()) == []


@pytest.mark.pty
@pytest.mark.parametrize("write", ["yes", "no"])
def test_a_proposal_is_chosen(bench_folder: Path, write: str) -> None:
    terminal = Terminal("new", "moon", "--aim", "600", "2400", "20", cwd=bench_folder)
    for question, words in (
        ("What stands on the timer", "TLC555"),
        ("What feeds it", "4 AA"),
        ("How far it turns", ""),
        ("Turned which way", ""),
        ("The steering diode", ""),
        ("The servo's shortest", "500 to 2500"),
        ("The arm's angles", ""),
        ("Which one?", "2"),
        ("With trimmers?", ""),
        ("Write it?", write),
    ):
        terminal.answer(question, words)
    outcome = terminal.finish()
    assert "Parts for 600 to 2400 µs every 20 ms" in outcome.out
    assert outcome.out.index("1 as marked") < outcome.out.index("2 as marked")
    assert outcome.status == (0 if write == "yes" else 2), outcome.out
    assert design_of(bench_folder, "moon").exists() == (write == "yes")
    assert "Traceback" not in outcome.out
