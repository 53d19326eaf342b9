"""The map on paper: the sheet, its key, its cautions."""

from __future__ import annotations

import shutil
import subprocess

import pytest

pytestmark = pytest.mark.browser


def paper_text(page, folder) -> str:
    """Print the page to PDF and read its words."""
    if not shutil.which("pdftotext"):
        pytest.skip("needs pdftotext (apt-get install poppler-utils)")
    page.pdf(path=folder / "sheet.pdf", format="A4", print_background=False)
    done = subprocess.run(["pdftotext", "-layout", folder / "sheet.pdf", "-"], capture_output=True, text=True, check=True)  # fmt: skip
    return " ".join(done.stdout.split())


@pytest.mark.parametrize("panel", ["key", "list", "about"])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_paper_has_all_that_a_sheet_needs(visit, map_file, tmp_path, panel, scheme):
    """Site, survey and dates, CRS, the key of what is shown, every caution in full, whatever was open."""
    page = visit(map_file, color_scheme=scheme)
    page.evaluate("fencemap.theme('contact')")
    page.click(f"#fm-{panel}-tab")
    text = paper_text(page, tmp_path)
    for part in ("Hollin Bank", "2026-spring", "2026-04-14 to 2026-04-15", "EPSG:32631", "Key to what is shown"):  # fmt: skip
        assert part in text
    for word in ("in contact", "undecided", "not seen", "over stone", "clear", "no rail"):
        assert word in text
    for caution in page.evaluate("fencemap.content.cautions"):
        assert caution["title"] in text
        assert " ".join(caution["text"].split()) in text


def test_what_is_hidden_is_not_in_the_paper_key(visit, map_file, tmp_path):
    """A line that is unticked, and a layer that is off, are left out of the printed key."""
    page = visit(map_file)
    page.evaluate("fencemap.theme('contact')")
    page.click(".fm-classes label[data-value='over stone']")
    page.click("#fm-layer-trees")
    text = paper_text(page, tmp_path).split("Key to what is shown")[1].split("Cautions")[0]
    assert "over stone" not in text
    assert "Trees" not in text
    assert "in contact" in text


def test_phone_prints_too(visit, map_file, tmp_path):
    """A phone's print has key and cautions though no panel was open."""
    page = visit(map_file, size="phone")
    text = paper_text(page, tmp_path)
    assert "Key to what is shown" in text
    assert page.evaluate("fencemap.content.cautions[0].title") in text


def test_sheet_fits_the_page(visit, map_file, tmp_path):
    """The drawing takes the width of the paper and the words keep their size."""
    page = visit(map_file)
    paper_text(page, tmp_path)
    boxes = subprocess.run(["pdftotext", "-bbox", tmp_path / "sheet.pdf", "-"], capture_output=True, text=True, check=True).stdout  # fmt: skip
    import re

    heights = [float(low) - float(high) for high, low in re.findall(r'yMin="([\d.]+)" xMax="[\d.]+" yMax="([\d.]+)">Hollin<', boxes)]  # fmt: skip
    assert max(heights) > 18  # 23 px of heading is 17 pt and more with its line; shrunk it was 14
