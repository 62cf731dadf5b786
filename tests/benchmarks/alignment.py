"""How often the engine's common sound tells whose tick a recording holds: ``python tests/benchmarks/alignment.py``.

Engines of several recordings each: all right, one made at a neighbour's injector, one injector dead. Prints the table
of docs/methods.md, 'Alignment of recordings'.
"""

import argparse
import os
import sys
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from itertools import product

import numpy as np
from scenes import ENGINES

from injsound.diagnoses import Take
from injsound.findings.places import find_places
from injsound.job_codes import Placing
from injsound.reading import read
from injsound.simulate import Chain, Scene, Skipping, simulate

# How far valves differ from cylinder to cylinder: bodies of their own, a little, not at all.
VARIETIES = (1.0, 0.3, 0.1, 0.0)


def engine_scene(seed, cylinders, variety):
    """A random engine, warm and idling; only level and speed change from recording to recording."""
    rng = np.random.default_rng([seed, cylinders, round(100 * variety)])
    return Scene(
        seconds=30.0,
        sr=24_000,
        engine=ENGINES[cylinders],
        engine_seed=int(rng.integers(1 << 31)),
        rpm=float(rng.uniform(620, 1000)),
        wander=float(rng.uniform(0.004, 0.02)),
        valves=int(rng.integers(2, 4)),
        valve_db=float(rng.uniform(-12, -3)),
        valve_spread_db=float(rng.uniform(0, 3)),
        valve_variety=variety,
        path_db=float(rng.uniform(1, 4)),
        neighbour_db=float(rng.uniform(-12, -6)),
        neighbour_spread_db=float(rng.uniform(1.5, 4)),
        hiss_db=float(rng.uniform(-12, -2)),
        rumble_db=float(rng.uniform(8, 18)),
        open_time_ms=float(rng.uniform(2, 4)),
        tick_db=float(rng.uniform(8, 24)),
        chain=Chain(rng.choice(list(Chain))),
    ), rng  # fmt: skip


def recorded(scene, rng, label, *, probe=None, dead=None):
    """A reading labelled with one cylinder, the probe at it or at another, one injector of the engine dead."""
    probe = probe or label
    made = replace(
        scene,
        seed=int(rng.integers(1 << 31)),
        begins_at=float(rng.uniform()),
        rpm=scene.rpm * float(rng.uniform(0.98, 1.02)),
        tick_db=scene.tick_db + float(rng.normal(0, 2)),
        engine=replace(scene.engine, cylinder=probe),
        skipping=Skipping.DEAD if probe == dead else Skipping.NONE,
        dead=() if dead in (None, probe) else (dead,),
    )
    reading = read([simulate(made)[0]], engine=replace(scene.engine, cylinder=label), rpm=made.rpm, file=f"cyl{label}")
    return Take(reading=reading, cylinder=label)


def engine_sets(seed, cylinders, variety):
    """Takes of one engine by kind of set, the cylinder asked about and its neighbour."""
    scene, rng = engine_scene(seed, cylinders, variety)
    odd = int(rng.integers(1, cylinders + 1))
    other = odd + 1 if odd < cylinders else odd - 1
    right = [recorded(scene, rng, c) for c in range(1, cylinders + 1)]
    wrong = recorded(scene, rng, odd, probe=other)
    sets = {
        "all right": right,
        "one at a neighbour's": [wrong if take.cylinder == odd else take for take in right],
        "one dead": [recorded(scene, rng, c, dead=odd) for c in range(1, cylinders + 1)],
    }
    return scene, sets, odd, other


def one_engine(job):
    """Outcomes by kind of set: what was said of the recording asked about and of its fellows."""
    scene, sets, odd, other = engine_sets(*job)
    said = []
    for kind, takes in sets.items():
        for take, place in zip(takes, find_places(takes), strict=True):
            asked = take.cylinder == odd and kind != "all right"
            truth = {"one at a neighbour's": (Placing.NEIGHBOUR, other), "one dead": (Placing.SILENT, None)}.get(kind)
            expected = truth if asked else (Placing.AT_PLACE, None)
            found = (place.placing, place.neighbour)
            # A dead injector's recording holds a neighbour's tick: to say so is right as well, but names nobody.
            usable = found == expected or (kind == "one dead" and asked and place.placing is Placing.NEIGHBOUR)
            outcome = "right" if found == expected else "not shown" if place.placing is Placing.NOT_SHOWN else (
                "left out" if usable else "wrong")  # fmt: skip
            said.append(((kind, "the one" if asked else "its fellows"), outcome, take.reading.verdict.value, place))
    return job, scene, said


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, nargs=2, default=(7000, 7010), help="from, and up to")
    parser.add_argument("--cylinders", type=int, nargs="+", default=(3, 4, 6))
    parser.add_argument("--varieties", type=float, nargs="+", default=VARIETIES)
    parser.add_argument("--workers", type=int, default=os.cpu_count())
    parser.add_argument("--tell", action="store_true", help="every recording")
    args = parser.parse_args()
    counts: dict[tuple, Counter] = {}
    with ProcessPoolExecutor(args.workers) as pool:
        jobs = list(product(range(*args.seeds), args.cylinders, args.varieties))
        for (seed, cylinders, variety), scene, said in pool.map(one_engine, jobs):
            for kind, outcome, verdict, place in said:
                for key in (("variety", variety), ("cylinders", cylinders), ("tick", 4 * int(scene.tick_db // 4))):
                    counts.setdefault((*key, *kind), Counter())[outcome] += 1
                if args.tell or outcome == "wrong":
                    told = (*kind, outcome, verdict, place.placing.value, place.neighbour, place.contrast)
                    print(seed, cylinders, variety, *told, file=sys.stderr, flush=True)
    print("| engines | set | recordings | right | left out | wrong | not shown |\n|---|---|---|---|---|---|---|")
    for (what, value, *kind), outcomes in sorted(counts.items()):
        cells = [f"{outcomes[name]}" for name in ("right", "left out", "wrong", "not shown")]
        print(f"| {what} {value} | {kind[0]}: {kind[1]} | {outcomes.total()} | {' | '.join(cells)} |")


if __name__ == "__main__":
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    main()
