"""How long a reading takes: ``python tests/benchmarks/speed.py [--long]``.

The reading of 60 s at 48 kHz as a ratio to librosa's onset detection on the same samples, both warm, taken in turn; the
whole command, picture and JSON, as a ratio to a script that imports librosa and detects onsets; with ``--long``, how
time and peak memory grow with 10 and 60 minutes.
"""

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile

from injsound.engine import Engine
from injsound.reading import read
from injsound.simulate import Scene, Skipping, simulate, write
from injsound.sound.decoding import audio

_SCENE = Scene(seconds=60.0, seed=5, rpm=700.0, tick_db=18.0, skipping=Skipping.SCATTERED, skip_rate=0.05)
_LIBROSA = """
import sys, librosa
y, sr = librosa.load(sys.argv[1], sr=None)
strength = librosa.onset.onset_strength(y=y, sr=sr, hop_length=64, n_fft=1024)
print(len(librosa.onset.onset_detect(onset_envelope=strength, sr=sr, hop_length=64)))
"""


def _seconds(run):
    start = time.perf_counter()
    run()
    return time.perf_counter() - start


def in_process(path: Path, times: int = 7) -> None:
    """The reading beside librosa's onset detection."""
    import librosa

    chapters = list(audio.chapters(path))
    y, sr = chapters[0].y, chapters[0].sr

    def ours():
        read(chapters, engine=Engine(cylinders=6), rpm=_SCENE.rpm)

    def theirs():
        strength = librosa.onset.onset_strength(y=y, sr=sr, hop_length=64, n_fft=1024)
        librosa.onset.onset_detect(onset_envelope=strength, sr=sr, hop_length=64)

    for warm in (ours, theirs):
        warm()
    pairs = [(_seconds(ours), _seconds(theirs)) for _ in range(times)]
    mine, other = (statistics.median(column) for column in zip(*pairs, strict=True))
    print(f"reading of 60 s: {mine:.2f} s; librosa onsets: {other:.2f} s; ratio {mine / other:.2f}")


def whole_command(path: Path, folder: Path, times: int = 3) -> None:
    """The command line from start to end beside a librosa script."""
    check = [sys.executable, "-m", "injsound", "check", str(path), "--rpm", f"{_SCENE.rpm:g}", "--cylinders", "6",
             "--picture", str(folder / "picture.png"), "--json", str(folder / "result.json"), "--force"]  # fmt: skip
    wav = folder / "same.wav"
    chapter = next(iter(audio.chapters(path)))
    soundfile.write(wav, chapter.y, chapter.sr)
    script = [sys.executable, "-c", _LIBROSA, str(wav)]

    def run(command):
        return _seconds(lambda: subprocess.run(command, check=True, capture_output=True))

    pairs = [(run(check), run(script)) for _ in range(times)]
    mine, other = (statistics.median(column) for column in zip(*pairs, strict=True))
    print(f"whole check of 60 s m4a: {mine:.2f} s; librosa script: {other:.2f} s; ratio {mine / other:.2f}")


def long_ones(folder: Path) -> None:
    """Time and peak memory of 1, 10 and 60 minutes, each in a process of its own."""
    recording, _ = simulate(_SCENE)
    times = {}
    for minutes in (1, 10, 60):
        path = folder / f"{minutes}.flac"
        with soundfile.SoundFile(path, "w", recording.sr, 1, format="FLAC") as file:
            for _ in range(minutes):
                file.write(recording.y / np.abs(recording.y).max() * 0.5)
        child = (
            "import sys, time; from injsound.runs import run_file; from injsound.engine import Engine;"
            "run_file(sys.argv[2], engine=Engine(), rpm=700.0); start = time.perf_counter();"
            "run_file(sys.argv[1], engine=Engine(), rpm=700.0);"
            "seconds = time.perf_counter() - start;"
            # The peak of this process alone; getrusage would count what the parent held when it forked.
            "peak = next(line.split()[1] for line in open('/proc/self/status') if line.startswith('VmHWM'));"
            "print(seconds, peak)"
        )
        warm = str(folder / "1.flac")
        made = subprocess.run(
            [sys.executable, "-c", child, str(path), warm], check=True, capture_output=True, text=True
        )
        seconds, peak = (float(x) for x in made.stdout.split())
        times[minutes] = seconds
        growth = seconds / times[1] / minutes
        print(f"{minutes} min: {seconds:.1f} s, {growth:.2f} times in proportion to 1 min; peak {peak / 1024:.0f} MB")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--long", action="store_true", help="10 and 60 minutes as well")
    args = parser.parse_args()
    print(f"{os.cpu_count()} cores")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        recording, truth = simulate(_SCENE)
        write(folder / "one.m4a", recording, truth)
        in_process(folder / "one.m4a")
        whole_command(folder / "one.m4a", folder)
        if args.long:
            long_ones(folder)


if __name__ == "__main__":
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    main()
