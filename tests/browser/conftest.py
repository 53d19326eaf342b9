"""Chromium, shut off from every network, and a page that must stay silent."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest
from map_ground import ground, write_map, write_photo

SIZES = {"desk": (1400, 900), "phone": (390, 844)}
_ARGUMENTS = [
    "--no-sandbox", "--disable-gpu", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--no-first-run",
]  # fmt: skip


@pytest.fixture(scope="session")
def chromium():
    """Debian's Chromium; without it these tests are skipped by name."""
    from playwright.sync_api import sync_playwright

    found = os.environ.get("FENCEMAP_CHROMIUM") or shutil.which("chromium")
    if not found:
        pytest.skip("needs Chromium (apt-get install chromium)")
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=found, args=_ARGUMENTS)
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def layers():
    """All layers of the invented ground."""
    return ground()


@pytest.fixture(scope="session")
def map_file(tmp_path_factory, layers) -> Path:
    """The map of the invented ground with its photo."""
    from small_ground import CRS

    from fencemap.formats.raster import open_image

    folder = tmp_path_factory.mktemp("map")
    with open_image([write_photo(folder / "photo.tif")], site_crs=CRS) as ortho:
        return write_map(folder / "condition_map.html", layers, ortho=ortho)


@pytest.fixture
def visit(chromium):
    """Open a map: any request, console error or script error fails the test at its end."""
    contexts, heard = [], []

    def open_page(
        file: Path, *, size: str = "desk", fragment: str = "", tolerate: str = "", **more
    ):
        width, height = SIZES[size]
        phone = size == "phone"
        context = chromium.new_context(viewport={"width": width, "height": height}, has_touch=phone, is_mobile=phone, **more)  # fmt: skip
        contexts.append(context)
        context.route("**/*", lambda route: route.continue_() if route.request.url.startswith(("file:", "data:", "blob:")) else route.abort())  # fmt: skip
        page = context.new_page()
        page.set_default_timeout(15_000)
        address = file.as_uri()
        page.on("request", lambda request: heard.append(f"request {request.url}") if not request.url.startswith(("data:", "blob:", address)) else None)  # fmt: skip
        page.on("console", lambda message: heard.append(f"{message.type} {message.text}") if message.type in ("error", "warning") and not (tolerate and tolerate in message.text) else None)  # fmt: skip
        page.on("pageerror", lambda error: heard.append(f"script error {error}"))
        page.on("dialog", lambda dialog: (heard.append(f"dialog {dialog.message}"), dialog.dismiss()))  # fmt: skip
        page.goto(address + fragment)
        page.wait_for_selector("html[data-ready]")
        return page

    yield open_page
    for context in contexts:
        context.close()
    assert heard == []
