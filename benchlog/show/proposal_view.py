"""Proposed parts as a person reads them at 80 columns, and as JSON."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from benchlog.channel.aim import Aim
from benchlog.channel.proposal import NEAR, Proposal
from benchlog.show.json_output import in_microseconds
from benchlog.units import format_value

__all__ = ["choice_lines", "proposal_lines", "proposals_to_json"]

GRID_WIDTH = 76
"""Columns that the table needs."""

_GOOD = 0.8  # of such channels, to be content without a word about trimmers


def proposal_lines(
    proposals: Sequence[Proposal], aim: Aim, *, supply_v: float, width: int = 80, chosen: int = 1
) -> list[str]:
    """Say which parts are proposed, and how surely they serve.

    Parameters
    ----------
    proposals : sequence of Proposal
        The surest first, at least one.
    aim : Aim
        What they are for.
    supply_v : float
        Supply, volts.
    width : int
        Columns of the screen.
    chosen : int
        The proposal that is told in full, counted from 1.

    Returns
    -------
    list of str
        A table, or a sentence a proposal where the screen is too narrow for it; then what the
        figures mean.
    """
    period_ms = (aim.period_s or 0.0) * 1e3
    title = (
        f"Parts for {aim.low_s * 1e6:g} to {aim.high_s * 1e6:g} µs every {period_ms:g} ms, "
        f"at {supply_v:g} V"
    )
    if width <= GRID_WIDTH:
        lines = [_sentence(number, one) for number, one in enumerate(proposals, start=1)]
        return [title, *lines, *_explain(proposals, aim, chosen)]
    lines = [
        title,
        f"   {'r_on':>7}{'r_knob':>8}{'r_off':>9}{'c_timing':>9}"
        f"{'shortest':>13}{'longest':>14}{'fit':>5}{'trimmed':>8}",
        f"   {'':33}{'µs':>13}{'µs':>14}{'%':>5}{'%':>8}",
    ]
    lines += [_row(number, one) for number, one in enumerate(proposals, start=1)]
    return lines + _explain(proposals, aim, chosen)


def _row(number: int, proposal: Proposal) -> str:
    """Write one proposal."""
    ohms = [
        format_value(part.value, "ohm") for part in (proposal.r_on, proposal.r_knob, proposal.r_off)
    ]
    farad = format_value(proposal.c_timing.value, "F")
    low, high = (_span(one) for one in (proposal.low_band_s, proposal.high_band_s))
    return (
        f"{number:>2} {ohms[0]:>7}{ohms[1]:>8}{ohms[2]:>9}{farad:>9}{low:>13}{high:>14}"
        f"{_percent(proposal.share):>5}{_percent(proposal.share_trimmed):>8}"
    )


def _sentence(number: int, proposal: Proposal) -> str:
    """Write one proposal for a screen that is too narrow for the table."""
    values = ", ".join(
        f"{part.name} {format_value(part.value, part.unit)}" for part in proposal.parts
    )
    return (
        f"{number}: {values}; shortest {_span(proposal.low_band_s)} µs, longest "
        f"{_span(proposal.high_band_s)} µs; fit {_percent(proposal.share)} %, trimmed "
        f"{_percent(proposal.share_trimmed)} %"
    )


def _span(band_s: tuple[float, float]) -> str:
    """Write a band of pulses in microseconds."""
    return f"{band_s[0] * 1e6:.0f} to {band_s[1] * 1e6:.0f}"


def _percent(share: float) -> str:
    """Write a share in whole hundredths."""
    return f"{round(100 * share)}"


def _explain(proposals: Sequence[Proposal], aim: Aim, chosen: int) -> list[str]:
    """Say what the columns mean, and what the chosen proposal does."""
    near_us = NEAR * (aim.high_s - aim.low_s) * 1e6
    parts = proposals[chosen - 1].parts
    tolerances = ", ".join(f"{part.name} {100 * part.tolerance:.3g} %" for part in parts)
    return [
        "",
        "'shortest' and 'longest': the pulse at the knob's two ends; 95 of 100 channels built of "
        f"such parts lie between (tolerances: {tolerances}).",
        "'fit': of 100 such channels so many stay within the servo's range over the whole knob, "
        f"come within {near_us:.0f} µs of both wanted ends and keep the period within "
        f"{100 * aim.period_within:.3g} %. 'trimmed': so many, once trimmers are set.",
        *choice_lines(proposals, chosen),
    ]


def choice_lines(proposals: Sequence[Proposal], chosen: int) -> list[str]:
    """Say what one proposal does, as marked and with trimmers.

    Parameters
    ----------
    proposals : sequence of Proposal
        The surest first.
    chosen : int
        Which, counted from 1.

    Returns
    -------
    list of str
        Two sentences, and what helps most where trimmers do not help enough.
    """
    best = proposals[chosen - 1]
    low_ms, high_ms = (one * 1e3 for one in best.period_ends_s)
    on, off = best.on_trimmed, best.off_trimmed
    lines = [
        f"{chosen} as marked: {best.low_s * 1e6:.0f} to {best.high_s * 1e6:.0f} µs, a pulse every "
        f"{best.period_s * 1e3:.1f} ms with the knob at its middle, {low_ms:.1f} to "
        f"{high_ms:.1f} ms over the knob.",
        f"{chosen} with trimmers: r_on as {format_value(on.fixed_ohm, 'ohm')} + trimmer "
        f"{format_value(on.trimmer_ohm, 'ohm')}, r_off as {format_value(off.fixed_ohm, 'ohm')} + "
        f"trimmer {format_value(off.trimmer_ohm, 'ohm')}; set r_on at the knob's short end, then "
        "r_off to the period.",
    ]
    if best.share_trimmed < _GOOD:
        lines.append(
            "What is left then is the way between the ends, which r_knob times c_timing sets: a "
            "knob and a capacitor picked with a meter help most. Tell what they are, such as "
            "--r-knob '100k 3%' --c-timing '22n 2.5%'."
        )
    return lines


def proposals_to_json(proposals: Sequence[Proposal]) -> list[dict[str, Any]]:
    """Return proposed parts as JSON.

    Parameters
    ----------
    proposals : sequence of Proposal
        The surest first.

    Returns
    -------
    list of dict
        Ohms, farads and microseconds, as the key names say.
    """
    return [_to_json(one) for one in proposals]


def _to_json(proposal: Proposal) -> dict[str, Any]:
    """Return one proposal."""
    values: dict[str, Any] = {
        "r_on_ohm": proposal.r_on.value,
        "r_knob_ohm": proposal.r_knob.value,
        "r_off_ohm": proposal.r_off.value,
        "c_timing_f": proposal.c_timing.value,
    }
    for part in proposal.parts:
        values[f"{part.name}_tolerance"] = part.tolerance
    for name in ("low", "high", "period"):
        values[f"{name}_us"] = in_microseconds(getattr(proposal, f"{name}_s"))
        band = getattr(proposal, f"{name}_band_s")
        values[f"{name}_from_us"], values[f"{name}_to_us"] = map(in_microseconds, band)
    for name, trimmed in (("r_on", proposal.on_trimmed), ("r_off", proposal.off_trimmed)):
        values[f"{name}_fixed_ohm"] = trimmed.fixed_ohm
        values[f"{name}_trimmer_ohm"] = trimmed.trimmer_ohm
    return values | {
        "period_min_us": in_microseconds(proposal.period_ends_s[0]),
        "period_max_us": in_microseconds(proposal.period_ends_s[1]),
        "share": proposal.share,
        "share_within_servo": proposal.share_safe,
        "share_trimmed": proposal.share_trimmed,
    }
