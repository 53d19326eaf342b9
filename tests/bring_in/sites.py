"""Small sites for tests, written as files."""

from pathlib import Path

SITE = """\
[site]
name = "Test ground"
uid = "11111111-2222-3333-4444-555555555555"
crs = "EPSG:32631"
heights = "site"
time_zone = "UTC"
{boundary}

[[survey]]
id = "s1"
date = 2026-04-14
{inputs}
"""
BOUNDARY = """{"type": "FeatureCollection", "crs": {"type": "name", "properties": {"name": "EPSG:32631"}},
"features": [{"type": "Feature", "properties": {}, "geometry": {"type": "Polygon", "coordinates":
[[[500000, 6040000], [500100, 6040000], [500100, 6040100], [500000, 6040100], [500000, 6040000]]]}}]}
"""
POSTS = """\
element_id,kind,run_id,order,easting,northing,height,target,sigma_h_m,accuracy_is
P1,post,A,1,500010.0,6040010.0,50.00,ground,0.02,axis sd
P2,post,A,2,500012.0,6040010.0,50.10,ground,0.0489,radial 95 %
P3,post,A,3,500014.0,6040010.0,,ground,,
P4,post,A,4,500016.0,6040010.0,50.20,ground,0.03,
P5,post,A,5,500018.0,6040010.0,50.20,ground,0.03,DRMS
P6,post,A,6,500020.0,6040010.0,50.20,ground,0.03,CEP 50
"""


def make_site(folder: Path, *, boundary: bool = True, **files: str) -> Path:
    """Write a site; each keyword is an input and the text of its file (CSV)."""
    folder.mkdir(parents=True, exist_ok=True)
    files = {"elements": POSTS} | files
    lines = []
    for name, text in files.items():
        suffix = "geojson" if text.lstrip().startswith("{") else "csv"
        (folder / f"{name}.{suffix}").write_text(text, encoding="utf-8")
        lines.append(f'{name} = "{name}.{suffix}"')
    (folder / "boundary.geojson").write_text(BOUNDARY, encoding="utf-8")
    line = 'boundary = "boundary.geojson"' if boundary else ""
    (folder / "site.toml").write_text(
        SITE.format(boundary=line, inputs="\n".join(lines)), encoding="utf-8"
    )
    return folder
