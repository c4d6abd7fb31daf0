"""What the copies of one design have in common: the spread that shows a wrong reel of parts.

Each copy gives three products of a resistor and the timing capacitor, each as a share of its
marked value. Were every part of every copy drawn by itself from within its tolerance (rectangular,
half-width t), a product's share would have the standard deviation

    sigma = sqrt((t_r² + t_c²) / 3)

so over n copies

- the mean scatters by ``sqrt(sigma²/n + u²)`` about 0, u being what a measurement's uncertainty
  may shift in all copies alike: a normal test of the mean;
- ``(n - 1) s² / (sigma² + u²)`` is at most chi-squared with n - 1 degrees of freedom (rectangular
  parts have lighter tails than normal ones, so the test errs to the kind side).

Both are made at the 1 % level for the three products together (Bonferroni: a third of it each).
A copy that is further from the middle copy than the tolerance reaches, and than 3.5 robust
standard deviations, is a single wrong copy and is left out: it says nothing of the reel.

A mean that is off *and*, its uncertainty counted, further off than the tolerance reaches is a wrong
reel; one that is off but within the tolerance is a reel that lies to one side, as reels do.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from benchlog.calibration.chances import chi_square_point, normal_point
from benchlog.calibration.verdict import COVERAGE
from benchlog.channel.design import Design

__all__ = [
    "FEWEST_COPIES",
    "PRODUCTS",
    "BatchSummary",
    "CopyProduct",
    "Lot",
    "ProductSpread",
    "summarise_batch",
]

FEWEST_COPIES = 3
"""Copies from which on the spread is told."""

PRODUCTS = ("r_off*c_timing", "r_knob*c_timing", "r_on*c_timing")
"""The products that timing alone gives."""

Lot = Literal["as marked", "to one side", "beyond tolerance", "too wide"]

_LEVEL = 0.01
_ROBUST_LIMIT = 3.5
_MAD_TO_SIGMA = 1.4826

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class CopyProduct:
    """One product of one copy.

    Attributes
    ----------
    marked_s, found_s, u_s : float
        Marked and found value and the standard uncertainty of the latter, seconds.
    """

    marked_s: float
    found_s: float
    u_s: float


@dataclass(frozen=True, slots=True)
class ProductSpread:
    """One product over the copies.

    Attributes
    ----------
    product : str
        One of `PRODUCTS`.
    count : int
        Copies that were counted.
    left_out : tuple of int
        Numbers of the copies that stand alone, ascending.
    mean, spread : float
        Mean of found over marked less 1, and the standard deviation over the copies.
    u_mean : float
        Standard uncertainty of the mean.
    tolerance : float
        How far the marked parts' tolerances let the product be off, a fraction.
    lot : {"as marked", "to one side", "beyond tolerance", "too wide"}
        The answer.
    """

    product: str
    count: int
    left_out: tuple[int, ...]
    mean: float
    spread: float
    u_mean: float
    tolerance: float
    lot: Lot


@dataclass(frozen=True, slots=True)
class BatchSummary:
    """What the copies say together.

    Attributes
    ----------
    products : tuple of ProductSpread
        Empty for fewer than `FEWEST_COPIES` copies.
    sentences : tuple of str
        The same in words; empty where `products` is.
    """

    products: tuple[ProductSpread, ...]
    sentences: tuple[str, ...]

    @property
    def is_well(self) -> bool:
        """Whether no product is beyond tolerance or too wide."""
        return all(one.lot in ("as marked", "to one side") for one in self.products)


def summarise_batch(
    design: Design, copies: Mapping[int, Mapping[str, CopyProduct]]
) -> BatchSummary:
    """Look for a wrong reel of parts.

    Parameters
    ----------
    design : Design
        What every copy should be.
    copies : mapping
        The products of each copy by the copy's number; a copy without any is passed over.

    Returns
    -------
    BatchSummary
        Empty for fewer than three copies.
    """
    products = []
    for name in PRODUCTS:
        numbers = [number for number, one in sorted(copies.items()) if name in one]
        if len(numbers) >= FEWEST_COPIES:
            values = [copies[number][name] for number in numbers]
            spread = _look(name, numbers, values, *_tolerances(design, name))
            if spread is not None:
                products.append(spread)
    return BatchSummary(tuple(products), tuple(_tell(products)))


def _tolerances(design: Design, product: str) -> tuple[float, float]:
    """Return the tolerances of a product's resistor and of the capacitor."""
    resistor = getattr(design, product.partition("*")[0])
    return float(resistor.tolerance), float(design.c_timing.tolerance)


def _look(
    name: str,
    numbers: Sequence[int],
    values: Sequence[CopyProduct],
    resistor: float,
    capacitor: float,
) -> ProductSpread | None:
    """Test the mean and the spread of one product."""
    off = np.array([one.found_s / one.marked_s - 1.0 for one in values])
    u = np.array([one.u_s / one.marked_s for one in values])
    sigma = math.hypot(resistor, capacitor) / math.sqrt(3.0)
    reach = (1.0 + resistor) * (1.0 + capacitor) - 1.0
    alone = _find_alone(off, u, reach)
    kept, u_kept = off[~alone], u[~alone]
    count = kept.shape[0]
    if count < FEWEST_COPIES:
        return None
    # what is not known of supply and temperature shifts all copies alike: no gain by n
    u_all = float(np.sqrt(np.mean(u_kept**2)))
    mean, spread = float(kept.mean()), float(kept.std(ddof=1))
    u_mean = math.hypot(spread / math.sqrt(count), u_all)
    level = _LEVEL / len(PRODUCTS)
    expected = math.sqrt(sigma**2 / count + u_all**2)
    aside = abs(mean) > normal_point(level / 2.0) * expected
    variance = sigma**2 + u_all**2
    wide = (count - 1) * spread**2 > chi_square_point(level, count - 1) * variance
    lot: Lot = "as marked"
    if abs(mean) - COVERAGE * u_mean > reach:
        lot = "beyond tolerance"
    elif wide:
        lot = "too wide"
    elif aside:
        lot = "to one side"
    left_out = tuple(number for number, out in zip(numbers, alone, strict=True) if out)
    return ProductSpread(name, count, left_out, mean, spread, u_mean, reach, lot)


def _find_alone(off: FloatArray, u: FloatArray, reach: float) -> NDArray[np.bool_]:
    """Tell which copies stand apart from the middle one by more than chance and tolerance."""
    away = np.abs(off - np.median(off))
    robust = np.hypot(_MAD_TO_SIGMA * float(np.median(away)), u)
    return np.asarray((away > reach) & (away > _ROBUST_LIMIT * robust))


def _tell(products: Sequence[ProductSpread]) -> list[str]:
    """Say in words what the products show."""
    if not products:
        return []
    sentences = []
    off = [one for one in products if one.lot in ("beyond tolerance", "to one side")]
    shared = _shared(off) if len(off) == len(PRODUCTS) else None
    if shared is not None:
        sentences.append(_tell_lot("the timing capacitor's reel", off, shared))
    else:
        sentences += [_tell_lot(_reel(one.product), [one], one.mean) for one in off]
    wide = [one for one in products if one.lot == "too wide"]
    sentences += [
        f"{one.product} spreads by {100 * one.spread:.1f} % from copy to copy, more than "
        f"tolerances of {100 * one.tolerance:.1f} % allow: two kinds of part may be mixed."
        for one in wide
    ]
    if not sentences:
        count = max(one.count for one in products)
        sentences.append(f"The {count} copies lie about the marked values: no reel stands out.")
    return sentences


def _shared(off: Sequence[ProductSpread]) -> float | None:
    """Return the share that all products are off by alike; None where they differ."""
    middle = float(np.median([one.mean for one in off]))
    alike = all(
        abs(one.mean - middle) <= max(2.0 * COVERAGE * one.u_mean, 0.25 * abs(middle))
        for one in off
    )
    return middle if alike else None


def _reel(product: str) -> str:
    return f"the reel of {product.partition('*')[0]}, or of the timing capacitor,"


def _tell_lot(reel: str, off: Sequence[ProductSpread], mean: float) -> str:
    """Say that a reel lies off, and whether its tolerance allows it."""
    what = off[0].product if len(off) == 1 else "Every product"
    count = min(one.count for one in off)
    side = "high" if mean > 0 else "low"
    text = f"{what} is {100 * abs(mean):.1f} % {side} on average over {count} copies: "
    if any(one.lot == "beyond tolerance" for one in off):
        return text + f"{reel} is not what it is marked as."
    return text + (
        f"{reel} lies to one side of its marking, within the tolerance of single parts; a value "
        "measured from the reel belongs in the design."
    )
