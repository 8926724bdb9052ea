"""The closed list of what a check may say: data, in the order of the way through the program.

Terms for the kind of fault follow the harmonised data-quality terminology of Kahn et al. 2016, eGEMs 4(1):1244:
`dimension` is conformance (`kind`: value, relational, computational), completeness (no kinds), or plausibility
(`kind`: uniqueness, atemporal, temporal); `context` is verification (against what the data and the contract lead
one to expect) or validation (against a source outside the export: a published code list, a control total).

`<site>` and `<column>` in a remedy stand for the site and the column it is about; whoever says it puts them in.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Action = Literal["repair", "quarantine", "refuse", "set_aside", "warn"]
#: Who can do something about it: the hospital that sent the file, the department that runs the audit, both, or
#: nobody because nothing is to be done.
Actor = Literal["sender", "department", "either", "nobody"]

#: Kinds of fault under each dimension. Completeness has none.
KINDS: dict[str, tuple[str, ...]] = {
    "conformance": ("value", "relational", "computational"),
    "completeness": ("",),
    "plausibility": ("uniqueness", "atemporal", "temporal"),
}
CONTEXTS = ("verification", "validation")


@dataclass(frozen=True)
class Rule:
    """One entry of the list.

    Attributes:
        code: As it stands in tables.
        title: What is wrong, in a few words.
        cause: Why it is wrong, or how it usually comes about.
        remedy: What to do, for whoever acts.
        action: What the program did.
        dimension, kind, context: Kind of fault (Kahn 2016).
        acts: Who can do something about it.
        asks: What the sender is asked to do, where that differs from `remedy`.
    """

    code: str
    title: str
    cause: str
    remedy: str
    action: Action
    dimension: str
    kind: str
    context: str
    acts: Actor
    asks: str


_ACTS: dict[Action, Actor] = {
    "repair": "nobody", "quarantine": "sender", "refuse": "sender", "set_aside": "sender", "warn": "department",
}  # fmt: skip
NOTHING_TO_DO = "Nothing to do."


def _rule(
    code: str,
    action: Action,
    dimension: str,
    title: str,
    cause: str,
    remedy: str = NOTHING_TO_DO,
    context: str = "verification",
    *,
    acts: Actor | None = None,
    asks: str = "",
) -> Rule:
    """An entry. `dimension` is written with its kind, as in `value conformance`.

    `acts` is by default nobody for a repair, the department for a warning and the sender for everything else.
    """
    kind, _, name = dimension.rpartition(" ")
    return Rule(code, title, cause, remedy, action, name, kind, context, acts or _ACTS[action], asks)


_FILES = (
    _rule("folder_not_a_date", "warn", "value conformance", "A folder under the site is not a receipt date",
          "Folders under a site are named by the day the export was received.",
          "Rename the folder to YYYY-MM-DD; nothing in it was read."),
    _rule("site_not_listed", "warn", "relational conformance", "A site's folder is not in audit.toml",
          "audit.toml lists sites, and this one is not among them.",
          "Add [sites.<site>] to audit.toml or remove the folder; its exports were not used."),
    _rule("site_id_malformed", "warn", "value conformance", "A site's name has characters that are not allowed",
          "Site ids are letters, digits, _ and -.",
          "Rename the folder, or translate the values of the column named by `site_from`."),
    _rule("file_outside_receipt", "warn", "relational conformance", "A file does not lie in a receipt folder",
          "Exports are read from received/<site>/<YYYY-MM-DD>/ only.",
          "Move it into the folder of the day it was received; it was not read."),
    _rule("folder_in_receipt", "warn", "relational conformance", "A folder lies inside a receipt",
          "Only the files directly in a receipt's folder are read.", "Move its files up into the receipt's folder."),
    _rule("folder_is_link", "warn", "relational conformance", "A site or receipt folder is a link",
          "Links are not followed.", "Put the folder itself there; nothing in it was read."),
    _rule("folder_unreadable", "warn", "relational conformance", "A folder cannot be opened",
          "The program may not look into it.", "Check its permissions; nothing in it was read."),
    _rule("receipt_far_ahead", "warn", "temporal plausibility",
          "A receipt lies more than a year after every other one",
          "The year in the name of its folder is probably mistyped.",
          "Check the folder's name; the day of knowledge is taken from the newest one."),
    _rule("file_unmapped", "warn", "relational conformance", "No mapping claims the file",
          "Neither the site's mapping nor the file's name says which table it holds.",
          "Name it in mappings/<site>.toml, or let its name start with the table's name; it was not read."),
    _rule("sheet_unclear", "refuse", "relational conformance", "The workbook's sheet is not clear",
          "Several sheets could hold the table, or none can be told to.",
          "Say `sheet = \"…\"` in mappings/<site>.toml.", acts="department"),
    _rule("file_unreadable", "refuse", "value conformance", "The file cannot be read",
          "It is locked, damaged, an archive, or not what its ending says.",
          "Send it again unlocked and unpacked, as CSV, XLSX or Parquet."),
    _rule("file_too_large", "refuse", "value conformance", "The file is larger than the limit",
          "It has more bytes, lines or cells than are read, or unpacks to more.",
          "Send it in parts, one file for each span of time; check that lines end where records end."),
    _rule("line_too_long", "refuse", "value conformance", "A line is longer than the limit",
          "It is no list of records, or its line ends were lost.", "Send one record a line, as text."),
    _rule("file_undecodable", "refuse", "value conformance", "The file's bytes do not fit its encoding",
          "It is not UTF-8, and the mapping declares no other encoding, or a wrong one.",
          "Declare `encoding` in mappings/<site>.toml (often \"cp1252\"), or ask for the file as UTF-8.",
          acts="either", asks="Send the file as UTF-8, or tell the department which encoding it has."),
    _rule("file_empty", "refuse", "completeness", "The file holds no rows",
          "An empty export is not the same as nothing to report.",
          "Check whether the export failed and send it again. If there was truly nothing, say so to the department."),
    _rule("file_truncated", "refuse", "completeness", "The file breaks off",
          "The last row is cut, or a quotation mark is never closed.", "Send the whole file again."),
    _rule("file_sent_again", "repair", "uniqueness plausibility", "The very same file was sent before",
          "Its bytes are those of an earlier file of the site; its rows are duplicates of that file's."),
    _rule("file_changed", "warn", "uniqueness plausibility", "A file came again under its name with other content",
          "A correction of a span of time sent before, or a name used twice.",
          "Check with the sender that the later file is meant to replace the earlier one; versions were put in order.",
          acts="either", asks="Say whether the later file replaces the earlier one."),
    _rule("content_hidden", "warn", "value conformance", "The workbook hides a sheet, rows or columns",
          "They were hidden or filtered away when it was saved; they were read all the same.",
          "Check that what is hidden belongs to the export.",
          acts="either", asks="Send the workbook without hidden sheets, rows or columns."),
)  # fmt: skip

_COLUMNS = (
    _rule("delimiter_unclear", "refuse", "value conformance", "The columns cannot be told apart",
          "No delimiter gives every row the same number of columns.",
          "Declare `delimiter` in mappings/<site>.toml, or ask for a file in which every row has one.",
          acts="either", asks="Tell the department which sign separates the columns, or send commas and put text that "
          "holds one between quotation marks."),
    _rule("header_repeated_name", "refuse", "relational conformance", "Two columns carry the same name",
          "The same header occurs twice, so it is unclear which is meant.",
          "Give one of the two columns another name and send the file again."),
    _rule("header_repeated_unused", "warn", "relational conformance", "Two columns carry the name of an optional column",
          "The same header occurs twice, so neither is used.",
          "Give one of the two columns another name and send the file again.",
          acts="sender"),
    _rule("header_reread", "repair", "value conformance", "A header was taken that is not letter for letter the one asked for",
          "It differs in upper and lower case, blanks or characters that cannot be seen."),
    _rule("header_column_missing", "refuse", "relational conformance", "A required column is missing",
          "The header lacks a column the table needs; often it was renamed.",
          "Add the header's new name to `columns.<column>` in mappings/<site>.toml, or give a constant.",
          acts="either", asks="Send the column, or tell the department under which header it now comes."),
    _rule("columns_too_many", "refuse", "value conformance", "The file has more columns than a spreadsheet",
          "It is no list of records, or was turned on its side.", "Send only the columns that are needed."),
    _rule("rows_unlike_header", "refuse", "relational conformance", "A large part of the rows does not fit the header",
          "The header is another file's, or text holds the delimiter.",
          "Put text that holds the delimiter between quotation marks, and send a header that fits."),
    _rule("header_unclear", "refuse", "relational conformance", "The header row is not clear",
          "Several of the first rows could be the header.", "Say `header_row = …` in mappings/<site>.toml.",
          acts="department"),
    _rule("header_mapped_absent", "warn", "relational conformance", "A mapped column is not in the file",
          "The mapping names a header for an optional column that this file does not have.",
          "Add the header's new name to `columns.<column>` in mappings/<site>.toml, or ask for the column.",
          acts="either", asks="Send the column again, or tell the department that it was renamed or dropped."),
    _rule("column_unknown", "warn", "relational conformance", "A column is not used",
          "The header is neither a contract column nor mapped.",
          "Map it in mappings/<site>.toml, or ignore this; the column is never copied."),
    _rule("date_order_unclear", "refuse", "value conformance", "The order of day and month is not clear",
          "Dates such as 03/04/2025 can be read in two ways and nothing declares which is meant, or clear dates "
          "contradict what is declared.",
          "Declare the file's own `date_order` in mappings/<site>.toml.",
          acts="either", asks="Tell the department whether the day or the month comes first, or send dates as "
          "YYYY-MM-DD."),
    _rule("identifiers_in_columns", "refuse", "value conformance", "A column seems to hold direct identifiers",
          "A header or its content looks like names, birth dates, contact data or record numbers "
          "(classes of 45 CFR 164.514(b)(2)).",
          "Take the column out at the source and send the file again; nothing of it was kept."),
    _rule("encoding_by_mark", "repair", "value conformance", "The encoding was taken from the byte order mark",
          "The file begins with a mark that names its encoding."),
    _rule("mark_inside", "repair", "value conformance", "Byte order marks inside the file were taken out",
          "Several files were put one behind the other."),
    _rule("encoding_doubtful", "warn", "value conformance", "The declared encoding is probably not the file's",
          "The mapping declares another encoding, yet every byte of the file fits UTF-8.",
          "Take `encoding` out of mappings/<site>.toml for this file if its letters look wrong.",
          acts="either", asks="Say which encoding the file has."),
    _rule("text_mojibake", "warn", "value conformance", "Letters were turned into wrong ones before the file was sent",
          "UTF-8 was taken for Windows-1252 and written anew, so that one letter became two or three others.",
          "Ask for the file as UTF-8 from the source; nothing was guessed.", acts="either",
          asks="Export the file again as UTF-8 without opening it in between."),
    _rule("delimiter_found", "repair", "value conformance", "Another delimiter than the comma was found",
          "It gives every row the same number of columns."),
    _rule("column_given_twice", "warn", "relational conformance", "The mapping gives a column that the file has too",
          "The mapping's own word was used and the file's column was not, though it says something else.",
          "If the file is right, take `<column>` out of what mappings/<site>.toml gives."),
    _rule("column_made", "repair", "relational conformance", "A column was made by the mapping",
          "A constant, an id joined from several columns, a day and days after it, or a row for each of several columns."),
    _rule("header_below_preamble", "repair", "relational conformance", "Lines above the header were skipped",
          "The report prints its title above the header."),
    _rule("row_not_data", "repair", "relational conformance", "A row that is no record was skipped",
          "A total, a closing line or a repeated header."),
)  # fmt: skip

_ROWS = (
    _rule("row_ragged", "quarantine", "relational conformance", "The row has more or fewer cells than the header",
          "Often a delimiter inside text that is not quoted.",
          "Put text that holds the delimiter between quotation marks and send the row again."),
    _rule("row_maybe_total", "quarantine", "relational conformance", "The row is a total or a record without its id",
          "One of the last rows has no id and few cells are filled; nothing says which it is.",
          "Leave totals out of the export, or fill the row's id."),
    _rule("formula_without_value", "quarantine", "completeness", "A cell holds a formula and no value",
          "The workbook was written by a program that does not work formulas out.",
          "Open and save the workbook in a spreadsheet, or send values instead of formulas."),
    _rule("formula_error", "quarantine", "value conformance", "A cell holds an error instead of a value",
          "A formula could not be worked out and shows #REF!, #VALUE! or the like.",
          "Correct the formula, or send values instead."),
    _rule("cells_merged", "quarantine", "value conformance", "A cell is merged with the ones above or beside it",
          "Only the first of merged cells holds a value; whether it is meant for the others cannot be told.",
          "Undo the merging, fill every cell and send the workbook again."),
    _rule("row_site_unclear", "quarantine", "relational conformance", "The row names no usable site",
          "The column named by `site_from` is empty or holds a word that is no site.",
          "Fill it at the source, or translate its words under `values.site_id` in mappings/<site>.toml.",
          acts="either", asks="Fill the column that names the site, or tell the department what its new word means."),
    _rule("placeholder_patient", "quarantine", "atemporal plausibility", "The patient id is a placeholder",
          "000000, TEST and the like are no patients.",
          "Send the row with the patient's own pseudonym, or leave rows of test patients out of the export."),
    _rule("event_says_nothing", "quarantine", "completeness", "The event has neither code, note nor structured field",
          "Nothing tells what happened.", "Send a code, a note or a structured field with it."),
    _rule("score_without_points", "quarantine", "relational conformance", "Unit and measure do not go together",
          "A motion is in degrees, a score in points.", "Send the unit that belongs to the measure."),
    _rule("dates_in_wrong_order", "quarantine", "temporal plausibility", "Two dates of the row contradict each other",
          "For example, an end before its beginning.", "Correct the wrong one of the two dates at the source."),
    _rule("side_against_diagnosis", "quarantine", "atemporal plausibility", "The diagnosis names the other side",
          "The side of the operation and that of its diagnosis code contradict each other.",
          "Check the patient's record, possibly a wrong-site operation, and correct the side or the code."),
)  # fmt: skip

_CELLS = (
    _rule("value_missing", "quarantine", "completeness", "A required value is missing",
          "The cell is empty or says that nothing is known.", "Fill it at the source and send the row again."),
    _rule("value_missing_token", "repair", "completeness", "A word for `missing` became empty",
          "Words such as N/A or - mean that nothing is known."),
    _rule("value_code_for_missing", "warn", "completeness", "A number that stands for missing became empty",
          "999, -1 and the like stand for missing in some systems.",
          "If so, declare it under `missing.<column>` in mappings/<site>.toml; if not, ask for the value.",
          acts="either", asks="Leave the cell empty where nothing is known."),
    _rule("value_unparsable", "quarantine", "value conformance", "The value is not of the column's type",
          "For example text in a number, or a form of writing nobody declared.",
          "Correct it at the source, or translate it under `values.<column>` in mappings/<site>.toml.",
          acts="either", asks="Correct it at the source and send the row again."),
    _rule("date_zone_unstated", "quarantine", "value conformance", "A day comes as a moment of another time zone",
          "It is written with an offset, such as 2025-06-30T23:00Z, and which day that was depends on the time zone, "
          "which nothing declares.",
          "Say `timezone` in mappings/<site>.toml, such as \"Europe/Dublin\", or ask for the day alone.",
          acts="either", asks="Send the day alone, or tell the department in which time zone the hospital lies."),
    _rule("value_unknown_word", "quarantine", "value conformance", "The word is not one of the column's words",
          "The site uses other words, or one is mistyped.",
          "Translate it under `values.<column>` in mappings/<site>.toml, or correct it at the source.",
          acts="either", asks="Correct the word, or tell the department what it means."),
    _rule("value_out_of_range", "quarantine", "atemporal plausibility", "The number is outside the possible range",
          "Often an extra zero, another unit or a code for missing.",
          "Correct it at the source and send the row again."),
    _rule("several_values", "quarantine", "value conformance", "One cell holds several values",
          "A row speaks of one thing; a list cannot be taken apart without guessing the rest of the row.",
          "Send a row for each of them."),
    _rule("reading_zero", "warn", "atemporal plausibility", "A motion reads zero",
          "Nobody's joint stands at zero there unless it is stiff altogether: often it was not measured. Days on which "
          "every motion is zero are taken as not measured.",
          "Leave the cell empty where nothing was measured.", acts="sender"),
    _rule("unit_removed", "repair", "value conformance", "A unit was taken off a number",
          "The cell held 110° or 110 deg."),
    _rule("date_partial", "quarantine", "value conformance", "The date lacks its day",
          "A day is never invented.", "Send the whole date."),
    _rule("date_after_receipt", "quarantine", "temporal plausibility", "The date lies after the day of receipt",
          "A planned visit, or a mistyped year.",
          "Correct the date at the source; leave out what has not happened yet."),
    _rule("recorded_after_receipt", "warn", "temporal plausibility", "A version was written after the day of receipt",
          "The clock of the sending system runs ahead.",
          "Check the clock of the sending system; versions of a record are ordered by it.", acts="sender"),
    _rule("date_reread", "repair", "value conformance", "A date was written another way",
          "The declared order, base or time zone was applied."),
    _rule("date_moved_by_zone", "repair", "value conformance", "A date moved to the day before or after",
          "It carries the clock of another time zone; the declared zone says which day it was here."),
    _rule("days_moved_by_zone", "warn", "temporal plausibility", "The time zone moves days of a column",
          "The export writes days as moments of another time zone, so some read a day off until put back.",
          "Export days without a clock; until then check that `timezone` in mappings/<site>.toml is right.",
          acts="either", asks="Export days without a clock."),
    _rule("hour_unclear", "warn", "temporal plausibility", "A moment lies in an hour the clock shows twice or never",
          "The clock was put back or forward in that hour, and the offset from UTC is not written.",
          "Write moments with their offset; versions of a record are ordered by them.", acts="sender"),
    _rule("time_dropped", "repair", "value conformance", "The time of day was left out",
          "The column holds days, the export wrote moments."),
    _rule("number_reread", "repair", "value conformance", "A number was written another way",
          "For example with a decimal comma, a plus sign, leading zeros or a needless `.0`."),
    _rule("word_folded", "repair", "value conformance", "A word was put into the contract's spelling",
          "It differed in capitals, blanks or hyphens only."),
    _rule("list_rewritten", "repair", "value conformance", "A list was written the contract's way",
          "Its words were set apart by other marks, by blanks, or by marks with nothing between."),
    _rule("blanks_trimmed", "repair", "value conformance", "Blanks around cells were taken off",
          "Exports pad their columns; the line says how many cells of the column had any."),
    _rule("word_translated", "repair", "value conformance", "A word was translated",
          "The mapping, or an agreed synonym, says what it means."),
    _rule("code_normalised", "repair", "value conformance", "A code was written the usual way",
          "Upper case, no blanks, a dot where the system has one."),
    _rule("age_over_89", "repair", "value conformance", "An age of 90 or more became 90+",
          "Ages over 89 identify people (45 CFR 164.514(b)(2))."),
    _rule("identifier_masked", "warn", "value conformance", "Something like an identifier stands in free text",
          "A name, number or address was written into a note.",
          "Take it out at the source; it is masked in every output.", acts="sender"),
    _rule("joint_unknown", "quarantine", "relational conformance", "The joint or bone is not in the catalogue",
          "The site uses another word, or one is mistyped.",
          "Translate it under `values.<column>` in mappings/<site>.toml, or add the joint to catalogue.toml.",
          acts="either", asks="Correct the word, or tell the department what it means."),
)  # fmt: skip

_RECORDS = (
    _rule("record_conflict", "quarantine", "uniqueness plausibility", "Two different records carry one id",
          "The same receipt holds both, and nothing says which is newer.",
          "Send recorded_at with every version, or only the version that holds."),
    _rule("record_duplicate", "repair", "uniqueness plausibility", "The record was sent before, unchanged",
          "Exports repeat."),
    _rule("record_superseded", "repair", "uniqueness plausibility", "A newer version replaces the record",
          "A correction was sent."),
    _rule("record_withdrawn", "repair", "uniqueness plausibility", "The record was withdrawn",
          "`record_status` says so."),
    _rule("id_used_again", "quarantine", "uniqueness plausibility", "One id, two patients more than a year apart",
          "The site used the number again.",
          "If the site numbers anew each year, set `id_scope = \"year\"` in mappings/<site>.toml; if not, the id or "
          "the patient is wrong.",
          acts="either", asks="Correct the id or the patient, or tell the department that numbers start anew each year."),
    _rule("after_death", "quarantine", "temporal plausibility", "The record is dated after the patient's death",
          "Two patients are perhaps taken for one, or one of the days is mistyped.",
          "Check the patient and both days at the source."),
    _rule("surgeon_zeros_restored", "repair", "value conformance", "A surgeon's id got its leading zeros back",
          "A spreadsheet took it for a number; the site's list of surgeons holds one id that differs by zeros only."),
    _rule("surgeon_unclear", "warn", "relational conformance", "The surgeon's id fits several of the list",
          "It lost its leading zeros, and more than one id of the site's list differs by these only.",
          "Export ids as text; until then the operation counts without a surgeon.", acts="sender"),
    _rule("surgeon_not_listed", "warn", "relational conformance", "The surgeon is not on the site's list",
          "The list is not complete, or the id is mistyped or no id at all.",
          "Add the surgeon to the list or correct the id; the operation counts under the id as sent.", acts="sender"),
    _rule("surgeon_inactive", "warn", "temporal plausibility", "The surgeon did not work at the site on that day",
          "The list of surgeons has them start later or leave earlier.",
          "Correct the surgeon or the days in the list; until then the operation counts without a surgeon.",
          acts="sender"),
    _rule("operation_unknown", "warn", "relational conformance", "The record names an operation that was not sent",
          "The operation is missing, held back, or the id mistyped.",
          "Send the operation or correct the id; until then the record goes to review.", acts="sender"),
    _rule("operation_of_another_patient", "warn", "relational conformance",
          "The named operation belongs to another patient",
          "One of the two ids is wrong.", "Correct the wrong id at the source; until then the record goes to review.",
          acts="sender"),
    _rule("side_conflict", "warn", "atemporal plausibility", "Side and operation do not agree",
          "The side of the record, its code or the named operation contradict each other.",
          "Check the patient's record, possibly a wrong-site event, and correct what is wrong; until then the record "
          "goes to review.", acts="sender"),
    _rule("ages_disagree", "warn", "temporal plausibility", "A patient's ages do not go with the days between operations",
          "The age at export was sent in place of the age at the operation, or two patients share a number.",
          "Send the age at each operation; check that both operations are of the same patient.", acts="sender"),
    _rule("patients_alike", "warn", "uniqueness plausibility", "Two patient numbers have the very same operation",
          "One person may have two numbers.",
          "If both are one person, add the pair to merges/; nobody is merged on suspicion.", acts="either",
          asks="Tell the department whether both numbers stand for one person."),
    _rule("side_missing_for_sided", "warn", "completeness", "A sided operation without a side",
          "The operation is done on one side, but the row says `none`.", "Send left, right or bilateral.",
          acts="sender"),
    _rule("procedure_code_unknown", "warn", "relational conformance", "No procedure of the catalogue has this code",
          "The operation is not audited, or its code is new.",
          "Add the code to catalogue.toml if the operation should be counted."),
    _rule("fixation_unknown", "warn", "relational conformance", "A fixation is not in the catalogue",
          "The site uses another word.",
          "Translate it under `values.fixation` in mappings/<site>.toml, or add it to `fixations` in catalogue.toml."),
    _rule("code_unknown", "warn", "relational conformance", "No entry of the catalogue has this diagnosis code",
          "It may be irrelevant, or a new spelling.", "Add it to catalogue.toml if it should count."),
    _rule("code_not_in_list", "warn", "value conformance", "A diagnosis code is not a complete code of ICD-10-CM",
          "It is mistyped, a heading, or newer than the list.", "Check the code at the source; it is kept as sent.",
          context="validation", acts="sender"),
    _rule("note_copied_forward", "warn", "uniqueness plausibility", "A note repeats a long sentence of an earlier one",
          "The text was probably copied from an earlier visit of the patient.",
          "Read the note with care: what it says may be old. Notes never decide a count.", acts="department"),
    _rule("return_without_anaesthesia", "warn", "completeness", "A return to theatre does not say how it was done",
          "`anaesthesia` is empty; the return is counted and listed.", "Send the kind of anaesthesia.", acts="sender"),
    _rule("readings_not_passive", "warn", "completeness", "Motion was read, but never passively",
          "A limit of motion is judged by what the joint can do, not by what the muscles do: active readings are kept, and "
          "the case counts as not measured.", "Read passive motion too, and send it with its `mode`.", acts="sender"),
)  # fmt: skip

_SITES = (
    _rule("death_before_operation", "set_aside", "temporal plausibility", "A patient died before an operation",
          "Two patients were probably merged into one.",
          "Check the patient at the source and send the export again; until then the one before stands."),
    _rule("volume_drop", "set_aside", "completeness", "Far fewer rows than before",
          "The export holds much less than the exports before it: probably a part of it is missing.",
          "Ask for the whole export; until then the one before stands. If the fall is right, raise `volume_drop` "
          "under [tolerance] in audit.toml.",
          acts="either", asks="Send the whole export again, or tell the department that the fall is right."),
    _rule("vanished_share", "set_aside", "completeness", "Too many records are no longer sent",
          "The site sends everything, yet many records of the export before are gone.",
          "Send the whole export again, with withdrawn records marked in `record_status`; until then the one before "
          "stands."),
    _rule("control_total_missed", "set_aside", "completeness", "The export does not match its control total",
          "A count from outside the export, such as the theatre log, differs from what was sent.",
          "Find out which of the two is right and send the export again; until then the one before stands.",
          "validation"),
    _rule("control_total_unusable", "warn", "value conformance", "A control total cannot be read",
          "A line of control_totals.csv is incomplete or not what its column holds.",
          "Correct the line; until then nothing is compared with it.", acts="either",
          asks="Correct the line of control_totals.csv."),
    _rule("sends_not_stated", "warn", "completeness", "It is not stated whether the site sends everything",
          "The export is so much smaller than those before that it was taken as a list of changes.",
          "Say `sends = \"changes\"` or `sends = \"everything\"` under [sites.<site>] in audit.toml."),
    _rule("records_vanished", "warn", "completeness", "Records sent before are no longer sent",
          "The site sends everything, yet some ids are gone.",
          "Send them again, or mark those that were withdrawn in `record_status`; until then they stand.",
          acts="sender"),
    _rule("site_late", "warn", "completeness", "The site's export is late",
          "Its due day has passed and no newer export is here.",
          "Send the export; the site's windows close earlier until then.", acts="sender"),
    _rule("table_behind", "warn", "completeness", "A required table did not come with the others",
          "The site sent other tables after the cut, but nothing newer of this one.",
          "Send the table too (its header alone where you send changes and there are none); until then the site's "
          "windows close by the export before.", acts="sender"),
    _rule("receipt_repeated", "warn", "uniqueness plausibility", "A receipt repeats earlier files and brings nothing new",
          "Every file of a required table is, byte for byte, one that was sent before: the export probably did not run.",
          "Send a fresh export; if truly nothing was added or changed, say so to the department.", acts="sender"),
    _rule("site_incomplete", "warn", "completeness", "The site never sent a required table",
          "A table listed under `required` has never arrived in a form that could be used.",
          "Ask for the table, or take it out of `required` of [sites.<site>] in audit.toml.",
          acts="either", asks="Send the table, or tell the department that there is none."),
    _rule("share_outside_limits", "warn", "atemporal plausibility", "More rows fail than exports before let expect",
          "The share of failing or empty cells lies above the limits that chance allows after the exports before.",
          "Look at the rows of this receipt: a form, a system or a mapping may have changed."),
    _rule("column_constant", "warn", "atemporal plausibility", "A column hardly varies",
          "Nearly all rows of the receipt hold one value, although earlier exports or other sites vary.",
          "Check at the source whether the value was entered or filled in by the system, and send it again.",
          acts="sender"),
    _rule("records_changed", "warn", "atemporal plausibility", "Many records say otherwise than before",
          "A large part of the records sent before comes with another value in one column: a time zone that moves "
          "days, another list, a changed export or mapping.",
          "Find out which of the two is right; until then the newer one is used.",
          acts="either", asks="Check whether so many values were meant to change; if not, send the export again."),
    _rule("value_new", "warn", "value conformance", "A value that no earlier export of the site held",
          "A new code or word: a new operation or measure, another spelling, or a changed list at the source.",
          "Check what it means; translate it under `values.<column>` in mappings/<site>.toml, or add it to "
          "catalogue.toml."),
    _rule("period_empty", "warn", "completeness", "No operation lies in the period",
          "Nothing was sent, or nothing was done.", "Check with the site before reporting nothing."),
)  # fmt: skip

_PEOPLE = (
    _rule("people_file_unusable", "warn", "value conformance", "A file written by people cannot be used",
          "A file of decisions, links, merges or known findings is no CSV with commas in UTF-8, or lacks a column.",
          "Save it as CSV (UTF-8) with the columns of the data dictionary; until then nothing of it is used."),
    _rule("people_row_unusable", "warn", "value conformance", "A row written by a person cannot be used",
          "A cell of a decision, link, merge or known finding is empty or not what its column holds.",
          "Correct the row; the other rows of the file are used."),
    _rule("removal_patient_unknown", "warn", "relational conformance", "A request to remove names a patient nobody sent",
          "The site or pseudonym is mistyped, or nothing of the patient has been received yet.",
          "Compare it with the hospital's list; the request stays in force for what is received later."),
    _rule("removal_repeated", "warn", "uniqueness plausibility", "A request to remove a patient stands twice",
          "The same pseudonym was entered again.", "Nothing need be done; it is counted once."),
    _rule("known_finding_expired", "warn", "temporal plausibility", "A known finding has run out and still occurs",
          "Its day `until` has passed, so the finding is announced as new again.",
          "Have it mended at the source, or add a row with a later `until`."),
    _rule("decision_unknown_case", "warn", "relational conformance", "A decision names a case that does not exist",
          "The case id is mistyped, or its operation is gone.", "Correct the case id; the decision is not used."),
    _rule("decision_unknown_category", "warn", "relational conformance",
          "A decision names a category not in the catalogue",
          "Mistyped, or the catalogue changed.", "Correct the category; the decision is not used."),
    _rule("request_without_case", "warn", "relational conformance",
          "A surgeon's request names a case or category that does not exist",
          "The case id or the category is mistyped, or its operation is gone.",
          "Correct the row in requests/; it asks nothing until then."),
    _rule("decision_before_operation", "warn", "temporal plausibility",
          "A decision dates a complication before the operation",
          "`occurred_on` lies before the case's operation.", "Correct the day; until then it is taken as not known."),
    _rule("decision_after_the_cut", "warn", "temporal plausibility",
          "A decision dates a complication after the edition's last day",
          "`occurred_on` lies after the cut, so the decision is not used in this edition.",
          "Correct the day if it is wrong; if it is right nothing is to be done: an edition that reaches it uses it."),
    _rule("decision_dated_early", "warn", "temporal plausibility", "A decision is dated before what it is about",
          "`decided_on` lies before the operation, the complication or all evidence of it; the decision is used.",
          "Correct `decided_on`, or the day of the complication."),
    _rule("decision_contradicts", "warn", "uniqueness plausibility", "A reviewer says yes and no on one day",
          "Two rows of one reviewer, case, category and day differ; which came last cannot be told, so neither is used.",
          "Add a row of a later day that says what holds."),
    _rule("decision_on_own_case", "warn", "relational conformance", "A reviewer decides on an own case",
          "The reviewer was responsible for an operation of the case; the decision is not used.",
          "Let others decide: `limbaudit review` leaves own cases out. The row may stay."),
    _rule("link_contradicts", "warn", "uniqueness plausibility", "A record is linked twice on one day",
          "Two rows of one record and day name different cases; which came last cannot be told, so neither is used.",
          "Add a row of a later day that says what holds."),
    _rule("link_unknown_record", "warn", "relational conformance", "A link names a record or case that does not exist",
          "Mistyped, or the record is gone.", "Correct the ids; the link is not used."),
    _rule("link_to_another_patient", "warn", "relational conformance", "A link names a case of another patient",
          "The record and the case belong to different patients.", "Correct the link; it is not used."),
    _rule("link_without_effect", "warn", "relational conformance", "A link names an operation that is none",
          "The linked operation was not performed, or its code is not in the catalogue.",
          "Correct the link, or add the code to the catalogue; until then it is not used."),
    _rule("merge_unclear", "warn", "relational conformance", "A merge of patients cannot be followed",
          "It names itself, an unknown patient, or runs in a circle.", "Correct the merge; it is not used."),
    _rule("code_in_two_entries", "warn", "uniqueness plausibility",
          "The workspace takes a code from a built-in entry",
          "catalogue.toml lists a code that a built-in entry also has.",
          "Nothing to do if that is meant; else take the code out of catalogue.toml."),
)  # fmt: skip

#: Where on the way a rule arises → its rules.
GROUPS: dict[str, tuple[Rule, ...]] = {
    "Folders and files": _FILES,
    "Columns": _COLUMNS,
    "Rows": _ROWS,
    "Cells": _CELLS,
    "Records, and records among each other": _RECORDS,
    "Exports and sites": _SITES,
    "What people write, and the catalogue": _PEOPLE,
}

FINDINGS: dict[str, Rule] = {rule.code: rule for rules in GROUPS.values() for rule in rules}
