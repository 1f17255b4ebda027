"""Class codes by bounds, compared with numpy."""

import numpy as np

from shelterscape.kernels.classes import class_codes

BOUNDS = [0.6, 0.75, 0.85, 0.95, 1.05]


def test_codes_agree_with_numpy_on_and_beside_every_bound():
    near = [b * s for b in BOUNDS for s in (1 - 1e-7, 1.0, 1 + 1e-7)]
    for kind in (np.float32, np.float64):
        values = np.array([near, [0.0, 1.25, *near[2:]]], dtype=kind)
        assert np.array_equal(class_codes(values, BOUNDS, 255), np.digitize(values, BOUNDS) + 1)


def test_missing_cells_have_their_own_code():
    values = np.array([[np.nan, 0.5], [1.2, np.nan]], np.float32)
    assert class_codes(values, BOUNDS, 255).tolist() == [[255, 1], [6, 255]]
