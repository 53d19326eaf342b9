"""Points without a header: the order is told from the site, the description by the codes."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fencemap.bring_in.readers.field_codes import codes, describe, line_commands, materials
from fencemap.bring_in.readers.point_file import looks_like_points, read_point_file
from fencemap.errors import FencemapError, RefusedFileError, SurveyError
from fencemap.vocabularies import words

# A site in a national grid: northings near 4.8 million, eastings near 440 thousand.
SITE = (442_000.0, 4_823_500.0, 442_300.0, 4_823_800.0)
# A site whose coordinates fit either way round.
SQUARE = (5_000.0, 5_000.0, 5_200.0, 5_200.0)


def read(tmp_path, text, *, extent=SITE, encoding="utf-8", **more):
    path = tmp_path / "points.txt"
    path.write_bytes(text.encode(encoding))
    return read_point_file(path, name="points.txt", extent=extent, **more)


def test_northing_first_and_easting_first_are_told_from_the_site(tmp_path):
    """The same post comes out of P,N,E,Z,D and P,E,N,Z,D, and a note says which it was."""
    north = read(tmp_path, "101,4823615.412,442118.905,187.342,FP CI L12-A-P1\n")
    east = read(tmp_path, "101,442118.905,4823615.412,187.342,FP CI L12-A-P1\n")
    for table in (north, east):
        assert table.columns["easting"].tolist() == ["442118.905"]
        assert table.columns["northing"].tolist() == ["4823615.412"]
        assert table.columns["height"].tolist() == ["187.342"]
    assert any("PNEZD" in note for note in north.notes)
    assert any("PENZD" in note for note in east.notes)


def test_two_plausible_orders_are_refused_with_both_shown(tmp_path):
    """Where both readings lie in the site, the error shows both positions of a point."""
    with pytest.raises(SurveyError) as caught:
        read(tmp_path, "7,5010.5,5120.25,100,FP\n", extent=SQUARE)
    text = str(caught.value)
    assert caught.value.problems[0].code == "point-order"
    assert "PNEZD: easting 5120.25, northing 5010.5" in text
    assert "PENZD: easting 5010.5, northing 5120.25" in text


def test_a_chosen_order_settles_it_and_is_held_against_the_site(tmp_path):
    """Both plausible: the choice decides. Only the other plausible: the choice is refused."""
    line = "7,5010.5,5120.25,100,FP\n"
    table = read(tmp_path, line, extent=SQUARE, order="PENZD")
    assert table.columns["easting"].tolist() == ["5010.5"]
    with pytest.raises(SurveyError, match="only PNEZD"):
        read(tmp_path, "101,4823615.412,442118.905,187,FP\n", order="PENZD")
    assert read(tmp_path, line, extent=None, order="PNEZD").columns["easting"].tolist() == [
        "5120.25"
    ]


def test_without_a_boundary_nobody_guesses(tmp_path):
    """No extent and no choice: the file is refused."""
    with pytest.raises(SurveyError, match="no boundary"):
        read(tmp_path, "101,4823615.412,442118.905,187,FP\n", extent=None)


def test_points_that_fit_nowhere_are_refused_and_feet_are_recognised(tmp_path):
    """Neither order lies in the site; US survey feet (3937 = 1200 m) would, so it says so."""
    with pytest.raises(SurveyError, match="outside the site") as caught:
        read(tmp_path, "1,100,200,3,FP\n")
    assert "feet" not in str(caught.value)
    # 442118.905 m and 4823615.412 m by 3937/1200, by hand: 1450518.44 and 15825478.23 ft.
    with pytest.raises(SurveyError, match="US survey foot"):
        read(tmp_path, "1,15825478.23,1450518.44,614.6,FP\n")


@pytest.mark.parametrize(
    ("separator", "decimal"), [(",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ","), (" ", ".")]
)  # fmt: skip
@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
def test_separators_decimal_marks_and_line_ends(tmp_path, separator, decimal, newline):
    """Every usual way of writing three points gives the same numbers."""
    rows = [["007", "4823615.412", "442118.905", "187.342", "FP"], ["8", "4823616.4", "442119.9", "187.3", "FC"]]  # fmt: skip
    lines = [separator.join(cell.replace(".", decimal) for cell in row) for row in rows]
    table = read(tmp_path, newline.join(["# job", *lines]) + newline)
    assert table.columns["element_id"].tolist() == ["007", "8"], "leading zeros are kept"
    assert table.columns["northing"][0].replace(",", ".") == "4823615.412"
    assert table.decimal == decimal
    assert table.rows.tolist() == [2, 3], "line numbers as an editor counts them"


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_encodings(tmp_path, encoding):
    """A remark with an umlaut is the same in each encoding."""
    table = read(tmp_path, "1,4823615.4,442118.9,187.3,FP Gräber\n", encoding=encoding)
    assert table.columns["remarks"].tolist() == ["Gräber"]


def test_missing_heights_are_blank_whatever_stands_for_them(tmp_path):
    """Blank, -9999 and 0.000 among heights of 187 m are no heights; the zero is named as doubtful."""
    table = read(
        tmp_path,
        "1,4823615.4,442118.9,187.342,FP\n2,4823615.4,442119.9,,FP\n3,4823615.4,442120.9,-9999,FP\n"
        "4,4823615.4,442121.9,0.000,FP\n5,4823615.4,442122.9,-9999.000,FP\n",
    )
    assert table.columns["height"].tolist() == ["187.342", "", "", "", ""]
    assert [cell or "" for cell in table.columns["doubt"]][3].startswith("zero-height")
    assert [bool(cell) for cell in table.columns["doubt"]] == [False, False, False, True, False]
    said = " ".join(table.notes)
    assert "no height in row 2" in said
    assert "rows 3, 5" in said
    assert "row 4" in said


def test_a_zero_at_the_sea_is_a_height(tmp_path):
    """Among heights of a metre or two, 0.000 may be measured: kept, and named."""
    table = read(tmp_path, "1,4823615.4,442118.9,1.342,FP\n2,4823615.4,442119.9,0.000,FP\n")
    assert table.columns["height"].tolist() == ["1.342", "0.000"]
    assert table.columns["doubt"][1].startswith("zero-height")


def test_broken_rows_are_refused_by_line_and_the_rest_kept(tmp_path):
    """A word or nothing for a coordinate, or too few fields, costs that row only."""
    text = (
        "1,4823615.4,442118.9,187.3,FP\n2,48236x5.4,442118.9,187.3,FP\n3,4823615.4,,187.3,FP\n"
        "4,5\n\n# note\n7,4823616.4,442119.9,187.3,FP\n8,nan,442119.9,187.3,FP\n"
    )
    table = read(tmp_path, text)
    assert table.rows.tolist() == [1, 7]
    refused = {refusal.problem.row: refusal.problem for refusal in table.refused}
    assert sorted(refused) == [2, 3, 4, 8]
    assert refused[2].value == "48236x5.4"
    assert "empty" in refused[3].reason
    assert refused[4].code == "cell-count"
    assert all(problem.remedy for problem in refused.values())


def test_a_missing_height_between_blanks_is_not_taken_from_the_description(tmp_path):
    """Separated by blanks, '12 oak' could be a height: the row is refused, not shifted."""
    table = read(
        tmp_path, "1 4823615.4 442118.9 187.3 FP\n2 4823615.4 442118.9 TR oak\n3 4823615.4 442118.9 187.1\n"
    )  # fmt: skip
    assert table.rows.tolist() == [1, 3]
    assert table.refused[0].problem.row == 2


def test_quoted_descriptions_and_notes_in_further_columns(tmp_path):
    """A quoted description may hold the comma; columns after it are notes; an inch mark is text."""
    table = read(
        tmp_path,
        '1,4823615.4,442118.9,187.3,"FP leaning, rusty",wet,3 photos\n'
        '2,4823615.4,442118.9,187.3,FP 12" from wall,,\n3,4823615.4,442118.9,187.3,"FP open\n',
    )
    assert table.columns["remarks"].tolist() == ["leaning, rusty", '12" from wall', '"FP open']
    assert table.columns["note"].tolist() == ["wet; 3 photos", None, None]
    assert table.columns["description"][2] == '"FP open', "an open quotation mark is kept as text"


def test_unknown_codes_are_kept_and_named(tmp_path):
    """A point is never dropped for its code; the column and a note name it."""
    table = read(tmp_path, "1,4823615.4,442118.9,187.3,QQ7 old\n2,4823615.4,442118.9,187.3,\n")
    assert table.rows.tolist() == [1, 2]
    assert "unknown-code: 'QQ7'" in table.columns["doubt"][0]
    assert table.columns["remarks"][0] == "QQ7 old"
    assert "no-code" in table.columns["doubt"][1]
    assert any("unknown-code" in note and "row 1" in note for note in table.notes)


def test_points_of_other_inputs_are_counted(tmp_path):
    """Read for the elements, a tree is left to the input 'trees' and the note says so."""
    text = "1,4823615.4,442118.9,187.3,FP\n2,4823615.4,442118.9,187.3,TR450 oak\n"
    assert read(tmp_path, text, only="elements").rows.tolist() == [1]
    trees = read(tmp_path, text, only="trees")
    assert trees.columns["stem_diameter_mm"].tolist() == ["450"]
    assert any("elements 1" in note for note in trees.notes)
    assert read(tmp_path, text).read == 2


def test_what_is_no_point_file_is_refused(tmp_path):
    """A table with a header, prose, an unknown order and a picture are refused with a reason."""
    with pytest.raises(SurveyError, match="no line holds a point"):
        read(tmp_path, "id,remarks\nP1,hello\n")
    with pytest.raises(SurveyError, match="order"):
        read(tmp_path, "1,2,3,4,FP\n", order="NEZ")
    path = tmp_path / "a.jpg"
    path.write_bytes(b"\xff\xd8\xff\xe0" + b"0" * 50)
    with pytest.raises(RefusedFileError):
        read_point_file(path, name="a.jpg", extent=SITE)


def test_a_header_is_not_taken_for_a_point():
    """Column names are words; the first point of a file without header is not."""
    assert not looks_like_points(["id,easting,northing,height", "1,442118.9,4823615.4,187.3"])
    assert looks_like_points(["1,4823615.4,,187.3,FP", "2,4823615.4,442118.9,187.3,FP", "3,1,2,3"])
    assert not looks_like_points(["", "# only a comment"])


# Field codes


def test_the_examples_of_the_grammar():
    """CODE, material apart or glued, number, line command, rod height and remark each find their place."""
    said = describe("FP CI L12-A-P1")
    assert (said.code.kind, said.code.role, said.material) == ("post", "line", "cast iron")
    assert said.remark == "L12-A-P1"
    said = describe("BR B 12-A-2 RH1.800")
    assert (said.code.target, said.line_command, said.rod_height_m) == (
        "rail underside", "begin", "1.800",
    )  # fmt: skip
    said = describe("fpwi3 e")
    assert (said.material, said.number, said.line_command) == ("wrought iron", "3", "")
    assert said.remark == "e", "a line command is a capital letter"
    assert describe("TR450 B oak").code.number == "stem_diameter_mm"
    assert describe("FP RH1,8 RH2.0").doubts
    assert describe("").code is None
    assert describe("X" * 100_000).code is None


def test_every_code_speaks_the_controlled_vocabularies():
    """Kinds, roles, targets and materials of the codes are words that the layers know."""
    kinds = words("kind") | words("stone_kind") | words("surrounding")
    for code in codes().values():
        assert not code.kind or code.kind in kinds, code
        assert not code.role or code.role in words("role"), code
        assert not code.target or code.target in words("target"), code
        assert not code.of or code.of in words("checked"), code
        assert code.meaning
        assert code.input
    assert set(materials().values()) <= words("material")
    assert all(len(letter) == 1 and letter.isupper() for letter in line_commands())


def test_no_code_can_be_read_in_two_ways():
    """No code is another code with a material's letters behind it."""
    glued = {code + letters for code in codes() for letters in materials()}
    assert not glued & set(codes())


# Whatever comes


LINES = st.lists(
    st.one_of(
        st.text(max_size=60),
        st.sampled_from(
            [
                "101,4823615.412,442118.905,187.342,FP CI L12-A-P1",
                "102,4823615.388,442121.341,,FPWI2 B",
                "103,4823615.4,442120.1,-9999,BR",
                "104;1;2;3",
                "105,1e400,442118,1,FP",
                '106,"4823615.4","442118.9",0,"a""b',
                "# c",
                "",
            ]
        ),
    ),
    max_size=30,
)


@given(LINES, st.sampled_from([SITE, SQUARE, None]), st.sampled_from(["", "PNEZD", "PENZD"]))
def test_every_line_is_kept_or_refused(tmp_path_factory, lines, extent, order):
    """Whatever the lines hold: a table in which each data line has its place, or our own error."""
    text = "\n".join(line.replace("\r", " ").replace("\n", " ") for line in lines)
    path = tmp_path_factory.mktemp("points") / "p.txt"
    path.write_text(text, encoding="utf-8", newline="")
    try:
        table = read_point_file(path, name="p.txt", extent=extent, order=order)
    except FencemapError:
        return
    data = [
        number
        for number, line in enumerate(text.removeprefix("\ufeff").split("\n"), 1)
        if line.strip() and not line.strip().startswith("#")
    ]
    got = sorted(table.rows.tolist() + [refusal.problem.row for refusal in table.refused])
    assert got == data
    assert all(refusal.problem.remedy for refusal in table.refused)
