"""fencemap's own source, parsed once, for the tests that judge it."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache, cached_property
from pathlib import Path

from fencemap.steps import all_steps

# Loaded when this is read, before a test can declare steps of its own in another registry.
STEPS = tuple(all_steps().values())
ROOT = Path(__file__).resolve().parents[2]
Function = ast.FunctionDef | ast.AsyncFunctionDef


@dataclass(frozen=True)
class Module:
    """One source file: its dotted name, path and syntax tree."""

    name: str
    path: Path

    @cached_property
    def text(self) -> str:
        return self.path.read_text(encoding="utf-8")

    @cached_property
    def tree(self) -> ast.Module:
        return ast.parse(self.text)

    @property
    def place(self) -> str:
        return self.path.relative_to(ROOT).as_posix()

    def at(self, node: ast.AST) -> str:
        return f"{self.place}:{node.lineno}"

    def calls(self) -> Iterator[tuple[ast.Call, str]]:
        """Every call with the dotted name of what is called, imports resolved."""
        for node in ast.walk(self.tree):
            if isinstance(node, ast.Call) and (name := self.resolved(node.func)):
                yield node, name

    @cached_property
    def _imported(self) -> dict[str, str]:
        names = {}
        for node in ast.walk(self.tree):
            if isinstance(node, ast.Import):
                for one in node.names:
                    local = one.asname or one.name.partition(".")[0]
                    names[local] = one.name if one.asname else local
            elif isinstance(node, ast.ImportFrom):
                names |= {one.asname or one.name: f"{node.module}.{one.name}" for one in node.names}
        return names

    def resolved(self, node: ast.AST) -> str:
        """Write `a.b.c` of an attribute chain, its first name through the imports."""
        parts: list[str] = []
        while isinstance(node, ast.Attribute):
            parts.append(node.attr)
            node = node.value
        if isinstance(node, ast.Name):
            parts.append(self._imported.get(node.id, node.id))
        else:
            parts.append("?")
        return ".".join(reversed(parts))

    def imports(self) -> Iterator[tuple[ast.AST, str]]:
        """Every import with the full name of the module (or of the name, if that is a module)."""
        known = {module.name for module in modules()}
        for node in ast.walk(self.tree):
            if isinstance(node, ast.Import):
                yield from ((node, one.name) for one in node.names)
            elif isinstance(node, ast.ImportFrom):
                base = node.module or ""
                for one in node.names:
                    full = f"{base}.{one.name}"
                    yield node, full if full in known else base

    def functions(self) -> Iterator[tuple[str, Function]]:
        """Every function and method, nested ones too, with its qualified name."""
        yield from _functions(self.tree, "")


def _functions(node: ast.AST, prefix: str) -> Iterator[tuple[str, Function]]:
    for child in ast.iter_child_nodes(node):
        if isinstance(child, Function):
            yield prefix + child.name, child
            yield from _functions(child, f"{prefix}{child.name}.")
        elif isinstance(child, ast.ClassDef):
            yield from _functions(child, f"{prefix}{child.name}.")
        else:
            yield from _functions(child, prefix)


@cache
def modules() -> tuple[Module, ...]:
    """Every module of the package, by name."""
    found = []
    for path in sorted((ROOT / "fencemap").rglob("*.py")):
        parts = path.relative_to(ROOT).with_suffix("").parts
        name = ".".join(parts[:-1] if parts[-1] == "__init__" else parts)
        found.append(Module(name, path))
    return tuple(found)


def is_public(qualified: str) -> bool:
    """Whether no part of a name begins with an underscore."""
    return not any(part.startswith("_") for part in qualified.split("."))


def walk_own(node: ast.AST) -> Iterator[ast.AST]:
    """Walk a function's own code, leaving out functions and classes inside it."""
    for child in ast.iter_child_nodes(node):
        if not isinstance(child, Function | ast.ClassDef | ast.Lambda):
            yield child
            yield from walk_own(child)


def at_module_level(tree: ast.Module) -> Iterator[ast.AST]:
    """Statements that run at import (conditions and tries too, not `TYPE_CHECKING`)."""
    for child in ast.iter_child_nodes(tree):
        if isinstance(child, ast.If) and "TYPE_CHECKING" in ast.dump(child.test):
            continue
        if isinstance(child, ast.If | ast.Try | ast.With):
            yield from at_module_level(child)  # type: ignore[arg-type]
        else:
            yield child


def listed(lines: list[str]) -> str:
    """Join offenders for a failing test."""
    return "\n  " + "\n  ".join(lines)
