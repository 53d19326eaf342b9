"""Delimited text is read row by row with its line numbers, whatever the exporting program did."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fencemap.bring_in.tables import read_delimited
from fencemap.errors import RefusedFileError, SurveyError


def written(tmp_path, text, *, encoding="utf-8", name="a.csv"):
    path = tmp_path / name
    path.write_bytes(text.encode(encoding))
    return read_delimited(path, name=name)


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_separator_newline_and_encoding_are_found(tmp_path, separator, newline, encoding):
    """The same two rows come out of every usual way of writing them."""
    text = newline.join(
        [
            separator.join(("element_id", "remarks")),
            separator.join(("P1", "Gräber")),
            separator.join(("P2", "é")),
        ]
    )
    table = written(tmp_path, text + newline, encoding=encoding)
    assert table.columns["remarks"].tolist() == ["Gräber", "é"]
    assert table.rows.tolist() == [2, 3]


def test_row_numbers_are_those_of_an_editor(tmp_path):
    """A quoted cell with a line break takes two lines; the next row begins after it."""
    table = written(tmp_path, 'element_id,remarks\nP1,"two\nlines"\nP2,x\n\nP3,y\n')
    assert table.rows.tolist() == [2, 4, 6]
    assert table.columns["remarks"][0] == "two\nlines"


def test_a_row_with_other_cells_is_refused_not_shifted(tmp_path):
    """Too few or too many cells refuse the row by line; trailing blanks are no fault."""
    table = written(tmp_path, "a,b\n1\n1,2,3\n1,2,,\n4,5\n")
    assert table.rows.tolist() == [4, 5]
    assert [refusal.problem.row for refusal in table.refused] == [2, 3]
    assert table.read == 4


def test_an_unbalanced_quote_is_named_by_its_line(tmp_path):
    """Where other readers give back nothing, the line is named."""
    with pytest.raises(SurveyError, match=r"a\.csv:3: .*quotation marks"):
        written(tmp_path, 'a,b\n1,2\n"3,4\n5,6\n')


def test_decimal_comma_is_found_and_noted(tmp_path):
    """A semicolon file with decimal commas only says so."""
    table = written(tmp_path, "id;easting\n1;500123,45\n")
    assert table.decimal == ","
    assert any("decimal comma" in note for note in table.notes)


def test_mixed_decimal_marks_are_not_guessed(tmp_path):
    """If points are used as well, the commas are left for the number check to refuse."""
    assert written(tmp_path, "id;e;n\n1;5,5;6.5\n").decimal == "."


@pytest.mark.parametrize("text", ["", "\n\na,b\n1,2\n"])
def test_a_file_without_a_header_line_is_refused(tmp_path, text):
    """An empty file or an empty first line is an error with a remedy."""
    with pytest.raises((SurveyError, ValueError)):
        written(tmp_path, text)


def test_repeated_columns_are_refused(tmp_path):
    """Two columns of one name can't both be believed."""
    with pytest.raises(SurveyError, match="twice"):
        written(tmp_path, "a,a\n1,2\n")


def test_a_database_named_csv_is_refused(tmp_path):
    """A file is what its first bytes say, not what its name says."""
    path = tmp_path / "a.csv"
    path.write_bytes(b"SQLite format 3\0" + bytes(200))
    with pytest.raises(RefusedFileError):
        read_delimited(path, name="a.csv")


@given(
    st.lists(
        st.lists(st.text(alphabet='ab1"\n,; é', max_size=5), min_size=2, max_size=4), max_size=12
    )
)
def test_every_row_is_kept_or_refused(tmp_path_factory, rows):
    """Rows read = kept + refused for anything that the csv library wrote."""
    import csv
    import io

    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["a", "b"])
    writer.writerows(rows)
    path = tmp_path_factory.mktemp("rows") / "a.csv"
    path.write_text(out.getvalue(), encoding="utf-8", newline="")
    table = read_delimited(path, name="a.csv")
    full = [row for row in rows if any(cell.strip() for cell in row)]
    assert table.read == len(full)
    kept = [row for row in full if len(row) == 2 or not any(cell.strip() for cell in row[2:])]
    assert table.columns["a"].tolist() == [row[0].strip() for row in kept]
