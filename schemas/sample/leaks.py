"""Identifiers written into letters of all three hospitals; they have to be masked in every output."""

from __future__ import annotations

from schemas.sample.hospitals import MILLFIELD
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
)
EMAIL, PHONE, FILMS, RECORD, DOCTOR, POSTCODE, PLATE, SERIAL, BIRTH = CANARIES
RULE = "identifier_masked"

_EVENTS = (
    f"Reach the family at {EMAIL} or {PHONE}.",
    f"Films at {FILMS} for {RECORD}.",
    f"Copy to {DOCTOR}, patient born on {BIRTH}.",
)
_VISITS = (
    f"Now living at {POSTCODE}, comes by car {PLATE}.",
    f"Asks for the card of the implant, {SERIAL}.",
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
    """A name where an approach belongs, in the row of a cancelled operation."""
    what = "the name of a surgeon where the approach belongs"
    planter.add_stranger(harbour("operations"), 12, RULE, what, approach=f"as {DOCTOR}", status="cancelled")
