"""Recordings a minute with one, two or more workers: ``python tests/benchmarks/throughput.py``.

A folder of simulated recordings of 40 s is read by ``injsound.cases.many`` in a process of its own for each number of
workers, starting them included. Prints the table of docs/batch.md.
"""

import argparse
import os
import subprocess
import sys
import tempfile
from pathlib import Path

from injsound.simulate import Scene, Skipping, simulate, write

_CHILD = """
import resource, sys, time
from joblib.externals.loky import get_reusable_executor
from injsound.cases.many import read_folder
from injsound.engine import Engine

start = time.perf_counter()
read = dict(read_folder(sys.argv[1], sys.argv[2], engine=Engine(cylinders=6), rpm=700.0, jobs=int(sys.argv[3])))
seconds = time.perf_counter() - start
assert not any(read.values()), read
get_reusable_executor(max_workers=int(sys.argv[3])).shutdown(wait=True)
own = next(int(line.split()[1]) for line in open("/proc/self/status") if line.startswith("VmHWM"))
print(seconds, max(own, resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss))
"""


def measure(folder: Path, out: Path, workers: int) -> tuple[float, float]:
    """Seconds for the whole folder, and the peak of the largest process [MB]."""
    command = [sys.executable, "-c", _CHILD, str(folder), str(out), str(workers)]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    seconds, peak_kb = (float(x) for x in done.stdout.split())
    return seconds, peak_kb / 1024


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--recordings", type=int, default=12)
    parser.add_argument("--workers", type=int, nargs="+", default=[1, 2])
    args = parser.parse_args()
    print(f"{os.cpu_count()} cores, {args.recordings} recordings of 40 s\n")
    print("| workers | s | recordings a minute | speed-up | peak of the largest process |\n|---|---|---|---|---|")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "sounds"
        folder.mkdir()
        for seed in range(args.recordings):
            scene = Scene(seconds=40.0, seed=seed, tick_db=18.0, skipping=Skipping.SCATTERED, skip_rate=0.03)
            write(folder / f"{seed}.flac", *simulate(scene))
        first = 0.0
        for workers in args.workers:
            seconds, peak_mb = measure(folder, Path(name) / f"out{workers}", workers)
            first = first or seconds
            rate = 60 * args.recordings / seconds
            print(f"| {workers} | {seconds:.1f} | {rate:.0f} | {first / seconds:.2f} | {peak_mb:.0f} MB |", flush=True)


if __name__ == "__main__":
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    main()
