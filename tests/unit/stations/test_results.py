"""From result nodes to measured values, in all three forms."""

import json
import math
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter

from supervisor.cell.profile_language import Results
from supervisor.stations.reading import Reading
from supervisor.stations.results import ResultReader, made_ms, proves_itself, result_nodes
from supervisor.stations.trouble import ResultUnreadable
from supervisor.verdict.result import MeasuredValue

COLUMNS = {"number": "no", "value": "value", "unit": "unit", "quality": "quality"}
QUALITIES = {"good": "good", "doubtful": "uncertain", "0": "good", "1": "uncertain", "true": "good"}


def reader(form, **more):
    content = {"form": form, "columns": COLUMNS, "unit": "mm", "qualities": QUALITIES, **more}
    return ResultReader(TypeAdapter(Results).validate_python(content), None)


def good(value, source_ms=1):
    return Reading(value, "good", source_ms, 0.0)


def json_reader(**more):
    return reader(
        "json",
        **{"node": "n", "run": "run", "serial": "serial", "counter": "count", "rows": "rows"}
        | more,
    )


def json_report(document, **more):
    text = document if isinstance(document, str | None) else json.dumps(document)
    return json_reader(**more).report({"n": good(text, 77)})


def row(no="1", value=1.5, unit="mm", quality="good"):
    return {"no": no, "value": value, "unit": unit, "quality": quality}


# --- JSON text ------------------------------------------------------------------------------------------------------------


def test_a_json_text_gives_values_and_what_they_belong_to():
    report = json_report(
        {"run": "R7", "serial": "S1", "count": 4, "rows": [row(), row("2", -3, "deg", "doubtful")]}
    )
    assert (report.run_id, report.serial, report.counter, report.source_ms) == ("R7", "S1", 4, 77)
    assert report.values == (
        MeasuredValue(number="1", value=1.5, unit="mm", quality="good"),
        MeasuredValue(number="2", value=-3.0, unit="deg", quality="uncertain"),
    )


def test_what_the_profile_does_not_name_is_not_offered_as_proof():
    report = json_report(
        {"run": "R7", "serial": "S1", "count": 4, "rows": []}, run=None, serial=None, counter=None
    )
    assert (report.run_id, report.serial, report.counter, report.values) == ("", "", -1, ())


def test_only_a_run_that_stands_in_the_document_of_the_values_is_named_by_the_result_itself():
    assert json_report({"run": "R7", "rows": []}).run_said_by == "result"
    assert json_report({"run": "R7", "rows": []}, run=None).run_said_by == ""
    lines = "R7\n10.1,1.5\n"
    csv = {"heading": "absent", "columns": {"number": "1", "value": "2"}}
    assert csv_report(lines, preamble=["run"], **csv).run_said_by == "result"
    assert csv_report(lines, preamble=["other"], **csv).run_said_by == ""
    assert (arrays().run_id, arrays().run_said_by) == ("117", "")


TIMES = {
    "2026-03-01T08:30:00Z": 1772353800000,
    "2026-03-01T09:30:00.250+01:00": 1772353800250,
    " 2026-03-01T08:30:00.001+00:00\n": 1772353800001,
    "": -1,
    None: -1,
    "1601-01-01T00:00:00Z": -1,
}
"""Seconds since 1970 as `date -u -d 2026-03-01T08:30:00Z +%s` of GNU coreutils gives them."""


@pytest.mark.parametrize("written", TIMES)
def test_a_result_says_when_it_was_made(written):
    report = json_report({"made": written, "rows": []}, created="made")
    assert report.created_ms == TIMES[written]


@pytest.mark.parametrize("written", ["2026-03-01T08:30:00", "2026-03-01", "08:30", "soon", 7, True])
@pytest.mark.hazard(6)
def test_a_time_that_could_mean_another_is_refused_and_not_guessed(written):
    with pytest.raises(ResultUnreadable, match="a time with its distance from UTC"):
        json_report({"made": written, "rows": []}, created="made")


WITHOUT_A_ZONE = [datetime(year, 1, 1) for year in (2, 1970, 9998)]  # noqa: DTZ001 - what a zone is put to or taken off


@given(moment=st.datetimes(WITHOUT_A_ZONE[0], WITHOUT_A_ZONE[2], timezones=st.timezones()))
def test_a_time_means_the_same_in_every_zone_and_form(moment):
    """The offset is taken off by hand; microseconds are cut off, never rounded up."""
    past = moment.replace(tzinfo=None) - moment.utcoffset() - WITHOUT_A_ZONE[1]
    expected_ms = 1000 * (86_400 * past.days + past.seconds) + past.microseconds // 1000
    for written in (moment, moment.isoformat(), moment.isoformat(sep=" ")):
        assert made_ms("n", written) == max(-1, expected_ms)


@given(content=st.none() | st.integers() | st.floats() | st.text() | st.binary() | st.datetimes())
def test_no_content_is_taken_for_a_time_that_is_none(content):
    try:
        assert made_ms("n", content) >= -1
        assert content is None or isinstance(content, str)
    except ResultUnreadable:
        pass


@pytest.mark.parametrize("number", ["NaN", "Infinity", "-Infinity", "null", '"12"', "true", "[]"])
@pytest.mark.hazard(23)
def test_what_is_no_finite_number_is_kept_as_none_and_bad(number):
    entry = f'{{"no": "1", "value": {number}, "unit": "mm", "quality": "good"}}'
    text = f'{{"run": "R7", "rows": [{entry}]}}'
    (value,) = json_report(text).values
    assert (value.value, value.quality) == (None, "bad")


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("", "holds no JSON text"),
        (None, "holds no JSON text"),
        ('{"rows": [', "holds no JSON text"),
        ("[1, 2]", "that is no object"),
        ('{"run": "R7"}', "has no list `rows`"),
        ('{"rows": {"1": 2}}', "has no list `rows`"),
        ('{"rows": [{"no": "1"}]}', "no mapping with 'value'"),
        ('{"rows": [7]}', "no mapping with"),
        (
            '{"rows": [{"no": "", "value": 1, "unit": "", "quality": ""}]}',
            "characteristic number ''",
        ),
        (
            '{"rows": [{"no": 1.5, "value": 1, "unit": "", "quality": ""}]}',
            "characteristic number 1.5",
        ),
    ],
)
def test_a_text_that_is_not_what_the_profile_says_is_unreadable_as_a_whole(text, complaint):
    with pytest.raises(ResultUnreadable, match=complaint.replace("[", r"\[")):
        json_report(text)


@pytest.mark.parametrize(
    ("number", "more", "shown"),
    [
        (7, {}, "7"),
        (7, {"digits": 3}, "007"),
        (7, {"prefix": "P", "digits": 2}, "P07"),
        ("10.1", {}, "10.1"),
        ("10.1", {"prefix": "P"}, "P10.1"),
        (7.0, {}, "7"),
    ],
)
def test_a_characteristic_has_the_number_of_the_drawing(number, more, shown):
    (value,) = json_report({"rows": [row(number)]}, **more).values
    assert value.number == shown


def test_a_quality_that_the_profile_does_not_list_is_bad_and_none_at_all_is_good():
    columns = {"number": "no", "value": "value"}
    assert json_report({"rows": [row(quality="fine")]}).values[0].quality == "bad"
    assert json_report({"rows": [row(quality=True)]}).values[0].quality == "good"
    assert json_report({"rows": [row()]}, columns=columns).values[0].quality == "good"
    assert json_report({"rows": [row(unit="")]}).values[0].unit == "mm"


@given(st.lists(st.floats(allow_nan=True, allow_infinity=True)))
def test_every_value_comes_through_as_it_is_or_as_none(values):
    rows = [row(str(number), value) for number, value in enumerate(values, start=1)]
    report = json_report({"run": "R7", "rows": rows})
    assert [v.value for v in report.values] == [v if math.isfinite(v) else None for v in values]


# --- lines with separators ------------------------------------------------------------------------------------------------


def csv_report(text, **more):
    return reader("csv", node="n", **more).report({"n": good(text, 5)})


def test_lines_with_a_heading_give_values_wherever_their_columns_stand():
    text = 'extra,value,no,unit,quality\n"a, b",1.5,1,mm,good\nx,-3,2,deg,doubtful\n'
    report = csv_report(text)
    assert (report.run_id, report.serial, report.counter, report.source_ms) == ("", "", -1, 5)
    assert [(v.number, v.value, v.unit, v.quality) for v in report.values] == [
        ("1", 1.5, "mm", "good"),
        ("2", -3.0, "deg", "uncertain"),
    ]


def test_lines_without_a_heading_are_counted_and_a_preamble_tells_what_they_belong_to():
    report = csv_report(
        "R7|x|12|S1|2026-03-01T08:30:00Z\r\n10.1|1,5\r\n10.2|n/a\r\n",
        separator="|",
        decimal=",",
        heading="absent",
        preamble=["run", "other", "counter", "serial", "created"],
        columns={"number": "1", "value": "2"},
    )
    assert (report.run_id, report.serial, report.counter) == ("R7", "S1", 12)
    assert report.created_ms == 1772353800000
    assert [(v.number, v.value, v.quality) for v in report.values] == [
        ("10.1", 1.5, "good"),
        ("10.2", None, "bad"),
    ]


@pytest.mark.parametrize(
    ("text", "more", "complaint"),
    [
        (None, {}, "holds no text"),
        (b"\xff", {}, "holds no lines"),
        ("", {}, "expected the column no in the heading, found nothing"),
        ("no,value,unit\n1,2,mm\n", {}, "expected the column quality"),
        ("no,value,unit,quality\n1,2\n", {}, "row 1 has 2 columns, expected 4"),
        ("R7\nno,value,unit,quality\n", {"preamble": ["run", "serial"]}, "expected run, serial"),
        ('no,value,unit,quality\n"1,2,mm,good\n', {}, "holds no lines"),
    ],
)
def test_lines_that_are_not_what_the_profile_says_are_unreadable_as_a_whole(text, more, complaint):
    with pytest.raises(ResultUnreadable, match=complaint):
        csv_report(text, **more)


@pytest.mark.hazard(23)
@pytest.mark.parametrize(
    ("written", "decimal", "value"),
    [
        ("-1.5e-3", ".", -0.0015),
        (".5", ".", 0.5),
        ("25,01", ",", 25.01),
        ("1_000", ".", None),
        ("1,234", ".", None),
        ("1.234", ",", None),  # one thousand and more, where thousands have a sign
        ("1.234,5", ",", None),
        ("٣", ".", None),
        ("0x10", ".", None),
        ("nan", ".", None),
        ("inf", ".", None),
        ("", ".", None),
    ],
)
def test_a_number_in_a_line_has_digits_and_the_declared_decimal_sign_or_is_none(
    written, decimal, value
):
    """What a programming language takes for a number besides is none: 1_000 is not a thousand micrometres."""
    text = f"no;value\n1;{written}\n"
    columns = {"number": "no", "value": "value"}
    (measured,) = csv_report(text, separator=";", decimal=decimal, columns=columns).values
    assert (measured.value, measured.quality) == (value, "bad" if value is None else "good")


def test_a_counter_in_a_line_that_no_counter_can_show_is_none():
    text = f"{'9' * 5_000}\nno,value,unit,quality\n"
    assert csv_report(text, preamble=["counter"]).counter == -1


# --- structures that were taken apart -------------------------------------------------------------------------------------


def document_report(document, **more):
    columns = {"number": "Id", "value": "Value", "unit": "Units.Name"}
    form = reader("document", node="n", rows="-1.Data", run="-1.Order.Id", columns=columns, **more)
    return form.report({"n": good(document)})


def test_a_path_leads_through_fields_and_entries():
    rows = [
        {"Id": "1", "Value": 2.5, "Units": {"Name": "mm"}},
        {"Id": "2", "Value": 3, "Units": None},
    ]
    older = {"Order": {"Id": "R6"}, "Data": []}
    report = document_report([older, {"Order": {"Id": "R7"}, "Data": rows}])
    assert report.run_id == "R7"
    assert [(v.number, v.value, v.unit) for v in report.values] == [
        ("1", 2.5, "mm"),
        ("2", 3.0, "mm"),
    ]


@pytest.mark.parametrize(
    "document", [None, [], [{"Order": {}}], [{"Data": None}], [{"Data": [{}]}]]
)
def test_a_structure_without_the_list_or_its_columns_is_unreadable(document):
    with pytest.raises(ResultUnreadable, match=r"has no list|no mapping with"):
        document_report(document)


# --- parallel arrays ------------------------------------------------------------------------------------------------------


def arrays(rows=2, numbers=(1, 2, 0), values=(1.5, 2.5, 0.0), qualities=(0, 1, 0), quality="good"):
    readings = {
        "no": good(list(numbers)),
        "value": good(list(values), 9),
        "quality": Reading(bytes(qualities), quality, 1, 0.0),
        "used": good(rows),
        "run": good(117),
        "serial": good("S1"),
    }
    readings["made"] = good(datetime(2026, 3, 1, 8, 30, tzinfo=UTC))
    columns = {"number": "no", "value": "value", "quality": "quality"}
    form = reader(
        "arrays", columns=columns, rows="used", run="run", serial="serial", created="made"
    )
    return form.report(readings)


def test_parallel_arrays_give_their_used_rows():
    report = arrays()
    assert (report.run_id, report.serial, report.counter, report.source_ms) == ("117", "S1", -1, 9)
    assert report.created_ms == 1772353800000
    assert [(v.number, v.value, v.unit, v.quality) for v in report.values] == [
        ("1", 1.5, "mm", "good"),
        ("2", 2.5, "mm", "uncertain"),
    ]


@pytest.mark.hazard(23)
def test_a_value_of_the_arrays_that_is_not_finite_is_none_and_bad():
    (value,) = arrays(rows=1, values=(math.nan, 0.0, 0.0)).values
    assert (value.value, value.quality) == (None, "bad")


@pytest.mark.parametrize("rows", [4, -1])
def test_a_count_beyond_the_arrays_makes_the_result_unreadable(rows):
    with pytest.raises(ResultUnreadable, match=f"3 entries, {rows} are in use"):
        arrays(rows=rows)


def test_arrays_of_different_lengths_make_the_result_unreadable():
    with pytest.raises(ResultUnreadable, match="node value has 1 entries, 2 are in use"):
        arrays(values=(1.5,))


@pytest.mark.parametrize("quality", ["uncertain", "bad"])
def test_a_result_node_that_is_not_good_makes_the_result_unreadable(quality):
    with pytest.raises(ResultUnreadable, match=f"node quality is {quality}"):
        arrays(quality=quality)


# --- which results can be trusted without asking ----------------------------------------------------------------------------


def test_only_a_result_in_one_node_with_its_own_run_proves_itself():
    assert proves_itself(json_reader()._results)
    assert not proves_itself(json_reader(run=None)._results)
    form = reader("structures", node="n", run="run")
    assert not proves_itself(form._results)
    assert result_nodes(form._results) == ("n", "run")


# --- what fuzzing found (tests/fuzz) --------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", ["[" * 5_000, '{"rows": ' + "[" * 5_000])
def test_a_json_text_of_endless_depth_is_refused_and_ends_no_connection(text):
    with pytest.raises(ResultUnreadable, match="no JSON text"):
        json_report(text)


def test_half_a_surrogate_pair_is_refused_because_the_journal_could_not_keep_it():
    with pytest.raises(ResultUnreadable, match="surrogates not allowed"):
        json_report('{"run": "R\\ud800", "rows": []}')


@pytest.mark.hazard(23)
def test_a_number_of_more_digits_than_a_float_has_room_for_is_a_bad_value():
    report = json_report(
        f'{{"rows": [{{"no": "1", "value": {"9" * 400}, "unit": "mm", "quality": "good"}}]}}'
    )
    assert [(m.value, m.quality) for m in report.values] == [(None, "bad")]


@pytest.mark.parametrize("count", [2**63, -1, -(10**30), 10**30])
def test_a_counter_that_no_counter_can_show_is_none(count):
    assert json_report({"count": count, "rows": []}).counter == -1


@pytest.mark.parametrize("count", ["many", [], 1.5, math.nan, True])
def test_arrays_whose_number_of_entries_is_none_are_refused(count):
    arrays = reader("arrays", rows="rows")
    readings = {name: good([]) for name in COLUMNS.values()}
    with pytest.raises(ResultUnreadable, match="how many entries"):
        arrays.report({**readings, "rows": good(count)})


def test_bytes_that_are_no_utf_8_in_a_unit_or_number_are_shown_as_such():
    """The library hands them over as half surrogate pairs."""
    arrays = reader("arrays")
    readings = {"no": ["1\udcff"], "value": [1.0], "unit": ["m\udcfc"], "quality": ["good"]}
    (measured,) = arrays.report({name: good(value) for name, value in readings.items()}).values
    assert (measured.number, measured.unit) == ("1\ufffd", "m\ufffd")


def test_bytes_that_are_no_utf_8_in_what_proves_a_result_are_shown_as_such():
    """Found by fuzzing: one such byte in the run of a structure ended the supervisor, at each start anew."""
    document = {"run": "R\udcff", "serial": "S\ud800", "id": "\udcff", "rows": []}
    proof = {"run": "run", "serial": "serial", "id": "id"}
    report = reader("document", node="n", rows="rows", **proof).report({"n": good(document)})
    assert (report.run_id, report.serial, report.id) == ("R\ufffd", "S\ufffd", "\ufffd")


# --- the part's temperature -----------------------------------------------------------------------------------------------


def test_a_json_text_may_carry_the_parts_temperature():
    document = {"run": "R7", "rows": [], "temp": 21.4}
    report = json_report(document, temperature="temp", compensated="yes")
    assert (report.part_c, report.compensated) == (21.4, "yes")
    assert json_report({"run": "R7", "rows": []}, temperature="temp").part_c is None
    assert json_report({"run": "R7", "rows": []}).compensated == "unknown"


@pytest.mark.parametrize(
    ("reading", "part_c"),
    [
        (good(19.8, 5_000), 19.8),
        (good(float("nan")), None),
        (Reading(None, "bad", 0, 0.0), None),
        (Reading(19.8, "uncertain", 0, 0.0), None),
    ],
)
def test_a_sensor_that_is_out_of_order_costs_the_temperature_and_not_the_result(reading, part_c):
    arrays = reader("arrays", temperature="temp", compensated="no")
    columns = {"no": ["1"], "value": [1.5], "unit": ["mm"], "quality": ["good"]}
    readings = {name: good(content, 7) for name, content in columns.items()}

    report = arrays.report({**readings, "temp": reading})

    assert (report.part_c, report.compensated, report.source_ms) == (part_c, "no", 7)
    assert [each.value for each in report.values] == [1.5]
