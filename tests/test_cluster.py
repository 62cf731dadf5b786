"""A batch on a cluster that the caller chose: a scheduler and two workers, processes of their own on this machine."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from injsound.cases.many import read_folder
from injsound.engine import Engine
from injsound.simulate import Scene, simulate, write

RPM = 1_500.0


def on_a_cluster(folder, out):
    """How many tasks the workers did, and what was told of each file."""
    from dask.distributed import Client, LocalCluster
    from joblib import parallel_config

    with (
        LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster,
        Client(cluster) as client,
        parallel_config(backend="dask"),
    ):
        client.get_task_stream()  # from here on they are kept
        told = dict(read_folder(folder, out, engine=Engine(), rpm=RPM))
        return {"tasks": len(client.get_task_stream()), "told": told}


def test_a_cluster_gives_the_same_table(tmp_path):
    pytest.importorskip("distributed", reason="dask is not installed: pip install 'injsound[cluster]'")
    sounds = tmp_path / "sounds"
    sounds.mkdir()
    for seed in range(2):
        write(sounds / f"{seed}.flac", *simulate(Scene(seconds=7.0, sr=24_000, seed=seed, rpm=RPM)))
    (sounds / "broken.wav").write_text("no sound")
    command = [sys.executable, __file__, str(sounds), str(tmp_path / "cluster")]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout.splitlines()[-1])
    assert found["tasks"] >= 3
    here = dict(read_folder(sounds, tmp_path / "here", engine=Engine(), rpm=RPM, jobs=1))
    assert found["told"] == here
    tables = [(tmp_path / out / "results.csv").read_text() for out in ("cluster", "here")]
    assert tables[0] == tables[1]
    assert len(tables[0].splitlines()) == 4


if __name__ == "__main__":
    print(json.dumps(on_a_cluster(Path(sys.argv[1]), Path(sys.argv[2]))))
