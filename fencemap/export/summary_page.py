"""The summary page: one printable sheet set of what was read, found and planned.

It says how good the positions are, which practice values were used and where
they come from, and every caution that the content calls for.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from itertools import groupby
from typing import Any

from fencemap.cautions import Caution
from fencemap.export import figures
from fencemap.export.accuracy import Check
from fencemap.export.paper import bar, esc, listed, number, page, section, table, tiles
from fencemap.export.summary import VERDICTS
from fencemap.operations import STANDING, Practice
from fencemap.practice import NOT_A_STANDARD, SET_BY_SITE, Default, all_defaults
from fencemap.site import Site, Survey

__all__ = ["summary_html", "used_practice"]

_FIRST = 40
_GROUPS = 12
_NAMES = 60
# Practice that stands behind any result, whatever is planned.
_ALWAYS = ("contact.", "exposure.", "stone.", "accuracy.unknown.", "roots.")


def summary_html(
    layers: Mapping[str, Any],
    *,
    site: Site,
    survey: Survey,
    generated: str,
    practice: Practice,
    checks: Sequence[Check] = (),
    cautions: Iterable[Caution] = (),
) -> str:
    """Write the summary page.

    Parameters
    ----------
    layers
        Layers by name; sections of what was not made are left out.
    site, survey
        What the page is about.
    generated
        Day of the content, ISO 8601.
    practice
        Looks up a default, with the site's value where it has one.
    checks
        What check points say (`fencemap.export.accuracy.checks_of`).
    cautions
        Those that the content calls for.
    """
    days = survey.start.isoformat()
    if survey.end != survey.start:
        days += f" to {survey.end.isoformat()}"
    heights = "a local bench mark" if site.heights == "site" else site.heights
    under = f"Survey {survey.id}, {days}. Coordinates {site.crs}, heights above {heights}. State of {generated}."
    held = list(cautions)
    return page(
        site.name,
        under,
        [
            _glance(layers, held, practice),
            _contact_section(layers),
            _condition_section(layers),
            _first_section(layers),
            _touching_section(layers, practice),
            _plan_section(layers),
            _cautions_section(held),
            _reading_section(layers),
            _accuracy_section(layers, survey, checks, practice),
            _practice_section(layers, practice),
        ],
    )


def _glance(layers: Mapping[str, Any], cautions: Sequence[Caution], practice: Practice) -> str:
    held, soil = figures.reading(layers), figures.contact(layers)
    entries = [
        (number(held.read), "rows read"),
        (number(held.rejected), "rows rejected"),
    ]
    if "runs" in layers:
        entries.append(
            (
                number(layers["runs"]["length_m"].sum(), 0, unit="m"),
                f"of fence in {len(layers['runs'])} runs",
            )
        )
    if soil is not None:
        entries.append((number(soil.metres["in contact"], 0, unit="m"), "in contact with soil"))
        entries.append(
            (
                number(soil.metres["undecided"] + soil.metres["not seen"], 0, unit="m"),
                "undecided or not seen",
            )
        )
    near = figures.touching_stone(layers, within_m=float(practice("exposure.touching_m").value))
    if near is not None:
        entries.append(
            (
                number(len(near)),
                f"stones within {practice('exposure.touching_m').value:g} m of iron",
            )
        )
    link = f'<p><a href="#cautions"><b>{len(cautions)} cautions</b></a>: read them before any work.</p>'
    return tiles(entries) + link


def _contact_section(layers: Mapping[str, Any]) -> str:
    held = figures.contact(layers)
    if held is None:
        return ""
    shown = [(word, held.metres[word]) for word in figures.CONTACT_ORDER if word != "no rail"]
    total = held.total_m or float("nan")
    rows = [
        [VERDICTS[word], number(length, 1), number(100 * length / total, 1)]
        for word, length in shown
    ]
    rows.append(["opening, no rail there", number(held.metres["no rail"], 1), ""])
    note = (
        "Expected length in contact, all probabilities added:"
        f" {number(held.expected_m, 1, unit='m')}. Undecided means: go and measure."
        " Not seen is never clear."
    )
    return section(
        "Bottom rail and soil",
        bar(shown),
        table(["Verdict", "m", "% of rail"], rows, numeric=(1, 2)),
        f"<p>{esc(note)}</p>",
    )


def _condition_section(layers: Mapping[str, Any]) -> str:
    grades = figures.condition_metres(layers)
    if grades is None:
        return ""
    words = {"3": "3, worst", "0": "0, sound"}
    rows = [
        [words.get(r.grade, r.grade), number(r.bays), number(r.metres, 1)]
        for r in grades.itertuples()
    ]
    bays = layers["condition_bays"]
    unsafe = bays[bays["make_safe"].fillna(value=False).astype(bool)]
    names = ", ".join(unsafe["bay_id"].head(_NAMES))
    if len(unsafe) > _NAMES:
        names += f" and {len(unsafe) - _NAMES:,} more, in the layer condition_bays"
    safe = f"<p><b>To be made safe first:</b> {esc(names)}.</p>" if len(unsafe) else ""
    note = "A bay has the grade of its worst part; nothing is averaged away."
    return section(
        "Condition",
        table(["Grade", "Bays", "m"], rows, numeric=(1, 2), empty="No bays."),
        f'<p class="note">{esc(note)}</p>',
        safe,
    )


def _first_section(layers: Mapping[str, Any]) -> str:
    kinds = _cover_kinds(layers)
    parts = []
    for phase, first in figures.worst_first(layers, most=_FIRST).items():
        title = "Under standing iron, all year" if phase == STANDING else f"Phase {phase}"
        entries = [(_alike(row, kinds), row) for row in first.itertuples()]
        groups = [
            (what, [row for _, row in rows]) for what, rows in groupby(entries, lambda one: one[0])
        ]
        rows = [
            [
                number(held[0].rank),
                f"{_names(held)}: {kind}",
                run if operation == STANDING else f"{operation}, {run}",
                cover,
                why,
            ]
            for (kind, operation, run, cover, why), held in groups[:_GROUPS]
        ]
        heads = ["Rank", "Stone", "Operation and run", "Cover", "Why"]
        parts.append(f"<h3>{esc(title)}</h3>" + table(heads, rows, numeric=(0,), cards=True))
    note = (
        "The gravest only, each stone once, at the first of its ranks: what cannot be undone comes"
        " first, then severity times probability. Layer stone_ledger has a line for every stone."
    )
    return section(
        "Stone to cover first", *parts, f'<p class="note">{esc(note)}</p>' if parts else ""
    )


def _cover_kinds(layers: Mapping[str, Any]) -> dict[tuple[str, str, str], str]:
    """Map phase, operation and stone to the cover chosen for it."""
    covers = layers.get("covers")
    if covers is None:
        return {}
    held = covers[covers["stone_id"].notna()]
    keys = zip(held["phase"], held["operation"], held["stone_id"], strict=True)
    return dict(zip(keys, held["cover"], strict=True))


def _alike(row: Any, kinds: Mapping[tuple[str, str, str], str]) -> tuple[str, str, str, str, str]:
    """Say what neighbours in the list must have in common to share a line."""
    kind = row.stone_type if isinstance(row.stone_type, str) else "kind unknown"
    cover = kinds.get((row.phase, row.operation, row.stone_id), "")
    return kind, row.operation, row.run_id, cover, row.because


def _names(rows: Sequence[Any]) -> str:
    return ", ".join(row.stone_id for row in rows)


def _touching_section(layers: Mapping[str, Any], practice: Practice) -> str:
    within_m = float(practice("exposure.touching_m").value)
    near = figures.touching_stone(layers, within_m=within_m)
    if near is None:
        return ""
    by_run = near.sort_values(["run_id", "stone_id"]).groupby("run_id", sort=True)
    entries = [
        f"{run} ({len(stones)}): " + ", ".join(_near(stone) for stone in stones.itertuples())
        for run, stones in by_run
    ]
    note = "By run; without a distance the iron stands over the stone or touches it."
    return section(
        f"Stone within {within_m:g} m of iron",
        f'<p class="note">{esc(note)}</p>' if entries else "<p>None.</p>",
        listed(entries) if entries else "",
    )


def _near(stone: Any) -> str:
    away = f" {stone.distance_m:.2f} m" if stone.distance_m >= 0.005 else ""
    return f"{stone.stone_id}{away}"


def _plan_section(layers: Mapping[str, Any]) -> str:
    return section("Zones and covers", _zone_table(layers), _cover_table(layers))


def _zone_table(layers: Mapping[str, Any]) -> str:
    counts, zones = figures.listed_by_operation(layers), figures.zones_by_operation(layers)
    if zones is None:
        return ""
    if counts is not None:
        zones = zones.merge(counts, on=["phase", "operation"], how="left")
    rows = [
        [
            _job(row), number(row.area_m2, 0),
            number(getattr(row, "covered", None)), number(getattr(row, "free", None)),
            number(row.wind_stop_m_s, 1), number(row.holds_to_m_s, 1),
        ]
        for row in zones.itertuples()
    ]  # fmt: skip
    heads = ["Phase, operation", "m²", "Listed", "Free", "Stop, m/s", "Holds, m/s"]
    note = (
        "Areas of runs are added up; where zones overlap they count twice. The operation stops at the"
        " one wind; flakes and grit stay in the zone up to the other, in steady wind, by the least of"
        " all runs. For spray that is not reckoned. Free is not permission."
    )
    return (
        table(heads, rows, numeric=(1, 2, 3, 4, 5), empty="No zones.")
        + f'<p class="note">{esc(note)}</p>'
    )


def _cover_table(layers: Mapping[str, Any]) -> str:
    covers = figures.covers_by_operation(layers)
    if covers is None:
        return ""
    rows = [
        [_job(row), row.cover, number(row.pieces), number(row.sheet_m2 or None, 0)]
        for row in covers.itertuples()
    ]
    note = (
        "Sheet for top and faces, laps included, for each operation by itself: it can be used again."
        " A splash sheet needs as much breathable sheet beneath it. Covers come off every evening."
    )
    return (
        table(
            ["Phase, operation", "Cover", "Pieces", "Sheet, m²"],
            rows,
            numeric=(2, 3),
            empty="Nothing is laid.",
        )
        + f'<p class="note">{esc(note)}</p>'
    )


def _job(row: Any) -> str:
    return STANDING if row.phase == STANDING else f"{row.phase}, {row.operation}"


def _cautions_section(cautions: Sequence[Caution]) -> str:
    made = [
        f'<div class="caution"><b>{esc(one.title)}</b>{esc(one.text)}</div>' for one in cautions
    ]
    return section("Cautions", *made, name="cautions")


def _reading_section(layers: Mapping[str, Any]) -> str:
    held = figures.reading(layers)
    files = [
        [r.file, number(r.read), number(r.kept), number(r.rejected)]
        for r in held.files.itertuples()
    ]
    files.append(["all", number(held.read), number(held.kept), number(held.rejected)])
    refused = [[r.code, number(r.rows), r.reason] for r in held.reasons.itertuples()]
    doubts = [[r.code, number(r.rows), r.reason] for r in held.doubts.itertuples()]
    return section(
        "Rows read and refused",
        table(["File", "Read", "Kept", "Rejected"], files, numeric=(1, 2, 3)),
        "<h3>Why rows were rejected</h3>",
        table(["Reason", "Rows", "Such as"], refused, numeric=(1,), empty="No row was rejected."),
        "<h3>Kept, but doubtful</h3>",
        table(["Doubt", "Rows", "Such as"], doubts, numeric=(1,), empty="No row is doubtful."),
        '<p class="note">The layers rejected and suspect name every row, with the remedy.</p>',
    )


def _accuracy_section(
    layers: Mapping[str, Any], survey: Survey, checks: Sequence[Check], practice: Practice
) -> str:
    rows = []
    for name in ("elements", "stones", "curbs", "trees"):
        if name in layers and len(layers[name]):
            sigma = layers[name]["sigma_h_m"]
            rows.append(
                [name, number(len(sigma)), number(sigma.median(), 3), number(sigma.max(), 3)]
            )
    heads = ["Layer", "Rows", "Median σ, m", "Worst σ, m"]
    given = survey.accuracy.ground_sigma_v_m
    ground = (
        f"<p>The ground model is said to be good to {number(given, 3, unit='m')} (σ of a height).</p>"
        if given
        else ""
    )
    parts = [
        table(heads, rows, numeric=(1, 2, 3)),
        '<p class="note">σ is one standard deviation per axis.</p>',
        ground,
    ]
    parts += [_check_table(check, practice) for check in checks]
    if not checks:
        parts.append("<p>No check points: nothing outside the survey says how good it is.</p>")
    return section("How good the positions are", *parts)


def _check_table(check: Check, practice: Practice) -> str:
    few, share = (practice(f"accuracy.{key}") for key in ("few_check_points", "bias_share"))
    rows = [
        [axis, number(held.n), number(held.mean, 3), number(held.s, 3), number(held.rmse, 3)]
        for axis, held in check.axes
    ]
    said = []
    if check.not_seen:
        said.append(f"{check.not_seen} points lie where nothing was seen.")
    least = min((held.n for _, held in check.axes), default=0)
    if 0 < least < few.value:
        said.append(f"Fewer than {few.value:g} points: no claim of a standard is made.")
    said += [
        f"The mean of {axis} is more than {100 * share.value:g} % of its RMSE: perhaps a bias."
        for axis, held in check.axes
        if held.n > 1 and abs(held.mean) > share.value * held.rmse
    ]
    if (plan := check.horizontal_95_m) is not None:
        said.append(f"In plan, 95 % lie within {plan:.3f} m (NSSDA formula).")
    if (height := check.vertical_95_m) is not None:
        said.append(f"In height, 95 % lie within {height:.3f} m (NSSDA formula).")
    heads = ["Axis", "n", "Mean, m", "s, m", "RMSE, m"]
    return (
        f"<h3>Check points: {esc(check.of)}</h3>"
        + table(heads, rows, numeric=(1, 2, 3, 4))
        + f"<p>{esc(' '.join(said))}</p>"
    )


def used_practice(layers: Mapping[str, Any], practice: Practice) -> list[Default]:
    """List the practice values behind these layers.

    Those of the operations that occur, those behind any result, and all that
    the site set.
    """
    zones = layers.get("protection_zones")
    named = layers.get("exposure") if zones is None else zones
    operations = set() if named is None else set(named["operation"].unique())
    prefixes = [*_ALWAYS, *(f"operation.{name}." for name in sorted(operations))]
    if "covers" in layers:
        prefixes += ["cover.", "drift."]
    used = [practice(key) for key in all_defaults()]
    return [one for one in used if one.source == SET_BY_SITE or one.key.startswith(tuple(prefixes))]


def _practice_section(layers: Mapping[str, Any], practice: Practice) -> str:
    """List what was used by where it comes from: the site's own first, then published sources."""
    used = [
        one for one in used_practice(layers, practice) if not one.key.endswith((".harm", ".way"))
    ]

    groups: dict[str, list[str]] = {}
    for one in used:
        own = one.source.startswith(NOT_A_STANDARD)
        more = one.source.removeprefix(NOT_A_STANDARD).lstrip(";.: ") if own else ""
        entry = f"{one.key} = {_value(one)}" + (f" ({more})" if more else "")
        groups.setdefault(NOT_A_STANDARD if own else one.source, []).append(entry)
    order = sorted(groups, key=lambda source: (source != SET_BY_SITE, source == NOT_A_STANDARD))
    parts = ['<p class="note">Each can be set in site.toml, in the table [practice].</p>']
    parts += [
        f"<h3>{esc(source[:1].upper() + source[1:])}</h3>{listed(groups[source])}"
        for source in order
    ]
    return section("Practice values used, and where they come from", *parts)


def _value(one: Default) -> str:
    return f"{one.value if one.value != '' else 'none'} {one.unit}".rstrip()
