"""Posts in order: runs, bays, stations, closed runs, and what is named as doubtful."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from fences import doubts, elements, ordered, panel, post, straight

from fencemap.layers import layer

SQUARE = [(0.0, 0.0), (3.0, 0.0), (3.0, 4.0), (0.0, 4.0)]


def walk(made, run="R"):
    """Posts of a run as its bays name them."""
    bays = made["bays"][made["bays"]["run_id"] == run]
    return [*bays["from_post"], bays["to_post"].iloc[-1]]


def square(**more):
    """Four posts around a plot of 3 x 4 m, with numbers."""
    return [post(f"P{k}", at, k, **more) for k, at in enumerate(SQUARE, start=1)]


def test_stations_are_lengths_along_the_rail():
    """Posts at 0, 2 and 5 m with a bend of 3-4-5 have stations 0, 5 and 7 by hand."""
    made = ordered(
        elements(
            post("A", (0, 0, 50.0), 1, target="ground"), post("B", (3, 4), 2), post("C", (5, 4), 3)
        )
    )
    line = made["runs"].geometry.iloc[0]
    assert shapely.get_coordinates(line, include_m=True)[:, 2].tolist() == [0.0, 5.0, 7.0]
    assert made["runs"]["length_m"].tolist() == [7.0]
    assert made["bays"][["from_m", "to_m", "length_m"]].to_numpy().tolist() == [
        [0, 5, 5],
        [5, 7, 2],
    ]


def test_ground_heights_only_where_ground_was_shot():
    """A post shot at the ground gives the run its height there; one shot at its top gives none."""
    made = ordered(
        elements(
            post("A", (0, 0, 50.0), 1, target="ground"),
            post("B", (2, 0, 51.2), 2, target="post top"),
            post("C", (4, 0, 50.2), 3, target="base"),
        )
    )
    height = shapely.get_coordinates(made["runs"].geometry.iloc[0], include_z=True)[:, 2]
    assert height[[0, 2]].tolist() == [50.0, 50.2]
    assert np.isnan(height[1])


def test_recorded_numbers_are_believed_in_any_row_order():
    """Rows that come mixed are put in the order of their numbers."""
    rows = straight(5)
    made = ordered(elements(*[rows[k] for k in (3, 0, 4, 2, 1)]))
    assert walk(made) == ["P1", "P2", "P3", "P4", "P5"]
    assert made["runs"]["order_is"].tolist() == ["recorded"]
    assert doubts(made) == {}


def test_bays_are_named_by_the_number_of_their_post():
    """Numbers that begin at 7 name the bays, since people count them so."""
    made = ordered(elements(*[post(f"P{k}", (2.0 * k, 0), k) for k in (7, 8, 9)]))
    assert made["bays"]["bay_id"].tolist() == ["R-B07", "R-B08"]
    assert made["bays"]["number"].tolist() == [1, 2]


@pytest.mark.parametrize("seed", range(6))
def test_missing_numbers_are_inferred(seed):
    """Posts without numbers on a bowed line with a wide gate are walked end to end, whatever their rows."""
    rng = np.random.default_rng(seed)
    along = np.array([0.0, 1.9, 4.1, 7.9, 9.8, 12.0])  # 3.8 m from the third to the fourth: a gate
    rows = [post(f"P{k}", (x, 0.02 * x * x + rng.normal(0, 0.05))) for k, x in enumerate(along)]
    made = ordered(elements(*[rows[k] for k in rng.permutation(6)]))
    assert walk(made) == [f"P{k}" for k in range(6)]
    assert made["runs"]["order_is"].tolist() == ["inferred"]
    assert not made["runs"]["closed"].iloc[0]
    assert doubts(made) == {"order-inferred": ["P0"]}


def test_a_plot_without_numbers_closes():
    """Eight posts around a plot, without numbers, become one closed ring of the shortest length."""
    corners = [*SQUARE, (1.5, 0.0), (3.0, 2.0), (1.5, 4.0), (0.0, 2.0)]
    made = ordered(elements(*[post(f"P{k}", at) for k, at in enumerate(corners)]))
    assert made["runs"]["closed"].tolist() == [True]
    assert made["runs"]["length_m"].iloc[0] == pytest.approx(14.0, abs=1e-9)
    assert walk(made)[0] == walk(made)[-1] == "P0"


def test_a_panel_numbered_like_the_last_post_closes_a_run():
    """Panel 4 of four posts hangs between the last post and the first."""
    made = ordered(elements(*square(), *[panel(f"N{k}", k) for k in (1, 2, 3, 4)]))
    assert made["runs"]["closed"].tolist() == [True]
    assert made["runs"]["length_m"].tolist() == [14.0]
    assert made["bays"][["bay_id", "panel_id"]].iloc[3].tolist() == ["R-B04", "N4"]


def test_panels_that_leave_the_last_bay_out_leave_it_open():
    """Panels 1 to 3 of four posts: nobody recorded a fourth, so the entrance is open."""
    made = ordered(elements(*square(), *[panel(f"N{k}", k) for k in (1, 2, 3)]))
    assert made["runs"]["closed"].tolist() == [False]
    assert made["runs"]["length_m"].tolist() == [10.0]


def test_posts_that_enclose_a_plot_close_it_when_no_panel_says():
    """Four numbered posts around a plot and nothing else make a ring; four in a row don't."""
    assert ordered(elements(*square()))["runs"]["closed"].tolist() == [True]
    in_a_row = elements(*[post(f"P{k}", (1.4 * k, 0.02 * k), k) for k in range(1, 4)])
    assert ordered(in_a_row)["runs"]["closed"].tolist() == [False]


def test_an_end_post_keeps_a_run_open():
    """Three sides of a plot whose posts are recorded as ends don't close."""
    rows = square()
    rows[0]["role"] = rows[3]["role"] = "end"
    assert ordered(elements(*rows))["runs"]["closed"].tolist() == [False]


def test_the_first_post_recorded_again_closes_a_run():
    """A fifth shot on the first post ends the round and is no post of its own."""
    made = ordered(elements(*square(), post("P5", (0.02, 0.01), 5)))
    assert made["runs"][["closed", "post_count"]].iloc[0].tolist() == [True, 4]


def test_repeated_numbers_are_put_the_shortest_way_and_named():
    """Two posts numbered 3 are set where the way is shortest, and the second is named."""
    rows = [*straight(2), post("X", (6, 0), 3), post("W", (4, 0), 3), post("P5", (8, 0), 5)]
    made = ordered(elements(*rows))
    assert walk(made) == ["P1", "P2", "W", "X", "P5"]
    assert doubts(made)["order-repeated"] == ["X"]


def test_a_gap_in_the_numbers_is_one_bay_and_named():
    """Without post 3 the bay from 2 to 4 spans its place, and the panels in it share it."""
    rows = [row for row in straight(5) if row["element_id"] != "P3"]
    made = ordered(elements(*rows, *[panel(f"N{k}", k) for k in (1, 2, 3, 4)]))
    assert doubts(made)["order-gap"] == ["P4"]
    shared = made["panels"].set_index("panel_id").loc[["N2", "N3"], ["bay_id", "from_m", "to_m"]]
    assert shared.to_numpy().tolist() == [["R-B02", 2.0, 4.0], ["R-B02", 4.0, 6.0]]


def test_swapped_numbers_are_named_not_mended():
    """Two neighbours with changed numbers are kept as recorded; the doubt says what it would save."""
    rows = straight(6)
    rows[2]["order"], rows[3]["order"] = 4, 3
    made = ordered(elements(*rows))
    assert walk(made) == ["P1", "P2", "P4", "P3", "P5", "P6"]
    found = made["suspect"].set_index("code").loc["order-swapped"]
    assert found["size"] == pytest.approx(4.0, abs=1e-9)  # by hand: 4+2+4 m instead of 2+2+2


def test_a_post_without_number_is_put_between_its_neighbours():
    """A numberless post among numbered ones goes where it lengthens the way least."""
    made = ordered(elements(*straight(4), post("X", (3.1, 0.1))))
    assert walk(made) == ["P1", "P2", "X", "P3", "P4"]
    assert made["runs"]["order_is"].tolist() == ["inferred"]
    assert doubts(made)["no-order"] == ["X"]


def test_long_bays_are_named():
    """An opening longer than the longest bay is kept and named with its length."""
    made = ordered(elements(post("A", (0, 0), 1), post("B", (2, 0), 2), post("C", (9, 0), 3)))
    found = made["suspect"].set_index("code").loc["long-bay"]
    assert (found["element_id"], found["size"]) == ("B", 7.0)
    assert "long-bay" not in doubts(
        ordered(elements(post("A", (0, 0), 1), post("B", (7, 0), 2)), longest_bay_m=8.0)
    )


def test_a_run_of_one_post_is_kept_and_named():
    """A lone post stays in the runs, without length or bay, so that stone near it is found."""
    made = ordered(elements(post("A", (5, 5), 1, run="solo"), *straight(2)))
    lone = made["runs"].set_index("run_id").loc["solo"]
    assert (lone["length_m"], lone["post_count"]) == (0.0, 1)
    assert doubts(made) == {"lone-post": ["A"]}
    assert set(made["bays"]["run_id"]) == {"R"}


def test_posts_without_a_run_are_gathered_by_lot_and_nearness():
    """Two groups of posts of one lot that stand far apart become two runs, and each post is named."""
    rows = [post(f"A{k}", (2.0 * k, 0), run=None, lots="7") for k in range(3)]
    rows += [post(f"B{k}", (50 + 2.0 * k, 0), run=None, lots="7") for k in range(3)]
    made = ordered(elements(*rows))
    assert sorted(made["runs"]["run_id"]) == ["7-run1", "7-run2"]
    assert made["runs"]["lots"].tolist() == ["7", "7"]
    assert len(doubts(made)["no-run"]) == 6


def test_two_posts_in_one_place_make_no_bay():
    """A post on the very place of the one before is left out of the run and named."""
    made = ordered(
        elements(
            post("A", (0, 0), 1), post("B", (2, 0), 2), post("C", (2, 0), 3), post("D", (4, 0), 4)
        )
    )
    assert walk(made) == ["A", "B", "D"]
    assert doubts(made)["same-place"] == ["C"]


def test_posts_carried_away_or_without_place_are_no_vertex():
    """A post in store and a post without a position don't bend the run."""
    rows = elements(*straight(4))
    rows.loc[1, "presence"] = "in store"
    rows.loc[2, "geometry"] = None
    assert walk(ordered(rows)) == ["P1", "P4"]


def test_lots_and_material_of_a_run():
    """A party fence has both lots; the run has the material of most panels and the tallest height."""
    rows = straight(4)
    rows[0]["lots"], rows[1]["lots"] = "12;11", "11"
    more = [
        panel("N1", 1, material="wire", height_mm=700),
        panel("N2", 2, material="cast iron", height_mm=900),
    ]
    made = ordered(elements(*rows, *more, panel("N3", 3, material="cast iron")))
    found = made["runs"].iloc[0]
    assert (found["lots"], found["material"], found["height_mm"]) == ("11;12", "cast iron", 900.0)
    assert found["sigma_h_m"] == 0.015


def test_the_worst_position_counts_for_the_run():
    """One post of 14 cm makes the run's accuracy 14 cm."""
    rows = straight(3)
    rows[1]["sigma_h_m"] = 0.14
    assert ordered(elements(*rows))["runs"]["sigma_h_m"].tolist() == [0.14]


def test_nothing_surveyed():
    """Without any element the layers are there, and empty."""
    made = ordered(layer("elements").empty("EPSG:32631"))
    assert {name: len(found) for name, found in made.items()} == dict.fromkeys(made, 0)


def test_row_order_changes_nothing():
    """Shuffled rows give the same layers, to the byte of every identity."""
    rng = np.random.default_rng(3)
    rows = [
        *straight(6),
        post("X", (20, 0)),
        post("Y", (22, 0)),
        *[panel(f"N{k}", k) for k in range(1, 6)],
    ]
    whole = elements(*rows)
    first, again = ordered(whole), ordered(whole.iloc[rng.permutation(len(rows))])
    for name in ("runs", "bays", "panels"):
        one = first[name].drop(columns=["source_row"])
        other = again[name].drop(columns=["source_row"])
        assert one.drop(columns="geometry").equals(other.drop(columns="geometry"))
        assert one.geometry.to_wkb().equals(other.geometry.to_wkb())
