"""How often compare, swap, wiggle and verify are right, wrong or withheld: ``python tests/benchmarks/diagnosis.py``.

At event level: scattered and bursty faults, unequal lengths and wrong calls, a fault that fades as the engine warms.
With ``--sound`` through simulated recordings of random engines and their readings. Prints the tables of
docs/methods.md, 'Episodes'; Ctrl-C prints what is done.
"""

import argparse
import os
import signal
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

from injsound.diagnoses import Stretch
from injsound.findings.compare import compare_injectors
from injsound.findings.episodes import arm_of
from injsound.findings.places import settled_takes
from injsound.findings.swap import find_fault
from injsound.findings.verify import verify_repair
from injsound.findings.wiggle import find_gathering
from injsound.job_codes import CompareVerdict, Stage, SwapVerdict, VerifyVerdict, WiggleVerdict
from injsound.reading import read
from injsound.simulate import Skipping, simulate

_INTERVAL_S = 0.17
_EDGE_S = 0.5  # a moved wire makes no skip at the very edge of its stretch
_SECONDS = ((45, 70), (70, 95), (95, 120))
_RATES = ((0.02, 0.05), (0.05, 0.1), (0.1, 0.2))


@dataclass(frozen=True)
class Trial:
    """One diagnosis and its truth."""

    test: str
    verdict: str
    outcome: str  # right, wrong or withheld
    episodes: int  # in the cells that truly skip, the fewest
    seconds: float
    rate: float


class Engine:
    """One engine of a trial: its fault, and its recordings, each made once whatever tests use it."""

    def __init__(self, seed, *, cylinders, sound):
        self.key = (seed, cylinders)
        rng = np.random.default_rng(self.key)
        self.burst = int(rng.choice([1, 1, 3, 5]))
        self.seconds = float(rng.uniform(45, 120))
        self.rate = float(rng.uniform(0.02, 0.2))
        self.drift = float(rng.choice([0.0, 0.0, 0.5]))
        self.false = float(rng.choice([0.0, 0.0, 5e-4]))
        self.scene = None
        if sound:
            engine = scenes.ENGINES[cylinders]
            self.scene = replace(scenes.random_engine(seed, "sound"), engine=engine, engine_seed=seed)
            self.false = 0.0
        self.made = {}

    def reading(self, cylinder, *, bad, stage=Stage.BEFORE):
        """A recording's reading; of the same length through sound, of unequal ones otherwise."""
        key = (cylinder, int(bad), list(Stage).index(stage))
        if key not in self.made:
            rng = np.random.default_rng([*self.key, *key])
            seconds = self.seconds if self.scene else self.seconds * rng.uniform(0.75, 1.3)
            self.made[key] = self.read(self._train(rng, seconds, self.rate if bad else 0.0), cylinder, rng)
        return self.made[key]

    def _train(self, rng, seconds, rate):
        """Skips; with drift the fault fades to that share by the end; wrong calls on top."""
        events = int(seconds / _INTERVAL_S)
        skipped = skip_train(rng, events, rate, burst=self.burst)
        if self.drift:
            skipped &= rng.random(events) < np.linspace(1, 1 - self.drift, events)
        return skipped | (rng.random(events) < self.false)

    def read(self, skipped, cylinder, rng):
        """As the events say, or through sound."""
        gap_ms = float(2.8 + 0.08 * rng.standard_normal())
        steady = float(np.exp(0.2 * rng.standard_normal()))
        seed = int(rng.integers(1 << 31))
        if self.scene is None:
            return made_reading(skipped, interval_s=_INTERVAL_S, false=0.02, missed=1e-4, steadiness_us=300 * steady,
                                open_time_ms=gap_ms, sha256=str(seed), summed=False)  # fmt: skip
        engine = replace(self.scene.engine, cylinder=cylinder)
        scene = replace(
            self.scene, engine=engine, seconds=len(skipped) * _INTERVAL_S, rpm=120 / _INTERVAL_S, open_time_ms=gap_ms,
            scatter_us=30 * steady, skipping=Skipping.LISTED, skip_events=tuple(np.flatnonzero(skipped[:-5]).tolist()),
            seed=seed,
        )  # fmt: skip
        return read([simulate(scene)[0]], engine=engine, rpm=round(scene.rpm, -1), sha256=str(seed))

    def trial(self, test, verdict, right, *withheld, episodes, seconds=None):
        """The diagnosis as it turned out."""
        outcome = "right" if verdict == right else "withheld" if verdict in withheld else "wrong"
        return Trial(test, str(verdict), outcome, episodes, seconds or self.seconds, self.rate)


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


def swap(engine, truth):
    """Two injectors change places."""
    faulty, right = _SWAPS[truth]
    takes = [
        take(engine.reading(cylinder, bad=bad, stage=stage), cylinder, injector=injector, stage=stage)
        for (cylinder, stage, injector), bad in zip(_CELLS, faulty, strict=True)
    ]
    if engine.scene:  # as in a case: with the other cylinders' recordings the engine's sound settles whose tick each is
        others = [take(engine.reading(c, bad=False), c) for c in range(3, engine.key[1] + 1)]
        takes = [t for t in settled_takes([*takes, *others])[0] if t.cylinder in (1, 2)]
    found = find_fault(takes).verdict
    # One that is left out as a neighbour's has none.
    kept = {(t.cylinder, t.stage): _episodes(t.reading) for t in takes}
    episodes = [kept.get((cylinder, stage), 0) for (cylinder, stage, _), bad in zip(_CELLS, faulty, strict=True) if bad]
    return engine.trial(f"swap, {truth}", found, right, SwapVerdict.NOT_SHOWN, episodes=min(episodes, default=0))


def compare(engine, truth):
    """A sound set, or one with a faulty injector."""
    cylinders = engine.key[1]
    takes = [take(engine.reading(c, bad=truth == "faulty" and c == 1), c) for c in range(1, cylinders + 1)]
    found = compare_injectors(takes)
    right = (CompareVerdict.ODD_ONE, (1,)) if truth == "faulty" else (CompareVerdict.NONE, ())
    made = engine.trial(f"compare, {truth} of {cylinders}", (found.verdict, found.odd), right,
                        (CompareVerdict.NOT_SHOWN, ()), episodes=_episodes(takes[0].reading))  # fmt: skip
    return replace(made, verdict=found.verdict.value)


def wiggle(engine, truth):
    """Six still and six moved stretches."""
    each = 8.0 if engine.scene else max(6.0, engine.seconds / 10)
    rng = np.random.default_rng([*engine.key, 90, truth == "wiring"])
    skipped = skip_train(rng, int(12 * each / _INTERVAL_S), engine.rate, burst=engine.burst)
    time = 0.1 + _INTERVAL_S * np.arange(len(skipped))
    moved = time // each % 2 == 1
    if truth == "wiring":
        skipped &= moved & (time % each > _EDGE_S) & (time % each < each - _EDGE_S)
    skipped |= rng.random(len(skipped)) < np.where(moved, 2, 1) * engine.false
    reading = engine.read(skipped, 2, rng)
    ends = [*(each * (k + 1) for k in range(11)), reading.seconds]  # of whole ticks
    stretches = [Stretch(from_s=each * k, to_s=end, moved=k % 2 == 1) for k, end in enumerate(ends)]
    found = find_gathering(reading, stretches)
    right = WiggleVerdict.GATHERS if truth == "wiring" else WiggleVerdict.DOES_NOT
    return engine.trial(f"wiggle, {truth}", found.verdict, right, WiggleVerdict.TOO_FEW, WiggleVerdict.NOT_SHOWN,
                        episodes=found.moved.episodes + found.still.episodes, seconds=12 * each)  # fmt: skip


def verify(engine, truth):
    """A repaired injector after a faulty one."""
    before = engine.reading(1, bad=True)
    after = engine.reading(1, bad=truth == "still", stage=Stage.AFTER)
    # An engine of two has too few fellows to be asked for: what their timing foretells is another test.
    two = replace(before.engine, cylinders=2, cylinder=1, firing_order=None)
    takes = [take(replace(before, engine=two), 1), take(replace(after, engine=two), 1, stage=Stage.AFTER)]
    found = verify_repair(takes, cylinder=1, leaks_checked=True).verdict
    right = VerifyVerdict.GOOD if truth == "good" else VerifyVerdict.STILL_SKIPPING
    episodes = min(_episodes(reading) for reading in ([before] if truth == "good" else [before, after]))
    return engine.trial(f"verify, {truth}", found, right, VerifyVerdict.NOT_ENOUGH, episodes=episodes)


_TESTS = {
    "swap": (swap, tuple(_SWAPS), (4,)),
    "compare": (compare, ("sound", "faulty"), (3, 4, 6, 8)),
    "wiggle": (wiggle, ("wiring", "injector"), (4,)),
    "verify": (verify, ("good", "still"), (4,)),
}


def all_trials(seed, *, only, sound):
    """Every test on the engines of one seed."""
    engines = {n: Engine(seed, cylinders=n, sound=sound) for n in ((4,) if sound else (3, 4, 6, 8))}
    return [
        run(engine, truth)
        for name, (run, truths, sizes) in _TESTS.items()
        if only in name
        for n, engine in engines.items()
        if n in sizes
        for truth in truths
    ]


# --- tables ---------------------------------------------------------------------------------------------------------


def _share(trials, outcome):
    return f"{100 * sum(t.outcome == outcome for t in trials) / len(trials):.2f}" if trials else "–"


def _row(name, trials):
    least = 10 if name.startswith("wiggle") else 7
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


def print_tables(rows):
    """The tables of docs/methods.md."""
    print("| test, truth | right | wrong | with 7 episodes (wiggle: 10) right | wrong | of trials | wrong verdicts |")
    print("|---|---|---|---|---|---|---|")
    for name, trials in rows.items():
        print(_row(name, trials))
    heads = [f"{low} to {high} s" for low, high in _SECONDS] + [f"{low:.0%} to {high:.0%}" for low, high in _RATES]
    print(f"\nright / wrong\n\n| test, truth | {' | '.join(heads)} |\n|---|---|---|---|---|---|---|")
    for name, trials in rows.items():
        print(_against(name, trials))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=10_000, help="trials of each situation at event level")
    parser.add_argument("--sound", action="store_true", help="through simulated sound instead")
    parser.add_argument("--sound-count", type=int, default=300, help="trials of each situation through sound")
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--only", default="", help="tests whose name contains this")
    parser.add_argument("--workers", type=int, default=os.cpu_count())
    args = parser.parse_args()
    count = args.sound_count if args.sound else args.count
    run = partial(all_trials, only=args.only, sound=args.sound)
    seeds = range(args.first, args.first + count)
    rows, done = {}, 0
    signal.signal(signal.SIGINT, signal.default_int_handler)  # what runs in the background would not hear it
    pool = ProcessPoolExecutor(args.workers)
    try:
        for trials in pool.map(run, seeds, chunksize=1 if args.sound else 20):
            done += 1
            for trial in trials:
                rows.setdefault(trial.test, []).append(trial)
                if args.sound and trial.outcome == "wrong":
                    print(f"seed {seeds[done - 1]}: {trial.test}: {trial.verdict}", file=sys.stderr)
            if done % max(1, count // 100) == 0:
                print(f"{done} of {count}", file=sys.stderr, flush=True)
    except KeyboardInterrupt:
        pass  # what is done is printed
    pool.shutdown(wait=False, cancel_futures=True)
    print(f"{done} trials each; per cent\n")
    print_tables(rows)


if __name__ == "__main__":
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    main()
