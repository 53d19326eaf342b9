"""The rail's underside from levels of all kinds."""

from __future__ import annotations

import numpy as np
import pytest
from rails import Ground, along, clearance, fence, flat, survey

from fencemap.find.clearance_cells import cells_of
from fencemap.find.clearance_rail import measured_gates, rail_heights, rail_levels

POSTS = [(2.0 * k, 0.0) for k in range(8)]


def rail(layers, *, depth=0.0, ground=50.0):
    """Rail at every step over level ground, with its steps."""
    bays = layers["bays"].sort_values(["run_id", "from_m"], ignore_index=True)
    gates = measured_gates(layers["levels"], bays, layers["panels"])
    cells = cells_of(layers["runs"], bays, layers["panels"], step_m=0.05, gates=gates)
    levels = rail_levels(
        layers["levels"], bays, layers["panels"], unknown_sigma_m=0.01, rail_depth_mm=depth
    )
    return cells, rail_heights(levels, bays, cells, ground=np.full(len(cells.run), ground))


def at(cells, found, station):
    """Height of the rail at a station."""
    return float(found.height_m[int(np.argmin(np.abs(cells.station_m - station)))])


def test_a_straight_rail_between_levelled_posts():
    """A rail that falls 1 cm a metre is found at every post to the millimetre, with a millimetre or two of doubt."""
    heights = [50.5 - 0.02 * k for k in range(8)]
    cells, found = rail(survey(fence(POSTS, heights, sigma_v_m=0.001)))
    for k in range(1, 7):
        assert at(cells, found, 2.0 * k) == pytest.approx(heights[k], abs=0.0015)
    ends = found.sigma_m[[0, -1]]
    assert (ends < 0.0015).all()


def test_a_sagging_rail():
    """A level in mid-bay 15 mm below the posts bends the rail there; bays without one are thought to sag a little."""
    middle = [
        {"element_id": "R-N3", "target": "rail underside", "height_m": 50.085, "sigma_v_m": 0.001}
    ]
    cells, found = rail(survey(fence(POSTS, [50.1] * 8, sigma_v_m=0.001), levels=middle))
    assert at(cells, found, 5.0) == pytest.approx(50.085, abs=0.0015)
    assert 50.09 < at(cells, found, 1.0) < 50.1
    beside = found.sigma_m[np.argmin(np.abs(cells.station_m - 1.0))]
    assert found.sigma_m[np.argmin(np.abs(cells.station_m - 5.0))] < 0.002 < beside


def test_a_post_without_a_level_is_not_lost():
    """The rail at a post nobody levelled follows its neighbours' height over ground, with more doubt."""
    heights = [50.1, 50.1, 50.1, None, 50.1, 50.1, 50.1, 50.1]
    cells, found = rail(survey(fence(POSTS, heights)))
    assert at(cells, found, 6.0) == pytest.approx(50.1, abs=0.003)
    doubt = found.sigma_m[[int(np.argmin(np.abs(cells.station_m - s))) for s in (6.0, 2.0)]]
    assert doubt[0] > 3 * doubt[1]


def test_a_poor_level_is_outvoted():
    """A floating fix 20 cm off, which says so, moves the rail by a centimetre at most."""
    layers = survey(fence(POSTS, [50.1] * 8, sigma_v_m=0.01))
    layers["levels"].loc[3, ["height_m", "sigma_v_m"]] = [50.3, 0.25]
    cells, found = rail(layers)
    assert at(cells, found, 6.0) == pytest.approx(50.1, abs=0.01)


def test_a_level_that_contradicts_its_own_bay_is_outvoted_and_named():
    """A mid-bay level 20 cm below both ends can't be right; it hardly moves the rail and is pointed at."""
    middle = [
        {"element_id": "R-N3", "target": "rail underside", "height_m": 49.9, "sigma_v_m": 0.01}
    ]
    cells, found = rail(survey(fence(POSTS, [50.1] * 8, sigma_v_m=0.01), levels=middle))
    assert at(cells, found, 5.0) == pytest.approx(50.09, abs=0.015)
    assert found.doubtful.tolist() == [8]


def test_a_rail_that_steps_at_a_post():
    """Levels told for either side of a post give each bay its own end."""
    layers = survey(
        fence(POSTS, [50.1] * 4 + [None] + [50.4] * 3, sigma_v_m=0.001),
        levels=[
            {
                "element_id": "R-P5",
                "bay_id": "R-B04",
                "target": "rail underside",
                "height_m": 50.1,
                "sigma_v_m": 0.001,
            },
            {
                "element_id": "R-P5",
                "bay_id": "R-N5",
                "target": "rail underside",
                "height_m": 50.4,
                "sigma_v_m": 0.001,
            },
        ],
    )
    cells, found = rail(layers)
    assert at(cells, found, 7.97) == pytest.approx(50.1, abs=0.003)
    assert at(cells, found, 8.03) == pytest.approx(50.4, abs=0.003)


def test_levels_at_stations():
    """A level told by run and station, and one by panel and station along it, bend the rail where they are."""
    told = [
        {
            "run_id": "R",
            "station_m": 5.0,
            "target": "rail underside",
            "height_m": 50.08,
            "sigma_v_m": 0.001,
        },
        {
            "element_id": "R-N6",
            "station_m": 1.0,
            "target": "rail underside",
            "height_m": 50.09,
            "sigma_v_m": 0.001,
        },
    ]
    cells, found = rail(survey(fence(POSTS, [50.1] * 8, sigma_v_m=0.001), levels=told))
    assert at(cells, found, 5.0) == pytest.approx(50.08, abs=0.002)
    assert at(cells, found, 11.0) == pytest.approx(50.09, abs=0.002)


def test_heights_of_the_rails_top():
    """A level of the top is used once the rail's depth is told, less that depth."""
    rows = fence(POSTS, [None] * 8)
    tops = [
        {"element_id": f"R-P{k}", "target": "rail top", "height_m": 50.14, "sigma_v_m": 0.001}
        for k in range(1, 9)
    ]
    layers = survey(rows, levels=tops)
    assert np.isnan(rail(layers)[1].height_m).all()
    cells, found = rail(layers, depth=40.0)
    assert at(cells, found, 4.0) == pytest.approx(50.10, abs=0.002)


def test_levels_of_one_run_say_nothing_of_another():
    """A run without levels has no rail height, whatever its neighbour has."""
    other = fence([(0.0, 5.0), (2.0, 5.0)], [None, None], run="S")
    made = clearance(survey(fence(POSTS, [50.1] * 8), other), Ground(flat))
    assert set(along(made, "S")["contact"]) == {"not seen"}
    assert "not seen" not in set(along(made, "R")["contact"])


def test_a_level_without_accuracy_has_the_default():
    """A level that says nothing of itself counts as the practice's default."""
    layers = survey(fence(POSTS, [50.1] * 8, sigma_v_m=None))
    bays = layers["bays"]
    levels = rail_levels(
        layers["levels"], bays, layers["panels"], unknown_sigma_m=0.033, rail_depth_mm=0
    )
    assert levels.sigma_m.tolist() == [0.033] * 8


def test_a_shared_bay_has_a_rail_only_where_a_panel_hangs():
    """Of two panels that share a bay the missing one leaves its half without a rail."""
    rows = fence([(0.0, 0.0), (4.0, 0.0)], [50.1, 50.1])
    rows[0][1]["order"] = 3  # the post between them is lacking
    rows[0].append(
        {
            "element_id": "R-N2",
            "kind": "panel",
            "run_id": "R",
            "order": 2,
            "presence": "missing",
            "sigma_h_m": 0,
        }
    )
    rows[1].append(rows[1][-1])
    found = along(clearance(survey(rows), Ground(flat)))
    none = found[found["contact"] == "no rail"]
    assert (none["from_m"].min(), none["to_m"].max()) == pytest.approx((2.0, 4.0), abs=1e-9)
    assert len(none) == 40
