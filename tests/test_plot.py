import re
from concurrent.futures import Future, ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import replace
from importlib.resources import files
from itertools import combinations

import numpy as np
import pytest
from matplotlib import image
from readings import batch, empty, picture, reading
from takes import take

from injsound.codes import ReasonCode, State, Verdict
from injsound.findings.compare import compare_injectors
from injsound.languages import Language
from injsound.show import drawing as drawing_room
from injsound.show.drawing import drawing
from injsound.show.ink import DPI
from injsound.show.plot import draw, picture_bytes, small_picture_bytes
from injsound.show.plot_compared import compared_bytes, draw_compared
from injsound.show.text import ENGLISH, Words
from injsound.values import Note

MIN_POINTS = 8.0


def _texts(figure):
    import matplotlib.text

    return [t for t in figure.findobj(matplotlib.text.Text) if t.get_text().strip() and t.get_visible()]


@pytest.mark.parametrize("made", [*(reading(verdict) for verdict in Verdict), empty(), batch()])
def test_the_verdict_stands_on_top_and_nothing_is_small(made):
    figure = draw(made)
    texts = _texts(figure)
    assert made.verdict.value.upper() in [t.get_text() for t in texts]
    assert min(t.get_fontsize() for t in texts) >= MIN_POINTS


@pytest.mark.parametrize("language", Language)
@pytest.mark.parametrize("made", [*(reading(verdict) for verdict in Verdict), empty(), batch()])
def test_words_fit_their_places(made, language):
    figure = draw(made, words=Words(language))
    figure.canvas.draw()
    renderer = figure.canvas.get_renderer()
    words = [t for t in _texts(figure) if any(letter.isalpha() for letter in t.get_text())]
    boxes = [(t.get_text(), t.get_window_extent(renderer)) for t in words]
    page = figure.bbox
    for text, box in boxes:
        assert page.x0 <= box.x0, text
        assert box.x1 <= page.x1, text
        assert page.y0 <= box.y0, text
        assert box.y1 <= page.y1, text
    for (one, first), (other, second) in combinations(boxes, 2):
        assert not first.overlaps(second), (one, other)


def test_a_picture_says_once_why_nothing_can_be_told():
    note = Note(code=ReasonCode.ONE_STRETCH, figures={"skipped": 27, "seconds": 3.8})
    made = replace(reading(Verdict.CANNOT_TELL), reasons=(note,))
    top = next(t.get_text() for t in _texts(draw(made)) if "→" in t.get_text())
    assert " ".join(top.split("→")[0].split()) == Words().note(note)
    assert top.count("fuel") == 1


def test_two_pictures_of_a_report_fit_a_page(tmp_path):
    # Letter, the shorter sheet: 279 mm less twice 14 mm of margin, half of it, less 20 mm of words.
    room_mm = (279 - 2 * 14) / 2 - 20
    style = files("injsound.show").joinpath("report.html").read_text()
    (most_mm,) = (int(mm) for mm in re.findall(r"figure img { max-height: (\d+)mm", style))
    assert most_mm <= room_mm
    for made in (reading(), batch(), replace(empty(), picture=picture(own=()))):
        (tmp_path / "x.png").write_bytes(small_picture_bytes(made))
        assert 25.4 * image.imread(tmp_path / "x.png").shape[0] / DPI <= most_mm  # no text is made smaller


def test_every_missing_tick_is_marked():
    figure = draw(reading(skipped=(40, 41, 150)))
    diamonds = [line for axes in figure.axes for line in axes.lines if line.get_marker() == "D"]
    # Two groups in both panels of rows and in the panel of events.
    assert sum(len(line.get_xdata()) for line in diamonds) == 6


def test_a_tick_too_weak_for_a_level_is_marked_under_the_others():
    made = reading()
    weak = np.array([state is State.WEAK for state in made.events.state])
    level = np.where(weak, np.nan, made.events.level_db)
    axes = draw(replace(made, events=replace(made.events, level_db=level))).axes
    (marks,) = [line for one in axes for line in one.lines if line.get_label() == "weak"]
    assert len(marks.get_ydata()) == weak.sum() > 0
    assert np.all(marks.get_ydata() < np.nanmin(level))


def test_no_diamond_without_a_skip():
    figure = draw(reading(Verdict.STEADY, skipped=()))
    assert not [line for axes in figure.axes for line in axes.lines if line.get_marker() == "D"]


def _marks(figure, marker):
    lines = [line for axes in figure.axes for line in axes.lines if line.get_marker() == marker]
    return sorted(x for line in lines for x in np.atleast_1d(line.get_xdata()))


def test_the_empty_place_of_a_silent_injector_is_marked_among_the_others():
    rows = replace(picture(own=()), empty_phases=(0.25,), others_phases=(0.0, 0.5, 0.75))
    figure = draw(replace(empty(), picture=rows))
    assert _marks(figure, "D") == [180.0]
    assert _marks(figure, "v") == [0.0, 360.0, 540.0]
    assert [text.get_text() for text in figure.axes[0].get_legend().texts] == ["its place: no tick", "the others"]


def test_two_candidates_are_both_marked():
    rows = replace(picture(own=()), candidates=(0.125, 0.625))
    assert _marks(draw(replace(empty(), picture=rows)), "v") == [90.0, 450.0]


def test_grey_print_still_shows_the_holes(tmp_path):
    (tmp_path / "x.png").write_bytes(picture_bytes(reading(skipped=tuple(range(100, 130)))))
    (tmp_path / "y.png").write_bytes(picture_bytes(reading(skipped=(40,))))
    grey = [image.imread(tmp_path / name)[..., :3].mean(axis=2) for name in ("x.png", "y.png")]
    assert np.abs(grey[0] - grey[1]).max() > 0.5


def test_the_page_prints_no_tint_and_the_mark_keeps_its_colour(tmp_path):
    (tmp_path / "x.png").write_bytes(picture_bytes(reading(skipped=(40, 41, 150))))
    pixels = np.round(255 * image.imread(tmp_path / "x.png")[..., :3])
    assert (pixels[:, -1] == 255).all()
    assert (np.abs(pixels - [232, 162, 0]).max(axis=2) <= 3).sum() > 100  # amber, #e8a200


def test_ten_minutes_and_long_names():
    long = replace(reading(), picture=picture(3_750), seconds=600.0, file="a" * 200 + " “ö” .m4a")
    assert picture_bytes(long).startswith(b"\x89PNG")


def test_svg_is_the_same_each_time():
    made = reading()
    first, second = (picture_bytes(made, kind="svg") for _ in range(2))
    assert first.lstrip().startswith(b"<?xml")
    assert len(first) == len(second)


def _compared(cylinders, odd):
    takes = [take(reading(skipped=(40, 41, 150) if c in odd else ()), c) for c in range(1, cylinders + 1)]
    takes = [replace(t, reading=replace(t.reading, file=f"{t.cylinder}", sha256=f"{t.cylinder}")) for t in takes]
    found = compare_injectors(takes)
    return takes, replace(found, odd=odd)


@pytest.mark.parametrize("language", Language)
@pytest.mark.parametrize("cylinders", [3, 4, 6, 8])
def test_injectors_beside_each_other_on_equal_scales(cylinders, language):
    takes, found = _compared(cylinders, (2,))
    figure = draw_compared(takes, found, words=Words(language))
    assert len(figure.axes) == cylinders
    assert len({image.get_clim() for axes in figure.axes for image in axes.images}) == 1
    assert len({axes.get_ylim() for axes in figure.axes}) == 1
    framed = [axes for axes in figure.axes if axes.spines["left"].get_linewidth() > 2]
    assert len(framed) == 1
    assert "2" in framed[0].get_title(loc="left").splitlines()[0]
    assert min(t.get_fontsize() for t in _texts(figure)) >= MIN_POINTS
    figure.canvas.draw()
    for text in (t for t in _texts(figure) if any(letter.isalpha() for letter in t.get_text())):
        box = text.get_window_extent(figure.canvas.get_renderer())
        assert figure.bbox.x0 <= box.x0, text
        assert box.x1 <= figure.bbox.x1, text


def test_what_was_counted_in_the_recording_of_a_silent_one_is_not_drawn():
    takes, found = _compared(3, (2,))
    sides = tuple(replace(side, silent=side.cylinder == 2) for side in found.sides)
    figure = draw_compared(takes, replace(found, sides=sides))
    assert [len(axes.images) for axes in figure.axes] == [1, 0, 1]
    assert figure.axes[1].get_title(loc="left").splitlines() == ["cylinder 2: stands out", "no tick"]


def test_nothing_to_draw_is_no_picture():
    takes, found = _compared(3, ())
    bare = [replace(t, reading=replace(t.reading, picture=None)) for t in takes]
    assert compared_bytes(bare, found) is None
    assert compared_bytes(takes, found).startswith(b"\x89PNG")


def test_a_process_of_its_own_draws_the_same():
    with drawing() as draw_it:
        drawn = draw_it(reading(skipped=(40,)), "png", Words(Language.SPANISH))
    assert drawn == picture_bytes(reading(skipped=(40,)), words=Words(Language.SPANISH))


@pytest.mark.parametrize("where", ["cannot start", "dies"])
def test_a_picture_is_drawn_without_a_process_too(monkeypatch, where):
    class Broken(ThreadPoolExecutor):
        def __init__(self, *_, **__):
            if where == "cannot start":
                raise OSError("no semaphores here")
            super().__init__(1)

        def submit(self, *_, **__):
            dead = Future()
            dead.set_exception(BrokenProcessPool("killed"))
            return dead

    monkeypatch.setattr(drawing_room, "ProcessPoolExecutor", Broken)
    with drawing() as draw_it:
        assert draw_it(reading(), "png", ENGLISH) == picture_bytes(reading())
