"""What comes off the bench: samples with a rate, or edge times."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["BLOCK_FRAMES", "EdgeList", "Gap", "Samples", "samples_from_array"]

BLOCK_FRAMES = 1 << 16
"""Frames per block unless a caller asks for another size."""


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch that the recorder says it lost.

    Attributes
    ----------
    start_s : float
        Where it lies, in seconds from the recording's start.
    length_s : float
        How much is missing, in seconds; 0 where that is not known.
    """

    start_s: float
    length_s: float


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """Samples with a rate, any number of inputs, read in blocks.

    Attributes
    ----------
    rate_hz : float
        Frames per second by the recorder's own clock.
    input_count : int
        Number of inputs (columns).
    frame_count : int or None
        Number of frames that the source claims, None where it cannot be known.
    open_blocks : callable
        Called with a number of frames, returns an iterator over blocks of shape
        (frames, input_count), float32, full scale at ±1. Each call starts anew
        at the beginning.
    step : float
        Quantisation step in units of full scale; 0 for float samples.
    gaps : tuple of Gap
        Stretches that are known to be lost.
    name : str
        What to call it in a message.
    """

    rate_hz: float
    input_count: int
    frame_count: int | None
    open_blocks: Callable[[int], Iterator[NDArray[np.float32]]]
    step: float = 0.0
    gaps: tuple[Gap, ...] = ()
    name: str = "recording"

    def blocks(self, frames: int = BLOCK_FRAMES) -> Iterator[NDArray[np.float32]]:
        """Iterate over the samples from the start.

        Parameters
        ----------
        frames : int
            Frames per block, at least 1; the last block may be shorter.

        Yields
        ------
        numpy.ndarray
            Shape (frames, input_count), float32.
        """
        if frames < 1:
            raise ValueError(f"frames must be at least 1, got {frames}")
        return self.open_blocks(frames)


def samples_from_array(
    values: NDArray[np.floating], rate_hz: float, *, step: float = 0.0, name: str = "recording"
) -> Samples:
    """Wrap an array in memory as `Samples`.

    Parameters
    ----------
    values : numpy.ndarray
        Shape (n,) or (n, inputs), full scale at ±1.
    rate_hz : float
        Frames per second, above 0.
    step : float
        Quantisation step in units of full scale; 0 for none.
    name : str
        What to call it in a message.

    Returns
    -------
    Samples
        One column an input.

    Raises
    ------
    ValueError
        The array is not one- or two-dimensional, or the rate is not above 0.
    """
    import numpy as np

    table = np.asarray(values, dtype=np.float32)
    if table.ndim == 1:
        table = table[:, None]
    if table.ndim != 2:
        raise ValueError(f"values must have one or two dimensions, got {table.ndim}")
    if not rate_hz > 0:
        raise ValueError(f"rate_hz must be above 0, got {rate_hz}")

    def open_blocks(frames: int) -> Iterator[NDArray[np.float32]]:
        for start in range(0, table.shape[0], frames):
            yield table[start : start + frames]

    return Samples(
        rate_hz=float(rate_hz),
        input_count=table.shape[1],
        frame_count=table.shape[0],
        open_blocks=open_blocks,
        step=step,
        name=name,
    )


@dataclass(frozen=True, slots=True, eq=False)
class EdgeList:
    """Edge times of one input, as a logic probe or a VCD file gives them.

    Attributes
    ----------
    time_s : numpy.ndarray
        Edge times in seconds, strictly ascending, shape (n,), float64.
    level : numpy.ndarray
        The level after each edge, alternating, shape (n,), bool.
    resolution_s : float
        Length of one tick in seconds; 0 where it is not known.
    start_s, end_s : float
        The stretch that was watched, in seconds on the scale of `time_s`.
    garbled_count : int
        Lines that could not be read and were skipped.
    gaps : tuple of Gap
        Stretches that are known to be lost.
    name : str
        The input's name.
    """

    time_s: NDArray[np.float64]
    level: NDArray[np.bool_]
    resolution_s: float
    start_s: float
    end_s: float
    garbled_count: int = 0
    gaps: tuple[Gap, ...] = field(default=())
    name: str = "recording"
