"""How often the stated limits hold the truth: ``python tests/benchmarks/coverage.py [trials]``.

Prints the tables of docs/methods.md. Trains are drawn apart from any that were looked at while the methods were chosen.
"""

import sys

import numpy as np

from injsound.findings.proportions import exact_limits, rate_limits, skip_pattern

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


if __name__ == "__main__":
    rate_coverage(int(sys.argv[1]) if len(sys.argv) > 1 else 1000)
