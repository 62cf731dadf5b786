"""How right the readings are: ``python tests/benchmarks/accuracy.py grid|random|real|other [options]``.

``grid`` reads every scene of scenes.py with several seeds, beside two peers that are told each due time: a whitened
matched filter that knows the clean tick and takes the best threshold found afterwards, and librosa's onset detection.
``random`` reads random engines, ``real`` the real idling engines with ticks placed over them, ``other`` sounds that are
no engine. Prints the tables of docs/methods.md. The seeds printed there were never looked at while tuning.
"""

import argparse
import os
import sys
import tempfile
import warnings
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parent)]
import idling
import scenes
from matching import Score, f1_by_mir_eval, score

from injsound.codes import State, Verdict
from injsound.reading import read
from injsound.results import Events, Reading
from injsound.simulate import simulate, write
from injsound.simulate.chain import respond
from injsound.simulate.clicks import add_strikes, injector_clicks
from injsound.sound.decoding import audio
from injsound.sound.filters import whitened
from injsound.sound.waveforms import correlate_rows, cut

_NEAR_S = 0.003


@dataclass
class Row:
    """What one reading got right."""

    name: str
    score: Score
    verdict: Verdict
    reasons: str
    seed: int = 0
    rpm_error: float = float("nan")
    gap_error_ms: float = float("nan")
    scatter: tuple[float, float, float, float] = (np.nan,) * 4  # truth, estimate, low, high [us]
    separation: float = float("nan")
    reference_f1: float = float("nan")
    librosa_f1: float = float("nan")
    mir_eval_f1: float = float("nan")
    odds: list[tuple[float, bool]] = field(default_factory=list)  # skip probability of each judged event, and the truth


def read_scene(name, seed, *, peers=True):
    """Read one scene of the grid."""
    scene, codec = scenes.grid()[name]
    return _row(name, replace(scene, seed=seed), codec, peers=peers)


def read_random(kind, seed):
    """Read one random engine."""
    return replace(_row(kind, scenes.random_engine(seed, kind), None, peers=False), seed=seed)


def read_other(kind, seed):
    """Read a sound that is no engine."""
    reading = read([scenes.not_an_engine(seed, kind)], engine=scenes.SIX, rpm=750.0)
    return Row(kind, Score(0, 0, 0, 0, 0), reading.verdict, _reasons(reading), seed)


def read_real(take, db, tick, seed):
    """Read a real idling engine with ticks placed over it."""
    recording, truth, length_s = idling.place(take, db=db, tick=tick, seed=seed)
    reading = read([recording], engine=idling.ENGINE, rpm=120 / length_s)
    made = score(reading, truth)
    return Row(f"{Path(take).stem} {db if tick else 'as it is'}", made, reading.verdict, _reasons(reading), seed)


def _row(name, scene, codec, *, peers):
    recording, truth = simulate(scene)
    if codec:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / f"scene.{codec}"
            write(path, recording, truth)
            chapters = list(audio.chapters(path))
    else:
        chapters = [recording]
    reading = read(chapters, engine=scene.engine, rpm=round(scene.rpm / 10) * 10 if scene.rpm % 1 else scene.rpm)
    row = Row(name, score(reading, truth), reading.verdict, _reasons(reading), odds=_odds(reading, truth))
    if reading.firing:
        row.rpm_error = reading.firing.rpm / truth.rpm - 1
    if reading.open_time.median_ms:
        row.gap_error_ms = reading.open_time.median_ms - scene.open_time_ms
    own = reading.jitter
    figures = (own.own_scatter_us, own.own_scatter_low_us, own.own_scatter_high_us)
    row.scatter = (scene.scatter_us, *(np.nan if f is None else f for f in figures))
    row.separation = reading.quality.separation or np.nan
    row.mir_eval_f1 = f1_by_mir_eval(reading, truth)
    if peers:
        row.reference_f1 = _matched_filter(chapters[0], truth)
        row.librosa_f1 = _librosa(chapters[0], truth)
    return row


def _reasons(reading: Reading) -> str:
    return ", ".join(note.code.value for note in reading.reasons)


def _odds(reading: Reading, truth) -> list[tuple[float, bool]]:
    events: Events = reading.events
    if not len(events.time_s):
        return []
    nearest = np.abs(truth.due_s[:, None] - events.time_s).argmin(axis=0)
    offset = np.median(events.time_s - truth.due_s[nearest])
    near = np.abs(events.time_s - truth.due_s[nearest] - offset) < 0.004
    if abs(offset) > 0.010:  # another tick was counted
        return []
    return [
        (float(p), bool(truth.skipped[k]))
        for p, k, ok, s in zip(events.skip_probability, nearest, near, events.state, strict=True)
        if ok and s is not State.UNJUDGED and not truth.hidden[k]
    ]


# --- peers that are told each due time ------------------------------------------------------------------------------


def _matched_filter(recording, truth) -> float:
    """F1 of a matched filter that knows the clean tick and each time, at the threshold that turns out best."""
    if truth.hidden.all():
        return np.nan
    scene, sr = truth.scene, recording.sr
    body = np.random.default_rng(scene.seed).spawn(9)[3]
    tick = np.zeros(round(0.02 * sr))
    for click, at in zip(injector_clicks(body), (0.001, 0.001 + scene.open_time_ms * 1e-3), strict=True):
        add_strikes(tick, sr, click, np.array([at]), np.ones(1), 0.0, np.random.default_rng(0))
    padded = np.concatenate([np.zeros(sr), respond(tick, sr, scene.chain), np.zeros(sr)])
    noisy = np.concatenate([recording.y, padded])
    white = whitened(noisy, sr, high_hz=sr / 2)
    shape = white[len(recording.y) + sr :][: len(tick)]
    shape = shape / np.linalg.norm(shape)
    at = np.where(np.isnan(truth.heard_s), truth.due_s, truth.heard_s)[~truth.hidden]
    rows = cut(white[: len(recording.y)], sr, recording.start_s, at, 0.0012, len(tick) / sr - 0.001 + 0.0002)
    value = correlate_rows(rows, shape).max(axis=1)
    return _best_f1(value, truth.skipped[~truth.hidden])


def _best_f1(value, skipped) -> float:
    order = np.argsort(value)
    right = np.cumsum(skipped[order])
    called = np.arange(1, len(value) + 1)
    f1 = 2 * right / (called + skipped.sum())
    return float(f1.max()) if skipped.any() else 1.0


def _librosa(recording, truth) -> float:
    """F1 of librosa's onset detection: a due event without an onset within 3 ms is called skipped."""
    import librosa

    strength = librosa.onset.onset_strength(y=recording.y, sr=recording.sr, hop_length=64, n_fft=1024)
    onsets = librosa.onset.onset_detect(onset_envelope=strength, sr=recording.sr, hop_length=64, units="time")
    due, skipped = truth.due_s[~truth.hidden], truth.skipped[~truth.hidden]
    if not len(onsets):
        return 0.0
    called = np.abs(onsets[:, None] - due).min(axis=0) > _NEAR_S
    right, both = (called & skipped).sum(), called.sum() + skipped.sum()
    return float(2 * right / both) if both else 1.0


# --- tables ---------------------------------------------------------------------------------------------------------


def _map(run, jobs, workers):
    warnings.simplefilter("ignore", RuntimeWarning)  # means of nothing print as nan
    with ProcessPoolExecutor(workers) as pool:
        return [made.result() for made in [pool.submit(run, *job) for job in jobs]]


def _verdicts(rows) -> str:
    return ", ".join(f"{n} {v}" for v, n in Counter(row.verdict.value for row in rows).most_common())


def _f1(rows) -> tuple[float, float, float]:
    right, false, missed = (sum(getattr(row.score, k) for row in rows) for k in ("right", "false", "missed"))
    precision = right / (right + false) if right + false else 1.0
    recall = right / (right + missed) if right + missed else 1.0
    return precision, recall, 2 * right / (2 * right + false + missed) if right + false + missed else 1.0


def print_grid(rows):
    """One line per scene, counts of all seeds pooled; F1 leaves out readings that withheld their verdict."""
    print("| scene | precision | recall | F1 | lost | unjudged | rpm error % | open time error ms | d' | verdicts"
          " | matched filter | librosa |")  # fmt: skip
    print("|---|---|---|---|---|---|---|---|---|---|---|---|")
    for name in dict.fromkeys(row.name for row in rows):
        these = [row for row in rows if row.name == name]
        told = [row for row in these if row.verdict in (Verdict.SKIPPING, Verdict.STEADY)]
        p, r, f = _f1(told)
        lost, unjudged = (sum(getattr(row.score, k) for row in told) for k in ("lost", "unjudged"))
        rpm = max((abs(100 * row.rpm_error) for row in these), default=np.nan)
        gap = np.nanmax([np.nan, *(abs(row.gap_error_ms) for row in told)]) if told else np.nan
        peers = [np.nanmean([getattr(row, k) for row in these]) for k in ("reference_f1", "librosa_f1")]
        sep = np.nanmean([row.separation for row in told]) if told else np.nan
        print(f"| {name} | {p:.3f} | {r:.3f} | {f:.3f} | {lost} | {unjudged} | {rpm:.3f} | {gap:.3f} | {sep:.1f}"
              f" | {_verdicts(these)} | {peers[0]:.3f} | {peers[1]:.3f} |", flush=True)  # fmt: skip
        for row in these:
            if row.verdict is Verdict.CANNOT_TELL or row.score.false or row.score.missed or row.score.lost:
                print(f"  {row.score} {row.verdict.value}: {row.reasons}", file=sys.stderr)


def print_mir_eval(rows):
    """Whether mir_eval's matching gives the same F1."""
    off = [abs(row.score.f1 - row.mir_eval_f1) for row in rows]
    print(f"\nF1 by mir_eval's matching: the same in {sum(d < 1e-9 for d in off)} of {len(rows)} readings,"
          f" {max(off):.4f} apart at most")  # fmt: skip


def print_scatter(rows):
    """Own scatter against its truth."""
    print("\n| scene | truth us | estimate us | 95 % interval us |\n|---|---|---|---|")
    for row in rows:
        truth, estimate, low, high = row.scatter
        if "scatter" in row.name or "uneven" in row.name:
            print(f"| {row.name} | {truth:.0f} | {estimate:.0f} | {low:.0f} to {high:.0f} |")
    figures = np.array([row.scatter for row in rows])
    given = np.isfinite(figures[:, 1])
    bounded = np.isfinite(figures[:, 3])
    held = (figures[:, 2] <= figures[:, 0]) & (figures[:, 0] <= figures[:, 3])
    print(f"\nestimate given in {given.sum()} of {len(rows)} readings, an interval in {bounded.sum()};"
          f" it holds the truth in {held[bounded].sum()}")  # fmt: skip


def print_calibration(rows):
    """How often events given a probability were really skipped."""
    odds = np.array([pair for row in rows for pair in row.odds])
    if not len(odds):
        return
    print("\n| skip probability | events | mean given | skipped |\n|---|---|---|---|")
    for low, high in pairwise((0, 0.01, 0.1, 0.3, 0.5, 0.7, 0.9, 0.99, 1.01)):
        these = odds[(odds[:, 0] >= low) & (odds[:, 0] < high)]
        if len(these):
            given, skipped = these.mean(axis=0)
            print(f"| {low:g} to {min(high, 1):g} | {len(these)} | {given:.3f} | {skipped:.3f} |")
    middle = odds[(odds[:, 0] >= 0.1) & (odds[:, 0] <= 0.9)]
    if len(middle):
        print(f"\n0.1 to 0.9: {len(middle)} events, mean given {middle[:, 0].mean():.3f}, skipped"
              f" {middle[:, 1].mean():.3f}, error {abs(middle[:, 0].mean() - middle[:, 1].mean()):.3f}")  # fmt: skip


def print_verdicts(rows, *, show):
    """Verdicts per kind; ``show`` picks those worth a line of their own."""
    print("| kind | verdicts | F1 where told |\n|---|---|---|")
    for name in dict.fromkeys(row.name for row in rows):
        these = [row for row in rows if row.name == name]
        told = [row for row in these if row.verdict in (Verdict.SKIPPING, Verdict.STEADY)]
        print(f"| {name} | {_verdicts(these)} | {_f1(told)[2]:.3f} |")
    for row in rows:
        if show(row):
            print(f"  {row.name}, seed {row.seed}: {row.score} {row.verdict.value}: {row.reasons}", file=sys.stderr)


_WRONG = {
    "sound": {Verdict.SKIPPING, Verdict.NO_TICK},
    "skipping": {Verdict.STEADY, Verdict.NO_TICK},
    "dead": {Verdict.SKIPPING, Verdict.STEADY},
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=["grid", "random", "real", "other"])
    parser.add_argument("--seeds", type=int, nargs="+", default=[7001, 7002, 7003])
    parser.add_argument("--first", type=int, default=7_000, help="first seed of random engines")
    parser.add_argument("--count", type=int, default=300, help="random engines of each kind")
    parser.add_argument("--kinds", nargs="+", default=["sound", "skipping", "dead"])
    parser.add_argument("--only", default="", help="scenes whose name contains this")
    parser.add_argument("--no-peers", action="store_true")
    parser.add_argument("--takes", default=os.environ.get("INJSOUND_IDLE_TAKES", ""))
    parser.add_argument("--workers", type=int, default=os.cpu_count())
    args = parser.parse_args()
    if args.what == "grid":
        names = [name for name in scenes.grid() if args.only in name]
        jobs = [(name, seed, not args.no_peers) for name in names for seed in args.seeds]
        rows = _map(_read_scene, jobs, args.workers)
        print_grid(rows)
        print_mir_eval(rows)
        print_scatter(rows)
        print_calibration([row for row in rows if row.name.startswith(scenes.FAINT)])
    elif args.what == "random":
        jobs = [(kind, seed) for kind in args.kinds for seed in range(args.first, args.first + args.count)]
        rows = _map(read_random, jobs, args.workers)
        print_verdicts(rows, show=lambda r: r.verdict in _WRONG[r.name])
        print_scatter(rows)
    elif args.what == "real":
        jobs = [(take, db, tick, seed) for take in idling.takes(args.takes) for db, tick in idling.TICKS
                for seed in args.seeds]  # fmt: skip
        print_verdicts(_map(read_real, jobs, args.workers), show=lambda r: r.score.false or r.score.missed)
    else:
        jobs = [(kind, seed) for kind in ("noise", "speech", "music") for seed in range(args.first, args.first + 20)]
        print_verdicts(_map(read_other, jobs, args.workers), show=lambda r: r.verdict is not Verdict.NO_TICK)


def _read_scene(name, seed, peers):
    return read_scene(name, seed, peers=peers)


if __name__ == "__main__":
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    main()
