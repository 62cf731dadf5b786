from itertools import product

import numpy as np
import pytest
from scipy import stats

from injsound.sound.signals import best_path, modified_z, robust_spread


@pytest.mark.parametrize("circular", [True, False])
def test_best_path_is_the_best_of_all_paths(circular):
    rng = np.random.default_rng(4)
    cost = np.array([0.4, 0.0, 0.3])
    for _ in range(20):
        score = rng.random((6, 4))

        def worth(path, score=score):
            steps = np.diff(path)
            if circular:
                steps = (steps + 1) % 4 - 1
            if np.abs(steps).max() > 1:
                return -np.inf
            return score[np.arange(6), path].sum() - cost[steps + 1].sum()

        found = best_path(score, cost, circular=circular)
        assert worth(found) == pytest.approx(max(worth(np.array(path)) for path in product(range(4), repeat=6)))


def test_robust_spread_is_scipys():
    values = np.random.default_rng(3).standard_normal(999)
    expected = stats.median_abs_deviation(values, scale="normal")
    assert robust_spread(values - np.median(values)) == pytest.approx(expected, rel=1e-4)


def test_modified_z_of_the_worked_example():
    # Iglewicz and Hoaglin's statistic: median 160, MAD 1.0; the ordinary z of 320 would be only 2.845.
    z = modified_z(np.array([160, 161, 159, 160, 162, 158, 160, 320, 161, 159]))
    assert z[7] == pytest.approx(107.92, abs=1e-2)
    assert np.abs(np.delete(z, 7)).max() == pytest.approx(1.349)
    assert not modified_z(np.array([1.0, 1.0, 1.0, 5.0])).any()
