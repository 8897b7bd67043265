"""Reading a table of nights forecast and observed: what is understood, and what is said about the rest."""

from __future__ import annotations

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from carewatch.errors import BadInput, Fault, FaultyFiles
from carewatch.freeze.score.table import ForecastColumn, read_pairs

HEAD = "date,city,state,fc48_f,fc24_f,obs_lo_f\n"


def faults(text: str, unit: str | None = None) -> list[Fault]:
    with pytest.raises(FaultyFiles) as caught:
        read_pairs(text, file="lows.csv", unit=unit)
    return list(caught.value.faults)


def fault(text: str, unit: str | None = None) -> Fault:
    (only,) = faults(text, unit)
    assert only.fix
    return only


def test_a_table_in_fahrenheit_is_read_in_celsius_with_leads_in_order():
    table = read_pairs(HEAD + "2021-01-31,ABILENE,TX,32,,31\n", file="lows.csv")
    assert table.columns == (ForecastColumn(name="fc24_f", lead_h=24.0), ForecastColumn(name="fc48_f", lead_h=48.0))
    (row,) = table.rows
    assert (row.line, row.night, row.place) == (2, date(2021, 1, 31), "ABILENE TX")
    assert row.forecast_c == (None, pytest.approx(0.0))
    assert row.observed_c == pytest.approx(-5 / 9)
    assert (table.unit, table.place_columns) == ("f", ("city", "state"))


@pytest.mark.parametrize(
    ("head", "unit", "read_c"),
    [
        ("date,fc24_c,obs_c", None, 10.0),
        ("date,fc24,obs_min", "c", 10.0),
        ("date,fc24,obs", "f", -12.22),
        ("Date,FC24_F,OBS_LO_F", None, -12.22),
        ("date,fc24h_f,obs_lo", "f", -12.22),
        ("date,forecast_24_h_c,observed_low", None, 10.0),
    ],
)
def test_names_and_units_people_write(head, unit, read_c):
    table = read_pairs(f"{head}\n2021-01-31,10,10\n", file="lows.csv", unit=unit)
    assert table.columns[0].lead_h == 24.0
    assert table.rows[0].forecast_c == (pytest.approx(read_c, abs=0.01),)
    assert table.rows[0].observed_c == pytest.approx(read_c, abs=0.01)


def test_a_byte_order_mark_blank_lines_and_spaces_do_no_harm():
    table = read_pairs("\ufeff" + HEAD + "\n 2021-01-31 ,A,TX, 32 ,30,31\n,,,,,\n", file="lows.csv")
    assert [row.forecast_c[1] for row in table.rows] == [pytest.approx(0.0)]
    assert table.rows[0].line == 3


@pytest.mark.parametrize(
    ("line", "field", "value", "says"),
    [
        ("2021-02-30,A,TX,32,32,31", "date", "2021-02-30", "no such day"),
        ("31.01.2021,A,TX,32,32,31", "date", "31.01.2021", "no date"),
        (",A,TX,32,32,31", "date", "", "missing"),
        ("2021-01-31,A,TX,3x,32,31", "fc48_f", "3x", "no number"),
        ("2021-01-31,A,TX,32,nan,31", "fc24_f", "nan", "not possible in °F"),
        ("2021-01-31,A,TX,32,32,999", "obs_lo_f", "999", "not possible in °F"),
        ("2021-01-31,A,TX,32,32", "line", "2021-01-31,A,TX,32,32", "5 cells, the header 6"),
        ("2021-01-31,A,TX,32,32,31,7", "line", "2021-01-31,A,TX,32,32,31,7", "7 cells, the header 6"),
    ],
)
def test_a_bad_line_is_named_with_column_value_and_fix(line, field, value, says):
    found = fault(HEAD + "2021-01-01,A,TX,32,32,31\n" + line + "\n")
    assert (found.file, found.line, found.field, found.value) == ("lows.csv", 3, field, value)
    assert says in found.problem


def test_the_limits_are_told_in_the_unit_of_the_table():
    assert "-130 to 140," in fault("date,fc24_f,obs_f\n2021-01-31,1,400\n").fix
    assert "-90 to 60," in fault("date,fc24_c,obs_c\n2021-01-31,1,400\n").fix


def test_a_decimal_comma_is_told_to_be_a_point():
    assert "point" in fault('date,fc24_c,obs_c\n2021-01-31,"1,5",2\n').fix


def test_every_bad_cell_is_named_in_the_order_of_the_file():
    found = faults(HEAD + "x,A,TX,y,32,z\n2021-01-31,A,TX,32,32,31\n2021-01-31,A,TX,32,32,31\n")
    assert [(one.line, one.field) for one in found] == [(2, "date"), (2, "fc48_f"), (2, "obs_lo_f"), (4, "date")]
    assert "line 3" in found[-1].problem


@pytest.mark.parametrize(
    ("head", "says"),
    [
        ("day,fc24_c,obs_c", "no column date"),
        ("dates,fc24_c,obs_c", 'Is "dates" meant?'),
        ("date,obs_c", "no forecast column"),
        ("date,fc24_c", "no observed column"),
        ("date,fc24_c,obs_c,obs_b_c", "2 observed columns"),
        ("date,fc24_c,fc24_c,obs_c", "twice"),
        ("date,fc0_c,obs_c", "lead is not possible"),
        ("date,fc24_c,fc9999_c,obs_c", "lead is not possible"),
        ("date,fc24_c,fcst day 2,obs_c", "looks like a forecast"),
        ("date,fc24_c,obs_f", "mix"),
        ("date;fc24_c;obs_c", "commas"),
        ("", "no column date"),
    ],
)
def test_a_header_that_cannot_be_used_is_explained(head, says):
    found = faults(head + "\n2021-01-31,1,1\n")
    assert any(says in f"{one.problem} {one.fix}" for one in found)
    assert all(one.line == 1 and one.fix for one in found)


def test_a_unit_that_is_not_said_or_contradicted_is_a_fault():
    assert "--unit" in fault("date,fc24,obs\n2021-01-31,1,1\n").fix
    assert "contradict --unit c" in fault("date,fc24_f,obs_f\n2021-01-31,1,1\n", "c").problem
    with pytest.raises(BadInput, match="write c or f"):
        read_pairs("date,fc24,obs\n", file="lows.csv", unit="k")


def test_a_table_without_nights_is_a_fault():
    assert "no night" in fault(HEAD).problem


def test_a_broken_quote_is_a_fault():
    assert fault(HEAD + '2021-01-31,"A"B,TX,32,32,31\n').line == 2


@given(st.text(max_size=200))
def test_any_text_is_read_or_refused_with_a_fix(text):
    for prefix in ("", HEAD):
        found: tuple[Fault, ...] = ()
        try:
            read_pairs(prefix + text, file="lows.csv")
        except FaultyFiles as refused:
            found = refused.faults
        assert all(one.problem and one.fix for one in found)
