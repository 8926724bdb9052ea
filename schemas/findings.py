"""The closed list of what a check may say: data, in the order of the way through the program.

Terms for the kind of fault follow the harmonised data-quality terminology of Kahn et al. 2016, eGEMs 4(1):1244:
`dimension` is conformance, completeness or plausibility; `context` is verification (against expectation within
the data) or validation (against an outside source).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Action = Literal["repair", "quarantine", "refuse", "set_aside", "warn"]


@dataclass(frozen=True)
class Rule:
    """One entry of the catalogue."""

    code: str
    title: str
    cause: str
    remedy: str
    action: Action
    dimension: str
    context: str = "verification"


def _rule(
    code: str,
    action: Action,
    dimension: str,
    title: str,
    cause: str,
    remedy: str,
    context: str = "verification",
) -> Rule:
    return Rule(code, title, cause, remedy, action, dimension, context)


_ENTRIES = (
    # files and folders
    _rule("folder_not_a_date", "warn", "conformance", "A folder under the site is not a receipt date",
          "Folders under a site are named by the day the export was received.",
          "Rename the folder to YYYY-MM-DD; nothing in it was read."),
    _rule("site_not_listed", "warn", "conformance", "A site folder is not in audit.toml",
          "audit.toml lists sites, and this one is not among them.",
          "Add [sites.<id>] to audit.toml or remove the folder; its exports were not used."),
    _rule("site_id_malformed", "warn", "conformance", "A site's name has characters that are not allowed",
          "Site ids are letters, digits, _ and -.", "Rename the folder, or translate the values of site_from."),
    _rule("file_unmapped", "warn", "conformance", "No mapping claims the file",
          "Neither the site's mapping nor the file's name says which table it holds.",
          "Name it in mappings/<site>.toml, or let its name start with the table's name."),
    _rule("sheet_unclear", "refuse", "conformance", "The workbook's sheet is not clear",
          "Several sheets could hold the table.", "Say `sheet = \"…\"` in mappings/<site>.toml."),
    _rule("file_unreadable", "refuse", "conformance", "The file cannot be read",
          "It is locked, damaged, or not what its ending says.", "Send it again, unlocked, as CSV, XLSX or Parquet."),
    _rule("file_too_large", "refuse", "conformance", "The file unpacks to more than the limit",
          "A compressed file grew beyond what is allowed.", "Send it in parts."),
    _rule("file_undecodable", "refuse", "conformance", "The file's bytes do not fit its encoding",
          "It is not UTF-8, and the mapping declares no other encoding (or a wrong one).",
          "Declare `encoding` in mappings/<site>.toml, or send the file as UTF-8."),
    _rule("file_empty", "refuse", "completeness", "The file holds no rows",
          "An empty export is not the same as no operations.", "Ask the sender whether the export failed."),
    _rule("file_truncated", "refuse", "completeness", "The file breaks off",
          "The last row is cut, or a quotation mark is never closed.", "Ask the sender for the whole file."),
    _rule("delimiter_unclear", "refuse", "conformance", "The columns cannot be told apart",
          "No delimiter gives every row the same number of columns.", "Declare `delimiter` in mappings/<site>.toml."),
    _rule("header_repeated_name", "refuse", "conformance", "Two columns carry the same name",
          "The same header occurs twice, so it is unclear which is meant.", "Rename one of them at the source."),
    _rule("header_column_missing", "refuse", "conformance", "A required column is missing",
          "The header lacks a column the table needs.", "Map another header to it in mappings/<site>.toml, or give a constant."),
    _rule("column_unknown", "warn", "conformance", "A column is not used",
          "The header is neither a contract column nor mapped.", "Map it, or ignore this; it is never copied."),
    _rule("date_order_unclear", "refuse", "conformance", "The order of day and month is not clear",
          "Dates such as 03/04/2025 can be read in two ways.", "Declare `date_order` in mappings/<site>.toml."),
    _rule("identifiers_in_columns", "refuse", "conformance", "A column seems to hold direct identifiers",
          "A header or its content looks like names, birth dates, contact data or record numbers.",
          "Take the column out at the source and send the file again."),
    _rule("header_unclear", "refuse", "conformance", "The header row is not clear",
          "Several of the first rows could be the header.", "Say `header_row = …` in mappings/<site>.toml."),
    _rule("header_mapped_absent", "warn", "conformance", "A mapped column is not in the file",
          "The mapping names a header for an optional column that this file does not have.",
          "Add the new header to the list of names in mappings/<site>.toml."),
    _rule("file_outside_receipt", "warn", "conformance", "A file does not lie in a receipt folder",
          "Exports are read from received/<site>/<YYYY-MM-DD>/ only.",
          "Move it into the folder of the day it was received; it was not read."),
    _rule("encoding_by_mark", "repair", "conformance", "The encoding was taken from the byte order mark",
          "The file begins with a mark that names its encoding.", "Nothing to do."),
    _rule("delimiter_found", "repair", "conformance", "Another delimiter than the comma was found",
          "It gives every row the same number of columns.", "Nothing to do."),
    _rule("header_below_preamble", "repair", "conformance", "Lines above the header were skipped",
          "The report prints its title above the header.", "Nothing to do."),
    _rule("row_not_data", "repair", "conformance", "A row that is no record was skipped",
          "A total, a closing line or a repeated header.", "Nothing to do."),
    # rows as cut
    _rule("row_ragged", "quarantine", "conformance", "The row has more or fewer cells than the header",
          "Often a delimiter inside text that is not quoted.", "Quote text that holds the delimiter."),
    _rule("row_site_unclear", "quarantine", "conformance", "The row names no usable site",
          "The column named by `site_from` is empty or malformed.", "Fill it, or translate its values."),
    # cells
    _rule("value_missing", "quarantine", "completeness", "A required value is missing",
          "The cell is empty or says that nothing is known.", "Fill it at the source."),
    _rule("value_missing_token", "repair", "completeness", "A word for `missing` became empty",
          "Words such as N/A or - mean that nothing is known.", "Nothing to do."),
    _rule("value_unparsable", "quarantine", "conformance", "The value is not of the column's type",
          "For example text in a number.", "Correct it at the source, or translate it in the mapping."),
    _rule("value_unknown_word", "quarantine", "conformance", "The word is not one of the column's words",
          "The site uses other words.", "Translate it under `values.<column>` in mappings/<site>.toml."),
    _rule("value_out_of_range", "quarantine", "plausibility", "The number is outside the possible range",
          "Often an extra zero, another unit or a code for missing.", "Correct it at the source."),
    _rule("value_code_for_missing", "warn", "completeness", "A number that stands for missing became empty",
          "999, -1 and the like stand for missing in some systems.", "Declare it under `missing.<column>`."),
    _rule("unit_removed", "repair", "conformance", "A unit was taken off a number",
          "The cell held 110° or 110 deg.", "Nothing to do."),
    _rule("date_partial", "quarantine", "conformance", "The date lacks its day",
          "A day is never invented.", "Send the whole date."),
    _rule("date_after_receipt", "quarantine", "plausibility", "The date lies after the day of receipt",
          "A planned visit, or a mistyped year.", "Correct it at the source."),
    _rule("recorded_after_receipt", "warn", "plausibility", "A version was written after the day of receipt",
          "The clock of the sending system runs ahead.", "Check the clock at the source; versions are ordered by it."),
    _rule("dates_in_wrong_order", "quarantine", "plausibility", "Two dates of the row contradict each other",
          "For example discharged before admitted.", "Correct it at the source."),
    _rule("date_reread", "repair", "conformance", "A date was written another way",
          "The declared order, base or time zone was applied.", "Nothing to do."),
    _rule("number_reread", "repair", "conformance", "A number was written another way",
          "The declared decimal comma was applied.", "Nothing to do."),
    _rule("word_translated", "repair", "conformance", "A word was translated",
          "The mapping, or an agreed synonym, says what it means.", "Nothing to do."),
    _rule("code_normalised", "repair", "conformance", "A code was written the usual way",
          "Upper case, no blanks, a dot where the system has one.", "Nothing to do."),
    _rule("age_over_89", "repair", "conformance", "An age of 90 or more became 90+",
          "Ages over 89 identify people (45 CFR 164.514(b)(2)).", "Nothing to do."),
    _rule("identifier_masked", "warn", "conformance", "Something like an identifier stands in free text",
          "A name, number or address was written into a note.", "Take it out at the source; it is masked in every output."),
    _rule("placeholder_patient", "quarantine", "plausibility", "The patient id is a placeholder",
          "000000, TEST and the like are no patients.", "Nothing to do, or send the real pseudonym."),
    _rule("event_says_nothing", "quarantine", "completeness", "The event has neither code, note nor structured field",
          "Nothing tells what happened.", "Send a code, a note or a structured field."),
    _rule("score_without_points", "quarantine", "conformance", "Unit and measure do not go together",
          "A motion is in degrees, a score in points.", "Correct the unit."),
    # between records
    _rule("record_conflict", "quarantine", "conformance", "Two different records carry one id",
          "The same receipt holds both, and nothing says which is newer.", "Send recorded_at, or one of them."),
    _rule("record_duplicate", "repair", "conformance", "The record was sent before, unchanged", "Exports repeat.",
          "Nothing to do."),
    _rule("record_superseded", "repair", "conformance", "A newer version replaces the record",
          "A correction was sent.", "Nothing to do."),
    _rule("record_withdrawn", "repair", "conformance", "The record was withdrawn", "record_status says so.",
          "Nothing to do."),
    _rule("id_used_again", "quarantine", "conformance", "One id, two patients more than a year apart",
          "The site used the number again.", "Set `id_scope = \"year\"` in the mapping."),
    _rule("operation_unknown", "warn", "conformance", "The record names an operation that was not sent",
          "The operation is missing, held back, or the id mistyped.", "Send the operation or correct the id."),
    _rule("operation_of_another_patient", "warn", "plausibility", "The named operation belongs to another patient",
          "One of the two ids is wrong.", "Correct it at the source; the record goes to review."),
    _rule("side_conflict", "warn", "plausibility", "Side and operation do not agree",
          "The side of the record, its code or the named operation contradict each other.",
          "Check the patient's record: possibly a wrong-site event."),
    _rule("side_against_diagnosis", "quarantine", "plausibility", "The diagnosis names the other side",
          "The side of the operation and that of its diagnosis code contradict each other.",
          "Check the patient's record: possibly a wrong-site operation."),
    _rule("side_missing_for_sided", "warn", "plausibility", "A sided operation without a side",
          "The operation is done on one side, but the row says `none`.", "Send left, right or bilateral."),
    _rule("joint_unknown", "quarantine", "conformance", "The joint or bone is not in the catalogue",
          "The site uses another word.", "Translate it in the mapping or add it to catalogue.toml."),
    _rule("procedure_code_unknown", "warn", "conformance", "No procedure of the catalogue has this code",
          "The operation is not audited, or its code is new.", "Add the code to catalogue.toml if it should be counted."),
    _rule("fixation_unknown", "warn", "conformance", "A fixation is not in the catalogue",
          "The site uses another word.", "Translate it in the mapping or add it to `fixations` in catalogue.toml."),
    _rule("code_unknown", "warn", "conformance", "No entry of the catalogue has this diagnosis code",
          "It may be irrelevant, or a new spelling.", "Add it to catalogue.toml if it should count."),
    _rule("death_before_operation", "set_aside", "plausibility", "A patient died before an operation",
          "Two patients were probably merged into one.", "Ask the sender to check the patient; the export was not used."),
    # sites, decisions
    _rule("site_late", "warn", "completeness", "The site's export is late",
          "Its due day has passed and no newer export is here.", "Ask the sender; its windows close earlier until then."),
    _rule("site_incomplete", "warn", "completeness", "The site never sent a required table",
          "A table listed under `required` has never arrived.", "Ask the sender, or change `required`."),
    _rule("export_set_aside", "set_aside", "completeness", "The export breaks a stop limit",
          "Far fewer rows, vanished records or an impossible order.", "Ask the sender; the previous export stands."),
    _rule("records_vanished", "warn", "completeness", "Records sent before are no longer sent",
          "The site sends everything, yet some ids are gone.", "Ask for withdrawn records to be marked."),
    _rule("period_empty", "warn", "completeness", "No operation lies in the period",
          "Nothing was sent, or nothing was done.", "Check with the site before reporting nothing."),
    _rule("decision_unknown_case", "warn", "conformance", "A decision names a case that does not exist",
          "The case id is mistyped, or its operation is gone.", "Correct the decision."),
    _rule("decision_unknown_category", "warn", "conformance", "A decision names a category not in the catalogue",
          "Mistyped, or the catalogue changed.", "Correct the decision."),
    _rule("link_unknown_record", "warn", "conformance", "A link names a record or case that does not exist",
          "Mistyped, or the record is gone.", "Correct the link."),
    _rule("people_row_unusable", "warn", "conformance", "A row written by a person cannot be used",
          "A cell of a decision, link or merge is empty or not what its column holds.", "Correct the row."),
    _rule("decision_before_operation", "warn", "plausibility", "A decision dates a complication before the operation",
          "`occurred_on` lies before the case's operation.", "Correct the day; until then it is taken as not known."),
    _rule("link_to_another_patient", "warn", "plausibility", "A link names a case of another patient",
          "The record and the case belong to different patients.", "Correct the link; it is not used."),
    _rule("return_without_anaesthesia", "warn", "completeness", "A return to theatre does not say how it was done",
          "`anaesthesia` is empty; the return is counted and listed.", "Send the kind of anaesthesia."),
    _rule("merge_unclear", "warn", "conformance", "A merge of patients cannot be followed",
          "It names itself, an unknown patient, or runs in a circle.", "Correct the merge."),
    _rule("code_in_two_entries", "warn", "conformance", "The workspace takes a code from a built-in entry",
          "catalogue.toml lists a code that a built-in entry also has.", "Nothing to do if intended."),
)  # fmt: skip

FINDINGS: dict[str, Rule] = {rule.code: rule for rule in _ENTRIES}
