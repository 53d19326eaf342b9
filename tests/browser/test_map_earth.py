"""Lengths, areas and coordinates of the page against PROJ and GeographicLib (through pyproj)."""

from __future__ import annotations

from itertools import product

import pytest
from map_ground import write_map
from pyproj import Geod, Transformer
from small_ground import CRS, EAST, NORTH

pytestmark = pytest.mark.browser
GEOD = Geod(ellps="WGS84")


def test_lengths_are_geodesics(visit, map_file):
    """A measured 5, 100 and 800 m is right to 1 mm or 2 millionths, at any latitude and bearing."""
    page = visit(map_file)
    for latitude, azimuth, metres in product((0.0, 30.0, 54.5, 60.0, -33.9, 69.0), (0, 37, 90, 200, 305), (5.0, 100.0, 800.0)):  # fmt: skip
        lon, lat, _ = GEOD.fwd(12.0, latitude, azimuth, metres)
        measured = page.evaluate("([a, b]) => fencemap.metresBetween(a, b)", [[12.0, latitude], [lon, lat]])  # fmt: skip
        assert measured == pytest.approx(metres, abs=max(0.001, 2e-6 * metres)), (latitude, azimuth)


def test_areas(visit, map_file):
    """The area of a lot of 20 by 30 m is right to a thousandth."""
    page = visit(map_file)
    for latitude in (0.0, 45.0, 60.0):
        corner = (12.0, latitude)
        east = GEOD.fwd(*corner, 90, 20)[:2]
        ring = [list(point) for point in (corner, east, GEOD.fwd(*east, 0, 30)[:2], GEOD.fwd(*corner, 0, 30)[:2])]  # fmt: skip
        wanted = abs(GEOD.polygon_area_perimeter(*zip(*ring, strict=True))[0])
        assert page.evaluate("ring => fencemap.squareMetres(ring)", ring) == pytest.approx(wanted, rel=1e-3)  # fmt: skip


def test_site_coordinates(visit, map_file):
    """Eastings and northings in the page agree with PROJ to a millimetre."""
    page = visit(map_file)
    to_degrees = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)
    for east, north in ((EAST, NORTH), (EAST + 17.25, NORTH + 9.5), (EAST + 60, NORTH - 25)):
        lonlat = list(to_degrees.transform(east, north))
        found = page.evaluate("place => fencemap.toGrid(place)", lonlat)
        assert found == pytest.approx([east, north], abs=0.001)


def test_drawn_where_it_lies(visit, tmp_path, layers):
    """A lone post is painted where PROJ and the Mercator formula put it, to a pixel."""
    page = visit(write_map(tmp_path / "map.html", {"elements": layers["elements"].iloc[[0]], "lots": layers["lots"]}))  # fmt: skip
    page.evaluate("fencemap.map.setZoom(22, {animate: false})")
    post = layers["elements"].geometry.iloc[0]
    lon, lat = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True).transform(post.x, post.y)
    page.evaluate("([lon, lat]) => fencemap.map.setView([lat, lon], 22, {animate: false})", [lon, lat])  # fmt: skip
    x, y = Transformer.from_crs(CRS, "EPSG:3857", always_xy=True).transform(post.x, post.y)
    half = 20037508.342789244
    wanted = [(x + half) / (2 * half) * 256 * 2**22, (half - y) / (2 * half) * 256 * 2**22]
    got = page.evaluate(
        """() => { const c = document.querySelector('canvas.leaflet-zoom-animated'), map = fencemap.map;
        const ratio = c.width / parseFloat(c.style.width), ctx = c.getContext('2d');
        const at = L.DomUtil.getPosition(c).add(map.getPixelOrigin());
        const middle = map.project(map.getCenter()).subtract(at).multiplyBy(ratio).round();
        const d = ctx.getImageData(middle.x - 20, middle.y - 20, 40, 40).data; let sx = 0, sy = 0, n = 0;
        for (let i = 0; i < 1600; i += 1) if (d[4 * i] > 230 && d[4 * i + 1] > 210 && d[4 * i + 2] < 90) { sx += i % 40; sy += Math.floor(i / 40); n += 1; }
        return n ? [at.x + (middle.x - 20 + sx / n + .5) / ratio, at.y + (middle.y - 20 + sy / n + .5) / ratio] : null; }"""
    )
    assert got == pytest.approx(wanted, abs=1.0)


def test_photo_and_drawing_agree(visit, tmp_path, layers):
    """A red mark in the photo lies under the point drawn at its coordinates, to 3 pixels at 2 cm."""
    from map_ground import write_photo

    from fencemap.formats.raster import open_image

    spot = (EAST + 20.0, NORTH + 12.0)
    with open_image([write_photo(tmp_path / "photo.tif", spot=spot)], site_crs=CRS) as ortho:
        file = write_map(tmp_path / "map.html", {"lots": layers["lots"]}, ortho=ortho)
    page = visit(file)
    lon, lat = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True).transform(*spot)
    page.evaluate("([lon, lat]) => fencemap.map.setView([lat, lon], 22, {animate: false})", [lon, lat])  # fmt: skip
    page.click("#fm-layer-lots")
    page.click("#fm-grid")
    page.wait_for_timeout(600)
    box = page.locator(".folium-map").bounding_box()
    import io

    import numpy as np
    from PIL import Image

    picture = np.asarray(Image.open(io.BytesIO(page.screenshot(clip=box))).convert("RGB")).astype(int)  # fmt: skip
    red = (picture[..., 0] > 150) & (picture[..., 1] < 80)
    rows, columns = np.nonzero(red)
    assert len(rows) > 800  # a square metre at 2.2 cm a pixel has about 2,000 pixels
    middle = [columns.mean() + 0.5, rows.mean() + 0.5]
    assert middle == pytest.approx([box["width"] / 2, box["height"] / 2], abs=3)
