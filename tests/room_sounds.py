"""What a room sounds like: speech, music and noise, made when they are needed.

espeak-ng speaks and sox plays, where they are installed; speech, music and noise made of numbers
alone are there always. All is invented; nothing is recorded.
"""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter, resample_poly

__all__ = ["LEVELS", "RATE_HZ", "make_rooms", "spoken_and_played", "synthetic"]

RATE_HZ = 48000
LEVELS = (1.0, 0.1, 0.01)
"""Peaks, units of full scale: 0, -20 and -40 dB."""

_LENGTH_S = 6.0

FloatArray = NDArray[np.float64]

_SENTENCES = (
    "Good evening. The heron steps out from behind the curtain, and the moon is already up.",
    "Please turn the knob slowly, then wait until the boat has come to rest at the left.",
    "One, two, three, four. Is the lamp warm? Then let us begin with the second scene.",
    "No no no no, that was the wrong string! Hold it a little higher. Thank you.",
)
_VOICES = (
    ("-v", "en", "-p", "35", "-s", "150"),
    ("-v", "en", "-p", "80", "-s", "190"),
    ("-v", "de", "-p", "20", "-s", "120"),
)
_PLAYED = (
    ("pluck chords", "synth 2 pluck C3 pluck E3 pluck G3 pluck C4 repeat 2"),
    ("sawtooth bass", "synth 0.5 sawtooth 55 synth 0.5 sawtooth mix 82.4 repeat 11"),
    ("square melody", "synth 0.4 square 110 : synth 0.4 square 98 : synth 0.3 square 130.8 :"),
    ("organ", "synth 6 sine 130.8 sine mix 261.6 sine mix 392 tremolo 5 40"),
    ("plucked bass", "synth 0.6 pluck A1 repeat 9"),
    ("sweep", "synth 6 triangle 60-400"),
    ("pink noise", "synth 6 pinknoise"),
    ("brown noise", "synth 6 brownnoise"),
    ("white noise", "synth 6 whitenoise"),
)


def synthetic(seed: int) -> Iterator[tuple[str, FloatArray]]:
    """Yield speech-like, music-like and noise-like sounds with a peak of 1."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(round(_LENGTH_S * RATE_HZ)) / RATE_HZ
    yield "voice of numbers", _normal(_voice(rng, time_s, 110.0))
    yield "high voice of numbers", _normal(_voice(rng, time_s, 210.0))
    yield "melody of numbers", _normal(_melody(rng, time_s))
    yield "drums of numbers", _normal(_drums(rng, time_s))
    white = np.asarray(rng.standard_normal(time_s.shape[0]), dtype=np.float64)
    rumble = np.asarray(lfilter([1.0], [1.0, -0.995], white), dtype=np.float64)
    yield "ventilation of numbers", _normal(rumble)
    yield "square notes of numbers", _normal(_square_notes(rng, time_s))


def spoken_and_played(folder: Path) -> Iterator[tuple[str, FloatArray]]:
    """Yield what espeak-ng and sox make, with a peak of 1; nothing where they are missing."""
    if shutil.which("espeak-ng"):
        for number, sentence in enumerate(_SENTENCES):
            for voice in _VOICES:
                path = folder / "speech.wav"
                _run("espeak-ng", *voice, "-w", str(path), sentence)
                yield f"espeak-ng {number} {' '.join(voice)}", _read(path)
    if shutil.which("sox"):
        for name, words in _PLAYED:
            path = folder / "played.wav"
            _run("sox", "-n", "-r", str(RATE_HZ), "-c", "1", str(path), *_sox_words(words))
            yield f"sox {name}", _read(path)


def make_rooms(folder: Path, count: int, seed: int = 1) -> list[tuple[str, NDArray[np.float32]]]:
    """Return so many rooms: every sound in turn, at every level, as a 16-bit input has it.

    A converter's own noise of half a step is added. Sounds are taken in an order that
    the seed shuffles, so that a few are of every kind.
    """
    rng = np.random.default_rng(seed)
    sounds = [*spoken_and_played(folder), *synthetic(seed)]
    rng.shuffle(sounds)
    rooms = []
    for index in range(count):
        name, values = sounds[index % len(sounds)]
        level = LEVELS[(index // len(sounds) + index) % len(LEVELS)]
        noise = rng.standard_normal(values.shape[0]) * 0.5 / 32768
        sampled = np.clip(np.rint((level * values + noise) * 32767), -32768, 32767) / 32768
        rooms.append((f"{name} at {level:g}", sampled.astype(np.float32)))
    return rooms


def _run(*words: str) -> None:
    subprocess.run(words, check=True, capture_output=True, stdin=subprocess.DEVNULL, timeout=60)


def _sox_words(words: str) -> list[str]:
    return (
        [*words.split(), "fade", "0.01", "-0", "0.01"] if ":" not in words else words.split()[:-1]
    )


def _read(path: Path) -> FloatArray:
    import soundfile

    values, rate_hz = soundfile.read(path, dtype="float64")
    if rate_hz != RATE_HZ:
        common = np.gcd(RATE_HZ, rate_hz)
        values = resample_poly(values, RATE_HZ // common, rate_hz // common)
    return _normal(values)


def _normal(values: FloatArray) -> FloatArray:
    result: FloatArray = values / np.max(np.abs(values))
    return result


def _voice(rng: np.random.Generator, time_s: FloatArray, pitch_hz: float) -> FloatArray:
    """Glottal pulses through formants that change from syllable to syllable, with pauses."""
    parts = []
    left = time_s.shape[0]
    while left > 0:
        count = min(left, round(rng.uniform(0.12, 0.3) * RATE_HZ))
        glide = np.linspace(rng.uniform(0.85, 1.1), rng.uniform(0.85, 1.1), count)
        phase = np.cumsum(pitch_hz * glide) / RATE_HZ
        source = np.maximum(0.0, np.sin(2 * np.pi * phase)) ** 3 * (np.diff(phase, prepend=0) > 0)
        source = np.diff(source, prepend=0.0) * 20 + 0.02 * rng.standard_normal(count)
        for centre_hz, width_hz in ((rng.uniform(300, 800), 80), (rng.uniform(900, 2200), 120)):
            radius = np.exp(-np.pi * width_hz / RATE_HZ)
            turn = 2 * radius * np.cos(2 * np.pi * centre_hz / RATE_HZ)
            source = lfilter([1 - radius], [1.0, -turn, radius**2], source)
        shape = np.hanning(count) * (rng.random() > 0.2)
        parts.append(source * shape)
        left -= count
    return np.concatenate(parts)[: time_s.shape[0]]


def _melody(rng: np.random.Generator, time_s: FloatArray) -> FloatArray:
    """Play notes of six harmonics that die away, two at a time."""
    values = np.zeros(time_s.shape[0])
    for start_s in np.arange(0.0, _LENGTH_S, 0.25):
        pitch_hz = 110.0 * 2.0 ** (rng.integers(0, 24) / 12)
        after = time_s - start_s
        envelope = np.where(after >= 0, np.exp(-np.clip(after, 0, None) / 0.4), 0.0)
        for harmonic in range(1, 7):
            values += envelope * np.sin(2 * np.pi * harmonic * pitch_hz * after) / harmonic
    return values


def _drums(rng: np.random.Generator, time_s: FloatArray) -> FloatArray:
    """Beats at even distances: clicks, thumps and hisses."""
    values = np.zeros(time_s.shape[0])
    for number, start_s in enumerate(np.arange(0.0, _LENGTH_S, 0.125)):
        after = time_s - start_s
        on = after >= 0
        late = np.clip(after, 0, None)
        if number % 4 == 0:
            values += on * np.exp(-late / 0.08) * np.sin(2 * np.pi * 60 * late)
        values += on * np.exp(-late / 0.01) * rng.standard_normal(time_s.shape[0]) * 0.3
    return values


def _square_notes(rng: np.random.Generator, time_s: FloatArray) -> FloatArray:
    """Play a tune by a square wave: steps of equal height, but no steady period."""
    pitch_hz = 55.0 * 2.0 ** (rng.integers(0, 13, size=1 + int(_LENGTH_S / 0.3)) / 12)
    phase = np.cumsum(pitch_hz[(time_s / 0.3).astype(int)]) / RATE_HZ
    wave = np.sign(np.sin(2 * np.pi * phase))
    radius = np.exp(-np.pi * 60 / RATE_HZ)  # the room's own ring
    return lfilter([1.0], [1.0, -2 * radius * np.cos(2 * np.pi * 180 / RATE_HZ), radius**2], wave)
