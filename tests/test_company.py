"""What the rest of the engine did in a row of missing ticks, on presences set by hand."""

import numpy as np
import pytest

from injsound.sound.company import NeighbourTicks, silent_run


def _neighbour(presence, separation):
    presence = np.asarray(presence, dtype=float)
    return NeighbourTicks(
        at_s=np.arange(len(presence)) * 0.1, heard=presence > 0.5, presence=presence, separation=separation
    )


@pytest.mark.parametrize(
    ("separations", "silent"),
    # Five events at 3 standard deviations: the mean is known to 1 / (3 sqrt 5) = 0.15, four of which leave 0.40.
    [((3.0,), True), ((3.0, 2.0), True), ((0.6,), False), ((), False), ((-0.2,), False), ((-0.2, 0.0), False)],
)
def test_a_silent_row_counts_only_beside_neighbours_that_can_be_heard(separations, silent):
    neighbours = [_neighbour([1.0] * 5 + [0.0] * 5 + [1.0] * 5, s) for s in separations]
    assert silent_run(neighbours, 5, 10) is silent
    assert not silent_run(neighbours, 0, 5)


def test_a_neighbour_that_matches_worse_than_chance_silences_nothing():
    # Its presence is a share of a difference that is no difference: any figure, here hugely negative.
    assert not silent_run([_neighbour([-1e9] * 10, -0.22)], 2, 8)
