"""The checked TOML reader: what it says about wrong keys and values, and on which line."""

import os
import re
from datetime import date

import pytest

from pipeline.errors import WrongUse
from pipeline.toml_reading import TomlTable, TomlText, parse_toml, read_toml

TEXT = """\
top = 1  # one [not a header]
share = 0.25
note = '''
[fake]
top = 2'''
day = 2026-10-31
moment = 1979-05-27 07:32:00

[sites.harbour]
"due day" = 3
codes."ICD-10-CM" = { specific = [
  "A*"], unspecific = ["B*"] }

[[table]]
file = "a.csv"
[table.values]
side = "R"

[[table]]
file = "b.csv"
list = [
  { a = 1 },
  { a = 2, b = "x" },
]
"""


def table(text: str) -> TomlTable:
    return TomlTable(parse_toml(text, "t.toml"), TomlText("t.toml", text))


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("top",), 1),
        (("share",), 2),
        (("note",), 3),
        (("day",), 6),
        (("moment",), 7),
        (("sites", "harbour"), 9),
        (("sites", "harbour", "due day"), 10),
        (("sites", "harbour", "codes", "ICD-10-CM", "specific"), 11),
        (("sites", "harbour", "codes", "ICD-10-CM", "unspecific"), 12),
        (("table", 0, "file"), 15),
        (("table", 0, "values", "side"), 17),
        (("table", 1, "file"), 20),
        (("table", 1, "list", 0, "a"), 22),
        (("table", 1, "list", 1, "b"), 23),
        (("table", 1, "absent"), 19),
    ],
)
def test_every_key_knows_its_line(path, line):
    assert TomlText("t.toml", TEXT).place(path) == f"t.toml, line {line}"


@pytest.mark.parametrize(
    ("text", "ask", "message"),
    [
        ("a = 1", lambda t: t.text("a"), "t.toml, line 1: `a` is 1; expected a text"),
        (
            '\na = "up"',
            lambda t: t.text("a", among=("us", "ups")),
            'line 2: `a` is "up"; expected one of ups',
        ),
        ('a = "1"', lambda t: t.whole("a"), 'line 1: `a` is "1"; expected a whole number'),
        ("a = true", lambda t: t.whole("a"), "`a` is true; expected a whole number"),
        ("a = 7", lambda t: t.whole("a", low=1, high=5), "expected a whole number between 1 and 5"),
        ("a = 2.0", lambda t: t.number("a", high=1), "`a` is 2.0; expected a number of at most 1"),
        ('a = "yes"', lambda t: t.flag("a"), "expected true or false"),
        ('a = "31.10.2026"', lambda t: t.date("a"), "expected a day, written like 2026-10-31"),
        ("a = 2026-10-31T10:00:00", lambda t: t.date("a"), "expected a day"),
        ('a = "x"', lambda t: t.texts("a"), "expected a list of texts"),
        ('a = ["x", "yy"]', lambda t: t.texts("a", among=("x", "y")), '`a` is "yy"; expected one of x, y'),
        ("a = [1, -1]", lambda t: t.wholes("a", low=0), "a list of whole numbers of at least 0"),
        ("a = 1", lambda t: t.table("a"), "expected a table. Write [a]"),
        ("[a]\nb = 1", lambda t: t.tables("a"), "expected a list of tables. Write [[a]]"),
        ("[a]\nb = 1", lambda t: t.table("a").require("c"), "line 1: [a] has no `c`"),
        (
            "[a]\ntabel = 1",
            lambda t: t.table("a").require("table"),
            "has no `table`. Add a line `table = …`. Or is it meant by `tabel`?",
        ),
        ("[a]\nhead = 1", lambda t: t.table("a").finish({"heads"}), "unknown key `a.head`"),
    ],
)
def test_wrong_values_are_named_with_line_and_remedy(text, ask, message):
    with pytest.raises(WrongUse, match=re.escape(message)):
        ask(table(text))


def test_finish_suggests_the_nearest_known_key():
    read = table("first = 1\nwindos = 2\n")
    read.whole("first")
    read.whole("windows")
    with pytest.raises(WrongUse, match=r"t.toml, line 2: unknown key `windos`. Did you mean `windows`\?"):
        read.finish()


def test_values_come_through():
    read = table(TEXT)
    assert read.whole("top") == 1
    assert read.number("share") == 0.25
    assert read.date("day") == date(2026, 10, 31)
    assert [entry.text("file") for entry in read.tables("table")] == ["a.csv", "b.csv"]
    assert list(read.named_tables("sites")) == ["harbour"]
    assert read.texts("absent", ("x",)) == ("x",)


@pytest.mark.parametrize(
    ("text", "place"), [("a = 1\nb = [1,", "end of document"), ("a = 1\nb = x\n", "line 2, column 5")]
)
def test_broken_toml_names_the_place(tmp_path, text, place):
    file = tmp_path / "audit.toml"
    file.write_text(text)
    with pytest.raises(WrongUse, match=f"audit.toml, {place}: not valid TOML"):
        read_toml(file)


def test_a_layer_says_which_file_holds_the_key():
    layered = TomlText("mine.toml", "a = 1\n", TomlText("built-in.toml", "x = 1\nb = 2\n"))
    assert layered.place(("a",)) == "mine.toml, line 1"
    assert layered.place(("b",)) == "built-in.toml, line 2"


def test_a_pipe_and_lists_without_end_are_wrong_use(tmp_path):
    pipe, deep = tmp_path / "pipe.toml", tmp_path / "deep.toml"
    os.mkfifo(pipe)
    deep.write_text("a = " + "[" * 5000 + "]" * 5000, encoding="utf-8")
    with pytest.raises(WrongUse, match=r"pipe.toml: is a folder, a pipe or a device. Put a file there."):
        read_toml(pipe)
    with pytest.raises(WrongUse, match=r"deep.toml: lists inside lists"):
        read_toml(deep)
