"""The story's events, contacts, readings, patients and surgeons as records."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from schemas.sample.chronicle import Chronicle
from schemas.sample.people import FIRST_DAY, PREFIXES, SITES
from schemas.sample.records import Ids, dates, learned, numbered

NO_DAY = np.datetime64("NaT", "D")
EVENT_COLUMNS = (
    "code", "code_system", "side", "joint", "bone", "through_fixation_site", "energy", "instability_level",
    "reduced_by", "severity_grade", "management", "source", "note",
)  # fmt: skip


def _written(told: Chronicle, kept: pd.DataFrame, within: int) -> pd.DataFrame:
    """The notes with site and the day they were written down, in the order of writing."""
    kept = kept.assign(
        known_on=learned(told, kept["on"].to_numpy(), within),
        site=told.cases["site"].to_numpy()[kept["case"]],
    )
    return kept.sort_values(["site", "known_on", "on"], kind="stable", ignore_index=True)


def events(told: Chronicle, ids: Ids) -> tuple[pd.DataFrame, pd.Series]:
    """The table, and the id of each event by its number in the chronicle."""
    kept = _written(told, told.frame("events"), 14)
    case, second = kept["case"].to_numpy(), kept["second_number"].to_numpy(dtype=bool)
    table = pd.DataFrame({"event_id": numbered(kept["site"].to_numpy(), "E")})
    table["patient_id"] = np.where(second, second_numbers(ids.patient[case]), ids.patient[case])
    table["occurred_on"] = dates(kept["on"])
    table["operation_id"] = np.where(_names_operation(told, kept), ids.of_case[case], "")
    table[[*EVENT_COLUMNS]] = kept[[*EVENT_COLUMNS]]
    table = table.assign(site=kept["site"], known_on=kept["known_on"])
    return table, pd.Series(table["event_id"].to_numpy(), index=kept["number"].to_numpy())


def second_numbers(patient: np.ndarray) -> np.ndarray:
    """The other pseudonyms of these patients."""
    return (pd.Series(patient, dtype=object) + "b").to_numpy(dtype=object)


def _names_operation(told: Chronicle, kept: pd.DataFrame) -> np.ndarray:
    """Some events name their operation; those after two operations at one sitting always do."""
    case = kept["case"].to_numpy()
    here = (kept["side"] == told.cases["side"].to_numpy()[case]) | (kept["side"] == "")
    after_two = told.cases["both"].to_numpy()[case] & (kept["day"] >= 0)
    return ((kept["names_operation"] | after_two) & here & ~kept["second_number"]).to_numpy(dtype=bool)


def followups(told: Chronicle, ids: Ids, died: np.ndarray) -> pd.DataFrame:
    kept = _written(told, pd.concat([told.frame("contacts"), _deaths(told, died)], ignore_index=True), 8)
    case = kept["case"].to_numpy()
    pair = told.cases["bilateral"].to_numpy()[case]
    table = pd.DataFrame(
        {"followup_id": numbered(kept["site"].to_numpy(), "F"), "patient_id": ids.patient[case]}
    )
    table["seen_on"], table["status"] = dates(kept["on"]), kept["status"]
    table["operation_id"] = np.where(pair, "", ids.of_case[case])
    table["side"] = np.where(pair, "", told.cases["side"].to_numpy()[case])
    table["return_to_sport"] = kept["return_to_sport"]
    after = kept["returned_after"].to_numpy(dtype=np.int64)
    table["returned_on"] = np.where(after >= 0, dates(told.performed[case] + after), NO_DAY)
    for name in ("not_returned_because", "pain", "note"):
        table[name] = kept[name]
    return table.assign(site=kept["site"], known_on=kept["known_on"])


def _deaths(told: Chronicle, died: np.ndarray) -> pd.DataFrame:
    """The site without a list of patients tells of a death as of a visit."""
    gone = np.flatnonzero((died >= 0) & (told.cases["site"].to_numpy() == len(SITES) - 1))
    said = pd.DataFrame({"case": gone, "on": told.performed[gone] + died[gone]})
    silent: dict[str, Any] = {
        "return_to_sport": "",
        "not_returned_because": "",
        "note": "",
        "returned_after": -1,
        "pain": np.nan,
    }
    return said.assign(status="died", **silent)


def measurements(told: Chronicle, ids: Ids) -> pd.DataFrame:
    kept = _written(told, told.frame("readings"), 8)
    case = kept["case"].to_numpy()
    table = pd.DataFrame(
        {"measurement_id": numbered(kept["site"].to_numpy(), "M"), "patient_id": ids.patient[case]}
    )
    table["measured_on"] = dates(kept["on"])
    for name in ("joint", "measure", "mode", "value"):
        table[name] = kept[name]
    table["unit"] = np.where(kept["mode"] == "none", "points", "deg")
    names = (told.rng.random(len(kept)) < 0.5) | told.cases["both"].to_numpy()[case]
    table["operation_id"] = np.where(names, ids.of_case[case], "")
    table["side"] = told.cases["side"].to_numpy()[case]
    return table.assign(site=kept["site"], known_on=kept["known_on"])


def patients(told: Chronicle, ids: Ids, died: np.ndarray) -> pd.DataFrame:
    """One row a patient; one who died is written down then."""
    first = np.flatnonzero(~told.cases["patient"].duplicated().to_numpy())
    dead = died[first] >= 0
    on = told.performed[first] + np.maximum(died[first], 0)
    table = pd.DataFrame({"patient_id": ids.patient[first], "sex": told.cases["sex"].to_numpy()[first]})
    table["died_on"] = np.where(dead, dates(on), NO_DAY)
    table = table.assign(site=told.cases["site"].to_numpy()[first], known_on=learned(told, on, 6, 0.0))
    return table.sort_values(["site", "known_on", "patient_id"], kind="stable", ignore_index=True)


def surgeons() -> pd.DataFrame:
    """Four a site; all were there before the story began."""
    ids = [(f"{prefix}-S{number}", site) for site, prefix in enumerate(PREFIXES) for number in range(1, 5)]
    table = pd.DataFrame(ids, columns=["surgeon_id", "site"])
    started = dates(np.full(len(table), FIRST_DAY) - 200 * (1 + np.arange(len(table)) % 5))
    return table.assign(active_from=started, known_on=dates(np.full(len(table), FIRST_DAY)))
