import json
import os
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from readings import batch, empty, reading

from injsound.codes import Verdict
from injsound.errors import InjsoundError
from injsound.files import copy_whole, write_whole
from injsound.record import (
    document,
    dumps,
    load_picture,
    reading_from_json,
    reading_to_json,
    save_picture,
    schema,
)
from injsound.results import Failure

ALL = [*(reading(verdict) for verdict in Verdict), empty(), batch()]
FIXED = {
    "file", "sha256", "seconds", "sample_rate_hz", "codec", "channel", "engine", "verdict", "reasons", "next_step",
    "firing", "alternatives", "events", "spans", "skips", "jitter", "open_time", "quality",
}  # fmt: skip


@pytest.mark.parametrize("made", ALL)
def test_every_document_holds_to_the_schema(made):
    values = json.loads(dumps(document([made], [Failure(file="x", code="empty", message="x is empty")])))
    jsonschema.Draft202012Validator.check_schema(schema())
    jsonschema.validate(values, schema())
    assert values["readings"][0].keys() >= FIXED


@pytest.mark.parametrize("made", ALL)
def test_there_and_back(made):
    values = json.loads(dumps(document([made], [])))["readings"][0]
    assert reading_to_json(reading_from_json(values)) == values


def test_real_reading_holds_to_the_schema(twelve_read):
    values = json.loads(dumps(document([twelve_read], [])))
    jsonschema.validate(values, schema())
    assert reading_to_json(reading_from_json(values["readings"][0])) == values["readings"][0]


def test_figures_that_cannot_be_given_are_null():
    values = reading_to_json(empty())
    assert values["firing"] is None
    assert values["open_time"]["median_ms"] is None
    assert reading_to_json(reading())["events"][40]["heard_at_s"] is None


def test_a_field_of_a_later_version_is_left_out():
    values = reading_to_json(reading())
    values["jitter"]["later"] = 1.0
    assert reading_to_json(reading_from_json(values)) == reading_to_json(reading())


def test_a_broken_record_is_refused():
    values = reading_to_json(reading())
    del values["skips"]
    with pytest.raises(InjsoundError, match="stored reading cannot be used"):
        reading_from_json(values)


@pytest.mark.parametrize("damaged", ["x", True, [1.0], {}])
@pytest.mark.parametrize(
    "place",
    [("seconds",), ("channel",), ("engine", "cylinders"), ("engine", "firing_order"), ("firing", "rpm"),
     ("skips", "judged"), ("jitter", "count"), ("open_time", "count"), ("spans", 0, "from_s"), ("events", 3, "time_s")],
)  # fmt: skip
def test_a_figure_of_another_type_is_refused(place, damaged):
    values = json.loads(json.dumps(reading_to_json(reading())))
    *way, last = place
    inside = values
    for step in way:
        inside = inside[step]
    inside[last] = damaged
    with pytest.raises(InjsoundError, match="stored reading cannot be used"):
        reading_from_json(values)


def test_a_figure_of_a_reason_that_is_none_is_refused():
    values = reading_to_json(reading())
    values["reasons"][0]["judged"] = [249]
    with pytest.raises(InjsoundError, match="judged is"):
        reading_from_json(values)


@pytest.mark.parametrize(("field", "damaged"), [("file", 3), ("sha256", None), ("codec", ["m4a"])])
def test_a_word_of_another_type_is_refused(field, damaged):
    with pytest.raises(InjsoundError, match=f"{field} is"):
        reading_from_json({**reading_to_json(reading()), field: damaged})


def test_arrays_there_and_back(tmp_path):
    made = batch().picture
    save_picture(tmp_path / "x.npz", made)
    back = load_picture(tmp_path / "x.npz")
    np.testing.assert_array_equal(back.rows, made.rows)
    np.testing.assert_array_equal(back.halves, made.halves)
    assert (back.own_phases, back.candidates) == (made.own_phases, made.candidates)


def test_firing_angles_there_and_back():
    uneven = replace(reading().engine, firing_angles=(0.0, 90.0, 240.0, 330.0, 480.0, 570.0))
    values = json.loads(dumps(document([replace(reading(), engine=uneven)], [])))
    jsonschema.validate(values, schema())
    assert reading_from_json(values["readings"][0]).engine == uneven


def test_a_file_that_is_no_picture_is_refused(tmp_path):
    (tmp_path / "x.npz").write_text("no arrays")
    with pytest.raises(InjsoundError, match="cannot read"):
        load_picture(tmp_path / "x.npz")


def test_a_full_disk_leaves_nothing_behind(tmp_path, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(InjsoundError, match="No space left on device"):
        write_whole(tmp_path / "x.json", b"{}")
    assert not list(tmp_path.iterdir())


def test_a_missing_folder_is_said():
    with pytest.raises(InjsoundError, match="expected a folder"):
        write_whole("/nowhere/at/all/x.json", b"{}")


def test_infinity_never_reaches_json():
    odd = replace(reading(), seconds=float("inf"))
    assert reading_to_json(odd)["seconds"] is None


@pytest.mark.skipif(not Path("/dev/full").is_char_device(), reason="no device that is always full")
def test_a_full_disk_is_told_and_a_device_is_never_replaced():
    with pytest.raises(InjsoundError, match="No space left"):
        write_whole("/dev/full", b"{}")
    assert Path("/dev/full").is_char_device()


def test_a_folder_is_not_replaced_by_a_file(tmp_path):
    with pytest.raises(InjsoundError, match="cannot write"):
        write_whole(tmp_path, b"{}")


def test_a_silent_injectors_places_are_there_and_back_and_absent_from_older_files(tmp_path):
    made = replace(batch().picture, empty_phases=(0.25,), others_phases=(0.0, 0.5, 0.75))
    save_picture(tmp_path / "x.npz", made)
    back = load_picture(tmp_path / "x.npz")
    assert (back.empty_phases, back.others_phases) == (made.empty_phases, made.others_phases)
    with np.load(tmp_path / "x.npz") as stored:
        older = {name: stored[name] for name in stored.files if name not in {"empty_phases", "others_phases"}}
    np.savez(tmp_path / "old.npz", **older)
    back = load_picture(tmp_path / "old.npz")
    assert (back.own_phases, back.empty_phases, back.others_phases) == (made.own_phases, (), ())


@pytest.mark.skipif(os.name != "posix", reason="modes as POSIX has them")
@pytest.mark.parametrize(("mask", "mode"), [(0o022, 0o644), (0o077, 0o600), (0o002, 0o664)])
def test_a_new_file_has_the_systems_mode_and_an_old_one_keeps_its_own(tmp_path, mask, mode):
    (tmp_path / "old.json").write_bytes(b"old")
    (tmp_path / "old.json").chmod(0o640)
    act = "import sys; from injsound.files import write_whole; [write_whole(name, b'{}') for name in sys.argv[1:]]"
    given = [str(tmp_path / name) for name in ("new.json", "old.json")]
    subprocess.run([sys.executable, "-c", act, *given], check=True, umask=mask)
    assert [(tmp_path / name).stat().st_mode & 0o777 for name in ("new.json", "old.json")] == [mode, 0o640]


def test_writing_leaves_the_mask_alone_which_other_threads_share(tmp_path, monkeypatch):
    monkeypatch.setattr(os, "umask", None)
    write_whole(tmp_path / "new.json", b"{}")


def test_a_source_that_is_missing_is_not_called_a_target_that_cannot_be_written(tmp_path):
    for source in ("missing.wav", "."):
        with pytest.raises(InjsoundError, match=rf"cannot read {re.escape(str(tmp_path / source))}: .*check its name"):
            copy_whole(tmp_path / source, tmp_path / "copy.wav")
    assert list(tmp_path.iterdir()) == []


def test_a_link_stays_a_link(tmp_path):
    (tmp_path / "there").mkdir()
    for name in ("kept.json", "fresh.json"):
        (tmp_path / name).symlink_to(tmp_path / "there" / name)
    (tmp_path / "there" / "kept.json").write_bytes(b"old")
    for name in ("kept.json", "fresh.json"):
        write_whole(tmp_path / name, b"{}")
        assert (tmp_path / name).is_symlink()
        assert (tmp_path / "there" / name).read_bytes() == b"{}"
    assert len(list(tmp_path.rglob("*.json"))) == 4
