"""The command line: few words, clear ends."""

import subprocess
import sys

import pytest

from fencemap.cli import main
from fencemap.errors import ExitCode


@pytest.fixture(autouse=True)
def soft(monkeypatch):
    """Hardening is for a process of its own; here it would outlast the test."""
    monkeypatch.setattr("fencemap.guard.harden", lambda: True)


def test_help_names_every_command(capsys):
    """Without arguments the commands are listed."""
    assert main([]) == ExitCode.DONE
    out = capsys.readouterr().out
    for command in ("new", "check", "run", "describe", "why", "digest"):
        assert f"fencemap {command}" in out


def test_help_loads_nothing_heavy():
    """Help and version come from the standard library alone."""
    code = "import sys, fencemap.cli; fencemap.cli._parser(); print(sorted({m.split('.')[0] for m in sys.modules}))"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    for name in ("numpy", "pandas", "shapely", "geopandas", "rasterio", "pyogrio", "fiona", "folium", "numba"):
        assert f"'{name}'" not in loaded


def test_a_new_site_can_be_filled_in_and_checked(tmp_path, capsys):
    """`new` makes a site whose only lack is what nobody but the user can know."""
    folder = tmp_path / "plot"
    assert main(["new", str(folder)]) == ExitCode.DONE
    assert main(["check", str(folder)]) == ExitCode.INPUT
    assert "never guessed" in capsys.readouterr().err
    path = folder / "site.toml"
    path.write_text(path.read_text().replace('crs = ""', 'crs = "EPSG:32631"'))
    header = (folder / "survey" / "elements.csv").read_text().strip().split(",")
    cells = {"element_id": "P1", "kind": "post", "easting": "500001", "northing": "6040001", "height": "50"}
    with (folder / "survey" / "elements.csv").open("a") as file:
        file.write(",".join(cells.get(name, "") for name in header) + "\n")
    assert main(["check", str(folder)]) == ExitCode.DONE
    assert "1 elements" in capsys.readouterr().out


def test_new_never_overwrites_a_site(tmp_path, capsys):
    """A second `new` in the same folder is refused."""
    main(["new", str(tmp_path)])
    assert main(["new", str(tmp_path)]) == ExitCode.INPUT
    assert "site already" in capsys.readouterr().err


@pytest.mark.parametrize("what", ["", "steps", "layers", "pipelines", "words", "practice", "cautions", "elements", "order_posts", "site_survey", "contact.gap_mm", "kind"])
@pytest.mark.parametrize("form", [[], ["--json"]])
def test_everything_with_a_name_is_described(what, form, capsys):
    """Subjects and single things are explained as text and as JSON."""
    import json

    assert main(["describe", *([what] if what else []), *form]) == ExitCode.DONE
    out = capsys.readouterr().out
    assert len(out) > 40
    if form and what:
        assert json.loads(out)


def test_an_unknown_name_is_answered_with_close_ones(capsys):
    """A slip in a name ends with code 2 and the names that are close."""
    assert main(["describe", "elemnts"]) == ExitCode.INPUT
    assert "elements" in capsys.readouterr().err


def test_a_site_that_is_not_there(tmp_path, capsys):
    """No site.toml: code 2 and how to begin."""
    assert main(["run", "site_survey", str(tmp_path / "nowhere")]) == ExitCode.INPUT
    assert "fencemap new" in capsys.readouterr().err


def test_why_before_any_run_says_what_to_do(tmp_path, capsys):
    """`why` needs results; it says how to get them."""
    main(["new", str(tmp_path)])
    path = tmp_path / "site.toml"
    path.write_text(path.read_text().replace('crs = ""', 'crs = "EPSG:32631"'))
    assert main(["why", "P1", str(tmp_path)]) == ExitCode.INPUT
    assert "fencemap run" in capsys.readouterr().err
