"""Damaged files end in a reading or in one line of explanation: no crash, no hang, nothing printed.

A fault in a decoder's native code would end the whole test run, so the files are read in a process of its own.
"""

import json
import signal
import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path

import audio_files
import numpy as np
import pytest

from injsound.errors import RecordingError
from injsound.sound.decoding.audio import chapters

FILES_PER_FORMAT = 200
SEED = 20240229
HANG_S = 10
CODES = {
    "not audio",
    "not finished",
    "empty",
    "too short",
    "too long",
    "no sound",
    "sample rate too low",
    "too many channels",
}


def cut(data: bytes, _other: bytes, rng: np.random.Generator) -> bytes:
    return data[: rng.integers(len(data))]


def flip_bits(data: bytes, _other: bytes, rng: np.random.Generator) -> bytes:
    damaged = np.frombuffer(data, dtype=np.uint8).copy()
    reach = len(data) if rng.random() < 0.5 else min(len(data), 600)  # half of them in the header
    damaged[rng.integers(reach, size=rng.integers(1, 40))] ^= np.uint8(1) << rng.integers(8, dtype=np.uint8)
    return damaged.tobytes()


def swap_header(data: bytes, other: bytes, rng: np.random.Generator) -> bytes:
    size = int(rng.integers(4, 400))
    return other[:size] + data[size:]


def read_all(path: Path) -> str:
    """Outcome of reading one file; raises on anything but a recording or a refusal in one line."""
    try:
        parts = list(chapters(path))
    except RecordingError as error:
        code, message = error.code, str(error)
    else:
        code, message = "read", str(path)
        for part in parts:
            assert part.y.dtype == np.float32
            assert np.isfinite(part.y).all()
            assert all(part.start_s <= gap.from_s < gap.to_s for gap in part.gaps)
    assert str(path) in message
    assert "\n" not in message
    return code


def read_damaged(folder: Path) -> dict[str, Counter[str]]:
    """Damage and read every format's files, with a bound on each, and count the outcomes."""
    whole = {}
    for kind, form in audio_files.FORMATS.items():
        y = audio_files.clicks(form.sr, 6.0, (1.0, 2.0, 5.0), noise=0.02)
        whole[kind] = audio_files.write(folder / f"whole.{form.ending}", y, kind).read_bytes()
    outcomes = {}
    for kind, data in whole.items():
        rng = np.random.default_rng(SEED)
        others = [other for name, other in whole.items() if name != kind]
        outcomes[kind] = Counter()
        for number in range(FILES_PER_FORMAT):
            damage = (cut, flip_bits, swap_header)[number % 3]
            path = folder / f"{kind}.{number}.{audio_files.FORMATS[kind].ending}"
            path.write_bytes(damage(data, others[rng.integers(len(others))], rng))
            print(f"reading {path.name}", flush=True)  # the last line names the file that broke the process
            if hasattr(signal, "alarm"):
                signal.alarm(HANG_S)  # ends this process
            outcomes[kind][read_all(path)] += 1
            path.unlink()
    return outcomes


@pytest.fixture(scope="module")
def outcomes() -> dict[str, Counter[str]]:
    done = subprocess.run([sys.executable, "-W", "error", __file__], capture_output=True, text=True, check=False)
    lines = done.stdout.splitlines()
    assert done.returncode == 0, f"ended by {done.returncode} while {lines[-1:]}:\n{done.stderr}"
    assert done.stderr == ""
    return json.loads(lines[-1])


@pytest.mark.parametrize("kind", audio_files.FORMATS)
def test_damaged_file_is_read_or_refused(outcomes, kind):
    count = Counter(outcomes[kind])
    assert count.total() == FILES_PER_FORMAT
    assert set(count) <= CODES | {"read"}
    assert count["read"] >= 5  # the damage is not so heavy that only refusals are tried
    assert count["read"] <= FILES_PER_FORMAT / 2  # nor so light that it is not felt


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as name:
        print(json.dumps(read_damaged(Path(name))))
