"""XLSX: one sheet with a header row; cells that have no value to believe are refused by place."""

import datetime as dt
import io
import re
import zipfile

import numpy as np
import openpyxl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fencemap.bring_in.readers.xlsx import read_xlsx, sheet_names
from fencemap.errors import FencemapError, RefusedFileError, SurveyError


def book(rows, title="elements"):
    """Make a workbook with openpyxl, a writer that is not ours."""
    made = openpyxl.Workbook()
    made.active.title = title
    for row in rows:
        made.active.append(row)
    return made


def read(tmp_path, made, **more):
    path = tmp_path / "a.xlsx"
    if isinstance(made, bytes):
        path.write_bytes(made)
    else:
        made.save(path)
    return read_xlsx(path, name="a.xlsx", **more)


def changed(tmp_path, made, part, change):
    """Save a workbook and change the XML of one part."""
    members = made
    if not isinstance(made, dict):
        made.save(tmp_path / "b.xlsx")
        with zipfile.ZipFile(tmp_path / "b.xlsx") as archive:
            members = {name: archive.read(name) for name in archive.namelist()}
    return zipped(members | {part: change(members[part].decode()).encode()})


SHEET = "xl/worksheets/sheet1.xml"


def test_cells_keep_their_type(tmp_path):
    """Text with leading zeros, numbers, yes and no, and blanks come out as they were put in."""
    table = read(
        tmp_path,
        book([["element_id", "n", "x", "ok"], ["007", 3, 1.5, True], ["Gräber ", None, -2, False]]),
    )
    assert table.columns["element_id"].tolist() == ["007", "Gräber"]
    assert table.columns["n"].tolist() == [3, None]
    assert table.columns["x"].tolist() == [1.5, -2]
    assert table.columns["ok"].tolist() == [True, False]
    assert table.rows.tolist() == [2, 3]
    assert list(table.columns) == ["element_id", "n", "x", "ok"]


def test_row_numbers_are_those_of_the_sheet(tmp_path):
    """Blank rows count, and the header may stand further down."""
    table = read(tmp_path, book([[], [None, "id", "x"], [], [None, "a", 1], [], [None, "b", 2]]))
    assert table.rows.tolist() == [4, 6]
    assert table.columns["id"].tolist() == ["a", "b"]


@pytest.mark.parametrize("from_1904", [False, True])
def test_dates_and_times(tmp_path, from_1904):
    """Dates, moments and times of day are ISO 8601 text in both of the format's day counts."""
    made = book(
        [
            ["d"],
            [dt.date(2026, 4, 14)],
            [dt.datetime.fromisoformat("2026-04-14T09:31:05")],
            [dt.time(9, 31)],
        ]
    )
    made.active["A5"] = dt.datetime.fromisoformat("2026-04-14T09:31:05.250")
    if from_1904:
        made.epoch = openpyxl.utils.datetime.CALENDAR_MAC_1904
    table = read(tmp_path, made)
    found = table.columns["d"].tolist()
    assert found[:2] == ["2026-04-14", "2026-04-14T09:31:05"]
    assert found[3] == "2026-04-14T09:31:05.250"
    assert found[2] == ("09:31:00" if not from_1904 else "1904-01-01T09:31:00")


@pytest.mark.parametrize(
    ("serial", "expected"),
    [(1, "1900-01-01"), (59, "1900-02-28"), (61, "1900-03-01"), (36526, "2000-01-01"), (0.5, "12:00:00"), (45000.999999999, "2023-03-16")],
)  # fmt: skip
def test_days_around_the_leap_year_that_was_none(tmp_path, serial, expected):
    """Serial 59 is 28 February and 61 is 1 March 1900 (ECMA-376 18.17.4.1)."""
    made = book([["d"], [serial]])
    made.active["A2"].number_format = "yyyy-mm-dd"
    assert read(tmp_path, made).columns["d"].tolist() == [expected]


def test_days_that_never_were_are_refused(tmp_path):
    """Serial 60 is 29 February 1900, and negative days are none: refused by cell."""
    made = book([["d"], [60], [-1], [3e6], [5]])
    for row in range(2, 6):
        made.active[f"A{row}"].number_format = "d/m/yy"
    table = read(tmp_path, made)
    assert table.rows.tolist() == [5]
    assert "A2" in table.refused[0].problem.reason


def test_number_formats_that_are_no_dates(tmp_path):
    """Letters in quotation marks, colours and elapsed hours make no date of a number."""
    made = book([["x"], *[[1.5]] * 6])
    for row, code in enumerate(
        ['0.00 "days"', "[Red]0.0", "[h]:mm", "General", "0.00E+00", "@"], 2
    ):
        made.active[f"A{row}"].number_format = code
    assert read(tmp_path, made).columns["x"].tolist() == [1.5] * 6


def test_formulas_come_as_the_value_saved_with_them(tmp_path):
    """A saved value is read; a formula that was never calculated refuses its row by place."""
    made = book([["id", "x"], ["a", "=1+1"], ["b", "=2+2"], ["c", 3]])
    data = changed(
        tmp_path,
        made,
        SHEET,
        lambda xml: xml.replace("<f>1+1</f><v />", "<f>1+1</f><v>2</v>").replace(
            "<f>1+1</f><v></v>", "<f>1+1</f><v>2</v>"
        ),
    )
    table = read(tmp_path, data)
    assert table.columns["x"].tolist() == [2, 3]
    problem = table.refused[0].problem
    assert (problem.row, problem.code, problem.column) == (3, "no-value", "x")
    assert "B3" in problem.reason


def test_errors_refuse_their_row(tmp_path):
    """#REF! is no value; the row is refused and the others are kept."""
    made = book([["id", "x"], ["a", 1], ["b", 2]])
    made.active["B2"].value = "#REF!"
    made.active["B2"].data_type = "e"
    table = read(tmp_path, made)
    assert table.rows.tolist() == [3]
    assert "#REF!" in table.refused[0].problem.reason


def test_merged_cells_are_refused_with_their_place(tmp_path):
    """Merged rows are refused by range; merged column names refuse the file; beside the table they don't matter."""
    made = book([["id", "lot"], ["a", 1], ["b", None], ["c", 2], ["d", 3]])
    made.active.merge_cells("B2:B3")
    made.active.merge_cells("Z4:Z5")
    table = read(tmp_path, made)
    assert table.rows.tolist() == [4, 5]
    assert [refusal.problem.row for refusal in table.refused] == [2, 3]
    assert "B2:B3" in table.refused[0].problem.reason
    made.active.merge_cells("A1:B1")
    with pytest.raises(SurveyError, match="A1:B1 are merged"):
        read(tmp_path, made)


def test_values_beside_the_table_are_not_lost(tmp_path):
    """A value in a column without a name refuses its row by cell."""
    table = read(tmp_path, book([["id"], ["a"], ["b", "stray"]]))
    assert table.rows.tolist() == [2]
    assert "B3" in table.refused[0].problem.reason
    assert table.refused[0].problem.value == "stray"


def test_column_names_must_be_told_apart(tmp_path):
    """A name that is there twice is refused with both columns' letters."""
    with pytest.raises(SurveyError, match="in A and C"):
        read(tmp_path, book([["label", "x", "label"], [1, 2, 3]]))


def test_sheets_are_chosen_and_named(tmp_path):
    """The first visible sheet, or the one that is named; the others and hidden rows are noted."""
    made = book([["id"], ["hidden"]], "old")
    made["old"].sheet_state = "hidden"
    new = made.create_sheet("Posts")
    for row in (["id"], ["a"], ["b"]):
        new.append(row)
    new.row_dimensions[3].hidden = True
    table = read(tmp_path, made)
    assert table.columns["id"].tolist() == ["a", "b"]
    assert any("old (hidden)" in note for note in table.notes)
    assert any("row 3" in note for note in table.notes)
    assert read(tmp_path, made, sheet="OLD").columns["id"].tolist() == ["hidden"]
    with pytest.raises(SurveyError, match="It has: old, Posts"):
        read(tmp_path, made, sheet="gates")
    assert sheet_names(tmp_path / "a.xlsx", name="a") == ("old", "Posts")
    with pytest.raises(SurveyError, match="empty"):
        read(tmp_path, book([]))


def test_a_stray_cell_in_the_last_corner_costs_nothing(tmp_path):
    """Only cells that exist take memory: the sheet's last cell is refused by name."""
    made = book([["id"], ["a"]])
    made.active["XFD1048576"] = "x"
    table = read(tmp_path, made)
    assert table.rows.tolist() == [2]
    assert "XFD1048576" in table.refused[0].problem.reason


def test_hostile_and_broken_workbooks_are_refused(tmp_path):
    """Document types in any part, missing parts, texts that are not there, rows out of order."""
    made = PARTS
    doctype = '<!DOCTYPE x [<!ENTITY a "b">]>'
    for part in (SHEET, "xl/workbook.xml", "xl/sharedStrings.xml", "xl/styles.xml"):
        data = changed(tmp_path, made, part, lambda xml: doctype + xml)
        with pytest.raises(RefusedFileError, match="document type"):
            read(tmp_path, data)
    data = changed(tmp_path, made, SHEET, lambda xml: xml.replace("<v>1</v>", "<v>99</v>"))
    assert "not there" in read(tmp_path, data).refused[0].problem.reason
    data = changed(tmp_path, made, SHEET, lambda xml: xml.replace("<row><c t", '<row r="1"><c t'))
    with pytest.raises(RefusedFileError, match="out of order"):
        read(tmp_path, data)
    data = changed(tmp_path, made, SHEET, lambda xml: xml[: len(xml) // 2])
    with pytest.raises(SurveyError, match="ends in the middle"):
        read(tmp_path, data)
    with pytest.raises(RefusedFileError):
        read(tmp_path, data[: len(data) // 2])
    path = tmp_path / "c.xlsx"
    path.write_bytes(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"0" * 600)
    with pytest.raises(RefusedFileError, match="old binary"):
        read_xlsx(path, name="c.xlsx")


# A workbook by hand, as ECMA-376 describes it: shared texts with runs, pronunciation and escapes,
# a style that is a date, a part named from the root.
MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
PARTS = {
    "[Content_Types].xml": b"<Types/>",
    "xl/workbook.xml": f'<workbook xmlns="{MAIN}" xmlns:r="urn:r"><workbookPr/><sheets><sheet name="posts" sheetId="1" r:id="rId1"/></sheets></workbook>'.encode(),
    "xl/_rels/workbook.xml.rels": b'<Relationships><Relationship Id="rId1" Type="sheet" Target="/xl/worksheets/sheet1.xml"/></Relationships>',
    "xl/sharedStrings.xml": (
        f'<sst xmlns="{MAIN}"><si><t>id</t></si><si><r><t>two </t></r><r><rPr><b/></rPr><t>runs</t></r><rPh sb="0" eb="1"><t>spoken</t></rPh></si>'
        "<si><t>a_x0041_b</t></si><si><t>when</t></si></sst>"
    ).encode(),
    "xl/styles.xml": f'<styleSheet xmlns="{MAIN}"><cellStyleXfs><xf numFmtId="14"/></cellStyleXfs><cellXfs><xf numFmtId="0"/><xf numFmtId="14"/></cellXfs></styleSheet>'.encode(),
    SHEET: (
        f'<worksheet xmlns="{MAIN}"><sheetData><row r="1"><c r="A1" t="s"><v>0</v></c><c r="B1" t="s"><v>3</v></c></row>'
        '<row r="2"><c r="A2" t="s"><v>1</v></c><c r="B2" s="1"><v>46126</v></c></row>'
        '<row><c t="s"><v>2</v></c><c t="inlineStr"><is><t>soon</t></is></c></row></sheetData></worksheet>'
    ).encode(),
}  # fmt: skip


def zipped(parts):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in parts.items():
            archive.writestr(name, data)
    return out.getvalue()


def test_a_workbook_as_the_standard_describes_it(tmp_path):
    """Runs are joined, pronunciation left out, escapes undone; 46126 days are 14 April 2026."""
    table = read(tmp_path, zipped(PARTS))
    assert table.columns["id"].tolist() == ["two runs", "aAb"]
    assert table.columns["when"].tolist() == ["2026-04-14", "soon"]
    assert table.rows.tolist() == [2, 3]


CELLS = st.one_of(
    st.none(), st.booleans(), st.integers(-(2**40), 2**40),
    st.floats(-1e12, 1e12).map(lambda value: float(f"{value:.10g}")),
    st.text("abcXYZ äöü_x0041_=;,\"'<>&", max_size=12).map(str.strip).filter(lambda text: not text.startswith("=")),
    st.datetimes(dt.datetime.fromisoformat("1900-03-02"), dt.datetime.fromisoformat("2100-01-01")).map(lambda moment: moment.replace(microsecond=0)),
)  # fmt: skip


@given(st.lists(st.lists(CELLS, min_size=3, max_size=3), min_size=1, max_size=8))
def test_what_openpyxl_writes_comes_back(tmp_path_factory, rows):
    """Any typed cells that another library wrote and reads come back the same here."""
    folder = tmp_path_factory.mktemp("xlsx")
    table = read(folder, book([["a", "b", "c"], *rows]))
    other = openpyxl.load_workbook(folder / "a.xlsx", data_only=True).active
    for index, number in enumerate(table.rows.tolist()):
        for column, letter in zip("abc", "ABC", strict=True):
            expected = other[f"{letter}{number}"].value
            if isinstance(expected, dt.datetime):
                expected = (
                    expected.isoformat()
                    if expected.time() != dt.time()
                    else expected.date().isoformat()
                )
            if isinstance(expected, str):
                expected = (
                    re.sub(
                        r"_x([0-9A-Fa-f]{4})_", lambda found: chr(int(found[1], 16)), expected
                    ).strip()
                    or None
                )
            got = table.columns[column][index]
            assert got == expected or np.isclose(got, expected, rtol=1e-12)
    filled = [
        number for number, row in enumerate(rows, 2) if any(cell not in (None, "") for cell in row)
    ]
    assert table.rows.tolist() == filled


@given(
    st.sampled_from([SHEET, "xl/workbook.xml", "xl/_rels/workbook.xml.rels", "xl/sharedStrings.xml", "xl/styles.xml"]),
    st.floats(0, 1), st.binary(max_size=8), st.integers(0, 20),
)  # fmt: skip
def test_any_damage_is_read_or_refused(tmp_path_factory, part, share, put, cut):
    """Bytes put in or cut out of any part: our own error, or a table whose rows add up."""
    data = PARTS[part]
    place = int(share * len(data))
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, held in PARTS.items():
            archive.writestr(
                name, data[:place] + put + data[place + cut :] if name == part else held
            )
    try:
        table = read(tmp_path_factory.mktemp("xlsx"), out.getvalue())
    except FencemapError:
        return
    numbers = table.rows.tolist() + [refusal.problem.row for refusal in table.refused]
    assert len(set(numbers)) == len(numbers) == table.read
