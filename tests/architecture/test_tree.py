"""The tree as a visitor finds it: what lies where, how large, and that its words are true."""

from __future__ import annotations

import ast
import doctest
import importlib
import os
import re
from functools import cache
from pathlib import Path

import pytest
from source_code import ROOT, Function, listed, modules

TOP = {
    "README.md",
    "DEVELOPERS.md",
    "pyproject.toml",
    "fencemap",
    "pipelines",
    "tests",
    "sample_gis",
    "docs",
}
# What running, testing and packing leave behind; none of it is part of the tree.
LEFT_BEHIND = {
    "__pycache__",
    "build",
    "dist",
    "results",
    "record",
    "htmlcov",
    "node_modules",
    "made",
}
DOTFILES = {".ci", ".gitignore", ".gitattributes"}
MEGABYTE = 1_000_000
TEXT = {
    ".py",
    ".md",
    ".toml",
    ".sh",
    ".txt",
    ".csv",
    ".json",
    ".geojson",
    ".js",
    ".css",
    ".html",
    "",
}


@cache
def tree() -> tuple[Path, ...]:
    """Every file of the project."""
    found = []
    for folder, folders, files in os.walk(ROOT):
        inside = Path(folder) != ROOT
        folders[:] = sorted(
            name for name in folders
            if name not in LEFT_BEHIND and not name.endswith(".egg-info")
            and (name in DOTFILES or not name.startswith("."))
        )  # fmt: skip
        found += [
            Path(folder, name)
            for name in sorted(files)
            if (inside and not name.startswith(".")) or name in DOTFILES or name in TOP
        ]
    return tuple(path for path in found if path.suffix not in (".pyc", ".nbi", ".nbc"))


def place(path: Path) -> str:
    """A path as messages show it."""
    return path.relative_to(ROOT).as_posix()


def test_top_level_is_as_agreed():
    """The top level holds the agreed names and nothing else but dotfiles."""
    here = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")}
    here -= LEFT_BEHIND | {name for name in here if name.endswith(".egg-info")}
    assert here == TOP


def test_files_are_small():
    """No file is over 1 MB; the sample site is at most 10 MB."""
    sizes = {path: path.stat().st_size for path in tree()}
    wrong = [f"{place(path)}: {size} bytes" for path, size in sizes.items() if size > MEGABYTE]
    assert not wrong, listed(wrong)
    sample = sum(size for path, size in sizes.items() if path.is_relative_to(ROOT / "sample_gis"))
    assert 0 < sample <= 10 * MEGABYTE


def test_no_word_leads_out_of_the_tree():
    """No file speaks of folders or pages that a reader of this repository does not have."""
    halves = "/wo rk/|shar ed/|/tm p/ru|des ign.md|tra de.md|che cks.md|mod els.md|/ro ot/"
    words = halves.replace(" ", "").split("|")
    found = re.compile("|".join(re.escape(word) for word in words))
    wrong = []
    for path in tree():
        if path.suffix not in TEXT or "vendor" in path.parts:
            continue
        for number, line in enumerate(
            path.read_text(encoding="utf-8", errors="replace").splitlines(), 1
        ):
            if hit := found.search(line):
                wrong.append(f"{place(path)}:{number}: {hit.group()}")
    assert not wrong, listed(wrong)


def test_every_test_says_what_must_hold():
    """Every test has a docstring, and the modules that help tests have names of their own."""
    wrong, helpers, seen = [], {}, 0
    for path in tree():
        if not path.is_relative_to(ROOT / "tests") or path.suffix != ".py":
            continue
        if path.name.startswith("test_"):
            seen += 1
            wrong += silent_tests(path)
        elif path.name != "conftest.py":
            if path.name in helpers:
                wrong.append(f"{place(path)}: there is {helpers[path.name]} too")
            helpers[path.name] = place(path)
    assert seen > 5
    assert not wrong, listed(wrong)


def silent_tests(path: Path) -> list[str]:
    """Tests of a file that do not say in a sentence what must hold."""
    return [
        f"{place(path)}:{node.lineno}: {node.name}"
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, Function)
        and node.name.startswith("test")
        and len((ast.get_docstring(node) or "").split()) < 3
    ]


def test_generated_pages_are_fresh():
    """The pages made from the catalogue say what the catalogue says now."""
    generate = importlib.import_module("docs.generate")
    pages = generate.pages()
    names = {path.stem for path in pages}
    assert names == {"layers", "steps", "practice", "words", "cautions", "inputs", "pipelines"}
    stale = [
        path.name
        for path, text in pages.items()
        if not path.is_file() or path.read_text(encoding="utf-8") != text
    ]
    assert not stale, f"stale: {stale}; run: .venv/bin/python docs/generate.py"


def test_readme_sets_up_with_two_commands():
    """README shows exactly two commands, and both scripts are there."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    blocks = re.findall(r"```\w*\n(.*?)```", text, flags=re.DOTALL)
    commands = [line for block in blocks for line in block.splitlines() if line.startswith("sh ")]
    assert [command.split("#")[0].strip() for command in commands] == [
        "sh sample_gis/try.sh",
        "sh tests/all.sh",
    ]
    assert all((ROOT / command.split()[1]).is_file() for command in commands)


def pages_for_people() -> list[Path]:
    """README, DEVELOPERS and the pages under docs."""
    return [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md"))]


def test_links_lead_somewhere():
    """Every link of the pages goes to a file and heading that exist; every page is linked from somewhere."""
    wrong, linked = [], set()
    for page in pages_for_people():
        text = page.read_text(encoding="utf-8")
        for target in re.findall(r"\]\(([^)\s]+)\)", text):
            if target.startswith(("http://", "https://")):
                continue
            file, _, heading = target.partition("#")
            path = (page.parent / file).resolve() if file else page
            linked.add(path)
            if not path.exists():
                wrong.append(f"{place(page)}: {target}")
            elif heading and heading not in headings(path):
                wrong.append(f"{place(page)}: no heading {target}")
    assert not wrong, listed(wrong)
    alone = [
        place(page)
        for page in pages_for_people()
        if page not in linked and page.name != "README.md"
    ]
    assert not alone, f"linked from nowhere: {alone}"


def headings(page: Path) -> set[str]:
    """Anchors of a page's headings, as Git hosts make them."""
    lines = re.findall(r"^#+ (.*)$", page.read_text(encoding="utf-8"), flags=re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", line.lower()).replace(" ", "-") for line in lines}


def test_code_that_pages_name_exists():
    """Every `file.py:function` of the pages names a function or class that is there."""
    wrong, seen = [], 0
    for page in pages_for_people():
        for file, name in re.findall(
            r"`((?:fencemap|tests|docs|sample_gis)/[\w/]+\.py)(?::([\w.]+))?`",
            page.read_text(encoding="utf-8"),
        ):
            seen += 1
            path = ROOT / file
            if not path.is_file():
                wrong.append(f"{place(page)}: no file {file}")
            elif name and name not in defined(path):
                wrong.append(f"{place(page)}: {file} has no {name}")
    assert seen > 20, "DEVELOPERS.md follows a row through the code: this test has lost its subject"
    assert not wrong, listed(wrong)


def defined(path: Path) -> set[str]:
    """Qualified names of the functions and classes in a file."""
    found = set()

    def visit(node: ast.AST, prefix: str) -> None:
        for child in ast.iter_child_nodes(node):
            if isinstance(child, Function | ast.ClassDef):
                found.add(prefix + child.name)
                visit(child, f"{prefix}{child.name}.")

    visit(ast.parse(path.read_text(encoding="utf-8")), "")
    return found


def test_figures_of_the_methods_page_are_those_of_the_code():
    """The table of accuracy figures shows what divides them in code, to four digits."""
    from fencemap.bring_in.accuracy import AXIS_DIVISOR

    text = (ROOT / "docs" / "methods.md").read_text(encoding="utf-8")
    shown = dict(re.findall(r"^\| ([^|]+) \| ([\d.]+) \|", text, flags=re.MULTILINE))
    assert shown == {
        word: f"{figure:.4f}".removesuffix(".0000") for word, figure in AXIS_DIVISOR.items()
    }


def test_map_of_the_code_is_whole():
    """DEVELOPERS.md has a line for every package and module at the top of fencemap, and for no other."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    named = set(re.findall(r"^\| `fencemap/(\w+)(?:\.py|/)`", text, flags=re.MULTILINE))
    there = {module.name.split(".")[1] for module in modules() if "." in module.name} - {"__main__"}
    assert named == there


def test_scripts_are_plain_sh():
    """The scripts have their first line, and the CI's is executable."""
    assert (ROOT / "sample_gis" / "try.sh").read_text().startswith("#!/bin/sh\n")
    assert (ROOT / "tests" / "all.sh").read_text().startswith("#!/bin/sh\n")
    assert os.access(ROOT / ".ci" / "run", os.X_OK)


@pytest.mark.parametrize("module", modules(), ids=lambda module: module.name)
def test_examples_hold(module):
    """The examples in docstrings give what they show."""
    if ">>>" not in module.text:
        return
    loaded = importlib.import_module(module.name)
    found = doctest.testmod(loaded, optionflags=doctest.NORMALIZE_WHITESPACE, verbose=False)
    assert (found.failed, found.attempted > 0) == (0, True)
