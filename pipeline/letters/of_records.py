"""The notes of records that stand, read: what each says, as integers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline.handover import Accepted, Facts
from pipeline.letters import read
from pipeline.lookup import Lookup

#: Tables with notes; the frames say in `noted` which of their records have one.
NOTED = ("events", "followups")
#: What of a record goes with its statements; -1 where its table has no such column.
CARRIED = ("patient", "day", "bone", "through", "origin")
#: Characters of a sentence that is not written twice by chance: told again, it was copied forward (our decision).
LONG_SENTENCE = 40


def with_letters(facts: Facts, accepted: Accepted, look: Lookup) -> Facts:
    """The facts with `statements` read from their notes, and `understood` in `events`; most records have no note."""
    noted = {name: np.flatnonzero(getattr(facts, name)["noted"].to_numpy()) for name in NOTED}
    records = pd.concat([_records(facts, name, at) for name, at in noted.items()], ignore_index=True)
    texts = [
        accepted.tables[name]["note"].take(pa.array(getattr(facts, name)["row"].to_numpy()[at]))
        for name, at in noted.items()
    ]
    reading = read(pa.chunked_array([chunk for text in texts for chunk in text.chunks], pa.string()),
                   look.catalogue, look.places)  # fmt: skip
    found = reading.statements
    whose = records.iloc[found["text"].to_numpy()].reset_index(drop=True)
    said = pd.concat([whose, found.drop(columns="text").reset_index(drop=True)], axis=1)
    said = said.rename(columns={"joint": "place"}).drop(columns="day").assign(copied=_copied(whose, found))
    place = said["place"].to_numpy()
    named = np.append(look.is_bone, False)[np.maximum(place, -1)]
    bone = np.where((said["bone"] < 0) & named, place, said["bone"])
    understood = np.zeros(len(facts.events), dtype=bool)
    understood[noted["events"]] = reading.spoken[: len(noted["events"])]
    return replace(
        facts, statements=said.assign(bone=bone), events=facts.events.assign(understood=understood)
    )


def _records(facts: Facts, table: str, at: np.ndarray) -> pd.DataFrame:
    """`table`, `row` and what is carried, of the records at these places."""
    frame: pd.DataFrame = getattr(facts, table)
    carried = {name: frame[name].to_numpy()[at] if name in frame else np.int64(-1) for name in CARRIED}
    return pd.DataFrame({"table": table, "row": frame["row"].to_numpy()[at], **carried})


def _copied(whose: pd.DataFrame, found: pd.DataFrame) -> np.ndarray:
    """bool: a long sentence that an earlier note of the same patient holds too."""
    size = len(found)
    order = np.lexsort((whose["row"], whose["day"], found["sentence"], whose["patient"]))
    patient, sentence, day = (
        column.to_numpy()[order] for column in (whose["patient"], found["sentence"], whose["day"])
    )
    same = (patient[1:] == patient[:-1]) & (sentence[1:] == sentence[:-1])
    start = np.maximum.accumulate(np.where(np.append(True, ~same)[:size], np.arange(size), 0))
    later = np.zeros(size, dtype=bool)
    later[order] = day > day[start]
    return later & ((found["end"] - found["begin"]) >= LONG_SENTENCE).to_numpy()
