"""How often the stated limits hold the truth: ``python tests/benchmarks/limits.py rates|scatter [trials]``.

Prints the tables of docs/methods.md. Trains are drawn apart from any that were looked at while the methods were chosen.
"""

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
from crank import draw_crank, hear_all, neighbours

from injsound.findings.proportions import exact_limits
from injsound.findings.trains import rate_limits, skip_pattern
from injsound.sound.timing.scatter import own_scatter

SEED = 20_240_607


def scattered_train(rng, *, events, rate):
    return rng.random(events) < rate


def bursty_train(rng, *, events, rate, heard_inside):
    """Bursts of 3 to 8 events with geometric stretches between, looked into at a random moment."""
    share = rate / (1 - heard_inside)
    between = 5.5 * (1 - share) / share
    train = np.zeros(1000 + events + 10, dtype=bool)
    at = int(rng.geometric(1 / between))
    while at < 1000 + events:
        length = int(rng.integers(3, 9))
        train[at : at + length] = True
        at += length + int(rng.geometric(1 / between))
    return train[1000 : 1000 + events] & (rng.random(events) >= heard_inside)


TRAINS = {
    "scattered": scattered_train,
    "bursts of 3-8": lambda rng, **scene: bursty_train(rng, **scene, heard_inside=0.0),
    "the same, 20 % heard inside": lambda rng, **scene: bursty_train(rng, **scene, heard_inside=0.2),
}


def rate_coverage(trials):
    print("| skips | events | rate | none skipped | exact holds | widened holds | width ratio | called bursts |")
    print("|---|---|---|---|---|---|---|---|")
    rng = np.random.default_rng(SEED)
    for name, draw in TRAINS.items():
        for events in (150, 250, 400):
            for rate in (0.01, 0.03, 0.05, 0.10):
                trains = [draw(rng, events=events, rate=rate) for _ in range(trials)]
                print(f"| {name} | {events} | {rate:.0%} | {_rate_row(trains, rate)} |", flush=True)


def _rate_row(trains, rate):
    some = [train for train in trains if train.any()]
    exact = np.array([exact_limits(int(train.sum()), train.size) for train in some])
    wide = np.array([rate_limits(train) for train in some])
    bursts = np.mean([skip_pattern(train)[0] == "bursts" for train in some])
    held = [np.mean((limits[:, 0] <= rate) & (rate <= limits[:, 1])) for limits in (exact, wide)]
    width = np.median(np.diff(wide) / np.diff(exact))
    return f"{1 - len(some) / len(trains):.1%} | {held[0]:.1%} | {held[1]:.1%} | {width:.2f} | {bursts:.1%}"


ENGINES = {
    "even, wander over 0.5 s": {"wander_s": 0.5},
    "even, 1 s": {},
    "even, 3 s": {"wander_s": 3.0},
    "0.3 % firing to firing": {"uneven": 0.003},
    "the same, blended": {"uneven": 0.003, "blended": True},
    "0.3 % cycle to cycle": {"uneven": 0.003, "firings": 1},
    "even, 12 sags": {"sagging": "drawn"},
}
SOUNDS = {
    "5 neighbours, 40 us": neighbours(6, 40.0),
    "5 neighbours, 100 us": neighbours(6, 100.0),
    "3 neighbours, 60 us": neighbours(4, 60.0),
    "2 valves, 300 us": ((0.23, 300.0), (0.61, 300.0)),
    "none": (),
}
MEASUREMENT_US = 5.0


TRUTHS_US = (0, 50, 100, 200, 500)


def scatter_coverage(trials):
    print("| other sounds | engine | given, % | within 20 % of those, % | interval holds, % | median upper end, us |")
    print("|---|---|---|---|---|---|")
    rng = np.random.default_rng(SEED)
    for sounds, others in SOUNDS.items():
        for name, engine in ENGINES.items():
            found = [[_one_scatter(rng, truth, others, dict(engine)) for _ in range(trials)] for truth in TRUTHS_US]
            columns = zip(*map(_scatter_figures, found, TRUTHS_US), strict=True)
            print(f"| {sounds} | {name} | {' | '.join(' / '.join(column) for column in columns)} |", flush=True)


def _one_scatter(rng, truth, others, engine):
    if "sagging" in engine:
        engine["sagging"] = np.sort(rng.choice(360, 12, replace=False)) + 3
    turn = rng.uniform()  # where in the cycle the injector ticks, against the steps of unevenness
    rows = hear_all(
        rng,
        draw_crank(rng, **engine),
        own_us=np.hypot(truth, MEASUREMENT_US),
        own_phase=0.03 + turn,
        others=[(phase + turn, scatter) for phase, scatter in others],
    )
    return own_scatter(*rows)


def _scatter_figures(found, truth):
    given = [f.sigma_us for f in found if f.sigma_us is not None]
    near = [abs(sigma - truth) <= (0.2 * truth or 20) for sigma in given]
    held = [f.low_us <= truth <= f.high_us for f in found]
    shares = [len(given) / len(found), np.mean(near) if near else None, np.mean(held)]
    return *(
        "–" if share is None else f"{share:.0%}"[:-1] for share in shares
    ), f"{np.median([f.high_us for f in found]):.0f}"


if __name__ == "__main__":
    run = {"rates": rate_coverage, "scatter": scatter_coverage}[sys.argv[1]]
    run(int(sys.argv[2]) if len(sys.argv) > 2 else 1000)
