"""What an entry point closes, and that an import closes nothing."""

from __future__ import annotations

import json
import os
import subprocess
import sys

from fencemap.guard import harden, readers_loaded


def _run(code, **environment):
    """Run code in a fresh interpreter; give what it prints as JSON, and its standard error."""
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", code],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, **environment},
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout.splitlines()[-1]), done.stderr


def test_imports_change_nothing():
    """Neither the environment nor the process changes when fencemap is imported."""
    code = """
import json, locale, os, sys
import geopandas, rasterio
before = dict(os.environ), locale.setlocale(locale.LC_ALL), sys.stdout.errors, os.getcwd()
import fencemap, fencemap.guard, fencemap.crs, fencemap.grid, fencemap.formats.raster
after = dict(os.environ), locale.setlocale(locale.LC_ALL), sys.stdout.errors, os.getcwd()
print(json.dumps(before == after))
"""
    same, _ = _run(code)

    assert same is True


def test_guard_loads_the_standard_library_only():
    """A command that only prints its help must not wait for geospatial libraries."""
    code = """
import json, sys
import fencemap.guard
heavy = {"numpy", "rasterio", "fiona", "pyogrio", "pyproj", "shapely", "tifffile", "filelock"}
print(json.dumps(sorted(heavy & set(sys.modules))))
"""
    loaded, _ = _run(code)

    assert loaded == []


def test_hardened_process_has_the_allowed_drivers_only_and_is_silent():
    """The three readers register nothing but the list, and say nothing on the screen about it."""
    code = """
import json
from fencemap import guard
done = guard.harden()
print(json.dumps([done, guard.unexpected_drivers()]))
"""
    (done, unexpected), said = _run(code)

    assert done is True
    assert unexpected == []
    assert said == ""


def test_unhardened_process_fails_the_self_test():
    """The self-test sees what hardening takes away, so it can fail."""
    code = """
import json
from fencemap import guard
print(json.dumps(guard.unexpected_drivers()))
"""
    unexpected, _ = _run(code)

    assert {"VRT", "OGR_VRT", "WMS", "HTTP"} <= set(unexpected)


def test_hardening_comes_too_late_once_a_reader_is_loaded():
    """Then nothing is changed, and the caller is told."""
    code = """
import json, os
import rasterio
from fencemap import guard
before = dict(os.environ)
print(json.dumps([guard.harden(), guard.readers_loaded(), dict(os.environ) == before]))
"""
    (done, loaded, same), _ = _run(code)

    assert done is False
    assert loaded == ["rasterio"]
    assert same is True


def test_hardening_drops_what_the_outside_had_set():
    """Plug-in folders, driver settings and another program's data folders don't reach a reader."""
    code = """
import json, os
from fencemap import guard
guard.harden()
import pyproj, rasterio
names = ["GDAL_DRIVER_PATH", "OGR_SQLITE_LOAD_EXTENSIONS", "PROJ_NETWORK", "PROJ_DATA"]
print(json.dumps([[os.environ.get(name) for name in names], pyproj.network.is_network_enabled(),
    rasterio.crs.CRS.from_epsg(26918).to_epsg()]))
"""
    (settings, network, code_back), _ = _run(
        code,
        GDAL_DRIVER_PATH="/nowhere",
        OGR_SQLITE_LOAD_EXTENSIONS="evil.so",
        PROJ_NETWORK="ON",
        PROJ_DATA="/nowhere",
    )

    assert settings == ["disable", None, "OFF", None]
    assert network is False
    assert code_back == 26918


def test_hardened_readers_open_no_connection(tmp_path):
    """A web service, a remote address and a virtual file give no byte and no connection."""
    (tmp_path / "service.tif").write_text(
        "<GDAL_WMS><Service name='TMS'><ServerUrl>http://127.0.0.1:PORT/${z}</ServerUrl>"
        "</Service><DataWindow><UpperLeftX>0</UpperLeftX><UpperLeftY>1</UpperLeftY>"
        "<LowerRightX>1</LowerRightX><LowerRightY>0</LowerRightY><SizeX>8</SizeX><SizeY>8</SizeY>"
        "</DataWindow><BandsCount>1</BandsCount></GDAL_WMS>"
    )
    code = f"""
import json, socket, threading
from pathlib import Path
listener = socket.create_server(("127.0.0.1", 0))
port = listener.getsockname()[1]
asked = []
def listen():
    while True:
        asked.append(listener.accept()[0].recv(99).decode())
threading.Thread(target=listen, daemon=True).start()
from fencemap import guard
assert guard.harden()
import rasterio, pyogrio
service = Path({str(tmp_path)!r}) / "service.tif"
service.write_text(service.read_text().replace("PORT", str(port)))
for name in (str(service), f"/vsicurl/http://127.0.0.1:{{port}}/a.tif", f"http://127.0.0.1:{{port}}/a.tif"):
    for read in (lambda: rasterio.open(name).read(), lambda: pyogrio.read_dataframe(name)):
        try:
            read()
        except Exception:
            continue
        raise SystemExit("read " + name)
print(json.dumps(asked))
"""
    asked, _ = _run(code)

    assert asked == []


def test_memory_limit_is_set():
    """A reader that asks for too much is refused by the system, not by a dead machine."""
    code = """
import json, resource
from fencemap import guard
guard.harden(memory_gib=4)
print(json.dumps(resource.getrlimit(resource.RLIMIT_AS)[0]))
"""
    limit, _ = _run(code)

    assert limit == 4 * 2**30


def test_text_prints_on_a_terminal_that_knows_ascii_only():
    """A name with an umlaut must not end a run on a bare terminal."""
    code = """
from fencemap import guard
guard.harden()
print("Stra\\u00dfe")
print("0")
"""
    done, _ = _run(code, PYTHONIOENCODING="ascii", PYTHONUTF8="0")

    assert done == 0


def test_readers_are_told_apart():
    """In this test process the readers are loaded, so hardening declines."""
    import rasterio  # noqa: F401

    assert "rasterio" in readers_loaded()
    assert harden() is False
