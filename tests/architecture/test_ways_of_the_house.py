"""What no module may do: open files past the guard, assert, grow too long, raise in silence."""

from __future__ import annotations

import ast
import importlib
import inspect
import re

import pytest
from source_code import Function, at_module_level, is_public, listed, modules, walk_own

from fencemap import errors

LONGEST_MODULE = 600
LONGEST_BODY = 60

# Dotted name that is called -> the places that may call it.
DOORS = {
    "rasterio.open": ("fencemap/guard/",),
    "rasterio.vrt.WarpedVRT": (),
    "rasterio.WarpedVRT": (),
    "fiona.open": ("fencemap/guard/", "fencemap/formats/"),
    "geopandas.read_file": (),
    "geopandas.read_parquet": ("fencemap/formats/",),
    "pyproj.Transformer.from_crs": ("fencemap/crs/",),
    "pyproj.Transformer.from_pipeline": ("fencemap/crs/",),
    "pyproj.transformer.Transformer.from_crs": ("fencemap/crs/",),
    "pyproj.transformer.Transformer.from_pipeline": ("fencemap/crs/",),
    "pyproj.transformer.TransformerGroup": ("fencemap/crs/",),
    "pyproj.transform": (),
    "rasterio.warp.transform": ("fencemap/crs/",),
    "rasterio.warp.transform_geom": ("fencemap/crs/",),
    "sqlite3.connect": ("fencemap/guard/", "fencemap/formats/"),
    "zipfile.ZipFile": (
        "fencemap/guard/",
        "fencemap/bring_in/readers/",
    ),  # looked at first by the guard
    "pickle.load": (),
    "pickle.loads": (),
    "eval": (),
    "exec": (),
    "os.system": (),
}
# Names that may not even be mentioned: a second way to the same thing.
METHODS = {"to_crs": ("fencemap/crs/",), "WarpedVRT": (), "TransformerGroup": ("fencemap/crs/",)}

# Errors that nothing raises yet, and why they stand in the tree already. Whoever raises one takes it out.
RESERVED = {
    "RecordError": "sealed years and their checks build on this error; its exit code is part of the command line",
    "PositionWarning": "the change between two surveys warns of positions that are worse than the rule's distance",
    "GeometryWarning": "mended outlines become rows of `suspect`; a library user who mends shapes directly will get this",
}


def test_files_are_opened_through_the_guard():
    """Readers, warpers, transformers and databases are called only where the guard stands."""
    wrong = []
    for module in modules():
        for node, name in module.calls():
            if name in DOORS and not module.place.startswith(DOORS[name] or ("-",)):
                wrong.append(f"{module.at(node)}: {name}")
            wide = [word for word in node.keywords if word.arg == "boundless"]
            if wide and not (
                isinstance(wide[0].value, ast.Constant) and wide[0].value.value is False
            ):
                wrong.append(f"{module.at(node)}: boundless read")
        for node in ast.walk(module.tree):
            name = (
                node.attr
                if isinstance(node, ast.Attribute)
                else node.id
                if isinstance(node, ast.Name)
                else ""
            )
            if name in METHODS and not module.place.startswith(METHODS[name] or ("-",)):
                wrong.append(f"{module.at(node)}: {name}")
    assert not wrong, listed(wrong)


def test_rasters_are_opened_with_a_named_driver():
    """Even inside the guard every raster that is read is opened with its driver named."""
    calls = [
        (module, node)
        for module in modules()
        for node, name in module.calls()
        if name == "rasterio.open" and not writes(node)
    ]
    assert calls, "the guard opens no raster: this test has lost its subject"
    wrong = [
        module.at(node)
        for module, node in calls
        if "driver" not in {word.arg for word in node.keywords}
    ]
    assert not wrong, listed(wrong)


def writes(call: ast.Call) -> bool:
    """Whether a call of `open` has the mode for writing."""
    return (
        len(call.args) > 1 and isinstance(call.args[1], ast.Constant) and call.args[1].value == "w"
    )


def test_no_assert_and_no_loose_ends():
    """No `assert` (it vanishes under -O), no bare except, no unfinished note in fencemap."""
    wrong = []
    for module in modules():
        for node in ast.walk(module.tree):
            if isinstance(node, ast.Assert):
                wrong.append(f"{module.at(node)}: assert")
            if isinstance(node, ast.ExceptHandler) and node.type is None:
                wrong.append(f"{module.at(node)}: bare except")
            if isinstance(node, ast.Raise) and isinstance(node.exc, ast.Call | ast.Name):
                name = module.resolved(
                    node.exc.func if isinstance(node.exc, ast.Call) else node.exc
                )
                if name in ("Exception", "BaseException", "RuntimeError"):
                    wrong.append(f"{module.at(node)}: raise {name}")
        wrong += [
            f"{module.place}:{number}: {line.strip()}"
            for number, line in enumerate(module.text.splitlines(), 1)
            if re.search(r"\b(TODO|FIXME|XXX|HACK)\b", line)
        ]
    assert not wrong, listed(wrong)


def test_modules_and_bodies_are_short():
    """A module has at most 600 lines, a function at most 60 without its docstring."""
    wrong = []
    for module in modules():
        lines = len(module.text.splitlines())
        if lines > LONGEST_MODULE:
            wrong.append(f"{module.place}: {lines} lines")
        for name, function in module.functions():
            length = body_length(function)
            if length > LONGEST_BODY:
                wrong.append(f"{module.at(function)}: {name}: body of {length} lines")
    assert not wrong, listed(wrong)


def body_length(function: Function) -> int:
    """Lines of a function's body, its docstring left out."""
    body = function.body[1:] if ast.get_docstring(function) is not None else function.body
    return body[-1].end_lineno - body[0].lineno + 1 if body else 0


def test_everything_public_is_described():
    """Modules, public classes, functions and methods have docstrings."""
    wrong = []
    for module in modules():
        if not ast.get_docstring(module.tree):
            wrong.append(f"{module.place}: module")
        classes = [node for node in ast.walk(module.tree) if isinstance(node, ast.ClassDef)]
        wrong += [
            f"{module.at(node)}: class {node.name}"
            for node in classes
            if is_public(node.name) and not ast.get_docstring(node)
        ]
        nested = {name for name, _ in module.functions()}
        for name, function in module.functions():
            inside = name.rpartition(".")[0] in nested
            if is_public(name) and not inside and not ast.get_docstring(function):
                wrong.append(f"{module.at(function)}: {name}")
    assert not wrong, listed(wrong)


def test_what_raises_says_so():
    """A public function that raises names its errors: a Raises section, or the class in its words."""
    wrong = []
    for module in modules():
        nested = {name for name, _ in module.functions()}
        for name, function in module.functions():
            if not is_public(name) or name.rpartition(".")[0] in nested:
                continue
            # A method that stands for another may leave the words to the first of its name.
            same = [
                ast.get_docstring(other) or ""
                for each, other in module.functions()
                if "." in name and each.endswith(f".{function.name}")
            ]
            said = "\n".join([ast.get_docstring(function) or "", *same[:1]])
            lacking = [
                error
                for error in raised(module, function)
                if error not in said and "Raises\n" not in said
            ]
            if lacking:
                wrong.append(f"{module.at(function)}: {name} raises {', '.join(lacking)}")
    assert not wrong, listed(wrong)


def raised(module, function: Function) -> list[str]:
    """Names of what a function's own code raises; passing an error on does not count."""
    caught = {node.name for node in walk_own(function) if isinstance(node, ast.ExceptHandler)}
    found = []
    for node in walk_own(function):
        if not isinstance(node, ast.Raise) or node.exc is None:
            continue
        what = node.exc.func if isinstance(node.exc, ast.Call) else node.exc
        name = module.resolved(what).removesuffix(".at").rpartition(".")[2]
        if name not in caught and name != "?":
            found.append(name)
    return sorted(set(found))


def test_abstract_raises_are_seen():
    """The test above sees an error raised directly, by `at` and under another name."""
    module = next(module for module in modules() if module.name == "fencemap.bring_in.site_file")
    functions = dict(module.functions())
    assert raised(module, functions["read_site"]) == ["SiteError"]


def test_every_error_is_raised_or_reserved():
    """No error class stands in the tree for nothing; the reserved ones are really unused."""
    classes = {
        name for name in errors.__all__ if inspect.isclass(getattr(errors, name)) and issubclass(getattr(errors, name), BaseException | Warning)
    } - {"FencemapError", "FencemapWarning"}  # fmt: skip
    used = set()
    for module in modules():
        if module.name == "fencemap.errors":
            continue
        for node in ast.walk(module.tree):
            if isinstance(node, ast.Raise) and isinstance(node.exc, ast.Name):
                used.add(node.exc.id)
            if isinstance(node, ast.Call):
                used |= set(module.resolved(node.func).split("."))
                used |= (
                    {part.id for part in node.args if isinstance(part, ast.Name)}
                    if module.resolved(node.func) == "warnings.warn"
                    else set()
                )
    assert classes - used == set(RESERVED), (
        f"unused {sorted(classes - used)}, reserved {sorted(RESERVED)}"
    )


# Steps are reached by their registered names; rooms of the catalogue hand out LAYERS.
WITHOUT_ALL = {"fencemap.__main__"}
ROOMS = {f"fencemap.layers.{room}" for room in ("surveyed", "related", "found", "planned")}


@pytest.mark.parametrize("module", modules(), ids=lambda module: module.name)
def test_all_is_what_is_public(module):
    """`__all__` names exactly the public functions, classes and constants (a package: what it hands on)."""
    if module.name in WITHOUT_ALL or re.fullmatch(
        r"fencemap\.\w+\.(\w+_)?steps|.*\._\w+", module.name
    ):
        return
    exported = importlib.import_module(module.name).__dict__.get("__all__", [])
    public = {name for name in defined_in(module) if not name.startswith("_")}
    if module.name in ROOMS:
        public = {name for name in public if not name.isupper()} | {"LAYERS"} & public
    lacking = sorted(public - set(exported))
    assert not lacking, f"{module.place}: public but not in __all__: {lacking}"
    absent = [name for name in exported if not hasattr(importlib.import_module(module.name), name)]
    assert not absent, f"{module.place}: in __all__ but not there: {absent}"
    if module.path.name != "__init__.py":
        foreign = sorted(set(exported) - defined_in(module, aliases=True))
        assert not foreign, f"{module.place}: in __all__ but defined elsewhere: {foreign}"


def defined_in(module, *, aliases: bool = False) -> set[str]:
    """Names of the functions, classes and constants a module defines; types' short names on request."""
    found = set()
    for node in at_module_level(module.tree):
        targets = getattr(node, "targets", [node.target] if isinstance(node, ast.AnnAssign) else [])
        if isinstance(node, Function | ast.ClassDef):
            found.add(node.name)
        names = [name for target in targets for name in getattr(target, "elts", [target])]
        found |= {
            name.id
            for name in names
            if isinstance(name, ast.Name) and (aliases or name.id.isupper())
        }
    return found
