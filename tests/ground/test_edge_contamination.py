"""What the DEM's edge cuts off is marked, and the report says on what share of the ground."""

import numpy as np
from ground.surfaces import grid_of, middles, plane

from siteplanner.ground.water.edge_contamination import (
    edge_contamination_catchment,
    edge_contamination_cold_air,
    edge_note,
)
from siteplanner.ground.water.surface_water import flow


def test_water_from_beyond_the_edge_is_marked_down_to_where_it_leaves():
    dem = plane((20, 15), 5.0, 10, 180)
    _, direction, _ = flow(dem, grid_of(dem.shape, 5.0))
    assert (
        edge_contamination_catchment(direction)[:, 1:-1] == 1
    ).all()  # all below the northern edge
    x, y = middles((41, 41), 5.0)
    _, direction, _ = flow((200 - np.hypot(x, y)).astype(np.float32), grid_of(x.shape, 5.0))
    cut = edge_contamination_catchment(direction)
    assert (cut == 0).all()  # a hill sends its own water out on all sides
    everywhere = np.ones(cut.shape, bool)
    assert edge_note(cut, cut, everywhere) == []
    _, direction, _ = flow((200 + np.hypot(x, y)).astype(np.float32), grid_of(x.shape, 5.0))
    bowl = edge_contamination_catchment(direction)
    assert 0.4 < bowl.mean() < 1
    assert f"On {bowl.mean():.0%} of the ground more water" in edge_note(bowl, cut, everywhere)[0]
    assert "on less than 1% more cold air" in edge_note(bowl, cut, everywhere)[0]


def test_a_pool_that_ground_beyond_the_edge_feeds_is_cut_as_a_whole():
    cut = np.zeros((6, 9), np.float32)
    cut[0, 1] = cut[1, 2] = 1
    cut[5, 8] = np.nan
    depth = np.zeros(cut.shape, np.float32)
    depth[2, 3:5] = 3  # beside the last cell of the way in
    depth[4, 4:7] = 9  # apart from it
    made = edge_contamination_cold_air(cut, depth)
    marked = {(0, 1), (1, 2), (2, 3), (2, 4)}
    assert {(int(r), int(c)) for r, c in np.argwhere(made == 1)} == marked
    assert np.isnan(made[5, 8]) and np.isnan(made).sum() == 1
    # Shallower air is no pool.
    assert (edge_contamination_cold_air(cut, depth, lies_m=4.0) == 1).sum() == 2
    note = edge_note(cut, made, np.isfinite(cut))[0]
    assert "On 4% of the ground more water, and on 8% more cold air" in note
