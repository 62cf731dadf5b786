"""How often compare, swap, wiggle and verify are right, wrong or withheld: ``python tests/benchmarks/diagnosis.py``.

At event level, without sound: scattered and bursty faults, unequal lengths and wrong calls, a fault that fades as the
engine warms. Prints the tables of docs/methods.md, 'Episodes'.
"""

import argparse
import os
import sys
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).parents[1])]
from takes import made_reading, skip_train, take

from injsound.diagnoses import Stage
from injsound.findings.compare import compare_injectors
from injsound.findings.episodes import arm_of
from injsound.findings.swap import find_fault
from injsound.findings.verify import verify_repair
from injsound.findings.wiggle import Stretch, find_gathering

_INTERVAL_S = 0.17


def _train(rng, seconds, rate, burst, *, drift=0.0, false=0.0):
    """A skip train; with drift the fault fades to that share by the end; wrong calls on top."""
    events = int(seconds / _INTERVAL_S)
    skipped = skip_train(rng, events, rate, burst=burst)
    if drift:
        skipped &= rng.random(events) < np.linspace(1, 1 - drift, events)
    return skipped | (rng.random(events) < false)


def _situation(rng):
    burst = int(rng.choice([1, 1, 3, 5]))
    seconds = float(rng.uniform(45, 120))
    return {
        "burst": burst,
        "rate": float(rng.uniform(0.02, 0.2)),
        "seconds": seconds * rng.uniform(0.75, 1.3, size=4),
        "drift": float(rng.choice([0.0, 0.0, 0.5])),
        "false": float(rng.choice([0.0, 0.0, 5e-4])),
    }


def swap(truth, seed):
    """One swap; returns the verdict and the episodes in the cells that truly skip."""
    rng = np.random.default_rng([seed, sum(map(ord, truth))])
    s = _situation(rng)
    faulty = {
        "injector": (True, False, False, True),
        "cylinder": (True, False, True, False),
        "both": (True, False, True, True),
        "cured": (True, False, False, False),
        "sound": (False,) * 4,
    }[truth]
    places = ((1, Stage.BEFORE, "A"), (2, Stage.BEFORE, "B"), (1, Stage.SWAPPED, "B"), (2, Stage.SWAPPED, "A"))
    takes = []
    for (cylinder, stage, injector), is_faulty, seconds in zip(places, faulty, s["seconds"], strict=True):
        rate = s["rate"] if is_faulty else 0.0
        train = _train(rng, seconds, rate, s["burst"], drift=s["drift"], false=s["false"])
        made = made_reading(train, interval_s=_INTERVAL_S, false=0.02, missed=1e-4, sha256=f"{len(takes)}")
        takes.append(take(made, cylinder, injector=injector, stage=stage))
    episodes = [arm_of(t.reading).episodes for t, bad in zip(takes, faulty, strict=True) if bad]
    return find_fault(takes).verdict.value, min(episodes, default=0)


def compare(case, seed):
    """One engine; a sound one, or one with a faulty injector."""
    truth, cylinders = case
    rng = np.random.default_rng([seed, cylinders, sum(map(ord, truth))])
    s = _situation(rng)
    takes = []
    for cylinder in range(1, cylinders + 1):
        rate = s["rate"] if truth == "faulty" and cylinder == 2 else 0.0
        train = _train(rng, s["seconds"][cylinder % 4], rate, s["burst"], false=s["false"])
        made = made_reading(
            train,
            interval_s=_INTERVAL_S,
            false=0.02,
            missed=1e-4,
            steadiness_us=float(300 * np.exp(0.2 * rng.standard_normal())),
            open_time_ms=float(2.8 + 0.08 * rng.standard_normal()),
            sha256=f"{cylinder}",
        )
        takes.append(take(made, cylinder))
    found = compare_injectors(takes)
    named = "" if not found.odd else " right" if found.odd == (2,) and truth == "faulty" else " wrong"
    return found.verdict.value + named, arm_of(takes[1].reading).episodes


def wiggle(truth, seed):
    """Six still and six moved stretches of 8 s."""
    rng = np.random.default_rng([seed, sum(map(ord, truth))])
    s = _situation(rng)
    stretches = [Stretch(from_s=8.0 * k, to_s=8.0 * (k + 1), moved=k % 2 == 1) for k in range(12)]
    events = int(96 / _INTERVAL_S)
    skipped = skip_train(rng, events, s["rate"], burst=s["burst"])
    moved = (0.1 + _INTERVAL_S * np.arange(events)) // 8 % 2 == 1
    if truth == "wiring":
        skipped &= moved
    skipped |= rng.random(events) < np.where(moved, 2, 1) * s["false"]
    found = find_gathering(made_reading(skipped, interval_s=_INTERVAL_S, false=0.02, missed=1e-4), stretches)
    return found.verdict.value, found.moved.episodes


def verify(truth, seed):
    """One repaired injector after a faulty one."""
    rng = np.random.default_rng([seed, sum(map(ord, truth))])
    s = _situation(rng)
    rates = {"good": 0.0, "still": s["rate"]}
    trains = (_train(rng, 60, s["rate"], s["burst"]), _train(rng, 60, rates[truth], s["burst"], false=s["false"]))
    takes = [
        take(made_reading(train, interval_s=_INTERVAL_S, false=0.02, missed=1e-4, sha256=stage.value), 2, stage=stage)
        for train, stage in zip(trains, (Stage.BEFORE, Stage.AFTER), strict=True)
    ]
    found = verify_repair(takes, cylinder=2, leaks_checked=True)
    return found.verdict.value, arm_of(takes[-1].reading).episodes


def _table(title, run, cases, count, least, workers):
    print(f"\n{title}\n\n| truth | verdicts | with {least} or more episodes |\n|---|---|---|")
    with ProcessPoolExecutor(workers) as pool:
        for case in cases:
            rows = list(pool.map(partial(run, case), range(count), chunksize=50))
            every, many = Counter(v for v, _ in rows), Counter(v for v, e in rows if e >= least)
            cells = (", ".join(f"{v} {100 * c / counts.total():.2f} %" for v, c in counts.most_common())
                     for counts in (every, many))  # fmt: skip
            name = case if isinstance(case, str) else f"{case[0]}, {case[1]} cylinders"
            print(f"| {name} | {' | '.join(cells)} |", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=10_000)
    parser.add_argument("--workers", type=int, default=os.cpu_count())
    args = parser.parse_args()
    _table("Swap", swap, ("injector", "cylinder", "both", "cured", "sound"), args.count, 7, args.workers)
    engines = [(truth, n) for truth in ("sound", "faulty") for n in (3, 4, 6, 8)]
    _table("Compare", compare, engines, args.count, 7, args.workers)
    _table("Wiggle", wiggle, ("wiring", "injector"), args.count, 10, args.workers)
    _table("Verify", verify, ("good", "still"), args.count, 7, args.workers)


if __name__ == "__main__":
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    main()
