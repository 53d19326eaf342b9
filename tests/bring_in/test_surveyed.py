"""Surveys become layers: positions, accuracy, refusals and doubts, row by row."""

import numpy as np
import pytest
import shapely
from sites import BOUNDARY, POSTS, make_site

from fencemap.bring_in.readings import read_gaps, read_levels
from fencemap.bring_in.site_file import read_site
from fencemap.bring_in.surveyed import read_elements, read_lots, read_stones
from fencemap.errors import CRSError, FencemapError, SiteError, SurveyError


def elements(folder, **files):
    site = read_site(make_site(folder, **files))
    return read_elements(site=site, survey=site.survey())


def test_posts_stand_where_the_file_says(tmp_path):
    """Easting, northing and height of a row are its point, to the last digit."""
    made = elements(tmp_path)["elements"].set_index("element_id")
    assert made.geometry["P2"].wkt == "POINT Z (500012 6040010 50.1)"
    assert made["source_row"]["P2"] == 3
    assert made["source_file"]["P2"] == "elements.csv"


def test_a_missing_height_is_unknown_not_zero(tmp_path):
    """A blank height is NaN in the point."""
    made = elements(tmp_path)["elements"].set_index("element_id")
    assert np.isnan(made.geometry["P3"].z)


@pytest.mark.parametrize(
    ("post", "expected", "words"),
    [
        ("P1", 0.02, "axis sd"),
        ("P2", 0.0489 / 2.4477, "radial 95 %"),
        ("P4", 0.03, "meaning not said"),
        ("P5", 0.03 / 1.41421356, "DRMS"),
        ("P6", 0.03 / 1.17741, "CEP 50"),
    ],
)
def test_accuracy_is_turned_into_a_deviation_per_axis(tmp_path, post, expected, words):
    """Each quoted figure is divided by its printed factor, and its origin is said."""
    row = elements(tmp_path)["elements"].set_index("element_id").loc[post]
    assert row["sigma_h_m"] == pytest.approx(expected, rel=1e-4)
    assert words in row["sigma_origin"]


def test_an_unknown_accuracy_is_the_largest_default_and_said(tmp_path):
    """A row that says nothing is no better than the default for the unknown."""
    from fencemap.practice import default

    row = elements(tmp_path)["elements"].set_index("element_id").loc["P3"]
    assert row["sigma_h_m"] == default("accuracy.unknown.sigma_h_m").value
    assert "unknown" in row["sigma_origin"]


def test_float_is_never_graded_as_fixed(tmp_path):
    """The same row with a floating fix is at least ten times less certain (NMEA 0183 fix words)."""
    text = "element_id,kind,easting,northing,fix_quality\nF,post,500001,6040001,float\nX,post,500003,6040001,fixed\n"
    made = elements(tmp_path, elements=text)["elements"].set_index("element_id")
    assert made["sigma_h_m"]["F"] >= 10 * made["sigma_h_m"]["X"]


BAD = [
    ("B1,post,A,7,5oo020,6040010,,,,", "easting", "not a number"),
    ("B2,post,A,7,nan,6040010,,,,", "easting", "not a number"),
    ("B3,post,A,7,inf,6040010,,,,", "easting", "not a number"),
    ("B4,finnial,A,7,500020,6040010,,,,", "kind", "not a word"),
    ("B5,post,A,7,6040010,500020,,,,", "easting", "swapped"),
    ("B6,post,A,7,500020,6041000,,,,", "easting", "outside"),
    ("B7,post,A,7,500020,,,,,", "", "only one of"),
    (",post,A,7,500020,6040010,,,,", "element_id", "empty"),
    ("P1,post,A,7,500020,6040010,,,,", "element_id", "same name"),
    ("B8,post,A,7,,,,,,", "", "no position"),
]


@pytest.mark.parametrize(("row", "column", "words"), BAD)
def test_a_bad_row_is_refused_alone_with_its_place(tmp_path, row, column, words):
    """Line 8 is refused with its column and reason; the six good posts stay."""
    made = elements(tmp_path, elements=POSTS + row + "\n")
    assert len(made["elements"]) == 6
    (refused,) = made["rejected"].to_dict("records")
    assert refused["source_row"] == 8
    assert words in refused["reason"]
    assert refused["remedy"]
    assert column in (refused["column"] or "")


def test_a_file_with_one_fault_all_through_is_refused_as_a_whole(tmp_path):
    """Every easting NaN is not six bad rows: it is one bad file, with the first row named."""
    import re

    text = re.sub(r"5000\d\d\.0", "NaN", POSTS)
    with pytest.raises(SurveyError, match=r"elements\.csv:2: column 'easting', value 'NaN'"):
        elements(tmp_path, elements=text)


def test_swapped_columns_are_told_with_the_remedy(tmp_path):
    """A file whose axes are all swapped is refused by name and not turned round."""
    text = POSTS.replace("easting,northing", "northing,easting")
    with pytest.raises(SurveyError, match=r"elements\.csv:2: .*swapped.*Swap the two columns"):
        elements(tmp_path, elements=text)


def test_a_misspelt_column_is_named_with_the_likely_one(tmp_path):
    """'eastng' is offered as the missing easting, never taken for it."""
    with pytest.raises(
        SurveyError, match=r"elements\.csv:1: column 'easting or longitude'.*eastng"
    ):
        elements(tmp_path, elements=POSTS.replace("easting,", "eastng,"))


def test_columns_can_be_mapped_in_site_toml(tmp_path):
    """[survey.columns] names the file's own headers."""
    folder = make_site(
        tmp_path, elements=POSTS.replace("element_id", "PointNo").replace("kind", "Typ")
    )
    path = folder / "site.toml"
    path.write_text(path.read_text() + '[survey.columns]\nelement_id = "PointNo"\nkind = "Typ"\n')
    site = read_site(folder)
    assert len(read_elements(site=site, survey=site.survey())["elements"]) == 6


def test_unknown_columns_and_bad_optional_cells_are_kept_aside(tmp_path):
    """What the catalogue does not know, and what could not be typed, is in `other`; nothing vanishes."""
    text = "element_id,kind,easting,northing,weather,lean_deg\nP1,post,500001,6040001,fog,a lot\nP2,post,500002,6040001,,3\n"
    made = elements(tmp_path, elements=text)
    first = made["elements"].set_index("element_id").loc["P1"]
    assert first["other"] == '{"weather": "fog", "lean_deg": "a lot"}'
    (doubt,) = made["suspect"].to_dict("records")
    assert (doubt["column"], doubt["value"]) == ("lean_deg", "a lot")


def test_geojson_positions_are_longitude_and_latitude(tmp_path):
    """RFC 7946: the point at 3 E 54.5 N lies on the central meridian, easting 500000 (UTM)."""
    feature = '{"type":"Feature","properties":{"element_id":"G1","kind":"gate"},"geometry":{"type":"Point","coordinates":[3.0,54.5]}}'
    made = elements(
        tmp_path, elements=f'{{"type":"FeatureCollection","features":[{feature}]}}', boundary=False
    )["elements"]
    assert made.geometry[0].x == pytest.approx(500000.0, abs=1e-6)


def test_identity_rests_on_site_survey_and_name_alone(tmp_path):
    """Another order of rows gives the same uid (RFC 9562 version 5, computed by the standard library)."""
    import uuid

    head, *rows = POSTS.strip().split("\n")
    one = elements(tmp_path / "a")["elements"].set_index("element_id")["uid"]
    other = elements(tmp_path / "b", elements="\n".join([head, *reversed(rows)]) + "\n")[
        "elements"
    ].set_index("element_id")["uid"]
    assert one.to_dict() == other.to_dict()
    site = uuid.UUID("11111111-2222-3333-4444-555555555555")
    assert one["P1"] == str(uuid.uuid5(site, "s1/elements/P1"))


def test_a_stone_with_a_crossing_outline_is_mended_and_named(tmp_path):
    """A bow-tie across a unit square is taken as the whole square, never smaller, and is listed."""
    ring = (
        "[[[500001,6040001],[500002,6040002],[500002,6040001],[500001,6040002],[500001,6040001]]]"
    )
    text = BOUNDARY.replace(
        '"properties": {}', '"properties": {"element_id": "M1", "kind": "marker"}'
    )
    text = text[: text.index("[[[")] + ring + "}}]}"
    site = read_site(make_site(tmp_path, stones=text))
    made = read_stones("stones", site=site, survey=site.survey())
    assert made["stones"].geometry.area.tolist() == [pytest.approx(1.0)]
    assert made["suspect"]["code"].tolist() == ["outline-mended"]


def test_a_stone_measured_by_tape_is_a_rectangle_of_its_size(tmp_path):
    """1.0 m long, 0.3 m thick, facing north: 0.3 m2, 1.0 m east-west."""
    text = "element_id,kind,easting,northing,length_m,width_m,azimuth_deg\nM1,marker,500010,6040010,1.0,0.3,0\n"
    site = read_site(make_site(tmp_path, stones=text))
    shape = read_stones("stones", site=site, survey=site.survey())["stones"].geometry[0]
    assert shape.area == pytest.approx(0.3)
    west, south, east, north = shape.bounds
    assert (east - west, north - south) == (pytest.approx(1.0), pytest.approx(0.3))
    assert shape.contains(shapely.Point(500010, 6040010))


def test_an_unmeasured_stone_is_wide_and_named(tmp_path):
    """Unknown size widens, never narrows, and is listed as doubtful."""
    text = "element_id,kind,easting,northing\nM1,marker,500010,6040010\n"
    site = read_site(make_site(tmp_path, stones=text))
    made = read_stones("stones", site=site, survey=site.survey())
    assert made["stones"].geometry[0].area > 1.0
    assert made["suspect"]["code"].tolist() == ["no-size"]


GAPS = """\
run_id,station_m,gap_mm,side
A,1.0,35,left
A,2.0,touching,left
A,3.0,Buried,
A,4.0,over stone,
A,5.0,one hand,
A,6.0,two thumbs,
"""


def test_gaps_in_figures_and_words(tmp_path):
    """Words become the crews' intervals (common practice, no source); an unknown word is refused."""
    site = read_site(make_site(tmp_path, gaps=GAPS))
    survey = site.survey()
    made = read_gaps(read_elements(site=site, survey=survey)["elements"], site=site, survey=survey)
    rows = made["gap_readings"].set_index("reading")
    assert rows.loc["35", ["gap_mm", "gap_min_mm", "gap_max_mm"]].tolist() == [35, 35, 35]
    assert rows.loc["touching", ["gap_min_mm", "gap_max_mm"]].tolist() == [0, 5]
    assert np.isnan(rows.loc["Buried", "gap_min_mm"])
    assert rows.loc["Buried", "gap_max_mm"] == 0
    assert rows.loc["over stone", "surface"] == "stone"
    assert rows.loc["one hand", ["gap_min_mm", "gap_max_mm"]].tolist() == [75, 120]
    assert made["rejected"]["value"].tolist() == ["two thumbs"]


def test_a_height_in_an_element_row_is_a_level_too(tmp_path):
    """Five posts have heights: five rows of levels, traced to the element's own row."""
    site = read_site(make_site(tmp_path))
    survey = site.survey()
    levels = read_levels(
        read_elements(site=site, survey=survey)["elements"], site=site, survey=survey
    )["levels"]
    assert sorted(levels["element_id"]) == ["P1", "P2", "P4", "P5", "P6"]
    assert levels.set_index("element_id").loc["P1", "height_m"] == 50.0


def test_a_lot_is_untested_until_a_test_says_so(tmp_path):
    """No lead test means not tested, and one positive test outweighs a negative one."""
    lots = BOUNDARY.replace('"properties": {}', '"properties": {"lot_id": "1"}')
    tests = "lot_id,result\n1,negative\n1,positive\n"
    site = read_site(make_site(tmp_path / "a", lots=lots, lead_tests=tests))
    from fencemap.bring_in.readings import read_lead_tests

    lead = read_lead_tests(site=site, survey=site.survey())
    assert read_lots(lead, site=site, survey=site.survey())["lots"]["lead_test"].tolist() == [
        "positive"
    ]
    assert read_lots({}, site=site, survey=site.survey())["lots"]["lead_test"].tolist() == [
        "not tested"
    ]


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('crs = "EPSG:32631"', 'crs = ""', "never guessed"),
        ('crs = "EPSG:32631"', 'crs = "EPSG:4326"', "metres"),
        ('crs = "EPSG:32631"', 'crs = "EPSG:2263"', "metres"),
        ('crs = "EPSG:32631"', 'crs = "no such"', "CRS"),
        ("uid =", "uidd =", "uid"),
        ("date = 2026-04-14", 'date = "soon"', "not a date"),
        ("elements =", "element =", "elements"),
        ('name = "Test', "name = Test", "not TOML"),
        ("elements.csv", "nowhere.csv", "elements"),
        ('time_zone = "UTC"', 'time_zone = "Mars"', "time zone"),
    ],
)
def test_a_wrong_site_file_says_what_and_how_to_mend_it(tmp_path, old, new, words):
    """Each slip in site.toml is one clear error that names the file."""
    folder = make_site(tmp_path)
    path = folder / "site.toml"
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))
    with pytest.raises((SiteError, CRSError)) as error:
        read_site(folder)
    assert words.lower() in str(error.value).lower()
    assert "site.toml" in str(error.value)
    assert isinstance(error.value, FencemapError)


def test_degrees_minutes_and_seconds_are_the_same_place(tmp_path):
    """3 deg 0' 0" E, 54 deg 30' 0" N is 3.0, 54.5: on the central meridian, easting 500000 (UTM)."""
    text = (
        "element_id,kind,longitude,latitude\n"
        "P1,post,3.0,54.5\n"
        "P2,post,3°0'0.0''E,54°30'0.0''N\n"
         "P3,post,181,54.5\n"
    )
    made = elements(tmp_path, elements=text, boundary=False)
    shapes = made["elements"].set_index("element_id").geometry
    assert shapes["P1"].x == pytest.approx(500000.0, abs=1e-6)
    assert shapes["P2"].distance(shapes["P1"]) == pytest.approx(0.0, abs=1e-6)
    assert made["rejected"]["source_row"].tolist() == [4]


def test_other_formats_come_in_by_the_same_door(tmp_path):
    """A GPX waypoint is read where a CSV could stand: 3 E, 54.5 N, easting 500000 (UTM)."""
    gpx = (
        '<?xml version="1.0"?><gpx version="1.1" creator="x" xmlns="http://www.topografix.com/GPX/1/1">'
        '<wpt lat="54.5" lon="3.0"><name>T1</name></wpt></gpx>'
    )
    folder = make_site(tmp_path, boundary=False)
    (folder / "trees.gpx").write_text(gpx)
    path = folder / "site.toml"
    path.write_text(path.read_text() + 'trees = "trees.gpx"\n[survey.columns]\nelement_id = "name"\n')
    site = read_site(folder)
    from fencemap.bring_in.surveyed import read_points

    trees = read_points("trees", site=site, survey=site.survey())["trees"]
    assert trees.geometry[0].x == pytest.approx(500000.0, abs=1e-6)
