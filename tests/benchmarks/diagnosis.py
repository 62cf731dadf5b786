"""How often compare, swap, wiggle and verify are right, wrong or withheld: ``python tests/benchmarks/diagnosis.py``.

At event level: scattered and bursty faults, unequal lengths and wrong calls, a fault that fades as the engine warms.
With ``--sound`` through simulated recordings of random engines and their readings. Prints the tables of
docs/methods.md, 'Episodes'.
"""

import argparse
import os
import sys
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parent)]
import scenes
from takes import made_reading, skip_train, take

from injsound.diagnoses import CompareVerdict, Stage, SwapVerdict, VerifyVerdict, WiggleVerdict
from injsound.findings.compare import compare_injectors
from injsound.findings.episodes import arm_of
from injsound.findings.swap import find_fault
from injsound.findings.verify import verify_repair
from injsound.findings.wiggle import Stretch, find_gathering
from injsound.reading import read
from injsound.simulate import Skipping, simulate

_INTERVAL_S = 0.17
_EDGE_S = 0.5  # a moved wire makes no skip at the very edge of its stretch
_SECONDS = ((45, 70), (70, 95), (95, 120))
_RATES = ((0.02, 0.05), (0.05, 0.1), (0.1, 0.2))


@dataclass(frozen=True)
class Trial:
    """One diagnosis and its truth."""

    verdict: str
    outcome: str  # right, wrong or withheld
    episodes: int  # in the cells that truly skip, the fewest
    seconds: float
    rate: float


class Engine:
    """One engine of a trial: its fault, and how its recordings come to be read."""

    def __init__(self, seed, truth, *, sound, cylinders=4):
        self.rng = np.random.default_rng([seed, cylinders, sum(map(ord, truth))])
        rng = self.rng
        self.burst = int(rng.choice([1, 1, 3, 5]))
        self.seconds = float(rng.uniform(45, 120))
        self.lengths_s = self.seconds * rng.uniform(0.75, 1.3, size=4)
        self.rate = float(rng.uniform(0.02, 0.2))
        self.drift = float(rng.choice([0.0, 0.0, 0.5]))
        self.false = float(rng.choice([0.0, 0.0, 5e-4]))
        self.scene = None
        if sound:
            self.scene = replace(
                scenes.random_engine(seed, "sound"), engine=scenes.ENGINES[cylinders], engine_seed=seed
            )
            self.seconds, self.lengths_s, self.false = 45.0, np.full(4, 45.0), 0.0
        self.made = 0

    def train(self, seconds, rate):
        """Skips of one recording; with drift the fault fades to that share by its end; wrong calls on top."""
        events = int(seconds / _INTERVAL_S)
        skipped = skip_train(self.rng, events, rate, burst=self.burst)
        if self.drift:
            skipped &= self.rng.random(events) < np.linspace(1, 1 - self.drift, events)
        return skipped | (self.rng.random(events) < self.false)

    def reading(self, skipped, cylinder):
        """One recording's reading: as its events say, or through sound."""
        self.made += 1
        gap_ms = float(2.8 + 0.08 * self.rng.standard_normal())
        steady = float(np.exp(0.2 * self.rng.standard_normal()))
        key = f"recording {self.made}"
        if self.scene is None:
            return made_reading(skipped, interval_s=_INTERVAL_S, false=0.02, missed=1e-4, steadiness_us=300 * steady,
                                open_time_ms=gap_ms, sha256=key, summed=False)  # fmt: skip
        engine = replace(self.scene.engine, cylinder=cylinder)
        scene = replace(
            self.scene, engine=engine, seconds=len(skipped) * _INTERVAL_S, rpm=120 / _INTERVAL_S, open_time_ms=gap_ms,
            scatter_us=30 * steady, skipping=Skipping.LISTED, skip_events=tuple(np.flatnonzero(skipped[:-5]).tolist()),
            seed=int(self.rng.integers(1 << 31)),
        )  # fmt: skip
        return read([simulate(scene)[0]], engine=engine, rpm=round(scene.rpm, -1), file=key, sha256=key)

    def trial(self, verdict, right, withheld, *, episodes, seconds=None):
        """The diagnosis as it turned out."""
        outcome = "right" if verdict in right else "withheld" if verdict in withheld else "wrong"
        return Trial(str(verdict), outcome, episodes, seconds or self.seconds, self.rate)


def _episodes(reading):
    arm = arm_of(reading)
    return 0 if arm is None else arm.episodes


_CELLS = ((1, Stage.BEFORE, "A"), (2, Stage.BEFORE, "B"), (1, Stage.SWAPPED, "B"), (2, Stage.SWAPPED, "A"))
_SWAPS = {
    "injector": ((True, False, False, True), SwapVerdict.FOLLOWS_INJECTOR),
    "cylinder": ((True, False, True, False), SwapVerdict.STAYS_WITH_CYLINDER),
    "both": ((True, False, True, True), SwapVerdict.BOTH),
    "cured": ((True, False, False, False), SwapVerdict.NEITHER),
    "sound": ((False,) * 4, SwapVerdict.NOT_SHOWN),
}


def swap(truth, seed, *, sound):
    """Two injectors change places."""
    engine = Engine(seed, truth, sound=sound)
    faulty, right = _SWAPS[truth]
    takes = []
    for (cylinder, stage, injector), bad, seconds in zip(_CELLS, faulty, engine.lengths_s, strict=True):
        train = engine.train(seconds, engine.rate if bad else 0.0)
        takes.append(take(engine.reading(train, cylinder), cylinder, injector=injector, stage=stage))
    episodes = [_episodes(t.reading) for t, bad in zip(takes, faulty, strict=True) if bad]
    found = find_fault(takes).verdict
    return engine.trial(found, {right}, {SwapVerdict.NOT_SHOWN}, episodes=min(episodes, default=0))


def compare(case, seed, *, sound):
    """One engine; a sound one, or one with a faulty injector."""
    truth, cylinders = case
    engine = Engine(seed, truth, sound=sound, cylinders=cylinders)
    takes = []
    for cylinder in range(1, cylinders + 1):
        train = engine.train(engine.lengths_s[cylinder % 4], engine.rate if (truth, cylinder) == ("faulty", 2) else 0.0)
        takes.append(take(engine.reading(train, cylinder), cylinder))
    found = compare_injectors(takes)
    right = (CompareVerdict.ODD_ONE, (2,)) if truth == "faulty" else (CompareVerdict.NONE, ())
    outcome = engine.trial(
        (found.verdict, found.odd), {right}, {(CompareVerdict.NOT_SHOWN, ())}, episodes=_episodes(takes[1].reading)
    )
    return replace(outcome, verdict=found.verdict.value)


def wiggle(truth, seed, *, sound):
    """Six still and six moved stretches."""
    engine = Engine(seed, truth, sound=sound)
    each = engine.seconds / 10 if not sound else 8.0
    stretches = [Stretch(from_s=each * k, to_s=each * (k + 1), moved=k % 2 == 1) for k in range(12)]
    skipped = skip_train(engine.rng, int(12 * each / _INTERVAL_S), engine.rate, burst=engine.burst)
    time = 0.1 + _INTERVAL_S * np.arange(len(skipped))
    moved = time // each % 2 == 1
    if truth == "wiring":
        skipped &= moved & (time % each > _EDGE_S) & (time % each < each - _EDGE_S)
    skipped |= engine.rng.random(len(skipped)) < np.where(moved, 2, 1) * engine.false
    found = find_gathering(engine.reading(skipped, 2), stretches)
    right = WiggleVerdict.GATHERS if truth == "wiring" else WiggleVerdict.DOES_NOT
    episodes = found.moved.episodes + found.still.episodes
    return engine.trial(found.verdict, {right}, {WiggleVerdict.TOO_FEW}, episodes=episodes, seconds=12 * each)


def verify(truth, seed, *, sound):
    """One repaired injector after a faulty one."""
    engine = Engine(seed, truth, sound=sound)
    trains = [
        engine.train(seconds, rate)
        for seconds, rate in zip(
            engine.lengths_s, (engine.rate, engine.rate if truth == "still" else 0.0), strict=False
        )
    ]
    takes = [
        take(engine.reading(train, 2), 2, stage=stage)
        for train, stage in zip(trains, (Stage.BEFORE, Stage.AFTER), strict=True)
    ]
    found = verify_repair(takes, cylinder=2, leaks_checked=True).verdict
    right = VerifyVerdict.GOOD if truth == "good" else VerifyVerdict.STILL_SKIPPING
    episodes = min(_episodes(t.reading) for t in takes[: 1 if truth == "good" else 2])
    return engine.trial(found, {right}, {VerifyVerdict.NOT_ENOUGH}, episodes=episodes)


# --- tables ---------------------------------------------------------------------------------------------------------


def _share(trials, outcome):
    return f"{100 * sum(t.outcome == outcome for t in trials) / len(trials):.2f}" if trials else "–"


def _row(name, trials, least):
    many = [t for t in trials if t.episodes >= least]
    wrong = Counter(t.verdict for t in trials if t.outcome == "wrong").most_common()
    shares = [_share(group, outcome) for group in (trials, many) for outcome in ("right", "wrong")]
    told = ", ".join(f"{verdict} {count}" for verdict, count in wrong)
    return f"| {name} | {' | '.join(shares)} | {len(many)} | {told} |"


def _against(name, trials):
    """Right / wrong in per cent by the seconds recorded and by the skip rate."""
    groups = [[t for t in trials if low <= t.seconds < high] for low, high in _SECONDS]
    groups += [[t for t in trials if low <= t.rate < high] for low, high in _RATES]
    cells = (f"{_share(group, 'right')} / {_share(group, 'wrong')}" if group else "–" for group in groups)
    return f"| {name} | {' | '.join(cells)} |"


def _table(pool, run, cases, count, least):
    rows = {}
    for case in cases:
        name = f"{run.func.__name__}, {case if isinstance(case, str) else f'{case[0]} of {case[1]}'}"
        rows[name] = list(pool.map(partial(run, case), range(count), chunksize=max(1, min(50, count // 8))))
        print(_row(name, rows[name], least), flush=True)
    return [_against(name, trials) for name, trials in rows.items()]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=10_000, help="trials of each situation at event level")
    parser.add_argument("--sound", action="store_true", help="through simulated sound instead, recordings of 45 s")
    parser.add_argument("--sound-count", type=int, default=300, help="trials of each situation through sound")
    parser.add_argument("--only", default="", help="tests whose name contains this")
    parser.add_argument("--workers", type=int, default=os.cpu_count())
    args = parser.parse_args()
    sizes = (3,) if args.sound else (3, 4, 6, 8)
    tests = (
        (swap, tuple(_SWAPS), 7),
        (compare, [(truth, n) for truth in ("sound", "faulty") for n in sizes], 7),
        (wiggle, ("wiring", "injector"), 10),
        (verify, ("good", "still"), 7),
    )
    count = args.sound_count if args.sound else args.count
    print(f"{count} trials each; per cent\n\n| test, truth | right | wrong | with 7 episodes (wiggle: 10) right | wrong"
          " | of trials | wrong verdicts |\n|---|---|---|---|---|---|---|", flush=True)  # fmt: skip
    with ProcessPoolExecutor(args.workers) as pool:
        rows = [
            row
            for run, cases, least in tests
            if args.only in run.__name__
            for row in _table(pool, partial(run, sound=args.sound), cases, count, least)
        ]
    heads = [f"{low} to {high} s" for low, high in _SECONDS] + [f"{low:.0%} to {high:.0%}" for low, high in _RATES]
    print(f"\nright / wrong, per cent\n\n| test, truth | {' | '.join(heads)} |\n|---|---|---|---|---|---|---|")
    print("\n".join(rows))


if __name__ == "__main__":
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    main()
