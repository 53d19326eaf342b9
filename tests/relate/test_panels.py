"""Which bay each panel and gate fills."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from fences import doubts, elements, ordered, panel, post, straight
from small_ground import frame


def bay_of(made):
    """Bay of each panel by name."""
    return dict(zip(made["panels"]["panel_id"], made["panels"]["bay_id"], strict=True))


def filled(made):
    """What fills each bay, by name."""
    return dict(zip(made["bays"]["bay_id"], made["bays"]["filled_by"], strict=True))


def test_panel_k_hangs_after_post_k():
    """Panels and gates go by run and number."""
    made = ordered(
        elements(*straight(4), panel("N1", 1), panel("G2", 2, kind="gate"), panel("N3", 3))
    )
    assert bay_of(made) == {"N1": "R-B01", "G2": "R-B02", "N3": "R-B03"}
    assert filled(made) == {"R-B01": "panel", "R-B02": "gate", "R-B03": "panel"}
    assert made["panels"]["length_m"].tolist() == [2.0, 2.0, 2.0]


def test_a_panel_that_names_its_post_hangs_there():
    """Without run and number the parent tells: the bay that begins at that post, of the last post the one that ends."""
    rows = [
        panel("N1", None, run=None, parent_id="P2"),
        panel("N2", None, run=None, parent_id="P4"),
    ]
    made = ordered(elements(*straight(4), *rows))
    assert bay_of(made) == {"N1": "R-B02", "N2": "R-B03"}


def test_a_panel_with_a_good_position_goes_to_the_nearest_bay():
    """A panel shot in the middle of a bay is put there; one known to metres is not guessed."""
    rows = [
        panel("near", None, run=None, at=(3.1, 0.1)),
        panel("rough", None, run=None, at=(1.0, 0.0), sigma_h_m=3.0),
        panel("far", None, run=None, at=(1.0, 9.0)),
    ]
    made = ordered(elements(*straight(4), *rows))
    assert bay_of(made) == {"near": "R-B02"}
    assert doubts(made)["no-bay"] == ["far", "rough"]


def test_a_panel_past_the_last_post_has_no_bay():
    """Panel 4 of an open run of four posts, and one of a run that isn't there, are named and left out."""
    made = ordered(
        elements(*straight(4), panel("N1", 1), panel("N4", 4), panel("N9", 1, run="elsewhere"))
    )
    assert bay_of(made) == {"N1": "R-B01"}
    assert doubts(made)["no-bay"] == ["N4", "N9"]


def test_gone_panels_leave_their_bay_empty():
    """A missing or stored panel keeps its name in the bay, which nothing fills."""
    made = ordered(
        elements(
            *straight(4), panel("N1", 1, presence="missing"), panel("N2", 2, presence="in store")
        )
    )
    assert filled(made) == {"R-B01": "nothing", "R-B02": "nothing", "R-B03": "nothing"}
    assert made["bays"]["panel_id"].tolist()[:2] == ["N1", "N2"]


def test_a_run_of_which_no_panel_was_recorded_says_nothing():
    """When only posts were surveyed, nobody said that the bays are open."""
    made = ordered(elements(*straight(3)))
    assert made["bays"]["filled_by"].isna().all()


def test_two_panels_in_one_bay():
    """Of two panels for one bay the one in place fills it; two in place are named."""
    gone = ordered(elements(*straight(2), panel("A", 1, presence="missing"), panel("B", 1)))
    assert gone["bays"]["panel_id"].tolist() == ["B"]
    assert "bay-taken" not in doubts(gone)
    both = ordered(elements(*straight(2), panel("A", 1), panel("B", 1)))
    assert doubts(both)["bay-taken"] == ["B"]


def test_single_rails_stand_for_panels_that_were_not_recorded():
    """A rail fills its bay when no panel does, and is no second panel where one does."""
    made = ordered(
        elements(
            *straight(3), panel("N1", 1), panel("L1", 1, kind="rail"), panel("L2", 2, kind="rail")
        )
    )
    assert bay_of(made) == {"N1": "R-B01", "L2": "R-B02"}


def levels(*rows):
    """Rail levels."""
    return frame("levels", [{"target": "rail underside", "sigma_v_m": 0.01} | row for row in rows])


def test_rail_heights_of_a_panel():
    """Ends take the level at their post; one told for the panel's own side goes before."""
    read = levels(
        {"element_id": "P1", "height_m": 50.10},
        {"element_id": "P2", "height_m": 50.20, "bay_id": "R-B01"},
        {"element_id": "P2", "height_m": 50.40, "bay_id": "N2"},
    )
    made = ordered(elements(*straight(3), panel("N1", 1), panel("N2", 2)), read)
    z = shapely.get_coordinates(made["panels"].geometry.to_numpy(), include_z=True)[:, 2]
    assert z[:3].tolist() == [50.10, 50.20, 50.40]
    assert np.isnan(z[3])


def test_a_gate_takes_only_its_own_levels():
    """Levels of the neighbours' rails at its posts say nothing of a gate."""
    read = levels(
        {"element_id": "P1", "height_m": 50.1},
        {"element_id": "P2", "height_m": 50.3, "bay_id": "G1"},
    )
    made = ordered(elements(*straight(2), panel("G1", 1, kind="gate")), read)
    z = shapely.get_coordinates(made["panels"].geometry.iloc[0], include_z=True)[:, 2]
    assert np.isnan(z[0])
    assert z[1] == pytest.approx(50.3)


def test_a_name_used_twice():
    """Of two panels of one name the first row stays and the second is named."""
    made = ordered(elements(*straight(3), panel("N", 1), panel("N", 2)))
    assert bay_of(made) == {"N": "R-B01"}
    assert doubts(made)["name-repeated"] == ["N"]


def test_no_bay_at_all():
    """A panel without any post is named, not an error."""
    made = ordered(elements(panel("N1", 1), post("P1", (0, 0), 1)))
    assert len(made["panels"]) == 0
    assert doubts(made)["no-bay"] == ["N1"]
