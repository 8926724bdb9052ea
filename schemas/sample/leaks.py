"""Identifiers written into letters of all three hospitals; they have to be masked in every output."""

from __future__ import annotations

from schemas.sample.hospitals import LATE_EXPORT, MILLFIELD
from schemas.sample.planting import Key, Planter, harbour, millfield, northgate, rows_where

#: Invented identifiers written into letters; none may stand in any output. Domains and numbers are reserved ones.
CANARIES = (
    "quill.tarrant@example.org",
    "+44 1632 960471",
    "https://films.example.org/kx93177",
    "MRN 48207713",
    "Dr. Quillfeather",
    "QX7 4ZB",
    "QX51 ZKD",
    "serial no QZ-40417K",
    "07/11/1987",
    "14 Quillow Lane",
    "203.0.113.77",
    "Vane-Ombersley",
)
EMAIL, PHONE, FILMS, RECORD, DOCTOR, POSTCODE, PLATE, SERIAL, BIRTH, STREET, MACHINE, SURNAME = CANARIES
RULE = "identifier_masked"

_EVENTS = (
    f"Reach the family at {EMAIL} or {PHONE}.",
    f"Films at {FILMS} for {RECORD}.",
    f"Copy to {DOCTOR}, patient born on {BIRTH}.",
)
_VISITS = (
    f"Now living at {POSTCODE}, comes by car {PLATE}.",
    f"Asks for the card of the implant, {SERIAL}.",
    f"Moved to {STREET} in spring.",
    f"Answers sent from {MACHINE} at home.",
)
_SHEETS = (
    ("Events", f"{DOCTOR} rang from {PHONE}."),
    ("Clinic", f"Letter to {EMAIL}, filed under {RECORD}."),
)


def leaked_identifiers(planter: Planter) -> None:
    """Behind what the letter says, so that reviewers read the same as without."""
    _behind(planter, harbour("events"), "note", _EVENTS, "identifiers in a letter")
    _behind(planter, harbour("followups"), "note", _VISITS, "identifiers in a note of a visit")
    for sheet, said in _SHEETS:
        _behind(planter, northgate(sheet), "note", (said,), "identifiers in a sheet")
    for receipt in MILLFIELD.receipts:  # the same letter is sent both times
        key = millfield("clinic_list", receipt)
        for at in rows_where(planter.rows(key), lambda sent: sent["Remark"] != "")[:1]:
            note = f"Mother's e-mail {EMAIL}, letter to follow."
            planter.change(key, at, RULE, "identifiers in a letter", Remark=note)


def _behind(planter: Planter, key: Key, header: str, said: tuple[str, ...], what: str) -> None:
    rows = planter.rows(key)
    noted = rows_where(rows, lambda sent: sent[header] != "")
    for at, leaked in zip(noted, said, strict=False):
        planter.change(key, at, RULE, what, **{header: f"{rows[header].iloc[at]} {leaked}"})


def leaked_outside_letters(planter: Planter) -> None:
    """A name where an approach belongs and one where a pseudonym does, in rows of cancelled operations."""
    what = "the name of a surgeon where the approach belongs"
    planter.add_stranger(harbour("operations"), 12, RULE, what, approach=f"as {DOCTOR}", status="cancelled")
    planter.add_stranger(harbour("operations"), 13, "value_unparsable", "a name in place of a surgeon's id",
                         surgeon_id=f"Mr {SURNAME}", status="cancelled")  # fmt: skip


def leaked_in_incidents(planter: Planter) -> None:
    """In every whole list of incidents; the broken one is the beginning of the list that came whole."""
    for receipt in (MILLFIELD.receipts[0], LATE_EXPORT):
        key, said = millfield("incidents", receipt), (f"Call back on {PHONE}.",)
        _behind(planter, key, "Remark", said, "identifiers in a remark")
