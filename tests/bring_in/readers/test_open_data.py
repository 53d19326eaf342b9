"""Every fitting file of a folder of open data: read with the right numbers, or refused with a reason.

The folder is named by FENCEMAP_OPEN_DATA; without it these tests are left out. Expected numbers
come from the facts that lie beside the files, from the logs' own decodings by another program,
from counting elements with a regular expression, or from openpyxl.
"""

import json
import os
import re
import resource
import time
from pathlib import Path

import numpy as np
import openpyxl
import pytest
import shapely
from pyproj import CRS, Transformer

from fencemap.bring_in.readers import dispatch
from fencemap.bring_in.readers.angles import Notation, read_angles
from fencemap.bring_in.readers.nmea import read_nmea
from fencemap.bring_in.readers.shapefile import read_shapefile
from fencemap.bring_in.readers.xlsx import read_xlsx
from fencemap.errors import FencemapError, SurveyError

pytestmark = pytest.mark.open_data
DATA = Path(os.environ.get("FENCEMAP_OPEN_DATA", "no-open-data-given"))
MOST_SECONDS, MOST_MIB = 10.0, 1024


def fitting(*patterns):
    """Files of the folder, for the names of the tests."""
    return sorted(
        path.relative_to(DATA).as_posix() for pattern in patterns for path in DATA.glob(pattern)
    )


def read(name, **more):
    return dispatch(DATA / name, name=name, layer_hint="elements", **more)


def cells(table, row=0):
    return {name: column[row] for name, column in table.columns.items()}


def peak_mib():
    """Most memory this process has held so far."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


EVERYTHING = fitting("gnss/*", "exif/*", "messy/**/*.*", "conformance/geojson/**/*.geojson")


@pytest.mark.filterwarnings("ignore:Field format:RuntimeWarning")  # a column without a type
@pytest.mark.parametrize("name", EVERYTHING)
def test_every_file_is_read_or_refused(name):
    """A table whose rows add up, or our own error with reason and remedy; soon, and in little memory."""
    began, before = time.monotonic(), peak_mib()
    table = error = None
    try:
        table = read(name)
    except FencemapError as caught:
        error = caught
    if table is None:
        assert str(error)
        problems = getattr(error, "problems", ())
        assert all(problem.reason and problem.remedy for problem in problems)
    else:
        assert table.read == len(table.rows) + len(table.refused)
        assert all(len(column) == len(table.rows) for column in table.columns.values())
        assert all(r.problem.reason and r.problem.remedy for r in table.refused)
        numbers = table.rows.tolist() + [r.problem.row for r in table.refused]
        assert len(set(numbers)) == len(numbers)
    assert time.monotonic() - began < MOST_SECONDS
    assert peak_mib() - before < MOST_MIB


# GPX


@pytest.mark.parametrize("name", fitting("gnss/*.gpx"))
def test_gpx_has_all_its_points(name):
    """As many rows as point elements in the text; the first and last position as they stand there."""
    text = (DATA / name).read_text(encoding="utf-8-sig")
    tags = re.findall(r"<(?:wpt|rtept|trkpt)\b[^>]*>", text)
    places = [
        tuple(float(re.search(rf'{axis}="([^"]+)"', tag)[1]) for axis in ("lon", "lat"))
        for tag in tags
    ]
    table = read(name)
    assert len(table.rows) == len(tags) > 0
    assert not table.refused
    assert shapely.get_coordinates(table.geometry).tolist() == [list(place) for place in places]


def test_gpx_with_byte_order_mark_and_dilution():
    """The marked file's only point has its name, satellites and dilution of 16.2; so have the three of the other."""
    held = cells(read("gnss/unicode_with_bom.gpx"))
    assert (held["name"], held["ele"], held["sat"], held["hdop"], held["geoidheight"]) == (
        "test", "-14.6", "4", "16.2", "0",
    )  # fmt: skip
    assert held["time"] == "2016-05-27T10:08:47.800000Z"
    diluted = read("gnss/track_with_dilution_errors.gpx")
    assert diluted.columns["hdop"].tolist() == ["100.1", "200.1", "300.1"]
    assert diluted.columns["part"].tolist() == ["waypoint", "route point", "track point"]
    notes = read("gnss/track-with-empty-segment.gpx").notes
    assert any("1 empty track segments" in note for note in notes)


# NMEA


def decoded():
    """What another program made of the same log: its last report before the next GGA sentence."""
    found = []
    for line in (DATA / "gnss/nmea-rtk.log.chk").read_text(encoding="utf-8").splitlines():
        if line.startswith("$") and "GGA," in line:
            found.append(None)
        elif '"class":"TPV"' in line and found:
            found[-1] = json.loads(line)
    return found


def test_nmea_log_against_another_programs_decoding():
    """Latitude, longitude, heights, separation and quality of each fix as the other program has them."""
    table = read("gnss/nmea-rtk.log")
    reports = decoded()
    assert len(table.rows) == len(reports) == 122
    assert not table.refused
    for index, report in enumerate(reports):
        point, held = table.geometry[index], cells(table, index)
        assert point.y == pytest.approx(report["lat"], abs=1e-9)
        assert point.x == pytest.approx(report["lon"], abs=1e-9)
        assert float(held["height_above_ellipsoid_m"]) == pytest.approx(report["altHAE"], abs=1e-3)
        assert float(held["height_above_geoid_m"]) == report["altMSL"]
        assert float(held["geoid_separation_m"]) == report["geoidSep"] == -31.442
        assert held["fix_quality"] == {2: "dgps", 3: "fixed"}[report["status"]]
    words = table.columns["fix_quality"].tolist()
    assert (words.count("dgps"), words.count("fixed")) == (104, 18)
    assert table.columns["time"][0] == "2020-03-18T13:28:19.60Z"


def test_the_scatter_of_fixed_and_differential_positions():
    """The fixed positions scatter by millimetres, the differential ones by about a metre."""
    table = read_nmea(DATA / "gnss/nmea-rtk.log", name="log")
    to_plane = Transformer.from_crs("EPSG:4326", "EPSG:32615", always_xy=True)
    east, _north = to_plane.transform(*shapely.get_coordinates(table.geometry).T)
    fixed = table.columns["fix_quality"] == "fixed"
    assert np.std(east[fixed], ddof=1) < 0.003
    assert 0.5 < np.std(east[~fixed], ddof=1) < 1.5


# Angles


def test_packed_degrees_against_the_grid():
    """128 stations in DDD.MMSSsss are within a millimetre of the same stations' grid coordinates (MGA94)."""
    packed = dict(line.split(",", 1) for line in lines("gnss/Test_Conversion_Geo.csv"))
    grid = dict(line.split(",", 1) for line in lines("gnss/Test_Conversion_Grid.csv"))
    assert packed.keys() == grid.keys()
    rows = np.array([packed[name].split(",") for name in packed], dtype=object)
    latitude = read_angles(rows[:, 0], axis="latitude", notation=Notation.PACKED)
    longitude = read_angles(rows[:, 1], axis="longitude", notation=Notation.PACKED)
    assert not latitude.bad.any()
    assert not longitude.bad.any()
    for index, name in enumerate(packed):
        zone, *expected = grid[name].split(",")
        to_grid = Transformer.from_crs("EPSG:4283", f"EPSG:{28300 + int(zone)}", always_xy=True)
        got = to_grid.transform(longitude.degrees[index], latitude.degrees[index])
        assert got == pytest.approx([float(text) for text in expected], abs=0.0011), name


def lines(name):
    return (DATA / name).read_text(encoding="utf-8").split()


@pytest.mark.parametrize(
    ("name", "code"),
    [
        ("gnss/Test_Conversion_Geo.csv", "no-header"),
        ("gnss/Test_Conversion_Grid.csv", "point-order"),
        ("gnss/geoid-points-csv.csv", "point-order"),
        ("gnss/gnss-network.stn", "no-separator"),
        ("gnss/skye-tutorial.stn", "no-separator"),
    ],
)
def test_lists_of_stations_without_a_header_are_asked_about(name, code):
    """Nobody guesses what their columns are."""
    with pytest.raises(SurveyError) as caught:
        read(name)
    assert caught.value.problems[0].code == code


# Photographs


def test_photographs_as_the_facts_say():
    """The one position is 41°1'22.91" N 19°55'42.35" E; the absurd one is refused; dates are the cameras'."""
    table = read("exif/albania.jpg")
    point = table.geometry[0]
    assert point.y == pytest.approx(41 + 1 / 60 + 22.91 / 3600, abs=1e-9)
    assert point.x == pytest.approx(19 + 55 / 60 + 42.35 / 3600, abs=1e-9)
    absurd = read("exif/01.jpg")
    assert absurd.refused[0].problem.value == "4294967295.0"
    times = {
        "r_canon": ("2013-12-17T14:04:24", 12.5), "r_olympus": ("2013-11-12T13:54:29", 16.1),
        "r_pana": ("2007-09-15T13:15:57", 50.0), "r_sigma": ("2012-12-28T15:25:17", 50.0),
    }  # fmt: skip
    for name, (taken, focal) in times.items():
        held = cells(read(f"exif/{name}.jpg"))
        assert (held["time"], held["time_is"]) == (taken, "camera clock, zone not said")
        assert held["focal_length_mm"] == pytest.approx(focal)
        assert read(f"exif/{name}.jpg").geometry[0] is None
    for name in ("noexif", "noapp01"):
        assert cells(read(f"exif/{name}.jpg"))["time"] is None


# Shapefiles


@pytest.mark.parametrize(
    "name", sorted(set(fitting("messy/shp/*.shp")) - {"messy/shp/prjwithutf8bom.shp"})
)
def test_shapefiles_without_a_projection_are_asked_for_it(name):
    """Only one of them has a .prj; the others are refused until somebody says the CRS."""
    with pytest.raises(SurveyError) as caught:
        read(name)
    assert caught.value.problems[0].code == "no-crs"


@pytest.mark.parametrize(
    ("stem", "kept", "refused", "word"),
    [
        ("testpoly", 14, 0, ""), ("mixed_shape_type_non_conformant", 6, 0, ""),
        ("pointnan", 1, 1, "finite"), ("polygonm_without_m", 0, 2, "open"),
        ("buggymultiline", 0, 1, "can be read"), ("emptymultiline", 0, 1, "can be read"),
    ],
)  # fmt: skip
def test_shapefiles_with_a_said_projection(stem, kept, refused, word):
    """Rows kept and refused as the shapes are: the open rings, the one that is no number, the empty ones."""
    path = DATA / f"messy/shp/{stem}.shp"
    table = read_shapefile(path, name=stem, crs="EPSG:32631")
    assert (len(table.rows), len(table.refused)) == (kept, refused)
    assert all(word in refusal.problem.reason for refusal in table.refused)


def test_shapefile_shapes():
    """A .prj with a byte order mark is understood, and the plain point and polygons are where they are."""
    table = read("messy/shp/prjwithutf8bom.shp")
    assert CRS(table.crs).to_epsg() == 4269
    assert table.geometry[0].wkt == "POINT (-100 50)"
    polygons = read_shapefile(DATA / "messy/shp/testpoly.shp", name="p", crs="EPSG:32631")
    assert polygons.columns["FID"].tolist() == [str(number) for number in range(14)]
    assert polygons.geometry[0].bounds == (-297, 267.5, -279, 293.5)


# KML


def test_kml_samples():
    """As many rows as placemarks in the text; folders, altitudes and the truncated file as they are."""
    text = (DATA / "messy/kml/samples.kml").read_text(encoding="utf-8")
    table = read("messy/kml/samples.kml")
    assert table.read == len(re.findall("<Placemark", text)) == 20
    assert not table.refused
    assert sum(shape is None for shape in table.geometry) == 1
    twice = read("messy/kml/duplicate_folder_name.kml")
    assert twice.columns["folder"].tolist() == ["doc / layer", "doc / layer"]
    assert [shape.wkt for shape in twice.geometry] == ["POINT (2 49)", "POINT (3 50)"]
    assert read("messy/kml/gxtrack.kml").geometry[0].wkt == "LINESTRING (2 49, 3 50)"
    assert read("messy/kml/placemark_with_kml_prefix.kml").geometry[0].wkt == "POINT (2 49)"
    assert (
        read("messy/kml/tab_separated_coord_triplet.kml").geometry[0].wkt == "LINESTRING (1 2, 4 5)"
    )
    with pytest.raises(SurveyError) as caught:
        read("messy/kml/truncated.kml")
    assert caught.value.problems[0].code == "cut-off"


# Workbooks


@pytest.mark.filterwarnings("ignore:Unknown extension")  # openpyxl's remark on a theme
def test_workbooks_against_openpyxl():
    """Every cell of every sheet as openpyxl has it; the sheet with a name twice is refused."""
    checked = 0
    for name in fitting("messy/xlsx/*.xlsx"):
        book = openpyxl.load_workbook(DATA / name, data_only=True)
        for sheet in book:
            titles = [cell.value for cell in sheet[1]]
            if titles.count("label") > 1:
                with pytest.raises(SurveyError, match="'label' is there 2 times, in D and E"):
                    read_xlsx(DATA / name, name=name, sheet=sheet.title)
                continue
            table = read_xlsx(DATA / name, name=name, sheet=sheet.title)
            assert not table.refused
            for index, row in enumerate(table.rows.tolist()):
                for column, title in enumerate(titles, 1):
                    expected = sheet.cell(row, column).value
                    if title is None or (isinstance(expected, str) and not expected.strip()):
                        continue
                    checked += same(table.columns[str(title)][index], expected)
    assert checked > 190


def same(got, expected):
    if hasattr(expected, "isoformat"):
        expected = expected.isoformat().removesuffix("T00:00:00")
        got = got.partition(".")[0] if got else got
    if isinstance(expected, str):
        expected = expected.strip()
    assert got == expected
    return 1


@pytest.mark.parametrize("name", ["messy/xlsx/gps.xls"])
def test_old_workbooks_are_refused_by_name(name):
    """The old binary format is named, with what to save instead."""
    with pytest.raises(FencemapError, match=r"\.xlsx"):
        read(name)
