"""Timing figures against published definitions, independent libraries and trains whose scatter is known."""

import allantools
import numpy as np
import pytest
from crank import draw_crank, hear_all, neighbours
from hypothesis import given
from hypothesis import strategies as st

from injsound.errors import ParameterError
from injsound.sound.timing.jitter import measure_jitter
from injsound.sound.timing.scatter import STEADY_US, _normal, own_scatter
from injsound.sound.timing.scatter_model import second_differences

# Sequence A, intervals in ms: a made-up row whose figures were computed by two libraries and by formula.
SEQUENCE_A_MS = np.array([160.0, 161.5, 159.2, 160.4, 158.9, 161.1, 160.7, 159.5, 160.3, 160.9, 159.8, 160.2])


def ticks(intervals_s):
    return 0.1 + np.concatenate([[0.0], np.cumsum(intervals_s)])


def jitter_of(heard_s, *, step=1, first=0, **settings):
    return measure_jitter(heard_s, first + step * np.arange(heard_s.size), step=step, **settings)


# A trend longer than the train: one constant speed is all that is taken out, as the published definitions have it.
WHOLE = {"trend_cycles": 5000}


def with_alternation(jitter):
    """Cycle-to-cycle jitter before the alternation was taken out: the two are at right angles."""
    return np.hypot(jitter.cycle_to_cycle_us, 4 * jitter.alternation_us)


def noisy_train(seed, *, events=4000, tick_us=0.0, period_us=0.0, interval_s=0.16):
    rng = np.random.default_rng(seed)
    intervals = interval_s + period_us * 1e-6 * rng.normal(size=events - 1)
    return ticks(intervals) + tick_us * 1e-6 * rng.normal(size=events)


# --- robust deviation -------------------------------------------------------------------------------------------------


# --- cycle-to-cycle jitter against published figures ------------------------------------------------------------------


def test_cycle_to_cycle_is_the_published_rmssd_of_sequence_a():
    # RMSSD of sequence A: 1.3497475 ms (formula and neurokit2); repeated, as twelve intervals give no figure.
    jitter = jitter_of(ticks(np.tile(SEQUENCE_A_MS, 40) / 1e3), **WHOLE)
    joint = np.diff(np.tile(SEQUENCE_A_MS, 2))
    expected = np.sqrt((39 * np.sum(joint[:12] ** 2) + np.sum(joint[:11] ** 2)) / (39 * 12 + 11)) * 1e3
    assert np.sqrt(np.mean(np.diff(SEQUENCE_A_MS) ** 2)) == pytest.approx(1.3497475, rel=1e-6)
    assert with_alternation(jitter) == pytest.approx(expected, rel=1e-4)
    assert jitter.count == 480


def allan_set():
    """1,000 points of Riley's generator, NIST SP 1065 (2008), pp. 107-108."""
    n = [1_234_567_890]
    while len(n) < 1000:
        n.append(16_807 * n[-1] % 2_147_483_647)
    return np.array(n) / 2_147_483_647


def test_cycle_to_cycle_is_the_published_allan_deviation():
    # NIST SP 1065: ADEV(1) = 0.2922319, and sqrt(2) of it is the rms of the difference of adjacent intervals.
    points = allan_set()
    jitter = jitter_of(ticks(10 + points), **WHOLE)
    assert with_alternation(jitter) / 1e6 / np.sqrt(2) == pytest.approx(0.2922319, rel=1e-4)
    _, deviation, _, _ = allantools.adev(points, rate=1.0, data_type="freq", taus=[1])
    assert with_alternation(jitter) / 1e6 / np.sqrt(2) == pytest.approx(deviation[0], rel=1e-4)


def test_nine_points_are_too_few_for_a_figure():
    jitter = jitter_of(ticks(np.array([892, 809, 823, 798, 671, 644, 883, 903, 677.0])))
    assert jitter.cycle_to_cycle_us is None
    assert jitter.count == 9


def praat(times_s):
    parselmouth = pytest.importorskip("parselmouth")
    process = parselmouth.praat.call("Create empty PointProcess", "ticks", 0.0, float(times_s[-1]) + 1)
    for time in times_s:
        parselmouth.praat.call(process, "Add point", float(time))
    settings = (0, 0, 1e-4, 1.0, 1.3)
    return {
        name: parselmouth.praat.call(process, f"Get jitter ({name})", *settings)
        for name in ("local", "local, absolute", "rap", "ppq5")
    }


def test_praat_gives_the_reference_figures_of_sequence_a():
    # Praat manual: local, RAP, PPQ5; this pins the oracle that the next test leans on.
    figures = praat(ticks(SEQUENCE_A_MS / 1e3))
    assert figures["local"] == pytest.approx(0.0074902471, rel=1e-6)
    assert figures["rap"] == pytest.approx(0.0046814044, rel=1e-6)
    assert figures["ppq5"] == pytest.approx(0.0043224967, rel=1e-6)
    without_one = praat(np.delete(ticks(SEQUENCE_A_MS / 1e3), 6))
    assert without_one["local"] == pytest.approx(0.0073405385, rel=1e-6)


def test_a_skip_leaves_praat_and_us_agreed():
    # Praat drops pairs of intervals whose ratio is above 1.3: just those beside a skip. The mean absolute difference of
    # normal noise is sqrt(2/pi) of its rms.
    heard = noisy_train(1, tick_us=50.0)
    missing = np.random.default_rng(2).random(heard.size) < 0.04
    jitter = jitter_of(np.where(missing, np.nan, heard))
    absolute_us = praat(heard[~missing])["local, absolute"] * 1e6
    assert absolute_us == pytest.approx(jitter.cycle_to_cycle_us * np.sqrt(2 / np.pi), rel=0.02)
    assert jitter.cycle_to_cycle_us == pytest.approx(jitter_of(heard).cycle_to_cycle_us, rel=0.03)
    naive_us = np.sqrt(np.mean(np.diff(heard[~missing], n=2) ** 2)) * 1e6
    assert naive_us > 100 * jitter.cycle_to_cycle_us


# --- relations that tell injector from engine -------------------------------------------------------------------------


@pytest.mark.parametrize("step", [1, 0.5])
def test_white_tick_error(step):
    # sqrt(2), sqrt(6) and 1 times sigma; ratio sqrt(3), lag-1 correlation -0.5 (by arithmetic).
    jitter = jitter_of(noisy_train(3, events=20_000, tick_us=50.0), step=step)
    assert jitter.time_interval_error_us == pytest.approx(50, rel=0.02)
    assert jitter.period_us == pytest.approx(np.sqrt(2) * 50, rel=0.02)
    assert jitter.cycle_to_cycle_us == pytest.approx(np.sqrt(6) * 50, rel=0.02)
    assert jitter.ratio == pytest.approx(np.sqrt(3), rel=0.02)
    assert jitter.lag1 == pytest.approx(-0.5, abs=0.03)
    assert jitter.alternation_us < 1.5


def test_independent_intervals_read_as_the_trend_leaves_them():
    # sigma times sqrt(1 - 1/11) over sqrt(1 + 1/121), as docs/methods.md derives; cycle-to-cycle is sqrt(2) sigma.
    jitter = jitter_of(noisy_train(4, events=20_000, period_us=50.0))
    left = np.sqrt((1 - 1 / 11) / (1 + 1 / 121))
    assert jitter.period_us == pytest.approx(50 * left, rel=0.02)
    assert jitter.cycle_to_cycle_us == pytest.approx(np.sqrt(2) * 50, rel=0.02)
    assert jitter.ratio == pytest.approx(np.sqrt(2) / left, rel=0.02)
    assert jitter.lag1 == pytest.approx(-0.1, abs=0.03)


def test_an_even_rise_of_speed_is_no_jitter():
    # 700 to 2,200 1/min within 60 s, not a tick out of place.
    k = np.arange(1450)
    heard = np.sqrt((700 / 120) ** 2 + 2 * k * (1500 / 120 / 60))
    heard = (heard - 700 / 120) / (1500 / 120 / 60)
    jitter = jitter_of(heard)
    assert jitter.time_interval_error_us < 5
    assert jitter.period_us < 15  # an interval of 171 ms that shrinks by 0.35 ms each time bends by this much
    assert jitter.cycle_to_cycle_us < 15
    steady = jitter_of(heard + noisy_train(5, events=1450, tick_us=200.0, interval_s=0.0))
    assert steady.time_interval_error_us == pytest.approx(200, rel=0.06)


def test_alternation_is_kept_apart_from_scatter():
    heard = noisy_train(6, events=20_000, tick_us=50.0)
    swung = heard + 300e-6 * (-1.0) ** np.arange(heard.size)
    plain, alternating = jitter_of(heard), jitter_of(swung)
    assert alternating.alternation_us == pytest.approx(300, abs=1.5)
    for name in ("time_interval_error_us", "period_us", "cycle_to_cycle_us", "lag1"):
        assert getattr(alternating, name) == pytest.approx(getattr(plain, name), rel=1e-6)


@pytest.mark.parametrize("missing", [0.05, 0.3])
def test_thinned_trains_keep_their_figures(missing):
    heard = noisy_train(7, events=20_000, tick_us=50.0)
    gone = np.random.default_rng(8).random(heard.size) < missing
    jitter = jitter_of(np.where(gone, np.nan, heard))
    assert jitter.time_interval_error_us == pytest.approx(50, rel=0.02)
    assert jitter.period_us == pytest.approx(np.sqrt(2) * 50, rel=0.03)
    assert jitter.cycle_to_cycle_us == pytest.approx(np.sqrt(6) * 50, rel=0.03)


@given(st.floats(-1000, 1000), st.sampled_from([0.25, 0.5, 3.0]), st.integers(0, 500), st.sampled_from([1, 0.5]))
def test_start_scale_and_first_cycle_change_nothing_else(start, scale, first, step):
    heard = noisy_train(9, events=120, tick_us=80.0)
    heard[[30, 31, 70]] = np.nan
    plain, moved = jitter_of(heard, step=step), jitter_of(start + scale * heard, step=step, first=first)
    assert moved.time_interval_error_us == pytest.approx(scale * plain.time_interval_error_us, rel=1e-5)
    assert moved.cycle_to_cycle_us == pytest.approx(scale * plain.cycle_to_cycle_us, rel=1e-5)
    assert moved.ratio == pytest.approx(plain.ratio, rel=1e-5)
    assert moved.count == plain.count


def test_a_hole_in_the_row_of_due_events_counts_like_skips():
    heard = noisy_train(10, events=400, tick_us=60.0)
    gap = np.r_[0:150, 190:400]
    with_hole = measure_jitter(heard[gap], gap.astype(float), step=1)
    as_skips = jitter_of(np.where(np.isin(np.arange(400), gap), heard, np.nan))
    assert with_hole.count == as_skips.count == 358
    assert with_hole.period_us == pytest.approx(as_skips.period_us, rel=1e-9)
    assert with_hole.time_interval_error_us == pytest.approx(as_skips.time_interval_error_us, rel=1e-9)


@pytest.mark.parametrize("events", [0, 1, 2, 15])
def test_few_ticks_give_no_figures(events):
    jitter = jitter_of(noisy_train(11, events=events) if events else np.zeros(0))
    assert jitter.period_us is jitter.ratio is jitter.lag1 is jitter.alternation_us is None
    assert jitter.count == max(0, events - 1)


def test_every_second_tick_missing_leaves_no_interval():
    heard = noisy_train(12, events=400)
    heard[::2] = np.nan
    assert jitter_of(heard).period_us is None


def test_a_perfect_train_has_no_jitter():
    jitter = jitter_of(ticks(np.full(300, 0.16)))
    assert jitter.period_us == pytest.approx(0, abs=1e-3)
    assert jitter.cycle_to_cycle_us == pytest.approx(0, abs=1e-3)


@pytest.mark.parametrize(
    "call",
    [
        lambda: measure_jitter(np.zeros(3), np.arange(4.0), step=1),
        lambda: measure_jitter(np.zeros(3), np.arange(3.0), step=0),
        lambda: measure_jitter(np.zeros(3), np.array([0.0, 2.0, 1.0]), step=1),
        lambda: own_scatter(np.zeros(3), np.zeros(2), np.zeros(0), np.zeros(0), np.zeros(0, dtype=int)),
        lambda: own_scatter(np.zeros(3), np.zeros(3), np.zeros(2), np.zeros(2), np.zeros(1, dtype=int)),
    ],
)
def test_bad_rows_are_refused(call):
    with pytest.raises(ParameterError, match="expected"):
        call()


# --- the tick's own scatter -------------------------------------------------------------------------------------------

MEASUREMENT_US = 5.0


def scatter_of(seed, truth_us, *, others=None, strays=0, sags=0, **engine):
    rng = np.random.default_rng([31, seed])
    if sags:
        engine["sagging"] = np.sort(rng.choice(360, sags, replace=False)) + 3
    crank = draw_crank(rng, **engine)
    others = neighbours(scatter_us=50.0) if others is None else others
    rows = list(hear_all(rng, crank, own_us=np.hypot(truth_us, MEASUREMENT_US), others=others))
    rows[0] = rows[0].copy()
    rows[0][rng.choice(rows[0].size, strays, replace=False)] += rng.uniform(1e-3, 4e-3, strays)
    return own_scatter(*rows)


@pytest.mark.parametrize("wander_s", [0.5, 1.0, 3.0])
@pytest.mark.parametrize("truth_us", [100, 200, 500])
def test_own_scatter_on_an_even_engine(truth_us, wander_s):
    for seed in range(3):
        found = scatter_of(seed, truth_us, wander_s=wander_s)
        assert found.sigma_us == pytest.approx(truth_us, rel=0.2)
        assert 0 < found.low_us < found.sigma_us < found.high_us
        assert found.high_us < 1.4 * truth_us


def test_own_scatter_of_50_us_is_given_where_the_engine_is_calm():
    found = [scatter_of(seed, 50, wander_s=3.0) for seed in range(6)]
    assert [f.sigma_us for f in found] == pytest.approx([50] * 6, rel=0.2)
    assert all(f.low_us <= 50 <= f.high_us for f in found)


def test_a_tick_without_scatter_reads_near_zero():
    for seed in range(6):
        found = scatter_of(seed, 0)
        assert found.sigma_us is None or found.sigma_us < 20
        assert found.low_us == 0
    assert sum(scatter_of(seed, 0).sigma_us is not None for seed in range(6)) >= 4


@pytest.mark.parametrize("kind", [{}, {"blended": True}, {"firings": 1}], ids=["firings", "blended", "cycles"])
@pytest.mark.parametrize("truth_us", [50, 150])
def test_on_an_uneven_engine_the_interval_holds_the_truth_or_nothing_is_given(truth_us, kind):
    found = [scatter_of(seed, truth_us, uneven=0.003, **kind) for seed in range(10)]
    assert sum(f.low_us <= truth_us <= f.high_us for f in found) >= 9
    assert all(f.low_us > 0 or f.high_us <= STEADY_US for f in found if f.sigma_us is not None)


def test_unevenness_at_the_tick_is_what_bridging_two_neighbours_leaves():
    # Even walk between ticks a sixth of a cycle away on either side: 0.3 % of 26.7 ms a firing, over sqrt(2).
    expected_us = 0.003 * 160_000 / 6 / np.sqrt(2)
    found = [scatter_of(seed, 100, uneven=0.003, wander=0.001, others=neighbours(scatter_us=10.0)) for seed in range(4)]
    assert np.median([f.unevenness_us for f in found]) == pytest.approx(expected_us, rel=0.25)


def test_alone_the_tick_cannot_be_told_from_the_engine():
    for seed in range(4):
        found = scatter_of(seed, 150, others=())
        assert found.sigma_us is None
        assert found.low_us == 0
        assert found.high_us > 150


def test_strays_and_sags_of_the_engine_leave_the_estimate():
    for seed in range(3):
        plain = scatter_of(seed, 100)
        assert scatter_of(seed, 100, strays=8).sigma_us == pytest.approx(100, rel=0.2)
        assert scatter_of(seed, 100, sags=14).sigma_us == pytest.approx(100, rel=0.2)
        assert plain.sigma_us == pytest.approx(100, rel=0.2)


def test_where_a_sound_comes_from_and_when_the_file_starts_do_not_matter():
    rng = np.random.default_rng(17)
    own_s, own_cycle, other_s, other_cycle, source = hear_all(rng, draw_crank(rng), own_us=100, others=neighbours())
    plain = own_scatter(own_s, own_cycle, other_s, other_cycle, source)
    order = rng.permutation(other_s.size)
    lag = np.array([0.0, 3e-3, -2e-3, 1e-3, 4e-3])[source]  # each neighbour's sound has its own way to travel
    moved = own_scatter(
        own_s + 900, own_cycle + 7, (other_s + 900 + lag)[order], other_cycle[order] + 7, -source[order]
    )
    for name in ("sigma_us", "low_us", "high_us", "unevenness_us"):
        assert getattr(moved, name) == pytest.approx(getattr(plain, name), rel=0.02)


def test_unheard_ticks_and_rare_sounds_are_left_out():
    rng = np.random.default_rng(18)
    own_s, own_cycle, other_s, other_cycle, source = hear_all(rng, draw_crank(rng), own_us=100, others=neighbours())
    plain = own_scatter(own_s, own_cycle, other_s, other_cycle, source)
    padded = own_scatter(
        np.append(own_s, np.nan),
        np.append(own_cycle, own_cycle[-1] + 1),
        np.append(other_s, other_s[:3]),
        np.append(other_cycle, other_cycle[:3]),
        np.append(source, [9, 9, 9]),
    )
    assert padded.sigma_us == pytest.approx(plain.sigma_us, rel=1e-9)


def test_too_few_ticks_give_nothing():
    k = np.arange(30.0)
    found = own_scatter(0.16 * k, k, 0.16 * k + 0.08, k + 0.5, np.zeros(30, dtype=int))
    assert found.sigma_us is found.low_us is found.high_us is None


def test_a_perfect_train_has_no_own_scatter():
    k = np.arange(300.0)
    found = own_scatter(0.16 * k, k, 0.16 * k + 0.08, k + 0.5, np.zeros(300, dtype=int))
    assert found.sigma_us < 1
    assert found.high_us < STEADY_US


def test_the_banded_likelihood_agrees_with_a_dense_one():
    """Differences between variances must match those of the full covariance of all times, written out."""
    rng = np.random.default_rng(19)
    cycle = np.sort(rng.uniform(0, 12, 40))
    source = rng.integers(0, 3, 40)
    time_us = 160e3 * cycle + 300 * rng.normal(size=40)
    model = second_differences(time_us, cycle, source)

    def dense(variance):
        scatter, (step, walk, wander) = variance[:3], variance[3:]
        early, late = np.minimum.outer(cycle, cycle), np.maximum.outer(cycle, cycle)
        full = np.diag(scatter[source]) + walk * early + wander * early**2 * (3 * late - early) / 6
        for at in cycle[source == 0]:
            ramp = np.maximum(cycle - at, 0)
            full = full + step * np.outer(ramp, ramp)
        line = np.column_stack([np.ones(40), cycle])
        free = np.linalg.svd(line.T)[2][2:]  # combinations that no constant speed reaches
        covariance = free @ full @ free.T
        data, phases = free @ time_us, free @ (source[:, None] == [1, 2])
        inverse = np.linalg.inv(covariance)
        inverse -= inverse @ phases @ np.linalg.solve(phases.T @ inverse @ phases, phases.T @ inverse)
        return 0.5 * (np.linalg.slogdet(covariance)[1] + data @ inverse @ data)

    one = np.array([1e4, 2e4, 5e3, 1e5, 3e4, 4e5])
    other = np.array([4e4, 1e4, 9e3, 2e5, 1e4, 1e5])
    banded = _normal(model, other).loss - _normal(model, one).loss
    assert banded == pytest.approx(dense(other) - dense(one), rel=1e-6)


@pytest.mark.parametrize("seed", range(12))
def test_odd_times_give_an_interval_or_nothing(seed):
    """Sounds at one place, scatter from 0.1 us to 100 ms, a ragged engine, few ticks: no exception and no warning."""
    rng = np.random.default_rng([41, seed])
    events = int(rng.integers(50, 300))
    k = np.arange(events, dtype=float) * rng.choice([1, 0.5])
    engine = 0.16 * k + 10.0 ** rng.uniform(-6, -1.5) * np.cumsum(rng.normal(size=events))
    phases = rng.choice([0, 0.5, 0.25, 1e-6], rng.integers(0, 5))
    own = engine + 10.0 ** rng.uniform(-7, -1) * rng.standard_t(2, size=events)
    own[rng.random(events) < rng.uniform(0, 0.6)] = np.nan
    others = [engine + 10.0 ** rng.uniform(-7, -1) * rng.standard_t(2, size=events) for _ in phases]
    found = own_scatter(
        np.full(events, 3.0) if seed == 0 else own,
        k,
        np.concatenate([np.zeros(0), *others]),
        np.concatenate([np.zeros(0), *(k + phase for phase in phases)]),
        np.repeat(np.arange(phases.size), events),
    )
    if found.high_us is not None:
        assert 0 <= found.low_us <= found.high_us < np.inf
    jitter = measure_jitter(own, k, step=k[1])
    assert jitter.period_us is None or 0 <= jitter.period_us < np.inf
