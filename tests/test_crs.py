"""Reference systems are checked, operations exact or refused, heights never silently wrong."""

from __future__ import annotations

import numpy as np
import pyproj
import pytest
import rasterio
import shapely
from affine import Affine
from hypothesis import given
from hypothesis import strategies as st
from pyproj import CRS

from fencemap.crs import (
    FOOT,
    METRE,
    US_SURVEY_FOOT,
    Reading,
    coordinate_operation,
    degrees_of_box,
    geometries_to_site,
    ground_line,
    ground_scale,
    height_unit,
    horizontal_of,
    lonlat_area,
    lonlat_of,
    operation_of,
    outside_area_of_use,
    parse_crs,
    plane_unit,
    plausible,
    reproject,
    same_crs,
    site_crs,
    site_heights,
    strict_transformer,
    to_site,
    unit_named,
    vertical_of,
)
from fencemap.errors import CRSError

UTM18 = CRS("EPSG:26918")
UTM18_2011 = CRS("EPSG:6347")
NAVD88 = CRS("EPSG:5703")
PHILADELPHIA = (-75.2, 39.9, -75.0, 40.1)
EXTENT = (500_000.0, 4_400_000.0, 500_120.0, 4_400_100.0)


@pytest.fixture
def geoid(tmp_path):
    """Give PROJ a geoid 33.5 m below the ellipsoid under the name that NAVD88 asks for."""
    before = pyproj.datadir.get_data_dir()
    path = tmp_path / "us_noaa_g2018u0.tif"
    with rasterio.open(
        path, "w", driver="GTiff", width=21, height=21, count=1, dtype="float32",
        crs="EPSG:6318", transform=Affine(0.1, 0, -76.05, 0, -0.1, 41.05),
    ) as grid:  # fmt: skip
        grid.write(np.full((1, 21, 21), -33.5, dtype=np.float32))
        grid.update_tags(AREA_OR_POINT="Point", TYPE="VERTICAL_OFFSET_GEOGRAPHIC_TO_VERTICAL")
        grid.set_band_description(1, "geoid_undulation")
        grid.units = ("metre",)
    pyproj.datadir.append_data_dir(str(tmp_path))
    yield path
    pyproj.datadir.set_data_dir(before)


# --- references -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    "code", ["EPSG:26918", "EPSG:32631", "EPSG:27700", "EPSG:2393", "EPSG:3035"]
)
def test_projected_metres_can_carry_a_site(code):
    """UTM zones and national grids in metres pass, whatever the authority's axis order."""
    assert site_crs(code) == CRS(code)


@pytest.mark.parametrize(
    ("text", "reason", "remedy"),
    [
        ("", "missing", "EPSG:32631"), ("EPSG:999999", "not understood", "authority code"),
        ("EPSG:4326", "degrees", "projected CRS in metres"),
        ("EPSG:4978", "Geocentric", "projected CRS"), ("EPSG:5703", "Vertical", "projected CRS"),
        ("EPSG:2263", "US survey foot", "same system in metres"),
        ("EPSG:26918+5703", "two in one", "second as heights"),
        ("EPSG:2048", "east and north", "UTM zone"), ("EPSG:32661", "east and north", "UTM zone"),
        ("EPSG:3857", "stretches lengths", "UTM zone"), ("EPSG:3395", "stretches lengths", "UTM"),
        ("+proj=utm +zone=18 +ellps=GRS80 +towgs84=1,2,3", "datum shift of its own", "plain"),
        ('LOCAL_CS["plan",UNIT["metre",1]]', "Engineering", "projected CRS"),
    ],
)  # fmt: skip
def test_what_cannot_carry_a_site_is_refused_with_a_remedy(text, reason, remedy):
    """The message says why and what to write instead."""
    with pytest.raises(CRSError, match=reason) as caught:
        site_crs(text)
    assert remedy in caught.value.remedy


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("", "missing"), ("EPSG:26918", "no vertical CRS"), ("EPSG:6360", "US survey foot"),
        ("EPSG:8228", "foot"), ("EPSG:5715", "downwards"), ("EPSG:4979", "no vertical CRS"),
    ],
)  # fmt: skip
def test_heights_refer_to_something_in_metres_that_points_up(text, reason):
    """Feet, depths and plane systems are no reference for a site's heights."""
    with pytest.raises(CRSError, match=reason):
        site_heights(text)


def test_heights_of_the_site_itself():
    """A local bench mark is no vertical CRS; a vertical one comes back."""
    assert site_heights(" Site ") is None
    assert site_heights("EPSG:5703") == NAVD88


@pytest.mark.parametrize(
    ("code", "unit"),
    # EPSG registry: 2263 is in US survey feet, 2222 in international feet, 26918 in metres.
    [("EPSG:2263", US_SURVEY_FOOT), ("EPSG:2222", FOOT), ("EPSG:26918", METRE)],
)
def test_plane_unit_comes_from_the_crs(code, unit):
    """The unit is the registry's, not a guess from a name."""
    assert plane_unit(CRS(code)).metres == pytest.approx(unit.metres, rel=1e-12)


@pytest.mark.parametrize(
    ("code", "unit"),
    [("EPSG:26918+6360", US_SURVEY_FOOT), ("EPSG:26918+8228", FOOT), ("EPSG:4979", METRE)],
)
def test_height_unit_comes_from_the_crs(code, unit):
    """Heights may be in feet where the plane is in metres (and often are)."""
    assert height_unit(CRS(code)).metres == pytest.approx(unit.metres, rel=1e-12)


def test_plane_crs_says_nothing_of_heights():
    """No vertical part, no unit, no reference."""
    assert height_unit(UTM18) is None
    assert vertical_of(UTM18) is None
    with pytest.raises(CRSError, match="no lengths"):
        plane_unit(CRS("EPSG:4326"))


def test_two_feet_are_a_metre_apart_at_two_million():
    """1200/3937 m against 0.3048 m: 1.219 m in a state plane coordinate (NIST SP 811, B.6)."""
    apart = 2_000_000 * (unit_named("US survey foot").metres - unit_named("ift").metres)

    assert apart == pytest.approx(1.219202, abs=1e-6)


@pytest.mark.parametrize("text", ["ft", "foot", "Feet", "'", "furlong"])
def test_bare_foot_is_no_unit(text):
    """Two units share the name; the user must say which."""
    with pytest.raises(CRSError, match=r"two different units|unknown"):
        unit_named(text)


def test_parts_of_a_crs():
    """The plane part and the heights of compound and three-dimensional systems."""
    compound = CRS("EPSG:26918+5703")

    assert horizontal_of(compound) == UTM18
    assert vertical_of(compound) == NAVD88
    assert horizontal_of(CRS("EPSG:4979")) == CRS("EPSG:4326")
    assert vertical_of(CRS("EPSG:4979")) == CRS("EPSG:4979")


def test_one_crs_has_many_spellings():
    """A Shapefile's, a GeoTIFF's and a registry's spelling are one; another datum is not."""
    for version in ("WKT1_ESRI", "WKT1_GDAL", "WKT2_2019"):
        assert same_crs(UTM18, parse_crs(UTM18.to_wkt(version)))
    assert same_crs(CRS("EPSG:4326"), CRS("OGC:CRS84"))
    assert not same_crs(UTM18, UTM18_2011)
    assert not same_crs(UTM18, CRS("EPSG:32618"))


# --- operations -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("source", "target", "allowed_m", "reason"),
    [
        # What happens silently elsewhere: metres off because a grid file is missing.
        ("EPSG:4326", "EPSG:27700", 0.5, "±2 m, allowed are ±0.5 m"),
        ("EPSG:4267", "EPSG:26918", 0.5, "no exact operation .* it needs"),
        ("EPSG:4979", "EPSG:26918+5703", 1.0, "no exact operation"),
        ("EPSG:6319", "EPSG:6347+5703", 1.0, "us_noaa_g2018u0.tif"),
        # Two realisations that are only known to agree to metres.
        ("EPSG:4326", "EPSG:26918", 0.5, "±4 m"),
    ],
)
def test_rough_or_missing_operation_is_refused_by_name(source, target, allowed_m, reason):
    """The missing grid, or the accuracy at hand, is in the message; nothing is shifted."""
    with pytest.raises(CRSError, match=reason):
        strict_transformer(CRS(source), CRS(target), area=None, max_accuracy_m=allowed_m)


def test_remedy_for_an_ensemble_asks_for_the_realisation():
    """No grid can help a receiver that doesn't say which WGS 84 it meant."""
    with pytest.raises(CRSError) as caught:
        strict_transformer(CRS("EPSG:4326"), UTM18, area=PHILADELPHIA, max_accuracy_m=0.05)
    assert "Name the realisation" in caught.value.remedy


@pytest.mark.parametrize(
    ("source", "target"), [("EPSG:26918", "EPSG:2248"), ("EPSG:4269", "EPSG:26918")]
)
def test_exact_operations_pass(source, target):
    """Within one datum there is nothing to lose."""
    operation = operation_of(CRS(source), CRS(target), area=None, max_accuracy_m=0.0)

    assert operation.accuracy_m == 0.0
    assert operation.grids == ()


def test_network_is_never_asked(monkeypatch):
    """An answer that depends on a download is no answer."""
    monkeypatch.setattr(pyproj.network, "is_network_enabled", lambda: True)

    with pytest.raises(CRSError, match="PROJ_NETWORK"):
        strict_transformer(CRS("EPSG:4269"), UTM18, area=None, max_accuracy_m=1)


def test_moving_systems_need_an_epoch():
    """From ITRF2014 to NAD83(2011) sixteen years are 25 cm: asked for, never assumed."""
    itrf, plane = CRS("EPSG:9000"), UTM18_2011

    with pytest.raises(CRSError, match="epoch"):
        to_site([-75.0], [40.0], src=itrf, site=plane)
    at = {
        year: to_site([-75.0], [40.0], src=itrf, site=plane, epoch=year)
        for year in (2010.0, 2026.0)
    }
    moved = np.hypot(
        at[2026.0].easting - at[2010.0].easting, at[2026.0].northing - at[2010.0].northing
    )

    # By hand from the rates a year of EPSG 8970 (coordinate frame): metres and arc-seconds.
    shift = np.array([0.00079, -0.0006, -0.00144])
    turn = np.radians(np.array([6.667e-05, -0.00075744, -5.133e-05]) / 3600)
    longitude, latitude = np.radians(-75.0), np.radians(40.0)
    up = np.array(
        [
            np.cos(latitude) * np.cos(longitude),
            np.cos(latitude) * np.sin(longitude),
            np.sin(latitude),
        ]
    )
    velocity = shift + np.cross(6_369_000 * up, turn)  # radius at 40°, to a kilometre
    along_ground = np.linalg.norm(velocity - velocity.dot(up) * up)
    assert moved[0] == pytest.approx(16 * along_ground, abs=0.002)
    assert at[2026.0].operation.epoch == 2026.0


def test_operation_for_the_raster_warper_has_the_authority_axis_order():
    """Latitude first for EPSG:4269, nothing swapped between two plane systems."""
    forth = coordinate_operation(CRS("EPSG:4269"), UTM18, area=None, max_accuracy_m=0)
    back = coordinate_operation(UTM18, CRS("EPSG:4269"), area=None, max_accuracy_m=0)
    plane = coordinate_operation(UTM18, CRS("EPSG:2248"), area=None, max_accuracy_m=0)

    assert forth.startswith("proj=pipeline step proj=axisswap order=2,1")
    assert back.endswith("step proj=axisswap order=2,1")
    assert "axisswap" not in plane


def test_record_of_an_operation_names_its_grids(geoid):
    """The checksum pins the grid file whose heights were used."""
    import hashlib

    operation = operation_of(
        CRS("EPSG:6319"), CRS("EPSG:6347+5703"), area=PHILADELPHIA, max_accuracy_m=0.05
    )

    assert operation.accuracy_m == 0.015  # EPSG 9229's own
    assert operation.grids == ((geoid.name, hashlib.sha256(geoid.read_bytes()).hexdigest()),)
    assert "us_noaa_g2018u0.tif" in str(operation)
    assert "vgridshift" in operation.pipeline


# --- placing --------------------------------------------------------------------------------


def test_no_row_is_dropped_and_bad_ones_are_marked():
    """A missing, infinite or impossible position is False in `ok` and NaN, the rest is placed."""
    longitude = [-75.0, np.nan, np.inf, -75.0, 500.0, 10.0, -74.9]
    latitude = [40.0, 40.0, 40.0, 95.0, 40.0, 40.0, 40.0]

    placed = to_site(longitude, latitude, src="EPSG:4269", site=UTM18)

    assert placed.ok.tolist() == [True, False, False, False, False, False, True]
    assert np.isnan(placed.easting).tolist() == (~placed.ok).tolist()
    assert placed.easting[0] == pytest.approx(500_000, abs=1e-6)  # on the central meridian


def test_degrees_once_around_the_globe_are_none():
    """362.3 degrees would land on 2.3 degrees east, as no projection objects."""
    placed = to_site([2.3, 362.3], [48.86, 48.86], src="EPSG:4326", site=CRS("EPSG:32631"))

    assert placed.ok.tolist() == [True, False]


def test_feet_become_metres():
    """A state plane coordinate in US survey feet, 100 ft east: 30.480061 m (1200/3937)."""
    plane, in_feet = CRS("EPSG:26918"), CRS("EPSG:2248")
    placed = to_site([1_400_000, 1_400_100], [600_000] * 2, src=in_feet, site=plane)
    length, _ = ground_line(
        plane, placed.easting[0], placed.northing[0], placed.easting[1], placed.northing[1]
    )

    # Maryland's scale differs from 1 by less than 1e-4 (NOS NGS 5), so 3 mm of 30 m.
    assert length[0] == pytest.approx(100 * 1200 / 3937, abs=0.004)


def test_heights_need_a_reference():
    """A height that refers to nothing stated is refused, not carried along."""
    with pytest.raises(CRSError, match="doesn't say what heights refer to"):
        to_site([-75.0], [40.0], [30.0], src="EPSG:4269", site=UTM18, heights=NAVD88)


def test_heights_of_the_site_go_along_unchanged():
    """Declared to be the site's own, or in its own vertical CRS, they stay as they are."""
    declared = to_site([5e5], [4.4e6], [12.5], src=UTM18, site=UTM18, src_heights="site")
    stated = to_site([5e5], [4.4e6], [12.5], src="EPSG:26918+5703", site=UTM18, heights=NAVD88)

    assert declared.height[0] == stated.height[0] == 12.5


def test_heights_in_feet_become_metres():
    """328.083333 US survey feet are 100 m by definition (3937/1200)."""
    placed = to_site(
        [5e5], [4.4e6], [100 * 3937 / 1200], src="EPSG:26918+6360", site=UTM18, heights=NAVD88
    )

    assert placed.height[0] == pytest.approx(100.0, abs=1e-9)


def test_ellipsoidal_heights_need_the_geoid(geoid):
    """With the geoid at -33.5 m, 100 m above the ellipsoid are 133.5 m (h = H + N)."""
    placed = to_site(
        [-75.1, -75.1], [40.0, 40.0], [100.0, np.nan],
        src="EPSG:6319", site=UTM18_2011, heights=NAVD88, max_accuracy_m=0.05,
    )  # fmt: skip
    declared = to_site(
        [-75.1], [40.0], [100.0],
        src="EPSG:6318", src_heights="EPSG:6319", site=UTM18_2011, heights=NAVD88,
    )  # fmt: skip

    assert placed.height[0] == pytest.approx(133.5, abs=1e-5)
    assert np.isnan(placed.height[1])  # not measured stays not measured
    assert placed.ok.all()  # and its place is known all the same
    assert declared.height[0] == placed.height[0]


def test_outside_the_geoid_a_height_is_not_made_up(geoid):
    """A point beyond the grid has no height, so it is not placed at all."""
    placed = to_site(
        [-75.1, -77.5], [40.0, 40.0], [100.0, 100.0],
        src="EPSG:6319", site=UTM18_2011, heights=NAVD88,
    )  # fmt: skip

    assert placed.ok.tolist() == [True, False]
    assert np.isnan(placed.height[1])


def test_heights_that_nothing_changed_are_an_error(monkeypatch):
    """Heights that come through a change of reference as they were have not been changed."""
    from fencemap.crs import placing

    class Untouched:
        transform = staticmethod(lambda first, second, level: (first, second, level))

    real = placing.described
    monkeypatch.setattr(
        placing,
        "described",
        lambda *_, **options: (Untouched(), real(UTM18, UTM18, **options)[1]),
    )
    with pytest.raises(CRSError, match="unchanged"):
        to_site([5e5], [4.4e6], [30.0], src="EPSG:26918+6360", site=UTM18, heights=NAVD88)


@pytest.mark.parametrize(
    ("src", "declared", "heights", "reason"),
    [
        ("EPSG:26918+5703", None, None, "own bench mark"),
        ("EPSG:26918+5703", "site", NAVD88, "something else is declared"),
        ("EPSG:4979", "EPSG:5703", NAVD88, "something else is declared"),
    ],
)
def test_heights_that_contradict_each_other(src, declared, heights, reason):
    """No operation leads to a bench mark, and a file's own statement is not overruled."""
    with pytest.raises(CRSError, match=reason):
        to_site([5e5], [4.4e6], [1.0], src=src, src_heights=declared, site=UTM18, heights=heights)


def test_shapes_keep_their_heights_and_kind():
    """Z goes along, M is left behind, empty and missing ones stay, order is kept."""
    wkt = [
        "POINT ZM (500000 4400000 12.5 9)", "LINESTRING Z (500000 4400000 1, 500010 4400000 2)",
        "POLYGON ((500000 4400000, 500010 4400000, 500010 4400010, 500000 4400000))",
        "MULTIPOINT (500000 4400000, 500001 4400001)", "POINT EMPTY", None, "POINT M (500000 4400000 5)",
    ]  # fmt: skip
    shapes = np.array([shapely.from_wkt(text) if text else None for text in wkt])

    placed = geometries_to_site(shapes, src=UTM18, site=UTM18, src_heights="site")

    assert placed.ok.all()
    expected = [
        *wkt[:0],
        "POINT Z (500000 4400000 12.5)",
        *wkt[1:5],
        None,
        "POINT (500000 4400000)",
    ]
    for shape, text in zip(placed.shapes, expected, strict=True):
        if text is None:
            assert shape is None
        else:
            assert shapely.equals_exact(shape, shapely.from_wkt(text), 1e-6)
            assert shapely.has_z(shape) == ("Z" in text)
            assert not shapely.has_m(shape)
    assert shapely.get_z(placed.shapes[0]) == 12.5


def test_shape_one_vertex_of_which_has_no_place_is_none():
    """Half a fence would be a wrong fence."""
    line = shapely.from_wkt("LINESTRING (-75 40, 300 95)")

    placed = geometries_to_site([line, shapely.Point(-75, 40)], src="EPSG:4269", site=UTM18)

    assert placed.ok.tolist() == [False, True]
    assert placed.shapes[0] is None


def test_reproject_carries_heights_and_refuses_what_it_cannot():
    """A plane change leaves Z alone; a source that states its heights is refused."""
    (point,) = reproject([shapely.Point(-75.0, 40.0, 7.0)], "EPSG:4269", UTM18)

    assert (shapely.get_x(point), shapely.get_z(point)) == (pytest.approx(500_000, abs=1e-6), 7.0)
    with pytest.raises(CRSError, match="what heights refer to"):
        reproject([shapely.Point(0, 0, 0)], "EPSG:4979", UTM18)
    with pytest.raises(CRSError, match="1 of 1 shapes have no place"):
        reproject([shapely.Point(40.0, -75.0)], "EPSG:4269", UTM18)


def test_given_arrays_are_not_changed():
    """What goes in stays as it was."""
    shapes = np.array([shapely.Point(-75, 40, 1)])
    longitude = np.array([-75.0])

    geometries_to_site(shapes, src="EPSG:4269", site=UTM18, src_heights="site")
    to_site(longitude, [40.0], src="EPSG:4269", site=UTM18)

    assert shapes[0] == shapely.Point(-75, 40, 1)
    assert longitude[0] == -75.0


@given(longitude=st.floats(-77.9, -72.1), latitude=st.floats(28.3, 84.0))
def test_there_and_back_again(longitude, latitude):
    """Longitude and latitude come back to a hundredth of a millimetre anywhere in the zone."""
    placed = to_site([longitude], [latitude], src="EPSG:4326", site=CRS("EPSG:32618"))
    back = lonlat_of(CRS("EPSG:32618"), placed.easting, placed.northing)

    assert back[0][0] == pytest.approx(longitude, abs=1e-9)
    assert back[1][0] == pytest.approx(latitude, abs=1e-10)


# --- extents --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("easting", "northing", "reading"),
    [
        ([500_050], [4_400_050], Reading.AS_GIVEN), ([4_400_050], [500_050], Reading.SWAPPED),
        ([50], [50], Reading.NEITHER), ([], [], Reading.NEITHER), ([np.nan], [1], Reading.NEITHER),
        # Two of three decide; a stray point doesn't.
        ([500_050, 500_060, 0], [4_400_050, 4_400_060, 0], Reading.AS_GIVEN),
    ],
)  # fmt: skip
def test_axis_order_is_told_by_the_extent(easting, northing, reading):
    """Which reading puts the points into the site is said, not guessed."""
    assert plausible(EXTENT, easting, northing) is reading


def test_two_plausible_readings_mean_ask():
    """On a site near the diagonal both orders fit."""
    assert plausible((0, 0, 100, 100), [10, 20], [30, 40]) is Reading.EITHER
    assert plausible(EXTENT, [500_125], [4_400_050]) is Reading.NEITHER
    assert plausible(EXTENT, [500_125], [4_400_050], margin_m=10) is Reading.AS_GIVEN


def test_area_of_use():
    """The zone's edges in degrees (EPSG:26918: 78°W to 72°W), the date line, and no numbers."""
    outside = outside_area_of_use(UTM18, [500_000, 1_500_000, np.nan], [4_427_757, 4_427_757, 0])
    fiji = CRS("EPSG:3460")  # Fiji 1986 / Fiji Map Grid, 176.81°E to 178.15°W
    east_west = outside_area_of_use(fiji, [2_000_000, 2_100_000, 3_500_000], [4_000_000] * 3)

    assert outside.tolist() == [False, True, True]
    assert east_west.tolist() == [False, False, True]


def test_site_that_spans_kilometres_has_a_stray_point():
    """A box larger than any burial ground is refused before it chooses an operation."""
    assert lonlat_area(UTM18, EXTENT)[0] == pytest.approx(-75.0, abs=1e-9)
    with pytest.raises(CRSError, match="the site would be 100,000 m by 100 m"):
        lonlat_area(UTM18, (500_000, 4_400_000, 600_000, 4_400_100))
    with pytest.raises(CRSError, match="would be"):
        lonlat_area(UTM18, (500_100, 4_400_000, 500_000, 4_400_100))


def test_box_in_degrees_holds_the_box():
    """A box of a zone's width bulges towards the pole: its corners are not its northern edge."""
    west, south, east, north = degrees_of_box(UTM18, (260_000, 4_400_000, 740_000, 4_500_000))
    _, (corner, middle) = lonlat_of(UTM18, [260_000, 500_000], [4_500_000] * 2)

    assert corner < middle <= north
    assert west < -75 < east
    assert south < 39.75
    with pytest.raises(CRSError, match="outside the reach"):
        degrees_of_box(UTM18, (0, 0, 1e9, 1e9))


def test_scale_and_true_north():
    """UTM: 0.9996 on the central meridian, 1.0 some 180 km off it; grid north is not north."""
    assert ground_scale(UTM18, 500_000, 4_400_000) == pytest.approx(0.9996, abs=1e-9)
    # Snyder, Map Projections, USGS PP 1395, p. 57: true scale about 180 km from the meridian.
    assert ground_scale(UTM18, 680_000, 4_400_000) == pytest.approx(1.0, abs=2e-5)
    length, azimuth = ground_line(
        UTM18,
        [500_000, 700_000, np.nan],
        [4_400_000] * 3,
        [500_050, 700_000, 1],
        [4_400_000, 4_400_050, 1],
    )
    assert length[0] == pytest.approx(50 / 0.9996, abs=1e-4)
    assert azimuth[0] == pytest.approx(90, abs=1e-3)
    # East of the meridian grid north points east of true north by about Δλ·sin φ.
    longitude, latitude = lonlat_of(UTM18, [700_000], [4_400_000])
    convergence = (longitude[0] + 75) * np.sin(np.radians(latitude[0]))
    assert azimuth[1] == pytest.approx(convergence, abs=0.01)
    assert np.isnan(length[2])
