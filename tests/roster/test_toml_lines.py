"""Every key of a TOML text is found on its line."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from carewatch.roster.document import dotted
from carewatch.roster.toml_lines import lines_of


def paths_in(value: object, path: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    """Every path of parsed data."""
    found = [path] if path else []
    if isinstance(value, dict):
        for key, inner in value.items():
            found += paths_in(inner, (*path, key))
    elif isinstance(value, list):
        for n, inner in enumerate(value):
            found += paths_in(inner, (*path, n))
    return found


@pytest.mark.parametrize(
    ("text", "path", "line"),
    [
        pytest.param("a = 1\nb = 2", "b", 2, id="plain"),
        pytest.param("\n\n[t]\n  b = 2", "t.b", 4, id="table"),
        pytest.param("[[t]]\na=1\n[[t]]\na=2", "t[2].a", 4, id="array-of-tables"),
        pytest.param("[[s]]\n[[s.p]]\nk=1\n[[s]]\n[[s.p]]\nk=1\n[[s.p]]\nk=2", "s[2].p[2].k", 8, id="nested"),
        pytest.param("a = [\n 1, # one\n 2,\n]\nb=1", "a[2]", 3, id="list-over-lines"),
        pytest.param('a = """\n[t]\nb = 1\n"""\nb = 1', "b", 5, id="key-inside-a-long-text"),
        pytest.param("a = '''\nb = \"\"\"\n'''\nb = 1", "b", 4, id="quotes-inside-a-long-text"),
        pytest.param('a = """x\\"""" # b = 1\nb = 1', "b", 2, id="escaped-quote"),
        pytest.param('a = "x # \\" y" # b\nb = 1', "b", 2, id="hash-inside-a-text"),
        pytest.param("a = { b = 1, c = { d = [1, { e = 2 }] } }", "a.c.d[2].e", 1, id="inline-tables"),
        pytest.param("[t]\nx.y = 1\nx.z = 2", "t.x.z", 3, id="dotted-key"),
        pytest.param('["a b" . c]\n"d.e" = 1', "a b.c.d.e", 2, id="quoted-keys"),
        pytest.param('"\\u0061\\t" = 1', "a\t", 1, id="escaped-key"),
        pytest.param("a = 1\r\nb = 2\r\n", "b", 2, id="windows-line-ends"),
        pytest.param("d = 2026-11-20 06:30:00\nb = 1", "b", 2, id="date-with-blank"),
    ],
)
def test_a_key_is_found_on_its_line(text, path, line):
    tomllib.loads(text)
    assert lines_of(text)[path] == line


# ---------------------------------------------------------------- any document

scalars = st.sampled_from(
    [
        "1",
        "-0.5",
        "true",
        "inf",
        "2026-11-20",
        "06:30:00",
        "2026-11-20 06:30:00",
        "2026-11-20T06:30:00Z",
        "0xff",
        '""',
        "''",
        '"a # b"',
        "'[x]'",
        '"\\""',
        '"""\n[x]\ny = 1 ""\\"\n"""',
        "'''\n''\n'''",
        '"""a"""""',
    ]
)
keys = st.sampled_from(["a", "b-1", '"c d"', "'e.f'", '"g\\u0041"', "7"])
nested = st.recursive(
    scalars,
    lambda inner: (
        st.lists(inner, max_size=3).map(lambda items: "[" + ", ".join(items) + "]")
        | st.lists(inner, min_size=1, max_size=3).map(lambda items: "[ # remark ]\n  " + ",\n  ".join(items) + ",\n]")
        | st.dictionaries(keys, inner, max_size=3).map(
            lambda pairs: "{ " + ", ".join(f"{key} = {value}" for key, value in pairs.items()) + " }"
        )
    ),
    max_leaves=6,
)
statements = st.one_of(
    st.builds("{} = {}".format, keys, nested),
    st.builds("{}.{} = {} # x".format, keys, keys, nested),
    st.builds("[{}]".format, keys),
    st.builds("[{} . {}]".format, keys, keys),
    st.builds("[[{}]]".format, keys),
    st.builds("[[{}.{}]]  # [y]".format, keys, keys),
    st.sampled_from(["", "# remark = 1", "\t"]),
)


@settings(deadline=None)
@given(st.lists(statements, max_size=12).map("\n".join))
def test_every_path_of_any_document_has_a_line_inside_it(text):
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return
    lines = lines_of(text)
    for path in paths_in(data):
        assert 1 <= lines[dotted(path)] <= text.count("\n") + 1


@settings(deadline=None)
@given(st.integers(1, 20), st.lists(st.sampled_from(["x = 1", "# y", "", "z = [\n1,\n2]"]), max_size=5, unique=True))
def test_lines_before_a_key_move_it_down_by_as_many(blank, before):
    head = "\n".join(before) + "\n" * blank
    assert lines_of(head + "wanted = 1")["wanted"] == head.count("\n") + 1
