"""The catalogue is closed: what steps make is in it, and every field says what it is."""

from __future__ import annotations

import re

import pytest
from source_code import STEPS, listed

from fencemap.cautions import all_cautions, facts
from fencemap.layers import CATALOGUE, STAGES
from fencemap.practice import all_defaults
from fencemap.vocabularies import all_vocabularies, words

# Written by hand: names that results, records and other programs count on.
LAYERS = {
    "bring_in": (
        "elements levels gap_readings stones curbs trees lots surroundings control_points check_points"
        " photos weather work products consents rejected suspect"
    ),
    "relate": "runs bays panels stone_reach identity",
    "find": (
        "rail_clearance soil_contact tape_plan alignment exposure flow_paths condition_bays"
        " condition_runs condition_lots repairs stone_candidates not_seen changes coverage"
    ),
    "plan": (
        "protection_zones stone_ledger covers interception_lines keep_out no_dig root_protection"
        " fall_zones dig_stretches resetting work_order materials setting_out"
    ),
}
# Ending of a field's name -> its unit. The longest ending that fits counts.
UNITS = {
    "_m": "m", "_mm": "mm", "_pct": "%", "_deg": "deg", "_m2": "m2", "_m3": "m3", "_kg": "kg",
    "_m_s": "m/s", "_c": "degC", "_margin_c": "K", "_kg_m3": "kg/m3", "_probability": "",
}  # fmt: skip
# Numbers without a unit in their name, and why that is right.
PLAIN_NUMBERS = {
    "easting": "m", "northing": "m", "height": "m",  # the words of the trade
    "easting_known": "m", "northing_known": "m", "height_known": "m",
    "size": "",  # of a doubt, in the unit its reason names
    "difference": "", "sigma": "", "least_detectable": "",  # of a change, in the unit `what` names
    "quantity": "",  # beside its column `unit`
    "severity": "", "confidence": "",  # shares from 0 to 1
}  # fmt: skip
ORIGIN = ("uid", "survey_id", "source_file", "source_row")


def fields():
    """Every field of every layer."""
    return [(schema, field) for schema in CATALOGUE.values() for field in schema.fields]


def test_the_layers_are_those_agreed():
    """Each stage has exactly the layers that were agreed, none lost and none slipped in."""
    assert {stage: set(names.split()) for stage, names in LAYERS.items()} == {
        stage: {schema.name for schema in CATALOGUE.values() if schema.stage == stage}
        for stage in STAGES
        if stage != "export"
    }


def test_steps_make_catalogue_layers_of_their_stage():
    """A step makes and takes layers of the catalogue; what it makes belongs to its stage."""
    wrong = []
    for step in STEPS:
        wrong += [f"{step.name} takes {name}" for name in step.takes if name not in CATALOGUE]
        if step.stage == "export":
            continue
        wrong += [
            f"{step.name} ({step.stage}) makes {name}"
            for name in step.makes
            if name not in CATALOGUE
            or not (CATALOGUE[name].joins or CATALOGUE[name].stage == step.stage)
        ]
    assert STEPS
    assert not wrong, listed(wrong)


def test_steps_and_parameters_are_explained():
    """Every step has a sentence; every parameter help, a default within its bounds, and a unit where its name has one."""
    wrong = []
    for step in STEPS:
        if len(step.help.split()) < 3 or not step.help.endswith("."):
            wrong.append(f"{step.name}: help is {step.help!r}")
        for name, parameter in step.parameters.items():
            if len(parameter.help.split()) < 3:
                wrong.append(f"{step.name}.{name}: help is {parameter.help!r}")
            if parameter.check(parameter.default) != parameter.default:
                wrong.append(f"{step.name}.{name}: its default changes when checked")
            unit = unit_of(name)
            if unit is not None and parameter.unit != unit:
                wrong.append(f"{step.name}.{name}: unit {parameter.unit!r}, its name says {unit!r}")
    assert not wrong, listed(wrong)


def unit_of(name: str) -> str | None:
    """The unit that a name promises, or None."""
    fitting = [ending for ending in UNITS if name.endswith(ending)]
    return UNITS[max(fitting, key=len)] if fitting else None


def test_every_field_says_what_it_is():
    """A field has a meaning in words, and numbers the unit that their name promises."""
    wrong = []
    for schema, field in fields():
        place = f"{schema.name}.{field.name}"
        if len(field.meaning) < 3 or not re.match(r"[A-Z0-9]|uid ", field.meaning):
            wrong.append(f"{place}: meaning is {field.meaning!r}")
        if field.since < 1 or field.since > schema.version:
            wrong.append(f"{place}: since {field.since}, layer version {schema.version}")
        if field.vocabulary and field.dtype != "text":
            wrong.append(f"{place}: words in a {field.dtype} field")
        if field.dtype == "real":
            unit = PLAIN_NUMBERS.get(field.name, unit_of(field.name))
            if unit is None:
                wrong.append(f"{place}: its name does not tell its unit")
            elif unit != field.unit:
                wrong.append(f"{place}: unit {field.unit!r}, its name says {unit!r}")
    assert not wrong, listed(wrong)


def test_one_name_means_one_thing():
    """A field name has one type, unit and vocabulary in all layers."""
    seen: dict[str, dict[tuple[str, str, str], str]] = {}
    for schema, field in fields():
        seen.setdefault(field.name, {}).setdefault(
            (field.dtype, field.unit, field.vocabulary), schema.name
        )
    # Everyday words whose layer tells what they are of; everything measured has one meaning.
    apart = {"kind", "stage", "of", "cover", "number", "size", "verdict"}
    wrong = [
        f"{name}: {kinds}" for name, kinds in seen.items() if len(kinds) > 1 and name not in apart
    ]
    assert not wrong, listed(wrong)


def test_every_layer_begins_with_its_origin():
    """Each layer starts with uid, survey and source, so that any row can be followed back."""
    assert [name for name, schema in CATALOGUE.items() if schema.columns[:4] != ORIGIN] == []
    assert [
        name
        for name, schema in CATALOGUE.items()
        if not (schema.field("uid").required and schema.field("uid").unique)
    ] == []


def test_vocabularies_exist_and_are_used():
    """Fields name vocabularies that exist; every vocabulary is of use; every word has its meaning."""
    used = {field.vocabulary for _, field in fields()} - {""}
    known = {vocabulary.name for vocabulary in all_vocabularies()}
    assert used - known == set()
    assert known - used == {"accuracy_is"}, "that one is read from files and turned into a number"
    wrong = [
        f"{vocabulary.name}.{word}: {meaning!r}"
        for vocabulary in all_vocabularies()
        for word, meaning in vocabulary.terms.items()
        if not re.match(r"[A-Z0-9]", meaning)
    ]
    assert not wrong, listed(wrong)
    assert all(vocabulary.source and vocabulary.terms for vocabulary in all_vocabularies())


def test_practice_has_meaning_unit_source_and_bounds():
    """Every trade default says what it is, in what unit, from where, and within what a site may set it."""
    wrong = []
    for key, entry in all_defaults().items():
        if len(entry.meaning.split()) < 3 or len(entry.source) < 5:
            wrong.append(f"{key}: meaning {entry.meaning!r}, source {entry.source!r}")
        unit = unit_of(key)
        if unit is not None and entry.unit != unit:
            wrong.append(f"{key}: unit {entry.unit!r}, its name says {unit!r}")
        if isinstance(entry.value, int | float):
            if entry.least is None or entry.most is None:
                wrong.append(f"{key}: no bounds")
            elif not entry.least <= entry.value <= entry.most:
                wrong.append(f"{key}: {entry.value} is not within {entry.least} and {entry.most}")
        if not re.fullmatch(r"[a-z_]+(\.[A-Za-z0-9_ -]+)+", key):
            wrong.append(f"{key}: not a dotted key")
    assert len(all_defaults()) > 100
    assert not wrong, listed(wrong)


def test_cautions_can_be_triggered():
    """Every caution has text, source and a trigger that the layers can give."""
    operations = {f"operation={word}" for word in words("operation")}
    assert all(
        caution.title and len(caution.text) > 40 and caution.source for caution in all_cautions()
    )
    values = {
        "operation": "operation", "stability": "stability", "lead": "lead_test", "contact": "contact",
        "material": "material", "presence": "presence", "connection": "connection",
        "fastener": "fastener_kind", "foundation": "foundation", "repair": "repair", "by": "by_whom",
    }  # fmt: skip
    known = {
        "always",
        "orthophoto",
        "condition=3",
        *operations,
        *(f"layer={name}" for name in CATALOGUE),
    }
    known |= {
        f"{word}={value}" for word, vocabulary in values.items() for value in words(vocabulary)
    }
    wrong = [
        f"{caution.id}: {sorted(caution.triggers - known)}"
        for caution in all_cautions()
        if caution.triggers - known
    ]
    assert not wrong, listed(wrong)
    assert all(caution.triggers for caution in all_cautions())


@pytest.mark.parametrize("name", CATALOGUE)
def test_empty_layers_keep_their_schema(name):
    """A layer with no rows, with shapes or without, passes its own check and triggers nothing."""
    schema = CATALOGUE[name]
    crs = "EPSG:32631" if schema.spatial else None
    frame = schema.empty(crs)
    assert schema.check(frame, crs=crs) is frame
    assert len(frame) == 0
    assert tuple(frame.columns) == (*schema.columns, *(["geometry"] if schema.spatial else []))
    assert facts({name: frame}) == {"always"}
