"""The sample site: remade the same, as large and as flawed as promised, with a truth that holds."""

from __future__ import annotations

import ast
import csv
import gzip
import io
import json
import os
import sqlite3
import subprocess
import sys
import tomllib
from pathlib import Path

import numpy as np
import pytest
import rasterio
from shapely import LineString, Polygon, from_wkb

ROOT = Path(__file__).resolve().parents[2]
SAMPLE, TRUTH = ROOT / "sample_gis", ROOT / "tests" / "truth"
MADE = ("site.toml", "survey", "ground", "surface", "ortho")
HOUSE_LIMIT = 10 * 2**20


def _made(root: Path) -> dict[str, Path]:
    """Every file that the build makes, by its place below `root`."""
    tops = [root / "sample_gis" / name for name in MADE] + [root / "tests" / "truth"]
    files = [path for top in tops for path in (top.rglob("*") if top.is_dir() else [top])]
    return {
        path.relative_to(root).as_posix(): path
        for path in sorted(files)
        if path.is_file() and path.name != "README.md"
    }


def _text(path: Path) -> bytes:
    """Bytes of a text file; a gzip is unpacked, as zlib versions pack differently."""
    data = path.read_bytes()
    return gzip.decompress(data) if path.suffix == ".gz" else data


def _table(path: Path, delimiter: str = ",") -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(_text(path).decode()), delimiter=delimiter))


def _column(rows: list[dict[str, str]], name: str) -> np.ndarray:
    return np.array([float(row[name]) if row[name] else np.nan for row in rows])


def _layer(path: Path) -> list[tuple[object, ...]]:
    """Rows of the one layer of a GeoPackage; SQLite writes its own version into the file's head."""
    with sqlite3.connect(f"file:{path}?mode=ro", uri=True) as base:
        (name,) = base.execute("select table_name from gpkg_contents").fetchone()
        rows = base.execute(f'select * from "{name}" order by fid').fetchall()
    base.close()
    return rows


def _same_raster(first: Path, second: Path) -> bool:
    """Equal pixels; photographs may differ by a step, as JPEG decoders round differently."""
    with rasterio.open(first) as one, rasterio.open(second) as two:
        assert (one.crs, one.transform, one.nodata) == (two.crs, two.transform, two.nodata)
        if not np.array_equal(one.dataset_mask(), two.dataset_mask()):
            return False
        a, b = one.read().astype(float), two.read().astype(float)
    limit = 6.0 if a.shape[0] == 3 else 0.0
    off = np.abs(a - b)
    return bool(a.shape == b.shape and off.max() <= limit and off.mean() <= limit / 12.0)


@pytest.fixture(scope="module")
def truth() -> dict[str, np.ndarray]:
    """True heights and gaps at every 5 cm."""
    rows = _table(TRUTH / "stations.csv.gz")
    numbers = {
        name: _column(rows, name)
        for name in rows[0]
        if name not in ("run_id", "filled_by", "surface")
    }
    words = {
        name: np.array([row[name] for row in rows]) for name in ("run_id", "filled_by", "surface")
    }
    return numbers | words


@pytest.fixture(scope="module")
def rover() -> list[dict[str, str]]:
    """Rows of the rover's file."""
    return _table(SAMPLE / "survey" / "elements_rtk.csv")


@pytest.fixture(scope="module")
def blunders() -> list[dict[str, object]]:
    """The planted mistakes."""
    return json.loads((TRUTH / "blunders.json").read_text(encoding="utf-8"))


@pytest.fixture
def make_site(monkeypatch):
    """The generator's own function of seed and year."""
    monkeypatch.syspath_prepend(str(SAMPLE))
    from generator.site import make_site

    return make_site


@pytest.mark.slow
def test_build_makes_the_same_files_again(tmp_path):
    """With another hash seed, time zone and locale the build gives the files that are in git."""
    odd = {"PYTHONHASHSEED": "77", "TZ": "Pacific/Chatham", "LC_ALL": "C"}
    command = [sys.executable, str(SAMPLE / "build.py"), "--out", str(tmp_path)]
    subprocess.run(command, check=True, env=os.environ | odd, timeout=400)
    before, after = _made(ROOT), _made(tmp_path)
    assert list(before) == list(after)
    for name, path in before.items():
        again = after[name]
        if path.read_bytes() == again.read_bytes():
            continue
        if path.suffix == ".tif":
            assert _same_raster(path, again), name
        elif path.suffix == ".gpkg":
            assert _layer(path) == _layer(again), name
        else:
            assert _text(path) == _text(again), name


def test_comparison_sees_a_change(tmp_path):
    """The comparison above tells a changed height, a changed pixel and a changed row."""
    name = SAMPLE / "ground" / "ground_r1c1.tif"
    with rasterio.open(name) as source:
        values, profile = source.read(), source.profile
    values[0, 300, 300] += 1.0 / 512.0
    profile.update(driver="GTiff", predictor=3)
    with rasterio.open(tmp_path / "changed.tif", "w", **profile) as target:
        target.write(values)
    assert not _same_raster(name, tmp_path / "changed.tif")
    assert _same_raster(name, name)
    stones = SAMPLE / "survey" / "stones.gpkg"
    assert _layer(stones) != _layer(SAMPLE / "survey" / "curbs.gpkg")


def test_generator_is_independent_of_the_house():
    """Nothing of the generator imports fencemap: its truth must be its own."""
    for path in sorted([SAMPLE / "build.py", *(SAMPLE / "generator").glob("*.py")]):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        names = [
            alias.name
            for node in ast.walk(tree)
            if isinstance(node, ast.Import)
            for alias in node.names
        ]
        names += [node.module or "" for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)]
        assert not [name for name in names if name.split(".")[0] == "fencemap"], path.name


def test_ground_is_as_large_as_promised(truth):
    """At least 40 fenced lots, 180 bays, 250 stones; 15 to 20 % of the metres touch soil."""
    posts = _table(TRUTH / "posts.csv")
    elements = [*_table(SAMPLE / "survey" / "elements_rtk.csv"),
                *_table(SAMPLE / "survey" / "elements_total_station.csv", ";")]  # fmt: skip
    lots = {lot for row in elements if row["run_id"] for lot in row["lots"].split(";")}
    bays = set(zip(truth["run_id"], truth["bay"], strict=True))
    assert len(lots) >= 40
    assert len(bays) >= 180
    assert len(_layer(SAMPLE / "survey" / "stones.gpkg")) >= 250
    assert len(posts) == len({row["element_id"] for row in posts})
    panel = truth["filled_by"] == "panel"
    assert 0.15 <= truth["contact_soil"][panel].mean() <= 0.20
    assert truth["contact_stone"][panel].sum() > 0


def test_boundary_encloses_about_twelve_thousand_square_metres():
    """The boundary's area on the ellipsoid, by PROJ's geodesic, is 1.2 ha within 5 %."""
    from pyproj import Geod

    shape = json.loads((SAMPLE / "survey" / "boundary.geojson").read_text())["features"][0][
        "geometry"
    ]
    east, north = np.array(shape["coordinates"][0]).T
    area, _ = Geod(ellps="WGS84").polygon_area_perimeter(east, north)
    assert area == pytest.approx(12000.0, rel=0.05)  # > 0: counter-clockwise, as RFC 7946 asks


def test_slope_is_that_of_a_hillside(truth):
    """Soil along the fences falls 5 to 8 % on the whole: a plane fitted by least squares."""
    plane = np.column_stack([truth["easting"], truth["northing"], np.ones(len(truth["easting"]))])
    plane[:, :2] -= plane[:, :2].mean(axis=0)
    (east, north, _), *_ = np.linalg.lstsq(plane, truth["soil"], rcond=None)
    assert 0.05 <= np.hypot(east, north) <= 0.08


def test_truth_gaps_are_differences_of_true_heights(truth):
    """Gap is rail minus surface; contact is 20 mm or less to the higher of the two surfaces."""
    rail = np.isfinite(truth["rail"])
    soil = (truth["rail"] - truth["soil"]) * 1000.0
    assert np.allclose(soil[rail], truth["gap_soil_mm"][rail], atol=0.16)
    assert np.isnan(truth["gap_soil_mm"][~rail]).all()
    stone = rail & np.isfinite(truth["stone"])
    assert np.allclose(
        (truth["rail"] - truth["stone"])[stone] * 1000.0, truth["gap_stone_mm"][stone], atol=0.16
    )
    higher = np.fmax(truth["soil"], np.nan_to_num(truth["stone"], nan=-np.inf))
    touch = (truth["rail"] - higher) * 1000.0 <= 20.0
    told = (truth["contact_soil"] + truth["contact_stone"]) > 0
    unsure = np.abs((truth["rail"] - higher) * 1000.0 - 20.0) < 0.2
    assert np.array_equal(touch[rail & ~unsure], told[rail & ~unsure])
    assert not told[~rail].any()


def test_stations_are_five_centimetres_apart(truth):
    """True places of one run lie 5 cm apart along it, by Pythagoras, but for its corners."""
    for run in np.unique(truth["run_id"])[::7]:
        mine = truth["run_id"] == run
        steps = np.hypot(np.diff(truth["easting"][mine]), np.diff(truth["northing"][mine]))
        assert np.median(steps) == pytest.approx(0.05, abs=0.002)
        assert steps.max() < 0.052
        assert np.allclose(np.diff(truth["station_m"][mine]), 0.05, atol=1e-6)


def test_stone_distances_hold():
    """Distances of stones to iron in the truth equal those of shapely on true corners and posts."""
    lines: dict[str, list[tuple[float, float]]] = {}
    for row in _table(TRUTH / "posts.csv"):
        lines.setdefault(row["run_id"], []).append((float(row["easting"]), float(row["northing"])))
    for name in json.loads((TRUTH / "summary.json").read_text())["closed_runs"]:
        lines[name].append(lines[name][0])
    touching = 0
    for row in _table(TRUTH / "stones.csv"):
        shape = Polygon([tuple(map(float, pair.split(","))) for pair in row["corners"].split()])
        near = min(LineString(line).distance(shape) for line in lines.values())
        assert near == pytest.approx(float(row["distance_m"]), abs=2e-4)
        touching += near <= 0.02
    assert touching >= 10


def test_rover_errs_as_it_says(rover, blunders):
    """Fixed shots lie about 1.5 cm off per axis, float ones decimetres, and the file says which."""
    places = {row["element_id"]: row for row in _table(TRUTH / "posts.csv")}
    wrong = {
        (one["line"])
        for one in blunders
        if one["file"].endswith("elements_rtk.csv") and "elements" not in one
    }
    off: dict[str, list[float]] = {"fixed": [], "float": []}
    for line, row in enumerate(rover, start=2):
        if row["kind"] == "post" and row["fix_quality"] in off and line not in wrong:
            there = places[row["element_id"]]
            off[row["fix_quality"]] += [
                float(row[axis]) - float(there[axis]) for axis in ("easting", "northing")
            ]
    assert 0.012 <= np.std(off["fixed"]) <= 0.022
    assert np.std(off["float"]) > 0.05
    said = {row["accuracy_is"] for row in rover if row["method"] == "gnss"}
    assert said == {"radial 95 %"}
    quoted = float(next(row["sigma_h_m"] for row in rover if row["fix_quality"] == "fixed"))
    # A radius that holds 95 % is 2.4477 standard deviations per axis (Rayleigh distribution).
    assert quoted / 2.4477 == pytest.approx(0.015, abs=0.001)


def test_telephone_is_metres_off():
    """Gates in the telephone's file lie metres from where they are, within its stated radius."""
    from pyproj import Transformer

    features = json.loads((SAMPLE / "survey" / "elements_phone.geojson").read_text())["features"]
    back = Transformer.from_crs("EPSG:4326", "EPSG:32631", always_xy=True)
    posts = {row["element_id"]: row for row in _table(TRUTH / "posts.csv")}
    ratios = []
    for feature in features:
        tags = feature["properties"]
        if tags["kind"] != "gate":
            continue
        ends = [posts.get(f"{tags['run_id']}-P{tags['order'] + step:02d}") for step in (0, 1)]
        ends = [end for end in ends if end]
        middle = np.mean([[float(end["easting"]), float(end["northing"])] for end in ends], axis=0)
        there = back.transform(*feature["geometry"]["coordinates"])
        ratios.append(np.hypot(*(np.array(there) - middle)) / tags["sigma_h_m"])
    assert len(ratios) >= 30
    # 68 % of fixes should lie inside the radius; 12 points are three standard errors of 40 gates or so.
    assert 0.5 <= np.mean(np.array(ratios) <= 1.0) <= 0.9


def test_total_station_file_is_semicolons_and_commas():
    """The total station's file uses ; between cells and a comma in numbers, and has no satellite words."""
    text = (SAMPLE / "survey" / "elements_total_station.csv").read_text(encoding="utf-8")
    rows = _table(SAMPLE / "survey" / "elements_total_station.csv", ";")
    assert len(rows) > 100
    assert all("," in row["easting"] and "." not in row["easting"] for row in rows)
    assert {row["method"] for row in rows} == {"total station"}
    assert text.splitlines()[0].count(";") == 45 - 1  # one fewer than the columns


def test_blunders_stand_where_the_truth_says(blunders):
    """Each planted mistake is at its file and line; eight are to be refused, two to be doubted."""
    reactions = [one["reaction"] for one in blunders]
    assert (reactions.count("rejected"), reactions.count("suspect")) == (8, 2)
    for one in blunders:
        lines = _text(SAMPLE / one["file"]).decode().splitlines()
        row = next(csv.DictReader([lines[0], lines[one["line"] - 1]]))
        if "value" in one:
            assert row[one["column"]] == one["value"], one
        assert one["element_id"] in row.values()


def test_rod_step_is_twenty_centimetres(rover, blunders):
    """Ground shots of the twelve named rows lie 0.20 m lower than the others do against the truth."""
    step = next(one for one in blunders if one["what"] == "rod height step")
    soil = {row["element_id"]: float(row["soil"]) for row in _table(TRUTH / "posts.csv")}
    wrong = {one["line"] for one in blunders if one is not step and one["file"] == step["file"]}
    off: dict[bool, list[float]] = {True: [], False: []}
    for line, row in enumerate(rover, start=2):
        if (
            row["target"] == "ground"
            and row["fix_quality"] == "fixed"
            and row["element_id"] in soil
            and line not in wrong
        ):
            off[line in step["lines"]].append(float(row["height"]) - soil[row["element_id"]])
    assert len(step["lines"]) == 12
    assert np.mean(off[True]) - np.mean(off[False]) == pytest.approx(-0.20, abs=0.03)


def test_names_of_elements_are_unique_but_for_the_planted_one(rover):
    """No element_id stands twice over all three files, but the one planted twice."""
    names = [row["element_id"] for row in rover]
    names += [
        row["element_id"] for row in _table(SAMPLE / "survey" / "elements_total_station.csv", ";")
    ]
    phone = json.loads((SAMPLE / "survey" / "elements_phone.geojson").read_text())["features"]
    names += [feature["properties"]["element_id"] for feature in phone]
    assert len(names) - len(set(names)) == 1


def test_ground_model_is_good_over_lawn_and_poor_at_fences(truth):
    """Against the truth: under 3 cm off at check points, biased and rougher in the fence strip, holes kept empty."""
    tiles = []
    for path in sorted((SAMPLE / "ground").glob("*.tif")):
        with rasterio.open(path) as tile:
            assert tile.nodata == -9999.0
            assert tile.tags(ns="IMAGE_STRUCTURE")["LAYOUT"] == "COG"
            tiles.append((tile.bounds, tile.read(1)))

    def at(east: np.ndarray, north: np.ndarray) -> np.ndarray:
        out = np.full(len(east), np.nan)
        for bounds, values in tiles:
            mine = (
                (east >= bounds.left)
                & (east < bounds.right)
                & (north > bounds.bottom)
                & (north <= bounds.top)
            )
            row = ((bounds.top - north[mine]) / 0.05).astype(int)
            out[mine] = values[row, ((east[mine] - bounds.left) / 0.05).astype(int)]
        return np.where(out == -9999.0, np.nan, out)

    checks = [row for row in _table(SAMPLE / "survey" / "checkpoints.csv") if row["of"] == "ground"]
    lawn = at(_column(checks, "easting"), _column(checks, "northing")) - _column(checks, "height")
    fence = (at(truth["easting"], truth["northing"]) - truth["soil"])[truth["surface"] == "soil"]
    assert np.sqrt(np.nanmean(lawn**2)) < 0.03
    assert np.nanmean(fence) > np.nanmean(lawn) + 0.015
    assert np.nanstd(fence) > 0.02
    assert 5 <= np.isnan(fence).sum() < 0.01 * len(fence)


def test_orthophoto_is_a_masked_picture_of_three_centimetres():
    """Tiles have three bands of 3 cm pixels, overviews, and a mask that leaves about a quarter empty."""
    empty, total = 0, 0
    for path in sorted((SAMPLE / "ortho").glob("*.tif")):
        with rasterio.open(path) as tile:
            assert (tile.count, tile.res, tile.crs.to_epsg()) == (3, (0.03, 0.03), 32631)
            assert tile.overviews(1)
            mask = tile.dataset_mask()
            empty, total = empty + int((mask == 0).sum()), total + mask.size
    assert 0.1 < empty / total < 0.4


def test_stones_can_be_seen_in_the_orthophoto():
    """Pixels just inside pale stones are brighter than the turf a hand's breadth around them."""
    with sqlite3.connect(f"file:{SAMPLE / 'survey' / 'stones.gpkg'}?mode=ro", uri=True) as base:
        rows = base.execute("select geom, stone_type from stones where kind = 'ledger'").fetchall()
    base.close()
    brighter = []
    for path in sorted((SAMPLE / "ortho").glob("*.tif")):
        with rasterio.open(path) as tile:
            picture = tile.read().mean(axis=0)
            for blob, kind in rows:
                shape = from_wkb(blob[40:])  # header of 8 bytes and an envelope of four doubles
                if (
                    kind not in ("marble", "limestone")
                    or not tile.bounds.left + 2 < shape.centroid.x < tile.bounds.right - 2
                ):
                    continue
                if not tile.bounds.bottom + 2 < shape.centroid.y < tile.bounds.top - 2:
                    continue
                row, column = tile.index(shape.centroid.x, shape.centroid.y)
                ring = picture[row - 50 : row + 51, column - 50 : column + 51]
                brighter.append(
                    picture[row - 5 : row + 6, column - 5 : column + 6].mean() - np.median(ring)
                )
    assert len(brighter) >= 4
    assert np.median(brighter) > 25.0


def test_geopackages_are_version_one_three():
    """The header names GeoPackage 1.3 (user_version 10300, OGC 12-128r17), and no sidecar is left."""
    for name in ("stones", "curbs"):
        path = SAMPLE / "survey" / f"{name}.gpkg"
        with sqlite3.connect(f"file:{path}?mode=ro", uri=True) as base:
            assert base.execute("pragma user_version").fetchone() == (10300,)
            assert base.execute("pragma application_id").fetchone() == (int.from_bytes(b"GPKG"),)
        base.close()
        assert not list(path.parent.glob(f"{name}.gpkg-*"))


def test_site_file_names_only_files_that_are_there():
    """Every path in site.toml leads to a file, and every run in the works exists."""
    site = tomllib.loads((SAMPLE / "site.toml").read_text(encoding="utf-8"))
    (survey,) = site["survey"]
    for key, value in survey.items():
        for name in value if isinstance(value, list) else [value]:
            if isinstance(name, str) and "/" in name:
                assert list(SAMPLE.glob(name)), f"{key}: {name}"
    runs = {row["run_id"] for row in _table(TRUTH / "posts.csv")}
    assert {run for work in site["work"] for run in work["runs"]} <= runs
    wanted = {"brushing", "washing", "converter brushed", "priming", "painting", "digging"}
    assert {work["operation"] for work in site["work"]} >= wanted


def test_files_keep_within_their_size():
    """All made files together take at most 10 MB, none over 1 MB."""
    sizes = [path.stat().st_size for path in _made(ROOT).values()]
    assert max(sizes) <= 2**20
    assert sum(sizes) <= HOUSE_LIMIT


def test_a_later_year_continues_the_first(make_site):
    """Two years on the same things stand in the same places; soil has gathered, and some things happened."""
    first, later = make_site(20260414, 2026), make_site(20260414, 2028)
    assert [run.run_id for run in first.runs] == [run.run_id for run in later.runs]
    grown = np.concatenate(
        [b.soil_m - a.soil_m for a, b in zip(first.runs, later.runs, strict=True)]
    )
    assert 0.001 < np.median(grown) < 0.02
    changed = [a.bays != b.bays for a, b in zip(first.runs, later.runs, strict=True)]
    assert 0 < sum(changed) < len(changed)
    assert np.array_equal(first.runs[0].soil_m, make_site(20260414, 2026).runs[0].soil_m)


def test_the_ground_depends_on_the_seed(make_site):
    """Another seed makes another ground; a year before the first is refused."""
    assert len(make_site(7, 2026).stones) != len(make_site(20260414, 2026).stones)
    with pytest.raises(ValueError, match="2026 on"):
        make_site(20260414, 2025)
