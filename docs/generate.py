"""Write the pages that the catalogue already knows: run `.venv/bin/python docs/generate.py`.

Whole pages: layers, steps, practice, words, cautions. In the pages `inputs`
and `pipelines` only the parts between ``<!-- made: NAME -->`` and
``<!-- end -->`` are written. A test fails while a page is stale.
"""

from __future__ import annotations

import inspect
import re
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

from fencemap import vocabularies
from fencemap.bring_in.intake import MOST_REFUSED_SHARE
from fencemap.bring_in.readers.field_codes import codes
from fencemap.bring_in.site_file import INPUTS
from fencemap.cautions import Caution, all_cautions
from fencemap.layers import CATALOGUE, STAGES, layer, layers_of
from fencemap.layers._fields import ORIGIN
from fencemap.pipeline.document import known_documents, load_document
from fencemap.practice import Default, all_defaults
from fencemap.schema import Field, LayerSchema
from fencemap.steps import Step, all_steps

__all__ = ["pages"]

DOCS = Path(__file__).resolve().parent
_NOTE = "<!-- Written by docs/generate.py; change the catalogue, not this page. -->\n"
_PART = re.compile(r"(<!-- made: ([\w ]+) -->\n)(.*?)(<!-- end -->)", re.DOTALL)
_STAGE_WORDS = {
    "bring_in": "from files to checked rows",
    "relate": "order along the fence, and fence beside stone",
    "find": "clearance, contact, exposure, condition",
    "plan": "zones, the stone ledger, covers",
    "export": "map, GeoPackage, tables, summary",
}


def pages() -> dict[Path, str]:
    """Make the text of every generated page, by its path."""
    whole: dict[str, Callable[[], str]] = {
        "layers.md": _layers_page,
        "steps.md": _steps_page,
        "practice.md": _practice_page,
        "words.md": _words_page,
        "cautions.md": _cautions_page,
    }
    made = {DOCS / name: _NOTE + page() for name, page in whole.items()}
    for name in ("inputs.md", "pipelines.md"):
        text = (DOCS / name).read_text(encoding="utf-8")
        made[DOCS / name] = _PART.sub(lambda part: part[1] + _PARTS[part[2]]() + part[4], text)
    return made


def _steps() -> list[Step]:
    """List the steps of the package; a test may have registered more."""
    steps = all_steps().values()
    return [step for step in steps if step.function.__module__.startswith("fencemap.")]


def _table(head: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    lines = [head, ["---"] * len(head), *rows]
    return "".join(f"| {' | '.join(_cell(cell) for cell in line)} |\n" for line in lines)


def _cell(value: object) -> str:
    return re.sub(r"\s+", " ", str(value)).strip().replace("|", "\\|")


def _code(words: Iterable[str]) -> str:
    return ", ".join(f"`{word}`" for word in words)


# Layers


def _layers_page() -> str:
    opening = (
        "# Layers\n\n"
        "Every layer that passes between stages, is written into the GeoPackage and shown on the map. "
        "Names are permanent once a year has been sealed; a field may be added, with the version that "
        "brought it. Lengths are metres in the site's projected CRS unless a name says otherwise "
        "([conventions](conventions.md)). Words in a field are those of [words](words.md). "
        "The same texts come from `fencemap describe layers`.\n\n"
        "Every layer begins with these four, so that any row can be followed back:\n\n"
    )
    head = ("field", "type", "unit", "what it is", "values")
    parts = [opening, _table(head, [_field_row(field) for field in ORIGIN])]
    for stage in STAGES:
        if schemas := layers_of(stage):
            parts.append(f"\n## {stage}: {_STAGE_WORDS[stage]}\n")
            parts += [_layer(schema) for schema in schemas]
    return "".join(parts)


def _layer(schema: LayerSchema) -> str:
    kind = " or ".join(schema.geometry) or "table, no geometry"
    kind += (" Z" if schema.has_z else "") + (" M" if schema.has_m else "")
    notes = [f"{kind}; version {schema.version}."]
    if schema.joins:
        notes.append("Rows of several steps are put together.")
    if schema.spatial and not schema.placed:
        notes.append("A row may have no geometry.")
    makers = [step.name for step in _steps() if schema.name in step.makes]
    notes.append(
        f"Made by {_code(makers)}." if makers else "No step makes it yet: the name is kept for it."
    )
    fields = [_field_row(field) for field in schema.fields if field not in ORIGIN]
    head = ("field", "type", "unit", "what it is", "values")
    return f"\n### {schema.name}\n\n{schema.meaning}. {' '.join(notes)}\n\n{_table(head, fields)}"


def _field_row(field: Field) -> tuple[str, ...]:
    values = []
    if field.vocabulary:
        values.append(f"[{field.vocabulary}](words.md#{field.vocabulary})")
    if field.minimum is not None or field.maximum is not None:
        values.append(_bounds(field.minimum, field.maximum))
    if field.required:
        values.append("must be there")
    if field.unique:
        values.append("unique")
    return f"`{field.name}`", field.dtype, field.unit, field.meaning, ", ".join(values)


def _bounds(least: float | None, most: float | None) -> str:
    if least is None or least == float("-inf"):
        return "" if most is None or most == float("inf") else f"at most {most:g}"
    return f"{least:g} or more" if most in (None, float("inf")) else f"{least:g} to {most:g}"


# Steps


def _steps_page() -> str:
    opening = (
        "# Steps\n\n"
        "What a [pipeline document](pipelines.md) can name under `use`. A step takes layers by name, "
        "makes layers (or, under export, files) and has parameters with default, unit and bounds; "
        "a document sets those it wants otherwise. `fencemap describe steps` says the same.\n"
    )
    parts = [opening]
    for stage in STAGES:
        parts.append(f"\n## {stage}: {_STAGE_WORDS[stage]}\n")
        parts += [_step(step) for step in _steps() if step.stage == stage]
    return "".join(parts)


def _step(step: Step) -> str:
    lines = [f"\n### {step.name}\n\n{_prose(step)}\n\n"]
    rasters = [name for name in step.services if name in ("ground", "surface", "ortho")]
    takes = [*step.takes, *(["every layer made so far"] if "layers" in step.services else [])]
    lines.append(f"Takes: {_code(takes) if takes else 'nothing but the survey'}")
    lines.append(f"; rasters: {_code(rasters)}" if rasters else "")
    lines.append(f". Makes: {_code(step.makes)}.\n")
    if step.parameters:
        rows = [
            (
                f"`{name}`",
                f"{parameter.default} {parameter.unit}",
                _allowed(parameter),
                parameter.help,
            )
            for name, parameter in step.parameters.items()
        ]
        lines.append("\n" + _table(("parameter", "default", "allowed", "what it does"), rows))
    return "".join(lines)


def _prose(step: Step) -> str:
    """Take a step's docstring up to its first section."""
    text = inspect.getdoc(step.function) or ""
    return re.split(r"\n\n[A-Z][a-z ]+\n-{3,}", text)[0].replace("``", "`").strip()


def _allowed(parameter: object) -> str:
    if options := getattr(parameter, "options", ()):
        return ", ".join(options)
    if hasattr(parameter, "minimum"):
        return _bounds(parameter.minimum, getattr(parameter, "maximum", None))
    return str(getattr(parameter, "type_name", ""))


# Practice


def _practice_page() -> str:
    groups: dict[str, list[Default]] = {}
    for entry in all_defaults().values():
        groups.setdefault(entry.key.partition(".")[0], []).append(entry)
    opening = (
        "# Practice defaults\n\n"
        "Every number and word of the trade that the results rest on, each with its source. Most are "
        "no standard, and say so. A site sets its own in `site.toml`, within the bounds shown:\n\n"
        '```toml\n[practice]\n"contact.gap_mm" = 15\n```\n\n'
        "What was used is written into every result. `fencemap describe practice` lists them too.\n"
    )
    parts = [opening]
    head = ("key", "default", "a site may set", "what it is", "source")
    for group, entries in groups.items():
        rows = [
            (
                f"`{d.key}`",
                f"{d.value} {d.unit}",
                _bounds(d.least, d.most),
                d.meaning,
                d.source,
            )
            for d in entries
        ]
        parts.append(f"\n## {group}\n\n{_table(head, rows)}")
    return "".join(parts)


# Words


def _words_page() -> str:
    used: dict[str, list[str]] = {}
    for schema in CATALOGUE.values():
        for field in schema.fields:
            if field.vocabulary:
                used.setdefault(field.vocabulary, []).append(f"{schema.name}.{field.name}")
    opening = (
        f"# Words\n\nControlled words, edition {vocabularies.version()}. A field that names one of "
        "these lists holds one of its words or nothing. A word is never reused for another meaning.\n"
    )
    parts = [opening]
    for vocabulary in vocabularies.all_vocabularies():
        where = _code(used.get(vocabulary.name, [])) or "read from survey files only"
        rows = [(f"`{word}`", meaning) for word, meaning in vocabulary.terms.items()]
        parts.append(
            f"\n## {vocabulary.name}\n\nIn {where}. Source: {vocabulary.source}.\n\n"
            + _table(("word", "meaning"), rows)
        )
    return "".join(parts)


# Cautions


def _cautions_page() -> str:
    opening = (
        "# Cautions\n\n"
        "What can hurt people, graves or stone. Each export shows those that its own content calls "
        "for, the gravest first: the map, the GeoPackage, the tables, the summary and the command line. "
        "They do not replace training, the law, a product's label or a safety data sheet.\n"
    )
    parts = [opening]
    parts += [_caution(caution) for caution in all_cautions()]
    return "".join(parts)


def _caution(caution: Caution) -> str:
    shown = "always" if "always" in caution.triggers else _code(sorted(caution.triggers))
    return (
        f"\n## {caution.title}\n\n{caution.text}\n\n"
        f"Id `{caution.id}`. Shown: {shown}. Source: {caution.source}.\n"
    )


# Parts of pages written by hand


def _inputs_list() -> str:
    layers = {
        "gaps": "gap_readings", "control": "control_points", "checkpoints": "check_points",
        "lead_tests": "lots", **dict.fromkeys(("paths", "services", "drains", "buildings", "graves"), "surroundings"),
    }  # fmt: skip
    rows = []
    for name in INPUTS:
        target = layers.get(name, name)
        what = f"[{target}](layers.md#{target})" if target in CATALOGUE else "raster"
        rows.append((f"`{name}`", what, _INPUT_WORDS[name]))
    return _table(("input", "becomes", "files"), rows)


_TABLE = "a table, points or features"
_SHAPES = "features with shapes"
_INPUT_WORDS = {
    "elements": f"{_TABLE}; iron of the fences",
    "levels": "a table; heights on rails, posts, curbs",
    "gaps": "a table; gaps under rails, in mm or in words",
    "stones": f"{_TABLE}; outlines, or positions with length, width and direction",
    "curbs": f"{_TABLE}; outlines, or positions with length, width and direction",
    "trees": f"{_TABLE}; positions",
    "lots": _SHAPES,
    "paths": _SHAPES,
    "services": _SHAPES,
    "drains": _SHAPES,
    "buildings": _SHAPES,
    "graves": _SHAPES,
    "lead_tests": "a table with `lot_id` and `result`",
    "control": f"{_TABLE}; measured and known coordinates",
    "checkpoints": f"{_TABLE}; measured and known coordinates",
    "photos": "not read yet",
    "weather": "a table, one row an hour",
    "ground": "GeoTIFF or tiles: bare ground, heights in metres",
    "surface": "GeoTIFF or tiles: top of everything, heights in metres",
    "ortho": "GeoTIFF or tiles: picture from above",
}


def _field_codes() -> str:
    rows = [
        (f"`{code.code}`", code.meaning, code.input, code.kind, code.role or code.target or code.of)
        for code in codes().values()
    ]
    return _table(("code", "meaning", "input", "kind", "role or target"), rows)


def _columns_of(name: str) -> str:
    skipped = {"other", "sigma_origin"}
    fields = [f for f in layer(name).fields if f not in ORIGIN and f.name not in skipped]
    rows = [_field_row(field) for field in fields]
    return _table(("column", "type", "unit", "what it is", "values"), rows)


def _documents() -> str:
    parts = []
    for name in known_documents():
        document = load_document(name)
        rows = [
            (
                f"`{planned.name}`",
                f"[{planned.step.name}](steps.md#{planned.step.name})",
                planned.step.help,
            )
            for planned in document.steps
        ]
        parts.append(
            f"### {name}\n\n{document.title}.\n\n{_table(('makes', 'step', 'what it does'), rows)}"
        )
    return "\n".join(parts)


_PARTS: dict[str, Callable[[], str]] = {
    "inputs": _inputs_list,
    "documents": _documents,
    "field codes": _field_codes,
    "share": lambda: f"{MOST_REFUSED_SHARE:.0%}\n",
    **{
        f"columns of {name}": (lambda name=name: _columns_of(name))
        for name in (
            "elements",
            "levels",
            "gap_readings",
            "stones",
            "curbs",
            "trees",
            "lots",
            "check_points",
            "weather",
        )
    },
}


def main() -> None:
    """Write every generated page that has changed."""
    for path, text in pages().items():
        if not path.is_file() or path.read_text(encoding="utf-8") != text:
            path.write_text(text, encoding="utf-8", newline="\n")
            print(f"written: {path}")


if __name__ == "__main__":
    main()
