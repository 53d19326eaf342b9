"""DEVELOPERS.md follows a row through the code; here a row goes that way and is watched."""

from __future__ import annotations

import re
import sys
from pathlib import Path

import pytest
from source_code import ROOT

from fencemap.cli import main

SITE = """\
[site]
name = "One run"
uid = "11111111-2222-3333-4444-555555555555"
crs = "EPSG:32631"
heights = "site"
boundary = "boundary.geojson"

[[survey]]
id = "s1"
date = 2026-04-14
elements = "elements.csv"
levels = "levels.csv"
gaps = "gaps.csv"
stones = "stones.csv"

[[work]]
phase = "1"
operation = "brushing"
runs = ["A"]
"""
BOUNDARY = """{"type": "FeatureCollection", "crs": {"type": "name", "properties": {"name": "EPSG:32631"}},
"features": [{"type": "Feature", "properties": {}, "geometry": {"type": "Polygon", "coordinates":
[[[500000, 6040000], [500100, 6040000], [500100, 6040100], [500000, 6040100], [500000, 6040000]]]}}]}
"""
# A row with a word for a number, so that the way of refused rows is walked too.
ELEMENTS = """\
element_id,kind,run_id,order,easting,northing,height,target,fix_quality
P1,post,A,1,500010,6040010,50.00,ground,rtk fixed
P2,post,A,2,500012,6040010,50.02,ground,rtk fixed
P3,post,A,3,500014,6040010,50.04,ground,rtk fixed
P4,post,A,4,500016,6040010,50.06,ground,rtk fixed
P5,post,A,5,500018,6040010,50.08,ground,rtk fixed
P6,post,A,6,500020,6040010,50.10,ground,rtk fixed
P7,post,A,7,500022,6040010,50.12,ground,rtk fixed
P8,post,A,8,500024,6040010,50.14,ground,rtk fixed
P9,post,A,9,about 500026,6040010,50.16,ground,rtk fixed
N1,panel,A,1,,,,,
N2,panel,A,2,,,,,
"""
LEVELS = "element_id,target,height_m\nP1,rail underside,50.08\nP2,rail underside,50.09\nP3,rail underside,50.10\n"
GAPS = "panel_id,station_m,gap_mm,side\nN1,1.0,60,left\nN2,1.0,touching,left\n"
STONES = """\
element_id,kind,easting,northing,length_m,width_m,azimuth_deg,stone_type
S1,marker,500011,6040010.4,0.6,0.2,0,marble
S2,marker,500015,6040015,0.6,0.2,90,slate
"""


@pytest.fixture
def site(tmp_path) -> Path:
    """A run of eight posts with two panels and two stones, written as files."""
    files = {
        "site.toml": SITE,
        "boundary.geojson": BOUNDARY,
        "elements.csv": ELEMENTS,
        "levels.csv": LEVELS,
        "gaps.csv": GAPS,
        "stones.csv": STONES,
    }
    for name, text in files.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    return tmp_path


def named() -> set[tuple[str, str]]:
    """File and function of every hop of the life of a row."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    section = text.split("## Life of one survey row")[1].split("\n## ")[0]
    return set(re.findall(r"`(fencemap/[\w/]+\.py):([\w.]+)`", section))


def test_a_row_goes_the_way_that_is_told(site, capsys):
    """Running a small site and asking why calls every function that the life of a row names."""
    called: set[tuple[str, str]] = set()

    def watch(frame, event, _):
        if event == "call":
            called.add((frame.f_code.co_filename, frame.f_code.co_qualname))

    # An entry point hardens before readers load; in this process they are, so it changes nothing.
    sys.setprofile(watch)
    try:
        codes = [main(["run", "site_survey", str(site), "--quiet"]), main(["why", "P3", str(site)])]
    finally:
        sys.setprofile(None)
    assert codes == [0, 0]
    assert "elements.csv:4" in capsys.readouterr().out
    inside = {
        (Path(file).as_posix().removeprefix(f"{ROOT.as_posix()}/"), name) for file, name in called
    }
    assert len(named()) > 25
    assert sorted(named() - inside) == []
