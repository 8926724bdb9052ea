"""Codes and the names of code systems: written the usual way, never looked up here.

Shape of ICD-10-CM codes: ICD-10-CM Official Guidelines for Coding and Reporting, section I.A (three to seven
characters, a point after the third). ICD-10-PCS codes have seven characters and no point.
"""

from __future__ import annotations

import re

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.validate.answers import Answer, Answers, empty_codes, one_by_one, without_fault

#: Column that names the code system of a column of codes.
SYSTEM_OF = {
    "procedure_code": "procedure_system",
    "concomitant_codes": "procedure_system",
    "diagnosis_code": "diagnosis_system",
    "code": "code_system",
}
SYSTEM_COLUMNS = tuple(dict.fromkeys(SYSTEM_OF.values()))

_WITH_POINT = re.compile(r"[A-Z]\d[0-9A-Z]([0-9A-Z]{1,4})?")
#: Marks between codes; a comma only behind a code of the shape of the ICD, for other codes may hold one.
_SEVERAL = r"[;|]|^[A-Za-z][0-9][0-9A-Za-z][0-9A-Za-z.]*\s*,"
_ICD = re.compile(r"icd[\s_-]*(9|10|11)(?:[\s_-]*([a-z]+))?", re.IGNORECASE)


def single(texts: pa.Array) -> Answers:
    """Codes as they are; a cell that lists several is a fault."""
    several = pc.fill_null(pc.match_substring_regex(texts, _SEVERAL), False)
    if not pc.any(several).as_py():
        return without_fault(texts)
    values = pc.if_else(several, pa.scalar(None, pa.string()), texts)
    faults = np.where(several.to_numpy(zero_copy_only=False), "several_values", "").astype(object)
    return Answers(values, faults, empty_codes(len(texts)))


def systems(texts: pa.Array) -> Answers:
    """Names of code systems; those of the ICD in their usual spelling, others as they are."""
    return one_by_one(texts, _system, "string")


def _system(text: str) -> Answer:
    found = _ICD.fullmatch(text)
    if not found:
        return Answer("local" if text.lower() == "local" else text)
    name = f"ICD-{found[1]}" + (f"-{found[2].upper()}" if found[2] else "")
    return Answer(name, repair="" if name == text else "word_translated")


def usual_spelling(codes: pa.Array, system: str) -> pa.Array:
    """Distinct codes as the system writes them: upper case and, but for ICD-10-PCS, a point after the third."""
    if not system.startswith("ICD-10"):
        return codes
    pointed = system != "ICD-10-PCS"
    return pa.array(
        [None if code is None else _icd(code, pointed) for code in codes.to_pylist()], pa.string()
    )


def _icd(code: str, pointed: bool) -> str:
    if ";" in code:
        return ";".join(_icd(part, pointed) for part in code.split(";"))
    bare = re.sub(r"[\s.]", "", code.upper())
    if not pointed:
        return bare
    if not _WITH_POINT.fullmatch(bare):
        return re.sub(r"\s", "", code.upper())
    return bare if len(bare) == 3 else f"{bare[:3]}.{bare[3:]}"


def spelled(codes: pa.Array, of_system: pa.Array) -> pa.Array:
    """Codes row by row, each as its own row's system writes it."""
    encoded = pc.dictionary_encode(codes)
    written = codes
    for system in pc.unique(of_system).to_pylist():
        if system is None or not system.startswith("ICD-10"):
            continue
        usual = usual_spelling(encoded.dictionary, system).take(encoded.indices)
        written = pc.if_else(pc.fill_null(pc.equal(of_system, system), False), usual, written)
    return written
