"""NMEA logs: positions with quality and accuracy; what a checksum does not vouch for is refused."""

from functools import reduce
from operator import xor

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fencemap.bring_in.readers.nmea import looks_like_nmea, read_nmea
from fencemap.errors import FencemapError, SurveyError
from fencemap.vocabularies import words


def sentence(body):
    """Write a sentence with its checksum: the exclusive or of its characters."""
    return f"${body}*{reduce(xor, body.encode()):02X}"


def gga(time="132819.60", quality="4", lat="4134.49795459,N", lon="09345.03431408,W", rest="10,0.9,278.161,M,-31.442,M,6.6,0133"):  # fmt: skip
    return sentence(f"GNGGA,{time},{lat},{lon},{quality},{rest}")


def read(tmp_path, *lines, **more):
    path = tmp_path / "a.log"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return read_nmea(path, name="a.log", **more)


# Sentences as published, with their checksums, in widely copied descriptions of the format.
PUBLISHED = "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47"
PUBLISHED_GST = "$GPGST,172814.0,0.006,0.023,0.020,273.6,0.023,0.020,0.031*6A"
PUBLISHED_RMC = "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A"


def test_the_published_sentences(tmp_path):
    """48°07.038' is 48.1173°, 11°31' is 11.516667°; 545.4 + 46.9 = 592.3 m; the date is 23 March 1994."""
    table = read(tmp_path, PUBLISHED, PUBLISHED_RMC)
    point = table.geometry[0]
    assert (point.x, point.y) == pytest.approx((11 + 31 / 60, 48 + 7.038 / 60), abs=1e-12)
    held = {name: cells[0] for name, cells in table.columns.items()}
    assert held["fix_quality"] == "autonomous"
    assert held["height_above_geoid_m"] == "545.4"
    assert held["geoid_separation_m"] == "46.9"
    assert held["height_above_ellipsoid_m"] == "592.3"
    assert held["time"] == "1994-03-23T12:35:19Z"
    assert not point.has_z
    assert table.crs == "OGC:CRS84"


def test_quality_words_are_those_of_the_vocabulary(tmp_path):
    """Qualities 1 to 6 are words; no fix, typed in, simulated and unknown ones are refused."""
    table = read(tmp_path, *[gga(quality=str(number)) for number in range(10)])
    assert table.columns["fix_quality"].tolist() == [
        "autonomous", "dgps", "pps", "fixed", "float", "estimated",
    ]  # fmt: skip
    assert set(table.columns["fix_quality"]) <= words("fix_quality")
    reasons = {refusal.problem.row: refusal.problem.code for refusal in table.refused}
    assert reasons == {1: "no-fix", 8: "not-measured", 9: "not-measured", 10: "no-fix"}
    assert any("correction service" in note and "rows 3, 5, 6" in note for note in table.notes)


def test_standard_deviations_of_the_same_instant(tmp_path):
    """GST gives 23 and 20 mm: their root mean square is 21.55 mm; another instant's is not used."""
    table = read(
        tmp_path, gga("172814.0"), PUBLISHED_GST, gga("172815.0"), sentence("GPGST,172816.0,,,,,,,")
    )
    assert table.columns["sigma_h_m"].tolist() == ["0.0216", None]
    assert table.columns["sigma_v_m"].tolist() == ["0.0310", None]
    assert table.columns["accuracy_is"].tolist() == ["axis sd", None]
    assert table.columns["sigma_latitude_m"][0] == "0.023"


@pytest.mark.parametrize(
    ("line", "code"),
    [
        (PUBLISHED.replace("*47", "*48"), "checksum"),
        (PUBLISHED.replace("4807", "4808"), "checksum"),
        (PUBLISHED[:-3], "checksum"),
        (PUBLISHED[:30] + PUBLISHED, "broken-sentence"),
        (sentence("GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M"), "broken-sentence"),
        (gga(lat="4860.000,N"), "no-position"),
        (gga(lat="9100.000,N"), "no-position"),
        (gga(lat="4807.038,X"), "no-position"),
        (gga(lat="807.038,N"), "no-position"),
        (gga(lat=","), "no-position"),
        (gga(lon="18100.000,E"), "no-position"),
    ],
)
def test_a_bad_sentence_costs_its_line_only(tmp_path, line, code):
    """The sentences around it are kept; the refused one is named by line with its reason."""
    table = read(tmp_path, gga(), line, gga())
    assert table.rows.tolist() == [1, 3]
    assert [(refusal.problem.row, refusal.problem.code) for refusal in table.refused] == [(2, code)]


def rmc(time, day, status="A"):
    return sentence(f"GNRMC,{time},{status},4134.5,N,09345.0,W,0.1,12,{day},,,A")


def test_dates_go_over_midnight_and_back(tmp_path):
    """A date before midnight and one after it date the positions between them."""
    table = read(
        tmp_path, gga("235958.00"), rmc("235959.00", "310326"), gga("235959.00"), gga("000000.50"),
        gga("000001.00"), rmc("000001.00", "010426"), rmc("000002.00", "999999", "V"),
    )  # fmt: skip
    assert table.columns["time"].tolist() == [
        "2026-03-31T23:59:58.00Z", "2026-03-31T23:59:59.00Z", "2026-04-01T00:00:00.50Z",
        "2026-04-01T00:00:01.00Z",
    ]  # fmt: skip
    table = read(tmp_path, gga("132819.60"), sentence("GPZDA,132819.60,05,12,2026,00,00"))
    assert table.columns["time"].tolist() == ["2026-12-05T13:28:19.60Z"]


def test_without_a_date_times_stay_clocks(tmp_path):
    """No RMC and no ZDA: no date is made up."""
    table = read(tmp_path, gga("132819.60"))
    assert table.columns["time"].tolist() == [None]
    assert table.columns["time_of_day"].tolist() == ["13:28:19.60"]
    assert any("no date" in note for note in table.notes)


def test_other_lines_are_counted_and_other_datums_refused(tmp_path):
    """Comments, makers' sentences and satellites in view are counted; a foreign datum is asked about."""
    table = read(tmp_path, "# log", gga(), "$PMAKER,1,2", sentence("GPGSV,1,1,00"), "noise", "")
    assert table.rows.tolist() == [2]
    assert any("GSV 1" in note for note in table.notes)
    assert any("3 lines" in note for note in table.notes)
    foreign = sentence("GPDTM,W72,,0.0,N,0.0,E,0.0,W84")
    with pytest.raises(SurveyError, match="datum W72"):
        read(tmp_path, foreign, gga())
    assert read(tmp_path, foreign, gga(), crs="EPSG:4322").crs == "EPSG:4322"
    with pytest.raises(SurveyError, match="no position"):
        read(tmp_path, rmc("132819.60", "310326"))


def test_a_log_is_told_from_a_table():
    """Comments don't hide a log; a table is none."""
    assert looks_like_nmea(["# header", "", PUBLISHED])
    assert looks_like_nmea([f"2026-04-14 {PUBLISHED}"])
    assert not looks_like_nmea(["id,price", "1,$GPGGA"])


@given(
    st.lists(
        st.one_of(
            st.text(max_size=40),
            st.sampled_from([PUBLISHED, PUBLISHED_GST, PUBLISHED_RMC, gga(), gga(quality="0")]),
            st.tuples(st.sampled_from(["GPGGA", "GPGST", "GPRMC", "GPZDA", "GPDTM"]), st.text("0123456789.,NSEWAMV-", max_size=70))
            .map(lambda pair: sentence(f"{pair[0]},{pair[1]}")),
        ),
        max_size=20,
    )
)  # fmt: skip
def test_any_log_is_read_or_refused(tmp_path_factory, lines):
    """Whatever the lines hold: our own error, or a table in which no line stands twice."""
    flat = [line.replace("\r", " ").replace("\n", " ") for line in lines]
    try:
        table = read(tmp_path_factory.mktemp("nmea"), *flat)
    except FencemapError:
        return
    numbers = table.rows.tolist() + [refusal.problem.row for refusal in table.refused]
    assert len(set(numbers)) == len(numbers)
    good = [number for number, line in enumerate(flat, 1) if line in (PUBLISHED, gga())]
    assert set(good) <= set(table.rows.tolist())
