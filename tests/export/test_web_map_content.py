"""What the page carries of the layers, and what it leaves out."""

from __future__ import annotations

import json

import numpy as np
import pytest
from map_ground import empty_layers, ground
from packed_columns import unpacked
from small_ground import SURVEY, frame, make_site

from fencemap.cautions import triggered
from fencemap.export.web_map import content
from fencemap.export.web_map.style import STYLES
from fencemap.layers import CATALOGUE


def build(layers, **more):
    """Content of some layers."""
    return content.build(layers, site=make_site(), survey=SURVEY, generated="2026-04-15", cautions=triggered(layers), **more)  # fmt: skip


@pytest.fixture(scope="module")
def layers():
    """All layers of the invented ground."""
    return ground()


def test_every_row_is_carried(layers):
    """Each layer that is drawn or told arrives with all its rows and one shape a row."""
    made = build(layers)["layers"]
    assert set(made) == set(layers)
    for name, packed in made.items():
        assert packed["count"] == len(layers[name])
        if name in STYLES:
            assert len(packed["shapes"]) == len(layers[name])


def test_values_arrive_as_they_were(layers):
    """Words are the frame's, numbers to the millimetre, empty cells empty."""
    packed = build(layers)["layers"]["elements"]["columns"]
    iron = layers["elements"]
    assert unpacked(packed["element_id"]) == iron["element_id"].tolist()
    wanted = [None if missing else int(grade) for grade, missing in zip(iron["condition"], iron["condition"].isna(), strict=True)]  # fmt: skip
    assert packed["condition"]["v"] == wanted
    sigma = np.array(packed["sigma_h_m"]["v"], dtype=float)
    assert np.nanmax(np.abs(sigma - iron["sigma_h_m"].to_numpy(float))) <= 0.0005


def test_fields_bring_unit_meaning_and_words(layers):
    """A field comes with its unit and meaning, its vocabulary with all definitions."""
    made = build(layers)
    fields = {field["name"]: field for field in made["layers"]["soil_contact"]["fields"]}
    assert fields["gap_mm"]["unit"] == "mm"
    assert fields["gap_mm"]["meaning"] == CATALOGUE["soil_contact"].field("gap_mm").meaning
    assert set(made["vocabularies"]["contact"]) == {"in contact", "clear", "undecided", "not seen", "over stone", "no rail"}  # fmt: skip


def test_private_fields_stay_at_home(layers):
    """Photo names and crews never travel with the map."""
    iron = layers["elements"].assign(photos="IMG_0001.JPG")
    text = json.dumps(build({**layers, "elements": iron}))
    assert "IMG_0001" not in text
    assert '"photos"' not in text


def test_layers_not_shown_are_named(layers):
    """A layer with rows that the map has no place for is said; an empty one is not."""
    weather = frame("weather", [{"time": "2026-04-14T09:00:00Z", "air_temp_c": 9.0}])
    made = build({**layers, "weather": weather, "work": CATALOGUE["work"].empty()})
    assert made["left_out"]["layers"] == ["weather"]


def test_order_of_the_mapping_changes_nothing(layers):
    """The same layers in another order give the same content."""
    turned = dict(reversed(list(layers.items())))
    assert json.dumps(build(turned)) == json.dumps(build(layers))


@pytest.mark.parametrize("name", sorted(ground(columns=1, rows=1)))
def test_any_layer_may_come_alone(layers, name):
    """Each layer by itself makes a page that JSON can hold."""
    json.dumps(build({name: layers[name]}), allow_nan=False)


def test_no_layers_at_all():
    """Nothing, or only empty layers, still makes content, in no place."""
    assert build({})["layers"] == {}
    made = build(empty_layers())
    assert made["origin"] == [0.0, 0.0]
    assert all(packed["count"] == 0 for packed in made["layers"].values())
    json.dumps(made, allow_nan=False)


def test_a_ledger_beyond_all_measure_is_cut_and_said(layers, monkeypatch):
    """Too many ledger lines: those of free stones go first, and the page says how many."""
    monkeypatch.setattr(content, "MOST_ROWS", 20)
    made = build({"stone_ledger": layers["stone_ledger"]})
    covered = int((layers["stone_ledger"]["verdict"] == "covered").sum())
    carried = made["layers"]["stone_ledger"]
    assert carried["count"] == min(20, covered)
    assert set(unpacked(carried["columns"]["verdict"])) == {"covered"}
    assert made["left_out"]["rows"] == [["stone_ledger", len(layers["stone_ledger"]) - carried["count"]]]  # fmt: skip


def test_a_stray_point_does_not_move_the_rest(layers):
    """One point 2,000 km off leaves every other position as it was, to a millimetre."""
    from shapely import Point

    base = build({"elements": layers["elements"]})
    iron = layers["elements"].copy()
    iron.loc[0, "geometry"] = Point(2_500_000.0, 6_040_000.0, 0.0)
    moved = build({"elements": iron})

    def degrees(made, row):
        x, y = made["layers"]["elements"]["shapes"][row][0]
        return made["origin"][0] + x * 1e-8, made["origin"][1] + y * 1e-8

    assert degrees(moved, 5) == pytest.approx(degrees(base, 5), abs=2e-8)
