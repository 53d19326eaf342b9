"""Who may import whom, and what may be loaded when."""

from __future__ import annotations

import ast
import os
import subprocess
import sys

import pytest
from source_code import ROOT, at_module_level, listed, modules

from fencemap.steps import STEP_MODULES

# A package may import those in lines below its own; those in one line never each other.
ORDER = (
    ("plugin", "cli", "__main__"),
    ("pipeline",),
    ("bring_in", "relate", "find", "plan", "export"),
    ("record",),
    ("formats",),
    ("steps", "operations"),
    ("layers",),
    ("site",),
    ("schema",),
    ("grid",),
    ("crs", "vocabularies", "practice", "cautions", "kernels"),
    ("guard",),
    ("errors",),
)
# Inside the second-lowest shelf practice checks the words that a site may set.
ALLOWED_BESIDE = {("practice", "vocabularies"), ("__main__", "cli")}
LEVEL = {name: level for level, names in enumerate(ORDER) for name in names}
HEAVY = (
    "numpy", "pandas", "geopandas", "shapely", "pyproj", "rasterio", "fiona", "pyogrio", "pyarrow",
    "folium", "branca", "jinja2", "numba", "scipy", "PIL", "tifffile", "matplotlib",
)  # fmt: skip
# Command line, documents and catalogue must answer `--help` and `describe` at once.
LIGHT = (
    "fencemap", "fencemap.cli", "fencemap.steps", "fencemap.schema", "fencemap.layers",
    "fencemap.site", "fencemap.practice", "fencemap.cautions", "fencemap.vocabularies",
    "fencemap.guard", "fencemap.errors", "fencemap.pipeline.document",
)  # fmt: skip
POSIX_ONLY = (
    "fcntl",
    "resource",
    "pwd",
    "grp",
    "termios",
    "tty",
    "pty",
    "posix",
    "syslog",
    "spwd",
    "crypt",
    "readline",
)
NETWORK = (
    "socket",
    "ssl",
    "http",
    "urllib.request",
    "ftplib",
    "smtplib",
    "xmlrpc",
    "requests",
    "httpx",
    "aiohttp",
)


def package(module_name: str) -> str:
    """The part of a module's name that the order speaks of."""
    return module_name.split(".")[1] if "." in module_name else ""


def test_every_package_has_a_place():
    """A new module or package is put into the order before it is used."""
    names = {package(module.name) for module in modules()} - {""}
    assert names <= set(LEVEL), f"no place in ORDER for: {sorted(names - set(LEVEL))}"


def test_imports_go_down_only():
    """No module imports from above its own shelf, and stages never import each other."""
    wrong = []
    for module in modules():
        own = package(module.name)
        if not own:
            continue
        for node, name in module.imports():
            other = package(name)
            if not name.startswith("fencemap.") or other == own or (own, other) in ALLOWED_BESIDE:
                continue
            if LEVEL[other] <= LEVEL[own]:
                wrong.append(f"{module.at(node)}: {own} imports {name}")
    assert not wrong, listed(wrong)


def test_importing_the_package_imports_nothing():
    """`import fencemap` loads no module of its own."""
    package_file = next(module for module in modules() if module.name == "fencemap")
    assert [name for _, name in package_file.imports() if name != "__future__"] == []


def test_no_circles():
    """Modules that import each other at import time never form a circle."""
    graph: dict[str, set[str]] = {}
    names = {module.name for module in modules()}
    for module in modules():
        loaded = {
            node
            for node in at_module_level(module.tree)
            if isinstance(node, ast.Import | ast.ImportFrom)
        }
        graph[module.name] = {
            name for node, name in module.imports() if node in loaded and name in names
        } - {module.name}
    done: set[str] = set()

    def visit(name: str, path: tuple[str, ...]) -> None:
        assert name not in path, " -> ".join([*path[path.index(name) :], name])
        if name not in done:
            for other in sorted(graph[name]):
                visit(other, (*path, name))
            done.add(name)

    for name in sorted(graph):
        visit(name, ())


@pytest.mark.parametrize("what", [POSIX_ONLY, NETWORK], ids=["posix", "network"])
def test_no_module_that_is_not_everywhere_or_opens_connections(what):
    """Nothing POSIX-only loads at import, and nothing that opens a connection is imported at all."""
    wrong = []
    for module in modules():
        loaded = set(at_module_level(module.tree))
        for node, name in module.imports():
            hit = any(name == one or name.startswith(f"{one}.") for one in what)
            if hit and (what is NETWORK or node in loaded):
                wrong.append(f"{module.at(node)}: {name}")
    assert not wrong, listed(wrong)


@pytest.mark.parametrize("name", LIGHT)
def test_light_modules_load_nothing_heavy(name):
    """Help, documents and catalogue come without numpy, pandas, GDAL and the like."""
    done = subprocess.run(
        [sys.executable, "-X", "importtime", "-c", f"import {name}"],
        capture_output=True, text=True, check=True, cwd=ROOT,
    )  # fmt: skip
    loaded = {
        line.rpartition("|")[2].strip().partition(".")[0] for line in done.stderr.splitlines()
    }
    assert "fencemap" in loaded, "importtime printed nothing"
    heavy = sorted(loaded & set(HEAVY))
    assert not heavy, f"import {name} loads {heavy}"


def test_help_needs_the_standard_library_only():
    """`fencemap --help` works in a Python that has no third-party package at all."""
    code = f"import sys; sys.path.insert(0, {str(ROOT)!r}); from fencemap.cli import main; sys.exit(main(['--help']))"
    done = subprocess.run(
        [sys.executable, "-I", "-S", "-c", code], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert "fencemap run PIPELINE SITE" in done.stdout


def test_import_leaves_the_process_as_it_was():
    """Importing fencemap beside its neighbours changes no variable, locale, filter or signal."""
    code = """
import os, sys, locale, logging, signal, warnings, threading
import geopandas, rasterio
def state():
    return (dict(os.environ), locale.setlocale(locale.LC_ALL), list(warnings.filters), os.getcwd(),
            signal.getsignal(signal.SIGINT), logging.getLogger().handlers[:], logging.getLogger("rasterio._env").filters[:],
            threading.active_count(), sys.path[:], sys.excepthook, os.umask(os.umask(0o22)))
before = state()
import fencemap, fencemap.cli, fencemap.guard, fencemap.steps
after = state()
print(before == after)
"""
    env = os.environ | {"PYTHONPATH": str(ROOT)}
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, env=env
    )
    assert done.stdout == "True\n"


def test_no_module_is_left_over():
    """Every module is imported by another one, holds registered steps, or is where a program begins."""
    used = {name for module in modules() for _, name in module.imports()}
    used |= (
        {f"{name}.__init__" for name in used}
        | set(STEP_MODULES)
        | {"fencemap", "fencemap.__main__"}
    )
    parents = {module.name.rpartition(".")[0] for module in modules() if module.name in used}
    alone = [module.place for module in modules() if module.name not in used | parents]
    assert not alone, f"nobody imports: {alone}"
