"""Headers that are nearly right, letters that are wrong, totals in any language, files that came before."""

from __future__ import annotations

import codecs
import gzip
from typing import Any

import pytest

OPS = "operations.csv"
UMLAUTS = "Müller’s Tür – déjà vu"
TURNED = UMLAUTS.encode().decode("cp1252", "replace").replace("\ufffd", "\u009d")


def repairs(intake: Any, rule: str) -> list[tuple[str, str]]:
    rows = intake.repairs[intake.repairs["rule"] == rule]
    return [(str(before), str(after)) for before, after in zip(rows["before"], rows["after"], strict=True)]


def findings(intake: Any, rule: str) -> list[str]:
    return [str(message) for message in intake.findings["message"][intake.findings["rule"] == rule]]


# ---------------------------------------------------------------- headers


def test_letter_for_letter_goes_before_upper_and_lower_case(workspace: Any, header: str, row: str) -> None:
    workspace.map(
        '[[table]]\ntable = "operations"\nfile = "*.csv"\ncolumns = { side = "sg", asa_class = "SG" }\n'
    )
    workspace.put(OPS, header.strip().replace("side", "sg") + ",SG\n" + row.strip() + ",2\n")
    export = workspace.only()
    assert (export.rows["side"][0].as_py(), export.rows["asa_class"][0].as_py()) == ("left", "2")


def test_a_header_asked_for_by_letter_is_not_taken_at_second_sight(
    workspace: Any, header: str, row: str
) -> None:
    workspace.map(
        '[[table]]\ntable = "operations"\nfile = "*.csv"\ncolumns = { reason = "sg", asa_class = "SG" }\n'
    )
    workspace.put(OPS, header.strip() + ",SG\n" + row.strip() + ",2\n")
    export = workspace.only()
    assert "reason" not in export.rows.column_names
    assert export.rows["asa_class"].to_pylist() == ["2"]


@pytest.mark.parametrize(
    "sent",
    ["SIDE", "si\u00adde", "\u200bside", "side\u200b", "\ufeffside", "\u00a0side", '"side\n"'],
)
def test_a_header_taken_at_second_sight_is_logged(workspace: Any, header: str, row: str, sent: str) -> None:
    workspace.put(OPS, header.replace("side", sent) + row)
    intake = workspace.received()
    assert intake.exports[0].rows["side"].to_pylist() == ["left"]
    is_blank_only = sent.strip('"').strip() == "side"
    assert [after for _, after in repairs(intake, "header_reread")] == ([] if is_blank_only else ["side"])


def test_doubled_blanks_in_a_header(workspace: Any, header: str, row: str) -> None:
    workspace.map('[[table]]\ntable = "operations"\nfile = "*.csv"\ncolumns = { side = "Op Side" }\n')
    workspace.put(OPS, header.replace("side", "Op  Side") + row)
    assert workspace.only().rows["side"].to_pylist() == ["left"]


def test_an_optional_column_that_is_there_twice_is_unused(workspace: Any, header: str, row: str) -> None:
    workspace.put(OPS, header.strip() + ",asa_class,asa_class,\n" + row.strip() + ",2,3,\n")
    intake = workspace.received()
    assert "asa_class" not in intake.exports[0].rows.column_names
    [message] = findings(intake, "header_repeated_unused")
    assert "2 columns could be `asa_class`" in message


def test_a_header_like_a_formula_is_a_header(workspace: Any, header: str, row: str) -> None:
    workspace.put(OPS, header.strip() + ",=cmd\n" + row.strip() + ",=1+1\n")
    assert "=cmd" in findings(workspace.received(), "column_unknown")[0]


# ---------------------------------------------------------------- letters


def test_letters_turned_into_others_are_counted_by_column(workspace: Any, header: str, row: str) -> None:
    lines = "".join(
        row.strip() + f",{text}\n" for text in (TURNED, TURNED, UMLAUTS, "NÃO, CAFÉ"[:3], "plain")
    )
    workspace.put(OPS, header.strip() + ",approach\n" + lines)
    intake = workspace.received()
    [message] = findings(intake, "text_mojibake")
    assert "2 cells of `approach`" in message
    assert intake.exports[0].rows["approach"].to_pylist()[0] == TURNED


def test_a_declared_encoding_that_is_not_the_files(workspace: Any, header: str, row: str) -> None:
    workspace.map('encoding = "cp1252"\n')
    workspace.put(OPS, header.strip() + ",approach\n" + row.strip() + ",Tür\n")
    assert "declares cp1252" in findings(workspace.received(), "encoding_doubtful")[0]
    workspace.put(OPS, (header.strip() + ",approach\n" + row.strip() + ",Tür\n").encode("cp1252"))
    intake = workspace.received()
    assert findings(intake, "encoding_doubtful") == []
    assert intake.exports[0].rows["approach"].to_pylist() == ["Tür"]


@pytest.mark.parametrize("encoding", ["utf-16-le", "utf-16-be", "utf-32-le", "utf-32-be"])
def test_wide_letters_without_a_mark_are_named(workspace: Any, header: str, row: str, encoding: str) -> None:
    workspace.put(OPS, (header + row).encode(encoding))
    rule, message = workspace.refused()
    assert (rule, f'encoding = "{encoding}"' in message) == ("file_undecodable", True)
    workspace.map(f'encoding = "{encoding}"\n')
    assert workspace.only().rows.num_rows == 1


@pytest.mark.parametrize("content", [b"\xed\xa0\x80", b"a\0b", "\ufffd".encode()])
def test_lost_letters_are_refused(workspace: Any, header: str, row: str, content: bytes) -> None:
    workspace.put(OPS, (header + row).encode() + b"o2," + content + b",\n")
    rule, message = workspace.refused()
    assert (rule, "line 3" in message) == ("file_undecodable", True)


def test_half_a_letter_of_two_words_is_refused(workspace: Any, header: str, row: str) -> None:
    lone = codecs.BOM_UTF16_LE + (header + row).encode("utf-16-le") + b"\x00\xd8\n\0"
    workspace.put(OPS, lone)
    rule, message = workspace.refused()
    assert (rule, "line 3" in message) == ("file_undecodable", True)


def test_marks_inside_are_taken_out_where_files_were_joined(workspace: Any, header: str, row: str) -> None:
    mark = codecs.BOM_UTF8
    other = row.replace("o1", "o2").encode()
    workspace.put(OPS, mark + (header + row).encode() + mark + header.encode() + other + mark + other)
    intake = workspace.received()
    assert intake.exports[0].rows["operation_id"].to_pylist() == ["o1", "o2", "o2"]
    assert intake.exports[0].rows["source_line"].to_pylist() == [2, 4, 5]
    assert len(repairs(intake, "mark_inside")) == 1


@pytest.mark.parametrize("content", ["  \n \n", "\n\n\n", "\ufeff", "", "\t\n"])
def test_nothing_but_blanks_is_empty(workspace: Any, content: str) -> None:
    workspace.put(OPS, content)
    assert workspace.refused()[0] == "file_empty"


# ---------------------------------------------------------------- totals


@pytest.mark.parametrize(
    "last",
    ["Summe;214", "Gesamt: 214", "Anzahl 3", "Total général", "Somme,3", "Totaal,3", "Summa", "Seite 3", "Página 2",
     "Total;;;;;;"],
)  # fmt: skip
def test_totals_in_languages_of_europe_are_no_records(
    workspace: Any, header: str, row: str, last: str
) -> None:
    workspace.put(OPS, (header + row).replace(",", ";") + last.replace(",", ";"))
    export = workspace.only()
    assert (export.rows.num_rows, export.broken, export.source.non_data) == (1, None, 1)


def test_a_last_row_that_may_be_a_total_is_held_back(workspace: Any, header: str, row: str) -> None:
    """Nothing says whether 214 is a total or the age of a patient; the row with most cells only lost its id."""
    workspace.put(OPS, header + row + ",p2,2026-10-01,X1,left,20,male\n,,,,,214,\n")
    intake = workspace.received()
    assert intake.exports[0].broken.column("source_line").to_pylist() == [4]
    assert len(findings(intake, "row_maybe_total")) == 1


def test_lines_above_the_header_are_copied_nowhere(workspace: Any, header: str, row: str) -> None:
    workspace.put(OPS, "Report run by Mary Invented\nWard 7\n" + header + row)
    intake = workspace.received()
    written = intake.repairs.to_csv() + intake.findings.to_csv() + str(intake.exports[0])
    assert "header_below_preamble" in written
    assert "Invented" not in written
    assert "Ward" not in written


# ---------------------------------------------------------------- files that came before


def test_the_same_bytes_under_another_name_are_logged(workspace: Any, header: str, row: str) -> None:
    workspace.put(OPS, header + row, day="2026-10-02")
    workspace.put("operations_copy.csv", header + row)
    workspace.put(OPS, header + row, site="island")
    found = repairs(workspace.received(), "file_sent_again")
    assert found == [("received/harbour/2026-10-02/operations.csv", "")]


@pytest.mark.parametrize(
    ("first", "second", "same_day", "said"),
    [
        ("operations.csv", "operations.csv", False, 0),
        ("operations_2026-09.csv", "operations_2026-09.csv", False, 1),
        ("operations.csv", "OPERATIONS.csv", True, 1),
        ("operations.csv", "operations.csv.gz", True, 1),
    ],
)
def test_a_name_used_again_for_other_bytes(
    workspace: Any, header: str, row: str, first: str, second: str, same_day: bool, said: int
) -> None:
    changed: str | bytes = header + row.replace("left", "right")
    if second.endswith(".gz"):
        changed = gzip.compress(changed.encode() if isinstance(changed, str) else changed)
    workspace.put(first, header + row, day="2026-11-02" if same_day else "2026-10-02")
    workspace.put(second, changed)
    assert len(findings(workspace.received(), "file_changed")) == said


@pytest.mark.parametrize(
    ("name", "delimiter", "packed"),
    [("operations.tsv", "\t", False), ("operations.txt", "|", False), ("operations.csv.gz", ",", True),
     ("operations.tsv.gz", "\t", True), ("operations.txt.gz", ";", True)],
)  # fmt: skip
def test_every_kind_of_text_plain_and_packed(
    workspace: Any, header: str, row: str, name: str, delimiter: str, packed: bool
) -> None:
    content = (header + row).replace(",", delimiter).encode()
    workspace.put(name, gzip.compress(content) if packed else content)
    assert workspace.only().rows["side"].to_pylist() == ["left"]


def test_several_files_and_several_entries_feed_one_table(workspace: Any, header: str, row: str) -> None:
    entry = '[[table]]\ntable = "operations"\nfile = "{}"\n'
    workspace.map(entry.format("a.csv") + entry.format("b.csv"))
    workspace.put("a.csv", header + row)
    workspace.put("b.csv", header + row.replace("o1", "o2"))
    found = [export.rows["operation_id"].to_pylist() for export in workspace.received().exports]
    assert found == [["o1"], ["o2"]]
