"""Export steps: each writes its product into the result folder, with the cautions of its content."""

from __future__ import annotations

import csv

import pytest
from small_ground import SURVEY, FakeRun, make_lots, make_runs, make_site, make_stones, make_work

from fencemap.cautions import triggered
from fencemap.errors import ExportError
from fencemap.export import steps
from fencemap.steps import find_step


def layers():
    """A small result."""
    return {
        "stones": make_stones(("S1", (0, 0, 1, 1), {"remarks": "=1+1"})),
        "lots": make_lots(lot_1=None),
        "runs": make_runs(("R1", [(0, 0), (10, 0)], {})),
        "work": make_work(("1", "lead work", "*")),
    }


def call(name, into, **parameters):
    """Run one export step on the small result."""
    found = find_step(name, stage="export")
    services = {
        "site": make_site(),
        "survey": SURVEY,
        "layers": layers(),
        "into": into,
        "run": FakeRun(),
        "ground": None,
        "ortho": None,
    }
    return found.function(**{key: services[key] for key in found.services}, **parameters)


def test_geopackage_holds_every_layer_and_caution(tmp_path):
    """Every layer is in the file, and its metadata names the site, the survey and each caution."""
    import sqlite3

    from fencemap.formats.geopackage import list_layers

    (made,) = call("geopackage", tmp_path)["geopackage"]
    assert made == tmp_path / "condition.gpkg"
    assert set(list_layers(made)) == set(layers())
    with sqlite3.connect(made) as database:
        said = " ".join(row[0] for row in database.execute("SELECT metadata FROM gpkg_metadata"))
    database.close()
    assert "Test ground" in said
    for caution in triggered(layers()):
        assert caution.title in said


def test_tables_carry_cautions_and_dictionary(tmp_path):
    """A CSV for each layer, READ_FIRST.txt with each caution, and the data dictionary."""
    made = call("table_files", tmp_path)["tables"]
    names = {path.name for path in made}
    assert names == {
        "stones.csv",
        "lots.csv",
        "runs.csv",
        "work.csv",
        "READ_FIRST.txt",
        "dictionary.csv",
    }
    text = (tmp_path / "tables" / "READ_FIRST.txt").read_text(encoding="utf-8")
    for caution in triggered(layers()):
        assert caution.text in text
    with (tmp_path / "tables" / "stones.csv").open(encoding="utf-8", newline="") as file:
        (row,) = csv.DictReader(file)
    assert row["remarks"] == "'=1+1"


def test_dense_layers_are_written_on_request(tmp_path):
    """The layer with a row every few centimetres stays out of the tables unless asked for."""
    from fencemap.export.table_files import write_table_files
    from fencemap.layers import layer

    held = {"rail_clearance": layer("rail_clearance").empty("EPSG:32631")}
    given = {"site": make_site(), "generated": "2026-04-14", "cautions": ()}
    without = write_table_files(tmp_path / "a", held, **given)
    with_it = write_table_files(tmp_path / "b", held, **given, with_dense=True)
    assert "rail_clearance.csv" not in {path.name for path in without}
    assert "rail_clearance.csv" in {path.name for path in with_it}


def test_summary_is_written(tmp_path):
    """The page stands in the folder under its name and shows the cautions."""
    (made,) = call("summary_page", tmp_path)["summary"]
    assert made == tmp_path / "summary.html"
    assert "Molten lead on damp bursts" in made.read_text(encoding="utf-8")


def test_two_exports_are_the_same_bytes(tmp_path):
    """The same layers give the same page and tables."""
    for name in ("summary_page", "table_files"):
        first = call(name, tmp_path / "a" if name == "table_files" else tmp_path)
        again = call(name, tmp_path / "b" if name == "table_files" else tmp_path)
        for one, other in zip(*(next(iter(made.values())) for made in (first, again)), strict=True):
            assert one.read_bytes() == other.read_bytes()


@pytest.mark.parametrize(
    "name", ["../out.gpkg", "a/b.gpkg", "/tmp/x.gpkg", "..", "", "x.txt", "a\\b.gpkg"]
)
def test_a_name_that_leads_elsewhere_is_refused(tmp_path, name):
    """A product lies in the result folder under a plain name with its own ending, or is not written."""
    with pytest.raises(ExportError, match="plain file name"):
        call("geopackage", tmp_path, file_name=name)
    assert list(tmp_path.iterdir()) == []


def test_web_map_warns_of_drones_only_with_a_photo():
    """The caution on drones belongs to an export that shows the orthophoto."""
    with_photo = {caution.id for caution in steps._cautions(layers(), photo=True)}
    without = {caution.id for caution in steps._cautions(layers(), photo=False)}
    assert with_photo - without == {"drones"}
