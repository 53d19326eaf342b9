"""Published coordinates and geodesics: what `fencemap.crs` must reproduce."""

from __future__ import annotations

import numpy as np
import pytest
from pyproj import CRS

from fencemap.crs import ground_line, lonlat_of, site_crs, to_site

# Transverse Mercator of the British National Grid on the WGS 84 ellipsoid, as GIGS 5101 has it.
_GIGS_5101 = "+proj=tmerc +lat_0=49 +lon_0=-2 +k=0.9996012717 +x_0=400000 +y_0=-100000 +datum=WGS84"
_GN_7_2 = "IOGP Geomatics Guidance Note 7-2, section 3.2.5 (EPSG 9807), worked example"
_OS = "Ordnance Survey, A guide to coordinate systems in Great Britain, annex C.1"
_GIGS = "IOGP GIGS test 5101, as in PROJ test/gigs/5101.1-jhs.gie"
_UTM = "PyGeodesy test/testUtm.py"
_KARNEY = "GeographicLib tests/GeodSolve"


def _dms(degrees: float, minutes: float, seconds: float) -> float:
    return degrees + minutes / 60 + seconds / 3600


@pytest.mark.parametrize(
    ("source", "target", "longitude", "latitude", "easting", "northing", "tolerance_m", "origin"),
    [
        # The example's own rounding shows in the second decimal.
        ("EPSG:4277", "EPSG:27700", 0.5, 50.5, 577274.99, 69740.50, 0.01, _GN_7_2),
        (
            "EPSG:4277", "EPSG:27700", _dms(1, 43, 4.5177), _dms(52, 39, 27.2531),
            651409.903, 313177.270, 0.001, _OS,
        ),
        ("EPSG:4326", _GIGS_5101, 3.0, 49.0, 765648.501, -87944.74, 0.03, _GIGS),
        ("EPSG:4326", _GIGS_5101, 8.0, 60.0, 956351.967, 1166164.18, 0.03, _GIGS),
        ("EPSG:4326", "EPSG:32631", 2.2945, 48.8582, 448251.795, 5411932.678, 0.001, _UTM),
        ("EPSG:4326", "EPSG:32618", -74.7, 40.4, 525457.882, 4472198.041, 0.001, _UTM),
        ("EPSG:4326", "EPSG:32713", -103.8667, -13.4125, 622697.646, 8516965.223, 0.001, _UTM),
    ],
)  # fmt: skip
def test_published_projected_coordinates(
    source, target, longitude, latitude, easting, northing, tolerance_m, origin
):
    """A published longitude and latitude comes out at the published easting and northing."""
    placed = to_site([longitude], [latitude], src=source, site=CRS(target), max_accuracy_m=0.0)

    assert placed.ok.all()
    assert placed.easting[0] == pytest.approx(easting, abs=tolerance_m), origin
    assert placed.northing[0] == pytest.approx(northing, abs=tolerance_m), origin


@pytest.mark.parametrize(
    ("code", "easting", "northing", "longitude", "latitude"),
    [
        ("EPSG:32631", 448251.795, 5411932.678, 2.2945, 48.8582),
        ("EPSG:32618", 525457.882, 4472198.041, -74.7, 40.4),
        ("EPSG:32713", 622697.646, 8516965.223, -103.8667, -13.4125),
    ],
)
def test_published_coordinates_backwards(code, easting, northing, longitude, latitude):
    """The web map's longitude and latitude are the published ones (PyGeodesy test/testUtm.py)."""
    found = lonlat_of(site_crs(code), [easting], [northing], max_accuracy_m=0.0)

    # Half a millimetre of rounding is 5e-9 of a degree.
    assert found[0][0] == pytest.approx(longitude, abs=1e-8)
    assert found[1][0] == pytest.approx(latitude, abs=1e-8)


@pytest.mark.parametrize(
    ("code", "start", "end", "length_m", "azimuth_deg", "tolerances", "origin"),
    [
        (
            "EPSG:4326", (-73.8, 40.6), (2.55, 49.01666667), 5853226, 53.47022,
            (0.5, 5e-6), f"{_KARNEY}0",
        ),
        # The published end point is rounded to 5e-6 of a degree, half a metre.
        (
            "EPSG:4326", (-73.77888889, 40.63972222), (2.56106, 49.01467), 5_850_000, 53.5,
            (1.0, 1e-5), f"{_KARNEY}1",
        ),
        (
            "EPSG:4326", (0.0, 36.493349428792), (8e-7, 36.49334942879201), 0.072, None,
            (0.0005, None), f"{_KARNEY}4",
        ),
        (
            "EPSG:4258", (24.938, 60.171), (24.745, 59.437), 82488.5, None,
            (0.001, None), "PROJ documentation, tutorial geodesics.gie, GRS 80",
        ),
    ],
)  # fmt: skip
def test_published_geodesics(code, start, end, length_m, azimuth_deg, tolerances, origin):
    """A published geodesic comes out with its length and direction."""
    length, azimuth = ground_line(CRS(code), *start, *end)

    assert length[0] == pytest.approx(length_m, abs=tolerances[0]), origin
    if azimuth_deg is not None:
        assert azimuth[0] == pytest.approx(azimuth_deg, abs=tolerances[1]), origin


@pytest.mark.parametrize(
    ("ellipsoidal", "orthometric", "separation"),
    # codingace.net, table of ellipsoidal and orthometric heights; N = h - H.
    [(112.3450, 98.1200, 14.2250), (56.7800, 62.1400, -5.3600)],
)
def test_heights_above_ellipsoid_and_geoid(geoid_folder, ellipsoidal, orthometric, separation):
    """An ellipsoidal height less the geoid's separation is the orthometric height."""
    geoid_folder(separation)
    placed = to_site(
        [-75.1],
        [40.0],
        [ellipsoidal],
        src="EPSG:6319",
        site=site_crs("EPSG:6347"),
        heights=CRS("EPSG:5703"),
        max_accuracy_m=0.05,
    )

    # A float32 grid holds the separation to a micrometre.
    assert placed.height[0] == pytest.approx(orthometric, abs=1e-5)


@pytest.fixture
def geoid_folder(tmp_path, monkeypatch):
    """Give PROJ a folder with a geoid of one constant separation, and take it away again."""
    import pyproj
    import rasterio
    from affine import Affine

    before = pyproj.datadir.get_data_dir()

    def make(separation: float) -> None:
        profile = {"driver": "GTiff", "width": 21, "height": 21, "count": 1, "dtype": "float32"}
        # The name that the EPSG operation from NAD83(2011) to NAVD88 asks for.
        with rasterio.open(
            tmp_path / "us_noaa_g2018u0.tif",
            "w",
            crs="EPSG:6318",
            transform=Affine(0.1, 0, -76.05, 0, -0.1, 41.05),
            **profile,
        ) as grid:
            grid.write(np.full((1, 21, 21), separation, dtype=np.float32))
            grid.update_tags(AREA_OR_POINT="Point", TYPE="VERTICAL_OFFSET_GEOGRAPHIC_TO_VERTICAL")
            grid.set_band_description(1, "geoid_undulation")
            grid.units = ("metre",)
        pyproj.datadir.append_data_dir(str(tmp_path))

    yield make
    pyproj.datadir.set_data_dir(before)
