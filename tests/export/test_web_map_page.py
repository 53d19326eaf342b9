"""The page as text: inert data, a policy that holds, the same bytes every time."""

from __future__ import annotations

import base64
import hashlib
import json
import re
import subprocess
import sys
from importlib.resources import files

import pytest
from map_ground import ground, write_map, write_photo

from fencemap.errors import ExportError
from fencemap.export.web_map import page

VENDOR = files("fencemap.export.web_map") / "vendor"


@pytest.fixture(scope="module")
def text(tmp_path_factory):
    """The page of the invented ground."""
    return write_map(tmp_path_factory.mktemp("page") / "map.html", ground()).read_text(encoding="utf-8")  # fmt: skip


def test_leaflet_is_the_published_one():
    """The vendored files have the digests that Leaflet's download page gives, and its licence is there."""
    published = {
        "leaflet-1.9.4.js": "20nQCchB9co0qIjJZRGuk2/Z9VM+kNiyxNV1lvTlZBo=",
        "leaflet-1.9.4.css": "p4NxAoJBhIIN+hmNHrzRCf9tD/miZyoHS5obTRR9BMY=",
    }
    for name, digest in published.items():
        assert base64.b64encode(hashlib.sha256((VENDOR / name).read_bytes()).digest()).decode() == digest  # fmt: skip
    assert "BSD 2-Clause" in (VENDOR / "leaflet-LICENSE.txt").read_text(encoding="utf-8")


def test_checksums_name_every_vendored_file():
    """The list of checksums holds for each file beside it and forgets none."""
    listed = dict(reversed(line.split("  ")) for line in (VENDOR / "SHA256SUMS").read_text().splitlines())  # fmt: skip
    there = {file.name for file in VENDOR.iterdir() if file.is_file()} - {"SHA256SUMS"}
    assert set(listed) == there
    for name, digest in listed.items():
        assert hashlib.sha256((VENDOR / name).read_bytes()).hexdigest() == digest


def test_nothing_in_the_page_points_outside(text):
    """No source, style or import names a server; the only addresses are names in SVG and Leaflet's own link."""
    assert re.findall(r"""(?:src|href)\s*=\s*["']?(?:https?:)?//""", text.replace('href="https://leafletjs.com"', "")) == []  # fmt: skip
    assert re.findall(r"url\(\s*['\"]?(?:https?:)?//", text) == []
    assert "@import" not in text
    assert "sourceMappingURL" not in text
    assert re.findall(r"\b(?:cdn|unpkg|jsdelivr|cloudflare)\b", text) == []


def test_policy_names_every_script_and_style(text):
    """Each inline script and style has its digest in the policy, and nothing else is allowed."""
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', text)[1]
    assert policy.startswith("default-src 'none'; ")
    assert "unsafe" not in policy
    inline = re.findall(r"<script>(.*?)</script>", text, re.DOTALL) + re.findall(r"<style>(.*?)</style>", text, re.DOTALL)  # fmt: skip
    digests = {base64.b64encode(hashlib.sha256(one.encode()).digest()).decode() for one in inline}
    assert digests == set(re.findall(r"'sha256-([^']+)'", policy))
    assert not re.search(r"<[a-z][^>]*\son[a-z]+\s*=", page._asset("assets", "before.html") + page._asset("assets", "after.html"))  # fmt: skip
    assert text.index("Content-Security-Policy") < text.index("<script")


def test_blocks_are_ascii_without_markup():
    """A block holds no character that could end it or begin another, and reads back the same."""
    value = {"a": "</script><!--&\u2028\u202e\ud800", "b": [1, None, True]}
    block = page.json_block("x", value)
    body = block.removeprefix('<script type="application/json" id="x">').removesuffix("</script>")
    assert body.isascii()
    assert not set("<>&") & set(body)
    assert json.loads(body)["content"] == value


def test_large_blocks_are_packed_and_read_back():
    """Beyond some megabytes the block is gzip in base64, without a clock in it."""
    import gzip

    value = {"v": ["A1-R1-B1-P"] * 400_000}
    block = page.json_block("x", value)
    assert len(block) < 100_000
    stored = json.loads(block[block.index(">") + 1 : -len("</script>")])
    raw = base64.b64decode(stored["content"])
    assert raw[4:8] == b"\0\0\0\0"
    assert json.loads(gzip.decompress(raw)) == value
    with pytest.raises(ValueError, match="JSON"):
        page.json_block("x", {"v": float("nan")})


def test_two_exports_are_the_same_bytes(tmp_path):
    """Two processes with other hash seeds, time zones and locales write identical files."""
    program = (
        "import sys; sys.path[:0] = sys.argv[2:]; from pathlib import Path\n"
        "from map_ground import ground, write_map, write_photo\n"
        "from fencemap.formats.raster import open_image\n"
        "ortho = open_image([Path(sys.argv[1]).parent / 'photo.tif'], site_crs='EPSG:32631')\n"
        "write_map(Path(sys.argv[1]), ground(), ortho=ortho)\n"
    )
    write_photo(tmp_path / "photo.tif")
    folders = [path for path in sys.path if path.endswith(("tests", "tests/browser"))]
    made = []
    for seed, zone, words in (("1", "UTC", "C"), ("77", "Asia/Kathmandu", "C.UTF-8")):
        target = tmp_path / f"{seed}.html"
        subprocess.run(
            [sys.executable, "-c", program, str(target), *folders], check=True,
            env={"PYTHONHASHSEED": seed, "TZ": zone, "LC_ALL": words, "PATH": "/usr/bin", "HOME": str(tmp_path)},
        )  # fmt: skip
        made.append(target.read_bytes())
    assert made[0] == made[1]


def test_import_is_light():
    """Importing the export stage or the map loads neither folium nor any other heavy library."""
    program = (
        "import sys, fencemap.export, fencemap.export.web_map\n"
        "print([name for name in ('folium', 'branca', 'jinja2', 'geopandas', 'pandas', 'numpy', 'rasterio', 'PIL') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)  # fmt: skip
    assert done.stdout.strip() == "[]"


def test_title_is_only_text(tmp_path):
    """A site's name can't end the title; control characters become spaces."""
    name = "</title><script>1</script>\x00\u202e"
    text = write_map(tmp_path / "map.html", {}, name=name).read_text(encoding="utf-8")
    assert "<title>&lt;/title&gt;&lt;script&gt;1&lt;/script&gt;  </title>" in text


def test_another_folium_is_noticed(monkeypatch):
    """A page of another shape is refused in words, not written half."""
    good = page._folium_page([0.0, 0.0])
    monkeypatch.setattr(page, "_folium_page", lambda _: good.replace("<html>", "<html lang='x'>"))
    with pytest.raises(ExportError, match="folium version"):
        page.assemble({"origin": [0.0, 0.0]}, None, title="x")
    monkeypatch.setattr(page, "_folium_page", lambda _: good.replace("fencemap-place-style", "gone"))  # fmt: skip
    with pytest.raises(ExportError, match="lost its place 'style'"):
        page.assemble({"origin": [0.0, 0.0]}, None, title="x")


def test_folium_keeps_no_trace(tmp_path):
    """Our map leaves folium's own defaults as they were for other users of the library."""
    import folium

    before = list(folium.Map.default_js), list(folium.Map.default_css)
    write_map(tmp_path / "map.html", {})
    assert (list(folium.Map.default_js), list(folium.Map.default_css)) == before


def test_old_file_stands_until_the_new_one_is_whole(tmp_path, monkeypatch):
    """If the export fails, what stood there before is untouched and no temporary file is left."""
    target = write_map(tmp_path / "map.html", {})
    before = target.read_bytes()
    monkeypatch.setattr(page, "_with_policy", lambda _: "cut off")
    with pytest.raises(ExportError, match="not whole"):
        write_map(target, {})
    assert target.read_bytes() == before
    assert [file.name for file in tmp_path.iterdir()] == ["map.html"]


def test_photo_fits_the_budget(tmp_path):
    """With a small budget the photo is made coarser, the file stays under it, and the page says so."""
    import numpy as np
    import rasterio
    from small_ground import CRS

    from fencemap.formats.raster import open_image

    path = write_photo(tmp_path / "photo.tif", pixel_m=0.02)
    with rasterio.open(path, "r+") as file:  # noise: what compresses worst
        noise = np.random.default_rng(1).integers(0, 255, (3, *file.shape), dtype=np.uint8)
        file.write(np.where(file.read(4) > 0, noise, 0).astype(np.uint8), [1, 2, 3])
    with open_image([path], site_crs=CRS) as ortho:
        small = write_map(tmp_path / "small.html", {}, ortho=ortho, budget_mb=1.5)
        large = write_map(tmp_path / "large.html", {}, ortho=ortho, budget_mb=40)
    assert small.stat().st_size < 1_500_000 < large.stat().st_size
    blocks = [json.loads(re.search(r'id="fm-photo">(.*?)</script>', file.read_text(encoding="utf-8"))[1])["content"] for file in (small, large)]  # fmt: skip
    assert blocks[0]["cut"]
    assert not blocks[1]["cut"]
    assert blocks[0]["max_level"] < blocks[1]["max_level"]
