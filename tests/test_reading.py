"""The whole path on simulated engines with known truth."""

from dataclasses import replace

import numpy as np
import pytest
from conftest import SKIPPED
from matching import score
from scipy import signal

from injsound import reading as reading_room
from injsound.codes import Neighbours, Pattern, ReasonCode, SpanKind, State, StepCode, Verdict, WarningCode
from injsound.engine import Engine, Injection
from injsound.errors import ParameterError
from injsound.reading import read
from injsound.simulate import Chain, Scene, Skipping, simulate
from injsound.sound.own import ticks
from injsound.values import Recording

SIX = Engine(cylinders=6, cylinder=2, firing_order=(1, 5, 3, 6, 2, 4))


def _read(scene, **settings):
    recording, truth = simulate(scene)
    return read([recording], engine=scene.engine, rpm=settings.pop("rpm", scene.rpm), **settings), truth


def test_twelve_of_375_are_found_exactly(twelve, twelve_read):
    # Exact limits of 12 in 375: 1.664 to 5.523 % (Clopper-Pearson; recomputed with scipy and statsmodels).
    counted = score(twelve_read, twelve[1])
    assert (counted.right, counted.false, counted.missed, counted.lost) == (12, 0, 0, 0)
    assert twelve_read.verdict is Verdict.SKIPPING
    assert twelve_read.skips.skipped == 12
    assert twelve_read.skips.judged in (373, 374, 375)
    assert twelve_read.skips.rate_low == pytest.approx(0.01664, abs=2e-4)
    assert twelve_read.skips.rate_high == pytest.approx(0.05523, abs=3e-4)
    assert twelve_read.skips.pattern is Pattern.SCATTERED


def test_none_of_375_is_steady_with_its_bound():
    # 1 - 0.05^(1/375) = 0.7957 %: rule of three, Jovanovic and Levy, Am. Stat. 51(2), 1997.
    reading, truth = _read(Scene(seed=42, rpm=750.0, tick_db=18.0, neighbour_db=-14.0, engine=SIX))
    assert reading.verdict is Verdict.STEADY
    assert reading.skips.skipped == 0
    assert reading.skips.rate_high == pytest.approx(0.00796, abs=5e-5)
    assert score(reading, truth).lost == 0


def test_a_tick_hardly_louder_than_its_neighbours_is_not_called_steady(whole, whole_read):
    # 6 dB over what is at the neighbours' places: a neighbour beside a silent injector stands out as much.
    assert whole_read.verdict is Verdict.CANNOT_TELL
    assert whole_read.reasons[0].code is ReasonCode.MAY_BE_NEIGHBOUR
    assert whole_read.skips.skipped == 0
    assert score(whole_read, whole[1]).lost == 0


_CHAT = Scene(seconds=45.0, rpm=700.0, tick_db=14.0, skipping=Skipping.SCATTERED, skip_rate=0.05)


@pytest.mark.parametrize("seed", [7091, 7092, 7093])
def test_talk_hides_what_lies_under_it_and_nothing_else(seed):
    # At the first two the ticks stood out less by a quarter, at the last the clock counted thirds of a cycle.
    quiet, _ = _read(replace(_CHAT, seed=seed))
    reading, truth = _read(replace(_CHAT, seed=seed, bursts_of_speech=5))
    assert reading.verdict is Verdict.SKIPPING
    assert reading.firing.rpm == pytest.approx(truth.rpm, rel=0.002)
    assert reading.quality.separation > 0.8 * quiet.quality.separation
    counted = score(reading, truth)
    assert counted.lost == 0
    assert counted.false + counted.missed <= 1


def test_figures_agree_with_the_truth(whole, whole_read):
    truth = whole[1]
    assert whole_read.firing.rpm == pytest.approx(truth.rpm, rel=0.002)
    assert whole_read.open_time.median_ms == pytest.approx(2.8, abs=0.1)
    heard = np.array([s is not State.SKIPPED for s in whole_read.events.state])
    at = whole_read.events.heard_at_s[heard & np.isfinite(whole_read.events.heard_at_s)]
    nearest = truth.heard_s[np.abs(truth.heard_s - at[:, None]).argmin(axis=1)]
    assert np.std(at - nearest) < 30e-6
    assert whole_read.neighbours in (Neighbours.HEARD, Neighbours.NOT_CHECKED)


def test_faint_ticks_are_not_counted():
    reading, _ = _read(Scene(seed=41, rpm=750.0, tick_db=-3.0, engine=SIX, skipping=Skipping.SCATTERED))
    assert reading.verdict in (Verdict.CANNOT_TELL, Verdict.NO_TICK)


def test_what_is_hardly_told_from_noise_has_no_scatter_of_its_own():
    scene = Scene(seed=9401, seconds=45.0, rpm=700.0, tick_db=7.0, skipping=Skipping.SCATTERED, skip_rate=0.05)
    reading, _ = _read(scene)
    assert reading.reasons[0].code is ReasonCode.WEAK_SEPARATION
    assert (reading.jitter.own_scatter_us, reading.jitter.own_scatter_high_us) == (None, None)
    assert reading.jitter.period_us > 0


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_dead_injector_is_never_steady(seed):
    reading, _ = _read(Scene(seed=seed, seconds=50.0, engine=SIX, skipping=Skipping.DEAD, tick_db=20.0))
    assert reading.verdict in (Verdict.NO_TICK, Verdict.CANNOT_TELL)


def test_a_valve_matched_instead_of_the_tick_beside_it_is_not_steady():
    # The valve strikes 2.6 ms before the open click and is nearly as loud through the tube; the injector skips.
    three = Engine(cylinders=3, cylinder=3, firing_order=(1, 2, 3))
    skipping = {"skipping": Skipping.BURSTS, "skip_rate": 0.0385, "burst": 6}
    levels = {"tick_db": 21.05, "neighbour_db": -13.1, "neighbour_spread_db": 2.02, "valve_db": -3.82, "valves": 3}
    engine = {"rpm": 749.52, "wander": 0.0241, "unevenness": 0.002, "rumble_db": 13.44, "hiss_db": -6.82, "bumps": 2}
    tick = {"open_time_ms": 3.443, "scatter_us": 69.6, "level_spread_db": 0.626, "chain": Chain.STETHOSCOPE}
    reading, _ = _read(Scene(seconds=60.0, seed=1009034884, engine=three, **skipping, **levels, **engine, **tick))
    assert reading.verdict is not Verdict.STEADY


@pytest.mark.parametrize(
    ("name", "settings"),
    [
        ("every second", {"skipping": Skipping.EVERY_NTH, "burst": 2}),
        ("half", {"skipping": Skipping.SCATTERED, "skip_rate": 0.5}),
        ("eight in a row", {"skipping": Skipping.LISTED, "skip_events": tuple(range(60, 68))}),
    ],
)
def test_missing_ticks_lose_no_count(name, settings):
    reading, truth = _read(Scene(seed=6, seconds=40.0, tick_db=18.0, engine=SIX, **settings))
    counted = score(reading, truth)
    assert counted.lost == 0, name
    assert counted.f1 >= 0.99, name


def test_every_second_tick_missing_is_regular():
    scene = Scene(seed=6, seconds=40.0, tick_db=18.0, engine=SIX, skipping=Skipping.EVERY_NTH, burst=2)
    assert _read(scene)[0].skips.pattern is Pattern.REGULAR


def test_a_valve_without_a_doublet_is_no_injector():
    scene = Scene(seed=9, seconds=40.0, engine=SIX, tick_db=18.0, skipping=Skipping.DEAD, neighbour_db=-90.0, valves=1,
                  valve_db=3.0)  # fmt: skip
    assert _read(scene)[0].verdict in (Verdict.NO_TICK, Verdict.CANNOT_TELL)


def _lone_low_clicks(missing):
    """A click of 2.2 kHz once in 170 ms, some left out, in noise; no second click, nothing else."""
    rng, sr = np.random.default_rng(1), 48_000
    at = 0.02 + np.cumsum(0.17 + 0.0008 * np.convolve(rng.standard_normal(300), np.ones(5) / 5, "same"))
    y = rng.standard_normal(round((at[-1] + 0.15) * sr))
    t = np.arange(round(0.008 * sr)) / sr
    ring = np.sin(2 * np.pi * 2_200 * t) * np.exp(-t / 0.0015)
    for start in np.round(np.delete(at, missing) * sr).astype(int):
        y[start : start + len(ring)] += 14 * 10 ** (0.8 * rng.standard_normal() / 20) * ring
    return Recording(y=(0.02 * y[round(0.1 * sr) :]).astype(np.float32), sr=sr)


@pytest.mark.parametrize(("missing", "verdict"), [((), Verdict.CANNOT_TELL), (range(20, 300, 17), Verdict.SKIPPING)])
def test_a_lone_low_click_is_told_from_a_valve_only_by_what_it_leaves_out(missing, verdict):
    four = Engine(cylinders=4, cylinder=2, firing_order=(1, 3, 4, 2))
    made = read([_lone_low_clicks(list(missing))], engine=four, rpm=706.0)
    assert made.verdict is verdict
    assert made.skips.skipped == len(missing)
    assert made.neighbour_places.over_db > 10
    if not missing:
        assert made.reasons[0].code is ReasonCode.TICK_UNLIKE_INJECTOR


def test_a_faint_click_is_not_asked_beside_a_far_clearer_and_steadier_one():
    # Its own click is low and lone, 21 over the noise; one of 5.6 at 5.3 kHz and two valves 2 ms apart were asked.
    recording, truth = simulate(Scene(seconds=30, rpm=900, skipping=Skipping.SCATTERED, seed=7))
    reading = read([recording], engine=Engine(cylinders=6), rpm=900)
    assert reading.verdict is Verdict.SKIPPING
    counted = score(reading, truth)
    assert (counted.right, counted.false, counted.missed) == (10, 0, 0)


ALONE = Engine(cylinders=1, cylinder=1)
_ALONE = Scene(seconds=60.0, rpm=900.0, tick_db=18.0, engine=ALONE)


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize(
    "skips",
    [{"skipping": Skipping.SCATTERED, "skip_rate": 0.05}, {"skipping": Skipping.EVERY_NTH, "burst": 2}],
    ids=["scattered", "every second"],
)
def test_an_engine_of_one_cylinder_is_counted_once_a_cycle(seed, skips):
    # Every line of its sound is one of the firing: its typed speed was contradicted, by up to 20 times.
    reading, truth = _read(replace(_ALONE, seed=seed, **skips))
    counted = score(reading, truth)
    assert reading.verdict is Verdict.SKIPPING
    assert reading.firing.rpm == pytest.approx(truth.rpm, rel=0.002)
    assert reading.next_step.code is StepCode.MOVE_WIRING  # there is no other injector
    assert (counted.false, counted.missed) == (0, 0)
    assert counted.lost <= 3  # of 447, at the very end, under what is taken for a loud sound


@pytest.mark.parametrize("seed", [2, 3])
def test_the_only_injector_is_no_neighbours(seed):
    reading, _ = _read(replace(_ALONE, seed=seed))
    assert reading.verdict is Verdict.STEADY


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_only_injector_dead_is_never_steady(seed):
    reading, _ = _read(replace(_ALONE, seed=seed, skipping=Skipping.DEAD))
    assert reading.verdict in (Verdict.CANNOT_TELL, Verdict.NO_TICK)
    assert reading.reasons[0].code is not ReasonCode.MAY_BE_NEIGHBOUR
    assert reading.next_step.code is StepCode.RECORD_AGAIN_CLOSER


@pytest.mark.parametrize("wrong", [0.5, 2.0])
def test_a_wrong_speed_of_one_cylinder_is_contradicted(wrong):
    reading, truth = _read(replace(_ALONE, seed=2), rpm=900.0 * wrong)
    assert reading.reasons[0].code is ReasonCode.RPM_CONTRADICTED
    assert reading.firing.rpm == pytest.approx(truth.rpm, rel=0.005)


def test_batch_mode_warns_of_partners():
    engine = replace(SIX, injection=Injection.BATCH)
    reading, _ = _read(Scene(seed=7, seconds=40.0, tick_db=18.0, engine=engine))
    assert WarningCode.NEIGHBOUR_COINCIDES in [note.code for note in reading.quality.warnings]
    assert reading.firing.events_per_revolution == 1.0


def test_a_change_of_mode_is_a_span_and_no_skip():
    # A train at 60/n first, then at 120/n: no skip, one change.
    reading, _ = _read(Scene(seed=8, seconds=50.0, tick_db=20.0, engine=SIX, mode_change_s=4.0))
    assert reading.skips.skipped == 0
    assert [s.kind for s in reading.spans].count(SpanKind.ONCE_PER_REVOLUTION) == 1


def test_a_fuel_cut_is_no_skip():
    scene = Scene(seed=10, seconds=50.0, tick_db=20.0, engine=SIX, fuel_cut_s=((20.0, 23.0),), neighbour_db=-8.0)
    reading, _ = _read(scene)
    assert reading.skips.skipped == 0
    inside = (reading.events.time_s > 20.1) & (reading.events.time_s < 22.9)
    assert all(reading.events.state[k] is State.UNJUDGED for k in np.flatnonzero(inside))


def test_lost_buffers_are_unjudged_and_no_skip():
    reading, truth = _read(Scene(seed=11, seconds=50.0, tick_db=20.0, engine=SIX, drops=25))
    assert reading.skips.skipped == 0
    assert truth.hidden.sum() >= 1
    assert reading.skips.due - reading.skips.judged >= truth.hidden.sum()


CHANGES = {
    "gain": lambda r: replace(r, y=0.05 * r.y),
    "polarity": lambda r: replace(r, y=-r.y),
    "rate": lambda r: replace(r, y=signal.resample_poly(r.y, 147, 160).astype(np.float32), sr=44_100),
    "silence before": lambda r: replace(r, y=_quiet_before(r)),
    "trimmed": lambda r: replace(r, y=r.y[round(0.32 * r.sr) :]),
}


@pytest.mark.parametrize("name", CHANGES)
def test_what_changes_no_count(name):
    scene = Scene(seed=42, rpm=750.0, tick_db=22.0, engine=SIX, skipping=Skipping.LISTED, skip_events=SKIPPED)
    recording, _ = simulate(scene)
    first, second = (read([r], engine=SIX, rpm=750.0) for r in (recording, CHANGES[name](recording)))
    assert second.skips.skipped == first.skips.skipped == len(SKIPPED)
    assert abs(second.skips.judged - first.skips.judged) <= 4


@pytest.mark.parametrize("name", CHANGES)
def test_what_turns_no_clear_call(twelve, twelve_read, name):
    # One of these skips meets a sound 9 dB under a tick: its probability is middling, and may cross a half.
    reading = read([CHANGES[name](twelve[0])], engine=SIX, rpm=750.0)
    p, q = twelve_read.events.skip_probability, reading.events.skip_probability
    clear = int(np.sum(p > 0.9))
    middling = int(np.sum((p >= 0.1) & (p <= 0.9)))
    assert middling <= 1
    assert clear <= np.sum(q > 0.5) <= clear + middling


def _quiet_before(recording):
    rng = np.random.default_rng(0)
    quiet = 1e-3 * rng.standard_normal(recording.sr).astype(np.float32)
    return np.concatenate([quiet, recording.y])


def _in_two(recording, at_s, *, overlap_s):
    cut, shared = round(at_s * recording.sr), round(overlap_s * recording.sr)
    return [
        replace(recording, y=recording.y[:cut], final=False),
        replace(recording, y=recording.y[cut - shared :], start_s=(cut - shared) / recording.sr),
    ]


@pytest.mark.parametrize(("overlap_s", "lost"), [(2.0, 0), (0.5, 0), (0.0, 1)])
def test_chapters_join_without_loss(twelve, twelve_read, overlap_s, lost):
    # Where nothing overlaps the event on the cut itself is in neither part.
    reading = read(_in_two(twelve[0], 31.0, overlap_s=overlap_s), engine=SIX, rpm=750.0)
    assert reading.skips.skipped == 12
    assert reading.skips.due >= twelve_read.skips.due - lost
    near = np.abs(reading.events.time_s[:, None] - twelve_read.events.time_s).min(axis=1)
    assert near.max() < 0.002


@pytest.mark.parametrize(
    ("level", "kind", "code"),
    [(0.0, SpanKind.SILENCE, WarningCode.DROPOUTS), (1.0, SpanKind.CLIPPED, WarningCode.CLIPPED)],
)
def test_what_two_chapters_share_is_told_once(twelve, level, kind, code):
    recording = twelve[0]
    y = recording.y.copy()
    y[round(30.0 * recording.sr) : round(30.1 * recording.sr)] = level
    reading = read(_in_two(replace(recording, y=y), 31.0, overlap_s=2.0), engine=SIX, rpm=750.0)
    assert [span.kind for span in reading.spans].count(kind) == 1
    told = next(note for note in reading.quality.warnings if note.code is code)
    assert told.figures["count"] == 1
    assert told.figures["seconds"] == pytest.approx(0.1, abs=0.01)


@pytest.mark.parametrize("rpm", [1100.0, None])
def test_a_speed_that_changes_between_chapters_spoils_no_count(rpm):
    # A cold engine that warms up: the needle was read at the start, or by nobody.
    profile = ((0.0, 1100.0), (50.0, 1100.0), (60.0, 750.0), (110.0, 750.0))
    scene = Scene(seed=11, seconds=110.0, rpm_profile=profile, tick_db=20.0, skipping=Skipping.SCATTERED, engine=SIX)
    recording, truth = simulate(scene)
    reading = read(_in_two(recording, 60.0, overlap_s=2.0), engine=SIX, rpm=rpm)
    assert reading.verdict is Verdict.SKIPPING
    assert WarningCode.RPM_CONTRADICTED not in [note.code for note in reading.quality.warnings]
    assert reading.skips.due == pytest.approx(len(truth.due_s), abs=3)
    assert reading.skips.skipped == pytest.approx(truth.skipped.sum(), abs=2)


def test_a_chapter_that_cannot_be_counted_is_a_span_and_a_warning(twelve):
    recording = twelve[0]
    noise = 0.01 * np.random.default_rng(4).standard_normal(len(recording.y) // 2).astype(np.float32)
    first = replace(recording, final=False)
    end_s = len(recording.y) / recording.sr
    reading = read([first, replace(recording, y=noise, start_s=end_s)], engine=SIX, rpm=750.0)
    assert reading.skips.skipped == 12
    lost = [span for span in reading.spans if span.kind is SpanKind.NO_LOCK]
    assert [(span.from_s, span.to_s) for span in lost] == [(end_s, reading.seconds)]
    warning = next(note for note in reading.quality.warnings if note.code is WarningCode.CYCLE_LOST)
    assert warning.figures["seconds"] == round(len(noise) / recording.sr)


@pytest.mark.parametrize(("at_s", "told"), [(21.0, Verdict.SKIPPING), (41.0, Verdict.CANNOT_TELL)])
def test_a_chapter_whose_tick_is_in_doubt_was_due_but_not_counted(twelve, twelve_read, monkeypatch, at_s, told):
    # Its cycle was followed: all of the recording's 375 events were due, and where most of them were not asked, "cannot
    # tell" whatever the rest holds.
    choose = ticks.choose_tick
    monkeypatch.setattr(
        ticks, "choose_tick", lambda *a, **k: _doubted(choose(*a, **k)) if a[3] == 0 else choose(*a, **k)
    )
    reading = read(_in_two(twelve[0], at_s, overlap_s=2.0), engine=SIX, rpm=750.0)
    assert reading.verdict is told
    assert [(s.from_s, s.to_s) for s in reading.spans if s.kind is SpanKind.NOT_COUNTED] == [(0.0, at_s - 1)]
    assert SpanKind.NO_LOCK not in [span.kind for span in reading.spans]
    notes = {note.code: note.figures for note in reading.quality.warnings}
    assert notes[WarningCode.NOT_COUNTED] == {"seconds": at_s - 1}
    assert WarningCode.CYCLE_LOST not in notes
    assert reading.skips.due == pytest.approx(twelve_read.skips.due, abs=1)
    near = np.abs(reading.events.time_s[:, None] - twelve_read.events.time_s).min(axis=1)
    assert near.max() < 0.002
    asked = reading.events.time_s >= at_s - 1
    assert reading.skips.judged == pytest.approx(asked.sum(), abs=3)
    if told is Verdict.CANNOT_TELL:
        (reason,) = reading.reasons
        assert reason.code is ReasonCode.MANY_UNJUDGED
        assert reason.figures["due"] - reason.figures["unjudged"] == reading.skips.judged


def _doubted(choice, *, only_by_skips=False):
    return replace(choice, found=ticks.Found.TWO, rival=choice.own, only_by_skips=only_by_skips)


def test_no_chapter_keeps_its_samples(twelve, monkeypatch):
    # A doubtful tick is counted all the same, and what the chapter is without that count is kept beside it.
    choose, joined, seen = ticks.choose_tick, reading_room.join, []
    monkeypatch.setattr(ticks, "choose_tick", lambda *a, **k: _doubted(choose(*a, **k), only_by_skips=True))
    monkeypatch.setattr(reading_room, "join", lambda heard, *a, **k: seen.extend(heard) or joined(heard, *a, **k))
    read(_in_two(twelve[0], 31.0, overlap_s=2.0), engine=SIX, rpm=750.0)
    assert all(chapter.uncounted for chapter in seen)
    assert [part.recording.y.nbytes for chapter in seen for part in (chapter, chapter.uncounted)] == [0, 0, 0, 0]
    assert all(part.recording.y.base.nbytes == 0 for chapter in seen for part in (chapter, chapter.uncounted))


def test_without_rpm_both_readings_are_given(whole, whole_read):
    reading = read([whole[0]], engine=SIX)
    speeds = sorted([reading.firing.rpm, *(firing.rpm for firing in reading.alternatives)])
    assert len(speeds) == 2
    assert speeds[1] / speeds[0] == pytest.approx(2.0)
    assert any(speed == pytest.approx(whole_read.firing.rpm, rel=0.01) for speed in speeds)
    assert WarningCode.RPM_ESTIMATED in [note.code for note in reading.quality.warnings]


@pytest.mark.parametrize(
    ("seconds", "skipped", "reason", "needed"),
    # "Steady" takes 283 events (docs/methods.md, 'Would a fault have shown?'); 120/700 s each: 9 want 274 more, 47.0 s.
    [(1.6, (), ReasonCode.TOO_FEW_EVENTS, 283), (2.0, (4, 7), ReasonCode.UNCERTAIN_CALLS, None)],
)
def test_fewer_cycles_than_tell_the_speed_are_too_few_not_faint(seconds, skipped, reason, needed):
    four = Engine(cylinders=4, cylinder=1)
    missing = {"skipping": Skipping.LISTED, "skip_events": skipped} if skipped else {}
    recording, _ = simulate(Scene(seconds=6.0, sr=16_000, tick_db=22.0, rpm=700.0, engine=four, **missing))
    made = read([replace(recording, y=recording.y[: round(seconds * 16_000)])], engine=four, rpm=700.0)
    assert made.firing is None
    assert made.verdict is Verdict.CANNOT_TELL
    assert made.reasons[0].code is reason
    assert made.reasons[0].figures["judged"] == made.skips.judged
    assert made.reasons[0].figures.get("skipped", 0) == len(skipped)
    assert made.reasons[0].figures.get("needed") == needed
    assert made.next_step.code is StepCode.RECORD_LONGER
    assert made.next_step.figures["seconds"] == 50


def test_noise_is_no_engine():
    y = np.random.default_rng(1).standard_normal(30 * 24_000).astype(np.float32)
    reading = read([Recording(y=0.1 * y, sr=24_000)], engine=SIX, rpm=700.0)
    assert reading.verdict is Verdict.NO_TICK
    assert [note.code for note in reading.reasons] == [ReasonCode.NOT_A_RECORDING_OF_AN_ENGINE]


def test_nothing_to_read_is_refused():
    with pytest.raises(ParameterError, match="no chapter to read"):
        read([], engine=SIX)


def test_a_scrap_of_sound_is_refused(whole):
    with pytest.raises(ParameterError, match=r"at 0 s is 0.02 s long; expected 1 s or more"):
        read([replace(whole[0], y=whole[0].y[: round(0.02 * whole[0].sr)])], engine=SIX)


def test_an_impossible_speed_is_refused(whole):
    with pytest.raises(ParameterError, match="rpm is 0"):
        read([whole[0]], engine=SIX, rpm=0.0)


@pytest.mark.parametrize("wrong", [np.nan, np.inf, -np.inf])
def test_a_sample_that_is_no_number_is_refused(whole, wrong):
    y = whole[0].y.copy()
    y[1234] = wrong
    with pytest.raises(ParameterError, match=rf"sample 1234 of the chapter at 0 s is {wrong}; expected a number"):
        read([replace(whole[0], y=y)], engine=SIX, rpm=750.0)
