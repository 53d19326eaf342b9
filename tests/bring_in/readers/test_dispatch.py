"""Each file goes to the reader for what it holds, whatever its name says."""

import io
import zipfile

import numpy as np
import openpyxl
import pytest

from fencemap.bring_in.readers import _gather, dispatch
from fencemap.bring_in.readers._gather import Gathered, number
from fencemap.errors import InputError, RefusedFileError, SurveyError

SITE = (442_000.0, 4_823_500.0, 442_300.0, 4_823_800.0)


def workbook():
    made = openpyxl.Workbook()
    made.active.append(["id"])
    made.active.append(["first sheet"])
    for row in (["id"], ["a tree"]):
        (made["Trees"] if "Trees" in made else made.create_sheet("Trees")).append(row)
    out = io.BytesIO()
    made.save(out)
    return out.getvalue()


def kmz():
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr(
            "doc.kml",
            "<kml><Placemark><Point><coordinates>1,2</coordinates></Point></Placemark></kml>",
        )
    return out.getvalue()


@pytest.mark.parametrize(
    ("data", "column", "rows"),
    [
        (b"element_id,easting\nP1,5\n", "easting", [2]),
        (b"# job\n7,4823615.4,442118.9,187.3,FP\n", "element_id", [2]),
        (b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\n", "fix_quality", [1]),
        (b'<gpx><wpt lat="1" lon="2"/></gpx>', "part", [1]),
        (b"<kml><Placemark><Point><coordinates>1,2</coordinates></Point></Placemark></kml>", "folder", [1]),
        (b'{"type":"FeatureCollection","features":[{"type":"Feature","geometry":null,"properties":{"id":1}}]}', "id", [1]),
        (workbook(), "id", [2]),
        (kmz(), "folder", [1]),
    ],
)  # fmt: skip
def test_content_decides(tmp_path, data, column, rows):
    """All of them are called `survey.dat`; each is read as what it is."""
    path = tmp_path / "survey.dat"
    path.write_bytes(data)
    table = dispatch(path, name="survey.dat", layer_hint="elements", extent=SITE)
    assert column in table.columns
    assert table.rows.tolist() == rows
    assert table.file == "survey.dat"


def test_the_input_picks_its_sheet_and_its_points(tmp_path):
    """A sheet of the input's name goes before the first; points of other inputs are left out."""
    path = tmp_path / "a"
    path.write_bytes(workbook())
    assert dispatch(path, name="a", layer_hint="trees").columns["id"].tolist() == ["a tree"]
    path.write_bytes(b"7,4823615.4,442118.9,187.3,FP\n8,4823616.4,442118.9,187.3,TR300 yew\n")
    table = dispatch(path, name="a", layer_hint="trees", extent=SITE)
    assert table.columns["element_id"].tolist() == ["8"]


@pytest.mark.parametrize(
    ("data", "error", "words"),
    [
        (b"", InputError, "empty"),
        (b"%PDF-1.7\n", RefusedFileError, "Ask for the data"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"0" * 99, RefusedFileError, r"\.xlsx or CSV"),
        (b"\x89PNG\r\n\x1a\n" + b"0" * 99, RefusedFileError, "JPEG"),
        (b"<VRTDataset/>", RefusedFileError, "virtual"),
        (b"\0\1\2\3", RefusedFileError, "no known kind"),
        (b"1770,-24.09,151.53\n1771,-24.08,151.52\n", SurveyError, "not the names of columns"),
        (b"!#=DNA 3.01 STN\n* Created\n", SurveyError, "one column only"),
        (b"7,4823615.4,442118.9,187.3,FP\n", SurveyError, "no boundary"),
    ],
)
def test_what_holds_no_rows_is_refused_with_a_remedy(tmp_path, data, error, words):
    """No kind of file falls through; the message says what it is and what to give instead."""
    path = tmp_path / "survey.csv"
    path.write_bytes(data)
    with pytest.raises(error, match=words) as caught:
        dispatch(path, name="survey.csv", layer_hint="elements")
    assert caught.value.problems[0].remedy


def test_a_photograph_is_a_row(tmp_path):
    """A JPEG, whatever its name, becomes a row of the photographs."""
    from PIL import Image

    Image.new("RGB", (4, 4)).save(tmp_path / "a.dat", format="JPEG")
    table = dispatch(tmp_path / "a.dat", name="a.dat", layer_hint="photos")
    assert table.columns["photo"].tolist() == ["a.dat"]


# What all readers share


def test_gathered_rows_line_up_whatever_was_left_out():
    """Columns that come late or stop early are padded; doubts become a column and a note."""
    found = Gathered("f", first=["a"])
    found.keep(3, {"a": "1"})
    index = found.keep(5, {"b": "2"})
    found.keep(9, {"a": "3", "c": "4"})
    found.refuse(11, "code", "reason", "remedy", raw="x" * 10_000, value="v")
    found.doubt(index, "odd", "why")
    table = found.table()
    assert {name: cells.tolist() for name, cells in table.columns.items()} == {
        "a": ["1", None, "3"], "b": [None, "2", None], "c": [None, None, "4"],
        "doubt": [None, "odd: why", None],
    }  # fmt: skip
    assert table.rows.tolist() == [3, 5, 9]
    assert table.rows.dtype == np.int64
    assert len(table.refused[0].raw) == 2_000
    assert table.notes == ("f: doubtful (odd), see column 'doubt': row 5",)
    assert table.read == 4


def test_memory_is_bounded(monkeypatch):
    """Past the limits a file is refused as a whole instead of filling the memory."""
    monkeypatch.setattr(_gather, "MOST_ROWS", 2)
    monkeypatch.setattr(_gather, "_MOST_REFUSED", 2)
    found = Gathered("f")
    for row in (1, 2):
        found.keep(row, {})
        found.refuse(row, "code", "reason", "remedy")
    with pytest.raises(RefusedFileError, match="more than 2 rows"):
        found.keep(3, {})
    with pytest.raises(SurveyError, match="more than 2 rows would be refused"):
        found.refuse(3, "code", "reason", "remedy")


@pytest.mark.parametrize(
    "text", ["", " ", "nan", "inf", "1e999", "1,5", "0x10", "1_000", "١", "12m", "--1", "1" * 200]
)
def test_what_is_no_number_is_none(text):
    """Python's own reading of numbers takes more than a survey may mean."""
    assert number(text) is None


def test_numbers_are_read_as_written():
    """Signs, missing digits beside the point, exponents and the decimal comma."""
    read = [number(text) for text in ("-1.5", "+.5", "5.", "1e-3", " 7 ")]
    assert read == [-1.5, 0.5, 5.0, 0.001, 7.0]
    assert number("1,5", decimal=",") == 1.5
    assert number("1.5", decimal=",") is None
