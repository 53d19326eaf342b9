"""Broken sites end with exit code 2 and one clear message, and leave nothing behind."""

import re

import pytest
from sample import copy_of_sample, fencemap

pytestmark = pytest.mark.slow


def edit(path, old, new):
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


def wrong_column(site):
    edit(site / "survey" / "elements_rtk.csv", ",easting,", ",eastng,")


def no_crs(site):
    edit(site / "site.toml", 'crs = "EPSG:32631"', 'crs = ""')


def raster_off_the_fence(site):
    import numpy as np
    import rasterio
    from rasterio.transform import from_origin

    for path in (site / "ground").glob("*.tif"):
        path.unlink()
    profile = {"driver": "GTiff", "width": 64, "height": 64, "count": 1, "dtype": "float32", "nodata": -9999.0}
    place = {"crs": "EPSG:32631", "transform": from_origin(600000, 6100000, 0.1, 0.1)}
    with rasterio.open(site / "ground" / "far.tif", "w", **profile, **place) as target:
        target.write(np.full((1, 64, 64), 50.0, dtype="float32"))


def text_as_tif(site):
    first = min((site / "ground").glob("*.tif"))
    first.write_text("These are no pixels.\n" * 40, encoding="utf-8")


def nan_easting(site):
    path = site / "survey" / "elements_rtk.csv"
    path.write_text(re.sub(r",5004\d\d\.\d+|,5005\d\d\.\d+", ",NaN", path.read_text(encoding="utf-8")), encoding="utf-8")


def swapped_axes(site):
    edit(site / "survey" / "elements_rtk.csv", ",easting,northing,", ",northing,easting,")


@pytest.mark.parametrize(
    ("damage", "place", "words"),
    [
        (wrong_column, "elements_rtk.csv:1", "eastng"),
        (no_crs, "site.toml", "never guessed"),
        (raster_off_the_fence, "far.tif", "the fences lie at"),
        (text_as_tif, ".tif", "text"),
        (nan_easting, "elements_rtk.csv:2", "not a number"),
        (swapped_axes, "elements_rtk.csv:2", "swapped"),
    ],
    ids=lambda value: getattr(value, "__name__", ""),
)
def test_a_broken_site_is_refused_with_place_reason_and_remedy(tmp_path, damage, place, words):
    """Exit 2, the place, the reason; no traceback; no result at a final name."""
    site = copy_of_sample(tmp_path)
    damage(site)
    done = fencemap("run", "site_survey", site, "--quiet")
    assert done.returncode == 2, done.stdout + done.stderr
    assert place in done.stderr
    assert words in done.stderr
    assert "Traceback" not in done.stderr
    made = [path for path in (site / "results").rglob("*") if path.is_file() and ".layers" not in path.parts]
    assert [path.name for path in made if path.name != ".run.lock"] == []
