"""Numbers, whole numbers and ages from text."""

from __future__ import annotations

import re

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.validate.answers import Answer, Answers, one_by_one, overlaid, without_fault

#: Numbers that stand for missing, by column (common practice, no source). 99 stands only where it is no
#: reading: an age of 99 and a flexion of 99 degrees are real.
NUMBERS_FOR_MISSING: dict[str, tuple[float, ...]] = {
    "age_years": (-1, 999, 9999),
    "asa_class": (-1, 99, 999, 9999),
    "bmi": (-1, 99, 999, 9999),
    "implant_count": (-1, 99, 999, 9999),
    "earlier_episodes": (-1, 99, 999, 9999),
    "nonoperative_weeks": (-1, 999, 9999),
    "instability_level": (-1, 99, 999, 9999),
    "pain": (-1, 99, 999, 9999),
    "value": (-999, 999, 9999),
}
#: Columns whose numbers may carry the sign or the word for degrees.
IN_DEGREES = ("value",)
OLDEST, OVER_89 = 110, 90

# No exponent: a spreadsheet writes 112 as 1E+02 and a code 1E1 as 10. No digits but 0 to 9: others are not keyed in
# by a system that counts degrees, so they are a sign of damage.
_PLAIN = r"^[+-]?[0-9]+(\.[0-9]+)?$"
_DEGREES = re.compile(r"(.*?)\s*(?:°|º|deg\.?|degs\.?|degrees?|grad)", re.IGNORECASE)
_NUMBER = re.compile(_PLAIN)
_AFTER_COMMA = re.compile(r"[+-]?[0-9]+,[0-9]+")
_THOUSANDS = re.compile(r"[+-]?[0-9]{1,3}([.,][0-9]{3})+")
_LARGEST_EXACT = 2**53
_NINETY_AND_OVER = re.compile(r"(?:9[0-9]|10[0-9]|110)\s*\+|(?:>\s*|over\s+)89|>=\s*90|≥\s*90", re.IGNORECASE)


def numbers(texts: pa.Array, column: str, decimal: str) -> Answers:
    """Numbers from distinct texts; `decimal` is the declared mark, `.` or `,`."""
    plain = pc.fill_null(pc.match_substring_regex(texts, _PLAIN), False)
    if decimal == ",":
        plain = pc.and_not(
            plain, pc.fill_null(pc.match_substring_regex(texts, _THOUSANDS.pattern + "$"), False)
        )
    straight = pc.cast(pc.if_else(plain, texts, pa.scalar(None, pa.string())), pa.float64())
    odd = np.flatnonzero(pc.and_not(texts.is_valid(), plain).to_numpy(zero_copy_only=False))
    if len(odd):
        read = one_by_one(texts.take(pa.array(odd)), lambda text: _number(text, column, decimal), "double")
        return _without_codes(_finite(overlaid(without_fault(straight), odd, read)), column)
    return _without_codes(_finite(without_fault(straight)), column)


def _number(text: str, column: str, decimal: str) -> Answer:
    """A number that is not written plainly."""
    without_unit = _DEGREES.fullmatch(text) if column in IN_DEGREES else None
    bare = without_unit[1] if without_unit else text
    repair = "unit_removed" if without_unit else ""
    if "−" in bare:
        bare, repair = bare.replace("−", "-"), repair or "number_reread"
    if decimal == "," and _AFTER_COMMA.fullmatch(bare):
        bare, repair = bare.replace(",", "."), "number_reread"
    elif decimal == "," and _THOUSANDS.fullmatch(bare):
        return Answer(fault="value_unparsable")
    if not _NUMBER.fullmatch(bare):
        return Answer(fault="value_unparsable")
    return Answer(float(bare), repair=repair)


def _finite(read: Answers) -> Answers:
    infinite = pc.fill_null(pc.is_inf(read.values), False)
    return _replaced(read, infinite, "value_unparsable") if pc.any(infinite).as_py() else read


def _without_codes(read: Answers, column: str) -> Answers:
    codes = NUMBERS_FOR_MISSING.get(column, ())
    stands_for_missing = pc.is_in(read.values, value_set=pa.array(codes, pa.float64()))
    return (
        _replaced(read, stands_for_missing, "value_code_for_missing")
        if pc.any(stands_for_missing).as_py()
        else read
    )


def _replaced(read: Answers, where: pa.Array, rule: str) -> Answers:
    """Null and the rule in place of the values at `where`."""
    places = where.to_numpy(zero_copy_only=False)
    values = pc.if_else(where, pa.scalar(None, read.values.type), read.values)
    return Answers(values, np.where(places, rule, read.faults), np.where(places, "", read.repairs))


def whole_numbers(texts: pa.Array, column: str, decimal: str) -> Answers:
    """Whole numbers from distinct texts; `12.0` is one, `12.5` is not."""
    read = numbers(texts, column, decimal)
    whole = pc.and_(
        pc.equal(pc.floor(read.values), read.values), pc.less(pc.abs(read.values), _LARGEST_EXACT)
    )
    broken = pc.fill_null(pc.invert(whole), False)
    if pc.any(broken).as_py():
        read = _replaced(read, broken, "value_unparsable")
    return Answers(pc.cast(read.values, pa.int64()), read.faults, read.repairs)


def ages(texts: pa.Array, column: str, decimal: str) -> Answers:
    """Completed years; 90 to 110 and the ways of saying so become 90, further ones stay for the range check."""
    said = pc.fill_null(pc.match_substring_regex(texts, f"(?i)^(?:{_NINETY_AND_OVER.pattern})$"), False)
    written = np.array(texts.to_pylist(), dtype=object)
    read = whole_numbers(pc.if_else(said, pa.scalar("90"), texts), column, decimal)
    over = pc.and_(pc.greater(read.values, OVER_89), pc.less_equal(read.values, OLDEST))
    values = pc.if_else(pc.fill_null(over, False), pa.scalar(OVER_89, pa.int64()), read.values)
    changed = pc.fill_null(pc.equal(values, OVER_89), False).to_numpy(zero_copy_only=False)
    changed &= written != "90+"
    return Answers(values, read.faults, np.where(changed, "age_over_89", read.repairs))
