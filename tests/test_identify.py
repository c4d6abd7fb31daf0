"""The parts of a channel from its sweep: hand-worked, against outside references, and by chance."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from benchlog.calibration.box_posterior import draw_in_box, pick_draws, spread_about_mean
from benchlog.calibration.identify import Identification, Known, identify_parts
from benchlog.calibration.knob_reading import log_normal, log_reading, read_knob
from benchlog.calibration.sweep_data import read_sweep
from benchlog.calibration.sweep_draws import weigh_fit
from benchlog.calibration.sweep_fit import Problem, fit_sweep, hold_places
from benchlog.calibration.sweep_model import list_places, narrow_place
from benchlog.calibration.table import Point
from benchlog.channel.cycle import predict_cycle
from benchlog.channel.design import Design, parse_design
from benchlog.errors import MeasurementError
from tests.simulated_builds import NINE_DEG, NOISE_S, PARTS, draw_design, draw_sweep, knob_angles


@pytest.fixture(scope="module")
def heron(heron_text: str) -> Design:
    return parse_design(heron_text, "heron")


@pytest.fixture(scope="module")
def plain(heron_text: str) -> Design:
    """Give a design without a diode, with exact levels: on = ln 2 (Ra + Rb) C, off = ln 2 Rb C."""
    text = heron_text.replace('"cmos"', '"ideal"').replace('"1N4148"', '"none"')
    return parse_design(text, "plain")


def sweep_of(
    design: Design,
    parts: dict[str, float] | None = None,
    angles: np.ndarray = NINE_DEG,
    *,
    supply_v: float | None = 6.0,
    read_v: float | None = 6.0,
) -> list[Point]:
    """Return the exact times of a channel, said to be good to 0.2 us."""
    cycle = predict_cycle(design, angles, supply_v=supply_v, temperature_c=27.0, parts=parts)
    return [
        Point(
            knob_deg=float(angle),
            pulse_s=float(on_s),
            u_pulse_s=NOISE_S,
            period_s=float(on_s + off_s),
            u_period_s=NOISE_S,
            supply_v=read_v,
            temperature_c=27.0,
        )
        for angle, on_s, off_s in zip(angles, cycle.on_s, cycle.off_s, strict=True)
    ]


def part(found: Identification, name: str) -> tuple[float, float]:
    one = next(one for one in found.parts if one.part == name)
    return one.found, one.u


# --- draws inside a box ---


def test_a_box_far_inside_the_normal_distribution_is_drawn_evenly() -> None:
    drawn = draw_in_box(np.zeros(2), 1e-6 * np.eye(2), -np.ones(2), np.ones(2), 4000)
    assert np.ptp(drawn.log_weight) < 1e-5
    # moments of the square: mean 0, variance 1/3, no correlation; a lattice of 4000 points
    assert drawn.place.mean(axis=0) == pytest.approx([0.0, 0.0], abs=0.01)
    assert np.cov(drawn.place, rowvar=False) == pytest.approx(np.eye(2) / 3.0, abs=0.01)


@pytest.mark.parametrize("correlation", [0.0, 0.7, -0.95])
def test_share_inside_the_box_agrees_with_scipy(correlation: float) -> None:
    """The mean weight is a normal distribution's share of a box: scipy.stats has it by itself."""
    from scipy.stats import multivariate_normal

    covariance = np.array([[1.0, correlation, 0.2], [correlation, 1.0, 0.1], [0.2, 0.1, 2.0]])
    mean, low, high = np.array([0.3, -0.2, 0.5]), np.array([-1.0, -2.0, 0.0]), np.ones(3)
    drawn = draw_in_box(mean, np.linalg.inv(covariance), low, high, 8000)
    share = float(multivariate_normal(mean, covariance).cdf(high, lower_limit=low))
    assert np.mean(np.exp(drawn.log_weight)) == pytest.approx(share, rel=0.01)
    assert (drawn.place >= low - 1e-9).all()
    assert (drawn.place <= high + 1e-9).all()


def test_one_sided_normal_has_its_known_mean() -> None:
    """The half-normal distribution: mean sqrt(2/pi) (Abramowitz and Stegun, 26.2; from memory)."""
    drawn = draw_in_box(np.zeros(1), np.eye(1), np.zeros(1), np.full(1, np.inf), 4000)
    picked = drawn.place[pick_draws(drawn.log_weight, 2000), 0]
    assert picked.mean() == pytest.approx(math.sqrt(2.0 / math.pi), abs=0.01)
    assert np.exp(drawn.log_weight) == pytest.approx(0.5)


def test_a_box_far_out_in_the_tail_keeps_its_digits() -> None:
    # between 20 and 21 standard deviations: nearly all of it within 1/20 of the nearer end
    drawn = draw_in_box(np.zeros(1), np.eye(1), np.full(1, 20.0), np.full(1, 21.0), 500)
    assert np.isfinite(drawn.log_weight).all()
    assert drawn.place.mean() == pytest.approx(20.05, abs=0.01)


def test_half_width_of_a_rectangle_holds_its_share() -> None:
    mean, half = spread_about_mean(np.linspace(-1.0, 1.0, 20001))
    assert (mean, half) == pytest.approx((0.0, 0.95), abs=1e-3)


# --- the knob's reading ---


def test_a_reading_at_the_stop_is_half_at_the_stop(heron: Design) -> None:
    sweep = read_sweep(sweep_of(heron, angles=np.array([0.0, 135.0, 270.0])), 1.0)
    reading = read_knob(heron, sweep)
    assert reading.at_low == pytest.approx([0.5, 0.0, 0.0])
    assert reading.at_high == pytest.approx([0.0, 0.0, 0.5])
    # half of it at 0, half even from 0 to 1: mean 1/4, mean square 1/6
    assert reading.mean_deg == pytest.approx([0.25, 135.0, 269.75])
    assert reading.sd_deg[0] == pytest.approx(math.sqrt(1 / 6 - 1 / 16))
    assert reading.sd_deg[1] == pytest.approx(1 / math.sqrt(3))


def test_the_readings_density_is_that_of_a_sum(heron: Design) -> None:
    """A rectangle plus a normal error, integrated by hand on a fine grid."""
    sweep = read_sweep(sweep_of(heron, angles=np.array([0.0, 135.0])), 1.0)
    reading = read_knob(heron, sweep)
    slope, rest = np.array([[3.0, -2.0], [1.5, -1.0]]), np.array([[0.7, 0.4], [-0.5, 1.2]])
    turned = np.linspace(-1.0, 1.0, 40001)
    total = 0.0
    for i, centre in enumerate((0.0, 135.0)):
        where = np.clip(centre + turned, 0.0, 270.0) - reading.mean_deg[i]
        left = rest[i] - where[:, None] * slope[i]
        total += math.log(np.mean(np.exp(-0.5 * np.sum(left**2, axis=1))) / (2 * math.pi))
    assert float(log_reading(rest[None], slope, reading)[0]) == pytest.approx(total, abs=1e-3)


# --- the fit, against general-purpose least squares ---


def test_the_fit_is_the_least_squares_fit_of_scipy(heron: Design) -> None:
    """The same observations and the same holds, given to scipy.optimize.least_squares.

    JCGM 100:2008, H.3, fits by least squares and takes the covariance from the normal matrix;
    what is known beforehand stands there as one more observation of each unknown.
    """
    from scipy.optimize import least_squares

    rng = np.random.default_rng(7)
    build = draw_sweep(heron, rng, NINE_DEG[1:-1])
    assert build is not None
    sweep = read_sweep(build.points, 1.0)
    places = list_places(heron, sweep)
    problem = Problem(heron, sweep, places)
    fit = fit_sweep(problem)
    middle, hold = np.array([p.middle for p in places]), hold_places(places)
    count = len(places)
    roots = np.linalg.inv(np.linalg.cholesky(sweep.covariance))

    def residuals(x: np.ndarray) -> np.ndarray:
        at, turned = x[:count], x[count:]
        logs = problem.predict(at[None, :], sweep.knob_deg + turned)[0]
        rest = np.einsum("pij,pj->pi", roots, sweep.logs - logs).ravel()
        return np.concatenate([rest, np.sqrt(hold) * (at - middle), math.sqrt(3.0) * turned])

    start = np.concatenate([middle, np.zeros(sweep.knob_deg.size)])
    other = least_squares(residuals, start, x_scale="jac", xtol=1e-12, ftol=1e-12)
    # the fit stops where chi-square gains less than 1e-4: within 0.01 standard deviations
    assert fit.at == pytest.approx(other.x[:count], abs=0.01)
    assert fit.cost == pytest.approx(2.0 * other.cost, abs=0.02)


def test_without_limits_the_draws_are_the_linear_fit_of_numpy(plain: Design) -> None:
    """Where the data decide all, draws have the covariance of numpy.linalg.lstsq's problem."""
    r_off, r_knob = (replace(one, tolerance=0.9) for one in (plain.r_off, plain.r_knob))
    design = replace(plain, r_off=r_off, r_knob=r_knob)
    known = {"r_on": Known(33e3, 1.0), "c_timing": Known(22e-9, 1e-13)}
    sweep = read_sweep(sweep_of(design), 0.0)
    problem = Problem(design, sweep, list_places(design, sweep, known))
    fit = fit_sweep(problem)
    weighed = weigh_fit(fit, count=8000)
    drawn = weighed.at[pick_draws(weighed.log_weight, 4000)]
    names = [place.name for place in problem.places]
    hold = np.diag(np.sqrt(hold_places(problem.places)))
    matrix = np.vstack([fit.slope.reshape(-1, len(names)), hold])
    unit = np.eye(matrix.shape[0])
    inverse = np.linalg.lstsq(matrix, unit, rcond=None)[0]
    sd = np.sqrt(np.diag(inverse @ inverse.T))
    for name in ("r_off", "r_knob"):
        i = names.index(name)
        # 4000 draws give a standard deviation to some 2 %, limits on the other parts to some 5 %
        assert drawn[:, i].std() == pytest.approx(sd[i], rel=0.1)


def test_the_evidence_of_a_normal_problem_is_its_density(plain: Design) -> None:
    """One unknown known to a normal error: the density of what was measured, in closed form."""
    r_on, r_knob, c_timing = (
        replace(one, tolerance=0.0) for one in (plain.r_on, plain.r_knob, plain.c_timing)
    )
    design = replace(plain, r_on=r_on, r_knob=r_knob, c_timing=c_timing)
    sweep = read_sweep(sweep_of(design, angles=np.array([135.0])), 0.0)
    places = tuple(p for p in list_places(design, sweep) if p.name == "r_off")
    fit = fit_sweep(Problem(design, sweep, places))
    grid = np.linspace(places[0].low, places[0].high, 200001)
    rest = fit.rest - np.einsum("pin,sn->spi", fit.slope, grid[:, None] - fit.at)
    density = np.exp(log_normal(rest, fit.spread()) + places[0].log_density(grid))
    roots = float(np.sum(np.log(np.abs(np.linalg.det(fit.root)))))
    by_hand = math.log(np.sum(density) * (grid[1] - grid[0])) + roots
    assert weigh_fit(fit).log_evidence == pytest.approx(by_hand, abs=0.02)


# --- what is found ---


def test_products_of_an_exact_sweep_are_the_closed_forms(plain: Design) -> None:
    """Without a diode on = ln 2 (Ra + Rb) C and off = ln 2 Rb C (TI SLFS022I, 8.3.2)."""
    parts = {"r_on": 34e3, "r_knob": 104e3, "r_off": 800e3, "c_timing": 21e-9}
    found = identify_parts(plain, sweep_of(plain, {**parts, "contact": 30.0}))
    for one in found.products:
        first, second = one.product.split("*")
        assert abs(one.found_s - parts[first] * parts[second]) <= 2.0 * one.u_s
    sharp = found.products[0]
    assert sharp.marked_s == pytest.approx(820e3 * 22e-9)
    # the wiper's contact, up to 100 ohm of 800 k, is told from nine positions to a third
    assert 2.0 * sharp.u_s / sharp.found_s < 6e-4
    assert found.explained
    assert found.suspects == ()


def test_timing_alone_leaves_the_parts_at_their_tolerances(heron: Design) -> None:
    found = identify_parts(heron, sweep_of(heron))
    for name, tolerance in (("r_off", 0.05), ("r_on", 0.05)):
        value, u = part(found, name)
        assert 0.3 * tolerance < 2.0 * u / value < tolerance
    # the resistors go together, and the capacitor against them
    names = list(found.names)
    correlation = found.correlation
    r_off, c_timing = names.index("r_off"), names.index("c_timing")
    assert correlation[r_off, c_timing] < -0.7
    assert correlation[r_off, names.index("r_on")] > 0.7
    assert np.diag(correlation) == pytest.approx(1.0)


def test_one_meter_reading_narrows_all_parts(heron: Design) -> None:
    parts = {"r_on": 33.9e3, "r_knob": 104e3, "r_off": 842e3, "c_timing": 21.3e-9}
    points = sweep_of(heron, parts)
    without = identify_parts(heron, points)
    known = identify_parts(heron, points, known={"r_off": Known(842e3, 2e3)})
    for name in PARTS:
        value, u = part(known, name)
        assert abs(value - parts[name]) <= 2.0 * u, name
        assert u < 0.6 * part(without, name)[1], name
    assert known.suspects == ()


def test_a_reading_and_a_marking_are_both_believed_where_they_agree(heron: Design) -> None:
    sweep = read_sweep(sweep_of(heron), 1.0)
    marked = next(p for p in list_places(heron, sweep) if p.name == "r_off")
    both = narrow_place(marked, Known(855e3, 855e3 * 0.01 / math.sqrt(3.0)))
    ends = [float(both.value_at(np.asarray(z))) for z in (both.low, both.high)]
    assert ends == pytest.approx([855e3 * 0.99, 861e3])
    apart = narrow_place(marked, Known(470e3, 1e3))
    ends = [float(apart.value_at(np.asarray(z))) for z in (apart.low, apart.high)]
    assert ends == pytest.approx([470e3 - 1e3 * math.sqrt(3.0), 470e3 + 1e3 * math.sqrt(3.0)])


def test_a_supply_that_nobody_read_is_inferred(heron: Design) -> None:
    points = sweep_of(heron, supply_v=5.8, read_v=None)
    found = identify_parts(heron, points)
    read = identify_parts(heron, sweep_of(heron, supply_v=5.8, read_v=5.8))
    assert abs(found.supply_v - 5.8) <= 2.0 * found.u_supply_v
    assert read.u_supply_v < 0.3 * found.u_supply_v
    assert found.explained


@pytest.mark.parametrize("count", [1, 2, 3, 13])
def test_few_positions_say_less_but_nothing_wrong(heron: Design, count: int) -> None:
    parts = {"r_on": 32.2e3, "r_knob": 93e3, "r_off": 795e3, "c_timing": 22.9e-9}
    found = identify_parts(heron, sweep_of(heron, parts, knob_angles(heron, count)))
    assert found.explained
    for name in PARTS:
        value, u = part(found, name)
        assert abs(value - parts[name]) <= 2.2 * u, name


def test_up_down_and_past_the_stops(heron: Design) -> None:
    points = sweep_of(heron, angles=np.array([0.0, 90.0, 180.0, 270.0]))
    ways = [replace(p, direction=way) for p in points for way in ("up", "down")]
    ways[0] = replace(ways[0], knob_deg=-3.0)
    ways[-1] = replace(ways[-1], knob_deg=272.0)
    found = identify_parts(heron, ways)
    assert found.explained
    assert abs(part(found, "r_off")[0] - 820e3) <= 2.0 * part(found, "r_off")[1]


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("travel_deg = 270", "travel_deg = 270\ndead_low_deg = 12\ndead_high_deg = 9"),
        ("travel_deg = 270", 'travel_deg = 270\nlonger = "anticlockwise"'),
        ("travel_deg = 270", 'travel_deg = 270\ntaper = "log"'),
        ("travel_deg = 270", "travel_deg = 270\ncontact_ohm = 60"),
        ('model = "1N4148"', 'model = "none"'),
        ('r_on = "33k"', 'r_on = "27k + trimmer 10k"'),
        ('family = "cmos"', 'family = "bipolar"'),
    ],
)
def test_every_kind_of_design_is_identified(heron_text: str, old: str, new: str) -> None:
    design = parse_design(heron_text.replace(old, new), "kind")
    rng = np.random.default_rng(3)
    build = draw_sweep(design, rng, NINE_DEG, contact_ohm=60.0)
    assert build is not None
    found = identify_parts(design, build.points)
    assert found.suspects == ()
    inside = [
        abs(value - build.truth[n]) <= 2.2 * u for n in PARTS for value, u in [part(found, n)]
    ]
    assert sum(inside) >= 3


def test_values_and_draws_give_back_the_sweep(heron: Design) -> None:
    parts = {"r_on": 34e3, "r_knob": 92e3, "r_off": 800e3, "c_timing": 23e-9}
    points = sweep_of(heron, parts)
    found = identify_parts(heron, points)
    pulses = np.array([p.pulse_s for p in points])
    again = predict_cycle(heron, NINE_DEG, supply_v=found.supply_v, parts=found.values())
    # within a degree of knob, 7 us
    assert again.on_s == pytest.approx(pulses, abs=7e-6)
    drawn = found.draw(40, np.random.default_rng(1))
    assert set(drawn) == set(found.names)
    supply_v, warm = drawn.pop("supply_v")[:, None], drawn.pop("temperature_c")[:, None]
    columns = {name: one[:, None] for name, one in drawn.items()}
    many = predict_cycle(heron, NINE_DEG, supply_v=supply_v, temperature_c=warm, parts=columns)
    assert np.max(np.abs(many.on_s - pulses)) < 10e-6


def test_the_same_sweep_gives_the_same_answer(heron: Design) -> None:
    first, second = (identify_parts(heron, sweep_of(heron)) for _ in range(2))
    assert first.products == second.products
    assert first.parts == second.parts


def test_intervals_hold_the_truth(heron_text: str) -> None:
    """A sample of the benchmark's 2000 builds.

    20 builds of several designs, three products and four parts: 140 statements, of which those of
    one build go together as some two; 95 % of 40 with a standard error of 3.5 %, so at least 84 %.
    """
    rng = np.random.default_rng(11)
    base = parse_design(heron_text, "heron")
    hits = []
    for i in range(20):
        design = base if i % 2 else draw_design(heron_text, rng)
        build = draw_sweep(design, rng, NINE_DEG)
        assert build is not None
        found = identify_parts(design, build.points)
        assert found.suspects == ()
        truth = build.truth
        for one in found.products:
            first, second = one.product.split("*")
            hits.append(abs(one.found_s - truth[first] * truth[second]) <= 2.0 * one.u_s)
        hits += [abs(v - truth[n]) <= 2.0 * u for n in PARTS for v, u in [part(found, n)]]
    assert np.mean(hits) >= 0.84


# --- what is refused ---


def test_what_cannot_be_fitted_is_refused(heron: Design) -> None:
    points = sweep_of(heron)
    with pytest.raises(ValueError, match="must not be empty"):
        identify_parts(heron, [])
    with pytest.raises(ValueError, match="r_of"):
        identify_parts(heron, points, known={"r_of": Known(1.0, 0.1)})
    with pytest.raises(ValueError, match="finite"):
        identify_parts(heron, [replace(points[0], pulse_s=math.nan)])
    with pytest.raises(ValueError, match="knob_reading_deg"):
        identify_parts(heron, points, knob_reading_deg=-1.0)
    with pytest.raises(MeasurementError, match="shorter than its period"):
        identify_parts(heron, [replace(points[0], period_s=0.9 * points[0].pulse_s)])


def test_a_sweep_of_something_else_is_not_explained(heron: Design) -> None:
    points = [replace(p, pulse_s=1e-3 * (1 + i % 2), period_s=4e-3) for i, p in
              enumerate(sweep_of(heron))]  # fmt: skip
    found = identify_parts(heron, points)
    assert not found.explained
    assert all(math.isfinite(one.found) and math.isfinite(one.u) for one in found.parts)
